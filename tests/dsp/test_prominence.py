"""Causal prominence against scipy's, which sees both sides."""

import warnings

import numpy as np
import pytest
from scipy import signal

from tapsig.dsp.prominence import follow_prominence


def causal(levels: np.ndarray, window: int) -> np.ndarray:
    return follow_prominence(levels, np.full(window, np.nan), np.zeros(1, dtype=np.int64))


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("window", [3, 11, 101])
def test_the_smaller_of_both_sides_is_scipys_prominence(seed: int, window: int) -> None:
    rng = np.random.default_rng(seed)
    levels = np.cumsum(rng.integers(-3, 4, 400)).astype(float)  # whole numbers: equal heights occur
    peaks = signal.find_peaks(levels)[0]
    half = window // 2
    left, right = causal(levels, half), causal(levels[::-1].copy(), half)[::-1]
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "some peaks have a prominence of 0")
        expected = signal.peak_prominences(levels, peaks, wlen=window)[0]
    np.testing.assert_array_equal(np.minimum(left, right)[peaks], expected)


def test_a_decay_has_no_prominence() -> None:
    assert not causal(60.0 * np.exp(-np.arange(200) / 50.0), 100).any()


def test_a_second_hit_stands_over_the_valley_before_it() -> None:
    assert causal(np.array([0.0, 40.0, 30.0, 22.0, 35.0, 41.0]), 10).tolist() == [0.0, 40.0, 0.0, 0.0, 13.0, 41.0]


def test_what_lies_before_the_window_is_forgotten() -> None:
    assert causal(np.array([0.0, 5.0, 6.0, 7.0, 8.0]), 2).tolist() == [0.0, 5.0, 6.0, 2.0, 2.0]


def test_chunks_change_nothing() -> None:
    levels = np.random.default_rng(5).standard_normal(500)
    ring, position = np.full(20, np.nan), np.zeros(1, dtype=np.int64)
    parts = [follow_prominence(levels[start : start + 7], ring, position) for start in range(0, 500, 7)]
    assert np.array_equal(np.concatenate(parts), causal(levels, 20))
