"""Recordings simulated from physics, with their ground truth."""

from tapsig.simulation.scene import SCENES, SceneTruth, SimulatedScene, simulate_blocks, simulate_scene
from tapsig.simulation.sensor import SimulatedConverter
from tapsig.simulation.vehicle import FLEET, POSITIONS, Vehicle, find_vehicle, random_vehicle

__all__ = [
    "FLEET",
    "POSITIONS",
    "SCENES",
    "SceneTruth",
    "SimulatedConverter",
    "SimulatedScene",
    "Vehicle",
    "find_vehicle",
    "random_vehicle",
    "simulate_blocks",
    "simulate_scene",
]
