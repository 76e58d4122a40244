"""Generators of simulated doors, nuisances and taps for the transfer benchmark.

Each generator was written without having read `tapsig.simulation` or another generator, and differs from them in
kind, so that a detector fitted to some of them can be judged on one that nothing in its training resembles. They share
what is said here, and nothing of how a door, a tap or a nuisance is made.
"""

import dataclasses
from collections.abc import Callable, Mapping
from typing import Literal, get_args

import numpy as np

from tapsig.errors import ParameterError
from tapsig.records import Recording
from tapsig.units import FloatArray, check_range, counts_to_volts, volts_to_counts

TapPlan = Literal["entries", "single", "none"]
"""Taps of a recording: code entries; isolated taps, more than 1.5 s apart; or no taps."""


@dataclasses.dataclass(frozen=True, slots=True)
class Generator:
    """One way to invent doors and what happens at them.

    Parameters
    ----------
    name : short name in tables.
    scenes : what happens beside the taps, one scene a recording; the first is "quiet".
    make : a recording for each mounting position, for the arguments of `simulate` once they are checked.
    """

    name: str
    scenes: tuple[str, ...]
    make: Callable[..., Mapping[str, Recording]]

    def simulate(
        self, door: int, scene: str, *, fs: float, duration_s: float, taps: TapPlan, seed: int, **options: str
    ) -> dict[str, Recording]:
        """One labelled recording for each mounting position of a door; all heard the same events.

        The same arguments give the same samples.

        Parameters
        ----------
        door : number of the door, 0 or above.
        scene : one of `scenes`.
        fs : sample rate in Hz, 500 to 48000.
        duration_s : in seconds; what is too short for the plan of taps is refused.
        seed : of the random draws, 0 or above.
        options : of the generator.

        Raises ParameterError for an unknown scene or plan, or a number outside its range.
        """
        if scene not in self.scenes:
            raise ParameterError(f"scene is {scene!r}; it must be one of {', '.join(self.scenes)}")
        if taps not in get_args(TapPlan):
            raise ParameterError(f"taps is {taps!r}; it must be one of {', '.join(get_args(TapPlan))}")
        for name, number in (("door", door), ("seed", seed)):
            if number < 0:
                raise ParameterError(f"{name} is {number}; it must be a whole number, 0 or above")
        fs = check_range("fs", fs, 500.0, 48000.0)
        made = self.make(door, scene, fs=fs, duration_s=duration_s, taps=taps, seed=seed, **options)
        vehicle = f"{self.name}-{door}"
        source = f"{vehicle}-{scene}-{seed}"
        return {
            position: dataclasses.replace(recording, position=position, vehicle=vehicle, scene=scene, source=source)
            for position, recording in made.items()
        }


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """One draw whose logarithm is uniform between those of two positive bounds."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def quantise(volts: FloatArray, range_v: tuple[float, float], adc_bits: int) -> FloatArray:
    """The volts of the counts that a converter with these rails gives."""
    return counts_to_volts(volts_to_counts(volts, range_v, adc_bits), range_v, adc_bits)
