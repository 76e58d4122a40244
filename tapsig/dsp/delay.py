"""Propagation delay between two simultaneous channels by cross-correlation, finer than a sample."""

import numpy as np
import numpy.typing as npt

from tapsig.errors import ParameterError
from tapsig.units import check_positive, seconds_to_samples

UPSAMPLING = 16


def compute_delay(
    first: npt.ArrayLike, second: npt.ArrayLike, fs: float, *, max_lag_s: float
) -> tuple[float, float] | None:
    """Delay of `second` behind `first`, both shape (n,), in seconds, and their correlation there.

    That is the largest absolute value of their cross-correlation (-1 to 1; below 0: inverted), interpolated 16-fold
    through its spectrum (exact for a band-limited signal), then by a parabola through its three highest points. A plate
    is dispersive, and high frequencies arrive first: the delay is that of the frequencies with the most energy.
    None when either channel is constant.

    Raises ParameterError for shapes that differ or a lag that is not shorter than the samples.

    >>> t = np.arange(4000) / 8000
    >>> pulse = lambda at: np.exp(-((t - at) / 0.001) ** 2)
    >>> round(compute_delay(pulse(0.2), pulse(0.2003), 8000.0, max_lag_s=0.01)[0] * 1e3, 3)
    0.3
    """
    one, two = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if one.ndim != 1 or one.shape != two.shape:
        raise ParameterError(f"first has shape {one.shape}, second {two.shape}; give two channels of one length")
    lag = seconds_to_samples(check_positive("max_lag_s", max_lag_s), check_positive("fs", fs), at_least=1)
    if lag >= one.size:
        raise ParameterError(f"max_lag_s is {max_lag_s!r}; the channels have only {one.size / fs:g} s")
    one, two = one - one.mean(), two - two.mean()
    energy = float(np.sqrt((one @ one) * (two @ two)))
    if not energy > 0:
        return None
    size = 1 << (one.size + lag).bit_length()
    cross = np.conj(np.fft.rfft(one, size)) * np.fft.rfft(two, size)
    cross[-1] *= 0.5  # the Nyquist line is split between both halves of the longer spectrum
    fine = np.fft.irfft(cross, size * UPSAMPLING) * UPSAMPLING / energy
    reach = lag * UPSAMPLING
    lags = np.arange(-reach, reach + 1)
    values = fine[lags]  # negative lags stand at the end
    top = int(np.argmax(np.abs(values)))
    shift = 0.0
    if 0 < top < values.size - 1:
        left, middle, right = values[top - 1 : top + 2]
        bend = left - 2 * middle + right
        shift = 0.5 * (left - right) / bend if bend else 0.0
    return float((lags[top] + shift) / (UPSAMPLING * fs)), float(values[top])
