"""The shipped detector and an adjusted one, compared by cross-validation on an owner's recordings.

Trees that are added to the shipped model are fitted to the owner's candidates together with part of the shipped
training data (replay.npz), so that the model keeps rejecting disturbances that the owner did not record. The settings
were chosen on doors of generators that the shipped model had not met (benchmarks/README.md, "Fit"): a lighter replay,
a milder limit of errors or a threshold that is chosen anew made some of those doors much worse.
"""

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib import resources
from typing import Any

import numpy as np
import numpy.typing as npt

from tapsig.detectors.model import SCALE, Model, to_probability, to_score
from tapsig.detectors.tap import Tap
from tapsig.fitting.boosting import Boosting
from tapsig.fitting.candidates import ByteRows, CandidateTable, OperatingPoint, collect_candidates, evaluate_threshold
from tapsig.fitting.mixing import cut_pieces, mix_pieces
from tapsig.records import Recording
from tapsig.units import BoolArray, FloatArray, IntArray

FOLDS = 4
MAX_MIXTURES = 80
LEAST_SHARE_FEWER, LEAST_FEWER = 0.2, 5
"""Of the other one's errors an adjusted model must make fewer by this share and this number, and more in few folds."""
REPLAY_WEIGHT = 5.0
"""Total weight of the replayed candidates, relative to the owner's."""
NEGATIVES_WEIGHT = 2.0
"""Total weight of candidates that are not taps, relative to the taps; as for the shipped model."""
ADDED = Boosting(trees=60, leaves=4, rate=0.1, least_leaf=30)
SHIPPED, THRESHOLD, ADJUSTED = "shipped", "threshold", "adjusted"
"""What the shipped detector becomes: itself; with another threshold; with trees added."""
RULE_OF_THREE = 3.0
"""Events expected at a rate that none at all excludes (95 %: -ln 0.05; Hanley & Lippman-Hand, JAMA 249 (1983) 1743)."""
_STEPS = np.arange(-4.0, 3.01, 0.25) * SCALE

Points = tuple[list[OperatingPoint], list[OperatingPoint]]
"""Operating points of each fold, on recordings with taps and on those without."""


@lru_cache(maxsize=1)
def load_replay() -> CandidateTable:
    """Part of the training data of the shipped model, with weights."""
    with resources.files("tapsig.fitting").joinpath("replay.npz").open("rb") as file, np.load(file) as kept:
        return to_replay(kept["rows"], kept["tap"])


def to_replay(rows: ByteRows, tap: npt.NDArray[np.integer[Any]]) -> CandidateTable:
    """Rows (n, len(FEATURES)) and classes (n,) as a table with balanced weights, of no recording."""
    count = tap.size
    number, truth = np.zeros(count, dtype=np.int64), tap.astype(np.int64)
    return CandidateTable(rows, np.zeros(count), truth, number, np.zeros(1), ("",), (np.zeros(0),), _balanced(truth))


def _balanced(tap: IntArray) -> FloatArray:
    """Weights that sum to 1 over taps and to NEGATIVES_WEIGHT over others; 0 without a class."""
    taps, others = tap == 1, tap == 0
    return np.where(taps, 1.0 / max(taps.sum(), 1), np.where(others, NEGATIVES_WEIGHT / max(others.sum(), 1), 0.0))


@dataclass(frozen=True, slots=True)
class CrossFit:
    """Candidates of pieces and mixtures, and the settings of the fit.

    Parameters
    ----------
    table : the candidates.
    fold, tapped, mixed : of each recording: its fold, whether it has taps, whether it is a mixture.
    shipped : the detector to adjust.
    replay : part of its training data.
    wanted : limit of false alarms per hour, or None.
    grouped : whether each vehicle or recording lies wholly in one fold; else its pieces lie in all.
    """

    table: CandidateTable
    fold: IntArray
    tapped: BoolArray
    mixed: BoolArray
    shipped: Tap
    replay: CandidateTable
    wanted: float | None
    seed: int
    grouped: bool

    @classmethod
    def prepare(
        cls,
        recordings: list[Recording],
        shipped: Tap,
        *,
        replay: CandidateTable | None = None,
        group_by: str = "vehicle",
        wanted: float | None = None,
        seed: int = 0,
        progress: Callable[[int], None] | None = None,
    ) -> "CrossFit":
        """Cut the recordings into pieces, mix them, and collect the candidates of all, whatever their order."""
        pieces = cut_pieces(sorted(recordings, key=_describe_content), FOLDS)
        names = [
            piece.recording.vehicle if group_by == "vehicle" and piece.recording.vehicle else piece.recording.source
            for piece in pieces
        ]
        tapped = dict.fromkeys(name for piece, name in zip(pieces, names, strict=True) if piece.recording.taps_s.size)
        others = [name for name in dict.fromkeys(names) if name not in tapped]
        groups = {name: k % FOLDS for kind in (tapped, others) for k, name in enumerate(kind)}  # each fold has both
        grouped = len(tapped) > 1 and (len(groups) >= FOLDS or group_by == "vehicle")
        if grouped:
            pieces = [replace(piece, fold=groups[name]) for piece, name in zip(pieces, names, strict=True)]
        mixtures = list(mix_pieces(pieces, np.random.default_rng(seed), most=MAX_MIXTURES))
        own = collect_candidates((piece.recording for piece in pieces), progress=progress)
        parts, everything = [own], [*pieces, *mixtures]
        if mixtures:
            parts.append(collect_candidates(piece.recording for piece in mixtures))
        table = CandidateTable.join(parts)
        has_taps = np.array([taps.size > 0 for taps in table.taps_s])
        mixed = np.arange(has_taps.size) >= len(pieces)
        fold = np.array([piece.fold for piece in everything])
        return cls(table, fold, has_taps, mixed, shipped, replay or load_replay(), wanted, seed, grouped)

    def of(self, recordings: BoolArray) -> BoolArray:
        """Mask of the candidates in the selected recordings."""
        return np.asarray(recordings[self.table.recording])

    def _adjust(self, chosen: BoolArray) -> Model:
        """The shipped model with added trees, fitted to the `chosen` candidates and the replayed ones."""
        shipped, replay = self.shipped.model, self.replay
        tap = np.concatenate([self.table.tap[chosen], replay.tap])
        rows = np.concatenate([self.table.rows[chosen], replay.rows])
        weights = np.concatenate([_balanced(self.table.tap[chosen]), REPLAY_WEIGHT * replay.weights])
        weights *= np.count_nonzero(weights) / weights.sum()
        start = shipped.score(rows) / SCALE
        added = ADDED.fit_residual(rows, (tap == 1).astype(np.int64), weights, start, seed=self.seed)
        return added.to_model(shipped, sources=shipped.sources, fitted_to=shipped.fitted_to)

    def compare(self) -> tuple[dict[str, FloatArray], dict[str, Points]]:
        """Held-out scores of each strategy, and its results at the shipped threshold, or at one for the wanted limit.

        That one is chosen on the other folds.
        """
        start = self.shipped.model.score(self.table.rows).astype(np.float64)
        adjusted = start.copy()
        for k in np.unique(self.fold):
            out = self.of(self.fold == k)
            if (self.table.tap[~out] == 1).any() and (self.table.tap[~out] == 0).any():
                adjusted[out] = self._adjust(~out).score(self.table.rows)[out]
        scores = {SHIPPED: start, THRESHOLD: start, ADJUSTED: adjusted}
        if self.wanted is None:
            del scores[THRESHOLD]
        return scores, {strategy: self._judge_folds(strategy, held) for strategy, held in scores.items()}

    def _judge_folds(self, strategy: str, scores: FloatArray) -> Points:
        tapped: list[OperatingPoint] = []
        free: list[OperatingPoint] = []
        for k in np.unique(self.fold):
            inner = self.fold != k
            least = self._find_threshold(strategy, scores, inner if inner.any() else ~inner)
            for part, found in ((self.tapped, tapped), (~self.tapped, free)):
                found.append(self._evaluate(scores, part & (self.fold == k), least))
        return tapped, free

    def _evaluate(self, scores: FloatArray, recordings: BoolArray, least: float) -> OperatingPoint:
        chosen = self.table.select(recordings)
        return evaluate_threshold(chosen, scores[self.of(recordings)], least, self.shipped.dead_time_s)

    def _find_threshold(self, strategy: str, scores: FloatArray, recordings: BoolArray) -> float:
        """The lowest threshold within the wanted limit of false alarms on `recordings` without taps, if there is one.

        Without a limit or such recordings, and for the shipped detector, its own; none lower where they are too short
        to show the limit, since silence would bear out every threshold.
        """
        without_taps, own = recordings & ~self.tapped, float(to_score(self.shipped.probability))
        if self.wanted is None or strategy == SHIPPED or not without_taps.any():
            return own
        shown = self.table.durations_s[without_taps].sum() / 3600.0 * self.wanted >= RULE_OF_THREE
        steps = _STEPS if shown else np.maximum(_STEPS, own)
        free = [self._evaluate(scores, without_taps, float(step)) for step in steps]
        allowed = [point for point in free if point.false_alarms_per_hour <= self.wanted]
        return (allowed or free[-1:])[0].least_score

    def finish(self, strategy: str, scores: dict[str, FloatArray]) -> Tap:
        """The detector by this strategy, fitted to all recordings."""
        if strategy == SHIPPED:
            return self.shipped
        everywhere = np.ones(self.fold.size, dtype=bool)
        model, probability = self.shipped.model, self.shipped.probability
        if self.wanted is not None:
            least = self._find_threshold(strategy, scores[strategy], everywhere)
            probability = float(f"{to_probability(np.array([least]))[0]:.4g}")
        if strategy == ADJUSTED:
            model = self._adjust(self.of(everywhere))
        return replace(self.shipped, model=model, probability=probability)


def _describe_content(recording: Recording) -> tuple[str, ...]:
    """A sort key; the name of a file decides only between equal ones."""
    content = hashlib.sha256(recording.samples.tobytes()).hexdigest()
    return recording.vehicle, recording.position, content, recording.source


def sum_points(points: list[OperatingPoint]) -> OperatingPoint:
    """The counts of all folds, with the threshold of the first."""
    names = ("tp", "fp", "fn", "hours")
    return replace(points[0], **{name: sum(getattr(point, name) for point in points) for name in names})


def choose_strategy(points: dict[str, Points]) -> str:
    """The adjusted model if clearly better on recordings with taps, else the shipped one.

    The shipped one takes another threshold if a limit of false alarms is wanted.
    """
    kept = THRESHOLD if THRESHOLD in points else SHIPPED
    errors, errors_before = ([point.errors for point in points[strategy][0]] for strategy in (ADJUSTED, kept))
    not_worse = sum(one <= other for one, other in zip(errors, errors_before, strict=True))
    fewer = sum(errors_before) - sum(errors)
    clearly = fewer >= max(LEAST_FEWER, LEAST_SHARE_FEWER * sum(errors_before)) and not_worse >= 0.75 * len(errors)
    return ADJUSTED if clearly else kept
