"""Generators of simulated doors, nuisances and taps for the transfer benchmark.

Each generator was written without having read `tapsig.simulation` or another generator, and differs from them in
kind, so that a detector fitted to some of them can be judged on one that nothing in its training resembles.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from tapsig.records import Recording

TapPlan = Literal["entries", "single", "none"]
"""Taps of a recording: code entries; isolated taps, more than 1.5 s apart; or no taps."""

Simulate = Callable[..., dict[str, Recording]]


@dataclass(frozen=True, slots=True)
class Generator:
    """One way to invent doors and what happens at them.

    Parameters
    ----------
    name : short name in tables.
    scenes : what happens beside the taps, one scene a recording; the first is "quiet".
    simulate : `simulate(door, scene, *, fs, duration_s, taps, seed)` with a door's number, a scene's name, the sample
        rate in Hz, a duration in seconds, a `TapPlan` and the seed of the random draws. It returns one labelled
        recording for each mounting position of the door; all heard the same events. The same arguments give the same
        samples.
    """

    name: str
    scenes: tuple[str, ...]
    simulate: Simulate
