"""Struck things other than doors, simulated: what the gate must know besides sheet metal, and what must not fool it.

A tap is a short blow on a small damped body (a frame, a block, a trim part: a few modes that die within a tenth of a
second). Nuisances are what rings on or swells: membranes, dense metal, plucked low strings, bursts of noise. The sums
of decaying sinusoids follow from linear modal theory; all ranges are invented. No recorded sound is used.
"""

import dataclasses
import math
from collections.abc import Callable, Iterator

import numpy as np
from scipy import signal

from benchmarks.composition import Condition, compose_recording, panel_response
from benchmarks.open_sources import Hit, Source
from tapsig.records import Recording
from tapsig.simulate import random_vehicle
from tapsig.units import FloatArray

RATE_HZ = 16_000.0
MEMBRANE = np.array([1.0, 1.594, 2.136, 2.296, 2.653, 2.918, 3.156, 3.5])
"""Modes of an ideal circular membrane over its first: zeros of Bessel functions (Fletcher & Rossing, table 3.1; from
memory)."""


def _span(rng: np.random.Generator, low: float, high: float) -> float:
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


def _ring(hz: FloatArray, decay_s: FloatArray, gain: FloatArray, length_s: float) -> FloatArray:
    """A sum of decaying sinusoids that all start at once; `decay_s` is the time to -60 dB."""
    time = np.arange(int(length_s * RATE_HZ)) / RATE_HZ
    total = np.zeros(time.size)
    for frequency, fall, level in zip(hz, decay_s, gain, strict=True):
        if frequency < 0.48 * RATE_HZ:
            total += level * np.exp(-6.9078 * time / fall) * np.sin(2.0 * np.pi * frequency * time)
    return total / np.abs(total).max()


def _blow(rng: np.random.Generator, sound: FloatArray, shortest_s: float, longest_s: float) -> FloatArray:
    """The sound of a body under a half-sine blow, with some of the contact's own noise."""
    length = max(int(_span(rng, shortest_s, longest_s) * RATE_HZ), 2)
    pulse = np.sin(np.pi * (np.arange(length) + 0.5) / length)
    struck = signal.fftconvolve(sound, pulse / pulse.sum())
    click = rng.standard_normal(2 * length) * np.exp(-np.arange(2 * length) / length)
    struck[: click.size] += rng.uniform(0.0, 0.4) * np.abs(struck).max() * click
    return np.asarray(struck / np.abs(struck).max())


def draw_tap(rng: np.random.Generator) -> Callable[[], FloatArray]:
    """A damped body; each call is another blow on it."""
    count = int(rng.integers(2, 14))
    hz = np.sort(np.exp(rng.uniform(math.log(_span(rng, 120.0, 1500.0)), math.log(6000.0), count)))
    falls = _span(rng, 0.02, 0.12) * (hz / hz[0]) ** -rng.uniform(0.2, 1.0)
    slope = rng.uniform(0.0, 1.0)

    def strike() -> FloatArray:
        gain = rng.uniform(0.3, 1.0, count) * (hz / hz[0]) ** -slope
        return _blow(rng, _ring(hz, falls, gain, 0.3), 1e-4, 3e-3)

    return strike


def draw_membrane(rng: np.random.Generator) -> Callable[[], FloatArray]:
    """A skin on a shell, hit by a beater or a hand."""
    first = _span(rng, 45.0, 260.0)
    falls = _span(rng, 0.25, 1.5) * MEMBRANE ** -rng.uniform(0.3, 1.2)

    def strike() -> FloatArray:
        gain = rng.uniform(0.1, 1.0, MEMBRANE.size) * MEMBRANE ** -rng.uniform(0.5, 2.0)
        return _blow(rng, _ring(first * MEMBRANE, falls, gain, 1.2), 1e-3, 6e-3)

    return strike


def draw_metal(rng: np.random.Generator) -> Callable[[], FloatArray]:
    """Dense inharmonic modes that last."""
    count = 60
    hz = np.sort(np.exp(rng.uniform(math.log(_span(rng, 250.0, 1500.0)), math.log(7500.0), count)))
    falls = _span(rng, 0.4, 3.0) * (hz / hz[0]) ** -rng.uniform(0.1, 0.6)

    def strike() -> FloatArray:
        return _blow(rng, _ring(hz, falls, rng.uniform(0.1, 1.0, count), 1.5), 1e-4, 1e-3)

    return strike


def draw_string(rng: np.random.Generator) -> Callable[[], FloatArray]:
    """A low note with a soft start."""
    harmonics = np.arange(1, 13)
    first, fall, attack_s = _span(rng, 35.0, 160.0), _span(rng, 0.3, 2.0), _span(rng, 0.002, 0.05)

    def strike() -> FloatArray:
        gain = rng.uniform(0.2, 1.0, 12) * harmonics ** -rng.uniform(0.5, 2.0)
        sound = _ring(first * harmonics, fall / harmonics**0.5, gain, 1.2)
        return sound * np.minimum(np.arange(sound.size) / (attack_s * RATE_HZ), 1.0)

    return strike


def draw_noise(rng: np.random.Generator) -> Callable[[], FloatArray]:
    """A swell of coloured noise: a shake, a rub, a voice's hiss."""
    low, wide = _span(rng, 60.0, 2500.0), rng.uniform(1.3, 4.0)
    filtering = signal.butter(2, (low, min(low * wide, 7500.0)), "band", fs=RATE_HZ, output="sos")

    def strike() -> FloatArray:
        time = np.arange(int(1.2 * RATE_HZ)) / RATE_HZ
        shape = np.minimum(time / _span(rng, 0.01, 0.4), 1.0) * np.exp(-time / _span(rng, 0.05, 0.6))
        shape *= 1.0 + rng.uniform(0.0, 1.0) * np.sin(2.0 * np.pi * _span(rng, 2.0, 30.0) * time)
        sound = signal.sosfilt(filtering, rng.standard_normal(time.size)) * shape
        return np.asarray(sound / np.abs(sound).max())

    return strike


NUISANCES = {"membrane": draw_membrane, "metal": draw_metal, "string": draw_string, "noise": draw_noise}


def draw_hits(rng: np.random.Generator) -> list[Hit]:
    """One to three bodies to tap and two or three nuisances, several blows of each."""
    def hits(kind: str, strike: Callable[[], FloatArray], count: int) -> list[Hit]:
        return [Hit(Source("", kind, kind, "", "", ""), strike(), RATE_HZ) for _ in range(count)]

    found = []
    for _ in range(int(rng.integers(1, 4))):
        found += hits("tap", draw_tap(rng), 6)
    for kind in rng.choice(list(NUISANCES), int(rng.integers(2, 4)), replace=False):
        found += hits(str(kind), NUISANCES[str(kind)](rng), 5)
    return found


def simulate_struck_bodies(count: int, *, first_seed: int, duration_s: float = 40.0) -> Iterator[Recording]:
    """Recordings of taps on bodies among nuisances; half of them through the skin of a random vehicle's door."""
    for seed in range(first_seed, first_seed + count):
        rng = np.random.default_rng(seed)
        fs = float(rng.choice([8000.0, 8000.0, 4000.0, 2000.0]))
        condition = Condition(fs, float(rng.uniform(8.0, 35.0)), bool(rng.random() < 0.5))
        response = panel_response(random_vehicle(seed), fs) if condition.panel else None
        recording = compose_recording(draw_hits(rng), condition, duration_s=duration_s, rng=rng, response=response,
                                      source=f"bodies-{seed}")
        gain = _span(rng, 0.1, 1.0)
        yield dataclasses.replace(recording, samples=recording.samples * gain, scene="bodies", split="practice",
                                  position="panel" if condition.panel else "dry")
