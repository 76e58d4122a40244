"""What to record next follows from what there is."""

import math

import pytest

from tapsig.analysis.faults import HealthFinding
from tapsig.summary.next_steps import ENOUGH_HOURS, ENOUGH_TAPS, Held, advise_next

GOOD = Held(True, ENOUGH_TAPS, ENOUGH_HOURS, ("a", "b"), ("rain", "driving", "slam", "music"), ())


def test_so_many_hours_without_a_false_tap_bound_the_rate_to_one_an_hour() -> None:
    # exact one-sided upper Poisson limit at 0 events: 2.9957 (Garwood 1936), 3 by the rule of three
    assert -math.log(0.05) == pytest.approx(2.9957, abs=1e-4)
    assert -math.log(0.05) / ENOUGH_HOURS <= 1.0


def test_enough_of_everything_asks_for_nothing() -> None:
    assert advise_next(GOOD) == ()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"labelled": False}, "tapsig propose"),
        ({"taps": 12}, "there are 12"),
        ({"tap_free_hours": 0.5}, "there are 30.0 minutes"),
        ({"tap_free_hours": 0.0}, "there are none"),
        ({"positions": ("", "a")}, "second position"),
        ({"scenes": ("rain", "slam")}, "driving, music"),
        ({"simulated": True}, "of your own door"),
    ],
)
def test_what_is_missing_is_asked_for(change: dict[str, object], words: str) -> None:
    import dataclasses

    [step] = advise_next(dataclasses.replace(GOOD, **change))  # type: ignore[arg-type]
    assert words in step


def test_a_fault_is_mended_before_anything_else() -> None:
    fault = HealthFinding("half-lost", "error", "the negative half is missing", "bias the input to mid-scale")
    steps = advise_next(Held(True, 3, 0.0, ("a",), (), (fault,)))
    assert "bias the input to mid-scale" in steps[0]
