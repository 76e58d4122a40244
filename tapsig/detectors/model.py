"""The model of `tap`: a sum of small decision trees over one-byte features, as JSON and as the core's bytes."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from tapsig.detectors.features import FEATURES, TABLE
from tapsig.errors import ParameterError
from tapsig.units import FloatArray, IntArray

SCALE = 64
"""Steps of a score in one nat of log-odds."""
LEAF = 255
LARGEST_BYTES = 65_000

Node = int | list[object]
"""A leaf's value, or [feature, threshold, mean value, left, right]: left where the feature is at most the threshold.
Values are in 1/64 nat of log-odds. The mean value explains a score; the core does not need it."""


@dataclass(frozen=True, slots=True)
class Source:
    """A source of training data, and its licence."""

    name: str
    licence: str


@dataclass(frozen=True, slots=True, eq=False)
class Model:
    """A sum of trees that gives the log-odds that a candidate is a tap.

    Parameters
    ----------
    base : value of the empty sum, in 1/64 nat.
    trees : each a `Node`.
    sources : its training data.
    fitted_to : names of the owner's vehicles or files that it was fitted to; scores on their recordings are biased.

    Raises ParameterError for a tree that the core cannot hold.
    """

    base: int
    trees: tuple[Node, ...]
    sources: tuple[Source, ...] = ()
    fitted_to: tuple[str, ...] = ()
    _packed: bytes = field(init=False, repr=False)

    def __post_init__(self) -> None:
        packed = b"".join(bytes([len(tree)]) + tree for tree in map(_pack_node, self.trees))
        if len(packed) > LARGEST_BYTES:
            raise ParameterError(f"the trees take {len(packed)} bytes; they may take {LARGEST_BYTES}")
        object.__setattr__(self, "_packed", packed)

    def __repr__(self) -> str:
        return f"<Model: {len(self.trees)} trees>"

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Model) and self.to_json() == other.to_json()

    def __hash__(self) -> int:
        return hash((self.base, len(self.trees)))

    def pack(self) -> bytes:
        """The trees as the core reads them (trees.h)."""
        return self._packed

    def score(self, rows: npt.NDArray[np.uint8]) -> IntArray:
        """Scores in 1/64 nat, as the core gives them, shape (n,); `rows` (n, len(FEATURES))."""
        total = np.full(rows.shape[0], self.base, dtype=np.int64)
        for tree in self.trees:
            _add_tree(tree, rows, np.arange(rows.shape[0]), total)
        return total

    def explain(self, row: IntArray) -> FloatArray:
        """Contribution of each feature to a row's score along the trees' paths, in nats, shape (len(FEATURES),)."""
        parts = np.zeros(len(FEATURES))
        for tree in self.trees:
            node = tree
            while isinstance(node, list):
                feature = FEATURES.index(str(node[0]))
                following = node[3] if row[feature] <= node[1] else node[4]
                parts[feature] += _value(following) - _value(node)
                node = following  # type: ignore[assignment]
        return parts / SCALE

    def reason(self, row: IntArray) -> str:
        """The feature with the most negative contribution to a rejected candidate, with its family."""
        worst = TABLE[int(np.argmin(self.explain(row)))]
        return f"{worst.family}: {worst.name}"

    def to_json(self) -> dict[str, object]:
        """Plain data for JSON."""
        return {
            "base": self.base,
            "trees": list(self.trees),
            "sources": [[source.name, source.licence] for source in self.sources],
            "fitted_to": list(self.fitted_to),
        }

    @classmethod
    def from_json(cls, document: object) -> "Model":
        """Read what `to_json` wrote. Raises ParameterError for anything else."""
        if not isinstance(document, Mapping) or not isinstance(document.get("trees"), list) or not document["trees"]:
            raise ParameterError("a model needs 'base' and 'trees', at least one")
        base = document.get("base")
        if type(base) is not int or abs(base) > 2**14:
            raise ParameterError(f"the model's base is {str(base)[:60]!r}; it must be a whole number of 1/64 nat")
        return cls(
            base,
            tuple(_check_node(tree, 0) for tree in document["trees"]),
            _read_sources(document.get("sources", [])),
            _read_names(document.get("fitted_to", [])),
        )


def _add_tree(node: Node, rows: npt.NDArray[np.uint8], chosen: IntArray, total: IntArray) -> None:
    if not isinstance(node, list):
        total[chosen] += node
        return
    left = rows[chosen, FEATURES.index(str(node[0]))] <= node[1]
    _add_tree(node[3], rows, chosen[left], total)  # type: ignore[arg-type]
    _add_tree(node[4], rows, chosen[~left], total)  # type: ignore[arg-type]


def _value(node: object) -> float:
    return float(node[2]) if isinstance(node, list) else float(node)  # type: ignore[arg-type]


def _pack_node(node: Node) -> bytes:
    if not isinstance(node, list):
        return bytes([LEAF, node & 0xFF])
    left, right = _pack_node(node[3]), _pack_node(node[4])  # type: ignore[arg-type]
    if len(left) + len(right) + 3 > 255:
        raise ParameterError(f"a tree takes {len(left) + len(right) + 3} bytes; it may take 255, about 50 leaves")
    return bytes([FEATURES.index(str(node[0])), int(node[1]), len(left)]) + left + right  # type: ignore[call-overload]


def _check_node(node: object, depth: int) -> Node:
    if type(node) is int:
        if not -128 <= node <= 127:
            raise ParameterError(f"a leaf is {node}; it must lie between -128 and 127 (1/64 nat)")
        return node
    if not isinstance(node, list) or len(node) != 5 or depth > 40:
        raise ParameterError(
            f"a node is {str(node)[:60]!r}; it must be a whole number or [feature, threshold, value, left, right]"
        )
    if node[0] not in FEATURES:
        raise ParameterError(
            f"the model uses the feature {str(node[0])[:60]!r}, which this version does not have; fit it again"
        )
    if type(node[1]) is not int or not 0 <= node[1] <= 255:
        raise ParameterError(f"a threshold is {str(node[1])[:60]!r}; it must be a whole number from 0 to 255")
    if type(node[2]) is not int:
        raise ParameterError(f"a node's value is {str(node[2])[:60]!r}; it must be a whole number of 1/64 nat")
    return [node[0], node[1], node[2], _check_node(node[3], depth + 1), _check_node(node[4], depth + 1)]


def _read_names(value: object) -> tuple[str, ...]:
    if not isinstance(value, list) or not all(isinstance(name, str) for name in value):
        raise ParameterError(f"the model's fitted_to is {str(value)[:60]!r}; it must be a list of names")
    return tuple(value)


def _read_sources(value: object) -> tuple[Source, ...]:
    if not isinstance(value, Sequence) or not all(
        isinstance(item, list) and len(item) == 2 and all(isinstance(word, str) for word in item) for item in value
    ):
        raise ParameterError(f"the model's sources are {str(value)[:60]!r}; they must be a list of [name, licence]")
    return tuple(Source(*item) for item in value)


def to_probability(scores: IntArray | FloatArray) -> FloatArray:
    """Probability for log-odds in 1/64 nat."""
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(np.asarray(scores) / SCALE, -60.0, 60.0))))


def to_score(probability: float) -> int:
    """The least score, in 1/64 nat, whose probability is at least `probability`."""
    return math.ceil(math.log(probability / (1.0 - probability)) * SCALE - 1e-9)
