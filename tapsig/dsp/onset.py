"""Where a signal begins: the split of a stretch into two, each with its own power, that fits best."""

import numpy as np
import numpy.typing as npt

from tapsig.errors import ParameterError
from tapsig.units import check_samples

MIN_SAMPLES = 8
EDGE = 3  # of a shorter piece the power is a matter of chance


def pick_onset(samples: npt.ArrayLike, *, floor_power: float = 0.0) -> int:
    """Index of the first sample of the louder, later part of `samples`, shape (n,), by Akaike's information criterion.

    AIC(k) = k·ln P(before k) + (n − k)·ln P(from k on), with P the mean square; the least value splits the stretch
    into noise and signal (Maeda, Zisin 38 (1985) 365). The stretch must hold one onset and end near the highest point
    after it. Prediction errors serve best: ringing from before does not hide the onset.

    `floor_power` is added to both powers: that of a converter's rounding, so that a last bit that flickers after a
    silence of equal counts is no onset.

    Raises ParameterError for samples that are not 1-D and finite, or fewer than 8.

    >>> pick_onset([0.1, -0.1, 0.1, -0.1, 0.1, -0.1, 0.1, -0.1, 5.0, -4.0, 6.0, -5.0])
    8
    """
    values = check_samples("samples", samples)
    if values.size < MIN_SAMPLES:
        raise ParameterError(f"samples has {values.size} values; at least {MIN_SAMPLES} are needed")
    energy = np.cumsum(values * values)
    tiny = floor_power + 1e-14 * energy[-1] / values.size + 1e-300  # silence has no logarithm
    split = np.arange(EDGE, values.size - EDGE + 1)
    before, after = energy[split - 1] / split, (energy[-1] - energy[split - 1]) / (values.size - split)
    criterion = split * np.log(before + tiny) + (values.size - split) * np.log(np.maximum(after, 0.0) + tiny)
    return int(split[np.argmin(criterion)])
