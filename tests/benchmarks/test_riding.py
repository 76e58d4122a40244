"""The invented rides: a four-stroke engine fires each cylinder once in two turns (textbooks on engines)."""

import numpy as np

from benchmarks import riding


def test_each_cylinder_fires_once_in_two_turns() -> None:
    fs, turns_a_second, seconds = 2000.0, 10.0, 20
    machine = riding.Machine(np.array([0.1, 0.6]), np.zeros(0), np.zeros(0), np.zeros(0))
    size = int(seconds * fs)
    force = riding.fire(machine, np.full(size, turns_a_second), np.ones(size), fs, np.random.default_rng(0))
    power = np.abs(np.fft.rfft(force))
    lines_hz = np.flatnonzero(power > 0.3 * power.max()) / seconds
    assert lines_hz.size
    # Evenly spaced: ten pulses a second, so there is nothing but multiples of 10 Hz.
    np.testing.assert_allclose(lines_hz / 10.0, np.round(lines_hz / 10.0), atol=0.02)


def test_ride_has_no_taps_and_the_same_arguments_give_the_same_samples() -> None:
    one, other = riding.ride(0, 1000.0, holes=True), riding.ride(0, 1000.0, holes=True)
    assert one.duration_s == riding.RIDE_S
    assert one.labels == ()
    np.testing.assert_array_equal(one.samples, other.samples)
    assert one.samples.min() >= riding.RANGE_V[0]
    assert np.unique(one.samples).size <= 256  # 8 bits
    assert not np.array_equal(one.samples, riding.ride(0, 1000.0, holes=False).samples)
