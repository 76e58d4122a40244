"""A year's hours, a wake-up level chosen on one set of recordings, and a duty cycle weighted by scenes."""

import math

import numpy as np
import pytest

from tapsig.entry import EntryParameters
from tapsig.records import Label, Recording
from tapsig.risks.nuisance import YEAR_HOURS
from tapsig.risks.standby import BATTERIES, DAY_S, DutyCycle, compute_days
from tapsig.risks.wake_up import WakeUpTally
from tapsig.risks.yearly import choose_level_v, summarise_standby, tally_comparators

FS = 1000.0
DUTY = DutyCycle(wakes_per_day=0.0)


def record(
    tap_v: float, nuisance_v: float, *, scene: str = "quiet", labels: tuple[Label, ...] | None = (Label(30.0),)
) -> Recording:
    """A minute with one tap at 30 s and a nuisance in each of the first ten seconds."""
    samples = np.zeros(int(60 * FS))
    samples[int(30 * FS) : int(30 * FS) + 5] = tap_v
    samples[: int(10 * FS) : int(FS)] = nuisance_v
    return Recording(samples, FS, labels=labels, position="frame", scene=scene)


def test_the_level_keeps_a_reserve_below_the_highest_that_hears_the_taps() -> None:
    tallies = tally_comparators([record(0.3, 0.0), record(0.15, 0.0)], EntryParameters())
    assert choose_level_v(tallies, "frame", reserve_db=0.0) == 0.1
    assert choose_level_v(tallies, "frame", reserve_db=0.0, missed_share=0.5) == 0.2
    # 6 dB below 0.1 V is 0.05012 V (20 lg 2 = 6.02): the next level of the grid below it.
    assert choose_level_v(tallies, "frame") == 0.05
    assert math.isnan(choose_level_v(tallies, "latch-bracket"))
    assert math.isnan(choose_level_v(tally_comparators([record(0.001, 0.0)], EntryParameters()), "frame"))


def test_unlabelled_recordings_choose_nothing() -> None:
    assert tally_comparators([record(0.3, 0.0, labels=None)], EntryParameters()) == {}


def test_false_wakes_of_each_scene_count_for_its_hours() -> None:
    recordings = [record(0.3, 0.3, scene="rain"), record(0.3, 0.0), record(0.3, 0.3, scene="driving")]
    tallies = tally_comparators(recordings, EntryParameters())
    rain = tallies["frame", "rain", 0.1]
    # Ten seconds of the 58.4 s without taps hold a trigger; it rains a tenth of the year.
    assert rain.false_wakes_per_day == pytest.approx(10 / 58.4 * DAY_S)
    summary = summarise_standby(
        tallies, "frame", 0.1, duty=DUTY, battery=BATTERIES[0], parked_hours={"rain": YEAR_HOURS / 10}
    )
    assert summary.false_wakes_per_day == pytest.approx(rain.false_wakes_per_day / 10)
    assert summary.awake_share == pytest.approx(0.1, abs=1e-3)  # always awake in rain, never in quiet
    assert summary.days == compute_days(summary.average_ua, BATTERIES[0])
    assert (summary.entries, summary.missed_entries) == (2, 0.0)


def test_a_scene_that_was_not_recorded_is_left_out() -> None:
    summary = summarise_standby({}, "frame", 0.1, duty=DUTY, battery=BATTERIES[0])
    assert math.isnan(summary.days)
    only_quiet = summarise_standby(
        {("frame", "quiet", 0.1): WakeUpTally(tap_free_s=100.0)}, "frame", 0.1, duty=DUTY, battery=BATTERIES[0]
    )
    assert only_quiet.false_wakes_per_day == 0.0
    none = summarise_standby(
        {("frame", "rain", 0.1): WakeUpTally(tap_free_s=100.0)},
        "frame",
        0.1,
        duty=DUTY,
        battery=BATTERIES[0],
        parked_hours={"rain": 0.0},
    )
    assert math.isnan(none.days)
