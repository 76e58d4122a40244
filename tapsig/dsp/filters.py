"""Causal first-order filters, which start in the steady state of the first sample."""

import numpy as np

from tapsig.core import load
from tapsig.core.arrays import pointer
from tapsig.core.share import high_pass_time_s as high_pass_time_s
from tapsig.core.share import one_pole_coefficient as one_pole_coefficient
from tapsig.units import FloatArray


def remove_slow(samples: FloatArray, state: FloatArray, share: float) -> FloatArray:
    """`samples` less their running mean, shape (n,); `state` is [mean, 1 once started] and is updated."""
    samples, out = np.ascontiguousarray(samples, dtype=np.float64), np.empty(samples.size)
    if samples.size:
        mean = float(state[0] if state[1] else samples[0])
        state[0] = load()[1].tapsig_remove_slow(pointer(samples), samples.size, mean, share, pointer(out))
        state[1] = 1.0
    return out
