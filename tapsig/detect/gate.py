"""The gate of `tap`: two small sums of decision trees, as JSON that anyone can read, evaluated by a few lines.

The first sum judges a candidate by its features. The second judges it again with what the first said of the candidates
before it, and how like them it is: a person taps the same body in groups of like blows with human gaps; rain, music and
rattles do not.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numba
import numpy as np

from tapsig.dsp.prediction import INNER, KERNEL, REORDERED
from tapsig.errors import ParameterError
from tapsig.features import FAMILIES, FEATURES
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
ALL_FEATURES: tuple[str, ...] = (*FEATURES, *HISTORY)
ALL_FAMILIES: dict[str, tuple[str, ...]] = {**FAMILIES, "history": HISTORY}
HOPELESS = -5.0
"""A candidate with a first score below this (odds under 1 to 150) is not judged a second time: that saves time."""
_REMEMBERED = 64
CLOSE, VERY_CLOSE = 1.0, 0.5
"""Mean difference over LIKENESS from which on two candidates are not alike, and not closely alike."""
FURTHEST = 4.0
"""The largest difference that is told apart, and that from nothing."""
COMPARED: IntArray = np.array([FEATURES.index(name) for name in LIKENESS])
LARGEST_COMPARED = 40.0  # decibels, octaves, blocks
_PER_UNIT: FloatArray = 1.0 / np.array(list(LIKENESS.values()))
_OFF = len(HISTORY) - len(LIKENESS)
_LEVEL = FEATURES.index("level_v_db")
_OVER_NOISE = FEATURES.index("level_over_noise")
_NONE = -(1 << 40)


class Trees(NamedTuple):
    """A sum of decision trees in flat arrays.

    Node i sends a row to node i + 1 where row[feature[i]] <= threshold[i], else to node right[i]; a leaf has feature -1
    and adds value[i]. `value` of an inner node is the mean over the training rows that reached it, so that a path
    explains itself.
    """

    roots: IntArray
    feature: IntArray
    threshold: FloatArray
    right: IntArray
    value: FloatArray
    base: float

    def to_json(self, names: Sequence[str]) -> dict[str, object]:
        """Nested lists: an inner node is [feature, threshold, value, left, right], a leaf is a number."""

        def node(i: int) -> object:
            if self.feature[i] < 0:
                return _short(self.value[i])
            name = names[self.feature[i]]
            left, right = node(i + 1), node(int(self.right[i]))
            return [name, _short(self.threshold[i]), _short(self.value[i]), left, right]

        return {"base": _short(self.base), "trees": [node(int(root)) for root in self.roots]}

    @classmethod
    def from_json(cls, document: object, names: Sequence[str]) -> "Trees":
        """Read what `to_json` wrote. Raises ParameterError for anything else."""
        if not isinstance(document, Mapping) or not isinstance(document.get("trees"), list):
            raise ParameterError("a sum of trees needs 'base' and 'trees'")
        index = {name: i for i, name in enumerate(names)}
        flat: list[list[float]] = []

        def add(node: object, depth: int) -> int:
            here = len(flat)
            if isinstance(node, (int, float)) and not isinstance(node, bool) and math.isfinite(node):
                flat.append([-1, 0.0, 0, float(node)])
                return here
            if not isinstance(node, list) or len(node) != 5 or not isinstance(node[0], str) or depth > 40:
                raise ParameterError(
                    f"a tree's node is {str(node)[:60]!r};"
                    " it must be a number or [feature, threshold, value, left, right]"
                )
            if node[0] not in index:
                raise ParameterError(
                    f"the gate asks for the feature {node[0]!r}, which this version does not have; fit it again"
                )
            threshold, value = _number(node[1]), _number(node[2])
            flat.append([index[node[0]], threshold, 0, value])
            add(node[3], depth + 1)
            flat[here][2] = add(node[4], depth + 1)
            return here

        roots = [add(tree, 0) for tree in document["trees"]]
        columns = np.array(flat, dtype=np.float64).reshape(-1, 4).T
        feature, right = columns[0].astype(np.int64), columns[2].astype(np.int64)
        return cls(np.array(roots, dtype=np.int64), feature, columns[1].copy(), right, columns[3].copy(),
                   _number(document.get("base")))

    def contributions(self, row: FloatArray) -> FloatArray:
        """What each column of `row` adds to the score along the trees' paths, shape (row.size,)."""
        parts = np.zeros(row.size)
        for root in self.roots:
            i = int(root)
            while self.feature[i] >= 0:
                go = i + 1 if row[self.feature[i]] <= self.threshold[i] else self.right[i]
                parts[self.feature[i]] += self.value[go] - self.value[i]
                i = int(go)
        return parts


def _short(value: float) -> float:
    """Six significant digits: enough, and readable."""
    return float(f"{value:.6g}")


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise ParameterError(f"a number of the gate is {value!r}; it must be finite")
    return float(value)


@numba.njit(**INNER)
def sum_trees(trees: Trees, row: FloatArray) -> float:
    """The score of one row."""
    total, one = trees.base, np.uint64(1)
    for root in trees.roots:
        i = np.uint64(root)  # unsigned: an index that cannot count from the end is a third quicker
        feature = trees.feature[i]
        while feature >= 0:
            i = i + one if row[np.uint64(feature)] <= trees.threshold[i] else np.uint64(trees.right[i])
            feature = trees.feature[i]
        total += trees.value[i]
    return total


class History(NamedTuple):
    """The last 64 candidates: block, level (dB), first score, its logistic, shape (what LIKENESS names); how many.

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
        out[_OFF + j] = (own[j] * taps_30s - sums[j]) / (taps_30s + 0.3)


@numba.njit(**INNER)
def remember(row: FloatArray, trigger: int, score: float, history: History) -> None:
    """Keep a candidate with its first score: one that rests on scores before it would lead rain on to more rain."""
    seen = history.seen[0]
    k = seen & (_REMEMBERED - 1)
    history.block[k], history.level[k], history.score[k] = trigger, row[_LEVEL], score
    history.likely[k] = _logistic(score)
    _measure_shape(row, history.own)
    for j in range(history.own.size):
        history.shapes[k, j] = history.own[j]
    history.seen[0] = seen + 1


@numba.njit(**KERNEL)
def judge(triggers: IntArray, rows: FloatArray, first: Trees, second: Trees, history: History, full: FloatArray,
          scores: FloatArray) -> None:
    """Score candidates in order: `full` (n, len(ALL_FEATURES)) and `scores` (n,) are written.

    A hopeless candidate keeps its first score, and its history is nan.
    """
    width = rows.shape[1]
    for i in range(triggers.size):
        row = rows[i]
        for j in range(full.shape[1]):  # loops: slices would take seconds to compile
            full[i, j] = row[j] if j < width else np.nan
        score = sum_trees(first, row)
        scores[i] = score
        if score >= HOPELESS:
            fill_history(full[i, width:], row, triggers[i], score, history)
            scores[i] = sum_trees(second, full[i])
        remember(row, triggers[i], score, history)


def _name_reason(column: int) -> str:
    worst = ALL_FEATURES[column]
    family = next(name for name, members in ALL_FAMILIES.items() if worst in members)
    return f"{family}: {worst}"


@dataclass(frozen=True, slots=True, eq=False)
class Gate:
    """Two sums of trees, and the slope and offset that turn the second's score into a probability (Platt 1999)."""

    first: Trees
    second: Trees
    slope: float
    offset: float

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Gate) and self.to_json() == other.to_json()

    def __hash__(self) -> int:
        return hash((self.slope, self.offset, self.second.value.size))

    def probability(self, scores: FloatArray) -> FloatArray:
        """Calibrated probability that a candidate with this score is a tap."""
        return np.asarray(1.0 / (1.0 + np.exp(-np.clip(self.slope * scores + self.offset, -60.0, 60.0))))

    def score_at(self, probability: float) -> float:
        """The score at which `probability` is reached."""
        return (math.log(probability / (1.0 - probability)) - self.offset) / self.slope

    def reason(self, row: FloatArray) -> str:
        """The family of features that spoke most against a rejected candidate; `row` has shape (len(ALL_FEATURES),)."""
        if math.isnan(row[-1]):  # hopeless
            parts = self.first.contributions(row[: len(FEATURES)])
            return _name_reason(int(np.argmin(parts)))
        parts = self.second.contributions(row)
        # The first sum's score is one column of the second: share its part out as the first sum came to it.
        column = ALL_FEATURES.index("score")
        inner = self.first.contributions(row[: len(FEATURES)])
        if parts[column] < 0.0 and inner.min(initial=0.0) < 0.0:
            parts[: len(FEATURES)] += parts[column] * np.minimum(inner, 0.0) / np.minimum(inner, 0.0).sum()
            parts[column] = 0.0
        return _name_reason(int(np.argmin(parts)))

    def to_json(self) -> dict[str, object]:
        """Plain data for JSON."""
        return {"first": self.first.to_json(FEATURES), "second": self.second.to_json(ALL_FEATURES),
                "slope": _short(self.slope), "offset": _short(self.offset)}

    @classmethod
    def from_json(cls, document: object) -> "Gate":
        """Read what `to_json` wrote. Raises ParameterError for anything else."""
        if not isinstance(document, Mapping):
            raise ParameterError("a gate needs 'first', 'second', 'slope' and 'offset'")
        slope = _number(document.get("slope"))
        if not slope > 0:
            raise ParameterError(f"the gate's slope is {slope}; it must be above 0")
        return cls(Trees.from_json(document.get("first"), FEATURES),
                   Trees.from_json(document.get("second"), ALL_FEATURES), slope, _number(document.get("offset")))
