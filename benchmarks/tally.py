"""Counts of a detector's hits and errors, for the transfer benchmark."""

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from tapsig.fitting.candidates import CandidateTable
from tapsig.scoring.matching import match_onsets
from tapsig.scoring.outcomes import count_matching
from tapsig.scoring.tally import Score
from tapsig.units import BoolArray, FloatArray

WINDOW_S = 0.05


def accept(onset_s: FloatArray, likely: BoolArray, dead_time_s: float) -> FloatArray:
    """Onsets of the likely candidates, less those within the dead time of one accepted before."""
    accepted, last = [], -math.inf
    for onset in onset_s[likely].tolist():
        if onset - last >= dead_time_s:
            accepted.append(onset)
            last = onset
    return np.array(accepted)


def each_recording(table: CandidateTable) -> Iterator[tuple[int, slice]]:
    """Number and candidates of each recording."""
    edges = np.searchsorted(table.recording, np.arange(table.durations_s.size + 1)).tolist()
    return enumerate(map(slice, edges[:-1], edges[1:]))


@dataclass(slots=True)
class Tally:
    """Counts over the recordings of a source; `free`: over those without taps."""

    score: Score = field(default_factory=Score)
    free: Score = field(default_factory=Score)

    def count(self, taps_s: FloatArray, found_s: FloatArray, duration_s: float) -> None:
        """Add a recording with its taps and the detections, both ascending."""
        matching = match_onsets(taps_s, found_s, window_s=WINDOW_S)
        counted = count_matching(matching, taps_s, found_s, duration_s)
        self.score += counted
        if not taps_s.size:
            self.free += counted

    def cells(self) -> dict[str, object]:
        """F1, recall of first and of later taps, codes opened, false alarms an hour on recordings without taps."""
        score, false = self.score, self.free.false_alarms_per_hour
        later, later_found = score.taps - score.first_taps, score.tp - score.first_taps_found
        return {
            "F1": score.f1,
            "first taps": score.first_taps_found / max(score.first_taps, 1),
            "later taps": later_found / max(later, 1),
            "codes opened": f"{score.entries_opened}/{score.entries}",
            "false/h, no taps": round(false) if self.free.duration_s else "–",
        }
