"""Causal peak prominence: the height of a level over what came before it."""

import numpy as np

from tapsig.core import load
from tapsig.core.arrays import pointer
from tapsig.units import FloatArray, IntArray


def follow_prominence(levels: FloatArray, ring: FloatArray, position: IntArray) -> FloatArray:
    """Causal prominence of each level: its height over the minimum since the last higher level, within the ring.

    `ring` holds the latest levels (nan = none yet) and `position` = [next index]; both are updated. At a peak, this is
    the prominence on its left side only.
    """
    levels, out = np.ascontiguousarray(levels, dtype=np.float64), np.empty(levels.size)
    position[0] = load()[1].tapsig_follow_prominence(
        pointer(levels), levels.size, pointer(ring), ring.size, int(position[0]) % ring.size, pointer(out)
    )
    return out
