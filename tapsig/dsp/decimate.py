"""Decimation by a whole number, without the second that importing scipy.signal takes."""

import numpy as np
import numpy.typing as npt

from tapsig.units import FloatArray, check_samples

HALF_LENGTH = 10  # of the low-pass, in output samples
KAISER_BETA = 5.0
CHUNK = 1 << 12  # output samples at a time: what a processor's cache holds


def make_low_pass(taps: int, every: int, beta: float) -> FloatArray:
    """A linear-phase low-pass before decimation by `every`: sinc under a Kaiser window, unit gain at 0 Hz, (taps,)."""
    time = np.arange(taps) - (taps - 1) / 2
    kernel = np.sinc(time / every) * np.kaiser(taps, beta)
    return np.asarray(kernel / kernel.sum())


def decimate(samples: npt.ArrayLike, every: int) -> FloatArray:
    """Every `every`-th sample of the low-passed `samples`, shape (ceil(n / every),).

    The result is that of `scipy.signal.resample_poly(samples, 1, every, padtype="line")`: a linear-phase low-pass
    (sinc under a Kaiser window) of `samples` less the line from the first to the last of them, which is added again.

    >>> decimate([0.0, 1.0, 2.0, 3.0, 4.0], 2).round(6)
    array([0., 2., 4.])
    """
    values = check_samples("samples", samples)
    half, blocks = HALF_LENGTH * every, 2 * HALF_LENGTH + 1
    kernel = np.zeros(blocks * every)
    kernel[: 2 * half + 1] = make_low_pass(2 * half + 1, every, KAISER_BETA)
    rise = (values[-1] - values[0]) / max(1, values.size - 1)
    found = values[0] + rise * every * np.arange(-(-values.size // every))
    for first in range(0, found.size, CHUNK):
        count = min(CHUNK, found.size - first)
        begin, padded = first * every - half, np.zeros((count + blocks - 1) * every)
        given = np.arange(max(0, begin), min(values.size, begin + padded.size))
        padded[given[0] - begin : given[-1] + 1 - begin] = values[given[0] : given[-1] + 1] - values[0] - rise * given
        for block, part in enumerate(kernel.reshape(blocks, every) @ padded.reshape(-1, every).T):
            found[first : first + count] += part[block : block + count]
    return found
