"""Baseline detectors: none and random."""

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from tapsig.detections import Detections
from tapsig.detectors.base import StreamingDetector
from tapsig.detectors.parameters import Parameters
from tapsig.errors import ParameterError
from tapsig.units import FloatArray, check_count, check_range


@dataclass(frozen=True, slots=True)
class Null(Parameters):
    """Detects nothing."""

    name: ClassVar[str] = "null"

    def build(self, fs: float, *, keep_rejected: bool = False) -> "NullDetector":
        """A detector for `fs` Hz."""
        return NullDetector(fs)


class NullDetector(StreamingDetector):
    """Runs a `Null`."""

    latency_s = 0.0

    def _process(self, samples: FloatArray, first: int) -> Detections:
        return Detections.empty()

    def _clear(self) -> None:
        pass


@dataclass(frozen=True, slots=True)
class Random(Parameters):
    """Taps at random times at the mean rate `rate_hz`, reproducible by `seed`."""

    name: ClassVar[str] = "random"
    rate_hz: float = 1.0
    seed: int = 0

    def __post_init__(self) -> None:
        check_range("rate_hz", self.rate_hz, 1e-9, 1000.0)
        check_count("seed", self.seed, 0, 2**32 - 1)

    def build(self, fs: float, *, keep_rejected: bool = False) -> "RandomDetector":
        """A detector for `fs` Hz."""
        return RandomDetector(self, fs)


class RandomDetector(StreamingDetector):
    """Runs a `Random`: a Poisson process."""

    latency_s = 0.0

    def __init__(self, variant: Random, fs: float) -> None:
        super().__init__(fs)
        if variant.rate_hz > self.fs:
            raise ParameterError(f"rate_hz is {variant.rate_hz!r}; it must be at most the sample rate, {self.fs:g} Hz")
        self._variant = variant
        self._clear()

    def _clear(self) -> None:
        self._rng = np.random.default_rng(self._variant.seed)
        self._next = self._draw(0.0)

    def _draw(self, after: float) -> float:
        return after + float(self._rng.exponential(self.fs / self._variant.rate_hz))

    def _process(self, samples: FloatArray, first: int) -> Detections:
        onsets = []
        while self._next < first + samples.size:
            onsets.append(int(self._next))
            self._next = self._draw(self._next)
        found = np.array(onsets, dtype=np.int64)
        return Detections(found, found, np.ones(found.size))
