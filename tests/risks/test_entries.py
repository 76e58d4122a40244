"""Risk from recordings whose detections are given, so that every count can be done by hand."""

import math

import numpy as np
import pytest
from scipy import stats

from tapsig.entry import EntryParameters
from tapsig.errors import LabelError, ParameterError
from tapsig.records import Gap, Label, Recording
from tapsig.risks.entries import RiskQuestion, assess_observation, compute_hours_needed, estimate_risk, list_risk_rows
from tapsig.risks.nuisance import YEAR_HOURS, PossibleEntries, TapFreeSegment
from tapsig.risks.observation import Observation, observe_recordings, observe_taps
from tapsig.risks.openings import EntryTrial, TapFreeDecoding, list_decoder_rows
from tapsig.risks.yearly import complete_year, summarise_risk
from tests.fakes import Told

FS = 1000.0
ENTRY_S = [10.0, 10.4, 12.0, 13.6]  # 2-1-1


def record(taps_s: list[float], *, scene: str = "quiet", gaps: tuple[Gap, ...] = ()) -> Recording:
    labels = tuple(Label(tap) for tap in taps_s)
    return Recording(np.zeros(int(60 * FS)), FS, labels=labels, position="frame", scene=scene, gaps=gaps)


def observe(taps_s: list[float], detected_s: list[float], *, gaps: tuple[Gap, ...] = ()) -> Observation:
    return observe_taps(record(taps_s, gaps=gaps), np.array(detected_s), EntryParameters())


TWELVE_S = [10.0 + 0.2 * index for index in range(12)] + [14.0, 16.0]  # 12-1-1


@pytest.mark.parametrize(
    ("taps_s", "detected_s", "codes", "found", "opened"),
    [
        (ENTRY_S, [tap + 0.01 for tap in ENTRY_S], ((2, 1, 1),), 4, 1),
        (ENTRY_S, ENTRY_S[:-1], ((2, 1, 1),), 3, 0),
        (ENTRY_S, [*ENTRY_S, 13.9], ((2, 1, 1),), 4, 0),
        (ENTRY_S, [tap + 20.0 for tap in ENTRY_S], ((2, 1, 1),), 0, 0),
        (TWELVE_S, TWELVE_S, ((12, 1, 1),), 14, 1),  # digits above the highest are decoded too
        ([10.0, 12.0], [10.0, 12.0], (), 2, 0),  # two digits are practice
    ],
)
def test_an_entry_opens_when_it_is_detected_digit_for_digit_in_its_time(
    taps_s: list[float], detected_s: list[float], codes: tuple[tuple[int, ...], ...], found: int, opened: int
) -> None:
    seen = observe(taps_s, detected_s)
    assert (seen.taps, seen.taps_found, seen.codes, seen.opened) == (len(taps_s), found, codes, opened)
    assert seen.false_in_entries == (13.9 in detected_s)


def test_time_of_entries_spans_the_silence_around_them() -> None:
    assert observe(ENTRY_S, []).entry_s == pytest.approx(3.6 + 6.0)


def test_false_taps_are_counted_apart_from_the_entry() -> None:
    # 20.0 20.3 22.0 24.0 makes 2-1-1; 50.0 a void entry. Listened: all but 0.1 s before to 1.5 s after each tap. The
    # stretch from 15.1 s on lasts 44.9 s, of which a code can begin in all but the first 3 s and the last 33 s.
    row = assess(observe(ENTRY_S, [*ENTRY_S, 20.0, 20.3, 22.0, 24.0, 50.0]), RiskQuestion())
    assert (row.false_taps, row.possible_codes, row.false_per_entry) == (5, 1, 0.0)
    assert row.tap_free_h * 3600 == pytest.approx(60.0 - (1.5 + 0.1) * 3 - 0.4)
    assert row.exposure_h * 3600 == pytest.approx(44.9 - 36.0)


def test_time_in_a_gap_is_not_listened_to_and_no_code_runs_across_it() -> None:
    # 20.0 22.0 is a code's beginning, and 24.0 would be its end but for ten hours in between.
    whole = assess(observe([], [20.0, 22.0, 24.0]), RiskQuestion())
    parted = assess(observe([], [20.0, 22.0, 36024.0], gaps=(Gap(23_000, 36_000.0),)), RiskQuestion())
    assert (whole.possible_codes, parted.possible_codes) == (1, 0)
    assert parted.tap_free_h * 3600 == pytest.approx(60.0)
    assert parted.exposure_h * 3600 == pytest.approx(60.0 - 23.0 - 36.0)


def test_stretches_too_short_for_a_code_leave_the_bound_undefined_but_not_the_rate_of_false_taps() -> None:
    row = assess(observe(ENTRY_S + [tap + 30.0 for tap in ENTRY_S], [5.0, 25.0]), RiskQuestion())
    assert (row.false_taps, row.exposure_h) == (2, 0.0)
    for name in ("failures_per_day", "per_year_seen", "per_year_bound", "per_year_gaps"):
        assert math.isnan(getattr(row, name)), name
    assert row.false_taps_per_h > 0
    assert row.per_year_poisson > 0


def test_observations_add_up() -> None:
    total = observe(ENTRY_S, ENTRY_S) + observe(ENTRY_S, [])
    assert (total.taps, total.taps_found, total.opened, len(total.codes)) == (8, 4, 1, 2)
    assert total.entry_s == pytest.approx(2 * 9.6)


def assess(observation: Observation, question: RiskQuestion):  # type: ignore[no-untyped-def]
    return assess_observation(observation, question, detector="told", position="frame", scene="quiet")


def test_the_bound_is_the_exact_poisson_limit_over_the_keyspace() -> None:
    # Garwood 1936: one-sided 95 % upper limits of a Poisson mean are 2.9957 at 0 and 4.7439 at 1 (scipy's chi-square).
    # Of the minute, a code can begin in 24 s and be seen whole.
    question = RiskQuestion()
    none = assess(observe([], []), question)
    assert none.per_year_bound == pytest.approx(2.9957 * 150 * YEAR_HOURS / 729, rel=1e-4)
    one = assess(observe([], [20.0, 22.0, 24.0]), question)
    upper = stats.chi2.ppf(0.95, 4) / 2
    assert one.possible_codes == 1
    assert one.per_year_bound == pytest.approx(upper * 150 * YEAR_HOURS / 729, rel=1e-9)


def test_hours_needed_bring_the_bound_to_one_a_year() -> None:
    question = RiskQuestion(length=4)
    hours = compute_hours_needed(question)
    assert hours == pytest.approx(2.9957 * 8766 / 6561, rel=1e-4)


def test_perfect_hearing_succeeds_in_the_model_too() -> None:
    row = assess(observe(ENTRY_S, ENTRY_S), RiskQuestion())
    assert row.success == 1.0
    # Wilson's interval for 1 of 1 by scipy.
    interval = stats.binomtest(1, 1).proportion_ci(0.95, "wilson")
    assert (row.success_low, row.success_high) == pytest.approx((interval.low, interval.high))
    assert 0.9 < row.success_model <= 1.0  # the hand model's pauses are sometimes too short or too long


def test_false_taps_around_entries_tell_why_they_fail() -> None:
    row = assess(observe(ENTRY_S, [*ENTRY_S, 8.0, 10.1, 40.0]) + observe(ENTRY_S, ENTRY_S), RiskQuestion())
    assert (row.tap_recall, row.success) == (1.0, 0.5)
    assert row.false_per_entry == 1.0  # 8.0 and 10.1 s of the first entry; 40.0 s is far from both


def test_what_was_not_recorded_is_undefined() -> None:
    row = assess(Observation(), RiskQuestion())
    names = (
        "success",
        "tap_recall",
        "false_per_entry",
        "success_model",
        "false_taps_per_h",
        "per_year_bound",
        "per_year_poisson",
        "per_year_gaps",
    )
    for name in names:
        assert math.isnan(getattr(row, name)), name


def test_a_tolerance_leaves_the_models_undefined_but_not_the_bound() -> None:
    row = assess(observe([], [30.0, 40.0]), RiskQuestion(EntryParameters(tolerance=2.0, digit_max=5)))
    assert math.isnan(row.per_year_poisson)
    assert math.isnan(row.per_year_gaps)
    assert row.per_year_bound > 0


def test_the_highest_rate_need_not_be_the_worst() -> None:
    question = RiskQuestion()
    worst = question.compute_highest_per_year(1e-3, 100.0)
    assert worst > 10 * question.compute_openings_per_year(100.0)
    assert worst >= question.compute_openings_per_year(1.0)


def test_a_code_of_its_own_replaces_the_random_one() -> None:
    short = RiskQuestion(code=(1, 1, 1)).compute_openings_per_year(0.05)
    long = RiskQuestion(code=(9, 9, 9)).compute_openings_per_year(0.05)
    middle = RiskQuestion().compute_openings_per_year(0.05)
    assert long < middle < short


def test_recordings_are_gathered_by_detector_position_and_scene() -> None:
    recordings = [record(ENTRY_S), record(ENTRY_S), record([], scene="driving")]
    variants = {"good": Told(tuple(ENTRY_S)), "deaf": Told(())}
    observations = observe_recordings(variants, recordings, RiskQuestion())
    rows = {(row.detector, row.scene): row for row in list_risk_rows(observations, RiskQuestion())}
    assert set(rows) == {("good", "quiet"), ("deaf", "quiet"), ("good", "driving"), ("deaf", "driving")}
    assert (rows["good", "quiet"].opened, rows["deaf", "quiet"].opened) == (2, 0)
    assert rows["good", "driving"].false_taps == 4


def test_summary_weighs_scenes_by_their_hours_and_keeps_driving_apart() -> None:
    question = RiskQuestion()
    observations = observe_recordings(
        {"told": Told((30.0, 32.0, 34.0))}, [record([], scene=scene) for scene in ("rain", "driving")], question
    )
    rows = {row.scene: row for row in list_risk_rows(observations, question)}
    [summary] = summarise_risk(observations, question, parked_hours={"rain": 876.6}, speed_km_h=50.0)
    assert summary.wrong_per_year_bound == pytest.approx(rows["rain"].per_year_bound / 10)
    assert summary.wrong_per_year_poisson == pytest.approx(rows["rain"].per_year_poisson / 10)
    assert summary.uncovered_h == pytest.approx(YEAR_HOURS * 0.9)  # nothing quiet was recorded
    assert summary.exposure_h == pytest.approx(2 * 24 / 3600)
    assert summary.wrong_per_1000_km_bound == pytest.approx(rows["driving"].per_year_bound * 20 / YEAR_HOURS)


def test_a_year_has_only_so_many_hours() -> None:
    assert complete_year({"rain": 766.0})["quiet"] == pytest.approx(8000.0)
    with pytest.raises(ParameterError, match="hours of parking"):
        complete_year({"rain": 9000.0})
    with pytest.raises(ParameterError, match="hours of parking"):
        complete_year({"rain": -1.0})


def test_recordings_without_labels_and_a_code_of_another_length_are_refused() -> None:
    recording = Recording(np.zeros(10), FS)
    with pytest.raises(LabelError, match="needs labels"):
        observe_taps(recording, np.empty(0), EntryParameters())
    with pytest.raises(ParameterError, match="length"):
        RiskQuestion(length=3, code=(1, 2))
    with pytest.raises(ParameterError, match="code has 2 digits, but length is 5"):
        estimate_risk([Told(())], [record([])], code="1-2", length=5)
    assert len(estimate_risk([Told(())], [record([])], code="1-2")) == 1


def test_the_interval_of_success_covers_the_truth_where_entries_of_a_file_succeed_together() -> None:
    """Eight files with four entries each; the chance in a file is Beta(1/2, 1/2), 0.5 in the mean."""
    rng = np.random.default_rng(4)
    tries, covered, independent = 500, 0, 0
    for _ in range(tries):
        opened = rng.binomial(4, rng.beta(0.5, 0.5, 8))
        seen = Observation(
            codes=((1, 1, 1),) * 32, opened_of=tuple((f"{k}.wav", 4, int(n)) for k, n in enumerate(opened))
        )
        row = assess(seen, RiskQuestion())
        covered += row.success_low <= 0.5 <= row.success_high
        interval = stats.binomtest(int(opened.sum()), 32).proportion_ci(0.95, "wilson")
        independent += interval.low <= 0.5 <= interval.high
    assert covered / tries > 0.93
    assert independent / tries < 0.88


def test_the_limit_covers_recordings_that_differ_where_their_segments_alone_do_not() -> None:
    """Six recordings of eight segments each; codes at a Gamma(1)-distributed rate of the recording, four an hour."""
    rng = np.random.default_rng(5)
    tries, covered, by_segment = 400, 0, 0
    for _ in range(tries):
        counts = rng.poisson(np.repeat(rng.gamma(1.0, 4.0, 6), 8) / 8).astype(float)
        hours = np.full(48, 1 / 8)
        segments = tuple(TapFreeSegment(np.zeros(0), 450.0, 0.0, f"{k // 8}.wav") for k in range(48))
        covered += PossibleEntries(segments, hours, counts).compute_upper(0.95) >= 4.0
        by_segment += PossibleEntries((), hours, counts).compute_upper(0.95) >= 4.0
    assert covered / tries > 0.9
    assert by_segment / tries < 0.85


def test_the_limit_of_near_codes_covers_the_truth_where_those_of_one_entry_open_together() -> None:
    """Ten files with four entries each of 2-2-2, which has six near codes: in 20 % all six open, else none."""
    rng = np.random.default_rng(6)
    tries, covered, independent = 300, 0, 0
    for _ in range(tries):
        opens = rng.random(40) < 0.2
        tried = [
            EntryTrial("", "", "", (2, 2, 2), (), 1.0, ((float(open_),) * 6, ()), f"{k // 4}.wav")
            for k, open_ in enumerate(opens)
        ]
        row = list_decoder_rows(tried, TapFreeDecoding(), [0.5])[1]
        assert (row.near_1, row.near_1_opened) == (240, 6 * opens.sum())
        covered += row.near_1_high >= 0.2
        high = stats.binomtest(6 * int(opens.sum()), 240).proportion_ci(0.95, "wilson").high
        independent += high >= 0.2
    assert covered / tries > 0.95
    assert independent / tries < 0.9
