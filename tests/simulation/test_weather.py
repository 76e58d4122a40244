"""Rain, hail, wind: statistics and physics."""

import math

import numpy as np
import pytest

from tapsig.simulation.excitation import Span
from tapsig.simulation.vehicle import find_vehicle
from tapsig.simulation.weather import SMALLEST_DROP_MM, drop_density, hail, rain, wind

VEHICLE = find_vehicle("otter")


def test_drops_arrive_as_a_poisson_process() -> None:
    # Counts in equal bins: variance = mean; gaps: standard deviation = mean (Poisson).
    drops = rain(VEHICLE, Span(120.0, 8000.0), np.random.default_rng(3)).impacts[0]
    counts = np.histogram(drops.onset_s, bins=np.linspace(0, 120, 241))[0]
    gaps = np.diff(drops.onset_s)
    assert drops.onset_s.size > 2000
    assert counts.var() / counts.mean() == pytest.approx(1.0, abs=0.35)
    assert gaps.std() / gaps.mean() == pytest.approx(1.0, abs=0.05)


def test_drop_density_is_that_of_marshall_and_palmer() -> None:
    # Marshall & Palmer (1948): N(D) = 8000·exp(−ΛD) per m³ and mm, Λ = 4.1·R^−0.21 (from memory); integrated above D.
    for rate in (1.0, 10.0, 100.0):
        number, slope = drop_density(rate)
        diameters = np.linspace(SMALLEST_DROP_MM, 30.0, 200_001)
        numeric = np.trapezoid(8000.0 * np.exp(-4.1 * rate**-0.21 * diameters), diameters)
        assert number == pytest.approx(numeric, rel=1e-4)
        assert slope == pytest.approx(4.1 * rate**-0.21)


def test_a_drop_spends_its_momentum() -> None:
    # J = m·v: with a contact time D/v a half-sine brings 2FT/π; so F·T·2/π / (ρπD³/6) is a wind speed of 4–12 m/s.
    drops = rain(VEHICLE, Span(30.0, 8000.0), np.random.default_rng(5)).impacts[0]
    impulse = drops.force_n * drops.duration_s * 2 / math.pi
    speed = (impulse * 6 / (1000 * math.pi)) ** 0.25 / drops.duration_s**0.75  # J = ρπ/6·(vT)³·v
    assert 4.0 <= speed.min() <= speed.max() <= 12.0
    assert speed.std() < 1e-6 * speed.mean()
    diameter_mm = 1e3 * speed * drops.duration_s
    assert diameter_mm.min() >= SMALLEST_DROP_MM
    assert diameter_mm.max() <= 6.0 + 1e-9


def test_drops_weigh_little_beside_a_knuckle() -> None:
    # A knuckle's 12 N for 3 ms is 23 mN·s; the largest stable drop (6 mm) at 10 m/s brings 1.1 mN·s.
    excitation = rain(VEHICLE, Span(60.0, 8000.0), np.random.default_rng(6))
    impulse = np.concatenate([group.force_n * group.duration_s * 2 / math.pi for group in excitation.impacts])
    assert impulse.max() < 0.06 * 23e-3


def test_hailstones_hit_shorter_and_harder_than_drops() -> None:
    stones, *drops = hail(VEHICLE, Span(120.0, 8000.0), np.random.default_rng(2)).impacts
    assert stones.kind == "hail"
    assert np.median(stones.duration_s) < np.median(drops[0].duration_s)
    assert np.median(stones.force_n) > 10 * np.median(drops[0].force_n)
    assert stones.duration_s.min() >= 0.9e-4
    assert stones.duration_s.max() < 6e-4


def test_wind_comes_in_gusts_of_low_frequency() -> None:
    excitation = wind(VEHICLE, Span(60.0, 8000.0), np.random.default_rng(1))
    force = sum(drive.newtons for drive in excitation.drives)
    power = np.abs(np.fft.rfft(force)) ** 2
    frequencies = np.fft.rfftfreq(force.size, 1 / 8000.0)
    assert (power * frequencies).sum() / power.sum() < 120.0
    level = np.sqrt(np.square(force[: force.size // 8000 * 8000]).reshape(-1, 8000).mean(axis=1))
    assert level.max() / level.min() > 3.0
    assert any(label.kind == "wind" for label in excitation.labels)
