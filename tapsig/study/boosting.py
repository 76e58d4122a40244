"""Gradient boosting of small trees on log-odds, each tree fitted by scikit-learn; the result is a `Trees`.

Newton steps on the logistic loss (Friedman, Hastie & Tibshirani 2000), each on a random part of the rows and features
(Friedman 2002). It can start from scores that another sum already gives, which scikit-learn's own boosting on bins
cannot.
"""

from dataclasses import dataclass

import numpy as np

from tapsig.detect.gate import Trees
from tapsig.units import FloatArray, IntArray


@dataclass(frozen=True, slots=True)
class Boosting:
    """How a sum of trees is grown; `rows` is the number of rows that each tree sees at most."""

    trees: int = 100
    leaves: int = 10
    rate: float = 0.12
    rows: int = 40_000
    features: float = 0.4
    least_leaf: int = 20

    def fit(self, rows: FloatArray, taps: IntArray, weights: FloatArray, *, start: FloatArray | None = None,
            rng: np.random.Generator) -> Trees:
        """Trees that tell `taps` (0 or 1, shape (n,)) by `rows` (n, m); `start` are scores to begin from."""
        from sklearn.tree import DecisionTreeRegressor  # heavy

        used = np.flatnonzero(weights > 0)
        rows, taps, weights = rows[used].astype(np.float32), taps[used], weights[used]
        share = np.clip(np.average(taps, weights=weights), 1e-6, 1.0 - 1e-6)
        base = float(np.log(share / (1.0 - share))) if start is None else 0.0
        score = np.full(used.size, base) if start is None else start[used].copy()
        parts = []
        for _ in range(self.trees):
            probability = 1.0 / (1.0 + np.exp(-score))
            curvature = np.maximum(probability * (1.0 - probability), 1e-4)
            chosen = rng.choice(used.size, min(self.rows, used.size), replace=False) if used.size > self.rows else (
                np.arange(used.size))
            tree = DecisionTreeRegressor(
                max_leaf_nodes=self.leaves, min_samples_leaf=self.least_leaf, max_features=self.features,
                random_state=int(rng.integers(1 << 31)))
            aim = np.clip((taps - probability)[chosen] / curvature[chosen], -6.0, 6.0)
            tree.fit(rows[chosen], aim, sample_weight=(weights * curvature)[chosen])
            score += self.rate * tree.predict(rows)
            parts.append(tree.tree_)
        return _join(parts, self.rate, base)


def _join(parts: list[object], rate: float, base: float) -> Trees:
    """Flat arrays of all trees, one after the other."""
    columns: dict[str, list[np.ndarray]] = {name: [] for name in ("feature", "threshold", "left", "right", "value")}
    roots, offset = [], 0
    for part in parts:
        feature = np.maximum(np.asarray(part.feature), -1)  # type: ignore[attr-defined]
        roots.append(offset)
        columns["feature"].append(feature)
        columns["threshold"].append(np.where(feature < 0, 0.0, part.threshold))  # type: ignore[attr-defined]
        columns["left"].append(np.where(feature < 0, 0, part.children_left + offset))  # type: ignore[attr-defined]
        columns["right"].append(np.where(feature < 0, 0, part.children_right + offset))  # type: ignore[attr-defined]
        columns["value"].append(rate * part.value[:, 0, 0])  # type: ignore[attr-defined]
        offset += feature.size

    def flat(name: str, dtype: type) -> np.ndarray:
        return np.concatenate([np.zeros(0), *columns[name]]).astype(dtype)

    return Trees(np.array(roots, dtype=np.int64), flat("feature", np.int64), flat("threshold", np.float64),
                 flat("left", np.int64), flat("right", np.int64), flat("value", np.float64), base)


def join_sums(first: Trees, second: Trees) -> Trees:
    """One sum whose score is that of both added."""
    shift = first.feature.size
    inner = second.feature >= 0
    return Trees(
        np.concatenate([first.roots, second.roots + shift]),
        np.concatenate([first.feature, second.feature]),
        np.concatenate([first.threshold, second.threshold]),
        np.concatenate([first.left, np.where(inner, second.left + shift, 0)]),
        np.concatenate([first.right, np.where(inner, second.right + shift, 0)]),
        np.concatenate([first.value, second.value]),
        first.base + second.base,
    )
