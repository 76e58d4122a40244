"""Tune a detector to recordings, and estimate its performance on held-out taps.

Recordings are divided into groups: files, or pieces between taps if there are fewer than four files. Each group is held
out in turn: the setting is chosen on the others and evaluated on the group. Every setting runs over the whole
recordings once, so detectors do not restart at the edges of groups.
"""

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import cast

import numpy as np

from tapsig.detectors.base import Variant, run_detector
from tapsig.errors import LabelError, ParameterError
from tapsig.records import Recording, require_labels
from tapsig.scoring.criteria import CRITERIA, FIELDS, Estimate
from tapsig.scoring.matching import match_onsets
from tapsig.scoring.tuning import GRIDS, build_setting, draw_settings, list_settings
from tapsig.units import FloatArray, IntArray, check_positive

MIN_FILES = 4
MAX_PIECES = 8
TAPS_PER_PIECE = 2
MIN_TAPS = 6
TYPICAL_TAP_V = 0.4
"""Typical tap peak in the recordings that GRIDS was made for; values in volts are scaled to the given taps."""
PLAIN_STEPS_DB = range(-36, 4, 2)
PLAIN_DEAD_TIMES_S = (0.04, 0.06, 0.08, 0.1, 0.12, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4)
TAP_S = 0.05


@dataclass(frozen=True, slots=True)
class TunedSetting:
    """The setting with the best F1 on all recordings, and its performance on held-out groups.

    Parameters
    ----------
    variant : the setting.
    taps, missed, false : counts on the recordings used for tuning.
    held_out : F1 on held-out groups, with its 95 % interval (Wilson, the group as the unit).
    held_out_missed, held_out_false : errors on held-out groups.
    groups, tried : number of groups and of settings.
    """

    variant: Variant
    taps: int
    missed: int
    false: int
    held_out: Estimate
    held_out_missed: int
    held_out_false: int
    groups: int
    tried: int


def measure_tap_v(recordings: Sequence[Recording]) -> float:
    """Median over the labelled taps of the highest departure from the median within 50 ms, in volts."""
    peaks = []
    for recording in recordings:
        times = recording.times_s(np.arange(recording.samples.size))
        departures = np.abs(recording.samples - np.median(recording.samples))
        for tap in recording.taps_s:
            start, stop = np.searchsorted(times, [tap - 0.005, tap + TAP_S])
            peaks.append(float(departures[start:stop].max(initial=0.0)))
    return float(np.median(peaks)) if peaks else 0.0


def choose_grid(variant: Variant, tap_v: float) -> Mapping[str, Sequence[object]]:
    """What is tried: for a fixed threshold, steps of 2 dB about the taps; else GRIDS, its volts scaled to the taps.

    Raises ParameterError for a variant without a grid.
    """
    if variant.name == "fixed-threshold":
        levels = tuple(float(f"{tap_v * 10.0 ** (step / 20.0):.3g}") for step in PLAIN_STEPS_DB)
        return {"threshold_v": levels, "dead_time_s": PLAIN_DEAD_TIMES_S}
    if variant.name not in GRIDS:
        raise ParameterError(f"{variant.name!r} has no grid; tuned are fixed-threshold and {', '.join(GRIDS)}")
    factor = tap_v / TYPICAL_TAP_V
    return {
        name: tuple(float(f"{cast(float, value) * factor:.2g}") for value in values) if name.endswith("_v") else values
        for name, values in GRIDS[variant.name].items()
    }


def tune_held_out(
    variant: Variant,
    recordings: Sequence[Recording],
    *,
    limit: int = 120,
    window_s: float = 0.05,
    progress: Callable[[int], None] | None = None,
) -> TunedSetting:
    """Choose a setting of `variant` by F1, and count its errors on groups that it was not chosen on.

    Among settings with equal F1 the one in their middle is taken.

    Parameters
    ----------
    limit : of more combinations, this number is drawn at random, always the same; not for a fixed threshold.
    window_s : a detection counts when it lies at most so far from a tap.
    progress : called with the number of settings tried.

    Raises LabelError for a recording without labels, fewer than six taps in all or taps without a signal,
    ParameterError for a variant without a grid.
    """
    check_positive("limit", limit)
    check_positive("window_s", window_s)
    taps = _count_taps(recordings)
    tap_v = measure_tap_v(recordings)
    if not tap_v > 0:
        raise LabelError("at most labelled taps the signal does not move; check the channel and the labels' times")
    grid = choose_grid(variant, tap_v)
    settings = list(list_settings(grid)) if variant.name == "fixed-threshold" else draw_settings(grid, limit)
    division = divide(recordings)
    groups = division[2]
    variants, kept, counts = [], [], []
    for done, setting in enumerate(settings, 1):
        candidate = build_setting(variant, setting)
        if candidate is None:
            continue
        variants.append(candidate)
        kept.append(setting)
        counts.append(_count(candidate, recordings, division, window_s))
        if progress is not None:
            progress(done)
    table = np.array(counts)  # settings × groups × (tp, fp, fn)
    places = _rank_values(kept)
    best = _choose(table.sum(axis=1), places)
    held = np.array([table[_choose(table.sum(axis=1) - table[:, group], places), group] for group in range(groups)])
    rows = np.zeros((groups, len(FIELDS)))
    rows[:, :3] = held
    _, false, missed = table[best].sum(axis=0).tolist()
    _, held_false, held_missed = held.sum(axis=0).tolist()
    estimate = CRITERIA["f1"].estimate(rows)
    return TunedSetting(variants[best], taps, missed, false, estimate, held_missed, held_false, groups, len(variants))


def _count_taps(recordings: Sequence[Recording]) -> int:
    for recording in recordings:
        require_labels(recording)
    taps = sum(recording.taps_s.size for recording in recordings)
    if taps < MIN_TAPS:
        raise LabelError(f"there are {taps} labelled taps; {MIN_TAPS} or more are needed to tune and to hold some out")
    return taps


Division = tuple[list[FloatArray], list[IntArray], int]
"""For each recording the times that divide it, and the group of each piece; and the number of groups."""


def divide(recordings: Sequence[Recording]) -> Division:
    """Divide recordings into groups.

    Four files or more are a group each, their channels together. Fewer are cut in pauses between taps, at the same
    times in every channel of a file.
    """
    names = [recording.source or str(number) for number, recording in enumerate(recordings)]
    files = list(dict.fromkeys(names))
    if len(files) >= MIN_FILES:
        return [np.zeros(0)] * len(names), [np.array([files.index(name)]) for name in names], len(files)
    cuts: dict[str, FloatArray] = {}
    for name, recording in zip(names, recordings, strict=True):
        cuts.setdefault(name, _cut(recording.taps_s))
    starts = dict(zip(files, itertools.accumulate((cuts[name].size + 1 for name in files), initial=0), strict=False))
    groups = sum(cut.size + 1 for cut in cuts.values())
    return [cuts[name] for name in names], [starts[name] + np.arange(cuts[name].size + 1) for name in names], groups


def _cut(taps_s: FloatArray) -> FloatArray:
    """Middles of pauses that part the taps into pieces of about equal number, each in the longest pause near."""
    pieces = min(MAX_PIECES, taps_s.size // TAPS_PER_PIECE)
    gaps = np.diff(taps_s)
    cuts = []
    for number in range(1, pieces):
        wanted = number * taps_s.size / pieces
        near = np.arange(max(0, math.floor(wanted) - 2), min(gaps.size, math.floor(wanted) + 1))
        if near.size:
            at = int(near[np.argmax(gaps[near])])
            cuts.append(0.5 * float(taps_s[at] + taps_s[at + 1]))
    return np.unique(np.array(cuts))


def _count(variant: Variant, recordings: Sequence[Recording], division: Division, window_s: float) -> IntArray:
    """Hits, false and missed of each group, shape (groups, 3)."""
    edges, group_of, groups = division
    counts = np.zeros((groups, 3), dtype=np.int64)
    for recording, edge, group in zip(recordings, edges, group_of, strict=True):
        found = np.sort(recording.times_s(run_detector(variant, recording).accepted().onset_samples))
        taps = recording.taps_s
        matching = match_onsets(taps, found, window_s=window_s)
        for column, times in enumerate((taps[matching.pairs[:, 0]], found[matching.spurious], taps[matching.missed])):
            pieces = group[np.searchsorted(edge, times, side="right")]
            counts[:, column] += np.bincount(pieces, minlength=groups)
    return counts


def _rank_values(settings: Sequence[Mapping[str, object]]) -> FloatArray:
    """Each setting as ranks of its values among all, from 0 to 1, shape (settings, parameters)."""
    columns = []
    for name in settings[0]:
        ranks = np.unique([float(cast(float, setting[name])) for setting in settings], return_inverse=True)[1]
        columns.append(ranks / max(1, int(ranks.max())))
    return np.column_stack(columns)


def _choose(counts: IntArray, places: FloatArray) -> int:
    """The setting with the highest F1; of several, the one with the least distance to all of them."""
    f1 = np.nan_to_num(CRITERIA["f1"].compute(counts.astype(np.float64)))
    best = np.flatnonzero(f1 >= f1.max() - 1e-12)
    distances = np.abs(places[best][:, None] - places[best][None]).sum(axis=(1, 2))
    return int(best[np.argmin(distances)])
