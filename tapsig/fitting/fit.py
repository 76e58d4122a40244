"""Adjust the shipped detector to an owner's recordings, or keep it when no adjustment is clearly better.

An owner can record taps in quiet and, separately, disturbances that must not open the door. Taps are mixed into the
latter (mixing.py). Small trees are then added to the shipped model. They are fitted to the owner's candidates together
with part of the shipped training data (replay.npz), so that the model keeps rejecting disturbances that the owner did
not record. All results come from held-out pieces of recordings (cross-validation, thresholds from other folds).
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib import resources

import numpy as np

from tapsig.detectors.model import SCALE, Model, Source, to_probability, to_score
from tapsig.detectors.saved import identify_recording
from tapsig.detectors.tap import Tap
from tapsig.errors import ParameterError
from tapsig.fitting.boosting import Boosting
from tapsig.fitting.candidates import (
    CandidateTable,
    OperatingPoint,
    collect_candidates,
    evaluate_threshold,
    score_table,
)
from tapsig.fitting.mixing import cut_pieces, disc, mix_pieces
from tapsig.records import Recording, list_recordings, require_labels
from tapsig.results import Result
from tapsig.units import BoolArray, FloatArray, IntArray, check_positive

MIN_TAPS = 20
"""Fewer taps than this are refused."""
ADVISED_TAPS = 40
FOLDS = 4
MAX_MIXTURES = 80
MAX_ERROR_RATIO = 0.9
"""An adjusted model must make at most this share of the shipped one's errors, and not more in most folds."""
REPLAY_WEIGHT = 1.0
"""Total weight of the replayed candidates, relative to the owner's."""
NEGATIVES_WEIGHT = 2.0
"""Total weight of candidates that are not taps, relative to the taps; as for the shipped model."""
MIN_KEPT_TAPS = 0.98
"""The threshold keeps at least this share of the unmixed taps, if their scores allow it."""
STRATEGIES = {"threshold": None, "adjusted": Boosting(trees=24, leaves=4, rate=0.1, least_leaf=30)}
SHIPPED = "shipped"
_STEPS = np.arange(-4.0, 3.01, 0.25) * SCALE


@dataclass(frozen=True, slots=True, repr=False)
class FittedDetector(Result):
    """A detector fitted to an owner's recordings, and its expected performance.

    Parameters
    ----------
    variant : the detector.
    strategy : "shipped" (nothing was clearly better), "threshold" (another operating point of the shipped model),
        "adjusted" (trees were added to it).
    taps, taps_with_candidate : labelled taps, and those with a candidate.
    mixtures : recordings made by adding taps to recordings without taps.
    expected, before : results of this detector and of the shipped one on held-out pieces with taps and on mixtures.
    free_expected, free_before : the same on pieces without taps.
    notes : limits of these figures and what to record next, in sentences.
    """

    variant: Tap
    strategy: str
    taps: int
    taps_with_candidate: int
    recordings: int
    mixtures: int
    expected: OperatingPoint
    before: OperatingPoint
    free_expected: OperatingPoint
    free_before: OperatingPoint
    notes: tuple[str, ...]

    def rows(self) -> list[dict[str, object]]:
        """One row, from `to_dict`."""
        return [self.to_dict()]

    def _describe(self) -> str:
        f1, shipped_f1 = self.expected.f1, self.before.f1
        return f"{self.strategy}, F1 {f1:.2f} on held-out pieces (shipped {shipped_f1:.2f}), {self.taps} taps"

    def to_dict(self) -> dict[str, object]:
        """Values for a table."""
        return {
            "strategy": self.strategy,
            "taps": self.taps,
            "taps_with_candidate": self.taps_with_candidate,
            "recordings": self.recordings,
            "mixtures": self.mixtures,
            "hours": self.expected.hours,
            "probability": self.variant.probability,
            "f1": self.expected.f1,
            "tp": self.expected.tp,
            "fp": self.expected.fp,
            "fn": self.expected.fn,
            "f1_before": self.before.f1,
            "hours_without_taps": self.free_expected.hours,
            "false_alarms_per_hour": self.free_expected.false_alarms_per_hour,
            "false_alarms_per_hour_before": self.free_before.false_alarms_per_hour,
        }


@dataclass(frozen=True, slots=True)
class _Folded:
    """Candidates of pieces and mixtures, with the fold of each recording and whether it has taps or is mixed."""

    table: CandidateTable
    fold: IntArray
    tapped: BoolArray
    mixed: BoolArray

    def of(self, recordings: BoolArray) -> BoolArray:
        """Mask of the candidates in the selected recordings."""
        return np.asarray(recordings[self.table.recording])


@lru_cache(maxsize=1)
def load_replay() -> CandidateTable:
    """Part of the training data of the shipped model, with weights."""
    with resources.files("tapsig.fitting").joinpath("replay.npz").open("rb") as file, np.load(file) as kept:
        count = kept["tap"].size
        return CandidateTable(
            kept["rows"],
            np.zeros(count),
            kept["tap"].astype(np.int64),
            np.zeros(count, dtype=np.int64),
            np.zeros(1),
            ("",),
            (np.zeros(0),),
            _balanced(kept["tap"]),
        )


def _balanced(tap: IntArray) -> FloatArray:
    """Weights that sum to 1 over taps and to NEGATIVES_WEIGHT over others; 0 without a class."""
    taps, others = tap == 1, tap == 0
    return np.where(taps, 1.0 / max(taps.sum(), 1), np.where(others, NEGATIVES_WEIGHT / max(others.sum(), 1), 0.0))


def fit_detector(
    recordings: Sequence[Recording] | Iterable[Recording],
    *,
    false_alarms_per_hour: float | None = None,
    group_by: str = "vehicle",
    seed: int = 0,
    progress: Callable[[int], None] | None = None,
) -> FittedDetector:
    """Adjust `tap` to labelled recordings of your own.

    Parameters
    ----------
    recordings : several Recording
        Some with taps, preferably in quiet, and some without (with empty label files).
    false_alarms_per_hour : float
        Limit on recordings without taps; None: best F1.
    group_by : {"vehicle", "recording"}
        With several of these, each is wholly in training or wholly in testing.
    seed : int
        Seed of the mixtures and the trees.
    progress : callable
        Called with the number of recordings read.

    Returns
    -------
    FittedDetector
        The detector (`variant`) and its expected performance.

    Raises
    ------
    ParameterError
        For fewer than 20 taps, no candidates other than taps, or a parameter out of range.
    LabelError
        For a recording without labels.
    """
    if group_by not in ("vehicle", "recording"):
        raise ParameterError(f"group_by is {group_by!r}; it must be 'vehicle' or 'recording'")
    if false_alarms_per_hour is not None:
        check_positive("false_alarms_per_hour", false_alarms_per_hour)
    recordings = list(list_recordings(recordings))
    for recording in recordings:
        require_labels(recording)
    folded = _prepare(recordings, group_by, seed, progress)
    own = folded.table.select(~folded.mixed)
    _require_enough(own)
    shipped = Tap()
    scores, points = _cross_fit(folded, shipped, false_alarms_per_hour, seed)
    strategy = _choose_strategy(points)
    variant = _finish(strategy, folded, shipped, scores, false_alarms_per_hour, seed)
    names = tuple(sorted({*shipped.model.fitted_to, *map(identify_recording, recordings)} - {""}))
    if strategy != SHIPPED:
        variant = replace(
            variant,
            model=replace(
                variant.model,
                fitted_to=names,
                sources=(*shipped.model.sources, Source("recordings of the owner", "own")),
            ),
        )
    expected, free = points[strategy]
    before, free_before = points[SHIPPED]
    found = FittedDetector(
        variant,
        strategy,
        own.taps,
        own.taps_with_candidate,
        own.durations_s.size,
        int(folded.mixed.sum()),
        _sum(expected),
        _sum(before),
        _sum(free),
        _sum(free_before),
        (),
    )
    return replace(found, notes=tuple(_notes(found, folded, recordings, false_alarms_per_hour)))


def _prepare(recordings: list[Recording], group_by: str, seed: int, progress: Callable[[int], None] | None) -> _Folded:
    pieces = cut_pieces(recordings, FOLDS)
    names = [
        piece.recording.vehicle if group_by == "vehicle" and piece.recording.vehicle else piece.recording.source
        for piece in pieces
    ]
    groups = {name: number % FOLDS for number, name in enumerate(dict.fromkeys(names))}
    if len(groups) >= FOLDS or (len(groups) > 1 and group_by == "vehicle"):
        pieces = [replace(piece, fold=groups[name]) for piece, name in zip(pieces, names, strict=True)]
    mixtures = list(mix_pieces(pieces, np.random.default_rng(seed), most=MAX_MIXTURES))
    own = collect_candidates((piece.recording for piece in pieces), progress=progress)
    parts, everything = [own], [*pieces, *mixtures]
    if mixtures:
        parts.append(collect_candidates(piece.recording for piece in mixtures))
    table = CandidateTable.join(parts)
    tapped = np.array([taps.size > 0 for taps in table.taps_s])
    mixed = np.arange(tapped.size) >= len(pieces)
    return _Folded(table, np.array([piece.fold for piece in everything]), tapped, mixed)


def _require_enough(own: CandidateTable) -> None:
    if own.taps < MIN_TAPS or own.taps_with_candidate < MIN_TAPS:
        raise ParameterError(
            f"the recordings hold {own.taps} labelled taps, of which {own.taps_with_candidate} raise a candidate;"
            f" at least {MIN_TAPS} are needed and {ADVISED_TAPS} advised: record and label more, or use the shipped"
            " detector"
        )
    if not (own.tap == 0).any():
        raise ParameterError("the recordings contain only taps; add recordings of disturbances that are not taps")


def _adjust(folded: _Folded, chosen: BoolArray, shipped: Model, boosting: Boosting | None, seed: int) -> Model:
    """The shipped model with added trees, fitted to the `chosen` candidates and the replayed ones."""
    if boosting is None:
        return shipped
    replay = load_replay()
    tap = np.concatenate([folded.table.tap[chosen], replay.tap])
    rows = np.concatenate([folded.table.rows[chosen], replay.rows])
    weights = np.concatenate([_balanced(folded.table.tap[chosen]), REPLAY_WEIGHT * replay.weights])
    weights *= np.count_nonzero(weights) / weights.sum()
    added = boosting.fit_residual(rows, (tap == 1).astype(np.int64), weights, shipped.score(rows) / SCALE, seed=seed)
    return added.to_model(shipped, sources=shipped.sources, fitted_to=shipped.fitted_to)


Points = tuple[list[OperatingPoint], list[OperatingPoint]]
"""Operating points of each fold, on recordings with taps and on those without."""


def _cross_fit(
    folded: _Folded, shipped: Tap, wanted: float | None, seed: int
) -> tuple[dict[str, FloatArray], dict[str, Points]]:
    """Held-out scores of each strategy, and its results at thresholds chosen on the other folds."""
    start = score_table(folded.table, shipped.model).astype(np.float64)
    scores = {SHIPPED: start}
    folds = np.unique(folded.fold)
    for strategy, boosting in STRATEGIES.items():
        scores[strategy] = start.copy()
        for k in folds if boosting is not None else ():
            out = folded.of(folded.fold == k)
            if (folded.table.tap[~out] == 1).any() and (folded.table.tap[~out] == 0).any():
                model = _adjust(folded, ~out, shipped.model, boosting, seed)
                scores[strategy][out] = score_table(folded.table, model)[out]
    points: dict[str, Points] = {}
    for strategy, held in scores.items():
        points[strategy] = ([], [])
        for k in folds:
            inner = folded.fold != k
            least = (
                to_score(shipped.probability)
                if strategy == SHIPPED
                else _choose_threshold(folded, held, inner if inner.any() else ~inner, shipped, wanted)
            )
            for part, found in zip((folded.tapped, ~folded.tapped), points[strategy], strict=True):
                found.append(_point(folded, held, part & (folded.fold == k), least, shipped.dead_time_s))
    return scores, points


def _point(
    folded: _Folded, scores: FloatArray, recordings: BoolArray, least: float, dead_time_s: float
) -> OperatingPoint:
    return evaluate_threshold(folded.table.select(recordings), scores[folded.of(recordings)], least, dead_time_s)


def _choose_threshold(
    folded: _Folded, scores: FloatArray, recordings: BoolArray, shipped: Tap, wanted: float | None
) -> float:
    """The threshold with the best F1 on `recordings` with taps, or the most hits within the limit of false alarms.

    Without such a limit, it keeps nearly all unmixed taps.
    """
    dead = shipped.dead_time_s
    points = [_point(folded, scores, recordings & folded.tapped, float(step), dead) for step in _STEPS]
    if wanted is not None:
        free = [_point(folded, scores, recordings & ~folded.tapped, float(step), dead) for step in _STEPS]
        allowed = [point for point, other in zip(points, free, strict=True) if not other.false_alarms_per_hour > wanted]
        return (allowed or points[-1:])[0].least_score
    best = max(points, key=lambda point: point.f1 if point.f1 == point.f1 else -1.0).least_score
    quiet = folded.of(recordings & folded.tapped & ~folded.mixed) & (folded.table.tap == 1)
    kept = float(np.quantile(scores[quiet], 1.0 - MIN_KEPT_TAPS)) if quiet.any() else best
    return max(min(best, kept), float(_STEPS[0]))


def _sum(points: list[OperatingPoint]) -> OperatingPoint:
    return OperatingPoint(
        points[0].least_score,
        sum(p.tp for p in points),
        sum(p.fp for p in points),
        sum(p.fn for p in points),
        sum(p.hours for p in points),
    )


def _choose_strategy(points: dict[str, Points]) -> str:
    """The strategy with the fewest errors on recordings with taps, if clearly better than the shipped detector."""
    before = points[SHIPPED][0]
    best = min(STRATEGIES, key=lambda strategy: _sum(points[strategy][0]).errors)
    errors, errors_before = [p.errors for p in points[best][0]], [p.errors for p in before]
    not_worse = sum(one <= other for one, other in zip(errors, errors_before, strict=True))
    clearly = sum(errors) <= MAX_ERROR_RATIO * sum(errors_before) and not_worse >= 0.75 * len(errors)
    return best if clearly else SHIPPED


def _finish(
    strategy: str, folded: _Folded, shipped: Tap, scores: dict[str, FloatArray], wanted: float | None, seed: int
) -> Tap:
    if strategy == SHIPPED:
        return shipped
    everywhere = np.ones(folded.fold.size, dtype=bool)
    least = _choose_threshold(folded, scores[strategy], everywhere, shipped, wanted)
    model = _adjust(folded, folded.of(everywhere), shipped.model, STRATEGIES[strategy], seed)
    return replace(shipped, model=model, probability=float(f"{to_probability(np.array([least]))[0]:.4g}"))


def _notes(found: FittedDetector, folded: _Folded, recordings: list[Recording], wanted: float | None) -> Iterable[str]:
    if found.strategy == SHIPPED:
        yield "the shipped detector was kept: no adjustment was clearly better on held-out pieces of these recordings"
    if found.taps < ADVISED_TAPS:
        yield f"{found.taps} taps are few: record at least {ADVISED_TAPS} in quiet for reliable figures"
    if found.taps_with_candidate < found.taps:
        yield (
            f"{found.taps - found.taps_with_candidate} of {found.taps} taps raise no candidate: they are too weak"
            " against the background, and no model can find them; tap harder or choose another position"
        )
    free = [recording for recording in recordings if not recording.taps_s.size]
    if not free:
        yield (
            "all recordings have taps: record some minutes of rain, road, music and slams without taps, each with an"
            " empty label file"
        )
    elif not found.mixtures:
        places = sorted({str(disc(recording)[1]) or "unnamed" for recording in free})
        yield (
            "no recording without taps has the position, rate and converter of one with taps"
            f" (without taps: {', '.join(places)}): record both at one position"
        )
    if found.expected.hours and folded.fold.max() == 0:
        yield "there is only one piece: these figures come from the data that it was fitted to; record more"
    if wanted is not None and found.free_expected.hours * wanted < 3.0:
        yield (
            f"{found.free_expected.hours:.2g} h without taps are too short to show at most {wanted:g} false alarms an"
            f" hour: {3.0 / wanted:.2g} h without any would be needed (rule of three)"
        )
