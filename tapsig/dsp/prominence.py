"""Peak prominence, as far as a stream can know it: how far a level stands over what was before."""

import numpy as np

from tapsig.core import load
from tapsig.core.arrays import pointer
from tapsig.units import FloatArray, IntArray


def follow_prominence(levels: FloatArray, ring: FloatArray, position: IntArray) -> FloatArray:
    """Causal prominence of each level: over the lowest since the last higher one, within the ring's length.

    `ring` holds the latest levels (nan = none yet) and `position` = [next place]; both are updated. At a peak this is
    the left half of its prominence: a stream cannot know what follows.
    """
    levels, out = np.ascontiguousarray(levels, dtype=np.float64), np.empty(levels.size)
    position[0] = load()[1].tapsig_follow_prominence(
        pointer(levels), levels.size, pointer(ring), ring.size, int(position[0]) % ring.size, pointer(out)
    )
    return out
