"""Peak prominence, as far as a stream can know it: how far a level stands over what was before."""

import numba
import numpy as np

from tapsig.units import FloatArray, IntArray


@numba.njit(cache=True)
def follow_prominence(levels: FloatArray, ring: FloatArray, position: IntArray) -> FloatArray:
    """Causal prominence of each level: over the lowest since the last higher one, within the ring's length.

    `ring` holds the latest levels (nan = none yet) and `position` = [next place]; both are updated. At a peak this is
    the left half of its prominence: a stream cannot know what follows.
    """
    out = np.empty(levels.size)
    size = ring.size
    for n in range(levels.size):
        level = levels[n]
        lowest = level
        for back in range(1, size + 1):
            before = ring[(position[0] - back) % size]
            if np.isnan(before) or before > level:
                break
            lowest = min(lowest, before)
        out[n] = level - lowest
        ring[position[0]] = level
        position[0] = (position[0] + 1) % size
    return out
