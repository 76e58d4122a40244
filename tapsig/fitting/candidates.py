"""Training data of the model: candidates of labelled recordings with features and class."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tapsig.converter import Converter
from tapsig.core.tap import TapCore
from tapsig.detectors.base import blame_rate_on
from tapsig.errors import ParameterError
from tapsig.records import Recording, require_labels
from tapsig.results import compute_f1
from tapsig.units import BoolArray, FloatArray, IntArray

EARLY_S, LATE_S = 0.012, 0.025  # a candidate this long before or after an onset may be its detection
UNCLASSED_S = (0.02, 0.075)  # others this close to a tap have no class, since the dead time removes them
RESPONSE_S = 0.003  # typical time from contact to the first response at a sensor in simulated doors

ByteRows = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class CandidateTable:
    """Candidates of many recordings, in order.

    Parameters
    ----------
    rows : features in the core's bytes, shape (n, len(FEATURES)).
    onset_s : time of each in its recording.
    tap : 1 = detection of a tap, 0 = not a tap, -1 = no class.
    recording : index into `durations_s`, `groups`, `taps_s`.
    weights : weight of each in a fit.
    """

    rows: ByteRows
    onset_s: FloatArray
    tap: IntArray
    recording: IntArray
    durations_s: FloatArray
    groups: tuple[str, ...]
    taps_s: tuple[FloatArray, ...]
    weights: FloatArray

    @property
    def taps(self) -> int:
        """Number of labelled taps."""
        return sum(taps.size for taps in self.taps_s)

    @property
    def taps_with_candidate(self) -> int:
        """Number of labelled taps with a candidate; no model can find the others."""
        return int((self.tap == 1).sum())

    @classmethod
    def join(cls, tables: "Sequence[CandidateTable]") -> "CandidateTable":
        """One table of all, in order."""
        shifts = np.cumsum([0, *(table.durations_s.size for table in tables)])[:-1]
        return cls(
            np.concatenate([table.rows for table in tables]),
            np.concatenate([table.onset_s for table in tables]),
            np.concatenate([table.tap for table in tables]),
            np.concatenate([table.recording + shift for table, shift in zip(tables, shifts, strict=True)]),
            np.concatenate([table.durations_s for table in tables]),
            tuple(group for table in tables for group in table.groups),
            tuple(taps for table in tables for taps in table.taps_s),
            np.concatenate([table.weights for table in tables]),
        )

    def select(self, recordings: Sequence[bool] | BoolArray) -> "CandidateTable":
        """The recordings selected by the mask, shape (number of recordings,)."""
        mask = np.asarray(recordings, dtype=bool)
        chosen = mask[self.recording]
        numbers = np.cumsum(mask) - 1
        return CandidateTable(
            self.rows[chosen],
            self.onset_s[chosen],
            self.tap[chosen],
            numbers[self.recording[chosen]],
            self.durations_s[mask],
            tuple(group for group, kept in zip(self.groups, mask, strict=True) if kept),
            tuple(taps for taps, kept in zip(self.taps_s, mask, strict=True) if kept),
            self.weights[chosen],
        )

    def weighted(self, weights: FloatArray | float) -> "CandidateTable":
        """The same with other weights."""
        return replace(self, weights=np.broadcast_to(weights, self.onset_s.shape).astype(np.float64))


def label_candidates(onset_s: FloatArray, taps_s: FloatArray) -> IntArray:
    """Class of each candidate, shape (n,): 1 = detection of a tap, -1 = another close to it, 0 = not a tap.

    >>> label_candidates(np.array([0.5, 1.002, 1.02, 3.0]), np.array([1.0]))
    array([ 0,  1, -1,  0])
    """
    label = np.zeros(onset_s.size, dtype=np.int64)
    for tap in taps_s:
        late = onset_s - tap
        near = (late > -UNCLASSED_S[0]) & (late < UNCLASSED_S[1]) & (label == 0)
        label[near] = -1
        able = np.flatnonzero((late > -EARLY_S) & (late < LATE_S) & (label != 1))
        if able.size:
            label[able[np.argmin(np.abs(late[able] - RESPONSE_S))]] = 1
    return label


def collect_candidates(
    recordings: Iterable[Recording], *, progress: Callable[[int], None] | None = None
) -> CandidateTable:
    """Run the core over labelled `recordings`; each gap-free stretch counts as a recording.

    Every candidate has the weight 1. Raises LabelError for a recording without labels, ParameterError without
    recordings.
    """
    tables: list[CandidateTable] = []
    for number, recording in enumerate(recordings):
        require_labels(recording)
        name = recording.vehicle or recording.source or f"recording {number}"
        converter = Converter.of(recording)
        with blame_rate_on(recording.source):
            core = TapCore(recording.fs, converter.adc_bits, trees=b"", base=0, least_score=0, least_level=0, dead_ms=0)
        for start, stop in recording.stretches():
            core.reset()
            found = core.push(converter.to_counts(recording.samples[start:stop]))
            onset_s, duration_s = found.onset / recording.fs, (stop - start) / recording.fs
            taps_s = recording.taps_s - float(recording.times_s(np.array([start]))[0])
            taps_s = taps_s[(taps_s >= 0) & (taps_s < duration_s)]
            tables.append(
                CandidateTable(
                    found.rows,
                    onset_s,
                    label_candidates(onset_s, taps_s),
                    np.zeros(onset_s.size, dtype=np.int64),
                    np.array([duration_s]),
                    (name,),
                    (taps_s,),
                    np.ones(onset_s.size),
                )
            )
        if progress is not None:
            progress(number + 1)
    if not tables:
        raise ParameterError("no recordings to fit to; check the selected split, position and scene")
    return CandidateTable.join(tables)


@dataclass(frozen=True, slots=True)
class OperatingPoint:
    """Hits, false alarms and misses at one threshold of the score, over `hours`."""

    least_score: float
    tp: int
    fp: int
    fn: int
    hours: float

    @property
    def f1(self) -> float:
        """2·tp / (2·tp + fp + fn); nan without taps and detections."""
        return compute_f1(self.tp, self.fp, self.fn)

    @property
    def errors(self) -> int:
        """False alarms and misses."""
        return self.fp + self.fn

    @property
    def false_alarms_per_hour(self) -> float:
        """False alarms over the time of all recordings."""
        return self.fp / self.hours if self.hours else float("nan")


def evaluate_threshold(
    table: CandidateTable, scores: FloatArray | IntArray, least_score: float, dead_time_s: float
) -> OperatingPoint:
    """Hits, false alarms and misses when scores of at least `least_score` are accepted, with the dead time.

    A tap is hit when an accepted candidate is within 25 ms of it; each candidate counts once.
    """
    hits = false = 0
    last_recording, last_onset = -1, -np.inf
    for i in np.flatnonzero(scores >= least_score).tolist():
        if table.recording[i] != last_recording:
            last_recording, last_onset = int(table.recording[i]), -np.inf
        if table.onset_s[i] - last_onset >= dead_time_s:
            last_onset = float(table.onset_s[i])
            near = bool(np.abs(table.taps_s[last_recording] - last_onset).min(initial=np.inf) <= LATE_S)
            hits += near
            false += not near
    return OperatingPoint(least_score, hits, false, max(table.taps - hits, 0), float(table.durations_s.sum()) / 3600.0)
