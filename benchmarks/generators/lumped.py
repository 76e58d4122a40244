"""Simulated doors as networks of lumped masses with loose parts: taps, nuisances, and the recordings of them.

Levels are given against the door's own reference tap, so that each scene holds weaker and stronger events than taps.
Those levels, and the rates of people and machines, are common practice without a source unless one is named.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy import signal

from benchmarks.generators import Generator, TapPlan, log_uniform
from benchmarks.generators.lumped_door import (
    REFERENCE_N,
    Door,
    Float32Array,
    at_instants,
    band_limit,
    build_door,
    convert,
    kernels,
    pick_up,
    respond,
    saturate,
    transmit,
)
from tapsig.errors import ParameterError
from tapsig.records import TAP, Label, Recording
from tapsig.units import FloatArray, db_to_amplitude, seconds_to_samples

SHAPES: Final = ("raised-cosine", "half-sine", "skewed", "double-hump")
LEAD_IN_S: Final = 1.5  # simulated before the recording starts, so that steady nuisances are under way
SHORTEST_S: Final = {"entries": 12.0, "single": 3.0, "none": 0.5}
ROAD_CLASSES: Final = {"A": 16e-6, "B": 64e-6, "C": 256e-6, "D": 1024e-6}  # m3 at 0.1 cycle/m, ISO 8608


def pulse(phase: FloatArray, shape: str) -> FloatArray:
    """A force pulse of unit peak over phase 0 to 1 (fraction of the contact's duration), 0 outside it; shape (n,)."""
    u = np.clip(phase, 0.0, 1.0)
    if shape == "raised-cosine":
        return np.asarray(0.5 - 0.5 * np.cos(2 * np.pi * u))
    if shape == "half-sine":
        return np.asarray(np.sin(np.pi * u))
    if shape == "skewed":  # steep rise, slow release; the factor makes the peak, at u = 1/4, 1
        return np.asarray(u * (1 - u) ** 3 * 256 / 27)
    if shape == "double-hump":
        second = 0.6 * np.sin(np.pi * np.clip((u - 0.45) / 0.55, 0, 1))
        return np.asarray(np.maximum(np.sin(np.pi * np.clip(u / 0.55, 0, 1)), second))
    raise ParameterError(f"shape is {shape!r}; it must be one of {', '.join(SHAPES)}")


@dataclass(frozen=True, slots=True)
class Hand:
    """How one person taps."""

    level_db: float
    width_s: float
    shape: str
    gap_s: float
    shortest_gap_s: float
    spread: float
    drift: float
    pause_s: float
    rebound: float


def _log_normal(rng: np.random.Generator, median: float, spread: float, low: float, high: float) -> float:
    """A log-normal draw, repeated until it lies within its limits; the median is first moved inside them."""
    median = float(np.clip(median, 1.02 * low, 0.98 * high))
    while not low < (drawn := median * float(np.exp(spread * rng.standard_normal()))) < high:
        pass
    return drawn


def random_hand(rng: np.random.Generator) -> Hand:
    """A person: strength within 20 dB, contact 0.5 to 8 ms, log-normal gaps that drift over an entry."""
    quick = rng.random() < 0.2
    gap_s = rng.uniform(0.15, 0.2) if quick else _log_normal(rng, 0.28, 0.3, 0.18, 0.5)
    return Hand(
        level_db=float(rng.uniform(-9, 11)),
        width_s=float(np.exp(rng.uniform(np.log(0.7e-3), np.log(6.5e-3)))),
        shape=str(rng.choice(SHAPES)),
        gap_s=gap_s,
        shortest_gap_s=0.14 if quick else 0.15,
        spread=float(rng.uniform(0.04, 0.16)),
        drift=float(rng.normal(0.0, 0.02)),
        pause_s=_log_normal(rng, 1.5, 0.18, 1.15, 2.0),
        rebound=float(rng.choice([0.0, 0.05, 0.4], p=[0.5, 0.3, 0.2])),
    )


def entry_times(hand: Hand, digits: Iterable[int], rng: np.random.Generator) -> FloatArray:
    """Contact times of one entry in seconds from its first tap."""
    times, at, made = [], 0.0, 0
    for place, digit in enumerate(digits):
        if place:
            at += _log_normal(rng, hand.pause_s, 0.12, 1.05, 2.2)
        for tap in range(digit):
            if tap:
                gap_s = hand.gap_s * float(np.exp(hand.drift * made))
                at += _log_normal(rng, gap_s, hand.spread, hand.shortest_gap_s, 0.6)
            times.append(at)
            made += 1
    return np.array(times)


class Excitation:
    """What acts on one door during one recording: forces by place, electrical disturbances, and labels."""

    def __init__(self, door: Door, *, fs: float, internal_hz: float, duration_s: float) -> None:
        self.door, self.fs, self.internal_hz, self.duration_s = door, fs, internal_hz, duration_s
        self.n = seconds_to_samples(duration_s + LEAD_IN_S, internal_hz) + 8
        self.time_s = np.arange(self.n) / internal_hz - LEAD_IN_S
        self.ground_m_s2 = np.zeros(self.n, dtype=np.float32)
        self.disturbance = np.zeros(seconds_to_samples(duration_s, fs))  # in units of the reference tap's peak
        self.labels: list[Label] = []
        self._rows: dict[bytes, tuple[FloatArray, Float32Array]] = {}

    def pattern(self, nodes: Iterable[int], *, share: FloatArray | float = 1.0) -> FloatArray:
        """A force pattern over all nodes that is `share` at the given ones."""
        weights = np.zeros(self.door.network.mass_kg.size)
        weights[list(nodes)] = share
        return weights

    def history(self, pattern: FloatArray) -> Float32Array:
        """The force history in newtons of a pattern, to add to; shape (n,)."""
        key = pattern.tobytes()
        if key not in self._rows:
            self._rows[key] = (pattern, np.zeros(self.n, dtype=np.float32))
        return self._rows[key][1]

    def label(self, at_s: float, kind: str) -> None:
        """Label an event that begins within the recording."""
        if 0 <= at_s < self.duration_s:
            self.labels.append(Label(float(at_s), kind))

    def hit(self, at_s: float, node: int, *, level_db: float, width_s: float, shape: str = "half-sine") -> None:
        """One contact at a node; the peak force is in decibels over the reference tap's."""
        first = max(0, int((at_s + LEAD_IN_S) * self.internal_hz) + 1)
        time_s = self.time_s[first : first + int(width_s * self.internal_hz) + 1]
        peak_n = REFERENCE_N * db_to_amplitude(level_db)
        history = self.history(self.pattern([node]))
        history[first : first + time_s.size] += peak_n * pulse((time_s - at_s) / width_s, shape)

    def _levels(self, pattern: FloatArray, force: FloatArray) -> FloatArray:
        """Response to a force in its loudest 4 s: rms at each position, in units of the reference tap's peak."""
        seconds = max(1, int(self.internal_hz))
        power = [float(np.mean(force[at : at + seconds] ** 2)) for at in range(0, force.size, seconds)]
        middle = int(np.argmax(power)) * seconds
        part = force[max(0, middle - 2 * seconds) : middle + 2 * seconds].astype(np.float32)
        outputs = [(sensor.weights * sensor.gain_v, sensor.quantity) for sensor in self.door.sensors]
        response = kernels(self.door.modes, self.internal_hz, outputs=outputs, inputs=pattern[None], duration_s=0.5)
        rms = transmit(part[None], response).std(axis=1).astype(np.float64) / self.door.front_end.typical_v
        return np.maximum(rms, 1e-30)

    def drive(self, pattern: FloatArray, force: FloatArray, *, level_db: float) -> None:
        """Add a force of shape (n,), scaled to a response of `level_db` (rms, median over positions).

        0 dB is the reference tap's peak.
        """
        level = float(np.median(self._levels(pattern, force)))
        self.history(pattern)[:] += force * (db_to_amplitude(level_db) / level)

    def shake(self, ground_m_s2: FloatArray, *, ceiling_db: float) -> None:
        """Add an acceleration of the vehicle, made weaker where any sensor would give more than `ceiling_db` (rms)."""
        level = float(self._levels(-self.door.network.mass_kg, ground_m_s2).max())
        self.ground_m_s2 += (ground_m_s2 * min(1.0, db_to_amplitude(ceiling_db) / level)).astype(np.float32)

    def volts(self) -> Float32Array:
        """Volts of each sensor before the front end, at the internal rate, lead-in included; shape (p, n)."""
        inertia = (-self.door.network.mass_kg, self.ground_m_s2)  # in coordinates that move with the vehicle
        rows = [inertia, *self._rows.values()]
        patterns = np.stack([pattern for pattern, _ in rows])
        forces = np.stack([history for _, history in rows])
        return respond(self.door, patterns, forces, self.internal_hz, ground_m_s2=self.ground_m_s2)


def _tap(ex: Excitation, hand: Hand, spot: int, at_s: float, rng: np.random.Generator) -> None:
    level_db = hand.level_db + float(np.clip(rng.normal(0, 2), -4, 4))
    width_s = float(np.clip(hand.width_s * np.exp(0.15 * rng.standard_normal()), 0.5e-3, 8e-3))
    ex.hit(at_s, spot, level_db=level_db, width_s=width_s, shape=hand.shape)
    ex.label(at_s, TAP)
    if rng.random() < hand.rebound:
        later_s = rng.uniform(0.018, 0.06)
        ex.hit(at_s + later_s, spot, level_db=level_db - rng.uniform(6, 18), width_s=width_s, shape=hand.shape)


def make_taps(ex: Excitation, taps: TapPlan, rng: np.random.Generator) -> None:
    """Lay code entries, or isolated taps, over the recording; in a third of them the first at 0.2 to 0.6 s."""
    last_s = ex.duration_s - 0.3
    hands = [random_hand(rng) for _ in range(int(rng.integers(1, 4)))]
    chances = np.array([*rng.permutation([0.6, 0.15, 0.15, 0.1]), 0.06, 0.06])  # of four spots on skin, glass, frame
    cold = rng.random() < 1 / 3
    start_s = rng.uniform(0.2, 0.6)

    def place() -> tuple[Hand, int]:
        return hands[int(rng.integers(len(hands)))], int(rng.choice(ex.door.spots, p=chances / chances.sum()))

    if taps == "single":
        at_s = start_s if cold else float(rng.uniform(0.6, min(8.0, 0.5 * ex.duration_s)))
        hand, spot = place()
        while at_s < last_s:
            _tap(ex, hand, spot, at_s, rng)
            at_s += _log_normal(rng, 3.0, 0.45, 1.6, 8.0)
            hand, spot = place() if rng.random() < 0.3 else (hand, spot)
    elif taps == "entries":
        at_s, tries, made = start_s, 0, 0
        while tries < 60:
            hand, spot = place()
            times_s = entry_times(hand, rng.integers(1, 7, int(rng.choice([3, 4]))), rng)
            slack_s = last_s - times_s[-1] - at_s
            tries += 1
            if slack_s < 0:
                continue
            if not made and not cold:
                at_s = max(0.6, at_s) + float(rng.uniform(0, min(10.0, 0.9 * slack_s)))
            for time_s in times_s:
                _tap(ex, hand, spot, float(min(at_s, last_s) + time_s), rng)
            at_s += float(times_s[-1]) + 3.2 + float(np.exp(rng.normal(0.5, 0.8)))
            made, tries = made + 1, 52
        if not made:
            raise ParameterError(
                f"duration_s is {ex.duration_s:g}; no entry fitted in 60 tries: give 20 s or more, or taps='single'"
            )


def _times(
    ex: Excitation, rng: np.random.Generator, mean_gap_s: float, *, spread: float = 0.6, kind: str = ""
) -> list[float]:
    """Times of events with log-normal gaps about `mean_gap_s`, anywhere in the recording; at least one.

    They are labelled where a kind is given.
    """
    at_s, times = float(rng.uniform(0, min(mean_gap_s, 0.9 * ex.duration_s))), []
    while at_s < ex.duration_s:
        times.append(at_s)
        at_s += float(mean_gap_s * np.exp(spread * rng.standard_normal()))
    for time_s in times if kind else ():
        ex.label(time_s, kind)
    return times


def _some(ex: Excitation, group: str, rng: np.random.Generator, count: int = 1) -> list[int]:
    nodes = ex.door.groups[group]
    return [int(node) for node in rng.choice(nodes, min(count, nodes.size), replace=False)]


def _noise(ex: Excitation, rng: np.random.Generator, low_hz: float, high_hz: float) -> FloatArray:
    """Band noise of unit variance, shape (n,)."""
    high_hz = min(high_hz, 0.45 * ex.internal_hz)
    sos = signal.butter(2, (low_hz, high_hz), "bandpass", fs=ex.internal_hz, output="sos")
    noise = signal.sosfilt(sos, rng.standard_normal(ex.n))
    return np.asarray(noise / noise.std())


def _swell(ex: Excitation, rng: np.random.Generator, period_s: float, depth_db: float) -> FloatArray:
    """A smooth random level, shape (n,), as an amplitude factor that varies by `depth_db` (one sigma)."""
    knots = rng.standard_normal(int((ex.duration_s + LEAD_IN_S) / period_s) + 3)
    level_db = depth_db * np.interp(ex.time_s, np.arange(knots.size) * period_s - LEAD_IN_S, knots)
    return np.asarray(10 ** (level_db / 20))


def _machine(ex: Excitation, rng: np.random.Generator, base_hz: float, orders: Iterable[float]) -> FloatArray:
    """Order tones of a machine whose speed wanders, shape (n,)."""
    speed_hz = base_hz * _swell(ex, rng, 3.0, 0.8)
    turns = np.cumsum(speed_hz) / ex.internal_hz
    tones = [
        rng.uniform(0.2, 1.0) / np.sqrt(order) * np.sin(2 * np.pi * order * turns + rng.uniform(0, 6.28))
        for order in orders
        if order * base_hz < 0.3 * ex.internal_hz
    ]
    return np.asarray(np.sum(tones, axis=0) * _swell(ex, rng, 1.0, 1.5))


def _drops(
    ex: Excitation, rng: np.random.Generator, nodes: list[int], *, rate_hz: float, width_s: float, level_db: float
) -> None:
    """Drops or stones at random instants, diameters exponential (Marshall and Palmer 1948, from memory).

    Force goes as diameter squared times speed squared; the speed is 9.65 - 10.3 exp(-0.6 d) m/s with d in mm (Atlas
    1973, from memory).
    """
    shape = np.sin(np.pi * (np.arange(max(2, int(width_s * ex.internal_hz))) + 0.5) / (width_s * ex.internal_hz))
    for node in nodes:
        count = int(rng.poisson(rate_hz * (ex.duration_s + LEAD_IN_S) / len(nodes)))
        diameter_mm = np.clip(rng.exponential(0.7, count) + 0.5, 0.5, 5.5)
        force = np.zeros(ex.n)
        speed = 9.65 - 10.3 * np.exp(-0.6 * diameter_mm)
        np.add.at(force, rng.integers(0, ex.n, count), diameter_mm**2 * speed**2)
        force = signal.lfilter(np.clip(shape, 0, None), [1.0], force * _swell(ex, rng, 2.0, 2.0))
        ex.drive(ex.pattern([node]), force, level_db=level_db - 10 * np.log10(len(nodes)))


def _strike(ex: Excitation, rng: np.random.Generator, at_s: float, node: int, level: tuple[float, float]) -> None:
    """One sharp or blunt contact, of a width between a key's and an elbow's."""
    width_s, shape = log_uniform(rng, 0.4e-3, 12e-3), str(rng.choice(SHAPES))
    ex.hit(at_s, node, level_db=rng.uniform(*level), width_s=width_s, shape=shape)


def quiet(ex: Excitation, rng: np.random.Generator) -> None:
    """Nothing but taps and the electronics' noise."""


def rain(ex: Excitation, rng: np.random.Generator) -> None:
    rate_hz, level_db = log_uniform(rng, 25, 500), rng.uniform(-46, -24)
    _drops(
        ex, rng, _some(ex, "skin", rng, 5), rate_hz=rate_hz, width_s=log_uniform(rng, 4e-4, 1.5e-3), level_db=level_db
    )
    ex.label(0.0, "rain")
    edge = _some(ex, "skin", rng)[0]
    for at_s in _times(
        ex, rng, log_uniform(rng, 0.7, 4.0), spread=0.3, kind="drip"
    ):  # heavy drops from the roof's edge
        ex.hit(at_s, edge, level_db=rng.uniform(-18, 2), width_s=log_uniform(rng, 5e-4, 2e-3), shape="skewed")


def hail(ex: Excitation, rng: np.random.Generator) -> None:
    nodes = [*_some(ex, "skin", rng, 5), *_some(ex, "glass", rng)]
    _drops(ex, rng, nodes, rate_hz=log_uniform(rng, 100, 900), width_s=8e-4, level_db=rng.uniform(-34, -14))
    _drops(ex, rng, nodes[:4], rate_hz=log_uniform(rng, 3, 40), width_s=4e-4, level_db=rng.uniform(-30, -10))
    ex.label(0.0, "hail")


def golden_car() -> tuple[FloatArray, npt.NDArray[np.complex128], float]:
    """Zeros, poles (rad/s) and gain from the road's vertical speed to the body's acceleration.

    The quarter car of ASTM E1926.
    """
    k1, k2, c, mu = 653.0, 63.3, 6.0, 0.15
    tyre_side = np.polymul([1.0, c, k2], [mu, c, k2 + k1])
    poles = np.roots(np.polysub(tyre_side, np.polymul([c, k2], [c, k2])))
    return np.array([0.0, -k2 / c]), poles.astype(np.complex128), k1 * c / mu


def driving(ex: Excitation, rng: np.random.Generator) -> None:
    speed_m_s, roughness = rng.uniform(5, 28), ROAD_CLASSES[str(rng.choice(list(ROAD_CLASSES)))]
    psd = (2 * np.pi * 0.1) ** 2 * roughness * speed_m_s  # of the road's vertical speed, (m/s)2/Hz, one-sided: white
    road = rng.standard_normal(ex.n) * np.sqrt(psd * ex.internal_hz / 2)
    car: Any = signal.bilinear_zpk(*golden_car(), fs=ex.internal_hz)
    body_m_s2 = signal.sosfilt(signal.zpk2sos(*car), road)
    ex.shake(body_m_s2, ceiling_db=rng.uniform(-30, -8))
    hinge, latch = (int(node) for node in ex.door.groups["hinges"][:2])
    tyre = _noise(ex, rng, 25, rng.uniform(200, 500)) * _swell(ex, rng, 0.7, 2.5)
    ex.drive(ex.pattern([hinge]), tyre, level_db=rng.uniform(-46, -22))
    engine = _machine(ex, rng, rng.uniform(12, 55), (0.5, 1, 1.5, 2, 4, 6))
    ex.drive(ex.pattern([latch]), engine, level_db=rng.uniform(-48, -22))
    ex.label(0.0, "driving")
    for at_s in _times(ex, rng, rng.uniform(2, 9)):  # a joint or a pothole: front axle, then the rear one
        level_db, width_s = rng.uniform(-2, 24), log_uniform(rng, 6e-3, 35e-3)
        for later_s in (0.0, rng.uniform(2.4, 3.2) / speed_m_s):
            ex.hit(at_s + later_s, hinge, level_db=level_db, width_s=width_s, shape="raised-cosine")
            ex.hit(at_s + later_s, hinge, level_db=level_db - 12, width_s=0.15 * width_s, shape="skewed")
            level_db -= rng.uniform(0, 6)
            ex.label(at_s + later_s, "thump")
    skin = _some(ex, "skin", rng)[0]
    for at_s in _times(ex, rng, rng.uniform(5, 20), kind="stone"):
        ex.hit(at_s, skin, level_db=rng.uniform(-14, 8), width_s=log_uniform(rng, 4e-4, 1e-3))


def slams(ex: Excitation, rng: np.random.Generator) -> None:
    lock, frame = _some(ex, "lock", rng)[0], _some(ex, "frame", rng)[0]
    hinge = int(ex.door.groups["hinges"][0])
    for at_s in _times(ex, rng, rng.uniform(3, 8), kind="slam"):
        if rng.random() < 0.35:  # this door: latch, seal, second catch
            ex.hit(at_s, lock, level_db=rng.uniform(18, 34), width_s=log_uniform(rng, 1e-3, 4e-3), shape="skewed")
            ex.hit(at_s, frame, level_db=rng.uniform(20, 34), width_s=rng.uniform(0.02, 0.07), shape="raised-cosine")
            ex.hit(at_s + rng.uniform(0.015, 0.06), lock, level_db=rng.uniform(6, 22), width_s=1.2e-3)
        else:  # another door or the boot lid, through the body
            level_db = rng.uniform(-6, 20)
            ex.hit(at_s, hinge, level_db=level_db, width_s=log_uniform(rng, 5e-3, 40e-3), shape="raised-cosine")
            ex.hit(at_s, hinge, level_db=level_db - 6, width_s=log_uniform(rng, 1e-3, 4e-3), shape="double-hump")


def music(ex: Excitation, rng: np.random.Generator) -> None:
    beat_s, since = 60 / rng.uniform(75, 150), ex.time_s
    speaker = ex.pattern([*_some(ex, "bracket", rng, 2), *_some(ex, "trim", rng, 2)])
    kick, snare, bass = np.zeros(ex.n), np.zeros(ex.n), np.zeros(ex.n)
    notes_hz = rng.choice([41.2, 49.0, 55.0, 61.7, 73.4, 82.4], 8)
    hiss, base_hz = _noise(ex, rng, 180, 3200), rng.uniform(42, 65)
    steps = np.arange(-LEAD_IN_S, ex.duration_s, beat_s / 2)
    played = rng.random(8) < np.array([1, 0.2, 0.4, 0.3, 1, 0.2, 0.5, 0.4])
    for step, at_s in enumerate(steps):
        first = int((at_s + LEAD_IN_S) * ex.internal_hz)
        part = slice(first, first + int(0.35 * ex.internal_hz))
        age_s = since[part] - since[first]
        bass[part] += np.sin(2 * np.pi * notes_hz[step // 2 % 8] * age_s) * np.exp(-age_s / 0.2) * (step % 2 == 0)
        if played[step % 8]:
            sweep = np.cumsum(base_hz * (1 + 2.5 * np.exp(-age_s / 0.012))) / ex.internal_hz
            kick[part] += rng.uniform(0.7, 1) * np.sin(2 * np.pi * sweep) * np.exp(-age_s / 0.09)
            ex.label(float(at_s), "beat")
        if step % 4 == 2:
            snare[part] += hiss[part] * np.exp(-age_s / 0.05)
    melody = _machine(ex, rng, rng.uniform(180, 400), (1, 1.25, 1.5, 2, 3)) * _swell(ex, rng, beat_s / 2, 6)
    mix = rng.uniform(0.5, 1.5) * kick + rng.uniform(0.3, 1) * bass + 0.4 * snare + 0.15 * melody
    ex.drive(speaker, mix, level_db=rng.uniform(-36, -8))


def _speech(ex: Excitation, rng: np.random.Generator, level_db: float) -> None:
    """One person's phrases: glottal pulses through formants, in syllables, as pressure on skin and trim."""
    pitch_hz = rng.uniform(85, 240) * _swell(ex, rng, 0.25, 0.7)
    turns = np.cumsum(pitch_hz) / ex.internal_hz
    source = np.diff(np.floor(turns), prepend=0.0) + 0.05 * rng.standard_normal(ex.n)
    voice = np.zeros(ex.n)
    for formant_hz in (rng.uniform(300, 800), rng.uniform(900, 1900), rng.uniform(2000, 2900)):
        b, a = signal.iirpeak(formant_hz, 6, fs=ex.internal_hz)
        voice += signal.lfilter(b, a, source) * _swell(ex, rng, 0.18, 5)
    gate = np.zeros(ex.n)
    for at_s in _times(ex, rng, rng.uniform(2, 5), kind="voice"):
        for syllable_s in at_s + np.cumsum(rng.uniform(0.12, 0.3, int(rng.integers(2, 14)))):
            half_s = rng.uniform(0.06, 0.14)
            first = max(0, int((syllable_s - half_s + LEAD_IN_S) * ex.internal_hz))
            part = slice(first, first + int(2 * half_s * ex.internal_hz))
            gate[part] += np.clip(1 - np.abs(ex.time_s[part] - syllable_s) / half_s, 0, None)
    share = rng.uniform(0.3, 1, 6)
    pressed = ex.pattern([*_some(ex, "skin", rng, 3), *_some(ex, "trim", rng, 3)], share=share)
    ex.drive(pressed, voice * gate, level_db=level_db)


def voices(ex: Excitation, rng: np.random.Generator) -> None:
    for _ in range(int(rng.integers(1, 4))):
        _speech(ex, rng, rng.uniform(-50, -22))


def _rub(ex: Excitation, rng: np.random.Generator, at_s: float, node: int, *, level_db: float) -> None:
    """A hand or a sleeve that slides, with or without stick-slip, for 0.2 to 1.5 s."""
    span_s = rng.uniform(0.2, 1.5)
    if rng.random() < 0.5:
        window = np.clip(1 - np.abs((ex.time_s - at_s) / span_s * 2 - 1), 0, 1) ** 0.6
        friction = _noise(ex, rng, rng.uniform(60, 300), rng.uniform(900, 3000)) * window
        ex.drive(ex.pattern([node]), friction * _swell(ex, rng, 0.05, 4), level_db=level_db - 12)
        return
    slips_s = np.cumsum(np.exp(rng.normal(np.log(1 / rng.uniform(18, 90)), 0.4, 120)))
    for slip_s in slips_s[slips_s < span_s]:
        ex.hit(
            at_s + slip_s, node, level_db=level_db + rng.normal(0, 4), width_s=rng.uniform(1e-3, 4e-3), shape="skewed"
        )


def handling(ex: Excitation, rng: np.random.Generator) -> None:
    skin, lock, linkage = _some(ex, "skin", rng, 2), _some(ex, "lock", rng)[0], _some(ex, "linkage", rng)[0]
    for at_s in _times(ex, rng, rng.uniform(1.5, 5)):
        kind = str(rng.choice(["keys", "handle", "rub", "fumble", "ring"]))
        ex.label(at_s, kind)
        if kind == "keys":
            for jingle_s in np.cumsum(rng.exponential(0.07, int(rng.integers(3, 20)))) * (rng.random() + 0.3):
                ex.hit(at_s + jingle_s, lock, level_db=rng.uniform(-22, 4), width_s=log_uniform(rng, 3e-4, 8e-4))
        elif kind == "handle":  # pulled to its stop, and let go
            for later_s in (0.0, rng.uniform(0.06, 0.15), rng.uniform(0.3, 0.9)):
                ex.hit(at_s + later_s, linkage, level_db=rng.uniform(-12, 6), width_s=log_uniform(rng, 1e-3, 6e-3))
            ex.hit(at_s, lock, level_db=rng.uniform(0, 12), width_s=0.08, shape="raised-cosine")
        elif kind == "rub":
            _rub(ex, rng, at_s, skin[0], level_db=rng.uniform(-24, 0))
        elif kind == "fumble":
            for later_s in np.cumsum(rng.exponential(0.15, int(rng.integers(3, 9)))):
                level_db, width_s = rng.uniform(-14, 6), log_uniform(rng, 4e-3, 35e-3)
                ex.hit(at_s + later_s, skin[-1], level_db=level_db, width_s=width_s, shape="raised-cosine")
        else:  # a finger ring, a single sharp touch
            _strike(ex, rng, at_s, skin[-1], (-12, 6))


def rattles(ex: Excitation, rng: np.random.Generator) -> None:
    """A ferry's deck shakes the vehicle; the door's loose parts do the rest."""
    envelope, span_s = np.full(ex.n, 0.03), max(4.0, ex.duration_s / 5)
    for at_s in _times(ex, rng, span_s, spread=0.3, kind="rattle"):
        held_s = rng.uniform(1.0, 0.6 * span_s)
        envelope += np.clip(np.minimum(ex.time_s - at_s, at_s + held_s - ex.time_s) / 0.5, 0, 1)
    deck = _machine(ex, rng, rng.uniform(7, 24), (1, 2, 3, 4, 6))
    ex.shake(deck / deck.std() * envelope * log_uniform(rng, 0.2, 4.0), ceiling_db=rng.uniform(-26, -6))
    whine = _machine(ex, rng, rng.uniform(25, 60), (1, 2, 5, 8)) * envelope
    ex.drive(ex.pattern(ex.door.groups["hinges"]), whine, level_db=rng.uniform(-46, -20))
    node = _some(ex, "trim", rng)[0]
    for at_s in _times(ex, rng, rng.uniform(3, 12), kind="clack"):
        _strike(ex, rng, at_s, node, (-15, 5))


def blow(ex: Excitation, rng: np.random.Generator) -> None:
    nodes = [*_some(ex, "skin", rng, 2), *_some(ex, "frame", rng)]
    for at_s in sorted(rng.uniform(0, 0.97 * ex.duration_s, int(rng.integers(1, 5)))):
        kind, node = str(rng.choice(["bump", "lean", "drop", "ball"])), nodes[int(rng.integers(3))]
        ex.label(at_s, kind)
        if kind == "bump":
            _strike(ex, rng, at_s, node, (-8, 16))
        elif kind == "lean":
            ex.hit(at_s, node, level_db=rng.uniform(6, 18), width_s=rng.uniform(0.15, 0.8), shape="raised-cosine")
            _rub(ex, rng, at_s + 0.05, node, level_db=rng.uniform(-26, -8))
        elif kind == "ball":
            ex.hit(at_s, node, level_db=rng.uniform(6, 22), width_s=rng.uniform(7e-3, 14e-3))
        else:  # a tool that falls against the door and bounces; each bounce is lower and sooner by its restitution
            gap_s, level_db, left = rng.uniform(0.1, 0.3), rng.uniform(-4, 14), rng.uniform(0.35, 0.7)
            for _ in range(6):
                ex.hit(at_s, node, level_db=level_db, width_s=log_uniform(rng, 4e-4, 1.5e-3))
                at_s, gap_s, level_db = at_s + gap_s, gap_s * left, level_db + 20 * np.log10(left)


def motors(ex: Excitation, rng: np.random.Generator) -> None:
    lock, bracket = _some(ex, "lock", rng)[0], _some(ex, "bracket", rng)[0]
    hinge = int(ex.door.groups["hinges"][0])
    which = rng.random(4) < 0.6
    if which[0] or not which.any():  # central locking: a short whine between two stops
        gear = _machine(ex, rng, rng.uniform(90, 200), (1, 2, 3, 5, 9))
        on = np.zeros(ex.n)
        for at_s in _times(ex, rng, rng.uniform(3, 9), kind="lock"):
            run_s = rng.uniform(0.12, 0.35)
            on += (ex.time_s > at_s) & (ex.time_s < at_s + run_s)
            ex.hit(at_s + run_s, lock, level_db=rng.uniform(-4, 16), width_s=log_uniform(rng, 8e-4, 4e-3))
            ex.label(at_s + run_s, "lock")
        ex.drive(ex.pattern([lock]), gear * on, level_db=rng.uniform(-36, -14))
    if which[1]:  # wiper: motor, and a thump at each reversal
        ex.drive(ex.pattern([hinge]), _machine(ex, rng, rng.uniform(35, 70), (1, 2, 4)), level_db=rng.uniform(-50, -28))
        for at_s in np.arange(rng.uniform(0, 0.7), ex.duration_s, rng.uniform(0.5, 0.9)):
            ex.hit(at_s, hinge, level_db=rng.uniform(-8, 6), width_s=rng.uniform(8e-3, 25e-3), shape="raised-cosine")
            ex.label(float(at_s), "wiper")
    if which[2]:
        ex.drive(ex.pattern([hinge]), _machine(ex, rng, rng.uniform(22, 60), (1, 7)), level_db=rng.uniform(-46, -22))
        ex.drive(ex.pattern(_some(ex, "trim", rng, 2)), _noise(ex, rng, 80, 1500), level_db=rng.uniform(-50, -28))
        ex.label(0.0, "fan")
    if which[3]:  # window motor
        start_s = float(rng.uniform(0, 0.8 * ex.duration_s))
        running = (ex.time_s > start_s) & (ex.time_s < start_s + rng.uniform(1.5, 4))
        whirr = _machine(ex, rng, rng.uniform(40, 90), (1, 2, 3, 8, 11)) + 0.3 * _noise(ex, rng, 150, 1800)
        ex.drive(ex.pattern([bracket]), whirr * running, level_db=rng.uniform(-36, -12))
        ex.label(start_s, "window")


def electrical(ex: Excitation, rng: np.random.Generator) -> None:
    """Clicks, steps that the high-pass lets decay, bursts and short drop-outs, on the wires and not in the door."""
    n, fs = ex.disturbance.size, ex.fs
    time_s = np.arange(n) / fs
    for at_s in _times(ex, rng, rng.uniform(1, 4)):
        kind, size = (
            str(rng.choice(["click", "step", "burst", "drop-out"])),
            rng.choice([-1, 1]) * log_uniform(rng, 0.1, 3),
        )
        first = int(at_s * fs)
        age_s = time_s[first:] - at_s
        if kind == "click":
            ex.disturbance[first : first + int(rng.integers(1, 4))] += size
        elif kind == "step":
            ex.disturbance[first:] += size * np.exp(-age_s * 2 * np.pi * ex.door.front_end.highpass_hz)
        elif kind == "burst":
            on = (age_s < rng.uniform(0.05, 0.6)) & (age_s * rng.choice([100.0, 217.0]) % 1 < 0.2)
            ex.disturbance[first:] += 0.5 * size * on * rng.standard_normal(age_s.size)
        else:
            ex.disturbance[first : first + max(1, int(rng.uniform(1e-3, 0.02) * fs))] -= 1e4  # to the lower rail
        ex.label(at_s, kind)


def carwash(ex: Excitation, rng: np.random.Generator) -> None:
    nodes = _some(ex, "skin", rng, 4)
    for at_s in _times(ex, rng, max(4.0, ex.duration_s / 4), spread=0.3):
        if rng.random() < 0.5:  # brushes: broad slaps that come and go
            span_s, period_s = rng.uniform(1.5, 5), 1 / rng.uniform(6, 14)
            for slap_s in np.arange(0, span_s, period_s) + rng.normal(
                0, 0.1 * period_s, int(np.ceil(span_s / period_s))
            ):
                level_db = rng.uniform(-10, 2) + 20 * np.log10(
                    max(0.05, np.sin(np.pi * np.clip(slap_s / span_s, 0, 1)))
                )
                ex.hit(
                    at_s + max(0, slap_s),
                    nodes[int(rng.integers(4))],
                    level_db=level_db,
                    width_s=rng.uniform(3e-3, 2e-2),
                )
            ex.label(at_s, "brush")
        else:
            jet = _noise(ex, rng, 60, 2500) * np.exp(-(((ex.time_s - at_s - 1.5) / rng.uniform(0.4, 1.2)) ** 2))
            ex.drive(ex.pattern(nodes), jet * _swell(ex, rng, 0.05, 3), level_db=rng.uniform(-34, -12))
            ex.label(at_s, "jet")
    hinge = ex.pattern([int(ex.door.groups["hinges"][0])])
    ex.drive(hinge, _machine(ex, rng, 24.7, (1, 2, 3, 6)), level_db=rng.uniform(-50, -28))


def crowd(ex: Excitation, rng: np.random.Generator) -> None:
    for _ in range(3):
        _speech(ex, rng, rng.uniform(-50, -26))
    skin, hinge = _some(ex, "skin", rng, 2), int(ex.door.groups["hinges"][0])
    for at_s in _times(ex, rng, rng.uniform(2, 6)):
        kind, node = str(rng.choice(["bump", "drum", "step", "rub"])), skin[int(rng.integers(2))]
        ex.label(at_s, kind)
        if kind == "bump":
            _strike(ex, rng, at_s, node, (-8, 12))
        elif kind == "drum":  # idle fingers, faster than a code
            level_db, gap_s = rng.uniform(-14, 0), rng.uniform(0.05, 0.1)
            for finger in range(int(rng.integers(4, 13))):
                at_s += gap_s * rng.uniform(0.8, 1.2) * (1.8 if finger % 4 == 3 else 1.0)
                ex.hit(
                    at_s, node, level_db=level_db + rng.normal(0, 3), width_s=rng.uniform(1.5e-3, 5e-3), shape="skewed"
                )
        elif kind == "step":  # people board: the body sinks and knocks
            ex.hit(at_s, hinge, level_db=rng.uniform(0, 18), width_s=rng.uniform(0.02, 0.12), shape="double-hump")
        else:
            _rub(ex, rng, at_s, node, level_db=rng.uniform(-26, -4))


PLAYED: Final = (
    quiet,
    rain,
    hail,
    driving,
    slams,
    music,
    voices,
    handling,
    rattles,
    blow,
    motors,
    electrical,
    carwash,
    crowd,
)
SCENES: Final[dict[str, Callable[[Excitation, np.random.Generator], None]]] = {
    scene.__name__: scene for scene in PLAYED
}


def make(door: int, scene: str, *, fs: float, duration_s: float, taps: TapPlan, seed: int) -> dict[str, Recording]:
    """The recordings of `Generator.simulate`.

    The network is solved at a multiple of `fs` of at least 8 kHz, so that a front end without a low-pass aliases as a
    real one does. Raises ParameterError for a duration outside its range, or too short for an entry.
    """
    if not SHORTEST_S[taps] <= duration_s <= 3600:
        raise ParameterError(
            f"duration_s is {duration_s:g}; with taps={taps!r} it must lie between {SHORTEST_S[taps]:g} and 3600"
        )
    built, index = build_door(door), list(SCENES).index(scene)
    multiple = int(np.ceil(8000 / fs)) if fs < 8000 else 2 if fs < 16000 else 1
    ex = Excitation(built, fs=fs, internal_hz=fs * multiple, duration_s=duration_s)
    make_taps(ex, taps, np.random.default_rng([seed, door, index, 1]))
    SCENES[scene](ex, np.random.default_rng([seed, door, index, 2]))
    front_end, labels = built.front_end, tuple(sorted(ex.labels))
    instants_s = LEAD_IN_S + np.arange(ex.disturbance.size) / fs
    recordings = {}
    for place, (sensor, volts) in enumerate(zip(built.sensors, ex.volts(), strict=True)):
        rng = np.random.default_rng([seed, door, index, 3, place])
        analogue = band_limit(volts.astype(np.float64), ex.internal_hz, front_end, sample_rate_hz=fs)
        taken_s = instants_s + front_end.jitter_s * rng.standard_normal(instants_s.size)
        sampled = at_instants(analogue, ex.internal_hz, taken_s) + pick_up(front_end, instants_s.size, fs, rng)
        sampled += ex.disturbance * front_end.typical_v * rng.uniform(0.5, 1.0)
        recordings[sensor.position] = Recording(
            convert(saturate(sampled, front_end), front_end),
            fs,
            labels=labels,
            range_v=front_end.range_v,
            adc_bits=front_end.adc_bits,
        )
    return recordings


GENERATOR: Final = Generator("lumped", tuple(SCENES), make)
