"""The simulator `tapsig.simulation` as a generator of the transfer benchmark: random vehicles and sensors."""

import dataclasses
import math
import zlib
from collections.abc import Mapping

import numpy as np

from benchmarks.generators import Generator, TapPlan
from tapsig.records import Recording
from tapsig.simulation import SCENES, Vehicle, random_vehicle, simulate_scene

FIRST_SEED = 740_000


def _vary(vehicle: Vehicle, rng: np.random.Generator) -> Vehicle:
    """The vehicle with other gains, resolution and input."""
    level = {position: math.exp(rng.uniform(math.log(0.05), math.log(0.9))) for position in vehicle.level}
    converter = dataclasses.replace(
        vehicle.converter,
        bits=int(rng.choice([8, 10, 12, 16], p=[0.15, 0.5, 0.25, 0.1])),
        one_sided=bool(rng.random() < 0.2),
    )
    return dataclasses.replace(vehicle, level=level, converter=converter)


def make(door: int, scene: str, *, fs: float, duration_s: float, taps: TapPlan, seed: int) -> Mapping[str, Recording]:
    """The recordings of `Generator.simulate`."""
    vehicle = _vary(random_vehicle(FIRST_SEED + door), np.random.default_rng(FIRST_SEED + door))
    strength = math.exp(np.random.default_rng(seed).uniform(-0.5, 0.5))
    simulated = simulate_scene(
        vehicle,
        scene,
        duration_s=duration_s,
        fs=fs,
        taps="practice" if taps == "single" else taps,
        seed=zlib.crc32(f"{door} {scene} {seed}".encode()),
        strength=strength,
    )
    return simulated.recordings


GENERATOR = Generator("home", tuple(SCENES), make)
