"""What is known of a recording: Label, Gap, Finding, Recording. Frozen, arrays read-only."""

import itertools
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeVar

import numpy as np
import numpy.typing as npt

from tapsig.errors import LabelError, ParameterError, RecordingError
from tapsig.results import ComparedByFields
from tapsig.units import (
    BoolArray,
    FloatArray,
    IntArray,
    as_tuple,
    check_count,
    check_rails,
    check_range,
    is_counts,
    read_only,
    require_kind,
    to_floats,
    to_number,
)

TAP = "tap"
LARGEST_V = 1e9
"""Beyond any voltage; squares of larger numbers may overflow."""
FS_LIMITS_HZ = (1e-6, 1e9)
"""Of any log; beyond them times and windows lose their meaning, or fill the memory."""
Item = TypeVar("Item")


@dataclass(frozen=True, slots=True, order=True)
class Label:
    """One reference event: its contact onset in seconds from the recording's start, and its kind.

    `kind` is "tap", or the name of a nuisance ("thump", "rain", "slam", …) that serves to name the cause
    of a false detection.
    """

    onset_s: float
    kind: str = TAP

    def __post_init__(self) -> None:
        onset_s = to_number(self.onset_s)
        if not 0 <= onset_s < math.inf:
            raise LabelError(f"onset_s is {self.onset_s!r:.80}; it must be a finite number of seconds, 0 or above")
        object.__setattr__(self, "onset_s", onset_s)
        if not isinstance(self.kind, str) or not self.kind or self.kind != self.kind.strip():
            raise LabelError(f"kind is {self.kind!r:.80}; it must be a word such as 'tap' or 'rain'")


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch that was not recorded: samples from index `sample` on come `duration_s` later than they would."""

    sample: int
    duration_s: float


@dataclass(frozen=True, slots=True)
class Finding:
    """One kind of fault in a file, and how it was treated.

    `code` is a stable word such as "malformed-line"; `count` says how often it occurred, `line` (from 1) or `sample`
    (from 0) where it first did.
    """

    code: str
    message: str
    count: int = 1
    line: int | None = None
    sample: int | None = None

    def __str__(self) -> str:
        place = f"line {self.line}: " if self.line is not None else ""
        place = place or (f"sample {self.sample}: " if self.sample is not None else "")
        times = f" ({self.count} in all)" if self.count > 1 else ""
        return f"{place}{self.message}{times} [{self.code}]"


@dataclass(frozen=True, slots=True, repr=False, eq=False)
class Recording(ComparedByFields):
    """One channel of one recording; `recording[10.0:20.0]` is the part from 10 to 20 s.

    Parameters
    ----------
    samples : volts, shape (n,), float64; kept read-only.
    fs : sample rate in Hz, within each gap-free stretch.
    labels : None = not labelled; () = labelled, and there are no taps. A number stands for a tap at that time.
    range_v : the converter's rails (low, high) in volts, where known.
    adc_bits : the converter's resolution, where known.
    gaps : stretches that were not recorded, in order; never filled.
    findings : what was wrong with its file or assumed of it, and what was done about it.
    start_s : where in its file it begins; times of a part count from there.

    Two are equal when all fields are. Raises RecordingError for samples that are not 1-D, not finite or beyond ±1e9 V,
    or for gaps out of order; LabelError for a label after the end; ParameterError for integers, which are counts, for
    masked samples, and for a field of a wrong type.

    >>> recording = Recording(np.zeros(8000), 8000.0, gaps=(Gap(4000, 2.0),))
    >>> recording.duration_s, recording.span_s
    (1.0, 3.0)
    >>> recording.times_s(np.array([3999, 4000])).round(3)
    array([0.5, 2.5])
    """

    samples: FloatArray
    fs: float
    labels: tuple[Label, ...] | None = None
    position: str = ""
    vehicle: str = ""
    scene: str = ""
    split: str = ""
    range_v: tuple[float, float] | None = None
    adc_bits: int | None = None
    gaps: tuple[Gap, ...] = ()
    source: str = ""
    findings: tuple[Finding, ...] = ()
    start_s: float = 0.0

    if TYPE_CHECKING:  # what it takes; the fields say what it keeps

        def __init__(
            self,
            samples: npt.ArrayLike,
            fs: float,
            labels: Iterable[Label | float] | None = None,
            position: str = "",
            vehicle: str = "",
            scene: str = "",
            split: str = "",
            range_v: Sequence[float] | None = None,
            adc_bits: int | None = None,
            gaps: Iterable[Gap] = (),
            source: str = "",
            findings: Iterable[Finding] = (),
            start_s: float = 0.0,
        ) -> None: ...

    __iter__ = None  # or `[]` would be asked for a first item

    def __post_init__(self) -> None:
        for name in ("position", "vehicle", "scene", "split", "source"):
            if not isinstance(getattr(self, name), str):
                raise ParameterError(f"{name} is {getattr(self, name)!r:.80}; it must be a text")
        where = self.source or "recording"
        if is_counts(self.samples):
            raise ParameterError(
                f"{where}: samples holds integers ({np.asarray(self.samples).dtype}), of unknown scale in volts;"
                " convert counts with Converter((low, high), adc_bits).to_volts(counts) of tapsig.converter"
            )
        samples = read_only(to_floats("samples", self.samples), np.float64)
        if samples.ndim != 1:
            raise RecordingError(f"{where}: samples have shape {samples.shape}; one channel (1-D) is needed")
        possible = np.abs(samples) <= LARGEST_V  # not so of nan
        if not possible.all():
            first = int(np.argmin(possible))
            raise RecordingError(
                f"{where}: sample {first} is {samples[first]}; every sample must be finite and within ±{LARGEST_V:g} V:"
                " check full_scale_v"
            )
        object.__setattr__(self, "samples", samples)
        named = f"fs of {self.source}" if self.source else "fs"
        object.__setattr__(self, "fs", check_range(named, self.fs, *FS_LIMITS_HZ))
        if self.labels is not None:
            object.__setattr__(self, "labels", tuple(sorted(_to_labels(self.labels))))
        if self.range_v is not None:
            object.__setattr__(self, "range_v", check_rails("range_v", self.range_v))
        if self.adc_bits is not None:
            object.__setattr__(self, "adc_bits", check_count("adc_bits", self.adc_bits, 1, 64))
        object.__setattr__(self, "start_s", check_range("start_s", self.start_s, 0.0, math.inf))
        object.__setattr__(self, "findings", require_all("findings", self.findings, Finding))
        object.__setattr__(self, "gaps", require_all("gaps", self.gaps, Gap))
        last = 0
        for gap in self.gaps:
            if not last < check_count("the sample of a gap", gap.sample, 0, 2**63 - 1) < samples.size or not (
                0 < to_number(gap.duration_s) < math.inf
            ):
                raise RecordingError(f"{where}: {gap} is out of order or outside the recording, or has no length")
            last = gap.sample
        if self.labels and self.labels[-1].onset_s > self.span_s + 1e-6:  # 1e-6: rounding of seconds
            raise LabelError(
                f"{where}: the label at {self.labels[-1].onset_s:g} s lies after the end, at {self.span_s:g} s;"
                " labels are in seconds"
            )

    def __repr__(self) -> str:
        words = [f"{self.span_s:.4g} s at {self.fs:g} Hz"]
        words += [] if self.labels is None else [f"{self.taps_s.size} taps labelled"]
        words += [f"{len(self.gaps)} gaps"] if self.gaps else []
        words += [f"{len(self.findings)} findings"] if self.findings else []
        words += [text for text in (self.source, self.position) if text]
        return f"<Recording: {', '.join(words)}>"

    def __getitem__(self, seconds: slice) -> "Recording":
        """The part from `seconds.start` to `seconds.stop`, in seconds from its beginning; negative ones from its end.

        Its time 0 is that of its first sample; labels and gaps move along, and `start_s` keeps where it began.

        Raises ParameterError for an index that is no slice of seconds, RecordingError for a part without samples.

        >>> recording = Recording(np.arange(40.0), 10.0, labels=(Label(1.5),), gaps=(Gap(20, 3.0),))
        >>> part = recording[1.0:6.0]
        >>> part.samples.size, part.taps_s, part.gaps, part.start_s
        (20, array([0.5]), (Gap(sample=10, duration_s=3.0),), 1.0)
        """
        start_s, stop_s = self._check_seconds(seconds)
        first, last = (self._find_sample(time_s) for time_s in (start_s, stop_s))
        if first >= last:
            raise RecordingError(describe_empty_part(self.source or "recording", start_s, stop_s, self.span_s))
        begin_s, end_s = self.times_s(np.array([first, last - 1])).tolist()
        end_s = min(stop_s, end_s + 1.0 / self.fs)  # the part may end before a gap
        labels = self.labels and tuple(
            replace(label, onset_s=label.onset_s - begin_s) for label in self.labels if begin_s <= label.onset_s < end_s
        )
        return replace(
            self,
            samples=self.samples[first:last],
            labels=labels,
            gaps=tuple(replace(gap, sample=gap.sample - first) for gap in self.gaps if first < gap.sample < last),
            start_s=self.start_s + begin_s,
        )

    def _check_seconds(self, seconds: object) -> tuple[float, float]:
        ends = [math.nan]
        if isinstance(seconds, slice) and seconds.step is None:
            given = zip((seconds.start, seconds.stop), (0.0, self.span_s), strict=True)
            ends = [default if end is None else to_number(end) for end, default in given]
        if not all(map(math.isfinite, ends)):
            raise ParameterError(f"a recording is cut by seconds, such as recording[10.0:20.0], not by {seconds!r:.60}")
        start_s, stop_s = (end + self.span_s if end < 0 else end for end in ends)
        return max(start_s, 0.0), min(stop_s, self.span_s)

    def _find_sample(self, time_s: float) -> int:
        """The first sample at or after `time_s`; one past the last where there is none."""
        for first, last in self.stretches():
            begin_s = float(self.times_s(np.array(first)))
            sample = first + max(0, math.ceil((time_s - begin_s) * self.fs - 1e-6))  # 1e-6: rounding of seconds
            if sample < last:
                return sample
        return self.samples.size

    @property
    def duration_s(self) -> float:
        """Time that was recorded (gaps left out), in seconds."""
        return self.samples.size / self.fs

    @property
    def span_s(self) -> float:
        """Time from the first sample to the end, gaps included, in seconds."""
        return self.duration_s + sum(gap.duration_s for gap in self.gaps)

    @property
    def taps_s(self) -> FloatArray:
        """Onsets of the labels of kind "tap", in seconds, ascending; empty when not labelled."""
        return np.array([label.onset_s for label in self.labels or () if label.kind == TAP], dtype=np.float64)

    @property
    def step_v(self) -> float:
        """Volts of one count of the converter; 0 where its rails or bits are not known."""
        if self.range_v is None or self.adc_bits is None:
            return 0.0
        return (self.range_v[1] - self.range_v[0]) / 2**self.adc_bits

    def at_rail(self) -> BoolArray:
        """Which samples are at a known rail, shape (n,): at the lowest count or the highest, which is one count under
        the upper rail. Unknown bits are taken as 16.
        """
        if self.range_v is None:
            return np.zeros(self.samples.size, dtype=bool)
        low, high = self.range_v
        step = self.step_v or (high - low) / 2**16
        return (self.samples <= low + 0.5 * step) | (self.samples >= high - 1.5 * step)

    def times_s(self, indices: IntArray) -> FloatArray:
        """Times in seconds of sample `indices`, gaps accounted for."""
        indices = np.asarray(indices)
        if indices.dtype.kind not in "iuf":
            raise ParameterError(f"indices is {indices!r:.80}; it must be an array of sample indices")
        return times_of(indices, self.fs, self.gaps)

    def in_gaps(self, times_s: FloatArray) -> BoolArray:
        """Whether each of `times_s` (seconds, shape (n,)) lies in a gap, where nothing was recorded.

        >>> Recording(np.zeros(80), 10.0, gaps=(Gap(40, 2.0),)).in_gaps(np.array([3.9, 5.0, 6.0]))
        array([False,  True, False])
        """
        edges = np.array(self.stretches())
        ends_s = self.times_s(edges[:, 1] - 1) + 1.0 / self.fs
        return np.asarray(times_s > ends_s[np.searchsorted(self.times_s(edges[:, 0]), times_s, side="right") - 1])

    def stretches(self) -> list[tuple[int, int]]:
        """The gap-free stretches as (first sample, one past the last)."""
        edges = [0, *(gap.sample for gap in self.gaps), self.samples.size]
        return list(itertools.pairwise(edges))


def describe_empty_part(where: str, start_s: float, stop_s: float, span_s: float) -> str:
    """What is wrong with a part without samples of a recording that lasts `span_s`."""
    until = f" to {stop_s:g} s" if start_s < stop_s < math.inf else " s on"
    return f"{where}: there is no sample from {start_s:g}{until}; it lasts {span_s:g} s"


def times_of(indices: IntArray, fs: float, gaps: Iterable[Gap]) -> FloatArray:
    """Times in seconds of sample `indices` at the rate `fs` (Hz); a gap moves the samples from its own on."""
    times = indices / fs
    for gap in gaps:
        times = times + np.where(indices >= gap.sample, gap.duration_s, 0.0)
    return times


def require_all(name: str, items: object, kind: type[Item]) -> tuple[Item, ...]:
    """The items as a tuple; ParameterError for any that is not of the kind."""
    found = as_tuple(items)
    kept = tuple(item for item in found if isinstance(item, kind))
    if len(kept) < len(found):
        raise ParameterError(f"{name} is {items!r:.80}; it must be a list of tapsig.{kind.__name__}")
    return kept


def _to_labels(given: object) -> tuple[Label, ...]:
    """Labels as they are; numbers as taps at those times, in seconds."""
    items = (given,) if isinstance(given, (str, bytes)) else as_tuple(given)
    made = [Label(number) if math.isfinite(number := to_number(item)) else item for item in items]
    if not all(isinstance(item, Label) for item in made):
        raise ParameterError(
            f"labels is {given!r:.80}; it must be a list of tapsig.Label, or of the taps' times in seconds"
        )
    return tuple(item for item in made if isinstance(item, Label))


def require_recording(given: object) -> Recording:
    """The recording that was given; ParameterError, with the remedy, for samples, a path or anything else."""
    remedy = "tapsig.load_recording(path) reads a file, tapsig.Recording(samples, fs) takes volts"
    return require_kind("recording", given, Recording, remedy)


def require_labels(recording: Recording) -> tuple[Label, ...]:
    """The labels of `recording`; LabelError when it is not labelled."""
    if recording.labels is None:
        raise LabelError(
            f"{recording.source or 'the recording'} needs labels: give labels (labels=... of load_recording,"
            " --labels FILE on the command line; a label file of its header alone says that there are no taps)"
        )
    return recording.labels


def list_recordings(given: "Recording | Iterable[Recording]") -> Iterator[Recording]:
    """One recording, or each of several, as they are needed; ParameterError for anything else."""
    if isinstance(given, Iterable):
        return map(require_recording, given)
    return iter([require_recording(given)])
