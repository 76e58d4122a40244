"""Fixed threshold, prominence, spectral flux, chance: what each decides, from closed forms; files in blocks."""

import math
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from tapsig.detectors import CATALOGUE, detect, files, spectral_flux
from tapsig.detectors.chance import Random
from tapsig.detectors.files import detect_wav
from tapsig.detectors.fixed_threshold import FixedThreshold
from tapsig.detectors.prominence import Prominence
from tapsig.detectors.spectral_flux import SpectralFlux
from tapsig.errors import ParameterError, RecordingError
from tapsig.loading import load_recording, write_wav
from tapsig.records import Gap, Recording
from tapsig.testing import make_test_signal

FS = 8000.0


def pulses(at_s: list[float], heights_v: list[float], duration_s: float = 2.0, bias_v: float = 2.5) -> Recording:
    """Single samples over a bias."""
    samples = np.full(int(duration_s * FS), bias_v)
    for time, height in zip(at_s, heights_v, strict=True):
        samples[round(time * FS)] += height
    return Recording(samples, FS)


def test_a_fixed_threshold_takes_departures_of_either_sign_over_it() -> None:
    recording = pulses([0.2, 0.5, 0.8, 1.1], [0.3, -0.3, 0.19, -0.19])
    found = detect(FixedThreshold(threshold_v=0.2), recording)
    np.testing.assert_allclose(recording.times_s(found.onset_samples), [0.2, 0.5])
    # 20 lg(0.3/0.2) = 3.52 dB
    np.testing.assert_allclose(found.strength, 20 * math.log10(1.5), atol=0.01)


def test_a_fixed_threshold_is_deaf_for_its_dead_time_and_hears_again_after_it() -> None:
    recording = pulses([0.2, 0.299, 0.301, 0.41], [0.5] * 4)
    found = detect(FixedThreshold(threshold_v=0.2, dead_time_s=0.1), recording)
    np.testing.assert_allclose(recording.times_s(found.onset_samples), [0.2, 0.301, 0.41])


def test_ringing_longer_than_the_dead_time_triggers_a_fixed_threshold_again() -> None:
    after = np.arange(int(1.5 * FS)) / FS
    samples = np.concatenate([np.zeros(4000), np.sin(2 * np.pi * 100 * after) * np.exp(-6.9078 * after / 1.0)])
    found = detect(FixedThreshold(threshold_v=0.1, dead_time_s=0.1, bias_time_s=10.0), Recording(samples, FS))
    # The ring is over 0.1 of its start for ln(10)/6.9078 s = 0.333 s: the knock, and three times more.
    assert len(found) == 4


def test_the_bias_is_followed_with_its_time_constant() -> None:
    # A step of 1 V is over 0.5 V until exp(-t/time) = 0.5: 0.2·ln 2 = 0.1386 s; the dead time lets it trigger twice.
    samples = np.concatenate([np.zeros(4000), np.ones(8000)])
    variant = FixedThreshold(threshold_v=0.5, dead_time_s=0.1, bias_time_s=0.2)
    assert detect(variant, Recording(samples, FS)).onset_samples.tolist() == [4000, 4800]


def test_prominence_ignores_a_slow_swell_and_hears_the_knock_on_it() -> None:
    times = np.arange(int(4 * FS)) / FS
    swell = 0.2 * (1 - np.cos(2 * np.pi * 0.5 * times)) * np.sin(2 * np.pi * 300 * times)
    knock = np.where(times >= 1.0, np.sin(2 * np.pi * 200 * (times - 1.0)) * np.exp(-(times - 1.0) / 0.03), 0.0)
    variant = Prominence(floor_v=0.05)
    assert len(detect(variant, Recording(swell, FS))) == 0
    found = detect(variant, Recording(swell + 2.5 * knock, FS))
    np.testing.assert_allclose(found.onset_samples / FS, [1.0], atol=0.005)


def test_spectral_flux_times_a_noise_burst_within_10_ms() -> None:
    rng = np.random.default_rng(2)
    samples = 0.001 * rng.standard_normal(int(3 * FS))
    onsets = [0.7, 1.234, 2.1]
    for onset in onsets:
        start = round(onset * FS)
        samples[start : start + 400] += 0.3 * rng.standard_normal(400) * np.exp(-np.arange(400) / 100)
    found = detect(SpectralFlux(), Recording(samples, FS))
    np.testing.assert_allclose(found.onset_samples / FS, onsets, atol=0.01)
    assert math.isinf(SpectralFlux().build(FS).latency_s)


def test_blocks_of_spectra_join_without_a_seam(monkeypatch: pytest.MonkeyPatch) -> None:
    recording = Recording(make_test_signal(FS), FS)
    whole = detect("spectral-flux", recording)
    monkeypatch.setattr(spectral_flux, "_FRAMES", 37)
    assert np.array_equal(detect("spectral-flux", recording).onset_samples, whole.onset_samples)


def test_random_taps_come_at_their_rate_and_are_poisson() -> None:
    recording = Recording(np.zeros(200_000), 100.0)
    onsets = detect(Random(rate_hz=2.0, seed=5), recording).onset_samples / 100.0
    # 4000 expected, standard deviation √4000: four of these; gaps exponential by Kolmogorov–Smirnov.
    assert abs(onsets.size - 4000) < 4 * math.sqrt(4000)
    assert stats.kstest(np.diff(onsets), "expon", args=(0, 0.5)).pvalue > 0.001


def test_random_depends_on_its_seed_only_and_null_hears_nothing() -> None:
    one, other = Recording(np.zeros(9000), 100.0), Recording(np.ones(9000), 100.0)
    first, same = detect(Random(seed=1), one), detect(Random(seed=1), other)
    assert np.array_equal(first.onset_samples, same.onset_samples)
    assert not np.array_equal(first.onset_samples, detect(Random(seed=2), one).onset_samples)
    assert len(detect("null", other)) == 0


@pytest.mark.parametrize("name", list(CATALOGUE))
@pytest.mark.parametrize("fs", [1e-300, 0.5, 1.0, 1e8, 1e300])
def test_a_rate_far_from_any_recording_is_refused_or_taken(name: str, fs: float) -> None:
    try:
        detector = CATALOGUE[name].build(fs)
    except ParameterError:
        return
    assert len(detector.push(np.zeros(100))) <= 200  # random comes at most once a sample on average
    detector.flush()


def test_a_detector_starts_anew_after_a_gap() -> None:
    samples = np.concatenate([np.full(8000, 0.2), np.full(8000, 3.0)])
    cut = Recording(samples, FS, gaps=(Gap(8000, 5.0),))
    assert len(detect("fixed-threshold", cut)) == 0
    assert len(detect("fixed-threshold", Recording(samples, FS))) > 0


def test_a_built_detector_is_refused_at_another_rate_and_with_keep_rejected() -> None:
    with pytest.raises(ParameterError, match="built for 4000 Hz"):
        detect(FixedThreshold().build(4000.0), Recording(np.zeros(10), FS))
    with pytest.raises(ParameterError, match="already built"):
        detect(FixedThreshold().build(FS), Recording(np.zeros(10), FS), keep_rejected=True)


@pytest.mark.parametrize("name", [name for name in CATALOGUE if name not in ("null", "random")])
def test_a_wav_file_in_blocks_gives_what_the_whole_file_gives(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "bench.wav"
    channels = np.stack([np.zeros(32_000), make_test_signal(FS)])
    write_wav(path, channels, FS, full_scale_v=5.0)
    whole = detect(name, load_recording(path, channel=1, full_scale_v=5.0))
    monkeypatch.setattr(files, "BLOCK_SAMPLES", 1001)
    found = detect_wav(CATALOGUE[name], path, channel=1, full_scale_v=5.0)
    assert len(whole) > 0
    assert np.array_equal(found.onset_samples, whole.onset_samples)
    assert np.array_equal(found.strength, whole.strength)
    assert np.array_equal(found.decided_samples, whole.decided_samples)
    assert not found.features  # of a day's detections they take more memory than all else


def test_what_is_no_wav_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "bench.wav"
    path.write_bytes(b"onset_s,kind\n" * 20)
    with pytest.raises(RecordingError, match="bench"):
        detect_wav(FixedThreshold(), path)
