"""Envelope: a causal follower that rises with an attack time and falls with a release time."""

import numba
import numpy as np

from tapsig.dsp.filters import one_pole_coefficient
from tapsig.errors import ParameterError
from tapsig.units import FloatArray


@numba.njit(cache=True)
def follow_envelope(magnitudes: FloatArray, state: FloatArray, attack: float, release: float) -> FloatArray:
    """First-order follower of `magnitudes` (>= 0), shape (n,); `state` = [level] is updated.

    `attack` and `release` are the shares of the new sample while rising and while falling.
    """
    out = np.empty(magnitudes.size)
    level = state[0]
    for n in range(magnitudes.size):
        change = magnitudes[n] - level
        level += (attack if change > 0.0 else release) * change
        out[n] = level
    state[0] = level
    return out


def compute_envelope(
    samples: FloatArray, fs: float, *, attack_s: float = 0.0005, release_s: float = 0.02, power: bool = False
) -> FloatArray:
    """Envelope of `samples`, shape (n,), in their unit; causal.

    A first-order follower of the magnitude (of the power, if `power`; then the square root is returned). With
    `power` and equal times it is the exponential time weighting of IEC 61672-1: a free decay falls by
    10·lg(e)/time decibels a second.

    Raises ParameterError for times that are not above 0, or samples that are not 1-D.

    >>> float(compute_envelope(np.ones(8000), 8000.0, attack_s=0.01, release_s=0.01)[-1].round(6))
    1.0
    """
    samples = np.ascontiguousarray(samples, dtype=np.float64)
    if samples.ndim != 1:
        raise ParameterError(f"samples have shape {samples.shape}; one channel (1-D) is needed")
    attack, release = one_pole_coefficient(attack_s, fs), one_pole_coefficient(release_s, fs)
    magnitudes = samples**2 if power else np.abs(samples)
    level = np.asarray(follow_envelope(magnitudes, np.zeros(1), attack, release))
    return np.sqrt(level) if power else level
