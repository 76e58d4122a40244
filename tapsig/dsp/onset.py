"""Onset of a signal: the best split of a stretch into two parts of different power."""

import numpy as np
import numpy.typing as npt

from tapsig.errors import ParameterError
from tapsig.units import check_samples

MIN_SAMPLES = 8
EDGE = 3  # the power of a shorter part is unreliable


def pick_onset(samples: npt.ArrayLike, *, floor_power: float = 0.0) -> int:
    """Index of the first sample of the louder, later part of `samples`, shape (n,), by Akaike's information criterion.

    AIC(k) = k·ln P(before k) + (n − k)·ln P(from k on), with P the mean square; its minimum splits the
    stretch into noise and signal (Maeda, Zisin 38 (1985) 365). The stretch must contain one onset and end near the
    maximum after it. Prediction errors work best, since earlier ringing does not hide the onset in them.

    `floor_power` is added to both powers. With the power of the converter's rounding, a change of one count after
    constant counts is not an onset.

    Raises ParameterError for samples that are not 1-D and finite, or fewer than 8.

    >>> pick_onset([0.1, -0.1, 0.1, -0.1, 0.1, -0.1, 0.1, -0.1, 5.0, -4.0, 6.0, -5.0])
    8
    """
    values = check_samples("samples", samples)
    if values.size < MIN_SAMPLES:
        raise ParameterError(f"samples has {values.size} values; at least {MIN_SAMPLES} are needed")
    energy = np.cumsum(values * values)
    tiny = floor_power + 1e-14 * energy[-1] / values.size + 1e-300  # avoids the logarithm of 0
    split = np.arange(EDGE, values.size - EDGE + 1)
    before, after = energy[split - 1] / split, (energy[-1] - energy[split - 1]) / (values.size - split)
    criterion = split * np.log(before + tiny) + (values.size - split) * np.log(np.maximum(after, 0.0) + tiny)
    return int(split[np.argmin(criterion)])
