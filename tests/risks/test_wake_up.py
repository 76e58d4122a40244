"""Wake-ups on recordings whose every sample is known."""

import dataclasses
import math

import numpy as np
import pytest

from tapsig.entry import EntryParameters
from tapsig.errors import ParameterError
from tapsig.records import Gap, Label, Recording
from tapsig.risks.standby import BATTERIES, DAY_S, DutyCycle
from tapsig.risks.wake_up import WakeUp, WakeUpTally, build_duty, compare_wake_ups, remove_bias, tally_wake_up
from tests.fakes import RisingEdges

FS = 8000.0
PARAMETERS = EntryParameters()


def record(pulses: list[tuple[float, float, float]], taps_s: list[float], seconds: float = 40.0) -> Recording:
    """A bias of 2.5 V with square pulses (onset in s, length in s, volts); `taps_s` are labelled."""
    samples = np.full(int(seconds * FS), 2.5)
    for onset, length, volts in pulses:
        start = round(onset * FS)
        samples[start : start + round(length * FS)] += volts
    return Recording(samples, FS, labels=tuple(Label(tap) for tap in taps_s), position="frame")


def test_a_comparator_wakes_at_its_level_and_not_below() -> None:
    recording = record([(10.0, 0.004, 0.3), (20.0, 0.004, -0.3)], [10.0, 20.0])
    at_level = tally_wake_up(WakeUp("comparator", level_v=0.3 - 1e-9), recording, PARAMETERS)
    assert (at_level.firsts, at_level.first_woken, at_level.missed_share) == (2, 2.0, 0.0)
    above = tally_wake_up(WakeUp("comparator", level_v=0.31), recording, PARAMETERS)
    assert (above.missed_share, above.missed_entries_share) == (1.0, 1.0)
    assert math.isnan(above.mean_delay_s)


def test_what_is_lost_of_the_first_tap_is_what_came_before_the_first_sample() -> None:
    # A step of 0.1 V for 3 ms, then 0.5 V for 5 ms. At a level of 0.2 V and 2 ms of start-up the first sample comes
    # 5 ms after the onset: lost are 3 ms of 0.01 V² and 2 ms of 0.25 V² of 3 * 0.01 + 5 * 0.25.
    recording = record([(10.0, 0.003, 0.1), (10.003, 0.005, 0.5)], [10.0])
    tally = tally_wake_up(WakeUp("comparator", level_v=0.2, start_up_s=0.002), recording, PARAMETERS)
    assert tally.mean_delay_s == pytest.approx(0.005, abs=1 / FS)
    assert tally.energy_lost_share == pytest.approx((3 * 0.01 + 2 * 0.25) / (3 * 0.01 + 5 * 0.25), abs=0.03)
    assert tally.peak_lost_share == 1.0
    early = tally_wake_up(WakeUp("comparator", level_v=0.05, start_up_s=0.001), recording, PARAMETERS)
    assert early.peak_lost_share == 0.0
    assert early.mean_delay_s == pytest.approx(0.001, abs=1 / FS)


def test_sampling_hears_a_pulse_as_often_as_it_covers_the_period() -> None:
    # A pulse of 5 ms against a look every 20 ms is seen with chance 1/4, whatever the clock's start.
    pulses = [(5.0 + 5.0 * index, 0.005, 0.5) for index in range(6)]
    recording = record(pulses, [onset for onset, _, _ in pulses])
    tally = tally_wake_up(WakeUp("sampling", level_v=0.2, sampling_hz=50.0), recording, PARAMETERS)
    assert 1 - tally.missed_share == pytest.approx(0.25, abs=1e-9)
    fast = tally_wake_up(WakeUp("sampling", level_v=0.2, sampling_hz=200.0), recording, PARAMETERS)
    assert fast.missed_share == pytest.approx(0.0, abs=1e-9)


def test_sampling_faster_than_the_recording_equals_a_comparator() -> None:
    recording = record([(10.0, 0.004, 0.3), (30.0, 0.001, 0.3)], [10.0])
    both = [
        tally_wake_up(WakeUp(kind, level_v=0.2, sampling_hz=FS), recording, PARAMETERS)
        for kind in ("comparator", "sampling")
    ]
    assert both[0] == both[1]


def test_a_later_tap_of_the_entry_can_still_wake() -> None:
    recording = record([(10.0, 0.004, 0.1), (10.4, 0.004, 0.5)], [10.0, 10.4])
    tally = tally_wake_up(WakeUp("comparator", level_v=0.2), recording, PARAMETERS)
    assert (tally.missed_share, tally.missed_entries_share) == (1.0, 0.0)


def test_seconds_with_a_nuisance_are_counted_and_deliberate_taps_are_not() -> None:
    # Nuisances at 3.2, 3.4 (one second) and 35.5 s; the tap at 20 s and its ring-down are left out.
    recording = record([(3.2, 0.01, 1.0), (3.4, 0.01, 1.0), (35.5, 0.01, 1.0), (20.0, 0.5, 1.0)], [20.0])
    tally = tally_wake_up(WakeUp("comparator", level_v=0.5), recording, PARAMETERS)
    assert tally.tap_free_s == pytest.approx(40.0 - 1.6)
    assert tally.triggered_s == 2.0
    assert tally.false_wakes_per_day == pytest.approx(2 / 38.4 * DAY_S)


def test_a_gap_is_no_time_without_false_wakes() -> None:
    recording = dataclasses.replace(record([(5.0, 0.01, 1.0)], []), gaps=(Gap(int(10 * FS), 36_000.0),))
    tally = tally_wake_up(WakeUp("comparator", level_v=0.5), recording, PARAMETERS)
    assert tally.tap_free_s == pytest.approx(40.0)
    assert tally.false_wakes_per_day == pytest.approx(DAY_S / 40)


def test_a_nuisance_that_never_stops_keeps_it_awake_all_the_time() -> None:
    recording = record([(0.0, 19.9, 1.0)], [], seconds=40.0)
    tally = tally_wake_up(WakeUp("comparator", level_v=0.4), recording, PARAMETERS)
    duty = build_duty(WakeUp("comparator", level_v=0.4), tally, DutyCycle(wakes_per_day=0.0))
    assert tally.triggered_s == pytest.approx(20.0, abs=1.0)
    assert duty.awake_share > 0.999


def test_always_on_misses_nothing_and_draws_its_awake_current() -> None:
    [row] = compare_wake_ups(
        [WakeUp("always on")],
        [record([(10.0, 0.004, 0.1)], [10.0])],
        PARAMETERS,
        duty=DutyCycle(awake_ma=8.0, releases_per_day=0.0),
        battery=BATTERIES[0],
    )
    assert row.tally.missed_share == 0.0
    assert row.duty.average_ua == pytest.approx(8000.0)


def test_a_detector_started_by_the_wake_up_hears_what_is_left() -> None:
    # 0.25 V for 4 ms wakes, then a step of 0.5 V: the detector must be awake before that step to find it.
    recording = record([(10.0, 0.004, 0.25), (10.004, 0.01, 0.75)], [10.0])
    shares = {
        start_up_s: tally_wake_up(
            WakeUp("comparator", level_v=0.2, start_up_s=start_up_s), recording, PARAMETERS, RisingEdges()
        ).first_found_share
        for start_up_s in (0.001, 0.006)
    }
    assert shares == {0.001: 1.0, 0.006: 0.0}
    assert tally_wake_up(WakeUp("always on"), recording, PARAMETERS, RisingEdges()).first_found_share == 1.0
    assert math.isnan(tally_wake_up(WakeUp("always on"), recording, PARAMETERS).first_found_share)


def test_positions_are_kept_apart_and_unlabelled_recordings_left_out() -> None:
    one = record([(10.0, 0.004, 0.3)], [10.0])
    other = dataclasses.replace(one, position="inner-skin")
    unlabelled = dataclasses.replace(one, labels=None)
    wake_ups = [WakeUp("comparator", level_v=0.2), WakeUp("comparator", level_v=0.4)]
    rows = compare_wake_ups(wake_ups, [one, other, unlabelled], PARAMETERS, duty=DutyCycle(), battery=BATTERIES[0])
    assert [(row.position, row.wake_up.level_v, row.tally.firsts, row.tally.missed_share) for row in rows] == [
        ("frame", 0.2, 1, 0.0),
        ("frame", 0.4, 1, 1.0),
        ("inner-skin", 0.2, 1, 0.0),
        ("inner-skin", 0.4, 1, 1.0),
    ]


def test_without_taps_or_time_shares_are_undefined() -> None:
    assert math.isnan(WakeUpTally().missed_share)
    assert math.isnan(WakeUpTally().false_wakes_per_day)
    assert remove_bias(Recording(np.empty(0), FS)).size == 0


def test_wake_ups_outside_their_range_are_refused() -> None:
    with pytest.raises(ParameterError, match="level_v"):
        WakeUp("comparator")
    with pytest.raises(ParameterError, match="sampling_hz"):
        WakeUp("sampling", level_v=0.1)
