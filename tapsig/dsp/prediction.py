"""Adaptive linear prediction at a low rate: what a resonating panel does next is predictable, a new blow is not.

A panel that rings is a sum of decaying sinusoids, and such a sum obeys a linear recursion. A predictor of order 32 at
1 kHz, adapted on the fly by the normalised least-mean-squares rule (NLMS; Nagumo & Noda 1967; Haykin, Adaptive Filter
Theory, ch. 6), learns that recursion; what remains, the innovation, rises with each blow and hardly rings.
"""

import math
from typing import Any

import numba
import numpy as np

from tapsig.units import FloatArray, check_positive, check_range, check_samples

KERNEL: dict[str, Any] = {"cache": True, "error_model": "numpy", "no_cfunc_wrapper": True}
"""How the default detector's kernels are compiled: nothing that is not used, because the first start waits for it."""
INNER: dict[str, Any] = {**KERNEL, "cache": False, "no_cpython_wrapper": True}
"""… and those that only kernels call: part of these, so that nothing of their own is written to the cache. Called from
Python they crash it, for they have no wrapper: call `f.py_func` there, or a kernel around it."""
ONCE: dict[str, Any] = {**INNER, "inline": "always"}
"""… and those called in one place of one kernel: written into it first, or the compiler goes over them again with each
function around them (the four parts of the features: a fifth of the first start)."""
REORDERED = {"reassoc", "contract", "nsz"}
"""Sums may be reordered, so that a loop runs in vector registers; the order hangs on the loop's count alone."""
WORKING_RATE_HZ = 1000.0
ORDER = 32
HISTORY_SIZE = 1024 + ORDER + 1
"""Samples are written downwards into a buffer of this size; when it is full, the last ones move back to its top."""


@numba.njit(**INNER, fastmath=REORDERED, forceinline=True)
def adapt_and_predict(weights: FloatArray, history: FloatArray, position: int, gain: float) -> float:
    """Apply the update that the last error calls for (`gain` times the history one step ago), then predict.

    One pass does both, because each weight is then loaded and stored once.
    """
    total = 0.0
    start = np.uint64(position)
    for i in range(ORDER):
        weight = weights[np.uint64(i)] + gain * history[start + np.uint64(i + 1)]
        weights[np.uint64(i)] = weight
        total += weight * history[start + np.uint64(i)]
    return total


@numba.njit(**INNER, forceinline=True)
def remember(history: FloatArray, position: int, value: float) -> int:
    """Write `value` as the newest sample; returns its position."""
    position -= 1
    if position < 0:
        position = history.size - ORDER - 2
        for i in range(ORDER + 1):
            history[position + 1 + i] = history[i]
    history[position] = value
    return position


@numba.njit(**KERNEL)
def _innovation(samples: FloatArray, step: float, power_floor: float) -> FloatArray:
    weights, history = np.zeros(ORDER), np.zeros(HISTORY_SIZE)
    position, power, gain = HISTORY_SIZE - ORDER - 1, 0.0, 0.0
    innovation = np.empty(samples.size)
    for n in range(samples.size):
        value = samples[n]
        pace = step / (ORDER * power_floor + power)
        error = value - adapt_and_predict(weights, history, position, gain)
        gain = pace * error
        power = max(power + value * value - history[position + ORDER - 1] ** 2, 0.0)
        position = remember(history, position, value)
        innovation[n] = error
    return innovation


def compute_innovation(samples: FloatArray, *, step: float = 0.03, floor_v: float = 3e-4) -> FloatArray:
    """What a causal predictor of order 32 did not foresee, shape (n,), in the unit of `samples`.

    Parameters
    ----------
    samples : shape (n,), evenly sampled at about 1 kHz and free of a constant; see `decimate`.
    step : of the normalised update, in (0, 2); larger learns faster and forgets faster.
    floor_v : level under which nothing is learnt from the signal.

    Raises ParameterError for parameters out of range or samples that are not 1-D and finite.

    A sinusoid is foreseen once it has been learnt:

    >>> tone = np.sin(2 * np.pi * 0.07 * np.arange(4000))
    >>> bool(np.abs(compute_innovation(tone, step=0.5))[-1000:].max() < 1e-3)
    True
    """
    check_range("step", step, 1e-6, 2.0 - 1e-6)
    check_positive("floor_v", floor_v)
    return np.asarray(_innovation(check_samples("samples", samples), step, floor_v**2))


def decimate(samples: FloatArray, fs: float, *, rate_hz: float = WORKING_RATE_HZ) -> FloatArray:
    """Means over consecutive intervals of 1/rate_hz, shape (floor(n·rate_hz/fs),); a sample on an edge is shared out.

    An integrate-and-dump: its frequency response is sinc(f/rate_hz), so that multiples of `rate_hz` vanish.
    Raises ParameterError unless 0 < rate_hz <= fs.

    >>> decimate(np.arange(6.0), 3000.0)
    array([1., 4.])
    >>> decimate(np.array([1.0, 2.0, 3.0]), 1500.0)
    array([1.33333333, 2.66666667])
    """
    check_range("rate_hz", rate_hz, 1e-9, check_positive("fs", fs))
    integral = np.concatenate(([0.0], np.cumsum(samples)))
    edges = np.arange(math.floor(samples.size * rate_hz / fs + 1e-9) + 1) * (fs / rate_hz)
    return np.diff(np.interp(edges, np.arange(integral.size), integral)) * (rate_hz / fs)
