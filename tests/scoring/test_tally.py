"""Counts add; what is derived from nothing is undefined, not 0."""

import math

import pytest
from sklearn.metrics import precision_recall_fscore_support

from tapsig.scoring.tally import Score


def test_rates_equal_an_independent_library_on_the_same_counts() -> None:
    # sklearn.metrics.precision_recall_fscore_support; an event missed or invented is a 1 against a 0.
    truth, found = [1] * 10 + [0] * 3, [1] * 7 + [0] * 3 + [1] * 3
    precision, recall, f1, _ = precision_recall_fscore_support(truth, found, average="binary")
    score = Score(tp=7, fp=3, fn=3, duration_s=60.0)
    assert (score.precision, score.recall, score.f1) == pytest.approx((precision, recall, f1))
    assert score.false_alarms_per_hour == 180.0


def test_scores_add_field_by_field() -> None:
    assert sum([Score(2, 3, 4, 6.0, 3, 1, 5, 2)] * 3, Score(0, 0, 0, 0.0)) == Score(6, 9, 12, 18.0, 9, 3, 15, 6)


def test_no_taps_no_detections_no_time_are_undefined() -> None:
    quiet = Score(0, 0, 0, 0.0)
    for value in (quiet.precision, quiet.recall, quiet.f1, quiet.false_alarms_per_hour):
        assert math.isnan(value)


def test_false_detections_in_a_recording_without_taps_are_precision_0_and_recall_undefined() -> None:
    score = Score(0, 4, 0, 3600.0)
    assert score.precision == 0.0
    assert math.isnan(score.recall)
    assert score.f1 == 0.0
    assert score.false_alarms_per_hour == 4.0
