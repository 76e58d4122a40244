"""Detectors on labelled recordings: one outcome for each pair, and the rows that sum them up."""

import itertools
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from tapsig.detect.base import Variant, run_detector
from tapsig.entry import Entry, decode_taps
from tapsig.errors import LabelError, ParameterError
from tapsig.records import Recording
from tapsig.score.intervals import bootstrap_interval
from tapsig.score.matching import match_onsets
from tapsig.score.tally import Score
from tapsig.units import FloatArray, check_positive

ALL = "all"
LEAST_DIGITS = 3
"""A group of taps with at least so many digits is a code entry; shorter ones are practice."""

BOOTSTRAP_SEED = 20_260_101


@dataclass(frozen=True, slots=True)
class Outcome:
    """One detector on one recording.

    `errors_s` are detected less reference times of the matched taps; `found` tells for each tap, in order of time,
    whether it was matched.
    """

    detector: str
    source: str
    vehicle: str
    position: str
    scene: str
    score: Score
    errors_s: FloatArray
    found: tuple[bool, ...]


def count_opened(reference: Iterable[Entry], detected: Iterable[Entry]) -> tuple[int, int]:
    """Code entries among `reference`, and how many an overlapping entry of `detected` repeats digit for digit."""
    codes = [entry for entry in reference if len(entry.digits) >= LEAST_DIGITS]
    heard = list(detected)
    opened = sum(
        any(
            other.digits == code.digits and other.start_s < code.end_s and code.start_s < other.end_s for other in heard
        )
        for code in codes
    )
    return len(codes), opened


def score_recording(name: str, variant: Variant, recording: Recording, *, window_s: float = 0.05) -> Outcome:
    """The outcome of `variant` (called `name` in tables) on a labelled recording.

    Raises LabelError when the recording is not labelled.
    """
    if recording.labels is None:
        raise LabelError(f"{recording.source or 'recording'} is not labelled; give it a label file to score it")
    found = run_detector(variant.build(recording.fs), recording).accepted()
    detected_s = np.sort(recording.times_s(found.onset_samples))
    reference_s = recording.taps_s
    matching = match_onsets(reference_s, detected_s, window_s=window_s)
    entries, opened = count_opened(decode_taps(reference_s), decode_taps(detected_s))
    score = Score(
        len(matching.pairs), len(matching.spurious), len(matching.missed), recording.duration_s, entries, opened
    )
    hit = np.zeros(reference_s.size, dtype=bool)
    hit[matching.pairs[:, 0]] = True
    errors = detected_s[matching.pairs[:, 1]] - reference_s[matching.pairs[:, 0]]
    return Outcome(
        name, recording.source, recording.vehicle, recording.position, recording.scene, score, errors,
        tuple(map(bool, hit)),
    )  # fmt: skip


def _f1_of_sums(sums: FloatArray) -> FloatArray:
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(2 * sums[:, 0] / (2 * sums[:, 0] + sums[:, 1] + sums[:, 2]))


def summarise(outcomes: Sequence[Outcome]) -> dict[str, object]:
    """Counts, rates and 95 % intervals over `outcomes` of one detector.

    Precision and recall: Wilson. False alarms: exact Poisson. F1: percentile bootstrap over recordings.
    """
    score = sum((outcome.score for outcome in outcomes), Score(0, 0, 0, 0.0))
    counts = np.array([[o.score.tp, o.score.fp, o.score.fn] for o in outcomes], dtype=np.float64).reshape(-1, 3)
    f1 = bootstrap_interval(counts, _f1_of_sums, rng=np.random.default_rng(BOOTSTRAP_SEED))
    errors = np.concatenate([np.zeros(0), *(outcome.errors_s for outcome in outcomes)])
    (p_low, p_high), (r_low, r_high) = score.precision_interval, score.recall_interval
    a_low, a_high = score.false_alarms_interval
    return {
        "taps": score.taps, "tp": score.tp, "fp": score.fp, "fn": score.fn,
        "precision": score.precision, "precision_low": p_low, "precision_high": p_high,
        "recall": score.recall, "recall_low": r_low, "recall_high": r_high,
        "f1": score.f1, "f1_low": f1[0], "f1_high": f1[1],
        "false_alarms_per_hour": score.false_alarms_per_hour,
        "false_alarms_per_hour_low": a_low, "false_alarms_per_hour_high": a_high,
        "entries": score.entries, "entries_opened": score.entries_opened,
        "median_error_ms": float(np.median(errors) * 1e3) if errors.size else float("nan"),
        "recordings": len(outcomes), "duration_s": score.duration_s,
    }  # fmt: skip


@dataclass(frozen=True, slots=True)
class ScoreTable:
    """All outcomes, in the order detector, recording."""

    outcomes: tuple[Outcome, ...]
    window_s: float

    @property
    def detectors(self) -> tuple[str, ...]:
        """Names of the detectors, in order."""
        return tuple(dict.fromkeys(outcome.detector for outcome in self.outcomes))

    def select(self, detector: str, position: str = ALL, scene: str = ALL) -> list[Outcome]:
        """The outcomes of a detector at a position in a scene, either of which may be "all"."""
        return [
            outcome for outcome in self.outcomes
            if outcome.detector == detector and position in (ALL, outcome.position) and scene in (ALL, outcome.scene)
        ]  # fmt: skip

    def rows(self) -> list[dict[str, object]]:
        """One row for every detector × position × scene, "all" included, with the keys of `summarise`."""
        positions = [ALL, *dict.fromkeys(outcome.position for outcome in self.outcomes)]
        scenes = [ALL, *dict.fromkeys(outcome.scene for outcome in self.outcomes)]
        rows = []
        for detector, position, scene in itertools.product(self.detectors, positions, scenes):
            chosen = self.select(detector, position, scene)
            if chosen:
                names: dict[str, object] = {"detector": detector, "position": position, "scene": scene}
                rows.append(names | summarise(chosen))
        return rows


def score(
    variants: Mapping[str, Variant] | Sequence[Variant], recordings: Iterable[Recording], *, window_s: float = 0.05,
    jobs: int = 1, progress: Callable[[int], None] | None = None,
) -> ScoreTable:  # fmt: skip
    """Run every variant on every labelled recording.

    Parameters
    ----------
    variants : by name, or a list of them.
    window_s : a detection counts when it lies at most so far from a tap's onset.
    jobs : processes; the result does not depend on it.
    progress : called with the number of recordings done.

    Raises ParameterError for no variants or no recordings, LabelError for a recording without labels.
    """
    check_positive("window_s", window_s)
    named = dict(variants) if isinstance(variants, Mapping) else {variant.name: variant for variant in variants}
    if not named:
        raise ParameterError("there are no detectors to score; name at least one")
    from joblib import Parallel, delayed  # heavy

    work = (delayed(_score_all)(named, recording, window_s) for recording in recordings)
    groups: list[list[Outcome]] = []
    for group in Parallel(n_jobs=jobs, return_as="generator")(work):
        groups.append(group)
        if progress is not None:
            progress(len(groups))
    if not groups:
        raise ParameterError("there are no recordings to score; check the choice of split, position and scene")
    return ScoreTable(tuple(outcome for column in zip(*groups, strict=True) for outcome in column), window_s)


def _score_all(variants: Mapping[str, Variant], recording: Recording, window_s: float) -> list[Outcome]:
    return [score_recording(name, variant, recording, window_s=window_s) for name, variant in variants.items()]
