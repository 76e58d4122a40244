"""Simulated doors as thin plates: bending modes, struck by bodies through a nonlinear contact, heard as curvature.

A door is a steel or aluminium skin with beads, lumped masses, mixed edges and, on some doors, a damping patch; its
lower edge hangs on a frame beam (`plate_structure`). Whatever happens is a force at a place, a pressure on the skin or
an acceleration of the supports, in newtons, pascals and m/s². The disc gives a voltage in proportion to the mean
bending strain under it. Everything is simulated; levels are plausible choices, not measurements.
"""

import zlib
from collections.abc import Callable
from dataclasses import astuple, dataclass, field, replace

import numpy as np
import numpy.typing as npt
from scipy import fft, signal

from benchmarks.generators import Generator, TapPlan, log_uniform, quantise
from benchmarks.generators.plate_structure import (
    REFERENCE_NS,
    Door,
    Hand,
    Port,
    Strikes,
    compute_responses,
    half_sine_pulses,
    hertz_strikes,
    integrate_contacts,
    make_door,
    one_thread,
)
from tapsig.errors import ParameterError
from tapsig.records import TAP, Label, Recording
from tapsig.units import FloatArray, IntArray, check_range

INNER_HZ = 6000.0  # forces and responses are computed at a multiple of fs of at least this rate
HINGE, LOCK, BASE, PRESSURE = ("frame", 0.05, 0.0), ("frame", 0.95, 0.0), ("base", 0.0, 0.0), ("pressure", 0.0, 0.0)
QUARTER_CAR = (653.0, 63.3, 6.0, 0.15)  # k1, k2, c and mass ratio of the Golden Car (ASTM E1926), per sprung mass


@dataclass(slots=True)
class Layer:
    """Forces at ports; `level_db`: where their highest or, of `dense` ones, usual peak is set, re a middling tap."""

    forces: dict[Port, FloatArray] = field(default_factory=dict)
    level_db: float | None = None
    dense: bool = True

    def add(self, port: Port, force: FloatArray) -> None:
        """Add a force to those at a port."""
        self.forces[port] = self.forces[port] + force if port in self.forces else force


@dataclass(slots=True)
class Events:
    """What happens in a recording, at the inner rate `fs`: layers of forces, labels, and volts of the electronics."""

    door: Door
    fs: float
    size: int
    layers: list[Layer] = field(default_factory=list)
    labels: list[Label] = field(default_factory=list)
    struck: list[tuple[Layer, Port, FloatArray, Strikes]] = field(default_factory=list)
    electric: FloatArray | None = None

    @property
    def duration_s(self) -> float:
        return self.size / self.fs

    def layer(self, level_db: float | None = None, *, dense: bool = True) -> Layer:
        """A new layer of these events."""
        self.layers.append(Layer({}, level_db, dense))
        return self.layers[-1]

    def merged(self) -> list[Layer]:
        """The layers, those whose level is not set joined to one."""
        plain = Layer()
        for layer in self.layers:
            for port, force in layer.forces.items():
                if layer.level_db is None:
                    plain.add(port, force)
        return [plain, *(layer for layer in self.layers if layer.level_db is not None)]

    def label(self, onsets_s: npt.ArrayLike, kind: str) -> None:
        """Label an onset, or several, unless it lies outside the recording."""
        for onset_s in np.atleast_1d(onsets_s).tolist():
            if 0.0 <= onset_s < self.duration_s - 0.02:
                self.labels.append(Label(onset_s, kind))

    def pulses(self, onset_s: FloatArray, momentum_ns: FloatArray, contact_s: FloatArray | float) -> FloatArray:
        """Half-sine pulses, shape (size,)."""
        return half_sine_pulses(onset_s, momentum_ns, contact_s, size=self.size, fs=self.fs)

    def noise(self, rng: np.random.Generator, low_hz: float, high_hz: float) -> FloatArray:
        """Gaussian noise of a band (second-order skirts), about 1 in rms, shape (size,)."""
        edges = [low_hz, min(high_hz, 0.45 * self.fs)]
        band = signal.butter(2, edges, "bandpass", fs=self.fs, output="sos")
        white = rng.standard_normal(self.size)
        return np.asarray(signal.sosfilt(band, white) * np.sqrt(self.fs / 2.0 / (edges[1] - edges[0])))

    def wander(self, rng: np.random.Generator, rate_hz: float, low: float, high: float) -> FloatArray:
        """A curve that wanders smoothly between two values, about `rate_hz` turns a second, shape (size,)."""
        knots = rng.uniform(low, high, int(self.duration_s * rate_hz) + 4)
        return np.interp(np.arange(self.size) / self.fs * rate_hz, np.arange(knots.size), knots)

    def strike(self, layer: Layer, port: Port, onset_s: FloatArray, strikes: Strikes) -> None:
        """Let bodies strike one port at their onsets; `solve_contacts` finds the forces."""
        self.struck.append((layer, port, onset_s, strikes))

    def solve_contacts(self, step_s: float = 2e-5) -> None:
        """Integrate the nonlinear contacts of all strikes together, and add their forces; momentum is kept."""
        if not self.struck:
            return
        drive = np.vstack([np.tile(self.door.drive(port), (onset.size, 1)) for _, port, onset, _ in self.struck])
        bodies = Strikes(*map(np.concatenate, zip(*(astuple(body) for *_, body in self.struck), strict=True)))
        total = np.cumsum(integrate_contacts(self.door.modes, drive, bodies, step_s=step_s), axis=1) * step_s
        fine, one = np.arange(1, total.shape[1] + 1) * step_s, 0
        for layer, port, onset_s, _ in self.struck:
            force = np.zeros(self.size)
            for start in onset_s:
                first = int(np.floor(start * self.fs))
                index = np.arange(first, min(self.size, first + int(fine[-1] * self.fs) + 2))
                given = np.interp(index / self.fs - start, fine, total[one], left=0.0)
                force[index[1:]] += np.diff(given) * self.fs
                one += 1
            layer.add(port, force)
        self.struck.clear()


def quarter_car(params: tuple[float, float, float, float] = QUARTER_CAR) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Numerators of body and axle acceleration over the road's velocity, and the denominator, in powers of s."""
    k1, k2, c, mass_ratio = params
    body, link, axle = [1.0, c, k2], [c, k2], [mass_ratio, c, k1 + k2]
    bottom = np.polysub(np.polymul(body, axle), np.polymul(link, link))
    shaken = np.array([k1, 0.0])
    return np.asarray(np.polymul(shaken, link)), np.asarray(np.polymul(shaken, body)), np.asarray(bottom)


def _times(rng: np.random.Generator, duration_s: float, rate_hz: float) -> FloatArray:
    """Onsets of a Poisson process within a recording, ascending."""
    return np.sort(rng.uniform(0.0, duration_s, rng.poisson(rate_hz * duration_s)))


def _apart(rng: np.random.Generator, events: Events, mean_s: float, least_s: float) -> list[float]:
    """Onsets at least `least_s` apart, `mean_s` on average; the first falls anywhere in the first mean gap."""
    gaps = least_s + rng.exponential(mean_s - least_s, int(events.duration_s / least_s) + 2)
    gaps[0] = rng.uniform(0.1, max(0.2, min(mean_s, 0.6 * events.duration_s)))
    times = np.cumsum(gaps)
    return [float(t) for t in times[times < events.duration_s - 0.1]]


def _stray_blows(events: Events, rng: np.random.Generator, chance: float) -> None:
    """With some probability one to three single sharp impacts that resemble a tap."""
    if rng.random() < chance:
        for onset in rng.uniform(0.3, max(0.4, events.duration_s - 0.5), int(rng.integers(1, 4))):
            _blow(events, rng, float(onset), "knuckle")


def _blow(events: Events, rng: np.random.Generator, onset_s: float, kind: str) -> None:
    """A foreign body strikes the skin, or falls and bounces on it."""
    ranges = {  # mass kg, contact on a rigid wall s, momentum re a middling tap dB, rebound
        "knuckle": (0.02, 0.08, 0.8e-3, 5e-3, -10.0, 12.0, 0.5),
        "limb": (0.5, 3.0, 12e-3, 28e-3, 4.0, 26.0, 0.3),
        "bag": (0.3, 1.5, 8e-3, 25e-3, 0.0, 18.0, 0.15),
        "tool": (0.03, 0.4, 0.25e-3, 1.2e-3, -10.0, 10.0, 0.75),
        "stone": (0.0005, 0.004, 0.1e-3, 0.3e-3, -26.0, -6.0, 0.6),
    }
    mass_low, mass_high, short, long, low, high, bounce = ranges[kind]
    momentum = REFERENCE_NS * 10.0 ** (rng.uniform(low, high) / 20.0)
    times, parts = [onset_s], [1.0]
    if kind in ("tool", "bag") and rng.random() < 0.6:
        gap = rng.uniform(0.06, 0.25)
        for _ in range(int(rng.integers(1, 6))):
            times.append(times[-1] + gap)
            parts.append(parts[-1] * bounce * rng.uniform(0.6, 1.0))
            gap *= bounce * rng.uniform(0.9, 1.2)
    strikes = hertz_strikes(
        momentum * np.array(parts), log_uniform(rng, mass_low, mass_high), rng.uniform(short, long), bounce
    )
    inside = np.array(times)
    events.strike(events.layer(), events.door.port(rng), inside, strikes)
    events.label(onset_s, "blow")


def quiet(events: Events, rng: np.random.Generator) -> None:
    """Nothing but the noise of the electronics."""


def _drops(events: Events, rng: np.random.Generator, level_db: float, *, hail: bool) -> None:
    """Drops or grains over the skin. Diameters: Marshall and Palmer; speed: Atlas (both from memory)."""
    rate = log_uniform(rng, 4.0, 90.0) if hail else log_uniform(rng, 15.0, 500.0)
    times = _times(rng, events.duration_s, rate)
    gusts = events.wander(rng, 0.4, 0.15, 1.0)
    times = times[rng.random(times.size) < gusts[(times * events.fs).astype(np.int64)]]
    if hail:
        size_mm = rng.gamma(4.0, 1.1, times.size) + 1.5
        speed, density, contact = 4.5 * np.sqrt(size_mm / 5.0), 900.0, np.full(times.size, 0.15e-3)
    else:
        size_mm = 0.6 + rng.exponential(1.0 / (4.1 * log_uniform(rng, 2.0, 40.0) ** -0.21), times.size)
        speed, density = np.maximum(9.65 - 10.3 * np.exp(-0.6 * size_mm), 0.5), 1000.0
        contact = size_mm * 1e-3 / speed
    momentum = density * np.pi / 6.0 * (size_mm * 1e-3) ** 3 * speed * rng.uniform(0.15, 0.6, times.size)
    layer, ports = events.layer(level_db), [events.door.port(rng, 0.04) for _ in range(20)]
    cell = rng.integers(0, len(ports), times.size)
    for k, port in enumerate(ports):
        chosen = cell == k
        layer.add(port, events.pulses(times[chosen], momentum[chosen], contact[chosen]))
    events.label(0.0, "hail" if hail else "rain")
    if not hail and rng.random() < 0.6:  # drips from the roof's edge: larger, at one place, nearly regular
        drips = np.array(_apart(rng, events, rng.uniform(0.6, 4.0), 0.3))
        drip = REFERENCE_NS * 10.0 ** (rng.uniform(-32.0, -14.0) / 20.0 + 0.15 * rng.standard_normal(drips.size))
        events.layer().add(events.door.port(rng), events.pulses(drips, drip, rng.uniform(0.5e-3, 2e-3)))
        events.label(drips, "drip")


def rain(events: Events, rng: np.random.Generator) -> None:
    """Rain, drizzle to shower, and drips."""
    _drops(events, rng, rng.uniform(-28.0, -3.0), hail=False)
    _stray_blows(events, rng, 0.2)


def hail(events: Events, rng: np.random.Generator) -> None:
    """Hail in gusts, over rain on most days."""
    if rng.random() < 0.6:
        _drops(events, rng, rng.uniform(-34.0, -16.0), hail=False)
    _drops(events, rng, rng.uniform(-16.0, 4.0), hail=True)


def driving(events: Events, rng: np.random.Generator) -> None:
    """Road of an ISO 8608 spectrum through a quarter car, tyres, engine orders, wind, thumps of both axles, grit."""
    scale = rng.uniform(0.8, 1.25, 4)
    k1, k2, c, ratio = np.array(QUARTER_CAR) * scale
    body, axle, bottom = quarter_car((k1, k2, c, ratio))
    speed = rng.uniform(5.0, 33.0)
    velocity = rng.standard_normal(events.size) * np.sqrt(events.fs)  # n⁻² in displacement is white in velocity
    road = np.zeros(events.size)
    for top, share in ((body, 1.0), (axle, log_uniform(rng, 0.01, 0.1))):
        road += share * signal.lfilter(*signal.bilinear(top, bottom, events.fs), velocity)
    tyre = events.noise(rng, 30.0, rng.uniform(150.0, 500.0)) * events.wander(rng, 1.0, 0.4, 1.0)
    road += np.std(road) * log_uniform(rng, 0.1, 1.5) * tyre
    events.layer(rng.uniform(-32.0, -4.0)).add(BASE, road)
    turns = events.wander(rng, 0.3, *np.sort(rng.uniform(750.0, 3600.0, 2))) / 60.0
    phase = 2.0 * np.pi * np.cumsum(turns) / events.fs
    engine = sum(
        rng.uniform(0.05, 1.0) / n**0.5 * np.sin(n * phase + rng.uniform(0, 6.3)) for n in (0.5, 1, 2, 4, 6, 8)
    )
    events.layer(rng.uniform(-40.0, -14.0)).add(BASE, np.asarray(engine))
    events.layer(rng.uniform(-42.0, -18.0)).add(PRESSURE, events.noise(rng, 60.0, 40.0 + 40.0 * speed))
    apart_s, width = rng.uniform(2.4, 3.6) / speed, rng.uniform(4e-3, 25e-3)
    times = np.array(_apart(rng, events, rng.uniform(1.5, 8.0), 0.3))
    size = 10.0 ** (rng.uniform(-14.0, 0.0, times.size) / 20.0)
    thumps = events.layer(rng.uniform(-12.0, 12.0), dense=False)
    for delay, part in ((0.0, 1.0), (apart_s, rng.uniform(0.5, 1.0))):
        thumps.add(BASE, events.pulses(times + delay, part * size, width))
        thumps.add(HINGE, events.pulses(times + delay, 0.3 * part * size, 0.3 * width))
        events.label(times + delay, "thump")
    for onset in _times(rng, events.duration_s, rng.choice([0.0, 0.15])):
        _blow(events, rng, float(onset), "stone")


def _slam(events: Events, rng: np.random.Generator, onset_s: float, *, own: bool) -> None:
    """A door closes: a gust of pressure, the latch's clicks around the main impact, then loose parts settle."""
    level = rng.uniform(2.0, 26.0) if own else rng.uniform(-16.0, 12.0)
    layer = events.layer(level, dense=False)
    main = onset_s + rng.uniform(0.012, 0.05)
    width = rng.uniform(5e-3, 18e-3)
    hinge, lock = (HINGE, LOCK) if own else (BASE, BASE)
    one = np.ones(1)
    layer.add(lock, events.pulses(np.array([onset_s, main + 0.6 * width]), np.array([0.04, 0.06]), 1e-3))
    layer.add(lock, events.pulses(one * main, one, width))
    layer.add(hinge, events.pulses(one * main + 0.003, rng.uniform(0.2, 0.8) * one, 1.3 * width))
    layer.add(PRESSURE, events.pulses(one * (onset_s - 0.03), rng.uniform(0.0, 3.0) * one, 0.09))
    settle = main + np.cumsum(rng.exponential(0.02, int(rng.integers(2, 12))))
    rattle = 0.03 * np.exp(-(settle - main) / 0.08) * rng.uniform(0.2, 1.0, settle.size)
    layer.add(events.door.port(rng), events.pulses(settle, rattle, 0.5e-3))
    events.label(onset_s, "slam")


def slams(events: Events, rng: np.random.Generator) -> None:
    """Slams of this and other doors, latches, footsteps of those who get in."""
    for onset in _apart(rng, events, rng.uniform(4.0, 9.0), 1.2):
        kind = rng.choice(["own", "other", "latch", "step"], p=[0.3, 0.35, 0.2, 0.15])
        if kind in ("own", "other"):
            _slam(events, rng, onset, own=bool(kind == "own"))
        elif kind == "latch":  # the handle's lever, then the latch springs
            layer, gap = events.layer(rng.uniform(-14.0, 8.0), dense=False), rng.uniform(0.04, 0.2)
            layer.add(
                LOCK, events.pulses(onset + np.array([0.0, gap]), np.array([0.4, 1.0]), rng.uniform(0.4e-3, 2e-3))
            )
            layer.add(events.door.port(rng), events.pulses(np.array([onset + gap]), np.array([0.1]), 1e-3))
            events.label(onset, "latch")
        else:
            layer, steps = events.layer(rng.uniform(-24.0, -4.0), dense=False), onset + 0.55 * np.arange(4.0)
            layer.add(BASE, events.pulses(steps, rng.uniform(0.5, 1.0, 4), rng.uniform(8e-3, 30e-3)))
            events.label(steps, "thump")
    _stray_blows(events, rng, 0.3)


def music(events: Events, rng: np.random.Generator) -> None:
    """Drums, bass and chords through a loudspeaker on the skin's carrier: a force at its rim, and pressure."""
    t, beat = np.arange(events.size) / events.fs, 60.0 / rng.uniform(70.0, 150.0)
    kicks = np.arange(rng.uniform(0.0, beat), events.duration_s, beat * rng.choice([1.0, 2.0]))
    tail = np.arange(int(0.25 * events.fs)) / events.fs
    pitch = rng.uniform(42.0, 65.0)
    drum = np.sin(2.0 * np.pi * (pitch * tail + 4.0 * (1.0 - np.exp(-tail / 0.02)))) * np.exp(-tail / 0.07)
    sound = signal.oaconvolve(events.pulses(kicks, rng.uniform(0.7, 1.0, kicks.size), 1e-3), drum)[: events.size]
    hats = np.arange(kicks[0] if kicks.size else 0.0, events.duration_s, beat / 2.0)
    burst = signal.lfilter(
        [1.0], [1.0, -np.exp(-1.0 / (0.02 * events.fs))], events.pulses(hats, 1e-3 + 0.0 * hats, 2e-4)
    )
    sound /= max(float(np.abs(sound).max()), 1e-12)
    sound += rng.uniform(0.05, 0.4) * burst / max(float(np.abs(burst).max()), 1e-12) * events.noise(rng, 2000.0, 6000.0)
    step = (t / beat).astype(np.int64)
    notes = 55.0 * 2.0 ** (rng.integers(0, 13, int(step[-1]) + 1) / 12.0)
    phase = 2.0 * np.pi * np.cumsum(notes[step]) / events.fs
    fall = np.exp(-(t % beat) / rng.uniform(0.15, 1.0))
    sound += rng.uniform(0.2, 1.0) * fall * (np.sin(phase) + 0.4 * np.sin(2.0 * phase))
    for ratio in (3.0, 4.0, 5.0):
        sound += rng.uniform(0.05, 0.3) * np.sin(ratio * 2.0 * phase) * events.wander(rng, 2.0, 0.0, 1.0)
    cone = signal.butter(2, [45.0, 0.4 * events.fs], "bandpass", fs=events.fs, output="sos")
    layer = events.layer(rng.uniform(-28.0, 2.0))
    sound = np.asarray(signal.sosfilt(cone, sound))
    layer.add(events.door.port(rng), sound)
    layer.add(PRESSURE, sound * rng.uniform(0.5, 5.0))
    events.label(0.0, "music")
    events.label(kicks, "beat")
    _stray_blows(events, rng, 0.2)


def voices(events: Events, rng: np.random.Generator) -> None:
    """People talk beside the door: syllables of voiced sound with formants, hisses, and bursts of breath."""
    layer = events.layer(rng.uniform(-28.0, 0.0))
    for _ in range(int(rng.integers(1, 4))):
        t = np.arange(events.size) / events.fs
        pitch = rng.uniform(85.0, 240.0) * events.wander(rng, 3.0, 0.85, 1.2)
        voice = signal.sawtooth(2.0 * np.pi * np.cumsum(pitch) / events.fs)
        for formant in (rng.uniform(300, 800), rng.uniform(900, 2200)):
            top, bottom = signal.iirpeak(formant, rng.uniform(4.0, 9.0), fs=events.fs)
            voice = 0.3 * voice + signal.lfilter(top, bottom, voice)
        syllables = np.maximum(events.wander(rng, rng.uniform(6.0, 10.0), -0.7, 1.0), 0.0)
        talks = events.wander(rng, 0.35, -1.0, 1.0) > -0.1
        hiss = 0.15 * events.noise(rng, 1500.0, 6000.0) * np.maximum(events.wander(rng, 5.0, -1.0, 1.0), 0.0)
        layer.add(PRESSURE, (voice * syllables + hiss) * talks * rng.uniform(0.2, 1.0))
        starts = np.flatnonzero(np.diff(talks.astype(np.int8), prepend=np.int8(0)) > 0)
        events.label(t[starts], "voice")
    breath = _times(rng, events.duration_s, 0.4)
    layer.add(PRESSURE, events.pulses(breath, rng.uniform(0.0, 0.05, breath.size), rng.uniform(8e-3, 30e-3)))
    _stray_blows(events, rng, 0.4)


def handling(events: Events, rng: np.random.Generator) -> None:
    """Keys, the handle, a sliding or scratching hand, fingers that fumble."""
    door = events.door
    for onset in _apart(rng, events, rng.uniform(2.0, 5.0), 0.8):
        kind = rng.choice(["keys", "handle", "slide", "fumble"])
        layer = events.layer(rng.uniform(-22.0, 4.0), dense=False)
        port = ("skin", door.modes.structure.length_m * 0.85, door.modes.structure.height_m * rng.uniform(0.3, 0.9))
        if kind == "keys":
            times = onset + np.cumsum(rng.exponential(rng.uniform(0.012, 0.06), int(rng.integers(5, 40))))
            layer.add(port, events.pulses(times, rng.gamma(0.8, 1.0, times.size), rng.uniform(0.1e-3, 0.4e-3)))
        elif kind == "handle":
            times = onset + np.array([0.0, rng.uniform(0.1, 0.5), rng.uniform(0.5, 0.9)])
            layer.add(port, events.pulses(times, rng.uniform(0.2, 1.0, 3), rng.uniform(0.8e-3, 6e-3)))
            layer.add(LOCK, events.pulses(times[:2], rng.uniform(0.2, 2.0, 2), rng.uniform(0.5e-3, 3e-3)))
        elif kind == "slide":
            length = rng.uniform(0.2, 1.8)
            shape = np.interp(
                np.arange(events.size) / events.fs, onset + np.array([0.0, 0.2, 0.7, 1.0]) * length, [0, 1, 0.7, 0]
            )
            rough = np.abs(events.wander(rng, rng.uniform(10.0, 60.0), -1.0, 1.0)) ** rng.uniform(0.5, 3.0)
            for _ in range(2):
                layer.add(
                    door.port(rng), shape * rough * events.noise(rng, rng.uniform(40, 400), rng.uniform(900, 5000))
                )
        else:
            times = onset + np.cumsum(rng.exponential(0.12, int(rng.integers(2, 9))))
            momentum = REFERENCE_NS * 10.0 ** (rng.uniform(-26.0, -4.0, times.size) / 20.0)
            events.strike(
                layer, port, times, hertz_strikes(momentum, rng.uniform(0.01, 0.1), rng.uniform(4e-3, 14e-3), 0.2)
            )
        events.label(onset, "handling")
    _stray_blows(events, rng, 0.3)


def rattle(events: Events, rng: np.random.Generator) -> None:
    """A loose part hops on the panel while the engine idles: flights of a ball on a shaken bed."""
    turns = rng.uniform(11.0, 30.0)
    t = np.arange(events.size) / events.fs
    idle = sum(
        rng.uniform(0.1, 1.0) * np.sin(2.0 * np.pi * n * turns * t + rng.uniform(0.0, 6.3)) for n in (0.5, 1, 2, 4)
    )
    events.layer(rng.uniform(-40.0, -18.0)).add(BASE, np.asarray(idle))
    now, speed, times, speeds = rng.uniform(0.0, 1.0), 0.1, [], []
    shaken = rng.uniform(0.02, 0.15)
    while now < events.duration_s:
        speed = rng.uniform(0.2, 0.7) * speed + abs(rng.normal(0.0, shaken))
        now += max(2.0 * speed / 9.81, 0.004)
        if rng.random() < 0.02:
            now += rng.exponential(3.0)  # it rests
        times.append(now)
        speeds.append(speed)
    layer = events.layer(rng.uniform(-24.0, 3.0))
    layer.add(events.door.port(rng), events.pulses(np.array(times), np.array(speeds), rng.uniform(0.2e-3, 1.5e-3)))
    resumed = np.array(times)[np.diff(np.array(times), prepend=-1.0) > 0.5]
    events.label(resumed, "rattle")
    _stray_blows(events, rng, 0.2)


def blows(events: Events, rng: np.random.Generator) -> None:
    """Somebody leans on the door, bumps it, drops something, throws grit: single impacts that no code contains."""
    for onset in _apart(rng, events, rng.uniform(3.0, 8.0), 1.0):
        _blow(events, rng, onset, str(rng.choice(["knuckle", "limb", "bag", "tool", "stone"])))


def motors(events: Events, rng: np.random.Generator) -> None:
    """A fan, a wiper that turns back with a thump, and the lock's motor that runs onto its stop."""
    t = np.arange(events.size) / events.fs
    spin = 2.0 * np.pi * np.cumsum(events.wander(rng, 0.2, 0.97, 1.03)) / events.fs * rng.uniform(20.0, 60.0)
    fan = np.sin(spin) + 0.5 * np.sin(7.0 * spin) + rng.uniform(0.2, 1.0) * events.noise(rng, 60.0, 900.0)
    events.layer(rng.uniform(-42.0, -16.0)).add(BASE, fan)
    if rng.random() < 0.6:
        turns = np.arange(rng.uniform(0.1, 1.0), events.duration_s, rng.uniform(0.5, 1.1))
        layer = events.layer(rng.uniform(-24.0, 2.0), dense=False)
        layer.add(BASE, events.pulses(turns, rng.uniform(0.6, 1.0, turns.size), rng.uniform(4e-3, 20e-3)))
        events.label(turns, "thump")
    for onset in _apart(rng, events, rng.uniform(5.0, 12.0), 1.5):
        layer, runs = events.layer(rng.uniform(-18.0, 8.0), dense=False), rng.uniform(0.12, 0.5)
        on = (t >= onset) & (t < onset + runs)
        whine = np.sin(2.0 * np.pi * rng.uniform(90.0, 400.0) * t) + 0.6 * events.noise(rng, 300.0, 2500.0)
        layer.add(LOCK, on * whine * rng.uniform(2.0, 30.0))
        layer.add(LOCK, events.pulses(onset + np.array([0.0, runs]), np.array([0.1, 1.0]), rng.uniform(0.6e-3, 3e-3)))
        events.label(onset, "motor")
        events.label(onset + runs, "thump")
    _stray_blows(events, rng, 0.2)


def electric(events: Events, rng: np.random.Generator) -> None:
    """Clicks and steps that never were in the metal: relays, a switched load, a loose plug; and ignition bursts."""
    volts = np.zeros(events.size)
    tap_v = float(np.exp(np.log(events.door.reference_v).mean()))
    for onset in _apart(rng, events, rng.uniform(1.5, 5.0), 0.25):
        first, size = int(onset * events.fs), tap_v * 10.0 ** (rng.uniform(-22.0, 8.0) / 20.0) * rng.choice([-1.0, 1.0])
        kind = rng.choice(["click", "step", "ring", "burst"], p=[0.4, 0.25, 0.2, 0.15])
        span = volts[first : first + int(0.6 * events.fs)]
        t = np.arange(span.size) / events.fs
        if kind == "click":
            span[: max(1, int(rng.uniform(0.1e-3, 2e-3) * events.fs))] += size
        elif kind == "step":
            volts[first:] += size
        elif kind == "ring":
            span += size * np.exp(-t / rng.uniform(0.5e-3, 6e-3)) * np.cos(2.0 * np.pi * rng.uniform(200.0, 2500.0) * t)
        else:
            gap = max(2, int(events.fs / rng.uniform(25.0, 120.0)))
            span[: int(rng.uniform(0.1, 0.6) * events.fs) : gap] += 0.5 * size
        events.label(onset, "click")
    events.electric = volts
    _stray_blows(events, rng, 0.3)


def carwash(events: Events, rng: np.random.Generator) -> None:
    """Brushes that slap as they turn, a jet that passes, a blower."""
    turn_hz = rng.uniform(1.2, 3.5)
    jet = events.noise(rng, 200.0, 5000.0) * np.maximum(events.wander(rng, 0.3, -0.5, 1.0), 0.0) ** 2
    events.layer(rng.uniform(-32.0, -8.0)).add(PRESSURE, jet)
    times = _times(rng, events.duration_s, rng.uniform(30.0, 160.0))
    near = np.maximum(events.wander(rng, 0.15, -0.6, 1.0), 0.02)[(times * events.fs).astype(np.int64)]
    swing = near * (0.5 + 0.5 * np.cos(2.0 * np.pi * turn_hz * times)) ** 3
    layer, cell = events.layer(rng.uniform(-20.0, 3.0)), rng.integers(0, 8, times.size)
    for k in range(8):
        mine = cell == k
        size = swing[mine] * rng.gamma(1.5, 1.0, int(mine.sum()))
        layer.add(events.door.port(rng), events.pulses(times[mine], size, rng.uniform(2e-3, 9e-3)))
    events.layer(rng.uniform(-40.0, -18.0)).add(BASE, events.noise(rng, 40.0, 400.0))
    events.label(0.0, "carwash")
    for onset in _times(rng, events.duration_s, 0.1):  # the brush's carriage knocks
        _blow(events, rng, float(onset), "bag")


SCENES: dict[str, Callable[[Events, np.random.Generator], None]] = {
    scene.__name__: scene
    for scene in (quiet, rain, hail, driving, slams, music, voices, handling, rattle, blows, motors, electric, carwash)
}


def _plan_entry(rng: np.random.Generator, hand: Hand, start_s: float, digits: IntArray) -> FloatArray:
    """Onsets of the taps of one code entry."""
    onset, taps = start_s, []
    for digit in digits:
        taps.append(onset)
        for _ in range(int(digit) - 1):
            onset += float(np.clip(hand.gap_s * (1.0 + 0.08 * rng.standard_normal()), 0.14, 0.6))
            taps.append(onset)
        onset += float(np.clip(hand.pause_s * (1.0 + 0.08 * rng.standard_normal()), 1.05, 2.2))
    return np.array(taps)


def plan_taps(door: Door, plan: TapPlan, duration_s: float, rng: np.random.Generator) -> list[tuple[Hand, FloatArray]]:
    """Who taps when: a hand and its onsets in s, one an entry or isolated tap, ascending."""
    if plan == "none":
        return []
    cold = rng.random() < 1.0 / 3.0
    start = rng.uniform(0.2, 0.6) if cold else rng.uniform(0.7, max(0.8, min(5.0, 0.3 * duration_s)))
    end, planned = duration_s - 0.4, []
    for trial in range(400):
        hand = door.hands[int(rng.integers(len(door.hands)))]
        if plan == "single":
            taps, rest = np.array([start]), rng.uniform(1.6, 8.0)
        else:
            digits = rng.integers(1, 7, 3 if trial > 200 else int(rng.integers(3, 5)))
            taps, rest = _plan_entry(rng, hand, start, digits), 3.3 + rng.exponential(2.5)
        if taps[-1] < end:
            planned.append((hand, taps))
            start = float(taps[-1]) + rest
        elif planned or plan == "single":
            break
    if not planned:
        raise ParameterError(f"duration_s is {duration_s:g}; no code entry fits; give at least 20 s")
    return planned


def _add_taps(events: Events, plan: TapPlan, rng: np.random.Generator) -> None:
    """Planned taps as strikes: one place an entry, every tap within ±4 dB of its hand's usual strength."""
    door, layer, s = events.door, events.layer(), events.door.modes.structure
    for hand, taps in plan_taps(door, plan, events.duration_s, rng):
        x_m = rng.uniform(0.2, 0.8) * s.length_m
        hem: Port = ("skin", x_m, rng.uniform(0.01, 0.06) * s.height_m)
        spot = rng.random()
        port = door.port(rng) if spot < 0.55 else hem if spot < 0.9 else ("frame", x_m, 0.0)
        usual = hertz_strikes(np.full(taps.size, hand.momentum_ns), hand.mass_kg, hand.contact_s, hand.bounce, hand)
        vary = 10.0 ** (np.clip(2.0 * rng.standard_normal(taps.size), -4.0, 4.0) / 20.0)
        held_s = usual.held_s * rng.uniform(0.7, 1.3, taps.size)
        events.strike(layer, port, taps, replace(usual, speed_m_s=usual.speed_m_s * vary, held_s=held_s))
        events.label(taps, TAP)


def _hear(events: Events, layer: Layer, heard: FloatArray) -> None:
    """Add to `heard`, V, shape (positions, size): strain at every position under a layer's forces, times the gain."""
    door, ports = events.door, [port for port, force in layer.forces.items() if force.any()]
    if not ports:
        return
    response = compute_responses(door.modes, np.array([door.drive(p) for p in ports]), door.sense, fs=events.fs)
    response *= door.gain[:, None]
    acts = [np.flatnonzero(layer.forces[p])[[0, -1]] for p in ports]
    begin, last = min(int(act[0]) for act in acts), max(int(act[1]) for act in acts)
    size = min(events.size, last + response.shape[-1]) - begin
    block = fft.next_fast_len(2 * response.shape[-1], real=True)
    hop = block - response.shape[-1] + 1
    count = -(-size // hop)
    framed = [np.pad(layer.forces[p][begin : begin + size], (0, count * hop - size)).reshape(count, hop) for p in ports]
    active = np.array([force.any(axis=1) for force in framed])
    wanted = np.flatnonzero(active.any(axis=0))
    row = np.cumsum(active.any(axis=0)) - 1
    spectrum = np.zeros((wanted.size, len(door.positions), block // 2 + 1), complex)
    for force, used, given in zip(framed, active, fft.rfft(response, block), strict=True):
        spectrum[row[used]] += fft.rfft(force[used], block)[:, None] * given
    out = np.zeros((len(door.positions), size))
    for k, piece in zip(wanted, fft.irfft(spectrum, block), strict=True):
        room = min(block, size - k * hop)
        out[:, k * hop : k * hop + room] += piece[:, :room]
    if layer.level_db is not None:
        usual = np.abs(out[:, :: 7 if layer.dense else 1])
        peak = np.quantile(usual, 0.999, axis=1) if layer.dense else usual.max(axis=1)
        ratio = float(np.exp(np.log(np.maximum(peak, 1e-30) / door.reference_v).mean()))
        out *= 10.0 ** (layer.level_db / 20.0) / ratio
    heard[:, begin : begin + size] += out


def _convert(events: Events, volts: FloatArray, rng: np.random.Generator, *, fs: float) -> FloatArray:
    """What the converter makes of the disc's volts: RC high-pass, on some doors an RC low-pass, hum, noise, counts."""
    door, every = events.door, round(events.fs / fs)
    volts = signal.lfilter(*signal.butter(1, door.high_pass_hz, "highpass", fs=events.fs), volts)
    if 0.0 < door.low_pass_hz < 0.45 * events.fs:
        volts = signal.lfilter(*signal.butter(1, door.low_pass_hz, fs=events.fs), volts)
    volts = np.array(volts[:, ::every])  # no filter against aliasing: cheap front ends have none
    t, phase = np.arange(volts.shape[1]) / fs, rng.uniform(0.0, 2.0 * np.pi, 3)
    wave = sum(
        part * np.sin(2.0 * np.pi * 50.0 * n * t + p)
        for n, part, p in zip((1, 2, 3), (1.0, 0.3, 0.4), phase, strict=True)
    )
    volts += door.hum_v[:, None] * wave + door.noise_v[:, None] * rng.standard_normal(volts.shape) + door.bias_v
    return quantise(volts, door.range_v, door.adc_bits)


def make(door: int, scene: str, *, fs: float, duration_s: float, taps: TapPlan, seed: int) -> dict[str, Recording]:
    """The recordings of `Generator.simulate`.

    Raises ParameterError for a duration outside 2 to 7200 s, and where no code entry fits it.
    """
    duration_s = check_range("duration_s", duration_s, 2.0, 7200.0)
    every = int(np.ceil(INNER_HZ / fs))
    plate = make_door(door)
    events = Events(plate, fs * every, int(duration_s * fs) * every)
    streams = [np.random.default_rng([seed, door, zlib.crc32(scene.encode()), part]) for part in range(3)]
    _add_taps(events, taps, streams[0])
    SCENES[scene](events, streams[1])
    volts = np.zeros((len(plate.positions), events.size))
    with one_thread():
        events.solve_contacts()
        for layer in events.merged():
            _hear(events, layer, volts)
    if events.electric is not None:
        volts += events.electric
    samples = _convert(events, volts, streams[2], fs=fs)
    return {
        position: Recording(
            row, fs, labels=tuple(sorted(events.labels)), range_v=plate.range_v, adc_bits=plate.adc_bits
        )
        for position, row in zip(plate.positions, samples, strict=True)
    }


GENERATOR = Generator("plate", tuple(SCENES), make)
