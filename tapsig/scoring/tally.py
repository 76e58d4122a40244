"""Score: counts and a duration, from which all rates are derived; undefined rates are nan."""

from dataclasses import dataclass

from tapsig.results import Counts, compute_f1, compute_ratio

SECONDS_PER_HOUR = 3600.0


@dataclass(frozen=True, slots=True)
class Score(Counts):
    """Counts over some recordings; scores add.

    Parameters
    ----------
    tp, fp, fn : taps found, false detections, taps missed.
    duration_s : duration without gaps.
    entries, entries_opened : code entries, and those decoded digit for digit.
    first_taps, first_taps_found : taps over a second after the tap before (or the first), and how many were found.

    >>> total = Score(8, 2, 2, 3600.0) + Score(1, 0, 0, 3600.0)
    >>> round(total.precision, 3), round(total.recall, 3), total.false_alarms_per_hour
    (0.818, 0.818, 1.0)
    >>> Score(0, 0, 0, 10.0).precision
    nan
    """

    tp: int = 0
    fp: int = 0
    fn: int = 0
    duration_s: float = 0.0
    entries: int = 0
    entries_opened: int = 0
    first_taps: int = 0
    first_taps_found: int = 0

    @property
    def taps(self) -> int:
        """Reference taps."""
        return self.tp + self.fn

    @property
    def precision(self) -> float:
        """Share of detections that are taps; nan without detections."""
        return compute_ratio(self.tp, self.tp + self.fp)

    @property
    def recall(self) -> float:
        """Share of taps that were detected; nan without taps."""
        return compute_ratio(self.tp, self.tp + self.fn)

    @property
    def f1(self) -> float:
        """Harmonic mean of both, 2·tp/(2·tp + fp + fn); nan without taps and detections."""
        return compute_f1(self.tp, self.fp, self.fn)

    @property
    def false_alarms_per_hour(self) -> float:
        """False detections per hour; nan for a duration of 0."""
        return compute_ratio(self.fp, self.duration_s) * SECONDS_PER_HOUR
