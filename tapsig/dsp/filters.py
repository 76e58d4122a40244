"""Causal first-order filters, which start in the steady state of the first sample."""

import math

import numpy as np

from tapsig.core import load
from tapsig.core.arrays import pointer
from tapsig.errors import ParameterError
from tapsig.units import FloatArray, check_positive


def one_pole_coefficient(time_s: float, fs: float) -> float:
    """Weight of the new sample in a first-order low-pass with the time constant `time_s`: 1 - exp(-1/(time_s·fs)).

    Impulse-invariant, so that the decay after a step is exp(-t/time_s) exactly.

    >>> round(one_pole_coefficient(0.125, 8000.0), 6)
    0.001
    """
    return -math.expm1(-1.0 / (check_positive("time_s", time_s) * check_positive("fs", fs)))


def high_pass_time_s(cutoff_hz: float, fs: float) -> float:
    """Time constant of the running mean whose subtraction gives a high-pass with its -3 dB point at `cutoff_hz`.

    Raises ParameterError unless 0 < cutoff_hz < fs/2.
    """
    if not 0 < cutoff_hz < fs / 2:
        raise ParameterError(f"cutoff_hz is {cutoff_hz!r}; at {fs:g} Hz it must lie between 0 and {fs / 2:g}")
    return 1.0 / (2.0 * math.pi * cutoff_hz)


def remove_slow(samples: FloatArray, state: FloatArray, share: float) -> FloatArray:
    """`samples` less their running mean, shape (n,); `state` is [mean, 1 once started] and is updated."""
    samples, out = np.ascontiguousarray(samples, dtype=np.float64), np.empty(samples.size)
    if samples.size:
        mean = float(state[0] if state[1] else samples[0])
        state[0] = load()[1].tapsig_remove_slow(pointer(samples), samples.size, mean, share, pointer(out))
        state[1] = 1.0
    return out
