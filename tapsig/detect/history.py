"""A candidate beside those before it: when they came, what the gate said of them, how alike they are.

A person taps the same body in groups of like blows with human gaps; rain, music and rattles do not.
"""

import math
from typing import NamedTuple

import numba
import numpy as np

from tapsig.dsp.prediction import INNER, REORDERED
from tapsig.features import FEATURES
from tapsig.units import FloatArray, IntArray

LIKENESS: dict[str, float] = {
    "share_40hz": 12.0, "share_125hz": 8.5, "share_210hz": 7.5, "share_330hz": 8.0,
    "innovation_crest": 4.0, "innovation_fall_early": 9.5, "innovation_fall_late": 9.0, "innovation_width": 8.0,
    "fast_share": 7.0, "fast_fall_early": 7.5, "fast_fall_late": 8.5,
    "fast_octave": 0.35, "fast_octave_middle": 0.3, "fast_octave_late": 0.3,
}  # fmt: skip
"""Features by which blows are compared, none of which depends on their force, and the difference in each that counts as
one: how much blows on the same body differ (standard deviation on the half "fit" of the real hits, to a common scale).
"""

HISTORY: tuple[str, ...] = (
    "score",  # the first sum's score of this candidate
    "best_700ms", "best_since", "best_step", "best_unlike",  # of the likeliest tap 80–700 ms before: score, ms (log2),
    # level against it in dB, difference from it (mean over LIKENESS)
    "taps_4s", "others_4s", "level_4s",  # likely taps before; unlikely ones; level against the taps
    "taps_30s", "others_30s", "loud_others_30s", "mean_score_16",
    "beat",  # this gap over the gap before, |log2|
    "noise_v_db",  # quietest innovation of late, dB re 1 V: near the converter's own noise only when at rest
    "age",  # log2 of ms since the start, up to 8 s: before, the past says little
    "alike", "alike_closely",  # of 30 s: log2 of the taps that are like this one over the others that are
    "nearest",  # difference from the tap most like this one
    *(f"off_{name}" for name in LIKENESS),  # difference from the mean of the taps
)  # fmt: skip

CLOSE, VERY_CLOSE = 1.0, 0.5
"""Mean differences over LIKENESS from which on two candidates are not alike, and not closely alike."""
FURTHEST = 4.0
"""The largest mean difference that is told apart, and that from nothing."""
COMPARED: IntArray = np.array([FEATURES.index(name) for name in LIKENESS])
LARGEST_COMPARED = 40.0  # decibels, octaves, blocks
_PER_UNIT: FloatArray = 1.0 / np.array(list(LIKENESS.values()))
OFF = len(HISTORY) - len(LIKENESS)  # where the differences from the mean of the taps begin
_LEVEL = FEATURES.index("level_v_db")
_OVER_NOISE = FEATURES.index("level_over_noise")
_REMEMBERED = 64
_NONE = -(1 << 40)


class History(NamedTuple):
    """The last 64 candidates: block, level (dB), score, its logistic, shape (what LIKENESS names); how many.

    own, sums: room for the shape of the candidate in hand and for sums over those of others.
    """

    block: IntArray
    level: FloatArray
    score: FloatArray
    likely: FloatArray
    shapes: FloatArray
    seen: IntArray
    own: FloatArray
    sums: FloatArray


def new_history() -> History:
    """Nothing happened yet."""
    return History(np.full(_REMEMBERED, _NONE, dtype=np.int64), np.zeros(_REMEMBERED), np.zeros(_REMEMBERED),
                   np.zeros(_REMEMBERED), np.zeros((_REMEMBERED, len(LIKENESS))), np.zeros(1, dtype=np.int64),
                   np.zeros(len(LIKENESS)), np.zeros(len(LIKENESS)))


@numba.njit(**INNER)
def _logistic(score: float) -> float:
    return 1.0 / (1.0 + math.exp(-min(max(score, -30.0), 30.0)))


@numba.njit(**INNER)
def _measure_shape(row: FloatArray, shape: FloatArray) -> None:
    for j in range(shape.size):
        shape[j] = _PER_UNIT[j] * min(max(row[COMPARED[j]], -LARGEST_COMPARED), LARGEST_COMPARED)


@numba.njit(**INNER, fastmath=REORDERED)
def _unlikeness(history: History, k: int) -> float:
    """Mean difference of the candidate in hand from candidate k, at most FURTHEST."""
    total = 0.0
    for j in range(history.own.size):
        total += abs(history.shapes[k, j] - history.own[j])
    return min(total / history.own.size, FURTHEST)


@numba.njit(**INNER)
def _log_odds(alike: float, others: float) -> float:
    return math.log2((alike + 0.01) / (others + 0.01))


@numba.njit(**INNER)
def fill_history(out: FloatArray, row: FloatArray, trigger: int, score: float, history: History) -> None:
    """Write the features HISTORY of a candidate with this first score into `out` (their number,)."""
    level = row[_LEVEL]
    best, best_k = -12.0, np.int64(-1)  # of k's own type, so that what takes either is compiled once
    best_unlike, nearest = FURTHEST, FURTHEST
    taps_4s, others_4s, level_4s = 0.0, 0.0, 0.0
    taps_30s, others_30s, loud_others_30s, mean_score, mean_count = 0.0, 0.0, 0.0, 0.0, 0
    alike, alike_others, closely, closely_others = 0.0, 0.0, 0.0, 0.0
    first_gap, second_gap = 0, 0
    seen, own, sums = history.seen[0], history.own, history.sums
    _measure_shape(row, own)
    for j in range(own.size):
        sums[j] = 0.0
    for j in range(min(seen, _REMEMBERED)):
        k = (seen - 1 - j) & (_REMEMBERED - 1)
        age = trigger - history.block[k]
        likely = history.likely[k]
        if j < 16:
            mean_score += max(history.score[k], -8.0)
            mean_count += 1
        if age > 30_000:
            break
        if age < 80:
            continue
        if likely > 0.3:
            if first_gap == 0:
                first_gap = age
            elif second_gap == 0 and age - first_gap >= 80:
                second_gap = age - first_gap
        unlike = _unlikeness(history, k)
        if age <= 700 and history.score[k] > best:
            best, best_k, best_unlike = history.score[k], k, unlike
        if age <= 4000:
            taps_4s += likely
            others_4s += 1.0 - likely
            level_4s += likely * history.level[k]
        taps_30s += likely
        others_30s += 1.0 - likely
        if history.level[k] >= level - 6.0:
            loud_others_30s += 1.0 - likely
        near, nearer = max(1.0 - unlike / CLOSE, 0.0) ** 2, max(1.0 - unlike / VERY_CLOSE, 0.0) ** 2
        alike += likely * near
        alike_others += (1.0 - likely) * near
        closely += likely * nearer
        closely_others += (1.0 - likely) * nearer
        if likely > 0.5:
            nearest = min(nearest, unlike)
        for i in range(own.size):
            sums[i] += likely * history.shapes[k, i]
    out[0], out[1] = score, best
    out[2], out[3], out[4] = 13.0, 0.0, best_unlike
    if best_k >= 0:
        out[2] = math.log2(trigger - history.block[best_k])
        out[3] = level - history.level[best_k]
    out[5], out[6], out[7] = taps_4s, others_4s, 0.0
    if taps_4s > 0.05:
        out[7] = level - level_4s / taps_4s
    out[8], out[9], out[10] = taps_30s, others_30s, loud_others_30s
    out[11] = mean_score / mean_count if mean_count else 0.0
    out[12] = abs(math.log2(first_gap / second_gap)) if second_gap > 0 else 4.0
    out[13] = level - row[_OVER_NOISE]
    out[14] = math.log2(min(trigger, 8000) + 1.0)
    out[15], out[16] = _log_odds(alike, alike_others), _log_odds(closely, closely_others)
    out[17] = nearest
    for j in range(own.size):  # towards 0 where hardly a tap is known
        out[OFF + j] = (own[j] * taps_30s - sums[j]) / (taps_30s + 0.3)


@numba.njit(**INNER)
def remember(row: FloatArray, trigger: int, score: float, history: History) -> None:
    """Keep a candidate with the score that it has for those after it."""
    seen = history.seen[0]
    k = seen & (_REMEMBERED - 1)
    history.block[k], history.level[k], history.score[k] = trigger, row[_LEVEL], score
    history.likely[k] = _logistic(score)
    _measure_shape(row, history.shapes[k])
    history.seen[0] = seen + 1
