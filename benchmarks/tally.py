"""Counts of a detector's hits and errors, for the transfer benchmark."""

import math
from dataclasses import dataclass

import numpy as np

from tapsig.entry import decode_taps
from tapsig.results import compute_f1
from tapsig.scoring.matching import match_onsets
from tapsig.scoring.outcomes import count_opened, find_first_taps
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


@dataclass(slots=True)
class Tally:
    """Counts over the recordings of a source."""

    tp: int = 0
    fp: int = 0
    fn: int = 0
    first: int = 0
    first_found: int = 0
    entries: int = 0
    opened: int = 0
    free_false: int = 0
    free_s: float = 0.0

    def count(self, taps_s: FloatArray, found_s: FloatArray, duration_s: float) -> None:
        """Add a recording with its taps and the detections, both ascending."""
        matching = match_onsets(taps_s, found_s, window_s=WINDOW_S)
        met = np.zeros(taps_s.size, dtype=bool)
        met[matching.pairs[:, 0]] = True
        first = find_first_taps(taps_s)
        self.tp += int(met.sum())
        self.fn += int((~met).sum())
        self.fp += len(matching.spurious)
        self.first += int(first.sum())
        self.first_found += int((met & first).sum())
        made, opened = count_opened(decode_taps(taps_s), decode_taps(found_s))
        self.entries += made
        self.opened += opened
        if not taps_s.size:
            self.free_false += found_s.size
            self.free_s += duration_s

    @property
    def f1(self) -> float:
        """2·tp / (2·tp + fp + fn); nan without taps and detections."""
        return compute_f1(self.tp, self.fp, self.fn)

    @property
    def first_share(self) -> float:
        """Recall of first taps."""
        return self.first_found / max(self.first, 1)

    def cells(self) -> list[object]:
        """F1, recall of first and of later taps, codes opened, false alarms an hour on recordings without taps."""
        later = self.tp + self.fn - self.first
        false = round(self.free_false / self.free_s * 3600.0) if self.free_s else "–"
        return [
            self.f1,
            self.first_share,
            (self.tp - self.first_found) / max(later, 1),
            f"{self.opened}/{self.entries}",
            false,
        ]
