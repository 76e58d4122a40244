"""Plates and bars against printed tables."""

import math

import numpy as np
import pytest

from tapsig.errors import ParameterError
from tapsig.simulation.panel import Bar, Plate, beam_functions, beam_roots, compute_bending_stiffness

STEEL_SKIN = {"length_m": 0.5, "width_m": 0.4, "thickness_m": 0.7e-3}


def frequency_parameters(length_m: float, width_m: float, edges: str, count: int) -> np.ndarray:
    """λ² = ω a² √(ρh/D) of a steel plate."""
    plate = Plate(length_m, width_m, 1e-3, edges=edges)
    reach_hz = 200.0 / (2 * math.pi * length_m**2) * math.sqrt(plate.rigidity / plate.surface_kg_m2)
    omega = plate.solve(reach_hz).omega
    return omega[:count] * length_m**2 * math.sqrt(plate.surface_kg_m2 / plate.rigidity)


def test_supported_square_plate_has_the_printed_frequency_parameters() -> None:
    # Leissa, Vibration of Plates, NASA SP-160, ch. 4: λ² = π²(m² + n²); 19.739, 49.348, 78.957, 98.696 (from memory,
    # recomputed from the closed form).
    found = frequency_parameters(1.0, 1.0, "supported", 6)
    assert found == pytest.approx([19.7392, 49.3480, 49.3480, 78.9568, 98.6960, 98.6960], rel=1e-5)


def test_clamped_square_plate_has_the_printed_frequency_parameters() -> None:
    # Leissa, NASA SP-160 and J. Sound Vib. 31 (1973) 257: 35.99, 73.41, 73.41, 108.27, 131.64, 132.24.
    found = frequency_parameters(1.0, 1.0, "clamped", 6)
    assert found == pytest.approx([35.99, 73.41, 73.41, 108.27, 131.64, 132.24], rel=1e-3)


@pytest.mark.parametrize(("ratio", "first"), [(1.5, 60.772), (2.5, 147.80), (0.4, 23.648)])
def test_clamped_rectangles_have_the_printed_first_parameter(ratio: float, first: float) -> None:
    # Leissa, NASA SP-160: a/b = 1.5 → 60.772, 2.5 → 147.80, 0.4 → 23.648 (from memory).
    assert frequency_parameters(1.0, 1.0 / ratio, "clamped", 1)[0] == pytest.approx(first, rel=1e-3)


def test_steel_skin_of_the_worked_example() -> None:
    # Arithmetic from the closed form: E = 210 GPa, ν = 0.3, ρ = 7850, 0.7 mm.
    plate = Plate(**STEEL_SKIN)
    assert compute_bending_stiffness(0.7e-3) == pytest.approx(6.596, rel=1e-3)
    assert plate.surface_kg_m2 == pytest.approx(5.495, rel=1e-9)
    assert plate.solve(75.0).frequencies_hz == pytest.approx([17.64, 38.29, 49.91, 70.56, 72.71], rel=1e-3)
    assert Plate(**STEEL_SKIN, edges="clamped").solve(200.0).frequencies_hz[0] == pytest.approx(32.57, rel=1e-3)


def test_number_of_modes_follows_the_asymptotic_density() -> None:
    # Mode count of a plate, N(f) ≈ (A/2)·√(ρh/D)·f − (perimeter term): Leissa / Cremer & Heckl (from memory). The
    # perimeter correction for supported edges is −(P/4π)·k.
    plate = Plate(0.5, 0.4, 0.7e-3)
    count = plate.solve(3000.0).omega.size
    k = math.sqrt(2 * math.pi * 3000.0 * math.sqrt(plate.surface_kg_m2 / plate.rigidity))
    expected = 0.5 * 0.4 * k**2 / (4 * math.pi) - 2 * (0.5 + 0.4) * k / (4 * math.pi)
    assert count == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize("edges", ["supported", "clamped"])
def test_mode_shapes_are_orthonormal_over_the_mass(edges: str) -> None:
    part = Plate(0.5, 0.4, 0.7e-3, edges=edges).solve(400.0)
    grid = (np.arange(60) + 0.5) / 60
    shapes = np.array([part.shape(x, y) for x in grid for y in grid])
    gram = shapes.T @ shapes / len(shapes) * part.mass_kg
    assert gram == pytest.approx(np.eye(part.omega.size), abs=2e-4)


@pytest.mark.parametrize("edges", ["supported", "clamped"])
def test_curvature_is_the_laplacian_of_the_shape(edges: str) -> None:
    part = Plate(0.5, 0.4, 0.7e-3, edges=edges).solve(200.0)
    x, y, step = 0.37, 0.41, 1e-3
    across = part.shape(x + step, y) - 2 * part.shape(x, y) + part.shape(x - step, y)
    along = part.shape(x, y + step) - 2 * part.shape(x, y) + part.shape(x, y - step)
    laplacian = across / (step * 0.5) ** 2 + along / (step * 0.4) ** 2
    assert part.curvature(x, y) == pytest.approx(-laplacian, rel=1e-3, abs=0.05)


def test_supported_plate_curvature_is_wavenumber_squared_times_shape() -> None:
    part = Plate(**STEEL_SKIN).solve(500.0)
    assert part.curvature(0.3, 0.7) == pytest.approx(part.wavenumber**2 * part.shape(0.3, 0.7), rel=1e-9)


def test_shallow_shell_raises_modes_as_donnell_says() -> None:
    # Leissa, Vibration of Shells, NASA SP-288 (from memory): ω² gains E/(ρR²)·(kx/k)⁴ when no sheet is added.
    radius = 4.0
    flat, bent = Plate(0.5, 0.4, 0.7e-3).solve(60.0), Plate(0.5, 0.4, 0.7e-3, radius_m=radius).solve(400.0)
    kx, ky = math.pi / 0.5, math.pi / 0.4
    gain = 210e9 / 7850.0 / radius**2 * (kx**2 / (kx**2 + ky**2)) ** 2
    assert np.min(np.abs(bent.omega**2 - (flat.omega[0] ** 2 + gain))) < 1e-6 * gain


def test_bar_frequencies_follow_the_printed_roots() -> None:
    # Euler-Bernoulli roots βL: clamped 4.7300, 7.8532, 10.9956; cantilever 1.8751, 4.6941, 7.8548 (Blevins; memory).
    assert beam_roots(3, "clamped") == pytest.approx([4.7300, 7.8532, 10.9956], abs=5e-5)
    assert beam_roots(3, "cantilever") == pytest.approx([1.8751, 4.6941, 7.8548], abs=5e-5)
    bar = Bar(1.0, 4000.0, 1.5).solve(1000.0)
    assert bar.frequencies_hz[0] == pytest.approx(4.7300**2 / (2 * math.pi) * math.sqrt(4000.0 / 1.5), rel=1e-4)


@pytest.mark.parametrize(("ends", "edge"), [("clamped", (0.0, 1.0)), ("cantilever", (0.0,))])
def test_fixed_ends_neither_move_nor_turn(ends: str, edge: tuple[float, ...]) -> None:
    assert beam_functions(np.array(edge), 30, ends) == pytest.approx(0.0, abs=1e-9)
    assert beam_functions(np.array(edge), 30, ends, 1) == pytest.approx(0.0, abs=1e-7)


def test_a_large_disc_averages_short_waves_away() -> None:
    part = Plate(**STEEL_SKIN).solve(3000.0)
    # The first zero of J1(x)/x lies at x = 3.8317 (Abramowitz & Stegun, table 9.5).
    radius = 3.8317 / part.wavenumber[-1]
    assert abs(part.sense(0.3, 0.3, radius)[-1]) < 1e-4 * abs(part.curvature(0.3, 0.3)[-1])
    assert part.sense(0.3, 0.3, 1e-6) == pytest.approx(part.curvature(0.3, 0.3), rel=1e-6)


@pytest.mark.parametrize("bad", [{"length_m": 0.0}, {"thickness_m": -1.0}, {"edges": "free"}, {"added_kg_m2": -1.0}])
def test_impossible_plates_are_refused(bad: dict[str, float]) -> None:
    with pytest.raises(ParameterError, match=next(iter(bad))):
        Plate(**{**STEEL_SKIN, **bad})


def test_curved_clamped_plate_is_refused() -> None:
    with pytest.raises(ParameterError, match="radius_m"):
        Plate(**STEEL_SKIN, edges="clamped", radius_m=3.0)


def test_unknown_beam_ends_are_refused() -> None:
    with pytest.raises(ParameterError, match="ends"):
        beam_roots(3, "free")
