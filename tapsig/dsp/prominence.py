"""Peak prominence: how far a peak stands over its surroundings, for whole signals and, causally, for streams."""

import warnings

import numba
import numpy as np

from tapsig.errors import ParameterError
from tapsig.units import FloatArray, IntArray


def compute_prominences(samples: FloatArray, peaks: IntArray, *, window_samples: int) -> FloatArray:
    """Prominence of each peak within a local window, shape (len(peaks),), in the unit of `samples`.

    The peak's height over the higher of the two lowest points that lie between it and, on either side, the first
    higher sample or the window's edge (`window_samples` wide, centred on the peak).

    Raises ParameterError for peaks outside the samples or a window under 3 samples.

    >>> compute_prominences(np.array([0.0, 3.0, 1.0, 5.0, 0.0]), np.array([1, 3]), window_samples=11)
    array([2., 5.])
    """
    from scipy.signal import peak_prominences  # heavy

    peaks = np.asarray(peaks, dtype=np.int64)
    if window_samples < 3:
        raise ParameterError(f"window_samples is {window_samples!r}; it must be at least 3")
    if peaks.size and not (peaks.min() >= 0 and peaks.max() < len(samples)):
        raise ParameterError(f"peaks run from {peaks.min()} to {peaks.max()}; there are {len(samples)} samples")
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "some peaks have a prominence of 0")  # 0 is an answer
        return np.asarray(peak_prominences(samples, peaks, wlen=window_samples | 1)[0])


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
