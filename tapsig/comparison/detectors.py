"""Two detectors on the same recordings: paired difference, taps that only one found, and curves over strength."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tapsig.comparison import statistics as comparison
from tapsig.comparison.statistics import Difference
from tapsig.errors import ParameterError
from tapsig.scoring.criteria import CRITERIA, Criterion, Estimate, find_criterion, require_counts
from tapsig.scoring.outcomes import Outcome, ScoreTable, count_by_file
from tapsig.scoring.tally import SECONDS_PER_HOUR
from tapsig.units import FloatArray

SEED = 20_260_104


@dataclass(frozen=True, slots=True)
class Curve:
    """Precision, recall and false alarms at falling thresholds of strength; arrays of shape (n,).

    The curve ends at the detector's own operating point, since what it did not detect has no strength.
    """

    detector: str
    strength: FloatArray
    precision: FloatArray
    recall: FloatArray
    false_alarms_per_hour: FloatArray
    hours: float
    taps: int

    @property
    def average_precision(self) -> float:
        """Average precision: the sum of precision times the step in recall; nan without taps."""
        if not self.taps:
            return math.nan
        return float(np.sum(np.diff(self.recall, prepend=0.0) * self.precision))

    def recall_at(self, false_alarms_per_hour: float) -> float:
        """The largest recall at or below this rate of false alarms; 0 when no threshold is strict enough.

        nan without taps, and for recordings so short that one false alarm exceeds the rate.
        """
        if not self.taps or false_alarms_per_hour * self.hours < 1:
            return math.nan
        allowed = self.recall[self.false_alarms_per_hour <= false_alarms_per_hour]
        return float(allowed.max(initial=0.0))


def compute_curve(detector: str, outcomes: Sequence[Outcome]) -> Curve:
    """Precision, recall and false alarms as functions of the threshold of strength.

    Detections are matched once, at the lowest threshold; each keeps its hit or miss.
    """
    taps = sum(outcome.score.taps for outcome in outcomes)
    hours = sum(outcome.score.duration_s for outcome in outcomes) / SECONDS_PER_HOUR
    if not taps:
        outcomes = ()
    strength = np.concatenate([np.zeros(0), *(outcome.strengths for outcome in outcomes)])
    hits = np.concatenate([np.zeros(0, bool), *(outcome.hits for outcome in outcomes)])
    order = np.argsort(-strength, kind="stable")
    strength, hits = strength[order], hits[order]
    last = np.append(strength[1:] != strength[:-1], True)[: strength.size]  # of equal strengths
    found, false = np.cumsum(hits)[last], np.cumsum(~hits)[last]
    return Curve(
        detector,
        strength[last],
        found / np.maximum(found + false, 1),
        found / max(taps, 1),
        false / hours if hours > 0 else np.full(false.size, np.nan),
        hours,
        taps,
    )


@dataclass(frozen=True, slots=True)
class VariantComparison:
    """Two detectors on the same recordings.

    `p_taps` is that of the taps that only one of the two found, `only_first` and `only_second`: the permutation test of
    recall, since taps of one recording are not independent, as McNemar's test takes them to be.
    `difference.needed` and `recordings` count files in which the criterion is defined for one detector at least;
    `channels` counts all channels.
    """

    first: str
    second: str
    criterion: Criterion
    values: tuple[Estimate, Estimate]
    difference: Difference
    recordings: int
    channels: int
    both: int
    only_first: int
    only_second: int
    neither: int
    p_taps: float
    curves: tuple[Curve, Curve]

    def to_dict(self) -> dict[str, object]:
        """Plain values by name."""
        first, second = self.values
        return {
            "first": self.first,
            "second": self.second,
            "criterion": self.criterion.name,
            **first.to_dict("value_first"),
            **second.to_dict("value_second"),
            **self.difference.to_dict(self.recordings),
            "taps_both": self.both,
            "taps_only_first": self.only_first,
            "taps_only_second": self.only_second,
            "taps_neither": self.neither,
            "taps_p": self.p_taps,
            "average_precision_first": self.curves[0].average_precision,
            "average_precision_second": self.curves[1].average_precision,
        }


def compare_variants(
    table: ScoreTable, first: str, *others: str, criterion: str = "f1"
) -> tuple[VariantComparison, ...]:
    """Compare a detector of a table with each of the others: differences paired by file, with Holm's adjustment.

    Raises ParameterError for a detector that is not in the table, the first among the others, or no others.
    """
    names = (first, *others)
    for name in names:
        if name not in table.detectors:
            raise ParameterError(f"detector {name!r} was not scored; there are: {', '.join(table.detectors)}")
    if not others or first in others:
        raise ParameterError(f"detector {first!r} cannot be compared with {others or 'none'}; name another")
    chosen = find_criterion(criterion)
    outcomes = [table.select(name) for name in names]
    columns = [np.array(list(count_by_file(of_one).values())) for of_one in outcomes]
    for name, column in zip(names, columns, strict=True):
        require_counts(chosen, name, column)
    compared = comparison.drop_undefined(columns, chosen)
    resampled = comparison.resample(np.stack(compared, axis=1), chosen, seed=SEED)
    pairs = [(0, k) for k in range(1, len(names))]
    differences = comparison.compare_pairs(names, compared, resampled, pairs, chosen, paired=True, seed=SEED)
    values = [chosen.estimate(column) for column in columns]
    curves = [compute_curve(name, of_one) for name, of_one in zip(names, outcomes, strict=True)]
    found = [np.array([tap for outcome in of_one for tap in outcome.found], dtype=bool) for of_one in outcomes]
    return tuple(
        VariantComparison(
            first,
            names[k],
            chosen,
            (values[0], values[k]),
            difference,
            len(compared[0]),
            len(outcomes[0]),
            int((found[0] & found[k]).sum()),
            int((found[0] & ~found[k]).sum()),
            int((~found[0] & found[k]).sum()),
            int((~found[0] & ~found[k]).sum()),
            comparison.permute_swaps(columns[0], columns[k], CRITERIA["recall"], seed=SEED),
            (curves[0], curves[k]),
        )
        for (_, k), difference in zip(pairs, differences, strict=True)
    )
