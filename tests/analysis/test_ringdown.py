"""Ring-downs of a recording: simulated modes as the truth, closed forms for decay, and bad input."""

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from tapsig.analysis.loudness import Loudness
from tapsig.analysis.ringdown import compute_ringdown
from tapsig.comparison.levels import measure_levels
from tapsig.errors import LabelError, ParameterError, RecordingError
from tapsig.records import Finding, Gap, Label, Recording
from tapsig.simulation import simulate_scene
from tests.fakes import ring_down

FS = 2000.0
TAPS = (0.5, 1.3, 2.1, 2.9)


def record(
    modes: list[tuple[float, float]],
    taps: tuple[float, ...] = TAPS,
    *,
    noise_v: float = 1e-3,
    bias_v: float = 1.6,
    labels: tuple[Label, ...] | None = None,
    **fields: object,
) -> Recording:
    rng = np.random.default_rng(1)
    time_s = np.arange(int(4 * FS)) / FS
    samples = bias_v + noise_v * rng.standard_normal(time_s.size)
    for tap in taps:
        since = np.maximum(time_s - tap, 0)
        for frequency, t60_s in modes:
            wave = np.exp(-6.9078 * since / t60_s) * np.cos(2 * np.pi * frequency * since + rng.uniform(0, 6))
            samples += (time_s >= tap) * wave * rng.uniform(0.3, 0.5)
    labels = tuple(map(Label, taps)) if labels is None else labels
    return Recording(samples, FS, labels=labels, **fields)  # type: ignore[arg-type]


def test_modes_and_decay_of_known_sinusoids() -> None:
    result = compute_ringdown(record([(125.0, 0.4), (500.0, 0.25)]))
    found = sorted(result.dominant, key=lambda mode: mode.frequency_hz)
    assert_allclose([mode.frequency_hz for mode in found], [125.0, 500.0], rtol=0.005)
    assert_allclose([mode.t60_s for mode in found], [0.4, 0.25], rtol=0.05)
    assert_allclose(result.t60_s, 0.4, rtol=0.05)
    bands = {band.nominal_hz: band for band in result.bands[1:]}
    assert_allclose(bands[125].times_s["t20"], 0.4, rtol=0.05)
    assert_allclose(bands[500].times_s["t20"], 0.25, rtol=0.05)
    assert_allclose(bands[500].rate_db_per_s, 240, rtol=0.05)
    assert math.isnan(result.bands[0].centre_hz)
    assert result.taps_used == 4
    assert_allclose(result.noise_v, 1e-3, rtol=0.2)


@pytest.mark.parametrize("seed", [1, 2, 4])
def test_the_simulator_s_modes_are_found_on_the_inner_skin(seed: int) -> None:
    # The truth is the simulator's own eigenvalues, which no recording tells.
    simulated = simulate_scene("crane", "quiet", positions=["inner-skin"], duration_s=20.0, seed=seed)
    truth = simulated.truth
    result = compute_ringdown(simulated.recordings["inner-skin"], highest_hz=400.0)
    ringing = [mode for mode in result.dominant if mode.damping < 0.02]  # what makes a panel ring
    assert ringing
    for mode in ringing:
        near = np.abs(truth.frequencies_hz - mode.frequency_hz) < 0.005 * mode.frequency_hz
        assert near.any(), mode
        assert np.min(np.abs(truth.t60_s[near] / mode.t60_s - 1)) < 0.1, mode


def test_octaves_are_called_by_their_nominal_frequencies() -> None:
    # IEC 61260-1, nominal mid-band frequencies (from memory)
    bands = compute_ringdown(record([(125.0, 0.4)])).to_dict()["bands"]
    assert [band["nominal_hz"] for band in bands[1:]] == [63.0, 125.0, 250.0, 500.0]  # type: ignore[index]


def test_beating_is_reported_with_the_difference_frequency() -> None:
    result = compute_ringdown(record([(120.0, 0.6), (126.0, 0.6)]))
    assert len(result.beats) == 1
    assert_allclose(result.beats[0].period_s, 1 / 6.0, rtol=0.02)  # beat frequency = difference, textbook
    assert result.beats[0].depth_db > 6
    assert not compute_ringdown(record([(120.0, 0.4), (300.0, 0.4)])).beats


def test_an_event_of_another_kind_ends_a_ring_down_and_a_rebound_delays_it() -> None:
    both = (*map(Label, TAPS), Label(0.6, "slam"), Label(1.33, "rebound"))
    result = compute_ringdown(record([(125.0, 0.4)], labels=both))
    assert result.taps_used == 3
    assert list(result.left_out.values()) == [1]
    lengths = sorted(values.size for values in result.ringdowns)
    assert lengths[0] == pytest.approx((0.8 - 0.03 - 0.03 - 0.002) * FS, abs=2)


def test_one_tap_gives_modes_without_uncertainty() -> None:
    result = compute_ringdown(record([(125.0, 0.4)], (0.5,)))
    assert_allclose(result.dominant[0].t60_s, 0.4, rtol=0.05)
    assert math.isnan(result.dominant[0].t60_se_s)
    assert result.to_dict()["modes"][0]["q"] == pytest.approx(result.dominant[0].q)


def test_a_gap_shorter_than_a_sample_of_the_slowed_recording_is_kept() -> None:
    whole = record([(40.0, 0.6)])
    cut = replace(whole, gaps=(Gap(whole.samples.size // 2 + 3, 1e-4),))
    [mode] = compute_ringdown(cut, highest_hz=60.0).dominant  # at 60 Hz every 20th sample or so is kept
    assert_allclose(mode.frequency_hz, 40.0, rtol=0.01)


def test_what_cannot_ring_is_refused_with_the_reason() -> None:
    quiet = record([(125.0, 0.4)])
    with pytest.raises(LabelError, match="no taps"):
        compute_ringdown(replace(quiet, labels=()))
    with pytest.raises(LabelError, match="its labels hold none"):
        compute_ringdown(Recording(np.zeros(8000), FS, labels=(Label(0.5, "slam"),)))
    with pytest.raises(RecordingError, match="under 112 ms before"):
        compute_ringdown(Recording(np.zeros(20), FS, labels=(Label(0.001),)))
    rails = Recording(np.clip(quiet.samples, 1.55, 1.65), FS, labels=quiet.labels, range_v=(1.55, 1.65))
    with pytest.raises(RecordingError, match="clipped"):
        compute_ringdown(rails)
    with pytest.raises(ParameterError, match="highest_hz is 5"):
        compute_ringdown(quiet, highest_hz=5.0)
    for outside_s in (-0.5, 1e3):  # what rings at the start is not the answer to a tap before it
        with pytest.raises(ParameterError, match="onsets_s is"):
            compute_ringdown(quiet, onsets_s=[0.5, outside_s])
    with pytest.raises(RecordingError, match="50 Hz is too slow"):
        compute_ringdown(Recording(np.zeros(500), 50.0, labels=(Label(1.0),)))
    with pytest.raises(RecordingError, match="no tap has a usable ring-down"):
        compute_ringdown(Recording(np.arange(5.0), 44100.0, labels=(Label(0.0),)))  # shorter than the noise's window
    with pytest.raises(RecordingError, match="holds no samples"):
        compute_ringdown(Recording([], FS), onsets_s=[0.1])


def test_at_a_rate_too_low_for_a_peak_nothing_decays() -> None:
    few = Recording(np.sin(np.arange(9.0)), 1.0, labels=(Label(2.0), Label(7.0)))  # 30 ms, a peak, hold no sample
    assert math.isnan(measure_levels(few).ringdown_s)
    assert Loudness(few).t60_s == 1.5  # what is assumed where no tap can be measured (see `analysis.causes`)


def test_modes_are_refused_where_lost_samples_were_filled_in() -> None:
    # Closed form: a straight line across one lost sample misses a sinusoid by 1 − cos(ω/fs) of itself. With a tenth of
    # the samples lost, −20 dB is reached at 1 − cos = √0.1: 0.1302 of the rate.
    whole = record([(125.0, 0.4), (500.0, 0.25)])
    lost = np.arange(1, whole.samples.size, 10)
    samples = whole.samples.copy()
    samples[lost] = 0.5 * (samples[lost - 1] + samples[(lost + 1) % samples.size])
    finding = Finding("lost-samples", "single samples are missing", count=lost.size)
    result = compute_ringdown(replace(whole, samples=samples, findings=(finding,)))
    assert_allclose(result.modes_to_hz, FS * math.acos(1 - math.sqrt(0.1)) / (2 * math.pi), rtol=1e-6)
    assert_allclose(result.dominant[0].frequency_hz, 125.0, rtol=0.005)
    assert max(mode.frequency_hz for mode in result.modes) < result.modes_to_hz < 300.0
    assert result.refused.startswith("10 % of the samples were lost and filled in")
    assert compute_ringdown(whole).refused == ""


def test_no_modes_are_given_where_the_grid_is_laid_by_the_loader_and_slow() -> None:
    slow = Recording(
        record([(40.0, 0.4)]).samples[::8],
        250.0,
        labels=tuple(map(Label, TAPS)),
        findings=(Finding("resampled", "laid on a grid"),),
    )
    result = compute_ringdown(slow)
    assert (result.modes, result.beats) == ((), ())
    assert "resampled to an even grid" in result.refused


def test_a_fast_recording_gives_the_modes_of_the_band_asked_for_and_its_own_clipping() -> None:
    fs, rng = 44100.0, np.random.default_rng(3)
    time_s = np.arange(int(3 * fs)) / fs
    samples = 1e-3 * rng.standard_normal(time_s.size)
    for tap in (0.4, 1.6):
        for hz, t60_s in ((125.0, 0.4), (1500.0, 0.3)):
            samples += 0.4 * ring_down(time_s, tap, hz, t60_s, wave=np.sin)
    gapped = Recording(samples, fs, labels=(Label(0.4), Label(1.6 + 2.0)), gaps=(Gap(int(1.2 * fs) + 1, 2.0),))
    result = compute_ringdown(gapped)
    assert result.taps_used == 2
    assert result.fs == fs / 5
    found = sorted(result.dominant, key=lambda mode: mode.frequency_hz)
    assert_allclose([mode.frequency_hz for mode in found], [125.0, 1500.0], rtol=1e-3)
    assert_allclose([mode.t60_s for mode in found], [0.4, 0.3], rtol=0.05)
    expected = np.sort([0.4 * np.exp(-6.9078 * 0.03 / t60_s) for t60_s in (0.4, 0.3)])  # at settle_s after the onset
    assert_allclose(np.sort([mode.amplitude for mode in found]), expected, rtol=0.05)
    rails = replace(gapped, samples=np.clip(samples, -0.3, 0.3), range_v=(-0.3, 0.3), gaps=(), labels=gapped.labels[:1])
    with pytest.raises(RecordingError, match="clipped"):
        compute_ringdown(rails)


def test_a_constant_recording_has_no_modes() -> None:
    result = compute_ringdown(Recording(np.full(8000, 2.5), FS, labels=(Label(1.0),)))
    assert result.modes == ()
    assert math.isnan(result.t60_s)
    assert all(math.isnan(band.rate_db_per_s) and band.reason for band in result.bands)


@pytest.mark.parametrize("level", [512.0, 512.4])
@pytest.mark.parametrize(("peak", "noise"), [(10, 0.1), (20, 0.0), (20, 0.1), (60, 0.5), (200, 0.0), (200, 0.1)])
def test_a_quiet_converter_of_few_counts_gives_the_true_decay_or_none(peak: float, noise: float, level: float) -> None:
    # One mode, put in: 183 Hz with a T60 of 0.3 s; what is given is within 5 %, what cannot be has a reason.
    rng, fs, step = np.random.default_rng(1), 8000.0, 5 / 1024
    time_s, taps = np.arange(int(17 * fs)) / fs, 0.5 + np.arange(16.0)
    counts = level + noise * rng.standard_normal(time_s.size)
    for tap in taps:
        counts += rng.uniform(0.7, 1) * peak * ring_down(time_s, tap, 183.0, 0.3, wave=np.sin)
    samples, labels = step * np.round(counts) - 2.5, tuple(map(Label, taps))
    recording = Recording(samples, fs, labels=labels, range_v=(-2.5, 2.5), adc_bits=10)
    for one in (recording, replace(recording, range_v=None, adc_bits=None)):
        result = compute_ringdown(one)
        if result.modes:
            assert [round(mode.frequency_hz) for mode in result.dominant] == [183]
            assert_allclose(result.t60_s, 0.3, rtol=0.05)
        else:
            assert (peak <= 20, noise, level) == (True, 0.1, 512.4)
            assert "no ring-down stays above the counts of its rest" in result.refused
        for name in ("t20", "t30"):
            times = [band.times_s[name] for band in result.bands if band.taps[name] > 8]
            assert_allclose(times, 0.3, rtol=0.05)
        assert result.bands[0].taps["t20"] or "dB over the noise" in result.bands[0].reason
        assert_allclose([measure_levels(one).ringdown_s, Loudness(one).t60_s], 0.3, rtol=0.06)
