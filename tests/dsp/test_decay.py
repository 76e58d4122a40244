"""Decay times against closed forms, ISO 3382-1's ranges, and an independent library."""

import math

import numpy as np
import pyroomacoustics
import pytest
from numpy.testing import assert_allclose
from scipy.signal import butter, sosfilt

from tapsig.dsp.decay import OCTAVE_STEP, _filter_octaves, compute_band_decays, compute_decay_curve, list_octaves
from tapsig.errors import ParameterError

FS = 8000.0
SIXTY_DB = 3.0 * math.log(10.0)  # amplitude: 6.9078


def exponential(t60_s: float, length_s: float = 2.0) -> np.ndarray:
    return np.exp(-SIXTY_DB * np.arange(int(FS * length_s)) / FS / t60_s)


def damped(frequency_hz: float, t60_s: float, length_s: float = 2.0, phase: float = 0.3) -> np.ndarray:
    time_s = np.arange(int(FS * length_s)) / FS
    return exponential(t60_s, length_s) * np.sin(2 * np.pi * frequency_hz * time_s + phase)


@pytest.mark.parametrize("measure", ["edt", "t20", "t30"])
@pytest.mark.parametrize("t60_s", [0.05, 0.3, 0.9])
def test_an_exponential_has_the_same_time_by_every_range(measure: str, t60_s: float) -> None:
    # Closed form: energy exp(-13.8155 t / T) falls by 60 dB in T.
    time = compute_decay_curve(exponential(t60_s), FS).compute_time(measure)
    assert_allclose(time.t60_s, t60_s, rtol=1e-4)
    assert_allclose(time.rate_db_per_s, 60 / t60_s, rtol=1e-4)


def test_a_double_slope_tells_the_ranges_apart() -> None:
    # Energy exp(-13.8155 t/0.3) + 1e-3 exp(-13.8155 t/1.5), integrated in closed form and fitted over the ranges of
    # ISO 3382-1: EDT 0.303, T20 0.332, T30 0.566 s.
    time_s = np.arange(int(8 * FS)) / FS
    amplitude = np.sqrt(np.exp(-2 * SIXTY_DB * time_s / 0.3) + 1e-3 * np.exp(-2 * SIXTY_DB * time_s / 1.5))
    curve = compute_decay_curve(amplitude, FS)
    found = [curve.compute_time(measure).t60_s for measure in ("edt", "t20", "t30")]
    assert_allclose(found, [0.303, 0.332, 0.566], rtol=0.01)


@pytest.mark.parametrize(("measure", "decay_db"), [("t20", 20), ("t30", 30)])
def test_noise_like_decays_agree_with_an_independent_library(measure: str, decay_db: int) -> None:
    rng = np.random.default_rng(3)
    for t60_s in (0.2, 0.5, 1.0):
        decay = rng.standard_normal(int(2 * FS)) * exponential(t60_s)
        reference = pyroomacoustics.experimental.measure_rt60(decay, fs=int(FS), decay_db=decay_db)
        assert_allclose(compute_decay_curve(decay, FS).compute_time(measure).t60_s, reference, rtol=0.03)


def test_noise_and_an_early_end_do_not_bend_the_curve() -> None:
    rng = np.random.default_rng(4)
    noisy = damped(300, 0.4) + 10 ** (-50 / 20) * math.sqrt(0.5) * rng.standard_normal(int(2 * FS))
    curve = compute_decay_curve(noisy, FS, noise_power=0.5 * 10**-5.0)
    assert_allclose([curve.compute_time(name).t60_s for name in ("t20", "t30")], 0.4, rtol=0.05)
    cut = compute_decay_curve(damped(300, 0.8)[: int(0.4 * FS)], FS)  # only 30 dB are there
    assert_allclose(cut.compute_time("t20").t60_s, 0.8, rtol=0.01)


def test_a_range_that_noise_or_the_end_cuts_off_gives_nan_and_the_reason() -> None:
    # ISO 3382-1: the noise at least 10 dB under the range, so T20 asks for 35 dB, T30 for 45 dB.
    rng = np.random.default_rng(5)
    noise = 10 ** (-38 / 20) * rng.standard_normal(int(2 * FS))
    curve = compute_decay_curve(
        exponential(0.5) * rng.choice([-1.0, 1.0], int(2 * FS)) + noise, FS, noise_power=10**-3.8
    )
    assert math.isfinite(curve.compute_time("t20").t60_s)
    late = curve.compute_time("t30")
    assert math.isnan(late.t60_s)
    assert math.isnan(late.rate_db_per_s)
    assert "over the noise, 45 dB needed" in late.reason
    short = compute_decay_curve(exponential(1.0)[: int(0.2 * FS)], FS).compute_time("t20")
    assert math.isnan(short.t60_s)
    assert "before it ends, 25 dB needed" in short.reason


@pytest.mark.parametrize("growth_per_s", [0.0, 0.5])
@pytest.mark.parametrize("length_s", [0.3, 0.7, 1.5, 2.0])
def test_a_signal_that_does_not_fall_has_no_decay_time(growth_per_s: float, length_s: float) -> None:
    # The integral of a steady power over what is left is 1 - t/length: it falls by 10 dB at 0.9 of any length.
    time_s = np.arange(int(FS * length_s)) / FS
    tone = np.exp(growth_per_s * time_s) * np.sin(2 * np.pi * 100.0 * time_s)
    noise = np.exp(growth_per_s * time_s) * np.random.default_rng(1).standard_normal(time_s.size)
    for signal in (tone, noise):
        curve = compute_decay_curve(signal, FS)
        assert all(curve.compute_time(measure).reason for measure in ("edt", "t20", "t30"))


@pytest.mark.parametrize("length_s", [0.7, 1.5])
def test_noise_of_unknown_power_does_not_bend_the_curve(length_s: float) -> None:
    # A sinusoid of T60 = 0.4 s over white noise, 37 dB under its start (T20 needs 35) or 17 dB (EDT needs 20).
    rng = np.random.default_rng(4)
    decay = damped(100.0, 0.4, length_s)
    for level_db, measures in ((-37.0, ("edt", "t20")), (-17.0, ())):
        noise = rng.standard_normal(decay.size) * 10 ** (level_db / 20) / math.sqrt(2)
        curve = compute_decay_curve(decay + noise, FS)
        times = {measure: curve.compute_time(measure) for measure in ("edt", "t20", "t30")}
        assert tuple(measure for measure, time in times.items() if not time.reason) == measures
        assert_allclose([times[measure].t60_s for measure in measures], 0.4, rtol=0.03)


def test_silence_and_scraps_have_no_decay_time() -> None:
    for samples in (np.zeros(1000), np.zeros(0), np.ones(3)):
        time = compute_decay_curve(samples, FS).compute_time("edt")
        assert math.isnan(time.t60_s)
        assert time.reason


def test_octaves_have_the_standard_centres() -> None:
    # IEC 61260-1: exact base-ten mid-band frequencies 1000·10^(3n/10); nominal 63, 125, 250, 500, 1000, 2000.
    assert_allclose(list_octaves(8000), [63.096, 125.893, 251.189, 501.187, 1000, 1995.262], rtol=1e-5)


@pytest.mark.parametrize("fs", [1000.0, 8000.0, 44100.0])
def test_octave_filters_equal_those_of_a_reference_library(fs: float) -> None:
    # SciPy's Butterworth band-pass of the third order, run backwards in time.
    values, centres = np.random.default_rng(1).standard_normal(3000), list_octaves(fs)
    for centre, band in zip(centres, _filter_octaves(values, centres, fs), strict=True):
        sections = butter(3, (centre * OCTAVE_STEP**-0.5, centre * OCTAVE_STEP**0.5), "bandpass", fs=fs, output="sos")
        assert_allclose(band, sosfilt(sections, values[::-1])[::-1], atol=1e-11)


def test_bands_of_damped_sinusoids_fall_at_their_own_rates() -> None:
    # Closed form: 60 / T60 in each band: 120, 240 and 300 dB/s.
    ringing = damped(125, 0.5) + damped(500, 0.25, phase=1.0) + damped(2000, 0.2, phase=2.0)
    bands = {round(band.centre_hz): band for band in compute_band_decays(ringing, FS, noise=np.zeros(1))}
    for centre, rate in ((126, 120.0), (501, 240.0), (1995, 300.0)):
        assert_allclose(bands[centre].times["edt"].rate_db_per_s, rate, rtol=0.03)
        assert_allclose(bands[centre].times["t20"].rate_db_per_s, rate, rtol=0.03)


def test_a_band_faster_than_its_filter_says_so() -> None:
    band = compute_band_decays(damped(63, 0.05, phase=1.0), FS, noise=np.zeros(1))[0]  # 44 Hz wide: 4 / 44 Hz = 90 ms
    assert math.isnan(band.best.rate_db_per_s)
    assert "filter" in band.best.reason


def test_bad_input_is_refused_with_its_name() -> None:
    with pytest.raises(ParameterError, match=r"samples has shape \(2, 9\)"):
        compute_decay_curve(np.ones((2, 9)), FS)
    with pytest.raises(ParameterError, match=r"samples\[1\] is inf"):
        compute_decay_curve(np.array([0.0, np.inf, np.nan]), FS)
    with pytest.raises(ParameterError, match="noise_power"):
        compute_decay_curve(np.ones(9), FS, noise_power=-1)
    with pytest.raises(ParameterError, match="measure"):
        compute_decay_curve(np.ones(9), FS).compute_time("t60")
