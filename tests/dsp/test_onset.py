"""Onset picking against the seismologists' own picker, and closed forms."""

import warnings

import numpy as np
import pytest

from tapsig.dsp.onset import pick_onset
from tapsig.errors import ParameterError

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # its own, while it is imported
    from obspy.signal.trigger import aic_simple


@pytest.mark.parametrize("seed", range(10))
def test_the_onset_is_where_an_independent_library_s_criterion_is_least(seed: int) -> None:
    # obspy takes variances about each piece's mean, here mean squares: on noise without a bias both agree.
    rng = np.random.default_rng(seed)
    samples = rng.standard_normal(400)
    samples[250:] *= 8.0
    expected = int(np.argmin(aic_simple(samples)[3:-3])) + 3
    assert abs(pick_onset(samples) - expected) <= 1
    assert abs(pick_onset(samples) - 250) <= 2


def test_a_step_in_silence_is_found_on_the_sample() -> None:
    samples = np.zeros(100)
    samples[60:] = 0.3
    assert pick_onset(samples) == 60


@pytest.mark.parametrize("values", [[1.0] * 7, [[1.0, 2.0]], [float("nan")] * 10])
def test_bad_input_is_refused(values: list[float]) -> None:
    with pytest.raises(ParameterError, match="samples"):
        pick_onset(values)


def test_a_last_bit_that_flickers_after_equal_counts_is_no_onset() -> None:
    """Counts rest, the last bit flickers, then a blow: the rounding of a count has the power 1/12 (uniform error)."""
    counts = np.concatenate([np.zeros(30), np.tile([0.0, 0.0, 1.0], 5), [16.0, -9.0, -33.0, 20.0, 31.0]])
    assert pick_onset(counts) < 35
    assert pick_onset(counts, floor_power=1 / 12) == 45
