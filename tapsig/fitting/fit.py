"""Adjust the shipped detector to an owner's recordings, or leave it as it is when that is not clearly better.

What an owner can record is taps in quiet and, apart from these, what must not open the door. Taps are mixed into the
latter (mixing.py). Small trees are then added to the shipped model; a part of what that learnt from (replay.npz) is
learnt again beside the owner's candidates, so that nuisances which the owner did not record stay known. Everything is
judged on pieces of recordings that were held out in turn (cross-validation; thresholds are chosen on other folds).
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
CLEARLY = 0.9
"""An adjusted model must make at most this share of the shipped one's errors, and not more in most folds."""
REPLAYED = 1.0
"""Weight of all that is replayed, for 1 of the owner's candidates."""
OTHERS_WEIGHT = 2.0
"""Weight of all candidates that are no taps, for 1 of all taps; the shipped model was fitted alike."""
KEPT_IN_QUIET = 0.98
"""The threshold keeps this share of the taps that were recorded as they are, where scores allow it."""
WAYS = {"threshold": None, "adjusted": Boosting(trees=24, leaves=4, rate=0.1, least_leaf=30)}
SHIPPED = "shipped"
_STEPS = np.arange(-4.0, 3.01, 0.25) * SCALE


@dataclass(frozen=True, slots=True, repr=False)
class FittedDetector(Result):
    """A detector for an owner's recordings, what it is expected to do on others of them, and what limits that.

    Parameters
    ----------
    variant : the detector.
    way : "shipped" (nothing was clearly better), "threshold" (another operating point of the shipped model),
        "adjusted" (trees were added to it).
    taps, taps_with_candidate : labelled; and those that raised a candidate at all.
    mixtures : recordings that were made by adding taps to recordings without.
    expected, before : what the detector, and the shipped one, did on held-out pieces with taps and on mixtures.
    free_expected, free_before : the same on pieces without taps.
    notes : what to expect and what to record next, in sentences.
    """

    variant: Tap
    way: str
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
        """One row, that of `to_dict`."""
        return [self.to_dict()]

    def _describe(self) -> str:
        return (
            f"{self.way}, F1 {self.expected.f1:.2f} on held-out pieces (shipped {self.before.f1:.2f}), {self.taps} taps"
        )

    def to_dict(self) -> dict[str, object]:
        """Plain numbers for a table."""
        return {
            "way": self.way,
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
    """Candidates of pieces and mixtures, with the fold of each recording and whether it holds taps or is mixed."""

    table: CandidateTable
    fold: IntArray
    tapped: BoolArray
    mixed: BoolArray

    def of(self, recordings: BoolArray) -> BoolArray:
        """Which candidates belong to recordings of the mask."""
        return np.asarray(recordings[self.table.recording])


@lru_cache(maxsize=1)
def load_replay() -> CandidateTable:
    """A part of the candidates that the shipped model learnt from, weighted."""
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
    """Weights: 1 over all taps, OTHERS_WEIGHT over all others, 0 for the unclear."""
    taps, others = tap == 1, tap == 0
    return np.where(taps, 1.0 / max(taps.sum(), 1), np.where(others, OTHERS_WEIGHT / max(others.sum(), 1), 0.0))


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
        Some with taps, best in quiet, and some without (their label files are empty).
    false_alarms_per_hour : float
        At most this many on recordings without taps; None: the best F1.
    group_by : {"vehicle", "recording"}
        Each of them is wholly in fitting or wholly in judging, where there are several.
    seed : int
        Of the mixtures and of the trees.
    progress : callable
        Called with the number of recordings read.

    Returns
    -------
    FittedDetector
        The detector (`variant`), what to expect of it, and what limits that.

    Raises
    ------
    ParameterError
        For fewer than 20 taps, no candidate that is no tap, or a parameter out of range.
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
    way = _choose_way(points)
    variant = _finish(way, folded, shipped, scores, false_alarms_per_hour, seed)
    names = tuple(sorted({*shipped.model.fitted_to, *map(identify_recording, recordings)} - {""}))
    if way != SHIPPED:
        variant = replace(
            variant,
            model=replace(
                variant.model,
                fitted_to=names,
                sources=(*shipped.model.sources, Source("recordings of the owner", "own")),
            ),
        )
    expected, free = points[way]
    before, free_before = points[SHIPPED]
    found = FittedDetector(
        variant,
        way,
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
        raise ParameterError("the recordings hold nothing but taps; add some of what must not be taken for a tap")


def _adjust(folded: _Folded, chosen: BoolArray, shipped: Model, boosting: Boosting | None, seed: int) -> Model:
    """The shipped model with trees fitted to the candidates that `chosen` marks and to the replayed ones."""
    if boosting is None:
        return shipped
    replay = load_replay()
    tap = np.concatenate([folded.table.tap[chosen], replay.tap])
    rows = np.concatenate([folded.table.rows[chosen], replay.rows])
    weights = np.concatenate([_balanced(folded.table.tap[chosen]), REPLAYED * replay.weights])
    weights *= np.count_nonzero(weights) / weights.sum()
    added = boosting.fit_residual(rows, (tap == 1).astype(np.int64), weights, shipped.score(rows) / SCALE, seed=seed)
    return added.to_model(shipped, sources=shipped.sources, fitted_to=shipped.fitted_to)


Points = tuple[list[OperatingPoint], list[OperatingPoint]]
"""Of each fold: on recordings with taps, and on those without."""


def _cross_fit(
    folded: _Folded, shipped: Tap, wanted: float | None, seed: int
) -> tuple[dict[str, FloatArray], dict[str, Points]]:
    """Held-out scores of each way, and what they gave at a threshold that was chosen on the other folds."""
    start = score_table(folded.table, shipped.model).astype(np.float64)
    scores = {SHIPPED: start}
    folds = np.unique(folded.fold)
    for way, boosting in WAYS.items():
        scores[way] = start.copy()
        for k in folds if boosting is not None else ():
            out = folded.of(folded.fold == k)
            if (folded.table.tap[~out] == 1).any() and (folded.table.tap[~out] == 0).any():
                model = _adjust(folded, ~out, shipped.model, boosting, seed)
                scores[way][out] = score_table(folded.table, model)[out]
    points: dict[str, Points] = {}
    for way, held in scores.items():
        points[way] = ([], [])
        for k in folds:
            inner = folded.fold != k
            least = (
                to_score(shipped.probability)
                if way == SHIPPED
                else _choose_threshold(folded, held, inner if inner.any() else ~inner, shipped, wanted)
            )
            for part, found in zip((folded.tapped, ~folded.tapped), points[way], strict=True):
                found.append(_point(folded, held, part & (folded.fold == k), least, shipped.dead_time_s))
    return scores, points


def _point(
    folded: _Folded, scores: FloatArray, recordings: BoolArray, least: float, dead_time_s: float
) -> OperatingPoint:
    return evaluate_threshold(folded.table.select(recordings), scores[folded.of(recordings)], least, dead_time_s)


def _choose_threshold(
    folded: _Folded, scores: FloatArray, recordings: BoolArray, shipped: Tap, wanted: float | None
) -> float:
    """The threshold of best F1 among `recordings` with taps, or of most hits with few enough false alarms without.

    Unless false alarms are limited, it keeps nearly all taps that were recorded as they are.
    """
    dead = shipped.dead_time_s
    points = [_point(folded, scores, recordings & folded.tapped, float(step), dead) for step in _STEPS]
    if wanted is not None:
        free = [_point(folded, scores, recordings & ~folded.tapped, float(step), dead) for step in _STEPS]
        allowed = [point for point, other in zip(points, free, strict=True) if not other.false_alarms_per_hour > wanted]
        return (allowed or points[-1:])[0].least_score
    best = max(points, key=lambda point: point.f1 if point.f1 == point.f1 else -1.0).least_score
    quiet = folded.of(recordings & folded.tapped & ~folded.mixed) & (folded.table.tap == 1)
    kept = float(np.quantile(scores[quiet], 1.0 - KEPT_IN_QUIET)) if quiet.any() else best
    return max(min(best, kept), float(_STEPS[0]))


def _sum(points: list[OperatingPoint]) -> OperatingPoint:
    return OperatingPoint(
        points[0].least_score,
        sum(p.tp for p in points),
        sum(p.fp for p in points),
        sum(p.fn for p in points),
        sum(p.hours for p in points),
    )


def _choose_way(points: dict[str, Points]) -> str:
    """The way of fewest errors on recordings with taps, if clearly better than the shipped detector in most folds."""
    before = points[SHIPPED][0]
    best = min(WAYS, key=lambda way: _sum(points[way][0]).errors)
    errors, errors_before = [p.errors for p in points[best][0]], [p.errors for p in before]
    not_worse = sum(one <= other for one, other in zip(errors, errors_before, strict=True))
    clearly = sum(errors) <= CLEARLY * sum(errors_before) and not_worse >= 0.75 * len(errors)
    return best if clearly else SHIPPED


def _finish(
    way: str, folded: _Folded, shipped: Tap, scores: dict[str, FloatArray], wanted: float | None, seed: int
) -> Tap:
    if way == SHIPPED:
        return shipped
    everywhere = np.ones(folded.fold.size, dtype=bool)
    least = _choose_threshold(folded, scores[way], everywhere, shipped, wanted)
    model = _adjust(folded, folded.of(everywhere), shipped.model, WAYS[way], seed)
    return replace(shipped, model=model, probability=float(f"{to_probability(np.array([least]))[0]:.4g}"))


def _notes(found: FittedDetector, folded: _Folded, recordings: list[Recording], wanted: float | None) -> Iterable[str]:
    if found.way == SHIPPED:
        yield "the shipped detector was kept: no adjustment was clearly better on held-out pieces of these recordings"
    if found.taps < ADVISED_TAPS:
        yield f"{found.taps} taps are few: record {ADVISED_TAPS} or more in quiet before you trust these figures"
    if found.taps_with_candidate < found.taps:
        yield (
            f"{found.taps - found.taps_with_candidate} of {found.taps} taps raise no candidate: they are too weak or"
            " buried, and no model can find them; tap harder there or choose another position"
        )
    free = [recording for recording in recordings if not recording.taps_s.size]
    if not free:
        yield (
            "all recordings hold taps: record some minutes of rain, road, music and slams without taps, with an"
            " empty label file each"
        )
    elif not found.mixtures:
        places = sorted({str(disc(recording)[1]) or "unnamed" for recording in free})
        yield (
            "no recording without taps shares its position, rate and converter with one with taps"
            f" (without taps: {', '.join(places)}): record both at one position"
        )
    if found.expected.hours and folded.fold.max() == 0:
        yield "there is one piece only: it was judged on what it was fitted to; record more"
    if wanted is not None and found.free_expected.hours * wanted < 3.0:
        yield (
            f"{found.free_expected.hours:.2g} h without taps are too short to show {wanted:g} false alarms an hour:"
            f" none in {3.0 / wanted:.2g} h would be needed (rule of three)"
        )
