"""Invented vehicles: the fleet of an island ferry depot, and random ones.

Ranges marked (invented) have no source; damping ranges and sizes are common practice.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy.signal import lfilter

from tapsig.errors import ParameterError
from tapsig.simulation.excitation import Place, log_uniform, log_uniforms, random_stream
from tapsig.simulation.panel import STEEL_DENSITY_KG_M3, STEEL_MODULUS_PA, Bar, Plate
from tapsig.simulation.sensor import Circuit, Mount, SimulatedConverter
from tapsig.simulation.structure import Structure, Tie, assemble
from tapsig.units import FloatArray

POSITIONS = ("inner-skin", "outer-skin", "frame", "latch-bracket")

FLEET: Mapping[str, str] = {
    "heron": "train",
    "otter": "train",
    "lynx": "train",
    "badger": "validation",
    "crane": "test",
    "ibex": "test",
}

# Damping ratios of the uncoupled parts: bare steel skin, skin with a damping sheet, welded frame, bolted bracket.
ZETA_RANGES = {"inner": (0.002, 0.008), "outer": (0.02, 0.05), "frame": (0.03, 0.08), "bracket": (0.02, 0.04)}
BASIS_REACH = 2.0  # highest frequency of the parts' modes over that of the coupled modes
AIR_STIFFNESS_PA = 1.42e5  # density · speed of sound² of air


@dataclass(frozen=True, slots=True)
class Body:
    """The rest of the vehicle at the door's mounts: a few damped body modes of `mass_kg` each."""

    frequencies_hz: tuple[float, ...]
    zeta: tuple[float, ...]
    mass_kg: tuple[float, ...]

    def accelerate(self, newtons: FloatArray, fs: float) -> FloatArray:
        """Acceleration (m/s²) of the door's mounts for a force on the body, sampled at `fs`."""
        total = np.zeros(newtons.size)
        for hz, zeta, mass in zip(self.frequencies_hz, self.zeta, self.mass_kg, strict=True):
            omega = 2.0 * math.pi * hz
            damped = omega * math.sqrt(1.0 - zeta**2)
            pole = np.exp((-zeta * omega + 1j * damped) / fs)
            # Velocity of a mode for a held force; its difference is the acceleration.
            b = abs(pole) * math.sin(damped / fs) / (damped * mass)
            velocity = lfilter([b, -b], [1.0, -2.0 * pole.real, abs(pole) ** 2], newtons)
            total += np.diff(np.asarray(velocity), prepend=0.0) * fs
        return total


@dataclass(frozen=True, slots=True)
class Vehicle:
    """One vehicle's door with its four sensors, constant over its recordings.

    `level` is the fraction of full scale that a typical tap (12 N, 3 ms, at the usual spot) reaches at each position;
    the sensor's load is chosen for it. `zeta` are the parts' mean damping ratios.
    """

    name: str
    seed: int
    skins: Mapping[str, Plate]
    bars: Mapping[str, Bar]
    zeta: Mapping[str, float]
    ties: tuple[Tie, ...]
    body: Body
    tap_places: tuple[Place, ...]
    sensor_places: Mapping[str, Place]
    mounts: Mapping[str, Mount]
    circuits: Mapping[str, Circuit]
    level: Mapping[str, float]
    converter: SimulatedConverter

    def __hash__(self) -> int:
        return hash((self.name, self.seed))


@lru_cache(maxsize=8)
def build_structure(vehicle: Vehicle, max_hz: float) -> Structure:
    """The coupled modes of the vehicle's door up to `max_hz`; cached for the last few vehicles."""
    rng = random_stream(vehicle.seed, vehicle.name, "damping")
    parts = {name: part.solve(BASIS_REACH * max_hz) for name, part in (vehicle.skins | vehicle.bars).items()}  # type: ignore[operator]
    # One draw for each mode order, more than any part has: lower modes do not depend on max_hz.
    zetas = {
        name: vehicle.zeta[name] * np.exp(rng.normal(0.0, 0.25, 4000)[: part.omega.size])
        for name, part in parts.items()
    }
    return assemble(parts, zetas, vehicle.ties, max_hz)


def find_vehicle(name: str) -> Vehicle:
    """A vehicle of the depot's fleet. Raises ParameterError for a name that is not in FLEET."""
    if name not in FLEET:
        raise ParameterError(f"vehicle is {name!r}; there are: {', '.join(FLEET)}")
    drawn = _draw_vehicle(name, 0)
    bits = 12 if name == "lynx" else 10
    return replace(drawn, converter=replace(drawn.converter, bits=bits, full_scale_v=2.5, one_sided=False))


def random_vehicle(seed: int) -> Vehicle:
    """A random vehicle, drawn over wide ranges; it is never one of the fleet.

    >>> random_vehicle(3).name
    'vehicle-3'
    """
    return _draw_vehicle(f"vehicle-{seed}", seed)


def _draw_vehicle(name: str, seed: int) -> Vehicle:
    rng = random_stream(seed, name, "vehicle")
    skins, bars = _draw_skins(rng), _draw_bars(rng)
    zeta = {part: log_uniform(rng, *limits) for part, limits in ZETA_RANGES.items()}
    tap_places = _draw_tap_places(rng)
    sensor_places = {
        "inner-skin": ("inner", rng.uniform(0.2, 0.8), rng.uniform(0.2, 0.8)),
        "outer-skin": ("outer", rng.uniform(0.5, 0.9), rng.uniform(0.3, 0.8)),
        "frame": ("frame", rng.uniform(0.1, 0.9), 0.5),
        "latch-bracket": ("bracket", rng.uniform(0.1, 0.5), 0.5),
    }
    mounts = {position: Mount.draw(rng) for position in POSITIONS}
    circuits = {position: Circuit.draw(rng) for position in POSITIONS}
    level = {position: log_uniform(rng, 0.2, 0.5) for position in POSITIONS}
    ties, body, converter = _draw_ties(rng, skins), _draw_body(rng), SimulatedConverter.draw(rng)
    doors = (skins, bars, zeta, ties, body)
    return Vehicle(name, seed, *doors, tap_places, sensor_places, mounts, circuits, level, converter)


def _draw_tap_places(rng: np.random.Generator) -> tuple[Place, ...]:
    """Where people tap: on the hem over the frame, on the free skin, or on the frame itself; the usual spot first."""
    hem = ("outer", rng.uniform(0.1, 0.9), rng.uniform(0.04, 0.12))
    free = ("outer", rng.uniform(0.65, 0.92), rng.uniform(0.4, 0.85))
    frame = ("frame", rng.uniform(0.2, 0.8), 0.5)
    orders = ((hem, free, frame), (frame, hem, free), (free, hem, frame))
    return orders[int(rng.choice(3, p=[0.5, 0.2, 0.3]))]


def _draw_skins(rng: np.random.Generator) -> dict[str, Plate]:
    """Free bays of the inner and the outer skin; sizes, beads and sheet in the range of car doors (invented)."""
    inner = Plate(
        rng.uniform(0.34, 0.55),
        rng.uniform(0.26, 0.4),
        rng.uniform(0.65e-3, 0.85e-3),
        edges="clamped" if rng.random() < 0.5 else "supported",
        stiffening=rng.uniform(1.5, 5.0),
    )
    outer = Plate(
        rng.uniform(0.5, 0.75),
        rng.uniform(0.32, 0.45),
        rng.uniform(0.65e-3, 0.8e-3),
        stiffening=rng.uniform(1.5, 3.0),
        added_kg_m2=rng.uniform(1.5, 4.0),
        radius_m=rng.uniform(2.0, 7.0),
    )
    return {"inner": inner, "outer": outer}


def _draw_bars(rng: np.random.Generator) -> dict[str, Bar]:
    """A box-section frame member and a flanged bracket (invented sizes)."""
    wide, deep, wall = rng.uniform(0.05, 0.09), rng.uniform(0.03, 0.055), rng.uniform(1.2e-3, 2.2e-3)
    hollow = (wide - 2 * wall, deep - 2 * wall)
    inertia = (wide * deep**3 - hollow[0] * hollow[1] ** 3) / 12.0
    frame = Bar(
        rng.uniform(0.7, 1.2), STEEL_MODULUS_PA * inertia, STEEL_DENSITY_KG_M3 * (wide * deep - hollow[0] * hollow[1])
    )
    thick, across = rng.uniform(1.8e-3, 3.0e-3), rng.uniform(0.035, 0.06)
    bracket = Bar(
        rng.uniform(0.08, 0.15),
        STEEL_MODULUS_PA * across * thick**3 / 12.0 * rng.uniform(4.0, 12.0),
        STEEL_DENSITY_KG_M3 * thick * across * rng.uniform(1.2, 2.0),
        "cantilever",
    )
    return {"frame": frame, "bracket": bracket}


def _draw_ties(rng: np.random.Generator, skins: Mapping[str, Plate]) -> tuple[Tie, ...]:
    """Seams near the skins' edges, the air between the skins, the bracket's screws (stiffnesses invented)."""
    ties = []
    for skin, count in (("inner", 6), ("outer", 5)):
        for place in np.linspace(0.12, 0.88, count).tolist():
            edge = rng.uniform(0.04, 0.1)
            ties.append(Tie((skin, place, edge), ("frame", place, 0.5), log_uniform(rng, 2e4, 3e5)))
    area = skins["inner"].length_m * skins["inner"].width_m
    leak, depth = rng.uniform(0.15, 0.5), rng.uniform(0.06, 0.14)
    for x in (0.2, 0.5, 0.8):  # the cavity couples both skins; holes in the inner one vent most of the pressure
        for y in (0.25, 0.75):
            ties.append(Tie(("inner", x, y), ("outer", x, y), leak * AIR_STIFFNESS_PA * area / 6.0 / depth))
    ties.append(Tie(("bracket", 0.35, 0.5), ("frame", rng.uniform(0.4, 0.6), 0.5), rng.uniform(3e5, 2e6)))
    ties.append(Tie(("bracket", 0.6, 0.5), ("inner", 0.94, rng.uniform(0.4, 0.6)), rng.uniform(5e4, 4e5)))
    return tuple(ties)


def _draw_body(rng: np.random.Generator) -> Body:
    """Body modes between 28 and 140 Hz (invented spread; first bending of a car body lies near 30 Hz)."""
    hz = np.sort(log_uniforms(rng, 28.0, 140.0, 5))
    zeta, mass_kg = rng.uniform(0.03, 0.08, 5), rng.uniform(150.0, 600.0, 5)
    return Body(tuple(hz.tolist()), tuple(zeta.tolist()), tuple(mass_kg.tolist()))
