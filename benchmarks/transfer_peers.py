"""The other pickers on sources that they were not tuned on: our plain variants and the onset pickers of libraries.

Each setting is tried once on a few training recordings of every source. For each source, the setting of the best mean
F1 over the others is judged on the source's test recordings, beside `tap` on the same ones.
"""

import itertools
from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from benchmarks.peers import PEERS
from benchmarks.sections import Rows
from benchmarks.tally import Tally
from benchmarks.transfer_data import HITS, SOURCES, TABLE, Part, others_than, record_source
from tapsig.detectors import CATALOGUE, Variant
from tapsig.detectors.base import run_detector
from tapsig.records import Recording
from tapsig.scoring.tuning import GRIDS, build_setting, list_settings

PLAIN = ("prominence", "sta-lta", "ring-following", "spectral-flux", "fixed-threshold", "innovation")
SETTINGS = 16
"""Settings that each picker may try, the one as shipped among them."""
RECORDINGS: dict[Part, int] = {"train": 8, "test": 20}
"""Recordings of each source."""
DOORS: dict[Part, dict[str, range]] = {
    "train": {HITS: range(1), TABLE: range(RECORDINGS["train"])},
    "test": {HITS: range(2), TABLE: range(RECORDINGS["test"])},
}
FIRST_DOORS: dict[Part, range] = {"train": range(1), "test": range(2)}


def draw_recordings(part: Part) -> dict[str, list[Recording]]:
    """As many recordings of each source, spread over those of its first doors."""
    found = {}
    for source in SOURCES:
        made = list(record_source(source, part, DOORS[part].get(source, FIRST_DOORS[part])))
        chosen = np.linspace(0, len(made) - 1, min(RECORDINGS[part], len(made))).round().astype(int)
        found[source] = [made[i] for i in chosen]
    return found


def draw_settings(name: str) -> list[Variant]:
    """The variant as shipped, and settings drawn from its grid, always the same."""
    settings = list(list_settings(GRIDS[name]))
    drawn = np.random.default_rng(0).permutation(len(settings))
    built = (build_setting(CATALOGUE[name], settings[index]) for index in drawn)
    return [CATALOGUE[name], *itertools.islice((one for one in built if one is not None), SETTINGS - 1)]


def list_pickers() -> dict[str, list[Variant]]:
    """Settings of every plain variant and of every library's picker."""
    found = {name: draw_settings(name) for name in PLAIN}
    for peer in PEERS:
        grid = list(peer.grid())
        chosen = np.random.default_rng(0).permutation(len(grid))[: SETTINGS - 1]
        found[peer.name] = [peer(), *(grid[i] for i in np.sort(chosen))]
    return found


def judge_variant(variant: Variant, recordings: Iterable[Recording]) -> Tally:
    """What a detector does on recordings."""
    tally = Tally()
    for recording in recordings:
        found = run_detector(variant, recording).accepted()
        tally.count(recording.taps_s, np.sort(recording.times_s(found.onset_samples)), recording.duration_s)
    return tally


def compare_pickers(tap: Mapping[str, Mapping[str, Variant]]) -> Rows:
    """Lines for each source: the detectors `tap` gives for it by name, then every picker tuned on the other sources."""
    train, test = draw_recordings("train"), draw_recordings("test")
    pickers = list_pickers()
    f1: dict[str, list[dict[str, float]]] = {
        name: [{source: judge_variant(variant, train[source]).score.f1 for source in SOURCES} for variant in settings]
        for name, settings in pickers.items()
    }
    lines: list[dict[str, object]] = []
    for source in SOURCES:
        chosen = dict(tap[source])
        for name, settings in pickers.items():
            chosen[f"{name}, tuned without it"] = settings[_best(f1[name], others_than(source))]
        lines += [
            {"source": source, "detector": name, **judge_variant(variant, test[source]).cells()}
            for name, variant in chosen.items()
        ]
    return lines


def _best(f1: Sequence[Mapping[str, float]], sources: Sequence[str]) -> int:
    return int(np.argmax([np.mean([found[source] for source in sources]) for found in f1]))
