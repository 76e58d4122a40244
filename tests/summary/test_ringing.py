"""Ringing after taps whose decay is known."""

import math

import numpy as np
import pytest

from tapsig.records import Label, Recording
from tapsig.summary.ringing import MARGIN_DB, Ringing, measure_ringing
from tests.fakes import ring_down

FS = 4000.0


def ring(t60_s: float, taps_s: list[float], *, heights: list[float] | None = None, length_s: float = 20.0) -> Recording:
    """Taps that ring at 400 Hz."""
    time_s = np.arange(int(length_s * FS)) / FS
    samples = np.zeros(time_s.size)
    for tap, height in zip(taps_s, heights or [1.0] * len(taps_s), strict=True):
        samples += height * ring_down(time_s, tap, 400.0, t60_s)
    return Recording(samples, FS, labels=tuple(map(Label, taps_s)))


def measure(recording: Recording) -> Ringing:
    found = measure_ringing(recording, recording.taps_s)
    assert found is not None
    return found


@pytest.mark.parametrize("t60_s", [0.4, 1.0, 3.0])
def test_the_level_falls_by_60_db_in_t60(t60_s: float) -> None:
    found = measure(ring(t60_s, [1.0, 5.0, 9.0, 13.0]))
    early = found.times_s < min(0.6 * t60_s, 1.0)
    slope = np.polyfit(found.times_s[early], found.level_db[early], 1)[0]
    assert slope == pytest.approx(-60.0 / t60_s, rel=0.03)


@pytest.mark.parametrize("t60_s", [0.5, 1.0, 2.0])
def test_the_dead_time_needed_is_the_time_to_fall_to_the_threshold(t60_s: float) -> None:
    found = measure(ring(t60_s, [1.0, 5.0, 9.0, 13.0]))
    assert found.threshold_db == pytest.approx(-MARGIN_DB, abs=0.1)
    assert found.needed_s == pytest.approx(MARGIN_DB / 60.0 * t60_s, abs=0.011)  # in steps of 10 ms
    assert found.shortest_gap_s == pytest.approx(4.0)
    assert found.dead_time_exists


def test_taps_closer_than_the_ringing_leave_no_dead_time() -> None:
    found = measure(ring(5.0, [1.0, 1.2, 1.4, 1.6, 1.8], length_s=4.0))
    assert math.isinf(found.needed_s)
    assert not found.dead_time_exists


def test_a_weak_tap_makes_the_strong_ones_ring_on_for_longer() -> None:
    taps = [1.0, 5.0, 9.0, 13.0]
    found = measure(ring(1.0, taps, heights=[1.0, 1.0, 1.0, 0.1]))
    assert found.threshold_db == pytest.approx(-20.0 - MARGIN_DB, abs=0.2)  # 20 · lg 0.1
    assert found.needed_s == pytest.approx((20.0 + MARGIN_DB) / 60.0, abs=0.011)


def test_two_taps_are_too_few() -> None:
    recording = ring(1.0, [1.0, 5.0])
    assert measure_ringing(recording, recording.taps_s) is None
