"""Tune a detector's parameters on labelled recordings, for a fair comparison of detectors."""

import dataclasses
import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, cast

import numpy as np

from tapsig.detectors.base import Variant
from tapsig.errors import ParameterError
from tapsig.records import Recording
from tapsig.scoring.outcomes import score_recording
from tapsig.scoring.tally import Score
from tapsig.units import check_positive

SEED = 0
Grid = Mapping[str, Sequence[object]]

GRIDS: Mapping[str, Grid] = {
    "fixed-threshold": {
        "threshold_v": (0.01, 0.02, 0.04, 0.07, 0.12, 0.2, 0.35, 0.6),
        "dead_time_s": (0.06, 0.08, 0.1, 0.15, 0.2),
    },
    "prominence": {
        "rise_db": (4.0, 6.0, 9.0, 12.0, 16.0, 20.0),
        "window_s": (0.05, 0.1, 0.2, 0.4),
        "floor_v": (0.005, 0.01, 0.02, 0.05),
        "dead_time_s": (0.06, 0.08, 0.12),
        "high_pass_hz": (30.0, 60.0, 120.0),
    },
    "sta-lta": {
        "sta_s": (0.003, 0.005, 0.01, 0.02),
        "lta_s": (0.1, 0.3, 1.0),
        "on": (2.5, 4.0, 6.0, 9.0, 14.0),
        "floor_v": (0.003, 0.01, 0.02, 0.05),
        "high_pass_hz": (30.0, 60.0, 120.0),
    },
    "spectral-flux": {
        "frame_s": (0.016, 0.032, 0.064),
        "threshold": (0.5, 1.0, 1.5, 2.5, 4.0, 6.0),
        "floor_v": (0.005, 0.01, 0.02, 0.05),
        "low_hz": (40.0, 100.0),
        "high_hz": (500.0, 1000.0, 2000.0),
    },
    "ring-following": {
        "threshold_v": (0.005, 0.01, 0.02, 0.05),
        "over_background_db": (6.0, 9.0, 12.0, 16.0, 20.0),
        "over_ring_db": (1.0, 2.0, 4.0, 6.0),
        "decay_fraction": (0.4, 0.6, 0.8),
        "high_pass_hz": (30.0, 60.0, 120.0),
    },
    "innovation": {
        "rise_db": (4.0, 6.0, 8.0, 10.0, 12.0, 15.0, 18.0),
        "floor_v": (0.001, 0.002, 0.005, 0.01, 0.02),
        "dead_time_s": (0.06, 0.08, 0.12),
    },
}
"""Values to try for each detector with parameters worth tuning."""


@dataclass(frozen=True, slots=True)
class Tuned:
    """The best setting, its F1 on the recordings it was tuned on, and how many settings were tried."""

    variant: Variant
    f1: float
    tried: int


def list_settings(grid: Grid) -> Iterator[dict[str, object]]:
    """All combinations of a grid, in order.

    >>> list(list_settings({"on": (2, 3), "off": (1,)}))
    [{'on': 2, 'off': 1}, {'on': 3, 'off': 1}]
    """
    for values in itertools.product(*grid.values()):
        yield dict(zip(grid, values, strict=True))


def draw_settings(grid: Grid, limit: int) -> list[dict[str, object]]:
    """All combinations of a grid; of more than `limit`, this number, always the same."""
    settings = list(list_settings(grid))
    if len(settings) <= limit:
        return settings
    chosen = np.random.default_rng(SEED).choice(len(settings), limit, replace=False)
    return [settings[int(i)] for i in np.sort(chosen)]


def build_setting(variant: Variant, setting: Mapping[str, object]) -> Variant | None:
    """The variant with these parameters; None if it refuses them, such as an `off` above `on`."""
    try:  # the protocol requires a dataclass, which its type cannot express
        return cast(Variant, dataclasses.replace(cast(Any, variant), **setting))
    except ParameterError:
        return None


def tune(
    variant: Variant,
    recordings: Sequence[Recording],
    *,
    grid: Grid | None = None,
    limit: int = 120,
    window_s: float = 0.025,
) -> Tuned:
    """The setting of `variant` with the best F1, pooled over labelled `recordings`.

    Parameters
    ----------
    grid : values to try for each parameter; GRIDS[variant.name] when not given.
    limit : of more combinations, this number is drawn at random, always the same; the given setting is tried too.

    Combinations that the variant refuses are skipped. Raises ParameterError for a variant without a grid, or no
    recordings.
    """
    check_positive("limit", limit)
    if grid is None and variant.name not in GRIDS:
        raise ParameterError(f"{variant.name!r} has no grid; give one: parameter -> values")
    if not recordings:
        raise ParameterError(f"recordings is {recordings!r}; {variant.name} is tuned on one or more labelled ones")
    best, best_f1, tried = variant, _f1(variant, recordings, window_s), 1
    for setting in draw_settings(grid if grid is not None else GRIDS[variant.name], limit):
        candidate = build_setting(variant, setting)
        if candidate is None:
            continue
        f1 = _f1(candidate, recordings, window_s)
        tried += 1
        if f1 > best_f1:
            best, best_f1 = candidate, f1
    return Tuned(best, best_f1, tried)


def _f1(variant: Variant, recordings: Sequence[Recording], window_s: float) -> float:
    score = Score()
    for recording in recordings:
        score += score_recording(variant.name, variant, recording, window_s=window_s).score
    return score.f1 if score.f1 == score.f1 else 0.0
