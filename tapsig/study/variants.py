"""Two detectors on the same recordings: paired difference, taps that only one found, and curves over strength."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tapsig.errors import ParameterError
from tapsig.score.criteria import Criterion, Estimate, find_criterion
from tapsig.score.tally import SECONDS_PER_HOUR
from tapsig.study import comparison
from tapsig.study.comparison import McNemar, compute_mcnemar
from tapsig.study.scoring import Outcome, ScoreTable, count_by_file
from tapsig.units import FloatArray

SEED = 20_260_104


@dataclass(frozen=True, slots=True)
class Curve:
    """A detector whose detections are accepted from a strength on, that falls from point to point; shape (n,) each.

    It ends where the detector works: what it did not detect has no strength. `average_precision` is the sum of
    precision times the step in recall, taps that were not detected counting as never found.
    """

    detector: str
    strength: FloatArray
    precision: FloatArray
    recall: FloatArray
    false_alarms_per_hour: FloatArray
    hours: float

    @property
    def average_precision(self) -> float:
        """Area under precision over recall, in steps; nan without taps."""
        if not self.recall.size:
            return math.nan
        return float(np.sum(np.diff(self.recall, prepend=0.0) * self.precision))

    def recall_at(self, false_alarms_per_hour: float) -> float:
        """The largest recall with at most so many false alarms an hour; 0 when none is so strict.

        nan where the recordings are too short to tell: they must last for at least one such alarm.
        """
        if false_alarms_per_hour * self.hours < 1:
            return math.nan
        allowed = self.recall[self.false_alarms_per_hour <= false_alarms_per_hour]
        return float(allowed.max(initial=0.0))


def compute_curve(detector: str, outcomes: Sequence[Outcome]) -> Curve:
    """Precision, recall and false alarms by the least strength that is accepted.

    Each detection keeps the verdict that it has among all of them.
    """
    taps = sum(outcome.score.taps for outcome in outcomes)
    hours = sum(outcome.score.duration_s for outcome in outcomes) / SECONDS_PER_HOUR
    strength = np.concatenate([np.zeros(0), *(outcome.strengths for outcome in outcomes)])
    hits = np.concatenate([np.zeros(0, bool), *(outcome.hits for outcome in outcomes)])
    order = np.argsort(-strength, kind="stable")
    strength, hits = strength[order], hits[order]
    last = np.append(strength[1:] != strength[:-1], True) if strength.size else np.zeros(0, bool)  # of equal ones
    found, false = np.cumsum(hits)[last], np.cumsum(~hits)[last]
    if not taps:
        found = false = strength = np.zeros(0)
        last = np.zeros(0, bool)
    return Curve(
        detector, strength[last], found / np.maximum(found + false, 1), found / max(taps, 1),
        false / hours if hours > 0 else np.full(false.size, np.nan), hours,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class VariantComparison:
    """Two detectors on the same recordings.

    `difference` is the criterion of `first` less that of `second`; its interval is a bootstrap over files, paired;
    `p` is that of a permutation test (swaps within files); `needed` the files that would show this difference.
    """

    first: str
    second: str
    criterion: Criterion
    values: tuple[Estimate, Estimate]
    difference: Estimate
    p: float
    recordings: int
    needed: float
    mcnemar: McNemar
    both: int
    neither: int
    curves: tuple[Curve, Curve]

    def to_dict(self) -> dict[str, object]:
        """Plain values by name."""
        first, second = self.values
        return {
            "first": self.first, "second": self.second, "criterion": self.criterion.name,
            **first.to_dict("value_first"), **second.to_dict("value_second"), **self.difference.to_dict("difference"),
            "p": self.p, "recordings": self.recordings, "recordings_needed": self.needed,
            "taps_both": self.both, "taps_only_first": self.mcnemar.only_first,
            "taps_only_second": self.mcnemar.only_second, "taps_neither": self.neither,
            "mcnemar_chi_squared": self.mcnemar.chi_squared, "mcnemar_p": self.mcnemar.p,
            "average_precision_first": self.curves[0].average_precision,
            "average_precision_second": self.curves[1].average_precision,
        }  # fmt: skip


def compare_variants(table: ScoreTable, first: str, second: str, *, criterion: str = "f1") -> VariantComparison:
    """Compare two detectors of a table.

    Raises ParameterError for a detector that the table does not hold, or the same one twice.
    """
    for name in (first, second):
        if name not in table.detectors:
            raise ParameterError(f"detector {name!r} was not scored; there are: {', '.join(table.detectors)}")
    if first == second:
        raise ParameterError(f"detector {first!r} cannot be compared with itself; name two")
    chosen = find_criterion(criterion)
    ones, twos = table.select(first), table.select(second)
    counts = np.stack([list(count_by_file(of_one).values()) for of_one in (ones, twos)], axis=1)
    values = chosen.estimate(counts[:, 0]), chosen.estimate(counts[:, 1])
    resampled = comparison.resample(counts, chosen, seed=SEED)
    change = resampled[:, 0] - resampled[:, 1]
    error = float(np.nanstd(change)) if np.isfinite(change).any() else math.nan
    difference = Estimate(values[0].value - values[1].value, *comparison.percentile_interval(change))
    found = np.array([[f, s] for one, two in zip(ones, twos, strict=True)
                      for f, s in zip(one.found, two.found, strict=True)], dtype=bool).reshape(-1, 2)  # fmt: skip
    only_first = int((found[:, 0] & ~found[:, 1]).sum())
    only_second = int((~found[:, 0] & found[:, 1]).sum())
    return VariantComparison(
        first, second, chosen, values, difference,
        comparison.permute_swaps(counts[:, 0], counts[:, 1], chosen, seed=SEED),
        len(counts), comparison.estimate_needed(len(counts), difference.value, error),
        compute_mcnemar(only_first, only_second), int(found.all(axis=1).sum()), int((~found.any(axis=1)).sum()),
        (compute_curve(first, ones), compute_curve(second, twos)),
    )  # fmt: skip
