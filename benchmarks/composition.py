"""Recordings composed of real hits, so that every onset is known exactly.

Groups of one to four taps (112 to 450 ms apart, one gap a group with 5 % spread), pauses of 1.2 to 1.9 s between
them, and nuisances in between and across. Levels spread over 12 dB. Pink noise lies a given number of decibels below
the median tap.
"""

from dataclasses import dataclass

import numpy as np
from scipy import signal

from benchmarks.open_sources import Hit
from tapsig.records import Label, Recording
from tapsig.simulation.vehicle import Vehicle, build_structure
from tapsig.units import FloatArray, db_to_amplitude, seconds_to_samples

MEDIAN_TAP_V = 0.4
"""Peak of the median tap, in volts, on a converter from -2.5 to +2.5 V: what a piezo disc gives to a firm knock
(common practice, no source)."""

LEVEL_SPREAD_DB = 12.0
NUISANCES_PER_S = 0.6
CLEAR_S = 0.06
"""No nuisance starts closer than this to a tap, so that the truth stays unambiguous."""
RESPONSE_S = 1.5


@dataclass(frozen=True, slots=True)
class Condition:
    """How a recording is composed: sample rate, noise below the median tap, and a panel to ring or not."""

    fs: float
    noise_db: float
    panel: bool

    @property
    def name(self) -> str:
        """A word for tables."""
        return f"{'panel' if self.panel else 'dry'}, {self.fs / 1000:g} kHz, noise -{self.noise_db:g} dB"


CONDITIONS = [
    Condition(fs, noise_db, panel) for panel in (False, True) for fs in (8000.0, 2000.0) for noise_db in (20.0, 10.0)
]


def tap_times_s(duration_s: float, rng: np.random.Generator) -> list[float]:
    """Onsets of groups of one to four taps."""
    times, now = [], 0.8
    while now < duration_s - 1.0:
        gap_s = rng.uniform(0.112, 0.450)
        for _ in range(int(rng.integers(1, 5))):
            times.append(now)
            now += gap_s * max(0.7, rng.normal(1.0, 0.05))
        now += rng.uniform(1.2, 1.9)
    return [time for time in times if time < duration_s - 1.0]


def nuisance_times_s(duration_s: float, taps_s: list[float], rng: np.random.Generator) -> list[float]:
    """Onsets of nuisances: a Poisson process that keeps clear of the taps' own onsets."""
    times = np.sort(rng.uniform(0.3, duration_s - 0.5, rng.poisson(NUISANCES_PER_S * duration_s)))
    taps = np.asarray(taps_s)
    return [float(time) for time in times if np.abs(taps - time).min(initial=np.inf) >= CLEAR_S]


def pink_noise(samples: int, rng: np.random.Generator) -> FloatArray:
    """Noise with a power density of 1/f, rms 1."""
    spectrum = np.fft.rfft(rng.standard_normal(samples))
    frequency = np.arange(spectrum.size)
    frequency[0] = 1
    shaped = np.fft.irfft(spectrum / np.sqrt(frequency), samples)
    return np.asarray(shaped / np.sqrt(np.mean(shaped**2)))


def resample_hit(hit: Hit, fs: float) -> FloatArray:
    """The hit at another rate: zero-phase, so that its onset stays where it is."""
    return signal.resample_poly(hit.samples, int(fs), int(hit.fs))


def compose_recording(
    hits: list[Hit],
    condition: Condition,
    *,
    duration_s: float,
    rng: np.random.Generator,
    response: FloatArray | None = None,
    source: str = "composed",
) -> Recording:
    """One labelled recording; `response` (at the condition's rate) is convolved with every sound."""
    fs = condition.fs
    taps = [hit for hit in hits if hit.source.kind == "tap"]
    nuisances = [hit for hit in hits if hit.source.kind != "tap"]
    total = seconds_to_samples(duration_s, fs)
    track, labels, tap_rms = np.zeros(total), [], []
    taps_s = tap_times_s(duration_s, rng)
    events = [(time, taps) for time in taps_s]
    events += [(time, nuisances) for time in nuisance_times_s(duration_s, taps_s, rng)]
    for time, pool in sorted(events, key=lambda event: event[0]):
        hit = pool[int(rng.integers(len(pool)))]
        sound = resample_hit(hit, fs)
        if response is not None:
            sound = signal.fftconvolve(sound, response)
        level = db_to_amplitude(rng.uniform(-LEVEL_SPREAD_DB / 2, LEVEL_SPREAD_DB / 2))
        sound = sound * (MEDIAN_TAP_V * level / np.abs(sound).max())
        first = seconds_to_samples(time, fs)
        length = min(sound.size, total - first)
        track[first : first + length] += sound[:length]
        labels.append(Label(first / fs, hit.source.kind))
        if pool is taps:
            loud = sound[: seconds_to_samples(0.03, fs)]
            tap_rms.append(float(np.sqrt(np.mean(loud**2))))
    noise = pink_noise(total, rng) * np.median(tap_rms) * db_to_amplitude(-condition.noise_db)
    samples = np.clip(track + noise, -2.5, 2.5)
    return Recording(
        samples,
        fs,
        labels=tuple(labels),
        position="panel" if condition.panel else "dry",
        scene=condition.name,
        vehicle=source,
        range_v=(-2.5, 2.5),
        source=source,
    )


def panel_response(door: Vehicle, fs: float) -> FloatArray:
    """Impulse response of a simulated inner skin, from where the door is tapped to where the disc sits; peak 1.

    A sum of decaying sinusoids, one for each mode of the coupled door below 0.45 fs.
    """
    structure = build_structure(door, 0.45 * fs)
    place = door.sensor_places["inner-skin"]
    gain = structure.vector(*door.tap_places[0]) * structure.vector(*place)
    time = np.arange(seconds_to_samples(RESPONSE_S, fs)) / fs
    response = np.zeros(time.size)
    for omega, zeta, weight in zip(structure.omega, structure.zeta, gain, strict=True):
        response += weight * np.exp(-zeta * omega * time) * np.sin(omega * time)
    return np.asarray(response / np.abs(response).max())
