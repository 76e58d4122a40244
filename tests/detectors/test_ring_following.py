"""The threshold follows the ring-down: second knocks are heard, the ringing itself is not. Synthetic, closed forms."""

import numpy as np
import pytest

from tapsig.detectors import detect
from tapsig.detectors.fixed_threshold import FixedThreshold
from tapsig.detectors.ring_following import RingFollowing
from tapsig.errors import ParameterError
from tapsig.records import Recording
from tapsig.scoring.matching import match_onsets
from tests.fakes import ring_down

FS = 8000.0


def knocks(onsets_s: list[float], t60_s: float, *, peaks_v: list[float] | None = None, fs: float = FS) -> Recording:
    """Damped sinusoids (amplitude down 60 dB in `t60_s`) from each onset, over 1 mV noise and a bias of 2.5 V."""
    rng = np.random.default_rng(1)
    times = np.arange(int((onsets_s[-1] + 2.0) * fs)) / fs
    samples = 2.5 + 0.001 * rng.standard_normal(times.size)
    for onset, peak in zip(onsets_s, peaks_v or [0.5] * len(onsets_s), strict=True):
        for mode in (93.0, 161.0, 240.0, 377.0):
            samples += peak / 2 * ring_down(times, onset, mode, t60_s, wave=np.sin)
    return Recording(samples, fs)


PAIRS = [0.6, 0.78, 1.9, 2.08, 3.2, 3.38, 4.5, 4.68, 5.8, 5.98]


@pytest.mark.parametrize(
    ("t60_s", "fs", "gain"),
    [(t60_s, FS, 1.0) for t60_s in (0.1, 0.3, 0.6, 1.0)]
    + [(0.4, fs, 1.0) for fs in (1000.0, 2000.0, 16_000.0, 48_000.0)]
    + [(0.4, FS, gain) for gain in (0.25, 4.0)],  # 12 dB
)
def test_pairs_180_ms_apart_are_both_heard_while_the_panel_rings(t60_s: float, fs: float, gain: float) -> None:
    samples = knocks(PAIRS, t60_s, fs=fs).samples
    found = detect(RingFollowing(), Recording(2.5 + (samples - 2.5) * gain, fs))
    np.testing.assert_allclose(found.onset_samples / fs, PAIRS, atol=0.01)


def test_firm_and_soft_pairs_are_heard_where_no_fixed_threshold_hears_them_without_an_error() -> None:
    recording = knocks(PAIRS, 0.6, peaks_v=[0.5, 0.5, 0.1, 0.1] * 2 + [0.5, 0.5])  # 14 dB apart
    found = detect(RingFollowing(), recording)
    np.testing.assert_allclose(found.onset_samples / FS, PAIRS, atol=0.01)
    for threshold_v in np.geomspace(0.01, 1.0, 25):
        plain = detect(FixedThreshold(threshold_v=threshold_v), recording).onset_samples / FS
        matching = match_onsets(np.array(PAIRS), plain, window_s=0.05)
        assert len(matching.missed) + len(matching.spurious) > 0


def test_knocks_as_close_as_real_ones_are_heard() -> None:
    onsets = [0.6, 0.712, 0.824]  # 112 ms: the fastest real knocking measured
    found = detect(RingFollowing(), knocks(onsets, 0.15))
    np.testing.assert_allclose(found.onset_samples / FS, onsets, atol=0.01)


def test_a_decay_that_is_given_stands_for_the_learnt_one() -> None:
    # 60 dB in 0.6 s is 100 dB/s. Told a far slower decay, the mark stays up and hides the second knocks.
    recording = knocks(PAIRS, 0.6)
    assert len(detect(RingFollowing(decay_db_s=100.0), recording)) == len(PAIRS)
    assert len(detect(RingFollowing(decay_db_s=5.0), recording)) < len(PAIRS)


@pytest.mark.parametrize(("t60_s", "decay_db_s"), [(0.15, 400.0), (0.3, 200.0), (0.6, 100.0)])
def test_the_decay_is_learnt_from_the_ring_downs_heard(t60_s: float, decay_db_s: float) -> None:
    # Closed form: 60 dB/T60. Peaks of beating modes scatter, and five ring-downs are few.
    detector = RingFollowing().build(FS)
    detector.push(knocks(PAIRS, t60_s).samples)
    assert detector.decay_db_s == pytest.approx(decay_db_s, rel=0.3)


def test_a_softer_second_knock_needs_the_ring_to_have_fallen() -> None:
    # 20 dB softer, 180 ms later: hidden at 40 dB/s (7 dB down), heard at 600 dB/s (108 dB down).
    peaks = [0.5, 0.05] * 5
    assert len(detect(RingFollowing(decay_db_s=600.0), knocks(PAIRS, 0.1, peaks_v=peaks))) == 10
    assert len(detect(RingFollowing(decay_db_s=40.0), knocks(PAIRS, 1.5, peaks_v=peaks))) == 5


def test_the_dead_time_is_kept() -> None:
    found = detect(RingFollowing(dead_time_s=0.25), knocks(PAIRS, 0.1))
    assert np.diff(found.onset_samples).min() >= 0.25 * FS - 8
    assert len(found) == len(PAIRS) // 2


def test_its_latency_is_a_millisecond_and_a_sample() -> None:
    assert RingFollowing().build(FS).latency_s <= 0.001 + 1 / FS + 1e-12


def test_limits_out_of_order_are_refused_and_when_built_a_cutoff_over_half_the_rate() -> None:
    with pytest.raises(ParameterError, match="decay_limits_db_s"):
        RingFollowing(decay_limits_db_s=(9.0, 3.0))
    with pytest.raises(ParameterError, match="between 0 and 50"):
        RingFollowing().build(100.0)
