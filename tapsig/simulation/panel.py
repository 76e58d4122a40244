"""Modes of thin steel skins and stiff bars: frequencies, shapes, curvature.

Every part is mass-normalised: a unit force at (x, y) drives mode i with `shape(x, y)[i]` (1/√kg), and the
modal coordinate q_i moves the point (x, y) by `shape(x, y)[i] * q_i` metres. Points are fractions of the sides.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.linalg import eigh
from scipy.special import j1
from threadpoolctl import threadpool_limits

from tapsig.errors import ParameterError
from tapsig.units import FloatArray, IntArray, check_positive, check_range

STEEL_MODULUS_PA = 210e9
STEEL_DENSITY_KG_M3 = 7850.0
STEEL_POISSON = 0.3


def compute_bending_stiffness(thickness_m: float) -> float:
    """Flexural rigidity of a steel plate in N·m: D = E h³ / 12(1 − ν²) (Leissa, Vibration of Plates, NASA SP-160).

    >>> round(compute_bending_stiffness(0.7e-3), 3)
    6.596
    """
    return STEEL_MODULUS_PA * thickness_m**3 / (12.0 * (1.0 - STEEL_POISSON**2))


@lru_cache(maxsize=64)
def beam_roots(count: int, ends: str) -> FloatArray:
    """The first `count` roots β of cos β·cosh β = 1 ("clamped") or = −1 ("cantilever").

    >>> beam_roots(2, "clamped").round(4), beam_roots(2, "cantilever").round(4)
    (array([4.73  , 7.8532]), array([1.8751, 4.6941]))
    """
    sign = {"clamped": -1.0, "cantilever": 1.0}.get(ends)
    if sign is None:
        raise ParameterError(f"ends is {ends!r}; it must be 'clamped' or 'cantilever'")
    roots = []
    for order in range(1, count + 1):
        beta = (order - 0.5 * sign) * math.pi
        for _ in range(60):  # Newton; the start is right to 0.3 rad, and to 1e-9 from the sixth root on
            value = math.cos(beta) + sign / math.cosh(beta)
            slope = -math.sin(beta) - sign * math.tanh(beta) / math.cosh(beta)
            beta -= value / slope
        roots.append(beta)
    return np.array(roots)


def beam_functions(xi: FloatArray | float, count: int, ends: str, derivative: int = 0) -> FloatArray:
    """Mode functions of a uniform beam at `xi`, shape (n,) or a number, from 0 to 1, with ∫φ² dξ = 1; shape (count, n).

    `derivative` 0, 1 or 2 counts differentiations by ξ. Euler-Bernoulli; ends "clamped", "cantilever" (fixed at 0)
    or "supported".
    """
    xi = np.atleast_1d(np.asarray(xi, dtype=np.float64))
    if ends == "supported":
        k = np.arange(1, count + 1)[:, None] * math.pi
        wave = (np.sin, np.cos, lambda phase: -np.sin(phase))[derivative]
        return np.asarray(math.sqrt(2.0) * k**derivative * wave(k * xi))
    beta = beam_roots(count, ends)[:, None]
    turn = -1.0 if ends == "clamped" else 1.0
    base = np.sinh(beta) + turn * np.sin(beta)
    sigma = (np.cosh(beta) + turn * np.cos(beta)) / base
    # 1 − σ from its own formula: the difference would lose all its digits at high orders.
    rest = (-np.exp(-beta) + turn * (np.sin(beta) - np.cos(beta))) / base
    growing, falling = 0.5 * rest * np.exp(beta * xi), 0.5 * (1.0 + sigma) * np.exp(-beta * xi)
    sine, cosine = np.sin(beta * xi), np.cos(beta * xi)
    if derivative == 0:
        return np.asarray(growing + falling - cosine + sigma * sine)
    if derivative == 1:
        return np.asarray(beta * (growing - falling + sine + sigma * cosine))
    return np.asarray(beta**2 * (growing + falling + cosine - sigma * sine))


@lru_cache(maxsize=64)
def _quadrature(count: int) -> tuple[FloatArray, FloatArray]:
    """Gauss-Legendre points and weights on 0…1."""
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return 0.5 * (nodes + 1.0), 0.5 * weights


@dataclass(frozen=True, slots=True)
class Part:
    """Modes of one uncoupled part.

    Parameters
    ----------
    omega : angular frequencies in rad/s, shape (n,), ascending.
    mass_kg : moving mass.
    heave : participation in base acceleration, ∫φ dm, shape (n,), √kg.
    shape, curvature : functions of (x, y) in 0…1 to shape (n,): displacement φ, and −∇²φ (1/m² times φ's unit).
    wavenumber : of free bending waves at each mode's frequency, rad/m, shape (n,).
    """

    omega: FloatArray
    mass_kg: float
    heave: FloatArray
    shape: Callable[[float, float], FloatArray]
    curvature: Callable[[float, float], FloatArray]
    wavenumber: FloatArray

    @property
    def frequencies_hz(self) -> FloatArray:
        return self.omega / (2.0 * math.pi)

    def sense(self, x: float, y: float, radius_m: float) -> FloatArray:
        """Mean curvature under a disc of `radius_m` glued at (x, y); shape (n,).

        Averaged over a disc, a bending wave keeps 2·J1(kr)/(kr) of its amplitude, so short waves are attenuated.
        """
        reach = np.maximum(self.wavenumber * radius_m, 1e-9)
        return self.curvature(x, y) * (2.0 * j1(reach) / reach)


@dataclass(frozen=True, slots=True)
class Plate:
    """A rectangular steel skin.

    Parameters
    ----------
    length_m, width_m, thickness_m : of the free bay.
    edges : "supported" (closed form) or "clamped" (Rayleigh-Ritz on beam functions).
    stiffening : factor on the bending stiffness, for beads and swages (1 = flat).
    added_kg_m2 : mass of a damping sheet.
    radius_m : radius of curvature along the width; inf = flat. Only with supported edges.
    """

    length_m: float
    width_m: float
    thickness_m: float
    edges: str = "supported"
    stiffening: float = 1.0
    added_kg_m2: float = 0.0
    radius_m: float = math.inf

    def __post_init__(self) -> None:
        for name in ("length_m", "width_m", "thickness_m", "stiffening"):
            check_positive(name, getattr(self, name))
        check_range("added_kg_m2", self.added_kg_m2, 0.0, 100.0)
        if self.edges not in ("supported", "clamped"):
            raise ParameterError(f"edges is {self.edges!r}; it must be 'supported' or 'clamped'")
        if self.radius_m != math.inf and (self.edges != "supported" or not self.radius_m > 0):
            raise ParameterError("radius_m needs supported edges and a value above 0 (inf = flat)")

    @property
    def rigidity(self) -> float:
        """Bending stiffness in N·m."""
        return self.stiffening * compute_bending_stiffness(self.thickness_m)

    @property
    def surface_kg_m2(self) -> float:
        return STEEL_DENSITY_KG_M3 * self.thickness_m + self.added_kg_m2

    def solve(self, max_hz: float) -> Part:
        """All modes up to `max_hz`."""
        check_positive("max_hz", max_hz)
        return _supported_part(self, max_hz) if self.edges == "supported" else _clamped_part(self, max_hz)


def _counts_below(plate: Plate, max_hz: float) -> tuple[int, int]:
    """Largest number of half waves along each side of a mode up to `max_hz`."""
    speed = math.sqrt(plate.rigidity / plate.surface_kg_m2)
    k_max = math.sqrt(2.0 * math.pi * max_hz / speed)
    return (max(1, int(k_max * plate.length_m / math.pi)), max(1, int(k_max * plate.width_m / math.pi)))


def _part_from_basis(
    plate: Plate, omega: FloatArray, m: IntArray, n: IntArray, mixing: FloatArray | None = None
) -> Part:
    """A Part whose shapes are products of beam functions (`m`, `n` from 0), mixed by `mixing` when given."""
    a, b = plate.length_m, plate.width_m
    mass, ends = plate.surface_kg_m2 * a * b, plate.edges
    p, q = int(m.max()) + 1, int(n.max()) + 1

    def mix(values: FloatArray) -> FloatArray:
        mixed = values if mixing is None else values @ mixing
        return np.asarray(mixed[: omega.size] / math.sqrt(mass))

    def products(x: float, y: float, in_x: int = 0, in_y: int = 0) -> FloatArray:
        along = beam_functions(x, p, ends, in_x)[:, 0] / a**in_x
        across = beam_functions(y, q, ends, in_y)[:, 0] / b**in_y
        return np.asarray(along[m] * across[n])

    def shape(x: float, y: float) -> FloatArray:
        return mix(products(x, y))

    def curvature(x: float, y: float) -> FloatArray:
        return -mix(products(x, y, 2, 0) + products(x, y, 0, 2))

    points, weights = _quadrature(4 * max(p, q) + 16)
    mean_x, mean_y = beam_functions(points, p, ends) @ weights, beam_functions(points, q, ends) @ weights
    heave = mix(mean_x[m] * mean_y[n]) * mass
    wavenumber = (omega**2 * plate.surface_kg_m2 / plate.rigidity) ** 0.25
    return Part(omega, mass, heave, shape, curvature, wavenumber)


def _supported_part(plate: Plate, max_hz: float) -> Part:
    p, q = _counts_below(plate, max_hz)
    m, n = (grid.ravel() for grid in np.meshgrid(np.arange(p), np.arange(q), indexing="ij"))
    kx, ky = (m + 1) * math.pi / plate.length_m, (n + 1) * math.pi / plate.width_m
    k2 = kx**2 + ky**2
    # Donnell's shallow cylinder, generator along x: the membrane adds E h/R²·(kx/k)⁴ to the bending D k⁴ (Leissa,
    # Vibration of Shells, NASA SP-288; from memory).
    membrane = STEEL_MODULUS_PA * plate.thickness_m / plate.radius_m**2 * (kx**2 / k2) ** 2
    omega = np.sqrt((plate.rigidity * k2**2 + membrane) / plate.surface_kg_m2)
    order = np.argsort(omega, kind="stable")
    order = order[omega[order] <= 2.0 * math.pi * max_hz] if omega.min() <= 2.0 * math.pi * max_hz else order[:1]
    return _part_from_basis(plate, omega[order], m[order], n[order])


@lru_cache(maxsize=64)
def _slope_products(count: int) -> FloatArray:
    """∫φ_m'φ_p' dξ of the clamped beam's functions, shape (count, count)."""
    points, weights = _quadrature(4 * count + 16)
    slopes = beam_functions(points, count, "clamped", 1)
    return np.asarray((slopes * weights) @ slopes.T)


def _clamped_part(plate: Plate, max_hz: float) -> Part:
    """Rayleigh-Ritz: with all edges clamped, twice ∫w_xx·w_yy equals twice ∫w_xy², so slopes suffice."""
    p, q = (max(count + 1, 6) for count in _counts_below(plate, max_hz))
    m, n = (grid.ravel() for grid in np.meshgrid(np.arange(p), np.arange(q), indexing="ij"))
    a, b = plate.length_m, plate.width_m
    own = (beam_roots(p, "clamped") ** 4)[m] / a**4 + (beam_roots(q, "clamped") ** 4)[n] / b**4
    within = own * plate.rigidity / plate.surface_kg_m2 <= (2.0 * math.pi * max_hz) ** 2 * 1.2 + 1e-9
    keep = np.argsort(own, kind="stable")[: max(36, np.count_nonzero(within))]
    m, n, own = m[keep], n[keep], own[keep]
    slopes_x, slopes_y = _slope_products(p), _slope_products(q)
    stiffness = 2.0 / (a * b) ** 2 * slopes_x[m[:, None], m] * slopes_y[n[:, None], n]
    stiffness[np.diag_indices(m.size)] += own
    with threadpool_limits(1, "blas"):
        values, vectors = eigh(stiffness)
    omega = np.sqrt(values * plate.rigidity / plate.surface_kg_m2)
    count = max(1, int(np.count_nonzero(omega <= 2.0 * math.pi * max_hz)))
    return _part_from_basis(plate, omega[:count], m, n, np.ascontiguousarray(vectors))


@dataclass(frozen=True, slots=True)
class Bar:
    """A stiff bar: the door's frame ("clamped" at both ends) or a bracket ("cantilever").

    `stiffness_n_m2` is E·I.
    """

    length_m: float
    stiffness_n_m2: float
    kg_m: float
    ends: str = "clamped"

    def __post_init__(self) -> None:
        for name in ("length_m", "stiffness_n_m2", "kg_m"):
            check_positive(name, getattr(self, name))

    def solve(self, max_hz: float) -> Part:
        """All modes up to `max_hz` (at least two)."""
        check_positive("max_hz", max_hz)
        speed = math.sqrt(self.stiffness_n_m2 / self.kg_m)
        k_max = math.sqrt(2.0 * math.pi * max_hz / speed)
        count = max(2, int(k_max * self.length_m / math.pi + 0.5))
        k = beam_roots(count, self.ends) / self.length_m
        mass, ends = self.kg_m * self.length_m, self.ends

        def shape(x: float, y: float) -> FloatArray:
            return np.asarray(beam_functions(x, count, ends)[:, 0] / math.sqrt(mass))

        def curvature(x: float, y: float) -> FloatArray:
            second = beam_functions(x, count, ends, 2)[:, 0] / self.length_m**2
            return np.asarray(-second / math.sqrt(mass))

        points, weights = _quadrature(4 * count + 16)
        means = beam_functions(points, count, ends) @ weights
        heave = means * math.sqrt(mass)
        return Part(k**2 * speed, mass, heave, shape, curvature, k)
