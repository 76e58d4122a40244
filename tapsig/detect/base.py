"""What a detector is, and how one is run.

A *variant* is a frozen dataclass of parameters, in seconds, hertz, volts and decibels, that knows its name and
builds a running detector for a sample rate. A *detector* is fed chunks and answers with detections. Running a
recording is feeding it as one chunk: there is no second algorithm for files.
"""

from abc import ABC, abstractmethod
from typing import ClassVar, Protocol, runtime_checkable

import numpy as np
import numpy.typing as npt

from tapsig.errors import ParameterError
from tapsig.records import Detections, Recording
from tapsig.units import FloatArray, check_positive, seconds_to_samples


@runtime_checkable
class Detector(Protocol):
    """A running detector. `tapsig.testing.check_detector` holds its contract."""

    @property
    def fs(self) -> float:
        """Sample rate in Hz."""
        ...

    @property
    def latency_s(self) -> float:
        """No decision comes later than this after its onset, in seconds (inf for a batch-only detector)."""
        ...

    def push(self, chunk: npt.ArrayLike) -> Detections:
        """Take the next samples (volts, 1-D) and return what was decided by them; indices count from reset."""
        ...

    def flush(self) -> Detections:
        """Say that no more samples follow, and return what can still be decided."""
        ...

    def reset(self) -> None:
        """Forget everything, as if newly built."""
        ...


@runtime_checkable
class Variant(Protocol):
    """Parameters of a detector: a frozen dataclass that can build it for any sample rate."""

    name: ClassVar[str]

    def build(self, fs: float, *, keep_rejected: bool = False) -> Detector:
        """A fresh detector at `fs` Hz; `keep_rejected` adds the rejected candidates, each with its reason."""
        ...


class StreamingDetector(ABC):
    """Common door of our detectors: checks each chunk, counts samples, keeps the protocol's order.

    A subclass implements `_process` (the next samples, and the index of the first of them), `_finish`, and `_clear`.
    """

    latency_s: float

    def __init__(self, fs: float) -> None:
        self._fs = check_positive("fs", fs)
        self._consumed = 0

    @property
    def fs(self) -> float:
        """Sample rate in Hz."""
        return self._fs

    def push(self, chunk: npt.ArrayLike) -> Detections:
        """Take the next samples (volts, 1-D, finite) and return what was decided by them.

        Raises ParameterError for a chunk that is not 1-D or holds nan or inf.
        """
        samples = np.ascontiguousarray(chunk, dtype=np.float64)
        if samples.ndim != 1:
            raise ParameterError(f"chunk has shape {samples.shape}; a detector takes one channel (1-D)")
        if not samples.size:
            return Detections.empty()
        if not np.isfinite(samples).all():
            first = self._consumed + int(np.flatnonzero(~np.isfinite(samples))[0])
            raise ParameterError(f"chunk holds nan or inf (sample {first}); every sample must be finite")
        detections = self._process(samples, self._consumed)
        self._consumed += samples.size
        return detections

    def flush(self) -> Detections:
        """Return what can still be decided at the end of the samples. Only `reset` may follow."""
        return self._finish(self._consumed)

    def reset(self) -> None:
        """Forget everything, as if newly built."""
        self._consumed = 0
        self._clear()

    @abstractmethod
    def _process(self, samples: FloatArray, first: int) -> Detections:
        """Decide on `samples`, the first of which has the index `first` since reset."""

    def _finish(self, consumed: int) -> Detections:
        """Decide on what is pending when `consumed` samples were all."""
        return Detections.empty()

    @abstractmethod
    def _clear(self) -> None:
        """Set the state of a new detector."""


def run_detector(detector: Detector, recording: Recording) -> Detections:
    """Detections of `detector` on `recording`; it starts anew after every gap.

    Raises ParameterError when their sample rates differ by more than 0.1 %.
    """
    if abs(detector.fs - recording.fs) > 1e-3 * recording.fs:
        raise ParameterError(
            f"the detector was built for {detector.fs:g} Hz, the recording"
            f" {recording.source or ''} has {recording.fs:g} Hz; build it for that rate"
        )
    parts = []
    for start, stop in recording.stretches():
        detector.reset()
        for part in (detector.push(recording.samples[start:stop]), detector.flush()):
            parts.append(part.shifted(start))
    return Detections.concatenate(parts)


def latency_samples(detector: Detector) -> int:
    """The detector's latency as whole samples at its own rate."""
    return seconds_to_samples(detector.latency_s, detector.fs)
