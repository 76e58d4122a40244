"""Criteria of detectors and positions: values computed from counts, with intervals over files."""

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tapsig.errors import ParameterError
from tapsig.results import format_estimate
from tapsig.scoring.tally import SECONDS_PER_HOUR
from tapsig.units import check_choice

if TYPE_CHECKING:  # the names are options of commands, whose help loads nothing heavy
    from tapsig.units import FloatArray

FIELDS = ("tp", "fp", "fn", "entries", "entries_opened", "duration_s", "opened_on_evidence")
"""The counts of an `Outcome`, in the order of the last axis of `counts`: those of its `Score`, and one of its own,
nan where it is unknown.
"""

_TP, _FP, _FN, _ENTRIES, _OPENED, _DURATION, _ON_EVIDENCE = range(len(FIELDS))
ON_EVIDENCE = "entries-on-evidence"


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its 95 % interval; nan where undefined."""

    value: float
    low: float = math.nan
    high: float = math.nan

    def to_dict(self, name: str) -> dict[str, object]:
        """Three plain values: name, name_low, name_high."""
        return {name: self.value, f"{name}_low": self.low, f"{name}_high": self.high}

    def describe(self, digits: int = 2) -> str:
        """The value with its interval in brackets."""
        return format_estimate(self.value, self.low, self.high, digits=digits)


def list_estimates(result: object) -> dict[str, object]:
    """The columns of all fields of a dataclass that are estimates: name, name_low and name_high of each."""
    names: Iterable[str] = getattr(result, "__dataclass_fields__", ())
    found = ((name, getattr(result, name)) for name in names)
    return {key: cell for name, one in found if isinstance(one, Estimate) for key, cell in one.to_dict(name).items()}


@dataclass(frozen=True, slots=True)
class Criterion:
    """A criterion computed from counts.

    Parameters
    ----------
    sign : -1 where less is better, otherwise 1.
    compute : sums (..., fields) to values (...); nan where undefined.
    interval : counts of files (files, fields) to the edges of the 95 % interval.
    most : the largest value possible; the least is 0.
    """

    name: str
    words: str
    sign: int
    compute: "Callable[[FloatArray], FloatArray]"
    interval: "Callable[[FloatArray], tuple[float, float]]"
    most: float = math.inf

    def __reduce__(self) -> tuple[object, ...]:
        return find_criterion, (self.name,)  # its functions are local and cannot be pickled

    def estimate(self, counts: "FloatArray") -> Estimate:
        """The value over all files, counts of shape (files, fields), with its interval."""
        return Estimate(float(self.compute(counts.sum(axis=0))), *self.interval(counts))


def _ratio(part: "FloatArray", whole: "FloatArray") -> "FloatArray":
    import numpy as np  # heavy

    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(whole > 0, part / whole, np.nan)


def _share(name: str, words: str, part: int, *whole: int) -> Criterion:
    def compute(sums: "FloatArray") -> "FloatArray":
        return _ratio(sums[..., part], sums[..., whole].sum(axis=-1))

    def interval(counts: "FloatArray") -> tuple[float, float]:
        from tapsig.scoring.intervals import clustered_share_interval  # heavy

        return clustered_share_interval(counts[:, part], counts[:, whole].sum(axis=1))

    return Criterion(name, words, 1, compute, interval, 1.0)


def _f1() -> Criterion:
    """F1 = 2·J/(1 + J) increases with the share J = tp/(tp + fp + fn), so its interval follows from that of J."""
    share = _share("f1", "F1", _TP, _TP, _FP, _FN)

    def interval(counts: "FloatArray") -> tuple[float, float]:
        low, high = share.interval(counts)
        return 2 * low / (1 + low), 2 * high / (1 + high)

    def compute(sums: "FloatArray") -> "FloatArray":
        found = share.compute(sums)
        return 2 * found / (1 + found)

    return Criterion(share.name, share.words, 1, compute, interval, 1.0)


def _false_alarms() -> Criterion:
    def interval(counts: "FloatArray") -> tuple[float, float]:
        from tapsig.scoring.intervals import clustered_rate_interval  # heavy

        return clustered_rate_interval(counts[:, _FP], counts[:, _DURATION] / SECONDS_PER_HOUR)

    def compute(sums: "FloatArray") -> "FloatArray":
        return _ratio(sums[..., _FP] * SECONDS_PER_HOUR, sums[..., _DURATION])

    return Criterion("false-alarms", "false alarms per hour", -1, compute, interval)


CRITERIA = {
    criterion.name: criterion
    for criterion in (
        _f1(),
        _share("recall", "recall", _TP, _TP, _FN),
        _share("precision", "precision", _TP, _TP, _FP),
        _share("entries", "share of code entries decoded", _OPENED, _ENTRIES),
        _share(ON_EVIDENCE, "share of code entries opened on evidence", _ON_EVIDENCE, _ENTRIES),
        _false_alarms(),
    )
}


def find_criterion(name: str) -> Criterion:
    """The criterion with this name; raises ParameterError for an unknown one."""
    return CRITERIA[check_choice("criterion", name, CRITERIA)]


def require_counts(criterion: Criterion, detector: str, counts: "FloatArray") -> None:
    """Raise ParameterError where the detector does not give what the criterion counts; `counts` (files, fields)."""
    if criterion.name == ON_EVIDENCE and not (counts[:, _ON_EVIDENCE] >= 0).all():
        raise ParameterError(
            f"criterion {criterion.name} needs the log-odds of every candidate, which the detector {detector} does not"
            " give; compare only tap and what is fitted from it, or take the criterion entries"
        )
