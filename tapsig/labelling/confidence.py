"""Confidence of proposals: features of candidates, and gradient-boosted trees on them."""

import json
import math
from functools import cache
from importlib import resources

import numpy as np

from tapsig.fitting.boosting import TreeSum
from tapsig.labelling.template import divide
from tapsig.labelling.transients import Transients
from tapsig.units import FloatArray

FEATURES = (
    "rise_db",
    "similarity",
    "level_db",
    "clear_db",
    "rhythm",
    "crowd",
    "strangers",
    "hardness",
    "family",
    "usual_rise_db",
    "usual_clear_db",
    "pace",
)


def describe_candidates(events: Transients, onsets_s: FloatArray, similarity: FloatArray) -> FloatArray:
    """Features of every candidate, shape (n, 12), in the order of FEATURES."""
    similar = np.nan_to_num(similarity, nan=0.0)
    weight = np.clip((similar - 0.3) / 0.5, 0.0, 1.0) * np.clip((events.rise_db - 3.0) / 9.0, 0.0, 1.0)
    strong = weight >= 0.5
    median_v = float(np.median(events.peak_v[strong])) if strong.any() else float(events.peak_v.max())
    level_db = 20.0 * np.log10(np.maximum(events.peak_v, 1e-12) / max(median_v, 1e-12))
    own = [events.rise_db, similar, np.clip(level_db, -40.0, 20.0), events.clear_db]
    around = _describe_neighbours(onsets_s, weight, events.rise_db)
    hardness = np.concatenate([_measure_hardness(few.astype(np.float64)) for few in divide(events.shapes)])
    default = [0.0, 0.0, 0.0, math.log2(60.0)]  # without a family
    if strong.any():
        gaps = np.diff(np.sort(onsets_s[strong]))
        pace_s = float(np.median(gaps)) if gaps.size else 60.0
        default = [
            float(np.mean(similar[strong])),
            float(np.median(events.rise_db[strong])),
            float(np.median(events.clear_db[strong])),
            math.log2(min(max(pace_s, 0.03), 60.0)),
        ]
    return np.column_stack([*own, *around, hardness, np.tile(default, (onsets_s.size, 1))])


def _measure_hardness(shapes: FloatArray) -> FloatArray:
    energy = np.square(shapes).sum(axis=1)
    return np.log10((np.square(np.diff(shapes, axis=1)).sum(axis=1) + 1e-30) / (energy + 1e-30))


def _describe_neighbours(onsets_s: FloatArray, weight: FloatArray, rise_db: FloatArray) -> list[FloatArray]:
    """Largest weight of a neighbour 0.12–0.9 s away (a hand rarely taps once); log2 of 1 + the number of rises, and of
    dissimilar ones, within 1 s.
    """
    order = np.argsort(onsets_s, kind="stable")
    times, heavy = onsets_s[order], weight[order]
    firsts, lasts = (np.searchsorted(times, times + step) for step in (-1.0, 1.0))
    rhythm, counts = np.zeros(times.size), []
    for counting in (rise_db[order] >= 6.0, (rise_db[order] >= 6.0) & (heavy < 0.5)):
        counted = np.concatenate([[0], np.cumsum(counting)])
        counts.append(np.log2(1.0 + counted[lasts] - counted[firsts] - counting))
    for i, (first, last) in enumerate(zip(firsts, lasts, strict=True)):
        apart = np.abs(times[first:last] - times[i])
        rhythm[i] = heavy[first:last][(apart >= 0.12) & (apart <= 0.9)].max(initial=0.0)
    back = np.argsort(order, kind="stable")
    return [values[back] for values in (rhythm, *counts)]


@cache
def _read_trees() -> TreeSum:
    """The sum of trees that benchmarks/proposal_confidence.py fitted and wrote."""
    text = resources.files("tapsig.labelling").joinpath("proposal_confidence.json").read_text("utf-8")
    return TreeSum.from_json(json.loads(text), FEATURES)


def compute_confidence(features: FloatArray, trees: TreeSum | None = None) -> FloatArray:
    """Probability of a tap, shape (n,), for `features` in the order of FEATURES, shape (n, 12).

    Gradient-boosted trees on those features; those that ship are fitted to simulated doors of five kinds and to real
    hits (the file names them).
    """
    score = (trees or _read_trees()).score(features)
    return 1.0 / (1.0 + np.exp(-np.clip(score, -30.0, 30.0)))
