"""Rates, gaps and wraps of logs against the arithmetic that made them."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.ndimage import uniform_filter1d

from tapsig.errors import RecordingError
from tapsig.loading import LoadReport
from tapsig.loading.clock import _smooth
from tapsig.records import Recording
from tests.fakes import TEN_BITS, read_columns


def read_stamps(
    folder: Path, stamps: np.ndarray, unit: str = "us", *, fs: float | None = None
) -> tuple[Recording, LoadReport]:
    """A log of a 10-bit converter with whole stamps."""
    values = (512 + np.arange(stamps.size) % 7).tolist()
    return read_columns(folder, f"{unit},adc", stamps.tolist(), values, options=replace(TEN_BITS, fs=fs))


@pytest.mark.parametrize(("unit", "per_second"), [("us", 10**6), ("ms", 10**3)])
def test_32_bit_counter_wraps_and_time_goes_on(tmp_path: Path, unit: str, per_second: int) -> None:
    """2**32 µs = 71.58 min, 2**32 ms = 49.7 days (exact arithmetic)."""
    step = per_second // 500
    stamps = (2**32 - 300 * step + step * np.arange(1000)) % 2**32
    recording, report = read_stamps(tmp_path, stamps, unit)
    assert report.codes() == ("counter-wrap",)
    assert recording.fs == pytest.approx(500.0, rel=1e-9)
    assert recording.gaps == ()
    assert recording.samples.size == 1000


def test_counter_that_wraps_again_and_again_keeps_every_hour(tmp_path: Path) -> None:
    """Wraps at 100, 4395 and 8690 s of 10 000 s."""
    stamps = (2**32 - 10**8 + 2_000_000 * np.arange(5000, dtype=np.int64)) % 2**32
    recording, report = read_stamps(tmp_path, stamps)
    assert recording.span_s == pytest.approx(10_000.0)
    assert report.findings[0].count == 3


@pytest.mark.parametrize(
    ("first", "first_after"),
    [*((3_000_000_000, after) for after in (0, 900, 5_000, 900_000)), (2**32 - 500_000, 900_000)],
)
def test_restart_far_from_the_wrap_is_no_wrap(tmp_path: Path, first: int, first_after: int) -> None:
    """The last pair of stamps fits a counter that wrapped in a pause as well as a restart: no wrap is assumed."""
    stamps = np.concatenate([first + 1000 * np.arange(500), first_after + 1000 * np.arange(200)])
    recording, report = read_stamps(tmp_path, stamps)
    assert report.codes() == ("clock-restart",)
    assert report.findings[0].count == 200
    assert recording.samples.size == 500


def test_rate_comes_from_the_span_of_gap_free_stretches(tmp_path: Path) -> None:
    """Coarse stamps: 678 Hz in whole milliseconds; two pauses of 0.3 and 2 s do not count."""
    times = np.arange(6000) / 678.0 + np.repeat([0.0, 0.3, 2.3], 2000)
    stamps = np.floor(times * 1000 + 5000).astype(np.int64)
    recording, report = read_stamps(tmp_path, stamps, "ms")
    assert recording.fs == pytest.approx(678.0, rel=5e-4)
    assert [gap.sample for gap in recording.gaps] == [2000, 4000]
    np.testing.assert_allclose([gap.duration_s for gap in recording.gaps], [0.3, 2.0], atol=2e-3)
    assert len(report.stretches) == 3
    assert np.abs(recording.times_s(np.arange(6000)) - times).max() < 2.1e-3


@pytest.mark.parametrize("phase", [0.0, 0.25, 0.437, 0.999])
@pytest.mark.parametrize("seconds", [3, 4, 60])
def test_the_rate_of_coarse_stamps_comes_from_where_they_change(tmp_path: Path, phase: float, seconds: int) -> None:
    """Whole seconds at 1 kHz: from one change to another there are 1000 samples a second, whatever the phase."""
    stamps = np.floor(np.arange(1000 * seconds) / 1000 + phase).astype(np.int64)
    recording, report = read_stamps(tmp_path, stamps, "time_s")
    assert recording.fs == pytest.approx(1000.0, rel=1e-9)
    assert report.codes() == ("coarse-stamps",)
    assert f"up to {100 / (1000 * (stamps[-1] - 1)):.2g} %" in report.findings[0].message


def test_stamps_that_change_once_give_no_rate_and_the_call_does(tmp_path: Path) -> None:
    """Whole seconds over 1.5 s at 1 kHz: at the one change, any rate from 500 Hz on is possible."""
    stamps = np.floor(np.arange(1500) / 1000 + 0.3).astype(np.int64)
    with pytest.raises(RecordingError, match=r"stamps change too seldom .* give fs="):
        read_stamps(tmp_path, stamps, "time_s")
    recording, report = read_stamps(tmp_path, stamps, "time_s", fs=1000.0)
    assert recording.fs == 1000.0
    assert recording.duration_s == 1.5
    assert report.codes() == ("coarse-stamps",)


def test_single_losses_are_filled_in_and_no_time_moves(tmp_path: Path) -> None:
    """100 of 20 000 lines lost: every sample that is there keeps its value at the time of its stamp."""
    rng = np.random.default_rng(1)
    kept = np.sort(rng.choice(np.arange(1, 20_000), 19_899, replace=False))
    kept = np.concatenate([[0], kept])
    values = 300 + rng.integers(0, 400, 20_000)
    recording, report = read_columns(tmp_path, "us,adc", 10_000 + 1000 * kept, values[kept])
    lost = int(kept[-1] + 1 - kept.size)
    assert report.codes() == ("lost-samples",)
    assert report.find("lost-samples").count == lost
    assert recording.gaps == ()
    assert recording.fs == pytest.approx(1000.0, rel=1e-9)
    np.testing.assert_allclose(recording.times_s(kept), kept / 1000, atol=1e-9)
    np.testing.assert_allclose(recording.samples[kept], values[kept] * 5 / 1024, atol=1e-12)


@pytest.mark.parametrize("share", [0.005, 0.03, 0.2])
@pytest.mark.parametrize(("unit", "per_second"), [("us", 10**6), ("ms", 10**3)])
def test_onsets_do_not_wander_where_lines_are_lost_unevenly(
    tmp_path: Path, share: float, unit: str, per_second: int
) -> None:
    """Lines are lost in the second minute only, as where a card is slow: 20 marks must stay at their stamps."""
    rng = np.random.default_rng(3)
    count = 120_000
    lost = (np.arange(count) > count // 2) & (rng.random(count) < share)
    marks = np.arange(3000, count, 6000)
    values = 512 + rng.integers(-3, 4, count)
    for mark in marks:
        values[mark : mark + 30], lost[mark - 1 : mark + 2] = 900, False
    stamps = np.arange(count) * (per_second // 1000)
    recording, report = read_columns(tmp_path, f"{unit},adc", stamps[~lost], values[~lost])
    high = recording.samples > 3.8
    onsets = np.flatnonzero(high & ~np.concatenate([[False], high[:-1]]))
    times = recording.times_s(onsets)
    nearest = np.abs(times[:, None] - marks / 1000).min(axis=0)
    assert nearest.max() < 1e-4
    assert report.find("lost-samples") is not None


def test_a_rate_that_wanders_is_laid_on_a_grid_by_its_stamps(tmp_path: Path) -> None:
    """A loop without a timer: the period creeps by ±0.5 %, which alone moves the mean grid by 50 ms."""
    count = 60_000
    times = np.cumsum(np.concatenate([[0.0], 1e-3 * (1 + 0.005 * np.sin(np.arange(count - 1) * 2 * np.pi / count))]))
    values = np.round(512 + 300 * np.sin(2 * np.pi * 3 * times)).astype(int)
    recording, report = read_columns(tmp_path, "us,adc", np.round(1e6 * times).astype(int), values)
    assert report.codes() == ("resampled",)
    ideal = (512 + 300 * np.sin(2 * np.pi * 3 * recording.times_s(np.arange(recording.samples.size)))) * 5 / 1024
    assert np.abs(recording.samples - ideal).max() < 1.1 * 5 / 1024  # half a count of rounding, and the straight lines


@pytest.mark.parametrize("reach", [0, 1, 4])
def test_coarse_stamps_are_smoothed_by_a_moving_mean(reach: int) -> None:
    """Against scipy.ndimage.uniform_filter1d, whose edges repeat as well."""
    values = np.random.default_rng(4).normal(size=40)
    expected = uniform_filter1d(values, 2 * reach + 1, mode="nearest")
    np.testing.assert_allclose(_smooth(values, reach), expected, atol=1e-12)


def test_a_coarse_clock_that_wanders_keeps_its_times_within_a_stamp(tmp_path: Path) -> None:
    """2 kHz in whole milliseconds, with a period that creeps by ±0.5 %: 40 Hz moves by 75 counts in a millisecond."""
    count = 60_000
    times = np.cumsum(np.concatenate([[0.0], 5e-4 * (1 + 0.005 * np.sin(np.arange(count - 1) * 2 * np.pi / count))]))
    values = np.round(512 + 300 * np.sin(2 * np.pi * 40 * times)).astype(int)
    recording, report = read_columns(tmp_path, "ms,adc", np.floor(1e3 * times).astype(int), values)
    assert set(report.codes()) == {"coarse-stamps", "resampled"}
    inner = np.arange(200, recording.samples.size - 200)
    true_s = recording.times_s(inner) + 0.0005  # what rounding down takes away on average
    ideal = (512 + 300 * np.sin(2 * np.pi * 40 * true_s)) * 5 / 1024
    assert np.abs(recording.samples[inner] - ideal).max() < 38 * 5 / 1024


@pytest.mark.parametrize("jitter_us", [20, 150])
def test_jitter_is_measured_and_named_when_it_matters(tmp_path: Path, jitter_us: int) -> None:
    """Independent stamp errors of standard deviation s give intervals of √2 s."""
    rng = np.random.default_rng(2)
    stamps = 10_000 + 1000 * np.arange(20_000) + np.round(rng.normal(0, jitter_us / np.sqrt(2), 20_000)).astype(int)
    _, report = read_stamps(tmp_path, np.sort(stamps))
    assert report.stretches[0].jitter_s == pytest.approx(jitter_us * 1e-6, rel=0.1)
    assert (report.find("jitter") is not None) == (jitter_us == 150)


def test_stamps_in_whole_milliseconds_are_no_jitter(tmp_path: Path) -> None:
    """678 Hz in whole ms: intervals of 1 and 2 ms, so a standard deviation of 0.5 ms, by rounding alone."""
    stamps = np.floor(np.arange(5000) / 0.678).astype(int)
    _, report = read_stamps(tmp_path, stamps, "ms")
    assert report.clean


def test_stretch_of_another_rate_is_named(tmp_path: Path) -> None:
    stamps = np.concatenate([1000 * np.arange(1000), 2_000_000 + 1030 * np.arange(1000)])
    _, report = read_stamps(tmp_path, stamps)
    assert report.find("rate-varies") is not None
    assert [round(stretch.fs) for stretch in report.stretches] == [1000, 971]


def test_log_of_gaps_only_is_refused(tmp_path: Path) -> None:
    stamps = np.cumsum(np.tile([1000] * 9 + [50_000], 100))
    with pytest.raises(RecordingError, match=r"gaps in 1000 samples.*lower rate"):
        read_stamps(tmp_path, stamps)


@given(
    rate=st.sampled_from([100, 678, 1000, 2304, 8000]),
    parts=st.lists(st.tuples(st.integers(100, 400), st.floats(0.05, 100.0)), min_size=1, max_size=5),
    first=st.integers(0, 2**32 - 1),
)
def test_any_log_with_pauses_keeps_its_times(
    tmp_path_factory: pytest.TempPathFactory, rate: int, parts: list[tuple[int, float]], first: int
) -> None:
    """Sample times are the stamps', whatever the pauses, unless a wrap falls into a pause."""
    times, now = [], 0.0
    for size, pause in parts:
        times.append(now + np.arange(size) / rate)
        now = times[-1][-1] + 1 / rate + pause
    t = np.concatenate(times)
    raw = first + np.round(t * 1e6).astype(np.int64)
    breaks = np.flatnonzero(np.diff(raw) > 40_000)
    if any(raw[i] // 2**32 != raw[i + 1] // 2**32 for i in breaks):
        return
    recording, _ = read_stamps(tmp_path_factory.mktemp("log"), raw % 2**32)
    assert recording.samples.size == t.size
    assert len(recording.gaps) == len(parts) - 1
    assert np.abs(recording.times_s(np.arange(t.size)) - t).max() < 1e-4


@pytest.mark.parametrize(
    ("period_us", "lost", "is_gap"),
    [(2000, 5, False), (2000, 6, True), (500, 10, False), (500, 11, True), (10_000, 1, False), (10_000, 2, True)],
)
def test_up_to_10_ms_and_10_samples_are_filled_in_and_more_stays_a_gap(
    tmp_path: Path, period_us: int, lost: int, is_gap: bool
) -> None:
    """The rule in numbers: 5 samples of 2 ms are 10 ms, 10 of 0.5 ms are 5 ms; a slow log loses single ones."""
    kept = np.delete(np.arange(1000), np.arange(400, 400 + lost))
    recording, report = read_stamps(tmp_path, 7000 + period_us * kept)
    assert report.codes() == (("gap",) if is_gap else ("lost-samples",))
    assert recording.samples.size == (1000 - lost if is_gap else 1000)
    assert [gap.sample for gap in recording.gaps] == ([400] if is_gap else [])
    assert sum(gap.duration_s for gap in recording.gaps) == pytest.approx(lost * period_us * 1e-6 if is_gap else 0.0)


def test_a_line_lost_after_a_late_stamp_is_counted(tmp_path: Path) -> None:
    """Before each lost line, the stamp is 0.3 ms late, so the step there is 1.7 ms at 1 kHz: one line is missing."""
    lost = np.arange(300, 3000, 200)
    stamps = 1000 * np.arange(3200)
    stamps[lost - 1] += 300
    recording, report = read_stamps(tmp_path, np.delete(stamps, lost))
    found = report.find("lost-samples")
    assert found is not None
    assert found.count == lost.size
    assert recording.samples.size == stamps.size
    assert recording.fs == pytest.approx(1000.0, rel=1e-6)


def test_a_late_stamp_after_a_gap_makes_the_gap_no_longer(tmp_path: Path) -> None:
    """The gap lasts 0.5 s; the stamp after it is 0.4 ms late, as is the last one, so that the span gives the rate.

    The mean of 1000 stamps, by which a stretch is laid, is then 0.8 µs late.
    """
    times_us = 1000 * (np.arange(2000) + np.repeat([0, 500], 1000))
    stamps = times_us.copy()
    stamps[[1000, 1999]] += 400
    recording, _ = read_stamps(tmp_path, stamps)
    assert recording.gaps[0].duration_s == pytest.approx(
        0.5, abs=1e-6
    )  # 0.8 ms over 1000 samples: the mean is 0.8 µs late
    np.testing.assert_allclose(recording.times_s(np.arange(2000)), times_us / 1e6, atol=1e-5)


@pytest.mark.parametrize(("lost", "code"), [(10, "counter-wrap"), (18, "counter-wrap"), (25, "clock-restart")])
def test_lines_lost_where_a_slow_counter_wraps(tmp_path: Path, lost: int, code: str) -> None:
    """At 100 Hz, 2**32 µs less the last stamp plus the first one after is (lost + 1) · 10 ms; up to 20 periods wrap."""
    index = np.delete(np.arange(600), np.arange(400, 400 + lost))
    stamps = (2**32 - 4_005_000 + 10_000 * index) % 2**32
    recording, report = read_stamps(tmp_path, stamps)
    assert report.codes() == (("counter-wrap", "gap") if code == "counter-wrap" else (code,))
    if code == "counter-wrap":
        np.testing.assert_allclose(recording.times_s(np.arange(index.size)), index / 100, atol=1e-6)


@pytest.mark.parametrize("paused", [False, True])
def test_of_a_stamp_below_all_others_only_its_line_is_lost(tmp_path: Path, paused: bool) -> None:
    """The spoilt stamp lies below the two before it, so these are right, even where a pause follows."""
    times_us = 5_000_000 + 1000 * (np.arange(1000) + 800 * paused * (np.arange(1000) > 500))
    stamps = times_us.copy()
    stamps[500] = 17
    recording, report = read_stamps(tmp_path, stamps)
    found = report.find("spoilt-stamp")
    assert found is not None
    assert (found.count, found.line) == (1, 502)
    values = (512 + np.arange(1000) % 7) * 5 / 1024
    kept = np.delete(np.arange(1000), 500)
    own = kept if paused else np.arange(1000)  # a single lost line is filled in, before a pause it is part of it
    np.testing.assert_allclose(recording.times_s(np.arange(own.size)), (times_us[own] - times_us[0]) / 1e6, atol=1e-6)
    np.testing.assert_allclose(recording.samples[:500], values[:500])
    np.testing.assert_allclose(recording.samples[-499:], values[501:])


def floor_ms(times_s: np.ndarray) -> np.ndarray:
    return np.asarray(np.floor(times_s * 1e3 + 7000.0), dtype=np.int64)


@pytest.mark.parametrize("noisy", [False, True])
@pytest.mark.parametrize(("ppm", "jitter_s"), [(10, 2e-6), (20, 5e-6), (40, 2e-6), (-20, 5e-6)])
def test_millisecond_stamps_of_1_khz_lose_no_sample_to_rounding(
    tmp_path: Path, ppm: float, jitter_s: float, noisy: bool
) -> None:
    """Nothing doubled or lost was put in: each of 21 300 values comes back, within the rounding of a stamp (1 ms)."""
    rng = np.random.default_rng(5)
    index = np.arange(21_300)
    stamps = floor_ms((index - 10_000) * 1e-3 * (1 + 1e-6 * ppm) + 10.0 + rng.normal(0, jitter_s, index.size))
    assert np.any(np.diff(stamps) == 0)
    counts = 512 + np.round(rng.normal(0, 3.0 if noisy else 0.05, index.size)).astype(int)
    recording, report = read_columns(tmp_path, "ms,adc", stamps, counts)
    assert set(report.codes()) <= {"repeated-stamp"}
    np.testing.assert_allclose(recording.samples, counts * 5 / 1024)
    assert recording.fs == pytest.approx(1000.0 / (1 + 1e-6 * ppm), rel=2 / 21_300)


def test_milliseconds_cut_by_int_are_one_rate(tmp_path: Path) -> None:
    """int(k * 0.001 * 1000) is k - 1 for some k, in binary floating point (IEEE 754): 0 and 2 ms take turns there."""
    stamps = np.array([int(k * 0.001 * 1000) for k in range(21_300)])
    assert set(np.diff(stamps)) == {0, 1, 2}
    recording, report = read_stamps(tmp_path, stamps, "ms")
    assert report.codes() == ("repeated-stamp",)
    assert recording.samples.size == 21_300
    assert recording.fs == pytest.approx(1000.0, rel=1e-4)


def test_a_rate_a_little_above_that_of_the_stamps_loses_no_equal_neighbours(tmp_path: Path) -> None:
    """1005 Hz in whole ms: one stamp in 200 repeats, and half of its values are equal by chance."""
    rng = np.random.default_rng(6)
    stamps = np.floor(np.arange(20_000) / 1.005).astype(int)
    counts = 512 + rng.integers(0, 2, 20_000)
    recording, report = read_columns(tmp_path, "ms,adc", stamps, counts)
    assert report.codes() == ("repeated-stamp",)
    assert report.findings[0].count == np.count_nonzero(np.diff(stamps) == 0)
    assert recording.samples.size == 20_000
    assert recording.fs == pytest.approx(1005.0, rel=1e-4)


def test_lines_doubled_and_lost_in_milliseconds_are_still_found(tmp_path: Path) -> None:
    """40 lines lost and 40 written twice, each 200 samples from the next fault."""
    rng = np.random.default_rng(7)
    counts = 512 + rng.integers(-40, 41, 20_000)
    rows = np.sort(
        np.concatenate([np.delete(np.arange(20_000), np.arange(300, 16_300, 400)), 500 + 400 * np.arange(40)])
    )
    recording, report = read_columns(tmp_path, "ms,adc", rows, counts[rows])
    assert {finding.code: finding.count for finding in report.findings} == {"doubled-line": 40, "lost-samples": 40}
    assert recording.samples.size == 20_000
    assert recording.fs == pytest.approx(1000.0, rel=1e-9)


@pytest.mark.parametrize("lost_share", [0.0, 0.01])
@pytest.mark.parametrize("jitter_share", [0.05, 0.1, 0.2])
def test_only_lost_lines_are_filled_in_however_much_the_stamps_jitter(
    tmp_path: Path, jitter_share: float, lost_share: float
) -> None:
    """Stamps with independent errors of up to a fifth of the period (standard deviation); what was left out counts."""
    rng = np.random.default_rng(8)
    times_us = np.sort(500 * np.arange(42_600) + rng.normal(0, 500 * jitter_share, 42_600)) + 10_000
    lost = rng.choice(np.arange(5, 42_595), round(lost_share * 42_600), replace=False)
    recording, report = read_stamps(tmp_path, np.delete(times_us.astype(int), lost))
    found = report.find("lost-samples")
    assert (found.count if found else 0) == lost.size
    assert recording.fs == pytest.approx(2000.0, rel=1e-4)
    assert recording.samples.size == 42_600


@pytest.mark.parametrize("lost_share", [0.0, 0.01])
def test_delays_of_a_loop_are_seldom_taken_for_lost_lines(tmp_path: Path, lost_share: float) -> None:
    """500 µs and an exponential delay of 50 µs: exp(-10) of the steps, two in 42 600, last 1 ms, as two of the least.

    Such a step looks like a lost line. A rule on single steps fills in 34: exp(-6.5) of the steps exceed 1.5 periods.
    """
    rng = np.random.default_rng(9)
    times_us = np.cumsum(500 + rng.exponential(50, 42_600))
    lost = rng.choice(np.arange(5, 42_595), round(lost_share * 42_600), replace=False)
    _, report = read_stamps(tmp_path, np.delete(times_us.astype(int), lost))
    found = report.find("lost-samples")
    assert lost.size <= (found.count if found else 0) <= lost.size + 8
