"""The interfaces of a detector, and how to run one.

A *variant* is a frozen dataclass with a name and parameters in seconds, hertz, volts and decibels; it builds a detector
for a sample rate. A *detector* takes chunks of samples and returns detections. A recording is one chunk, so files and
streams use the same algorithm.
"""

from abc import ABC, abstractmethod
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import replace
from typing import Any, ClassVar, Protocol, Self, cast, runtime_checkable

import numpy as np
import numpy.typing as npt

from tapsig.converter import UNKNOWN, Converter, CountArray
from tapsig.detections import Detections
from tapsig.detectors.guards import InUse, NotCopied
from tapsig.errors import ParameterError, RecordingError, TapsigError
from tapsig.records import Recording
from tapsig.units import FloatArray, check_positive, check_range, is_counts, refuse_masked, to_floats

HIGHEST_FS = 1e8
"""Of any detector, in Hz: its times in samples fit 32 bits."""


@runtime_checkable
class Detector(Protocol):
    """A running detector, used by one thread at a time. `tapsig.testing.check_detector` checks its contract."""

    @property
    def fs(self) -> float:
        """Sample rate in Hz."""
        ...

    @property
    def latency_s(self) -> float:
        """Longest time from an onset to its decision, in seconds (inf for a batch-only detector)."""
        ...

    def push(self, chunk: npt.ArrayLike) -> Detections:
        """Take the next samples (volts, 1-D) and return the new detections; indices count from reset."""
        ...

    def flush(self) -> Detections:
        """End the input and return the pending detections; only `reset` may follow."""
        ...

    def reset(self) -> None:
        """Return to the initial state."""
        ...


@runtime_checkable
class Variant(Protocol):
    """Parameters of a detector: a frozen dataclass that can build it for any sample rate.

    Its class has a `name: ClassVar[str]`, by which tables and files call it.
    """

    name: ClassVar[str]

    def build(self, fs: float, *, keep_rejected: bool = False) -> Detector:
        """A fresh detector at `fs` Hz; `keep_rejected` adds the rejected candidates, each with its reason."""
        ...


class ParameterisedVariant(Variant, Protocol):
    """A variant whose parameters are got and set by name, as all of the catalogue are (see `Parameters`)."""

    def get_params(self, deep: bool = True) -> dict[str, Any]:
        """The parameters by name."""
        ...

    def set_params(self, **params: Any) -> Self:
        """Change parameters in place."""
        ...


class StreamingDetector(NotCopied, ABC):
    """Base of tapsig's detectors: checks each chunk, counts samples and enforces the order of calls.

    One thread at a time may use it: a push, and the whole of a recording, is refused while another thread is in it.

    A subclass implements `_process` (the next samples, and the index of the first of them), `_finish`, and `_clear`.
    """

    latency_s: float

    def __init__(self, fs: float) -> None:
        self._fs = check_range("fs", check_positive("fs", fs), 0.0, HIGHEST_FS)
        self._consumed = 0
        self._flushed = False
        self.in_use = InUse()

    @property
    def fs(self) -> float:
        """Sample rate in Hz."""
        return self._fs

    def push(self, chunk: npt.ArrayLike) -> Detections:
        """Take the next samples and return the new detections.

        Parameters
        ----------
        chunk : array of float, shape (n,) or (n, 1)
            Volts, finite. Integers are counts: a detector takes them if it was built with a converter.

        Returns
        -------
        Detections
            Those decided by these samples; indices count from the last reset.

        Raises
        ------
        ParameterError
            For a chunk of another shape, one that holds nan or inf, counts of an unknown converter, after `flush`, and
            while another thread uses the detector.
        """
        with self.in_use:
            return self._push(chunk)

    def _push(self, chunk: npt.ArrayLike) -> Detections:
        samples = self._take(chunk)
        if not samples.size:
            return Detections.empty()
        detections = self._process(self._check_finite(samples), self._consumed)
        self._consumed += samples.size
        return self._at_rate(detections)

    def _take(self, chunk: npt.ArrayLike) -> npt.NDArray[Any]:
        """The chunk as an array, shape (n,), of volts or counts; ParameterError for what is no chunk."""
        self._refuse_after_flush()
        samples: npt.NDArray[Any] = self._take_counts(chunk) if self._is_counts(chunk) else to_floats("chunk", chunk)
        if samples.ndim == 2 and samples.shape[1] == 1:
            samples = samples[:, 0]
        if samples.ndim != 1:
            raise ParameterError(f"chunk has shape {samples.shape}; a detector takes one channel, (n,) or (n, 1)")
        return np.ascontiguousarray(samples)

    def flush(self) -> Detections:
        """Return the detections pending at the end of the samples. Only `reset` may follow.

        Raises ParameterError for a second call.
        """
        with self.in_use:
            self._refuse_after_flush()
            self._flushed = True
            return self._at_rate(self._finish(self._consumed))

    def reset(self) -> None:
        """Return to the initial state."""
        with self.in_use:
            self._consumed = 0
            self._flushed = False
            self._clear()

    def _at_rate(self, detections: Detections) -> Detections:
        return replace(detections, fs=self._fs) if len(require_detections(detections)) else detections

    def _is_counts(self, chunk: npt.ArrayLike) -> bool:
        return is_counts(chunk)

    def _take_counts(self, chunk: npt.ArrayLike) -> Any:
        """What `_process` takes for counts; here they are refused."""
        raise ParameterError(
            f"chunk holds integers ({np.asarray(chunk).dtype}), whose scale in volts is unknown; build the detector"
            " with converter=Converter((low, high), adc_bits) of tapsig.converter, if it takes one, or push volts"
        )

    def _check_finite(self, samples: npt.NDArray[Any]) -> npt.NDArray[Any]:
        if not (kept := np.isfinite(samples)).all():
            first = self._consumed + int(np.argmin(kept))
            raise ParameterError(f"chunk holds nan or inf (sample {first}); every sample must be finite")
        return samples

    def _refuse_after_flush(self) -> None:
        if self._flushed:
            raise ParameterError("flush was called; call reset before the next samples")

    @abstractmethod
    def _process(self, samples: FloatArray, first: int) -> Detections:
        """Decide on `samples`, the first of which has the index `first` since reset."""

    def _finish(self, consumed: int) -> Detections:
        """Decide pending candidates at the end, after `consumed` samples."""
        return Detections.empty()

    @abstractmethod
    def _clear(self) -> None:
        """Set the initial state."""


class CountDetector(StreamingDetector):
    """Base of the detectors of the core, which work on counts: volts become those of the converter.

    A subclass implements `_decide` instead of `_process`.
    """

    def __init__(self, fs: float, converter: Converter) -> None:
        super().__init__(fs)
        self._converter = converter

    def _is_counts(self, chunk: npt.ArrayLike) -> bool:
        """With a known converter a list of integers holds its counts, too."""
        if self._converter is UNKNOWN or not isinstance(chunk, (list, tuple)):
            return is_counts(chunk)
        return bool(chunk) and all(isinstance(one, (int, np.integer)) and not isinstance(one, bool) for one in chunk)

    def _take_counts(self, chunk: npt.ArrayLike) -> CountArray:
        if self._converter is UNKNOWN:
            return cast(CountArray, super()._take_counts(chunk))
        refuse_masked("chunk", chunk)
        counts = np.asarray(chunk)
        if counts.dtype != np.uint16 or self._converter.adc_bits < 16:  # else there is nothing to look for
            self._converter.check_counts("chunk", counts)
        return counts.astype(np.uint16, copy=False)

    def _check_finite(self, samples: npt.NDArray[Any]) -> npt.NDArray[Any]:
        return samples  # the conversion to counts finds what is not finite, in the same pass

    def _process(self, samples: npt.NDArray[Any], first: int) -> Detections:
        if samples.dtype == np.uint16:
            return self._decide(samples)
        try:
            return self._decide_volts(samples)
        except ParameterError:
            super()._check_finite(samples)
            raise

    def _decide_volts(self, samples: FloatArray) -> Detections:
        """Decide on the next samples; ParameterError for nan or inf, before any of them is taken."""
        return self._decide(self._converter.to_counts(samples))

    @abstractmethod
    def _decide(self, counts: CountArray) -> Detections:
        """Decide on the next counts."""


def run_detector(detector: Detector | Variant, recording: Recording, *, keep_rejected: bool = False) -> Detections:
    """Detections of `detector` on `recording`; it restarts after every gap.

    A variant is built for the recording's rate, with `keep_rejected`. Raises ParameterError when the rates differ by
    more than 0.1 %, and for a detector that fails or returns invalid detections (`require_sound`); both are named.
    Raises RecordingError for a rate at which the detector cannot run, of a recording that has a source.
    """
    running = build_detector(
        detector, recording.fs, where=recording.source, keep_rejected=keep_rejected, converter=Converter.of(recording)
    )
    with attribute_errors(detector, recording.source, passing=RecordingError):
        if abs(running.fs - recording.fs) > 1e-3 * recording.fs:
            raise ParameterError(
                f"it was built for {running.fs:g} Hz, the recording has {recording.fs:g} Hz; build it for that rate"
            )
        stretches = recording.stretches()
        found = Detections.concatenate(
            [feed(running, [recording.samples[start:stop]]).shifted(start) for start, stop in stretches]
        )
    return replace(found, fs=recording.fs, gaps=recording.gaps)


def build_detector(
    detector: Detector | Variant, fs: float, *, where: str, keep_rejected: bool, converter: Converter | None = None
) -> Detector:
    """Build a variant for `fs` Hz, to run on the recording `where`; a detector is returned as it is.

    `converter` is handed to variants whose `takes_converter` is true: they work on counts.
    """
    build = getattr(detector, "build", None)
    if build is None:
        return cast(Detector, detector)
    options = {"converter": converter} if getattr(detector, "takes_converter", False) else {}
    with attribute_errors(detector, where, passing=TapsigError), blame_rate_on(where):
        return cast(Detector, build(fs, keep_rejected=keep_rejected, **options))


def feed(running: Detector, chunks: Iterable[npt.NDArray[Any]], *, drop_features: bool = False) -> Detections:
    """All detections from reset to flush; ParameterError for invalid ones."""
    parts: list[Detections] = []

    def take(answer: object) -> None:
        found = require_detections(answer)
        parts.append(replace(found, features={}) if drop_features else found)

    size = 0
    with running.in_use if isinstance(running, StreamingDetector) else nullcontext():
        running.reset()
        for chunk in chunks:
            take(running.push(chunk))
            size += chunk.size
        take(running.flush())
    found = Detections.concatenate(parts)
    require_sound(found, size)
    return found


@contextmanager
def blame_rate_on(where: str) -> Iterator[None]:
    """A rate at which a detector cannot run is a fault of the recording `where`, if it has a name."""
    try:
        yield
    except ParameterError as error:
        if not where or not str(error).startswith("fs is"):
            raise
        raise RecordingError(f"{where}: {error}; the detector cannot run at that rate") from None


@contextmanager
def attribute_errors(detector: object, where: str, *, passing: type[TapsigError]) -> Iterator[None]:
    """Convert exceptions into a ParameterError that names `detector` and the recording `where`.

    Errors of the class `passing` are not caused by the detector and pass unchanged.
    """
    try:
        yield
    except passing:
        raise
    except Exception as error:
        name = getattr(detector, "name", type(detector).__name__)
        words = str(error) if isinstance(error, TapsigError) else f"{type(error).__name__}: {error}"
        raise ParameterError(
            f"detector {name} failed on {where or 'a recording'}: {words}; see tapsig.testing.check_detector"
        ) from error


def require_detections(answer: object) -> Detections:
    """The return value of a detector; ParameterError unless it is Detections."""
    if not isinstance(answer, Detections):
        raise ParameterError(f"it returns {type(answer).__name__} instead of Detections")
    return answer


def require_sound(found: Detections, size: int) -> None:
    """Raise ParameterError unless 0 <= onset <= decided < `size`, in order of decision, with finite strength."""
    if not len(found):
        return
    onset, decided = found.onset_samples, found.decided_samples
    highest = max(onset.max(), decided.max())
    if onset.min() < 0 or highest >= size:
        raise ParameterError(f"indices reach from {onset.min()} to {highest}; there are {size} samples")
    if (onset > decided).any():
        raise ParameterError("an onset lies after the sample that decided it")
    if (np.diff(decided) < 0).any():
        raise ParameterError("decided_samples are not in the order of decision")
    if not np.isfinite(found.strength).all():
        raise ParameterError("a strength is nan or inf")
