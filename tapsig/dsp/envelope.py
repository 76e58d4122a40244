"""Envelope: a causal follower that rises with an attack time and falls with a release time."""

import numpy as np

from tapsig.core import load
from tapsig.core.arrays import pointer
from tapsig.dsp.filters import one_pole_coefficient
from tapsig.units import FloatArray, check_samples

ATTACK_S, RELEASE_S = 0.0005, 0.02


def follow_envelope(magnitudes: FloatArray, state: FloatArray, attack: float, release: float) -> FloatArray:
    """First-order follower of `magnitudes` (>= 0), shape (n,); `state` = [level] is updated.

    `attack` and `release` are the smoothing coefficients (weights of the new sample) for rising and falling. With equal
    coefficients, applied to power, it is the exponential time weighting of IEC 61672-1.
    """
    magnitudes, out = np.ascontiguousarray(magnitudes, dtype=np.float64), np.empty(magnitudes.size)
    state[0] = load()[1].tapsig_follow_envelope(
        pointer(magnitudes), magnitudes.size, float(state[0]), attack, release, pointer(out)
    )
    return out


def compute_envelope(samples: FloatArray, fs: float) -> FloatArray:
    """Envelope of the magnitude of `samples`, shape (n,), in their unit; causal.

    Raises ParameterError for samples that are not 1-D and finite.

    >>> float(compute_envelope(np.ones(8000), 8000.0)[-1].round(6))
    1.0
    """
    samples = check_samples("samples", samples)
    attack, release = one_pole_coefficient(ATTACK_S, fs), one_pole_coefficient(RELEASE_S, fs)
    return np.asarray(follow_envelope(np.abs(samples), np.zeros(1), attack, release))
