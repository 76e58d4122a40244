"""Agreement of two label files of one recording: of two people, two passes, or a person and a proposal."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from tapsig.records import TAP, Label
from tapsig.results import compute_f1
from tapsig.scoring.matching import MATCH_WINDOW_S, Matching, match_onsets
from tapsig.units import FloatArray, check_range

PERCENTILES = (5, 25, 50, 75, 95)


@dataclass(frozen=True, slots=True)
class Disagreement:
    """One event on which two labellers differ.

    `kind_a` or `kind_b` is "" where that file has no label; `difference_s` (b − a) is nan then.
    """

    time_s: float
    kind_a: str
    kind_b: str
    difference_s: float


@dataclass(frozen=True, slots=True)
class Agreement:
    """Two label files compared.

    Parameters
    ----------
    taps_a, taps_b, both : labels of kind "tap" in each, and pairs of them within the window.
    differences_s : b − a of those pairs, shape (both,), in order of time.
    disagreements : taps that only one has, and pairs of labels of different kinds, in order of time.
    """

    taps_a: int
    taps_b: int
    both: int
    differences_s: FloatArray
    disagreements: tuple[Disagreement, ...]

    @property
    def f1(self) -> float:
        """2·both / (a + b): the same whichever labeller is taken as the reference; nan when neither has a tap."""
        return compute_f1(self.both, self.taps_a - self.both, self.taps_b - self.both)

    def percentiles_s(self) -> dict[int, float]:
        """Percentiles of b − a in seconds; nan when there are no pairs."""
        if not self.both:
            return dict.fromkeys(PERCENTILES, math.nan)
        return dict(zip(PERCENTILES, np.percentile(self.differences_s, PERCENTILES).tolist(), strict=True))


def compare_labels(a: Sequence[Label], b: Sequence[Label], *, window_s: float = MATCH_WINDOW_S) -> Agreement:
    """Match the labels of `a` and `b`, as many pairs as possible with each label used once.

    Taps are matched with taps first; the remaining labels are matched regardless of kind, so that a tap which the other
    labels a thump is reported as such. Nuisances in only one file are not a disagreement, since they are optional.

    Raises ParameterError for a window outside 0–1 s.

    >>> agreement = compare_labels([Label(1.0), Label(2.0)], [Label(1.004), Label(2.01, "thump"), Label(3.0)])
    >>> agreement.both, round(agreement.f1, 3), [(d.kind_a, d.kind_b) for d in agreement.disagreements]
    (1, 0.5, [('tap', 'thump'), ('', 'tap')])
    """
    check_range("window_s", window_s, 0.0, 1.0)
    (taps_a, others_a), (taps_b, others_b) = (_split(labels) for labels in (a, b))
    both = _match(taps_a, taps_b, window_s)
    only_a, only_b = [taps_a[i] for i in both.missed], [taps_b[j] for j in both.spurious]
    found = [Disagreement(at_s, TAP, kind, later_s) for at_s, kind, later_s in _look_up(only_a, others_b, window_s)]
    found += [Disagreement(at_s, kind, TAP, -later_s) for at_s, kind, later_s in _look_up(only_b, others_a, window_s)]
    differences_s = [taps_b[j].onset_s - taps_a[i].onset_s for i, j in both.pairs]
    disagreements = tuple(sorted(found, key=lambda item: item.time_s))
    return Agreement(len(taps_a), len(taps_b), len(both.pairs), np.array(differences_s), disagreements)


def _split(labels: Sequence[Label]) -> tuple[list[Label], list[Label]]:
    """Taps and other labels, in order of time."""
    ordered = sorted(labels)
    return [label for label in ordered if label.kind == TAP], [label for label in ordered if label.kind != TAP]


def _match(first: Sequence[Label], second: Sequence[Label], window_s: float) -> Matching:
    times = ([label.onset_s for label in labels] for labels in (first, second))
    return match_onsets(*times, window_s=window_s)


def _look_up(taps: Sequence[Label], others: Sequence[Label], window_s: float) -> Iterator[tuple[float, str, float]]:
    """Time of each tap, the kind of the other file's label there ("" without one), and how much later that is (nan)."""
    named = dict(_match(taps, others, window_s).pairs.tolist())
    for i, tap in enumerate(taps):
        other = others[named[i]] if i in named else None
        yield tap.onset_s, other.kind if other else "", other.onset_s - tap.onset_s if other else math.nan
