"""The first-order high-pass against scipy and against its own formula; it begins settled."""

import math

import numpy as np
import pytest
from scipy import signal

from tapsig.dsp.filters import high_pass_time_s, one_pole_coefficient, remove_slow
from tapsig.errors import ParameterError

FS = 8000.0


def high_pass(samples: np.ndarray, cutoff_hz: float, fs: float = FS) -> np.ndarray:
    share = one_pole_coefficient(high_pass_time_s(cutoff_hz, fs), fs)
    return remove_slow(samples, np.zeros(2), share)


def test_a_step_decays_with_its_time_constant() -> None:
    # Closed form: after a step the remainder is exp(-t/time) times the step.
    time_s = 0.01
    out = remove_slow(np.concatenate([np.zeros(10), np.ones(400)]), np.zeros(2), one_pole_coefficient(time_s, FS))
    np.testing.assert_allclose(out[10:], np.exp(-np.arange(400) / FS / time_s), rtol=1e-9)


def test_it_equals_scipys_filter_of_the_same_coefficients() -> None:
    samples = np.random.default_rng(1).standard_normal(5000) + 2.5
    share = one_pole_coefficient(0.005, FS)
    # y[n] = x[n] - m[n], m[n+1] = m[n] + share y[n]  <=>  H(z) = (1 - z⁻¹)/(1 - (1 - share) z⁻¹)
    b, a = [1.0, -1.0], [1.0, -(1.0 - share)]
    expected, _ = signal.lfilter(b, a, samples, zi=signal.lfiltic(b, a, [0.0], [samples[0]]))
    np.testing.assert_allclose(remove_slow(samples, np.zeros(2), share), expected, atol=1e-10)


@pytest.mark.parametrize("cutoff_hz", [20.0, 60.0, 200.0])
def test_the_cutoff_is_attenuated_by_3_db(cutoff_hz: float) -> None:
    fs = 48_000.0
    samples = np.sin(2 * np.pi * cutoff_hz * np.arange(int(2 * fs)) / fs)
    level = np.sqrt(2 * np.mean(high_pass(samples, cutoff_hz, fs)[int(fs) :] ** 2))
    # |H(fc)| = 1/√2 for a first-order high-pass; sampled, it is larger by half the share, about π·fc/fs.
    assert level == pytest.approx(math.sqrt(0.5) * (1 + math.pi * cutoff_hz / fs), rel=1e-3)


@pytest.mark.parametrize(("fs", "level_db"), [(FS, -2.94), (400.0, -1.68)])
def test_at_low_rates_the_cutoff_is_attenuated_by_less(fs: float, level_db: float) -> None:
    # The transfer function (1 - z⁻¹)/(1 - (1 - share) z⁻¹), by scipy; the figures are those of high_pass_time_s.
    share = one_pole_coefficient(high_pass_time_s(20.0, fs), fs)
    gain = np.abs(signal.freqz([1.0, -1.0], [1.0, share - 1.0], worN=[20.0], fs=fs)[1][0])
    assert 20 * math.log10(gain) == pytest.approx(level_db, abs=0.01)
    samples = np.sin(2 * np.pi * 20.0 * np.arange(int(4 * fs)) / fs)
    level = np.sqrt(2 * np.mean(high_pass(samples, 20.0, fs)[int(2 * fs) :] ** 2))
    assert level == pytest.approx(gain, rel=1e-3)


def test_state_carries_over_chunks_bit_for_bit() -> None:
    samples = np.random.default_rng(2).standard_normal(999)
    whole = remove_slow(samples, np.zeros(2), 0.05)
    state = np.zeros(2)
    parts = [remove_slow(samples[start : start + 17], state, 0.05) for start in range(0, 999, 17)]
    assert np.array_equal(np.concatenate(parts), whole)


@pytest.mark.parametrize("cutoff_hz", [0.0, -1.0, 4000.0, math.nan])
def test_a_cutoff_outside_the_band_is_refused(cutoff_hz: float) -> None:
    with pytest.raises(ParameterError, match="between 0 and 4000"):
        high_pass_time_s(cutoff_hz, FS)


@pytest.mark.parametrize(("time_s", "fs"), [(0.0, FS), (math.inf, FS), (0.1, 0.0)])
def test_impossible_times_are_refused(time_s: float, fs: float) -> None:
    with pytest.raises(ParameterError):
        one_pole_coefficient(time_s, fs)
