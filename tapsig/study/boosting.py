"""Gradient boosting of small trees on log-odds by scikit-learn; the result is a `Trees` that needs no scikit-learn.

A new sum is grown by its boosting on bins. That cannot begin from scores which another sum already gives; to mend an
existing sum, trees are added by Newton steps on the logistic loss (Friedman, Hastie & Tibshirani 2000).
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from tapsig.detect.gate import Trees
from tapsig.units import FloatArray, IntArray


@dataclass(frozen=True, slots=True)
class Boosting:
    """How a sum of trees is grown: how many, their leaves at most, the share of each step, the smallest leaf.

    Above `most_rows` rows, a part of those that are no taps is drawn, and weighs the more.
    """

    trees: int = 100
    leaves: int = 10
    rate: float = 0.1
    least_leaf: int = 20
    most_rows: int = 250_000

    def grow(self, rows: FloatArray, taps: IntArray, weights: FloatArray, *, seed: int = 0) -> Trees:
        """Trees that tell `taps` (0 or 1, shape (n,)) by `rows` (n, m); rows of weight 0 are left out."""
        from sklearn.ensemble import HistGradientBoostingClassifier  # heavy

        weights = self._thin(taps, weights, np.random.default_rng(seed))
        used = weights > 0
        model = HistGradientBoostingClassifier(
            max_iter=self.trees, max_leaf_nodes=self.leaves, learning_rate=self.rate, min_samples_leaf=self.least_leaf,
            l2_regularization=2.0, max_bins=128, early_stopping=False, random_state=seed)
        model.fit(rows[used].astype(np.float32), taps[used], sample_weight=weights[used])
        # scikit-learn keeps these trees in attributes without a public name; a test compares ours with its scores.
        nodes = [predictor.nodes for (predictor,) in model._predictors]
        parts = [(np.where(n["is_leaf"] > 0, -1, n["feature_idx"]), n["num_threshold"], n["left"], n["right"],
                  n["value"]) for n in nodes]
        return _join(parts, float(np.ravel(model._baseline_prediction)[0]))

    def _thin(self, taps: IntArray, weights: FloatArray, rng: np.random.Generator) -> FloatArray:
        """Weights of which many are set to 0, and those that stay of the same kind raised, when there are too many."""
        others = (taps == 0) & (weights > 0)
        room = self.most_rows - int((weights > 0).sum() - others.sum())
        if others.sum() <= max(room, 1):
            return weights
        share = min(1.0, max(room, self.most_rows // 2) / float(others.sum()))
        kept = others & (rng.random(weights.size) < share)
        return np.where(others, np.where(kept, weights / share, 0.0), weights)

    def mend(self, rows: FloatArray, taps: IntArray, weights: FloatArray, start: FloatArray, *, seed: int = 0) -> Trees:
        """Trees to add to a sum that gives `rows` the scores `start` (n,)."""
        from sklearn.tree import DecisionTreeRegressor  # heavy

        used = weights > 0
        rows, taps, weights = rows[used].astype(np.float32), taps[used], weights[used]
        score = start[used].copy()
        parts = []
        for number in range(self.trees):
            probability = 1.0 / (1.0 + np.exp(-score))
            curvature = np.maximum(probability * (1.0 - probability), 1e-3)
            tree = DecisionTreeRegressor(max_leaf_nodes=self.leaves, min_samples_leaf=self.least_leaf,
                                         max_features=0.4, random_state=seed + number)
            aim = np.clip((taps - probability) / curvature, -6.0, 6.0)
            tree.fit(rows, aim, sample_weight=weights * curvature)
            score += self.rate * tree.predict(rows)
            t = tree.tree_
            parts.append((np.maximum(t.feature, -1), t.threshold, t.children_left, t.children_right,
                          self.rate * t.value[:, 0, 0]))
        return _join(parts, 0.0)


def _join(parts: list[tuple[Any, ...]], base: float) -> Trees:
    """All trees (feature, threshold, left, right, value; a leaf has feature -1) in flat arrays, one after the other."""
    roots, columns, offset = [], [np.zeros((4, 0))], 0
    for feature, threshold, left, right, value in parts:
        order = _walk(feature, left, right)
        place = np.empty(order.size, dtype=np.int64)
        place[order] = np.arange(order.size)
        leaf = feature[order] < 0
        columns.append(np.stack([feature[order], np.where(leaf, 0.0, threshold[order]),
                                 np.where(leaf, 0, place[right[order]] + offset), value[order]]))
        roots.append(offset)
        offset += order.size
    flat = np.concatenate(columns, axis=1)
    return Trees(np.array(roots, dtype=np.int64), flat[0].astype(np.int64), flat[1].copy(), flat[2].astype(np.int64),
                 flat[3].copy(), base)


def _walk(feature: IntArray, left: IntArray, right: IntArray) -> IntArray:
    """The nodes of one tree in the order of `Trees`: each before its left part, and that before its right part."""
    order, waiting = [], [0]
    while waiting:
        node = waiting.pop()
        order.append(node)
        if feature[node] >= 0:
            waiting += [int(right[node]), int(left[node])]
    return np.array(order, dtype=np.int64)


def join_sums(first: Trees, second: Trees) -> Trees:
    """One sum whose score is that of both added."""
    shift = first.feature.size
    inner = second.feature >= 0
    return Trees(
        np.concatenate([first.roots, second.roots + shift]),
        np.concatenate([first.feature, second.feature]),
        np.concatenate([first.threshold, second.threshold]),
        np.concatenate([first.right, np.where(inner, second.right + shift, 0)]),
        np.concatenate([first.value, second.value]),
        first.base + second.base,
    )
