"""What a detector finds in a recording: Detection, Detections. Frozen, arrays read-only."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import overload

import numpy as np
import numpy.typing as npt

from tapsig.errors import ParameterError
from tapsig.records import Gap, require_all, times_of
from tapsig.results import ComparedByFields, ReadOnlyMapping, Result, field_names
from tapsig.units import BoolArray, FloatArray, IntArray, check_positive, read_only, to_floats


@dataclass(frozen=True, slots=True, eq=False)
class Detection(ComparedByFields):
    """One of Detections: its onset in seconds, the indices, strength and reason, and its features by name."""

    onset_s: float
    onset_sample: int
    decided_sample: int
    strength: float
    reason: str
    features: Mapping[str, float]


def _to_column(name: str, values: npt.ArrayLike, dtype: type[np.generic]) -> npt.NDArray[np.generic]:
    column = values if type(values) is np.ndarray and values.dtype.kind in "iuf" else to_floats(name, values)
    if column.ndim != 1:
        raise ParameterError(f"{name} has shape {column.shape}; it must be 1-D, one number for each detection")
    if dtype is np.int64 and column.dtype.kind == "f":
        whole = (abs(column) < 2**63) & (column == np.floor(column))
        if not whole.all():
            raise ParameterError(f"{name} holds {column[~whole][0]:g}; they are sample indices, not seconds")
    return read_only(column, dtype)


@dataclass(frozen=True, slots=True, repr=False, eq=False)
class Detections(Result):
    """What a detector found, in the order of decision. Iterating gives one Detection after the other.

    Parameters
    ----------
    onset_samples : index of each onset, int64, shape (n,).
    decided_samples : index of the last sample that the decision used, int64, shape (n,); onset <= decided.
    strength : how strongly it stood out (decibels over the detector's threshold; for `tap` the model's
        probability).
    features : named values, each of shape (n,).
    reason : "" for an accepted tap, otherwise why the candidate was rejected.
    fs : sample rate in Hz, from which `onset_s` is made; nan where it is not known.
    gaps : of the recording; they move the times of the samples after them.

    Raises ParameterError for indices that are not whole numbers, and for fields of wrong types or different lengths.
    """

    onset_samples: IntArray
    decided_samples: IntArray
    strength: FloatArray
    features: Mapping[str, FloatArray] = field(default_factory=dict)
    reason: tuple[str, ...] = ()
    fs: float = math.nan
    gaps: tuple[Gap, ...] = ()

    def __post_init__(self) -> None:
        for name in ("onset_samples", "decided_samples"):
            object.__setattr__(self, name, _to_column(name, getattr(self, name), np.int64))
        object.__setattr__(self, "strength", _to_column("strength", self.strength, np.float64))
        if not isinstance(self.features, Mapping):
            raise ParameterError(f"features is {self.features!r:.80}; it must be arrays by name")
        features = {key: _to_column(f"feature {key}", values, np.float64) for key, values in self.features.items()}
        object.__setattr__(self, "features", ReadOnlyMapping(features))
        size = self.onset_samples.size
        if not isinstance(self.reason, (tuple, list)) or not all(
            issubclass(kind, str) for kind in set(map(type, self.reason))
        ):
            raise ParameterError(f"reason is {self.reason!r:.80}; it must be a text for each detection")
        if not isinstance(self.fs, float) or not math.isnan(self.fs):
            object.__setattr__(self, "fs", check_positive("fs", self.fs))
        object.__setattr__(self, "gaps", require_all("gaps", self.gaps, Gap))
        object.__setattr__(self, "reason", tuple(self.reason) or ("",) * size)
        sizes = {"decided_samples": self.decided_samples.size, "strength": self.strength.size}
        sizes |= {"reason": len(self.reason), **{f"feature {key}": values.size for key, values in features.items()}}
        for name, other in sizes.items():
            if other != size:
                raise ParameterError(f"{name} has {other} values; onset_samples has {size}")

    def __len__(self) -> int:
        return int(self.onset_samples.size)

    def __iter__(self) -> Iterator[Detection]:
        return (self[index] for index in range(len(self)))

    @overload
    def __getitem__(self, index: int) -> Detection: ...
    @overload
    def __getitem__(self, index: slice | BoolArray) -> "Detections": ...
    def __getitem__(self, index: int | slice | BoolArray) -> "Detection | Detections":
        """The detection at a place; those of a slice, or of a mask as `select` takes it."""
        if isinstance(index, slice):
            return self._take(np.arange(len(self))[index])
        if isinstance(index, bool) or not isinstance(index, (int, np.integer)):
            return self.select(np.asarray(index))
        return Detection(
            float(self.onset_s[index]),
            int(self.onset_samples[index]),
            int(self.decided_samples[index]),
            float(self.strength[index]),
            self.reason[index],
            ReadOnlyMapping({name: float(values[index]) for name, values in self.features.items()}),
        )

    @property
    def onset_s(self) -> FloatArray:
        """Times of the onsets in seconds from the recording's start (live: from the last reset), shape (n,).

        Raises ParameterError where the rate is not known: these detections were put together without `fs`.
        """
        if len(self) and not math.isfinite(self.fs):
            raise ParameterError("fs of these detections is not known; recording.times_s(onset_samples) gives times")
        return times_of(self.onset_samples, self.fs, self.gaps)

    def rows(self) -> list[dict[str, object]]:
        """One row for each: onset_s, onset_sample, decided_sample, strength, reason, and its features."""
        *names, _ = field_names(Detection)
        return [{name: getattr(one, name) for name in names} | dict(one.features) for one in self]

    def _columns(self) -> list[str]:
        return [*field_names(Detection)[:-1], *self.features]

    def _describe(self) -> str:
        rejected = sum(map(bool, self.reason))
        words = f"{len(self) - rejected} taps" + (f", {rejected} rejected candidates" if rejected else "")
        if not len(self):
            return words
        if not math.isfinite(self.fs):
            return f"{words} from sample {self.onset_samples.min()} to {self.onset_samples.max()}"
        return f"{words} from {self.onset_s.min():.3f} to {self.onset_s.max():.3f} s"

    @classmethod
    def empty(cls) -> "Detections":
        """No detections."""
        return cls(np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0))

    def select(self, mask: BoolArray) -> "Detections":
        """The detections where `mask` (shape (n,)) is true.

        Raises ParameterError for anything but one boolean for each detection.
        """
        chosen = np.asarray(mask)
        if chosen.dtype != np.bool_ or chosen.shape != self.onset_samples.shape:
            raise ParameterError(
                f"mask is {mask!r:.80}; it must be {len(self)} booleans, one for each detection, such as"
                " found.strength > 0.9 in found.select(mask)"
            )
        return self._take(np.flatnonzero(chosen))

    def _take(self, places: IntArray) -> "Detections":
        return replace(
            self,
            onset_samples=self.onset_samples[places],
            decided_samples=self.decided_samples[places],
            strength=self.strength[places],
            features={key: values[places] for key, values in self.features.items()},
            reason=tuple(self.reason[place] for place in places),
        )

    def accepted(self) -> "Detections":
        """Only the accepted taps."""
        return self.select(np.array([not reason for reason in self.reason], dtype=bool))

    def shifted(self, samples: int) -> "Detections":
        """The same detections, `samples` later."""
        return replace(
            self,
            onset_samples=self.onset_samples + samples,
            decided_samples=self.decided_samples + samples,
            gaps=tuple(replace(gap, sample=gap.sample + samples) for gap in self.gaps),
        )

    @classmethod
    def concatenate(cls, parts: "list[Detections]") -> "Detections":
        """Join detections of one recording in order; features that some part lacks are nan there.

        Raises ParameterError for parts of different rates or gaps, whose indices do not count the same samples.
        """
        parts = [part for part in parts if len(part)]
        if not parts:
            return cls.empty()
        if len({(part.gaps, "" if math.isnan(part.fs) else part.fs) for part in parts}) > 1:
            raise ParameterError("parts have different rates or gaps (fs, gaps); join detections of one recording only")
        names = dict.fromkeys(name for part in parts for name in part.features)
        return cls(
            np.concatenate([part.onset_samples for part in parts]),
            np.concatenate([part.decided_samples for part in parts]),
            np.concatenate([part.strength for part in parts]),
            {
                name: np.concatenate([part.features.get(name, np.full(len(part), np.nan)) for part in parts])
                for name in names
            },
            tuple(reason for part in parts for reason in part.reason),
            parts[0].fs,
            parts[0].gaps,
        )
