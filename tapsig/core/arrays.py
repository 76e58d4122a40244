"""Pointers to NumPy arrays for the core, after a check of type and layout."""

from typing import Any

import numpy as np
import numpy.typing as npt

from tapsig.core import load

_TYPES = {np.dtype(np.float64): "double[]", np.dtype(np.int64): "int64_t[]", np.dtype(np.uint8): "uint8_t[]"}


def pointer(array: npt.NDArray[Any]) -> Any:
    """A pointer to the array's first element, valid while the array exists.

    Raises TypeError for a type other than float64, int64 or uint8, and BufferError for an array that is not contiguous.
    """
    if array.dtype not in _TYPES:
        raise TypeError(f"the core takes no arrays of {array.dtype}")
    return load()[0].from_buffer(_TYPES[array.dtype], array)
