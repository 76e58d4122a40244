"""Adaptive prediction against a plain re-statement of its rule, Burg's method, and closed forms."""

import librosa
import numpy as np
import pytest
from numpy.lib.stride_tricks import sliding_window_view
from scipy import signal, stats

from tapsig.dsp.prediction import ORDER, compute_innovation, decimate
from tapsig.errors import ParameterError


def plain_nlms(samples: np.ndarray, step: float, floor_v: float) -> np.ndarray:
    """NLMS as the textbook writes it (Haykin, Adaptive Filter Theory, ch. 6), in NumPy."""
    padded = np.concatenate([np.zeros(ORDER), samples])
    past = sliding_window_view(padded, ORDER)[:, ::-1]
    weights, errors = np.zeros(ORDER), np.empty(samples.size)
    for n, value in enumerate(samples):
        errors[n] = value - weights @ past[n]
        weights += step * errors[n] * past[n] / (ORDER * floor_v**2 + past[n] @ past[n])
    return errors


def autoregressive(rng: np.random.Generator, size: int) -> tuple[np.ndarray, np.ndarray]:
    """The AR(2) process x[n] = 1.6 x[n-1] - 0.9 x[n-2] + noise, and its noise."""
    noise = rng.standard_normal(size)
    return signal.lfilter([1.0], [1.0, -1.6, 0.9], noise), noise


@pytest.mark.parametrize("step", [0.005, 0.03, 0.5])
def test_innovation_equals_the_textbook_rule(step: float) -> None:
    samples, _ = autoregressive(np.random.default_rng(1), 5000)  # longer than the history's buffer: it wraps
    np.testing.assert_allclose(
        compute_innovation(samples, step=step, floor_v=1e-3), plain_nlms(samples, step, 1e-3), rtol=1e-7, atol=1e-9
    )


def test_innovation_of_an_autoregressive_process_comes_close_to_its_noise() -> None:
    samples, noise = autoregressive(np.random.default_rng(0), 20_000)
    innovation = compute_innovation(samples, step=0.1)[10_000:]
    # Burg's method (librosa.lpc) recovers -1.5989 and 0.8993 here; its residual is what no predictor goes below.
    burg = signal.lfilter(librosa.lpc(samples, order=2), [1.0], samples)[10_000:]
    assert np.mean(burg**2) < np.mean(innovation**2) < 1.25 * np.mean(burg**2) < 0.1 * np.mean(samples**2)
    assert np.corrcoef(innovation, noise[10_000:])[0, 1] > 0.9


def test_impulses_stand_out_of_the_innovation_and_only_they_do() -> None:
    """The recording and its truth: 12 σ impulses into an AR(2) process; a threshold of 6 robust deviations."""
    noise = np.random.default_rng(0).standard_normal(20_000)
    impulses = np.array([5000, 9000, 15_000])
    noise[impulses] += 12.0
    innovation = compute_innovation(signal.lfilter([1.0], [1.0, -1.6, 0.9], noise), step=0.1)[2000:]
    spread = stats.median_abs_deviation(innovation, scale="normal")
    found = np.flatnonzero(np.abs(innovation) > 6.0 * spread) + 2000
    assert set(impulses) <= set(found)
    assert {int(sample - impulses[impulses <= sample][-1]) for sample in found} <= {0, 1, 2}


def test_a_blow_on_a_ringing_panel_stands_out_far_more_in_the_innovation() -> None:
    """Six decaying sinusoids, struck every half second: peak over ring-down, in the innovation and in the signal."""
    time = np.arange(500) / 1000.0
    frequencies, decays = np.array([43.0, 61.0, 97.0, 140.0, 188.0, 263.0]), np.array([4.0, 6.0, 5.0, 7.0, 9.0, 12.0])
    once = (np.sin(2 * np.pi * np.outer(time, frequencies)) * np.exp(-np.outer(time, decays))).sum(axis=1)
    samples = np.tile(once, 60) + 1e-3 * np.random.default_rng(3).standard_normal(30_000)

    def contrast_db(series: np.ndarray) -> float:
        struck = series.reshape(60, 500)[-10:] ** 2
        return float(10 * np.log10(struck[:, :12].max(axis=1).mean() / struck[:, 60:300].mean()))

    innovation = compute_innovation(samples)
    assert contrast_db(innovation) > contrast_db(samples) + 10.0
    assert (np.abs(innovation).reshape(60, 500)[-10:].argmax(axis=1) < 5).all()


@pytest.mark.parametrize("ratio", [1, 4, 8, 48])
def test_decimation_by_a_whole_number_is_a_mean_over_each_block(ratio: int) -> None:
    samples = np.random.default_rng(2).standard_normal(ratio * 50)
    expected = samples.reshape(50, ratio).mean(axis=1)
    np.testing.assert_allclose(decimate(samples, ratio * 1000.0), expected, atol=1e-12)


@pytest.mark.parametrize("fs", [1500.0, 44_100.0])
def test_decimation_shares_out_a_sample_on_an_edge(fs: float) -> None:
    """The sum of all blocks is the integral of the held samples."""
    samples = np.random.default_rng(4).standard_normal(int(fs))
    assert decimate(samples, fs).sum() / 1000.0 == pytest.approx(samples.sum() / fs, abs=1e-12)


def test_decimation_attenuates_as_an_integrator_over_a_millisecond_does() -> None:
    """|H(f)| = |sin(πf/1000)/(πf/1000)|, the transform of a rectangle of 1 ms."""
    fs, hz = 96_000.0, 730.0
    time = np.arange(int(fs)) / fs
    blocks = decimate(np.cos(2 * np.pi * hz * time), fs)
    assert np.sqrt(2 * np.mean(blocks**2)) == pytest.approx(abs(np.sinc(hz / 1000.0)), rel=1e-3)


@pytest.mark.parametrize("step", [0.0, 2.0, np.nan])
def test_a_step_outside_its_range_is_refused(step: float) -> None:
    with pytest.raises(ParameterError, match="step"):
        compute_innovation(np.zeros(10), step=step)


def test_two_channels_are_refused() -> None:
    with pytest.raises(ParameterError, match=r"\(10, 2\)"):
        compute_innovation(np.zeros((10, 2)))
