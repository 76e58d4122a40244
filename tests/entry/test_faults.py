"""Each way to spoil an entry is named: a tap lost, a tap too many, a pause too short or too long."""

import pytest

from tapsig.entry import EntryParameters, decode_taps
from tapsig.entry.faults import explain_entry

CODE = (3, 1, 4)
RIGHT = [0.0, 0.4, 0.8, 2.4, 4.0, 4.4, 4.8, 5.2]


def explain(taps_s: list[float], **known: list[float]) -> str:
    [entry] = decode_taps(taps_s, code=CODE)
    return "\n".join(explain_entry(entry, CODE, EntryParameters(), **known))


def test_a_right_entry_needs_no_explanation() -> None:
    assert explain(RIGHT) == ""


@pytest.mark.parametrize(("lost_s", "around"), [(0.4, "between 0.000 and 0.800 s"), (4.8, "between 4.400 and 5.200 s")])
def test_a_lost_tap_inside_a_digit_is_seen_from_the_rhythm(lost_s: float, around: str) -> None:
    text = explain([tap for tap in RIGHT if tap != lost_s])
    assert around in text
    assert "room for one more tap" in text


def test_a_tap_detected_twice_is_seen_from_the_rhythm() -> None:
    text = explain(sorted([*RIGHT, 4.46]))
    assert "digit 3: 5 taps, the code has 4" in text
    assert "the taps at 4.400 and 4.460 s may be one tap detected twice" in text


def test_labels_name_the_fault_instead_of_guessing() -> None:
    text = explain([tap for tap in RIGHT if tap != 4.8], missed_s=[4.8, 50.0], spurious_s=[])
    assert "missed tap at 4.800 s" in text
    assert "room for" not in text
    assert "50" not in text  # belongs to another entry
    assert "false tap at 3.100 s" in explain(sorted([*RIGHT, 3.1]), spurious_s=[3.1])


def test_many_faults_of_a_kind_are_one_line() -> None:
    text = explain(RIGHT[:5], missed_s=RIGHT[5:], spurious_s=[2.9, 3.0])
    assert "missed taps at 4.400, 4.800, 5.200 s\nfalse taps at 2.900, 3.000 s" in text


def test_a_pause_that_was_too_short_is_named() -> None:
    late = [tap if tap < 2 else tap - 0.65 for tap in RIGHT]  # 0.950 s between the first two digits
    text = explain(late)
    assert "2 digits (4-4), the code has 3" in text
    assert "the gap of 0.950 s before 1.750 s is within a digit (up to 1 s)" in text


def test_a_gap_that_was_too_long_is_named() -> None:
    slow = [tap if tap < 5 else tap + 0.65 for tap in RIGHT]  # 1.050 s before the last tap
    text = explain(slow)
    assert "4 digits (3-1-3-1), the code has 3" in text
    assert "the gap of 1.050 s before 5.850 s starts a new digit" in text


def test_a_digit_above_the_highest_is_named() -> None:
    parameters = EntryParameters(digit_max=4)
    [entry] = decode_taps([0.0, 0.3, 0.6, 0.9, 1.2, 3.0, 5.0], parameters, code=(1, 1, 1))
    assert explain_entry(entry, (1, 1, 1), parameters)[0] == "5-1-1: no digit may be above 4"
