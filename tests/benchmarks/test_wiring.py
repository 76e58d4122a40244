"""The shipped drawing is the one that is drawn, and its wake mark lies over the bias whatever the resistors are."""

import itertools
import re

import pytest

from tapsig.exporting.device import read_firmware

SUPPLY_V = 5.0


def test_the_wake_mark_lies_over_the_bias_at_every_corner_of_the_resistors() -> None:
    """Four resistors, each at either end of its tolerance: two dividers (Ohm's law)."""
    marked = re.findall(r"([\d.]+) MΩ (\d+) %", read_firmware("wiring.svg"))
    assert sorted(float(mega) for mega, _ in marked) == [1.0, 1.0, 1.0, 1.1]
    share = max(float(percent) for _, percent in marked) / 100
    over_v = []
    for signs in itertools.product((-1, 1), repeat=4):
        one, two, three, four = (
            mega * (1 + share * sign) for mega, sign in zip((1.0, 1.0, 1.0, 1.1), signs, strict=True)
        )
        over_v.append(SUPPLY_V * (four / (three + four) - two / (one + two)))
    assert min(over_v) > 0.06
    assert max(over_v) < 0.18


def test_the_shipped_drawing_is_the_one_that_is_drawn() -> None:
    pytest.importorskip("schemdraw", reason="schemdraw is not installed (tapsig[benchmark])")
    from benchmarks import wiring

    assert read_firmware("wiring.svg") == wiring.draw() + "\n"
