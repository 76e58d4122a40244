"""Candidates of several kinds of recordings, for training `tap` and for judging what transfers.

A source is a generator of benchmarks/generators, or real hits: those that open_recordings.py composes among other
percussion, and those of table_hits.py, nearly undisturbed. Each has doors (or kits) to train on and others to be judged
on. Tables are kept in a folder, because simulating takes most of the time.
"""

import dataclasses
import importlib
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Literal

import numpy as np

from benchmarks import table_hits
from benchmarks.generators import Generator, TapPlan
from benchmarks.open_recordings import compose_half
from tapsig.fitting.candidates import CandidateTable, collect_candidates
from tapsig.records import Recording
from tapsig.units import FloatArray

Part = Literal["train", "test"]
GENERATORS = ("home", "plate", "resonators", "lumped", "measured")
HITS, TABLE = "hits", "table"
SOURCES = (*GENERATORS, HITS, TABLE)
HALVES: dict[Part, str] = {"train": "fit", "test": "unseen"}
LEFT_OUT_TOGETHER = {HITS: (HITS, TABLE), TABLE: (HITS, TABLE)}
"""Sources that share their hits."""


def others_than(source: str) -> tuple[str, ...]:
    """The sources that may train a detector which is judged on `source`."""
    return tuple(name for name in SOURCES if name not in LEFT_OUT_TOGETHER.get(source, (source,)))


FIRST_TEST_DOOR = 1000
RATES_HZ = {
    "train": ((1000.0, 2000.0, 4000.0, 8000.0, 44_100.0), (0.1, 0.4, 0.1, 0.37, 0.03)),
    "test": ((1000.0, 2000.0, 8000.0, 44_100.0), (0.25, 0.3, 0.3, 0.15)),
}
KEPT = ("rows", "onset_s", "tap", "recording", "durations_s")
"""The arrays of a table that are kept as they are."""
DURATION_S, SHORT_S = 18.0, 12.0  # the shorter at 44.1 kHz
COPIES = 0.5
"""Share of the training recordings that are also heard through a poorer chain."""


def stream(*words: object) -> np.random.Generator:
    """A stream of random numbers for these words."""
    return np.random.default_rng(zlib.crc32(" ".join(map(str, words)).encode()))


def find_generator(name: str) -> Generator:
    """The generator of that name."""
    generator: Generator = importlib.import_module(f"benchmarks.generators.{name}").GENERATOR
    return generator


def simulate(source: str, part: Part, door: int, scene: str, **how: Any) -> list[Recording]:
    """What the generator of a source gives at all positions; of one made of recordings, only this part is heard."""
    half: dict[str, Any] = {"half": HALVES[part]} if source == "measured" else {}
    return list(find_generator(source).simulate(door, scene, **how, **half).values())


def simulate_door(name: str, part: Part, door: int, rng: np.random.Generator) -> Iterator[Recording]:
    """Recordings of one door: quiet, other scenes with taps, isolated taps, and scenes without taps.

    `split` holds the plan of the taps.
    """
    scenes, test = find_generator(name).scenes, part == "test"
    plans: list[tuple[str, TapPlan]] = [(scenes[0], "entries")]
    plans += [(str(scene), "entries") for scene in rng.choice(scenes[1:], 7 if test else 5, replace=False)]
    plans += [(str(scene), "single") for scene in rng.choice(scenes, 1 if test else 2, replace=False)]
    plans += [(str(scene), "none") for scene in rng.choice(scenes[1:], 3, replace=False)]
    rates, shares = RATES_HZ[part]
    for scene, taps in plans:
        fs = float(rng.choice(rates, p=shares))
        duration_s, seed = DURATION_S if fs < 20_000.0 else SHORT_S, int(rng.integers(1 << 31))
        for recording in simulate(name, part, door, scene, fs=fs, duration_s=duration_s, taps=taps, seed=seed):
            yield dataclasses.replace(recording, split=taps)


def hear_through_poorer_chain(recording: Recording, rng: np.random.Generator) -> Recording | None:
    """The recording at a lower rate, with another gain, noise and resolution; None for silence.

    The gain puts the median tap (or the loudest thousandth) between 38 dB under and 6 dB over full scale.
    """
    samples = recording.samples - np.median(recording.samples)
    if not samples.any():
        return None
    steps = [step for step in (1, 2, 3, 4, 5, 6, 8, 12, 22, 44) if recording.fs / step >= 900.0]
    step = int(rng.choice(steps))
    fs = recording.fs / step
    if rng.random() < 0.6:  # a converter without a filter before it
        samples = samples[int(rng.integers(step)) :: step]
    else:
        samples = samples[: samples.size // step * step].reshape(-1, step).mean(axis=1)
    samples = samples / _usual_peak(samples, fs, recording.taps_s) * 10.0 ** rng.uniform(-1.9, 0.3)
    noise = 10.0 ** rng.uniform(-3.0, -1.1) * min(1.0, float(np.abs(samples).max()))
    range_v = (-1.0, 1.0) if rng.random() < 0.7 else (-0.4, 1.6)
    return dataclasses.replace(
        recording,
        samples=samples + noise * rng.standard_normal(samples.size),
        fs=fs,
        range_v=range_v,
        adc_bits=int(rng.choice([8, 10, 12, 16], p=[0.3, 0.35, 0.15, 0.2])),
        position=f"{recording.position}, poorer",
    )


def _usual_peak(samples: FloatArray, fs: float, taps_s: FloatArray) -> float:
    peaks = [np.abs(samples[int(tap * fs) : int(tap * fs) + max(2, int(0.03 * fs))]).max(initial=0.0) for tap in taps_s]
    return float(np.median(peaks) if peaks else np.percentile(np.abs(samples), 99.9)) + 1e-9


def record_source(name: str, part: Part, doors: range) -> Iterator[Recording]:
    """Recordings of a source; for real hits `doors` says how many (of each condition), or which numbers."""
    if name == HITS:
        yield from _compose_hits(part, len(doors))
        return
    for door in doors:
        rng = stream(name, part, door)
        if name == TABLE:
            rates, shares = RATES_HZ[part]
            yield table_hits.compose(HALVES[part], door, fs=float(rng.choice(rates, p=shares)), rng=rng)
            continue
        for recording in simulate_door(name, part, door + (FIRST_TEST_DOOR if part == "test" else 0), rng):
            yield recording
            if part == "train" and rng.random() < COPIES and (copy := hear_through_poorer_chain(recording, rng)):
                yield copy


def _compose_hits(part: Part, repeats: int) -> Iterator[Recording]:
    rng = stream("hits")
    for mixed, count in ((False, repeats), (True, max(1, repeats // 3))):
        for recording in compose_half(HALVES[part], repeats=count, mixed=mixed, seed=5000 if part == "train" else None):
            yield recording
            if part == "train" and (copy := hear_through_poorer_chain(recording, rng)):
                yield copy


def describe(recording: Recording) -> str:
    """What a table keeps of a recording: vehicle, scene, position, rate and plan of the taps."""
    return "|".join((recording.vehicle, recording.scene, recording.position, f"{recording.fs:.0f}", recording.split))


def gather(name: str, part: Part, doors: range, *, kept: Path | None = None) -> CandidateTable:
    """Candidates of a source's doors; `groups` holds `describe` of each recording."""
    path = kept / f"{name}-{part}-{doors.start}-{doors.stop}.npz" if kept else None
    return collect_once(record_source(name, part, doors), path)


def collect_once(recordings: Iterator[Recording], path: Path | None) -> CandidateTable:
    """Candidates of recordings, kept at `path` if one is given: what is there already is read, and nothing is made."""
    if path is not None and path.exists():
        return read_table(path)
    groups: list[str] = []

    def watched() -> Iterator[Recording]:
        for recording in recordings:
            groups.append(describe(recording))
            yield recording

    table = dataclasses.replace(collect_candidates(watched()), groups=tuple(groups))
    if path is not None:
        write_table(path, table)
    return table


def write_table(path: Path, table: CandidateTable) -> None:
    """Keep a table for `read_table`."""
    path.parent.mkdir(parents=True, exist_ok=True)
    arrays: dict[str, Any] = {name: getattr(table, name) for name in KEPT}
    tap_counts = np.array([taps.size for taps in table.taps_s])
    np.savez(path, groups=np.array(table.groups), taps_s=np.concatenate(table.taps_s), tap_counts=tap_counts, **arrays)


def read_table(path: Path) -> CandidateTable:
    """A table that `gather` kept."""
    with np.load(path) as kept:
        taps_s = np.split(kept["taps_s"], np.cumsum(kept["tap_counts"])[:-1])
        arrays = {name: kept[name] for name in KEPT}
        groups = tuple(map(str, kept["groups"]))
        return CandidateTable(**arrays, groups=groups, taps_s=tuple(taps_s), weights=np.ones(kept["onset_s"].size))
