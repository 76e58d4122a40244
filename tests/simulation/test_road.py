"""Road profiles and the quarter car against their standards."""

import math

import numpy as np
import pytest
from scipy.signal import welch

from tapsig.errors import ParameterError
from tapsig.simulation.excitation import Span
from tapsig.simulation.road import (
    GOLDEN_CAR,
    ROAD_CLASSES,
    band_noise,
    driving,
    poisson_times,
    pulse_train,
    quarter_car_acceleration,
    quarter_car_matrix,
    simulate_road_profile,
)
from tapsig.simulation.vehicle import find_vehicle


def test_road_classes_are_the_geometric_means_of_the_standard() -> None:
    # ISO 8608: Gd(n0 = 0.1 cycle/m) in 1e-6 m³, geometric means of classes A–H.
    assert list(ROAD_CLASSES.values()) == [16, 64, 256, 1024, 4096, 16384, 65536, 262144]


@pytest.mark.parametrize("road_class", ["A", "C", "E"])
def test_generated_profile_has_the_spectrum_of_its_class(road_class: str) -> None:
    # ISO 8608: Gd(n) = Gd(n0)·(n/n0)⁻², read between 0.05 and 5 cycles/m; fitted slope and level at n0.
    spacing = 0.02
    profile = simulate_road_profile(np.full(1_000_000, spacing), road_class, np.random.default_rng(8))
    n, density = welch(profile, fs=1 / spacing, nperseg=1 << 14, detrend="linear")
    inside = (n > 0.05) & (n < 5.0)
    slope, level = np.polyfit(np.log10(n[inside] / 0.1), np.log10(density[inside]), 1)
    assert slope == pytest.approx(-2.0, abs=0.05)
    assert 10**level == pytest.approx(ROAD_CLASSES[road_class] * 1e-6, rel=0.15)


def test_unknown_road_class_is_refused() -> None:
    with pytest.raises(ParameterError, match="road_class"):
        simulate_road_profile(np.ones(10), "Z", np.random.default_rng(0))


def test_golden_car_has_its_modes() -> None:
    # ASTM E1926, k1 = 653, k2 = 63.3, c = 6, µ = 0.15: damped 1.166 Hz (ζ .333) and 10.253 Hz (ζ .302); undamped 1.208
    # and 11.005 Hz.
    poles = np.linalg.eigvals(quarter_car_matrix())
    poles = np.sort_complex(poles[poles.imag > 0])[::-1]
    assert poles.imag / (2 * math.pi) == pytest.approx([1.166, 10.253], rel=1e-3)
    assert -poles.real / np.abs(poles) == pytest.approx([0.333, 0.302], rel=2e-3)
    undamped = np.linalg.eigvals(quarter_car_matrix({**GOLDEN_CAR, "damper": 0.0}))
    assert np.unique(np.abs(undamped).round(6)) / (2 * math.pi) == pytest.approx([1.208, 11.005], rel=1e-3)


@pytest.mark.parametrize("hz", [0.7, 1.166, 4.0, 10.253, 25.0])
def test_quarter_car_answers_a_wavy_road_as_its_transfer_function(hz: float) -> None:
    # (s²x_s)/z of the two-mass model at s = jω, by solving its equations of motion.
    fs, omega = 2000.0, 2 * math.pi * hz
    k1, k2, c, mu = (GOLDEN_CAR[name] for name in ("tyre", "spring", "damper", "unsprung"))
    s = 1j * omega
    body, wheel = np.linalg.solve(
        [[s * s + c * s + k2, -(c * s + k2)], [-(c * s + k2), mu * s * s + c * s + k1 + k2]], [0.0, k1]
    )
    t = np.arange(int(20 * fs)) / fs
    found = quarter_car_acceleration(np.sin(omega * t), fs)[int(10 * fs) :]
    t = t[int(10 * fs) :]
    gain = 2 * np.abs(np.mean(found * np.exp(-1j * omega * t)))
    assert gain == pytest.approx(abs(s * s * body), rel=0.02)
    assert abs(wheel) > 0


def test_body_acceleration_of_a_blow_brings_its_momentum() -> None:
    # ∫a dt = J/m summed over the body's modes right after a blow much shorter than their periods.
    body = find_vehicle("heron").body
    fs = 8000.0
    span = Span(0.1, fs)
    force = pulse_train(span, np.array([0.01]), np.array([5e-4]), np.array([1000.0]))
    velocity = np.cumsum(body.accelerate(force, fs))[int(0.0112 * fs)] / fs
    expected = force.sum() / fs * sum(1 / mass for mass in body.mass_kg)
    assert velocity == pytest.approx(expected, rel=0.15)


def test_band_noise_has_unit_rms_and_stays_in_its_band() -> None:
    noise = band_noise(Span(60.0, 8000.0), 70.0, 400.0, np.random.default_rng(2))
    frequencies, density = welch(noise, fs=8000.0, nperseg=4096)
    assert noise.std() == pytest.approx(1.0, rel=0.05)
    assert density[(frequencies > 1500)].max() < 1e-2 * density.max()


def test_times_of_a_poisson_process_are_poisson() -> None:
    # Counts of a Poisson process: variance = mean, and exponential gaps (standard deviation = mean).
    times = poisson_times(Span(4000.0, 8000.0), 3.0, np.random.default_rng(4))
    counts = np.histogram(times, bins=np.arange(0, 4001, 1.0))[0]
    assert counts.mean() == pytest.approx(3.0, rel=0.05)
    assert counts.var() / counts.mean() == pytest.approx(1.0, abs=0.08)
    assert np.diff(times).std() / np.diff(times).mean() == pytest.approx(1.0, abs=0.05)


def test_both_axles_hit_a_pothole() -> None:
    vehicle = find_vehicle("heron")
    found = 0
    for seed in range(6):
        span = Span(60.0, 1000.0)
        labels = driving(vehicle, span, np.random.default_rng(seed)).labels
        onsets = np.array([label.onset_s for label in labels])
        assert all(label.kind == "thump" for label in labels)
        assert np.all(np.diff(onsets) >= 0)
        found += onsets.size
    assert found > 40
