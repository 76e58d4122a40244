"""The gate of `tap`: two small sums of decision trees, as JSON that anyone can read, evaluated by a few lines.

The first sum judges a candidate by its features. The second judges it again with what was said of the candidates
before it, and how like them it is: a person taps the same body in groups of like blows with human gaps; rain, music and
rattles do not.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numba
import numpy as np

from tapsig.detect.history import HISTORY, History, fill_history, remember
from tapsig.dsp.prediction import INNER, KERNEL
from tapsig.errors import ParameterError
from tapsig.features import FAMILIES, FEATURES
from tapsig.units import FloatArray, IntArray, finite_number

ALL_FEATURES: tuple[str, ...] = (*FEATURES, *HISTORY)
ALL_FAMILIES: dict[str, tuple[str, ...]] = {**FAMILIES, "history": HISTORY}
HOPELESS = -5.0
"""A candidate with a first score below this (odds under 1 to 150) is not judged a second time: that saves time."""


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
        if not isinstance(document, Mapping) or not isinstance(document.get("trees"), list) or not document["trees"]:
            raise ParameterError("a sum of trees needs 'base' and 'trees', at least one")
        index = {name: i for i, name in enumerate(names)}
        flat: list[list[float]] = []

        def add(node: object, depth: int) -> int:
            here = len(flat)
            if (leaf := finite_number(node)) is not None:
                flat.append([-1, 0.0, 0, leaf])
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
    if (number := finite_number(value)) is None:
        raise ParameterError(f"a number of the gate is {str(value)[:60]!r}; it must be a finite number")
    return number


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


@numba.njit(**KERNEL)
def judge(triggers: IntArray, rows: FloatArray, first: Trees, second: Trees, remember_lower: bool, history: History,
          full: FloatArray, scores: FloatArray) -> None:
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
        if remember_lower and scores[i] < score:
            score = scores[i]
        remember(row, triggers[i], score, history)


def _name_reason(column: int) -> str:
    worst = ALL_FEATURES[column]
    family = next(name for name, members in ALL_FAMILIES.items() if worst in members)
    return f"{family}: {worst}"


@dataclass(frozen=True, slots=True, eq=False)
class Gate:
    """Two sums of trees, and the slope and offset that turn the second's score into a probability (Platt 1999).

    Those after a candidate know it by its first score or, with `remember_lower`, by its last where that is lower: never
    by one that those before it have raised, or rain would lead on to more rain. `fitted_to` names the vehicles, or
    without these the files, that it has seen: figures on recordings of them flatter it.
    """

    first: Trees
    second: Trees
    slope: float
    offset: float
    remember_lower: bool = False
    fitted_to: tuple[str, ...] = ()

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
                "slope": _short(self.slope), "offset": _short(self.offset), "remember_lower": self.remember_lower,
                "fitted_to": list(self.fitted_to)}

    @classmethod
    def from_json(cls, document: object) -> "Gate":
        """Read what `to_json` wrote. Raises ParameterError for anything else."""
        if not isinstance(document, Mapping):
            raise ParameterError("a gate needs 'first', 'second', 'slope' and 'offset'")
        slope = _number(document.get("slope"))
        if not slope > 0:
            raise ParameterError(f"the gate's slope is {slope}; it must be above 0")
        lower = document.get("remember_lower", False)
        if not isinstance(lower, bool):
            raise ParameterError(f"the gate's remember_lower is {lower!r}; it must be true or false")
        seen = document.get("fitted_to", [])  # older files do not say it
        if not isinstance(seen, list) or not all(isinstance(name, str) for name in seen):
            raise ParameterError(f"the gate's fitted_to is {str(seen)[:60]!r}; it must be a list of names")
        return cls(Trees.from_json(document.get("first"), FEATURES),
                   Trees.from_json(document.get("second"), ALL_FEATURES), slope, _number(document.get("offset")),
                   lower, tuple(seen))
