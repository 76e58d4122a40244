"""The gate of `tap` in integers: two sums of trees and the history between them, as `tapsig.detect.gate`.

Scores are Q10, saturated to 16 bits; probabilities Q10 from a table; the other units are those of `integer_features`.
A history feature that is a mean divides, once a candidate, never once a sample.
"""

import math
from typing import NamedTuple

import numba
import numpy as np

from tapsig.detect.gate import ALL_FEATURES, HOPELESS, Gate, Trees
from tapsig.detect.history import CLOSE, COMPARED, FURTHEST, HISTORY, LARGEST_COMPARED, LIKENESS, OFF, VERY_CLOSE
from tapsig.errors import ExportError
from tapsig.export.converter import whole
from tapsig.export.fixed_point import log2_q8, shift_down
from tapsig.export.integer_features import SIX_DB
from tapsig.features import FEATURES
from tapsig.units import FloatArray, IntArray

REMEMBERED = 64
SCORE_LIMIT = 32767
HOPELESS_Q10 = math.floor(HOPELESS * 1024 + 0.5)
DB_Q8 = 256.0 * math.log2(10.0) / 10.0
"""One decibel of power as log2 in Q8."""

LIKELY_TABLE: IntArray = np.array(
    [math.floor(1024 / (1 + math.exp(-(i - 127.5) / 16)) + 0.5) for i in range(256)], dtype=np.int64
)
"""1024/(1 + exp(-s)) at the middle of every sixteenth of a score from -8 to 8."""

DIFFERENCE = 4096
"""A mean difference of one over LIKENESS; a sum over them all, since their units hold the division."""
UNLIKEST, ALIKE, CLOSELY = (int(DIFFERENCE * reach) for reach in (FURTHEST, CLOSE, VERY_CLOSE))
ALIKE_BITS, CLOSELY_BITS = (2 * reach.bit_length() - 12 for reach in (ALIKE, CLOSELY))
"""What the square of what is left to that difference is shifted by, to be Q10."""
A_HUNDREDTH = 10486  # of one, Q20
A_THIRD_OR_SO = 307  # .3, Q10
LARGEST_SHAPE = 32767
_LEVEL = FEATURES.index("level_v_db")
_OVER_NOISE = FEATURES.index("level_over_noise")
_ABSOLUTE = ("level_v_db", "noise_v_db")  # decibels re 1 V

# What one unit of a float feature is in integers; decibels where nothing else is said.
_COUNTS = (
    "innovation_width", "innovation_peak_ms", "count_1s", "count_5s", "loud_1s", "loud_5s",
)  # fmt: skip
_LOGARITHMS = (
    "since_any", "since_loud", "best_since", "beat", "age", "alike", "alike_closely", "fast_octave",
    "fast_octave_middle", "fast_octave_late",
)  # fmt: skip
_SCORES = ("score", "best_700ms", "mean_score_16")
_SUMS = ("taps_4s", "others_4s", "taps_30s", "others_30s", "loud_others_30s")
_DIFFERENCES = ("best_unlike", "nearest")
_UNITS = {
    1.0: _COUNTS, 256.0: (*_LOGARITHMS, *_SUMS), 1024.0: _SCORES, float(DIFFERENCE): _DIFFERENCES,
    DIFFERENCE / len(LIKENESS): HISTORY[OFF:],
}  # fmt: skip
SCALES: dict[str, float] = dict.fromkeys(ALL_FEATURES, DB_Q8)
SCALES.update((name, unit) for unit, names in _UNITS.items() for name in names)

LARGEST: IntArray = np.array([math.floor(LARGEST_COMPARED * SCALES[name]) for name in LIKENESS])
PER_UNIT_Q12: IntArray = np.array(
    [math.floor(4096 * DIFFERENCE / len(LIKENESS) / (unit * SCALES[name]) + 0.5) for name, unit in LIKENESS.items()]
)


class IntegerTrees(NamedTuple):
    """A sum of trees: row[feature] <= threshold goes to the next node; a leaf, feature 255, adds its value (Q10)."""

    roots: IntArray
    feature: IntArray
    threshold: IntArray
    right: IntArray
    value: IntArray
    base: int


LEAF = 255
LARGEST_INT = 2**31 - 1


def to_integer_trees(trees: Trees, unit_v: float) -> IntegerTrees:
    """The trees with thresholds in integers: row <= t becomes row_integer <= floor(t·scale).

    Raises ExportError for a gate without trees, or a number that leaves its width.
    """
    if not trees.roots.size:
        raise ExportError("a sum of the gate has 0 trees; an export needs at least one in each, so fit it again")
    offset = 20.0 * math.log10(unit_v)  # volts of one unit, in dB
    thresholds = np.zeros(trees.feature.size, dtype=np.int64)
    for i, column in enumerate(trees.feature):
        if column >= 0:
            name = ALL_FEATURES[column]
            value = trees.threshold[i] - (offset if name in _ABSOLUTE else 0.0)
            thresholds[i] = math.floor(min(max(value * SCALES[name], -LARGEST_INT), LARGEST_INT))
    leaf = trees.feature < 0
    leaves = np.clip(np.floor(trees.value * 1024 + 0.5), -LARGEST_INT, LARGEST_INT)
    values = np.where(leaf, leaves, 0).astype(np.int64)
    return IntegerTrees(
        trees.roots, np.where(leaf, LEAF, trees.feature), thresholds, trees.right, values,
        whole("base of the gate", trees.base * 1024, -LARGEST_INT, LARGEST_INT),
    )  # fmt: skip


def to_floats(rows: IntArray, unit_v: float) -> FloatArray:
    """Features, shape (n, len(ALL_FEATURES)), in the units of the float form; the history of a hopeless one is nan."""
    values = rows / np.array([SCALES[name] for name in ALL_FEATURES])
    values[:, [ALL_FEATURES.index(name) for name in _ABSOLUTE]] += 20.0 * math.log10(unit_v)
    hopeless = rows[:, len(FEATURES) :].any(axis=1) == 0
    values[hopeless, len(FEATURES) :] = np.nan
    return np.asarray(values)


@numba.njit(cache=True)
def sum_trees(trees: IntegerTrees, row: IntArray) -> int:
    """The score of one row in Q10, saturated to 16 bits."""
    total = trees.base
    for root in trees.roots:
        i = root
        while trees.feature[i] != LEAF:
            i = i + 1 if row[trees.feature[i]] <= trees.threshold[i] else trees.right[i]
        total += trees.value[i]
    return min(max(total, -SCORE_LIMIT), SCORE_LIMIT)


class IntegerHistory(NamedTuple):
    """The last 64 candidates: block, level, score, shape (64, len(LIKENESS)); how many there were."""

    block: IntArray
    level: IntArray
    score: IntArray
    shapes: IntArray
    seen: IntArray


def new_history() -> IntegerHistory:
    """Nothing happened yet."""
    block, level, score = (np.zeros(REMEMBERED, dtype=np.int64) for _ in range(3))
    return IntegerHistory(block, level, score, np.zeros((REMEMBERED, len(LIKENESS)), np.int64), np.zeros(1, np.int64))


@numba.njit(cache=True)
def likely_q10(score: int) -> int:
    """Probability that a score stands for."""
    return LIKELY_TABLE[(min(max(score, -8192), 8191) + 8192) >> 6]


@numba.njit(cache=True)
def _measure_shape(row: IntArray, shape: IntArray) -> None:
    for j in range(shape.size):
        held = min(max(row[COMPARED[j]], -LARGEST[j]), LARGEST[j])
        shape[j] = min(max(shift_down(held * PER_UNIT_Q12[j], 12), -LARGEST_SHAPE), LARGEST_SHAPE)


@numba.njit(cache=True)
def _nearness(unlike: int, reach: int, bits: int) -> int:
    """The square of the share of `reach` that is left, Q10."""
    left = max(reach - unlike, 0)
    return (left * left) >> bits


@numba.njit(cache=True)
def fill_history(out: IntArray, row: IntArray, trigger: int, score: int, history: IntegerHistory) -> None:
    """Write the features HISTORY of a candidate with this first score into `out`."""
    level = row[_LEVEL]
    best, best_k = -12288, -1
    best_unlike, nearest = UNLIKEST, UNLIKEST
    taps_4s, others_4s, level_4s = 0, 0, 0
    taps_30s, others_30s, loud_others_30s, mean_score, mean_count = 0, 0, 0, 0, 0
    alike, alike_others, closely, closely_others = 0, 0, 0, 0
    first_gap, second_gap = 0, 0
    own, sums = np.empty(COMPARED.size, np.int64), np.zeros(COMPARED.size, np.int64)
    _measure_shape(row, own)
    seen = history.seen[0]
    for j in range(min(seen, REMEMBERED)):
        k = (seen - 1 - j) % REMEMBERED
        age = trigger - history.block[k]
        likely = likely_q10(history.score[k])
        if j < 16:
            mean_score += max(history.score[k], -8192)
            mean_count += 1
        if age > 30_000:
            break
        if age < 80:
            continue
        if likely > 307:
            if first_gap == 0:
                first_gap = age
            elif second_gap == 0 and age - first_gap >= 80:
                second_gap = age - first_gap
        unlike = min(np.abs(history.shapes[k] - own).sum(), UNLIKEST)
        if age <= 700 and history.score[k] > best:
            best, best_k, best_unlike = history.score[k], k, unlike
        if age <= 4000:
            taps_4s += likely
            others_4s += 1024 - likely
            level_4s += likely * history.level[k]
        taps_30s += likely
        others_30s += 1024 - likely
        if history.level[k] >= level - SIX_DB:
            loud_others_30s += 1024 - likely
        near = _nearness(unlike, ALIKE, ALIKE_BITS)
        nearer = _nearness(unlike, CLOSELY, CLOSELY_BITS)
        alike += likely * near
        alike_others += (1024 - likely) * near
        closely += likely * nearer
        closely_others += (1024 - likely) * nearer
        if likely > 512:
            nearest = min(nearest, unlike)
        sums += likely * history.shapes[k]
    out[0], out[1] = score, best
    out[2], out[3], out[4] = 13 * 256, 0, best_unlike
    if best_k >= 0:
        out[2] = log2_q8(trigger - history.block[best_k])
        out[3] = level - history.level[best_k]
    out[5], out[6], out[7] = taps_4s >> 2, others_4s >> 2, 0
    if taps_4s > 51:
        out[7] = level - level_4s // taps_4s
    out[8], out[9], out[10] = taps_30s >> 2, others_30s >> 2, loud_others_30s >> 2
    out[11] = mean_score // mean_count if mean_count else 0
    out[12] = abs(log2_q8(first_gap) - log2_q8(second_gap)) if second_gap > 0 else 4 * 256
    out[13] = level - row[_OVER_NOISE]
    out[14] = log2_q8(min(trigger, 8000) + 1)
    out[15] = log2_q8(alike + A_HUNDREDTH) - log2_q8(alike_others + A_HUNDREDTH)
    out[16] = log2_q8(closely + A_HUNDREDTH) - log2_q8(closely_others + A_HUNDREDTH)
    out[17] = nearest
    for j in range(own.size):
        out[OFF + j] = (own[j] * taps_30s - sums[j]) // (taps_30s + A_THIRD_OR_SO)


@numba.njit(cache=True)
def remember(row: IntArray, trigger: int, score: int, history: IntegerHistory) -> None:
    """Keep a candidate with this score."""
    seen = history.seen[0]
    k = seen % REMEMBERED
    history.block[k], history.level[k], history.score[k] = trigger, row[_LEVEL], score
    _measure_shape(row, history.shapes[k])
    history.seen[0] = seen + 1


@numba.njit(cache=True)
def judge(
    triggers: IntArray, rows: IntArray, first: IntegerTrees, second: IntegerTrees, remember_lower: bool,
    history: IntegerHistory, full: IntArray, scores: IntArray,
) -> None:  # fmt: skip
    """Score candidates in order: `full` (n, len(ALL_FEATURES)) and `scores` (n,) are written."""
    width = rows.shape[1]
    for i in range(triggers.size):
        full[i, :width] = rows[i]
        score = sum_trees(first, rows[i])
        scores[i] = score
        if score >= HOPELESS_Q10:
            fill_history(full[i, width:], rows[i], triggers[i], score, history)
            scores[i] = sum_trees(second, full[i])
        remember(rows[i], triggers[i], min(score, scores[i]) if remember_lower else score, history)


class GateNumbers(NamedTuple):
    """The gate of one export: trees, what is remembered, the least score and level of a tap, dead time in samples."""

    first: IntegerTrees
    second: IntegerTrees
    remember_lower: bool
    least_score: int
    least_level: int
    dead_samples: int


def gate_numbers(gate: Gate, *, probability: float, floor_v: float, dead_samples: int, unit_v: float) -> GateNumbers:
    """The gate in integers; `unit_v` is the volts of one unit of the 15-bit sample.

    Raises ExportError for a number that does not fit 32 bits.
    """
    least_score = np.ceil(gate.score_at(probability) * 1024)
    least_level = (20 * math.log10(floor_v) - 20 * math.log10(unit_v)) * DB_Q8
    return GateNumbers(
        to_integer_trees(gate.first, unit_v), to_integer_trees(gate.second, unit_v), gate.remember_lower,
        whole("least score of the gate", least_score, -LARGEST_INT, LARGEST_INT),
        whole("floor_v", least_level, -LARGEST_INT, LARGEST_INT), dead_samples,
    )  # fmt: skip
