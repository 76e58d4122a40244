"""Recordings simulated from physics, with the truth about every sample."""

from tapsig.simulate.scene import SCENES, SceneTruth, SimulatedScene, simulate_blocks, simulate_scene
from tapsig.simulate.sensor import Converter
from tapsig.simulate.vehicle import FLEET, POSITIONS, Vehicle, find_vehicle, random_vehicle

__all__ = [
    "FLEET", "POSITIONS", "SCENES", "Converter", "SceneTruth", "SimulatedScene", "Vehicle", "find_vehicle",
    "random_vehicle", "simulate_blocks", "simulate_scene",
]  # fmt: skip
