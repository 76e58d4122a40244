"""Labelled recordings -> candidates with their features and the truth about each: what a gate is fitted to."""

import itertools
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numba
import numpy as np
import numpy.typing as npt

from tapsig.detect.candidates import Core
from tapsig.detect.gate import ALL_FEATURES, Gate, Trees, judge, sum_trees
from tapsig.detect.history import HISTORY, History, fill_history, new_history, remember
from tapsig.detect.tap import CORE_FLOOR_V, STEP, TRIGGER_DB
from tapsig.errors import LabelError, ParameterError
from tapsig.records import Recording
from tapsig.units import FloatArray, IntArray

EARLY_S, LATE_S = 0.012, 0.025  # a candidate this long before or after an onset may be its detection
UNCLEAR_S = (0.02, 0.075)  # others so near a tap are neither right nor wrong: the dead time takes them
RESPONSE_S = 0.003  # from contact to the first sign at a sensor, common in the simulated doors


@dataclass(frozen=True, slots=True)
class CandidateTable:
    """Candidates of many recordings, in order.

    tap: 1 the tap's own, 0 none, -1 unclear. recording: index into `durations_s`, `groups`, `taps_s`.
    """

    rows: FloatArray
    triggers: IntArray
    onset_s: FloatArray
    tap: IntArray
    recording: IntArray
    durations_s: FloatArray
    groups: tuple[str, ...]
    taps_s: tuple[FloatArray, ...]
    weights: FloatArray

    @property
    def group(self) -> IntArray:
        """Number of each candidate's group."""
        _, numbers = np.unique(np.array(self.groups), return_inverse=True)
        return np.asarray(numbers[self.recording], dtype=np.int64)

    @classmethod
    def join(cls, tables: "Sequence[CandidateTable]") -> "CandidateTable":
        """One table of all, in order."""
        shifts = np.cumsum([0, *(table.durations_s.size for table in tables)])[:-1]
        return cls(
            np.concatenate([table.rows for table in tables]), np.concatenate([table.triggers for table in tables]),
            np.concatenate([table.onset_s for table in tables]), np.concatenate([table.tap for table in tables]),
            np.concatenate([table.recording + shift for table, shift in zip(tables, shifts, strict=True)]),
            np.concatenate([table.durations_s for table in tables]),
            tuple(group for table in tables for group in table.groups),
            tuple(taps for table in tables for taps in table.taps_s),
            np.concatenate([table.weights for table in tables]),
        )  # fmt: skip

    def only(self, keep: Sequence[bool]) -> "CandidateTable":
        """The recordings that `keep` (one a recording) marks."""
        mask = np.array(keep)
        chosen = mask[self.recording]
        numbers = np.cumsum(mask) - 1
        return CandidateTable(
            self.rows[chosen], self.triggers[chosen], self.onset_s[chosen], self.tap[chosen],
            numbers[self.recording[chosen]], self.durations_s[mask],
            tuple(group for group, kept in zip(self.groups, mask, strict=True) if kept),
            tuple(taps for taps, kept in zip(self.taps_s, mask, strict=True) if kept), self.weights[chosen],
        )  # fmt: skip


def label_candidates(onset_s: FloatArray, taps_s: FloatArray) -> IntArray:
    """1 for the candidate that is a tap's detection, -1 for others close to it, 0 for the rest; shape (n,).

    >>> label_candidates(np.array([0.5, 1.002, 1.02, 3.0]), np.array([1.0]))
    array([ 0,  1, -1,  0])
    """
    label = np.zeros(onset_s.size, dtype=np.int64)
    for tap in taps_s:
        late = onset_s - tap
        near = (late > -UNCLEAR_S[0]) & (late < UNCLEAR_S[1]) & (label == 0)
        label[near] = -1
        able = np.flatnonzero((late > -EARLY_S) & (late < LATE_S) & (label != 1))
        if able.size:
            label[able[np.argmin(np.abs(late[able] - RESPONSE_S))]] = 1
    return label


def collect_candidates(recordings: Iterable[Recording], *, group_by: str = "vehicle", step: float = STEP,
                       speed: float = 1.0, progress: Callable[[int], None] | None = None) -> CandidateTable:
    """Run the candidate core over labelled `recordings`; gap-free stretches count as recordings of their own.

    `step` is the predictor's. At another `speed` all is heard so much faster, as a smaller body would sound; times stay
    those of the recording. Every candidate weighs 1. Raises LabelError for a recording without labels.
    """
    parts: list[tuple[FloatArray, IntArray, FloatArray, IntArray]] = []
    durations, groups, taps = [], [], []
    for number, recording in enumerate(recordings):
        if recording.labels is None:
            raise LabelError(f"{recording.source or 'recording'} is not labelled; give it a label file to fit to it")
        name = recording.vehicle if group_by == "vehicle" and recording.vehicle else recording.source
        for start, stop in recording.stretches():
            core = Core(recording.fs * speed, step=step, trigger_db=TRIGGER_DB, floor_v=CORE_FLOOR_V)
            found = core.push(recording.samples[start:stop])
            begin = float(recording.times_s(np.array([start]))[0])
            onset_s = found.onsets / recording.fs
            inside = recording.taps_s - begin
            inside = inside[(inside >= 0) & (inside < (stop - start) / recording.fs)]
            label = label_candidates(onset_s / speed, inside / speed)
            parts.append((found.rows, found.triggers, onset_s, label))
            durations.append((stop - start) / recording.fs)
            groups.append(name or f"recording {number}")
            taps.append(inside)
        if progress is not None:
            progress(number + 1)
    if not parts:
        raise ParameterError("there are no recordings to fit to; check the choice of split, position and scene")
    owner = np.repeat(np.arange(len(parts)), [part[1].size for part in parts])
    return CandidateTable(
        np.concatenate([part[0] for part in parts]), np.concatenate([part[1] for part in parts]),
        np.concatenate([part[2] for part in parts]), np.concatenate([part[3] for part in parts]), owner,
        np.array(durations), tuple(groups), tuple(taps), np.ones(owner.size),
    )  # fmt: skip


@numba.njit(cache=True)
def _score_rows(trees: Trees, rows: FloatArray, out: FloatArray) -> None:
    for i in range(rows.shape[0]):
        out[i] = sum_trees(trees, rows[i])


def score_rows(trees: Trees, rows: FloatArray) -> FloatArray:
    """The score of each row, shape (n,)."""
    out = np.empty(rows.shape[0])
    _score_rows(trees, rows, out)
    return out


@numba.njit(cache=True)
def _histories(recording: IntArray, triggers: IntArray, rows: FloatArray, scores: FloatArray,
               remembered: FloatArray, history: History, out: FloatArray) -> None:
    last = -1
    for i in range(recording.size):
        if recording[i] != last:
            last = recording[i]
            history.seen[0] = 0
        fill_history(out[i], rows[i], triggers[i], scores[i], history)
        remember(rows[i], triggers[i], remembered[i], history)


def with_history(table: CandidateTable, scores: FloatArray, remembered: FloatArray) -> FloatArray:
    """Rows with their history, shape (n, len(ALL_FEATURES)), for first scores and what is remembered of each."""
    out = np.empty((table.onset_s.size, len(HISTORY)))
    _histories(table.recording, table.triggers, table.rows, scores, remembered, new_history(), out)
    return np.hstack([table.rows, out])


def judge_table(table: CandidateTable, gate: Gate, part: npt.NDArray[np.bool_] | None = None) -> FloatArray:
    """Last scores of candidates: of those that `part` (n,) marks, None: of all."""
    part = np.ones(table.onset_s.size, dtype=np.bool_) if part is None else part
    recording, triggers, rows = table.recording[part], table.triggers[part], table.rows[part]
    scores = np.empty(triggers.size)
    edges = np.flatnonzero(np.diff(recording)) + 1
    for start, stop in itertools.pairwise((0, *edges, triggers.size)):
        full = np.empty((stop - start, len(ALL_FEATURES)))
        judge(triggers[start:stop], rows[start:stop], gate.first, gate.second, gate.remember_lower, new_history(),
              full, scores[start:stop])
    return scores


def score_table(table: CandidateTable, gate: Gate, *, columns: FloatArray | None = None) -> FloatArray:
    """Scores of a table after both sums, shape (n,); `columns` as in `fit_gate`."""
    if columns is not None:  # of the history, trees that were fitted without a column do not ask for it
        table = replace(table, rows=table.rows * columns[: table.rows.shape[1]])
    return judge_table(table, gate)
