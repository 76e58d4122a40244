"""STA/LTA against a reference library, and the trigger's on, off and dead time."""

import warnings

import numpy as np
import pytest

from tapsig.detectors import detect
from tapsig.detectors.sta_lta import StaLta, run_sta_lta
from tapsig.records import Recording

FS = 1000.0


def ratios(samples: np.ndarray, short: int, long: int) -> np.ndarray:
    """The detector's ratio at every sample; as in the reference, from the second on, and 0 while the average settles.

    A ratio is told at onsets only: over -1 each sample is one, and under inf by the next it has fallen again, so that
    two runs, the second from one sample later on, tell all.
    """
    detector = StaLta(short / FS, long / FS, floor_v=0.0, dead_time_s=0.0, high_pass_hz=0.0).build(FS)
    detector._config.on, detector._config.off = -1.0, np.inf
    out = np.zeros(samples.size)
    for first in (1, 2):
        detector.reset()
        detector._state.ready = first
        at, ratio = run_sta_lta(samples[1:], 1, detector._state, detector._config)
        out[at] = ratio
    out[:long] = 0.0
    return out


def test_the_ratio_has_the_values_of_the_reference_librarys_own_test() -> None:
    # obspy/signal/tests/test_trigger.py: np.random.seed(815), randn(100000), nsta 5, nlta 10
    samples = np.random.RandomState(815).randn(100_000)
    expected = [0.80810165, 0.75939449, 0.91763978, 0.97465004]
    np.testing.assert_allclose(ratios(samples, 5, 10)[99:103], expected, atol=1e-7)


@pytest.mark.parametrize(("short", "long"), [(1, 2), (5, 10), (40, 2400)])
def test_the_ratio_equals_the_reference_librarys(short: int, long: int) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        trigger = pytest.importorskip("obspy.signal.trigger")
    samples = np.random.default_rng(3).standard_normal(20_000) * np.repeat([1.0, 9.0, 0.2, 3.0], 5000)
    expected = trigger.recursive_sta_lta(samples, short, long)
    np.testing.assert_allclose(ratios(samples, short, long), expected, rtol=1e-7, atol=1e-7)


def test_a_step_of_power_is_found_when_the_ratio_passes_on() -> None:
    # Power 1 until n0, then 100: with a short share 1/5 and long 1/300, sta/lta after k samples is
    # (1 + 99(1 - .8^k)) / (1 + 99(1 - (299/300)^k)): over 5 from k = 1 on (15.6), at the first sample of the step.
    samples = np.concatenate([np.ones(8000), np.full(30, 10.0)]) * np.where(np.arange(8030) % 2, 1.0, -1.0)
    found = detect(StaLta(high_pass_hz=0.0, floor_v=0.0, off=1.0), Recording(samples, FS))
    assert found.onset_samples.tolist() == [8000]
    np.testing.assert_allclose(found.strength, 10 * np.log10((1 + 99 * 0.2) / (1 + 99 / 300) / 5), atol=1e-6)


def test_it_must_fall_under_off_before_the_next_tap() -> None:
    sign = np.where(np.arange(4000) % 2, 1.0, -1.0)
    level = np.ones(4000)
    level[2000:] = 10.0
    level[2150:2160] = 60.0  # by now the ratio is near 2.5: over off
    held = StaLta(high_pass_hz=0.0, off=0.5, dead_time_s=0.05)
    free = StaLta(high_pass_hz=0.0, off=4.0, dead_time_s=0.05)
    assert detect(held, Recording(level * sign, FS)).onset_samples.tolist() == [2000]
    assert detect(free, Recording(level * sign, FS)).onset_samples.size == 2


def test_nothing_is_decided_while_the_long_average_settles() -> None:
    samples = np.random.default_rng(0).standard_normal(20_000)
    found = detect(StaLta(lta_s=5.0, floor_v=0.0, on=1.5, off=1.0), Recording(samples, FS))
    assert found.onset_samples.min() >= 5000


def test_silence_is_no_tap_even_without_a_floor() -> None:
    assert len(detect(StaLta(floor_v=0.0), Recording(np.zeros(3000), FS))) == 0
