"""Trees over the bytes of a candidate among the others of its entry (context.h), packed for the core."""

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

from tapsig.core import load
from tapsig.errors import ParameterError

CONTEXT = ("score", "highest", "likely", "likely_near", "interval", "like_likely", "like_unlikely", "nearest")
"""The bytes of a row, in order."""
_LEAF = 255
_LARGEST_BYTES = 65_000
_DEEPEST = 50

ContextNode = int | tuple[str, int, Any, Any]
"""A leaf's value in 1/64 nat, or (name, threshold, left, right): left where the byte is at most the threshold."""


def read_node(document: object, depth: int = 0) -> ContextNode:
    """A node from plain lists. Raises ParameterError for anything else."""
    if type(document) is int and -128 <= document <= 127:
        return document
    if not isinstance(document, list | tuple) or len(document) != 4 or depth > _DEEPEST:
        raise ParameterError(
            f"a node of the context model is {str(document)[:60]!r}; it must be a whole number from -128 to 127, or"
            " [name, threshold, left, right]"
        )
    name, threshold, left, right = document
    if name not in CONTEXT or type(threshold) is not int or not 0 <= threshold <= 255:
        raise ParameterError(
            f"a node of the context model compares {str(name)[:60]!r} with {str(threshold)[:60]}; it must compare one"
            f" of {', '.join(CONTEXT)} with a whole number from 0 to 255"
        )
    return name, threshold, read_node(left, depth + 1), read_node(right, depth + 1)


def pack_trees(trees: Sequence[ContextNode]) -> bytes:
    """The trees as the core reads them (trees.h)."""
    packed = b"".join(bytes([len(tree)]) + tree for tree in map(_pack_node, trees))
    if len(packed) > _LARGEST_BYTES:
        raise ParameterError(f"the context model takes {len(packed)} bytes; it may take {_LARGEST_BYTES}")
    return packed


def _pack_node(node: ContextNode) -> bytes:
    if not isinstance(node, tuple):
        return bytes([_LEAF, node & 0xFF])
    left, right = _pack_node(node[2]), _pack_node(node[3])
    if len(left) + len(right) + 3 > 255:
        raise ParameterError(f"a tree takes {len(left) + len(right) + 3} bytes; it may take 255, about 50 leaves")
    return bytes([CONTEXT.index(node[0]), node[1], len(left)]) + left + right


@lru_cache(maxsize=32)
def place_trees(trees: tuple[ContextNode, ...]) -> tuple[Any, int]:
    """The packed trees in memory that cffi owns, and their size: keep the first while a struct points to it."""
    packed = pack_trees(trees)
    return load()[0].new("uint8_t[]", packed or b"\0"), len(packed)
