"""Adjust the shipped detector to an owner's recordings, or keep it when no adjustment is clearly better.

An owner can record taps in quiet and, separately, disturbances that must not open the door. Taps are mixed into the
latter (mixing.py). Small trees are then added to the shipped model (cross_fit.py). All results come from held-out
pieces of recordings: cross-validation, with thresholds from other folds.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from tapsig.detectors.model import Source
from tapsig.detectors.saved import identify_recording
from tapsig.detectors.tap import Tap
from tapsig.errors import ParameterError
from tapsig.fitting.candidates import CandidateTable, OperatingPoint
from tapsig.fitting.cross_fit import RULE_OF_THREE, SHIPPED, THRESHOLD, CrossFit, choose_strategy, sum_points
from tapsig.fitting.mixing import disc
from tapsig.records import Recording, list_recordings, require_labels
from tapsig.results import Result
from tapsig.units import check_choice, check_count, check_positive, check_progress

MIN_TAPS = 20
"""Fewer taps than this are refused."""
ADVISED_TAPS = 40


@dataclass(frozen=True, slots=True, repr=False, eq=False)
class FittedDetector(Result):
    """A detector fitted to an owner's recordings, and its expected performance.

    Parameters
    ----------
    variant : the detector.
    strategy : "shipped" (nothing was clearly better), "adjusted" (trees were added to it), or "threshold" (another
        threshold of the shipped model, for a limit of false alarms).
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
        own = ("strategy", "taps", "taps_with_candidate", "recordings", "mixtures")
        return {
            **{name: getattr(self, name) for name in own},
            "hours": self.expected.hours,
            "probability": self.variant.probability,
            **{name: getattr(self.expected, name) for name in ("f1", "tp", "fp", "fn")},
            "f1_before": self.before.f1,
            "hours_without_taps": self.free_expected.hours,
            "false_alarms_per_hour": self.free_expected.false_alarms_per_hour,
            "false_alarms_per_hour_before": self.free_before.false_alarms_per_hour,
        }


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
        Limit on recordings without taps, which chooses the threshold, under the shipped one only where they are long
        enough to show it; None: the shipped threshold.
    group_by : {"vehicle", "recording"}
        With several of these that hold taps, each is wholly in training or wholly in testing.
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
        For fewer than 20 taps, no candidates other than taps, a limit of false alarms without recordings without taps,
        or a parameter out of range.
    LabelError
        For a recording without labels.
    """
    check_choice("group_by", group_by, ("vehicle", "recording"))
    check_count("seed", seed, 0, 2**32 - 1)
    check_progress(progress)
    if false_alarms_per_hour is not None:
        check_positive("false_alarms_per_hour", false_alarms_per_hour)
    recordings = list(list_recordings(recordings))
    for recording in recordings:
        require_labels(recording)
    if false_alarms_per_hour is not None and all(recording.taps_s.size for recording in recordings):
        raise ParameterError(
            f"false_alarms_per_hour (--false-alarms) is {false_alarms_per_hour:g}, but no recording is without taps to"
            " count false alarms in; add some with empty label files, or leave the limit out"
        )
    shipped = Tap()
    fit = CrossFit.prepare(
        recordings, shipped, group_by=group_by, wanted=false_alarms_per_hour, seed=seed, progress=progress
    )
    own = fit.table.select(~fit.mixed)
    _require_enough(own)
    scores, points = fit.compare()
    strategy = choose_strategy(points)
    variant = fit.finish(strategy, scores)
    names = tuple(sorted({*shipped.model.fitted_to, *map(identify_recording, recordings)} - {""}))
    if strategy != SHIPPED:
        sources = (*shipped.model.sources, Source("recordings of the owner", "own"))
        variant = replace(variant, model=replace(variant.model, fitted_to=names, sources=sources))
    counts = own.taps, own.taps_with_candidate, own.durations_s.size, int(fit.mixed.sum())
    (expected, free), (before, free_before) = (map(sum_points, points[name]) for name in (strategy, SHIPPED))
    found = FittedDetector(variant, strategy, *counts, expected, before, free, free_before, ())
    return replace(found, notes=tuple(_notes(found, fit, recordings)))


def _require_enough(own: CandidateTable) -> None:
    if own.taps < MIN_TAPS or own.taps_with_candidate < MIN_TAPS:
        raise ParameterError(
            f"the recordings hold {own.taps} labelled taps, of which {own.taps_with_candidate} raise a candidate;"
            f" at least {MIN_TAPS} are needed and {ADVISED_TAPS} advised: record and label more, or use the shipped"
            " detector"
        )
    if not (own.tap == 0).any():
        raise ParameterError("the recordings contain only taps; add recordings of disturbances that are not taps")


def _notes(found: FittedDetector, fit: CrossFit, recordings: list[Recording]) -> Iterable[str]:
    if found.strategy in (SHIPPED, THRESHOLD):
        kept = "detector" if found.strategy == SHIPPED else "model"
        yield f"the shipped {kept} was kept: no adjustment was clearly better on held-out pieces of these recordings"
    if found.taps < ADVISED_TAPS:
        yield f"{found.taps} taps are few: record at least {ADVISED_TAPS} in quiet for reliable figures"
    if found.taps_with_candidate < found.taps:
        yield (
            f"{found.taps - found.taps_with_candidate} of {found.taps} taps raise no candidate: they are too weak"
            " against the background, and no model can find them; tap harder or choose another position"
        )
    free = [recording for recording in recordings if not recording.taps_s.size]
    discs = {disc(recording) for recording in recordings if recording.taps_s.size}
    if not free:
        yield (
            "all recordings have taps: record some minutes of rain, road, music and slams without taps, each with an"
            " empty label file"
        )
    elif discs.isdisjoint(map(disc, free)):
        places = sorted({str(disc(recording)[1]) or "unnamed" for recording in free})
        yield (
            "no recording without taps has the position, rate and converter of one with taps"
            f" (without taps: {', '.join(places)}): record both at one position"
        )
    if found.expected.hours and fit.fold.max() == 0:
        yield "too short to hold a part out: these figures come from the data that it was fitted to; record more"
    elif not fit.grouped:
        yield (
            "these figures come from pieces of recordings whose other pieces it was fitted to; with four recordings and"
            " more, two of them with taps, --group-by recording (group_by=) holds whole ones out"
        )
    if (wanted := fit.wanted) is not None and found.free_expected.hours * wanted < RULE_OF_THREE:
        yield (
            f"{found.free_expected.hours:.2g} h without taps are too short to show at most {wanted:g} false alarms an"
            f" hour: {RULE_OF_THREE / wanted:.2g} h without any would be needed (rule of three)"
        )
