"""What strikes, shakes and disturbs a simulated door: contacts, and nuisances drawn from broad priors.

Every level is in decibels over a nominal tap: a half-sine contact of 2.5 ms whose response peaks at 1. Single contacts
have equal energy whatever their length. Longer sounds are scaled until their response, on average over the positions,
nearly peaks at the level asked for. The ranges are wide on purpose, and no door in particular is their model.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy import fft, signal

from benchmarks.generators import log_uniform
from tapsig.units import FloatArray, db_to_amplitude, seconds_to_samples

TAP_SPOTS, OTHER_SPOTS, AIR, BODY = (0, 1, 2, 3), (4, 5, 6), 7, 8
"""Where a door is excited: under the hand; elsewhere; by sound from all sides; by slow motion of the whole body."""

NOMINAL_CONTACT_S = 2.5e-3
SCALING_EXCERPT_S = 2.0

Times = list[float]


def contact_pulse(
    contact_s: float, rate: float, *, skew: float = 1.0, power: float = 1.0, offset_s: float = 0.0
) -> FloatArray:
    """One contact's force sin(π uˢᵏᵉʷ)ᵖᵒʷᵉʳ, u from 0 to 1 within `contact_s`; a half-sine by default.

    The first sample lies `offset_s` after the onset. All pulses have the energy of a half-sine of 2.5 ms and height 1.
    """
    phase = (np.arange(int(np.ceil(contact_s * rate)) + 1) / rate + offset_s) / contact_s
    force = np.where(phase < 1.0, np.sin(np.pi * np.minimum(phase, 1.0) ** skew).clip(0.0) ** power, 0.0)
    return force * np.sqrt(0.5 * NOMINAL_CONTACT_S * rate / np.sum(force**2))


def coloured_noise(n: int, rate: float, rng: np.random.Generator, *, slope: float, low_hz: float = 5.0) -> FloatArray:
    """Gaussian noise of `n` samples, amplitude ∝ frequency**slope above `low_hz` and level below it."""
    size = fft.next_fast_len(n, real=True)
    spectrum = fft.rfft(rng.standard_normal(size))
    hz = np.maximum(np.fft.rfftfreq(size, 1.0 / rate), low_hz)
    return fft.irfft(spectrum * (hz / 1000.0) ** slope, size)[:n]


@dataclass(slots=True)
class Sheet:
    """All that happens in one recording: excitation of each spot, what enters the wires, and the labels.

    `responses` holds, for each position, the impulse response of each spot; scaling needs them.
    """

    rate: float
    fs: float
    duration_s: float
    responses: Sequence[Mapping[int, FloatArray]]
    spots: dict[int, FloatArray] = field(default_factory=dict)
    labels: list[tuple[float, str]] = field(default_factory=list)
    electric: FloatArray = field(init=False)
    noise_gain: FloatArray = field(init=False)

    def __post_init__(self) -> None:
        size = seconds_to_samples(self.duration_s, self.fs)
        self.electric, self.noise_gain = np.zeros(size), np.ones(size)

    @property
    def size(self) -> int:
        """Samples at the internal rate."""
        return seconds_to_samples(self.duration_s, self.rate)

    def label(self, onset_s: float, kind: str) -> None:
        """Note an event if it begins within the recording."""
        if 0 <= onset_s < self.duration_s:
            self.labels.append((onset_s, kind))

    def add(self, spot: int, onset_s: float, wave: FloatArray) -> None:
        """Add `wave` to a spot from `onset_s` (0 or later) on; what lies past the end is cut off."""
        channel = self.spots.setdefault(spot, np.zeros(self.size))
        first = int(np.ceil(onset_s * self.rate))
        room = channel[first : first + wave.size]
        room += wave[: room.size]

    def hit(
        self,
        spot: int,
        onset_s: float,
        level_db: float,
        contact_s: float,
        *,
        skew: float = 1.0,
        power: float = 1.0,
        share: float = 1.0,
    ) -> None:
        """Add `share` of one contact, placed between samples where its onset falls there."""
        offset_s = np.ceil(onset_s * self.rate) / self.rate - onset_s
        wave = contact_pulse(contact_s, self.rate, skew=skew, power=power, offset_s=offset_s)
        self.add(spot, onset_s, share * db_to_amplitude(level_db) * wave)

    def scaled(self, spot: int, wave: FloatArray, level_db: float, *, quantile: float = 0.997) -> FloatArray:
        """`wave` scaled until that quantile of its absolute response, over its first seconds, is at `level_db`.

        The level is the root mean square of the positions' levels: those that ring for long hear more, others less.
        """
        excerpt = wave[: seconds_to_samples(SCALING_EXCERPT_S, self.rate)]
        heights = [
            np.quantile(np.abs(signal.oaconvolve(excerpt, answers[spot])[: excerpt.size]), quantile)
            for answers in self.responses
        ]
        height = float(np.sqrt(np.mean(np.square(heights))))
        return wave * (db_to_amplitude(level_db) / height) if height > 0 else wave

    def play(self, spot: int, wave: FloatArray, level_db: float, envelope: FloatArray | float = 1.0) -> None:
        """Add a sound as long as the recording, scaled before `envelope` shapes it."""
        self.add(spot, 0.0, self.scaled(spot, wave, level_db) * envelope)

    def disturb(self, onset_s: float, wave: FloatArray) -> None:
        """Add `wave`, at the recording's own rate, to what enters the wires."""
        first = int(np.ceil(onset_s * self.fs))
        room = self.electric[first : first + wave.size]
        room += wave[: room.size]


def scatter(sheet: Sheet, rng: np.random.Generator, mean_gap_s: float, kind: str = "") -> Times:
    """Random times over the recording, on average `mean_gap_s` apart; at least one; labelled where a kind is given."""
    count = max(1, rng.poisson(sheet.duration_s / mean_gap_s))
    times: Times = np.sort(rng.uniform(0.0, sheet.duration_s, count)).tolist()
    for time_s in times if kind else ():
        sheet.label(time_s, kind)
    return times


def wander(sheet: Sheet, rng: np.random.Generator, knots_hz: float, depth_db: float) -> FloatArray:
    """A slowly varying gain: straight lines, in decibels, between knots that vary by `depth_db`."""
    knots = rng.normal(0.0, depth_db, int(sheet.duration_s * knots_hz) + 2)
    coarse = np.interp(np.arange(0.0, knots.size - 1, 0.02), np.arange(knots.size), knots)
    times = np.arange(sheet.size) * (knots_hz / 0.02 / sheet.rate)
    return np.interp(times, np.arange(coarse.size), 10.0 ** (coarse / 20.0))


def on_and_off(sheet: Sheet, rng: np.random.Generator, always: float = 0.4) -> tuple[FloatArray, Times]:
    """A gate of 0 and 1 with short ramps, and the times at which it opens."""
    if rng.random() < always:
        return np.ones(sheet.size), [0.0]
    edges = np.cumsum(rng.exponential(sheet.duration_s / 6.0, 12) + 0.3) - 0.3
    ramp_s = log_uniform(rng, 2e-3, 0.3)
    times = np.concatenate([(edge, edge + ramp_s) for edge in edges])
    gate = np.interp(np.arange(sheet.size) / sheet.rate, np.maximum.accumulate(times), np.tile([0.0, 1.0, 1.0, 0.0], 6))
    return gate, [float(edge) for edge in edges[::2]]


def ringing_tone(sheet: Sheet, hz: float, decay_s: float, *, glide: float = 0.0, attack_s: float = 2e-3) -> FloatArray:
    """A decaying tone that starts at hz·(1 + glide) and settles at `hz`."""
    times = np.arange(int(4 * decay_s * sheet.rate)) / sheet.rate
    phase = 2 * np.pi * hz * (times + glide * decay_s / 4 * (1 - np.exp(-4 * times / decay_s)))
    return np.sin(phase) * np.exp(-times / decay_s) * np.minimum(1.0, times / attack_s)


def noise_burst(sheet: Sheet, rng: np.random.Generator, decay_s: float, attack_s: float) -> FloatArray:
    """Noise of random slope that rises within `attack_s` and decays with the time constant `decay_s`."""
    times = np.arange(int(5 * decay_s * sheet.rate) + 2) / sheet.rate
    noise = coloured_noise(times.size, sheet.rate, rng, slope=rng.uniform(-1.2, 0.6), low_hz=20.0)
    return noise * np.minimum(1.0, times / attack_s) * np.exp(-times / decay_s)


def rattle_train(sheet: Sheet, onset_s: float, level_db: float, rng: np.random.Generator) -> None:
    """A train of impacts that decays and may speed up or slow down."""
    gap_s, ratio = log_uniform(rng, 4e-3, 0.08), rng.uniform(0.8, 1.1)
    spot, contact_s, fall_db = int(rng.choice(OTHER_SPOTS)), log_uniform(rng, 0.3e-3, 2e-3), log_uniform(rng, 0.3, 4.0)
    for step in range(int(log_uniform(rng, 3, 30))):
        sheet.hit(spot, onset_s, level_db - step * fall_db + rng.normal(0.0, 2.5), contact_s)
        onset_s += gap_s * ratio**step * rng.uniform(0.7, 1.3)


def drops(
    sheet: Sheet, rng: np.random.Generator, per_s: float, level_db: float, contact_ms: tuple[float, float]
) -> None:
    """A Poisson process of small impacts with gamma-distributed amplitudes at several spots."""
    shape, gusts = log_uniform(rng, 0.25, 3.0), wander(sheet, rng, rng.uniform(0.1, 2.0), rng.uniform(0.0, 4.0))
    for spot in rng.choice((*OTHER_SPOTS, AIR), rng.integers(1, 4), replace=False):
        count = max(1, rng.poisson(per_s * sheet.duration_s))
        where = rng.integers(0, sheet.size, count)
        signs = rng.choice([1.0, 1.0, -1.0], count) if rng.random() < 0.3 else 1.0
        train = np.bincount(where, rng.gamma(shape, 1.0, count) * signs, sheet.size)
        pulse = contact_pulse(1e-3 * log_uniform(rng, *contact_ms), sheet.rate, skew=rng.uniform(0.5, 1.5))
        wave = signal.lfilter([1.0, rng.uniform(-0.95, 0.9)], [1.0], signal.oaconvolve(train, pulse)[: sheet.size])
        sheet.play(int(spot), wave, level_db + rng.normal(0.0, 3.0), gusts)


def blow(sheet: Sheet, onset_s: float, level_db: float, rng: np.random.Generator) -> None:
    """One foreign blow: hard, soft or tap-like; it may bounce like a dropped ball, or be pressed and let go."""
    contact_s = log_uniform(rng, *[(0.3e-3, 0.8e-3), (0.8e-3, 8e-3), (8e-3, 0.06)][rng.integers(3)])
    spot = int(rng.choice((*TAP_SPOTS, *OTHER_SPOTS, *OTHER_SPOTS)))
    shape = {"skew": log_uniform(rng, 0.4, 2.0), "power": rng.uniform(0.7, 3.0)}
    sheet.hit(spot, onset_s, level_db, contact_s, **shape)
    kind = rng.choice(["bump", "drop", "lean", "bump"])
    if kind == "drop":  # heights shrink by the square of the restitution, flight times and speeds by itself
        restitution, flight_s = rng.uniform(0.3, 0.85), log_uniform(rng, 0.05, 0.5)
        later_s = onset_s
        for bounce in range(1, 15):
            later_s, flight_s = later_s + flight_s, flight_s * restitution
            if flight_s > contact_s:
                sheet.hit(spot, later_s, level_db + 20 * bounce * np.log10(restitution), contact_s, **shape)
    elif kind == "lean":
        thump(sheet, onset_s, level_db - rng.uniform(0.0, 10.0), rng)
        later_s = onset_s + rng.uniform(0.3, 3.0)
        sheet.hit(spot, later_s, level_db - rng.uniform(0.0, 12.0), log_uniform(rng, 2e-3, 0.03))
    sheet.label(onset_s, str(kind))


def thump(sheet: Sheet, onset_s: float, level_db: float, rng: np.random.Generator) -> None:
    """A slow decaying motion of the whole body below 30 Hz."""
    decay_s, attack_s = log_uniform(rng, 0.04, 0.5), rng.uniform(0.005, 0.1)
    wave = ringing_tone(sheet, log_uniform(rng, 1.5, 30.0), decay_s, attack_s=attack_s)
    sheet.add(BODY, onset_s, sheet.scaled(BODY, wave, level_db, quantile=1.0))


def slam(sheet: Sheet, onset_s: float, level_db: float, rng: np.random.Generator) -> None:
    """A long burst, several sub-impacts, motion of the body, and perhaps a rattle after it."""
    spot = int(rng.choice(OTHER_SPOTS))
    burst = noise_burst(sheet, rng, log_uniform(rng, 0.02, 0.25), log_uniform(rng, 1e-3, 0.03))
    sheet.add(spot, onset_s, sheet.scaled(spot, burst, level_db - rng.uniform(0.0, 12.0), quantile=1.0))
    for late_s in (0.0, *rng.exponential(log_uniform(rng, 0.01, 0.08), rng.integers(1, 7))):
        where, contact_s = int(rng.choice(OTHER_SPOTS)), log_uniform(rng, 0.5e-3, 0.03)
        sheet.hit(where, onset_s + late_s, level_db - 40 * late_s - rng.uniform(0.0, 10.0), contact_s)
    thump(sheet, onset_s, level_db - rng.uniform(0.0, 20.0), rng)
    if rng.random() < 0.4:
        rattle_train(sheet, onset_s + rng.uniform(0.05, 0.3), level_db - rng.uniform(10.0, 30.0), rng)
    sheet.label(onset_s, "slam")


# --- scenes: each adds its events to the sheet -------------------------------------------------------------------


def quiet(sheet: Sheet, rng: np.random.Generator) -> None:
    """Nothing but the sensor's own noise."""


def rain(sheet: Sheet, rng: np.random.Generator) -> None:
    """Drizzle to steady rain."""
    sheet.label(0.0, "rain")
    drops(sheet, rng, log_uniform(rng, 2.0, 200.0), rng.uniform(-36.0, -6.0), (0.3, 3.0))


def hail(sheet: Sheet, rng: np.random.Generator) -> None:
    """Hard impacts, some as strong as taps, over a denser background."""
    sheet.label(0.0, "hail")
    drops(sheet, rng, log_uniform(rng, 1.0, 60.0), rng.uniform(-16.0, 3.0), (0.3, 1.0))
    drops(sheet, rng, log_uniform(rng, 50.0, 1000.0), rng.uniform(-40.0, -14.0), (0.3, 2.0))


def driving(sheet: Sheet, rng: np.random.Generator) -> None:
    """Road noise, engine orders and potholes met by two axles."""
    sheet.label(0.0, "driving")
    speed = wander(sheet, rng, rng.uniform(0.1, 1.0), rng.uniform(0.0, 6.0))
    noise = coloured_noise(sheet.size, sheet.rate, rng, slope=rng.uniform(-1.5, -0.3), low_hz=rng.uniform(2.0, 60.0))
    sheet.play(AIR, noise, rng.uniform(-36.0, -8.0), speed)
    sheet.play(BODY, np.roll(noise, 997), rng.uniform(-40.0, -12.0), speed)
    hz = rng.uniform(8.0, 60.0) * wander(sheet, rng, rng.uniform(0.1, 1.0), rng.uniform(0.0, 1.5))
    phase = 2 * np.pi * np.cumsum(hz) / sheet.rate
    orders = [rng.normal() * np.sin(order * phase + order) / order for order in rng.choice(np.arange(1, 13), 5) / 2]
    sheet.play(int(rng.choice([AIR, BODY])), np.sum(orders, axis=0), rng.uniform(-40.0, -8.0))
    axle_s = log_uniform(rng, 0.08, 0.6)
    for onset_s in scatter(sheet, rng, log_uniform(rng, 1.0, 10.0), "thump"):
        level_db = rng.uniform(-20.0, 8.0)
        for late_s in (0.0, axle_s):
            thump(sheet, onset_s + late_s, level_db + rng.normal(0.0, 3.0), rng)
            contact_s = log_uniform(rng, 2e-3, 0.03)
            sheet.hit(OTHER_SPOTS[0], onset_s + late_s, level_db - rng.uniform(0.0, 20.0), contact_s)


def slams(sheet: Sheet, rng: np.random.Generator) -> None:
    """Slams of this door and others, near and far."""
    centre_db = rng.uniform(-12.0, 18.0)
    for onset_s in scatter(sheet, rng, log_uniform(rng, 2.0, 10.0)):
        slam(sheet, onset_s, centre_db + rng.normal(0.0, 6.0), rng)


def music(sheet: Sheet, rng: np.random.Generator) -> None:
    """Beats on a tempo grid: gliding drums, noise hits, decaying tones of a random scale, perhaps a held chord."""
    sheet.label(0.0, "music")
    step_s, level_db = 60.0 / rng.uniform(60.0, 180.0) / 2, rng.uniform(-24.0, 4.0)
    voices = [
        ringing_tone(sheet, rng.uniform(35.0, 90.0), log_uniform(rng, 0.05, 0.3), glide=rng.uniform(0.0, 4.0)),
        noise_burst(sheet, rng, log_uniform(rng, 0.01, 0.12), 1e-3),
        noise_burst(sheet, rng, log_uniform(rng, 0.005, 0.06), 1e-3),
    ]
    root_hz, scale = log_uniform(rng, 40.0, 300.0), rng.choice(12, 4, replace=False)
    voices += [ringing_tone(sheet, root_hz * 2 ** (note / 12), log_uniform(rng, 0.1, 0.6)) for note in scale]
    loud = [sheet.scaled(AIR, voice, level_db - rng.uniform(0.0, 18.0), quantile=1.0) for voice in voices]
    pattern = rng.random((len(voices), int(rng.choice([6, 8, 16])))) < rng.uniform(0.1, 0.5, (len(voices), 1))
    for step, onset_s in enumerate(np.arange(rng.uniform(0.0, 1.0), sheet.duration_s, step_s)):
        for voice in np.flatnonzero(pattern[:, step % pattern.shape[1]]):
            sheet.add(AIR, float(onset_s), loud[voice] * db_to_amplitude(rng.normal(0.0, 1.5)))
            if voice == 0:
                sheet.label(float(onset_s), "beat")
    if rng.random() < 0.5:
        times = np.arange(sheet.size) / sheet.rate
        chord = np.sum([np.sin(2 * np.pi * root_hz * 2 ** (1 + note / 12) * times) for note in scale[:3]], axis=0)
        sheet.play(AIR, chord, level_db - rng.uniform(6.0, 24.0), wander(sheet, rng, 1.0 / step_s, 4.0))


def voices(sheet: Sheet, rng: np.random.Generator) -> None:
    """Harmonic stacks through three formants each, syllables, and plosives that strike at some of them."""
    sheet.label(0.0, "voices")
    level_db = rng.uniform(-36.0, -6.0)
    hz = rng.uniform(80.0, 320.0) * wander(sheet, rng, rng.uniform(1.0, 4.0), 1.5)
    buzz = np.exp(rng.uniform(1.0, 12.0) * (np.cos(2 * np.pi * np.cumsum(hz) / sheet.rate) - 1.0))
    buzz += 0.05 * rng.standard_normal(sheet.size)
    edges = np.cumsum(rng.uniform(0.08, 0.4, int(sheet.duration_s / 0.08) + 2))
    vowel_of, loudness = rng.integers(0, 3, edges.size), rng.choice([0.0, 0.5, 1.0, 1.0], edges.size)
    times = np.arange(sheet.size) / sheet.rate
    for vowel in range(3):
        wave = buzz
        for formant_hz in (rng.uniform(250.0, 900.0), rng.uniform(800.0, 2500.0), rng.uniform(2300.0, 3500.0)):
            wave = wave + 2 * signal.lfilter(*signal.iirpeak(formant_hz, rng.uniform(3.0, 15.0), fs=sheet.rate), wave)
        sheet.play(AIR, wave, level_db, np.interp(times, edges, loudness * (vowel_of == vowel)))
    plosive = sheet.scaled(AIR, noise_burst(sheet, rng, log_uniform(rng, 3e-3, 0.02), 1e-3), level_db, quantile=1.0)
    for onset_s in edges[(rng.random(edges.size) < 0.15) & (edges < sheet.duration_s)]:
        sheet.add(AIR, float(onset_s), plosive * db_to_amplitude(rng.uniform(-10.0, 6.0)))
        sheet.label(float(onset_s), "plosive")


def crowd(sheet: Sheet, rng: np.random.Generator) -> None:
    """Babble of many voices and claps."""
    sheet.label(0.0, "crowd")
    babble = signal.lfilter(
        *signal.butter(2, [rng.uniform(150.0, 400.0), rng.uniform(900.0, 3000.0)], "bandpass", fs=sheet.rate),
        rng.standard_normal(sheet.size),
    )
    sheet.play(AIR, babble, rng.uniform(-36.0, -12.0), wander(sheet, rng, 5.0, rng.uniform(1.0, 5.0)))
    clap = sheet.scaled(AIR, noise_burst(sheet, rng, log_uniform(rng, 3e-3, 0.03), 1e-3), 0.0, quantile=1.0)
    for onset_s in scatter(sheet, rng, log_uniform(rng, 0.05, 3.0)):
        sheet.add(AIR, onset_s, clap * db_to_amplitude(rng.uniform(-40.0, -6.0)))


def handling(sheet: Sheet, rng: np.random.Generator) -> None:
    """Keys, pulls at a handle, scratches, sliding and fumbling hands."""
    centre_db = rng.uniform(-18.0, 6.0)
    for onset_s in scatter(sheet, rng, log_uniform(rng, 1.0, 6.0)):
        level_db, spot = centre_db + rng.normal(0.0, 5.0), int(rng.choice((*TAP_SPOTS, *OTHER_SPOTS)))
        kind = str(rng.choice(["keys", "handle", "scratch", "slide", "fumble"]))
        if kind in ("scratch", "slide"):
            length_s = log_uniform(rng, 0.15, 2.0)
            slope = rng.uniform(-0.3, 1.0) if kind == "scratch" else rng.uniform(-1.5, -0.3)
            wave = coloured_noise(int(length_s * sheet.rate), sheet.rate, rng, slope=slope, low_hz=20.0)
            grip = np.interp(np.arange(wave.size), np.linspace(0, wave.size, 12), [0, *rng.gamma(1.0, 1.0, 10), 0])
            sheet.add(spot, onset_s, sheet.scaled(spot, wave * grip, level_db - 10.0))
        else:
            gaps_s, contact_ms = {
                "keys": (rng.exponential(log_uniform(rng, 0.01, 0.06), rng.integers(5, 40)), (0.3, 1.0)),
                "handle": (rng.uniform(0.03, 0.25, rng.integers(1, 5)), (0.5, 10.0)),
                "fumble": (rng.exponential(0.15, rng.integers(2, 12)), (3.0, 25.0)),
            }[kind]
            for late_s in (0.0, *np.cumsum(gaps_s)):
                contact_s = 1e-3 * log_uniform(rng, *contact_ms)
                sheet.hit(spot, onset_s + late_s, level_db + rng.normal(-3.0, 5.0), contact_s)
        sheet.label(onset_s, kind)


def rattles(sheet: Sheet, rng: np.random.Generator) -> None:
    """Loose parts: trains of decaying impacts, and an intermittent buzz at a shaken part's rate."""
    centre_db = rng.uniform(-20.0, 4.0)
    for onset_s in scatter(sheet, rng, log_uniform(rng, 0.8, 5.0), "rattle"):
        rattle_train(sheet, onset_s, centre_db + rng.normal(0.0, 5.0), rng)
    if rng.random() < 0.4:
        gate, starts = on_and_off(sheet, rng, always=0.0)
        gaps = np.abs(rng.normal(1.0, rng.uniform(0.02, 0.5), int(60 * sheet.duration_s)))
        beats = np.cumsum(gaps) / rng.uniform(8.0, 50.0)
        beats = beats[beats < sheet.duration_s]
        train = np.bincount((beats * sheet.rate).astype(int), rng.gamma(2.0, 1.0, beats.size), sheet.size)[: sheet.size]
        buzz = signal.oaconvolve(train, contact_pulse(log_uniform(rng, 0.3e-3, 2e-3), sheet.rate))[: sheet.size]
        sheet.play(OTHER_SPOTS[1], buzz, centre_db - rng.uniform(0.0, 15.0), gate)
        for onset_s in starts:
            sheet.label(onset_s, "buzz")


def bumps(sheet: Sheet, rng: np.random.Generator) -> None:
    """Single foreign blows with long gaps."""
    centre_db = rng.uniform(-10.0, 12.0)
    for onset_s in scatter(sheet, rng, log_uniform(rng, 2.0, 12.0)):
        blow(sheet, onset_s, centre_db + rng.normal(0.0, 6.0), rng)


def motors(sheet: Sheet, rng: np.random.Generator) -> None:
    """Wiper, lock motor or fan: swept harmonics with brush noise, a knock at start and stop, perhaps at each turn."""
    gate, starts = on_and_off(sheet, rng)
    spot, level_db = int(rng.choice((*OTHER_SPOTS, AIR))), rng.uniform(-36.0, -4.0)
    speed = signal.lfilter([1.0], [1.0, -np.exp(-1 / (log_uniform(rng, 0.01, 0.5) * sheet.rate))], gate)
    hz = log_uniform(rng, 15.0, 800.0) * speed / max(speed.max(), 1e-9) * wander(sheet, rng, 2.0, rng.uniform(0.0, 1.0))
    phase = 2 * np.pi * np.cumsum(hz) / sheet.rate
    hum = np.sum([rng.normal() / order * np.sin(order * phase) for order in range(1, 7)], axis=0)
    hum += rng.uniform(0.0, 0.5) * rng.standard_normal(sheet.size)
    sheet.add(spot, 0.0, sheet.scaled(spot, hum * gate, level_db, quantile=1.0))
    knock_s, turn_s = log_uniform(rng, 0.5e-3, 0.01), log_uniform(rng, 0.4, 3.0)
    for onset_s in starts:
        sheet.label(onset_s, "motor")
        sheet.hit(spot, onset_s, level_db + rng.uniform(-10.0, 12.0), knock_s)
    if rng.random() < 0.5:
        for onset_s in np.arange(rng.uniform(0.0, turn_s), sheet.duration_s, turn_s):
            sheet.hit(spot, float(onset_s), level_db + rng.uniform(-6.0, 12.0), knock_s)
            sheet.label(float(onset_s), "turn")


def sweeps(sheet: Sheet, rng: np.random.Generator) -> None:
    """Swept tones: sirens, squeals, beeps with hard edges."""
    for onset_s in scatter(sheet, rng, log_uniform(rng, 1.5, 8.0), "tone"):
        times = np.arange(int(log_uniform(rng, 0.05, 4.0) * sheet.rate)) / sheet.rate
        low_hz, high_hz = log_uniform(rng, 30.0, 5000.0), log_uniform(rng, 30.0, 5000.0)
        tone = signal.chirp(times, low_hz, times[-1], high_hz, "logarithmic")
        edge_s = min(log_uniform(rng, 1e-3, 0.3), times[-1] / 2)
        tone *= np.interp(times, [0.0, edge_s, times[-1] - edge_s, times[-1]], [0.0, 1.0, 1.0, 0.0])
        sheet.add(AIR, onset_s, sheet.scaled(AIR, tone, rng.uniform(-30.0, 0.0)))


def wind(sheet: Sheet, rng: np.random.Generator) -> None:
    """Gusts of red noise, with slow thumps of the body."""
    sheet.label(0.0, "wind")
    for spot in (AIR, BODY):
        slope, low_hz = rng.uniform(-2.0, -0.5), rng.uniform(1.0, 30.0)
        noise = coloured_noise(sheet.size, sheet.rate, rng, slope=slope, low_hz=low_hz)
        gusts = wander(sheet, rng, rng.uniform(0.2, 3.0), rng.uniform(2.0, 8.0))
        sheet.play(spot, noise, rng.uniform(-36.0, -6.0), gusts)
    for onset_s in scatter(sheet, rng, log_uniform(rng, 2.0, 20.0), "thump"):
        thump(sheet, onset_s, rng.uniform(-20.0, 6.0), rng)


def carwash(sheet: Sheet, rng: np.random.Generator) -> None:
    """Jets that sweep by and brushes that beat at a steady rate."""
    sheet.label(0.0, "carwash")
    noise = coloured_noise(sheet.size, sheet.rate, rng, slope=rng.uniform(-0.5, 0.8))
    passes = wander(sheet, rng, rng.uniform(0.3, 2.0), rng.uniform(2.0, 8.0))
    sheet.play(AIR, noise, rng.uniform(-30.0, -8.0), passes)
    beat = 1 + np.sin(2 * np.pi * rng.uniform(1.5, 12.0) * np.arange(sheet.size) / sheet.rate)
    sheet.play(OTHER_SPOTS[2], np.roll(noise, 4999) * beat ** rng.uniform(1.0, 6.0), rng.uniform(-30.0, -4.0))
    drops(sheet, rng, log_uniform(rng, 10.0, 300.0), rng.uniform(-30.0, -6.0), (0.5, 5.0))


def electrical(sheet: Sheet, rng: np.random.Generator) -> None:
    """Clicks, steps through the high-pass, pulse trains, hum that comes and goes, and a noise floor that jumps."""
    centre_db = rng.uniform(-20.0, 8.0)
    for onset_s in scatter(sheet, rng, log_uniform(rng, 0.8, 6.0)):
        height = rng.choice([-1.0, 1.0]) * db_to_amplitude(centre_db + rng.normal(0.0, 5.0))
        times = np.arange(int(0.3 * sheet.fs) + 2) / sheet.fs
        kind = str(rng.choice(["click", "step", "ring", "train"]))
        if kind == "click":
            wave = np.full(int(rng.integers(1, 4)), height)
        elif kind == "step":
            wave = height * np.exp(-2 * np.pi * rng.uniform(5.0, 30.0) * times)
        elif kind == "ring":
            wave = np.cos(2 * np.pi * rng.uniform(50.0, 5000.0) * times)
            wave *= height * np.exp(-times / log_uniform(rng, 0.3e-3, 0.02))
        else:
            wave = height * (np.diff(np.floor(times * log_uniform(rng, 15.0, 300.0)), prepend=-1.0) > 0)
        sheet.disturb(onset_s, wave)
        sheet.label(onset_s, "click" if kind == "ring" else kind)
    gate = on_and_off(sheet, rng, always=0.3)[0][:: round(sheet.rate / sheet.fs)][: sheet.electric.size]
    gate = np.concatenate([gate, np.zeros(sheet.electric.size - gate.size)])
    times, hz = np.arange(sheet.electric.size) / sheet.fs, rng.choice([50.0, 60.0, rng.uniform(30.0, 400.0)])
    phase = 2 * np.pi * hz * times
    hum = np.sum([rng.normal() / order * np.sin(order * phase + order) for order in (1, 2, 3, 5, 7)], axis=0)
    sheet.electric += db_to_amplitude(rng.uniform(-50.0, -12.0)) * gate * hum
    if rng.random() < 0.6:
        jumps = np.searchsorted(np.sort(rng.uniform(0.0, sheet.duration_s, rng.integers(1, 6))), times)
        sheet.noise_gain *= 10.0 ** (rng.uniform(-12.0, 12.0, 7)[jumps] / 20.0)


SINGLE_SCENES: dict[str, Callable[[Sheet, np.random.Generator], None]] = {
    "quiet": quiet,
    "rain": rain,
    "hail": hail,
    "driving": driving,
    "slams": slams,
    "music": music,
    "voices": voices,
    "crowd": crowd,
    "handling": handling,
    "rattles": rattles,
    "bumps": bumps,
    "motors": motors,
    "sweeps": sweeps,
    "wind": wind,
    "carwash": carwash,
    "electrical": electrical,
}


def mixed(sheet: Sheet, rng: np.random.Generator) -> None:
    """Two or three kinds of nuisance at once."""
    for name in rng.choice(list(SINGLE_SCENES)[1:], rng.integers(2, 4), replace=False):
        SINGLE_SCENES[str(name)](sheet, rng)


SCENES = SINGLE_SCENES | {"mixed": mixed}
