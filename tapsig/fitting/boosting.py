"""Gradient boosting of small trees on log-odds by scikit-learn; the result does not need scikit-learn.

A new sum of trees is fitted by scikit-learn's histogram-based boosting, which cannot start from given scores. To
correct an existing sum, trees are added by Newton steps on the logistic loss (Friedman, Hastie & Tibshirani 2000).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from tapsig.detectors.features import FEATURES
from tapsig.detectors.model import SCALE, Model, Node
from tapsig.errors import ParameterError
from tapsig.units import FloatArray, IntArray, finite_number

TreeNode = float | tuple[int, float, float, Any, Any]
"""A leaf's value, or (column, threshold, mean value, left, right): left where the column is at most the threshold."""


@dataclass(frozen=True, slots=True)
class TreeSum:
    """A base and trees, in nats of log-odds."""

    base: float
    trees: tuple[TreeNode, ...]

    def score(self, rows: npt.ArrayLike) -> FloatArray:
        """The sum for each row, shape (n,)."""
        values = np.asarray(rows)
        total = np.full(values.shape[0], self.base)
        for tree in self.trees:
            _add(tree, values, np.arange(values.shape[0]), total)
        return total

    def to_model(self, start: Model | None = None, **fields: Any) -> Model:
        """The sum as a model of `tap` for the core, with its trees after those of `start`.

        Leaves are rounded to 1/64 nat and limited to 2 nats; thresholds lie between whole numbers.
        """
        before = start.trees if start is not None else ()
        base = round(self.base * SCALE) + (start.base if start is not None else 0)
        return Model(base, (*before, *map(_to_node, self.trees)), **fields)

    def to_json(self, names: Sequence[str]) -> dict[str, object]:
        """Nested lists: an inner node is [name, threshold, value, left, right], a leaf is a number."""

        def node(tree: TreeNode) -> object:
            if not isinstance(tree, tuple):
                return _short(tree)
            return [names[tree[0]], _short(tree[1]), _short(tree[2]), node(tree[3]), node(tree[4])]

        return {"base": _short(self.base), "trees": [node(tree) for tree in self.trees]}

    @classmethod
    def from_json(cls, document: object, names: Sequence[str]) -> "TreeSum":
        """Read what `to_json` wrote. Raises ParameterError for anything else."""

        def node(item: object) -> TreeNode:
            if (leaf := finite_number(item)) is not None:
                return leaf
            if not isinstance(item, list) or len(item) != 5 or item[0] not in names:
                raise ParameterError(
                    f"a tree's node is {str(item)[:60]!r}; it must be a number or"
                    " [feature, threshold, value, left, right]"
                )
            return names.index(item[0]), float(item[1]), float(item[2]), node(item[3]), node(item[4])

        if not isinstance(document, Mapping) or not isinstance(document.get("trees"), list):
            raise ParameterError("a sum of trees needs 'base' and 'trees'")
        return cls(float(document["base"]), tuple(map(node, document["trees"])))


def _short(value: float) -> float:
    """Round to six significant digits."""
    return float(f"{value:.6g}")


def _add(tree: TreeNode, rows: npt.NDArray[Any], chosen: IntArray, total: FloatArray) -> None:
    if not isinstance(tree, tuple):
        total[chosen] += tree
        return
    left = rows[chosen, tree[0]] <= tree[1]
    _add(tree[3], rows, chosen[left], total)
    _add(tree[4], rows, chosen[~left], total)


def _to_node(tree: TreeNode) -> Node:
    if not isinstance(tree, tuple):
        return max(-128, min(127, round(tree * SCALE)))
    column, threshold, value, left, right = tree
    return [FEATURES[column], int(np.floor(threshold)), round(value * SCALE), _to_node(left), _to_node(right)]


@dataclass(frozen=True, slots=True)
class Boosting:
    """Settings of boosting: number of trees, maximum of leaves, learning rate, minimum of samples in a leaf."""

    trees: int = 100
    leaves: int = 8
    rate: float = 0.1
    least_leaf: int = 60

    def fit(self, rows: npt.ArrayLike, taps: IntArray, weights: FloatArray, *, seed: int = 0) -> TreeSum:
        """Trees that separate `taps` (0 or 1, shape (n,)) by `rows` (n, m); rows of weight 0 are left out."""
        from sklearn.ensemble import HistGradientBoostingClassifier  # heavy

        used = weights > 0
        scale = used.sum() / weights.sum()
        model = HistGradientBoostingClassifier(
            max_iter=self.trees,
            max_leaf_nodes=self.leaves,
            learning_rate=self.rate,
            min_samples_leaf=self.least_leaf,
            l2_regularization=2.0,
            max_bins=255,
            early_stopping=False,
            random_state=seed,
        )
        model.fit(np.asarray(rows)[used].astype(np.float32), taps[used], sample_weight=weights[used] * scale)
        # scikit-learn keeps these trees in attributes without a public name; a test compares ours with its scores.
        trees = tuple(_from_bins(predictor.nodes, 0) for (predictor,) in model._predictors)
        return TreeSum(float(np.ravel(model._baseline_prediction)[0]), trees)

    def fit_residual(
        self, rows: npt.ArrayLike, taps: IntArray, weights: FloatArray, start: FloatArray, *, seed: int = 0
    ) -> TreeSum:
        """Trees to add to a sum that gives `rows` the scores `start` (n,), in nats."""
        from sklearn.tree import DecisionTreeRegressor  # heavy

        used = weights > 0
        values, taps, weights = np.asarray(rows)[used].astype(np.float32), taps[used], weights[used]
        score, trees = start[used].astype(np.float64), []
        for number in range(self.trees):
            probability = 1.0 / (1.0 + np.exp(-np.clip(score, -60.0, 60.0)))
            curvature = np.maximum(probability * (1.0 - probability), 1e-3)
            tree = DecisionTreeRegressor(
                max_leaf_nodes=self.leaves,
                min_samples_leaf=self.least_leaf,
                max_features=0.5,
                random_state=seed + number,
            )
            step = np.clip((taps - probability) / curvature, -6.0, 6.0)
            tree.fit(values, step, sample_weight=weights * curvature)
            score += self.rate * tree.predict(values)
            trees.append(_from_regression(tree.tree_, 0, self.rate))
        return TreeSum(0.0, tuple(trees))


def _from_bins(nodes: Any, i: int) -> TreeNode:
    node = nodes[i]
    if node["is_leaf"]:
        return float(node["value"])
    return (
        int(node["feature_idx"]),
        float(node["num_threshold"]),
        float(node["value"]),
        _from_bins(nodes, int(node["left"])),
        _from_bins(nodes, int(node["right"])),
    )


def _from_regression(tree: Any, i: int, rate: float) -> TreeNode:
    value = rate * float(tree.value[i, 0, 0])
    if tree.feature[i] < 0:
        return value
    return (
        int(tree.feature[i]),
        float(tree.threshold[i]),
        value,
        _from_regression(tree, int(tree.children_left[i]), rate),
        _from_regression(tree, int(tree.children_right[i]), rate),
    )
