"""Spectral flux against a reference library: spectra, flux and picking."""

import librosa
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapsig.detectors.spectral_flux import SpectralFlux
from tapsig.testing import make_test_signal


@pytest.mark.parametrize("fs", [678.0, 8000.0, 44_100.0])
def test_the_flux_is_the_reference_librarys(fs: float) -> None:
    variant = SpectralFlux()
    detector = variant.build(fs)
    samples = make_test_signal(fs) + 0.01 * np.random.default_rng(5).standard_normal(make_test_signal(fs).size)
    hop, frame = detector._hop, detector._frame
    padded = np.concatenate([np.zeros(frame), samples - samples[0]])
    bands = np.fft.rfftfreq(frame, 1.0 / fs)
    counted = (bands >= min(variant.low_hz, fs / 4)) & (bands <= variant.high_hz)
    power = np.abs(librosa.stft(padded, n_fft=frame, hop_length=hop, center=False)[counted]) ** 2
    level = librosa.power_to_db(power, ref=1.0, amin=(variant.floor_v * frame / 4.0) ** 2, top_db=None)
    expected = librosa.onset.onset_strength(S=level, sr=fs, hop_length=hop, center=False)
    np.testing.assert_allclose(detector._compute_flux(samples), expected, atol=1e-9)


@given(st.lists(st.integers(0, 12), min_size=1, max_size=200), st.integers(0, 60))
def test_the_peaks_are_the_reference_librarys(steps: list[int], wait_ms: int) -> None:
    # Steps of 1/4 are exact in binary, so that a flux that just reaches the threshold is decided alike.
    flux = np.array(steps) / 4.0
    detector = SpectralFlux(dead_time_s=1e-3 * wait_ms).build(8000.0)
    rate = 8000.0 / detector._hop
    expected = librosa.util.peak_pick(
        flux, pre_max=3, post_max=3, pre_avg=round(0.1 * rate), post_avg=1, delta=1.5, wait=round(1e-3 * wait_ms * rate)
    )
    assert detector._pick(flux).tolist() == expected.tolist()
