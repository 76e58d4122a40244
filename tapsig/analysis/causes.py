"""The cause of each missed tap and false detection, from fixed rules.

The rules use labels, the detector's reasons, and levels: the largest deviation from the bias within 30 ms, above 20 Hz.
The first rule that applies gives the cause. Levels are in dB; "noise" is the median of the
lowest 5 % of the recording's levels.
A labelled event still rings at t if its level, less the decay until t (with the median T60 of the recording's taps,
1.5 s if none can be measured; that of another event by its own T60 if longer), is at most 10 dB below the level at t.
An unlabelled event is a rise of 10 dB over the 30 ms before that is 6 dB above the ringing of labelled events; it still
rings at t if the level has fallen by 6 dB since its maximum and was never 6 dB below the level at t.

False detections, at the time t:

1. `double`: a tap within the window is already matched by another detection.
2. `clipped`: a sample within 20 ms is at a rail.
3. the kind of the nearest label that is not a tap (`thump`, `rain`, `rebound`, …), from 150 ms before t to 20 ms after.
4. `mistimed`: a missed tap is within 150 ms before t, outside the window; or after it, where t rises by 10 dB or more
   and the labelled time does not (a late label).
5. `ring-down`, `ring-down of …`, `tail of an unlabelled event`: t rises by less than 10 dB over the 30 ms before it,
   and the last event that still rings is a tap, another labelled event, or unlabelled.
6. `unlabelled`: t rises by at least 10 dB over the 30 ms before, without a label.
7. `background`: not above the 90 % quantile of 30 ms pieces in the second before and after (a continuous sound).
8. `unexplained`.

Misses, of the tap at t:

1. `not recorded`: t lies in a gap.
2. `mistimed`: a false detection within 150 ms before t rises by 10 dB or more, and t does not (a late label).
3. `within dead time`: the detector rejected a candidate for this reason, or an accepted detection precedes t by less
   than the detector's `dead_time_s`.
4. `merged`: another tap within 100 ms was found.
5. `rejected: …`: the detector rejected a candidate in the window for this reason.
6. `clipped`: in the 60 ms before t a sample is at a rail.
7. `too weak`: under 6 dB above the noise.
8. `under threshold`: it deviates from the bias by less than the detector's `threshold_v`.
9. `buried under ring-down`, `buried under the tail of an unlabelled event`: rises by less than 10 dB, and the last
   event that still rings at the level of the 30 ms before is another tap, or unlabelled.
10. `masked by …`: rises by less than 10 dB, with another labelled event within 150 ms.
11. `buried in background`: rises by less than 10 dB.
12. `unexplained`.
"""

import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, dataclass, replace

import numpy as np

from tapsig.analysis.loudness import LABEL_S, LEVEL_S, RISE_DB, UNLABELLED, Loudness
from tapsig.detections import Detections
from tapsig.detectors.base import Variant, run_detector
from tapsig.detectors.saved import find_variant
from tapsig.errors import ParameterError
from tapsig.records import TAP, Recording, list_recordings, require_labels
from tapsig.results import Result, field_names
from tapsig.scoring.matching import EDGE_SLACK_S, MATCH_WINDOW_S, match_onsets
from tapsig.scoring.outcomes import count_matching
from tapsig.scoring.tally import Score
from tapsig.units import BoolArray, FloatArray, check_positive, check_progress

NUISANCE_BEFORE_S, NUISANCE_AFTER_S = 0.15, 0.02
MISTIMED_S = 0.15
WEAK_DB = 6.0
MERGED_S = 0.1
CLIPPED_S = 0.02
FALSE, MISS = "false", "miss"


@dataclass(frozen=True, slots=True)
class ErrorCause:
    """One error: a false detection or a missed tap, with its time, its cause, and the levels used by the rules.

    `level_db` is over the noise, `rise_db` over the 30 ms before.
    """

    error: str
    cause: str
    time_s: float
    level_db: float
    rise_db: float
    source: str = ""
    position: str = ""
    scene: str = ""


@dataclass(frozen=True, slots=True, repr=False, eq=False)
class CauseTable(Result):
    """All errors of one detector, with the counts of taps.

    First taps come over a second after the previous tap, or are the first of a recording.
    """

    detector: str
    errors: tuple[ErrorCause, ...]
    taps: int
    hits: int
    duration_s: float
    first_taps: int = 0
    first_taps_found: int = 0

    def __iter__(self) -> Iterator[ErrorCause]:
        return iter(self.errors)

    def rows(self) -> list[dict[str, object]]:
        """One row for each error."""
        return [asdict(one) for one in self.errors]

    def _columns(self) -> list[str]:
        return field_names(ErrorCause)

    def _describe(self) -> str:
        return f"{self.detector}: {self.hits} of {self.taps} taps found, {len(self.errors)} errors"

    def count(self, *, by: tuple[str, ...] = ("position",)) -> list[dict[str, object]]:
        """Rows of error, cause, the fields `by` ("position", "scene", "source"), and count; most frequent first."""
        counts = Counter((one.error, one.cause, *(getattr(one, name) for name in by)) for one in self.errors)
        ordered = sorted(counts.items(), key=lambda item: (item[0][0], -item[1], item[0]))
        return [{**dict(zip(("error", "cause", *by), key, strict=True)), "count": n} for key, n in ordered]

    def to_dict(self) -> dict[str, object]:
        """Plain Python types."""
        return {**asdict(self), "errors": self.rows(), "counts": self.count(by=("position", "scene"))}


def find_causes(
    variant: Variant | str,
    recordings: Recording | Iterable[Recording],
    *,
    window_s: float = MATCH_WINDOW_S,
    progress: Callable[[int], None] | None = None,
) -> CauseTable:
    """The cause of every error that a detector makes on labelled recordings; see the module for the rules.

    Parameters
    ----------
    variant : Variant or str
        The detector, or its name or file (see `load_detector`).
    recordings : Recording, or several
        Labelled recordings, such as a corpus.
    window_s : float
        A detection counts when it is at most this far from a tap's onset.
    progress : callable
        Called with the number of steps done: two for each recording, detection and explanation.

    Returns
    -------
    CauseTable
        Every error with its cause; it can be iterated.

    Raises
    ------
    LabelError
        For a recording that is not labelled.

    Examples
    --------
    >>> import tapsig
    >>> silent = tapsig.Recording(np.zeros(8000), 8000.0, labels=(tapsig.Label(0.5),))
    >>> tapsig.causes("fixed-threshold", silent)
    <CauseTable: fixed-threshold: 0 of 1 taps found, 1 errors>
    """
    check_positive("window_s", window_s)
    check_progress(progress)
    variant = find_variant(variant)
    errors: list[ErrorCause] = []
    total = Score()
    advance = progress or (lambda _: None)
    limits = [float(getattr(variant, name, 0.0)) for name in ("dead_time_s", "threshold_v")]
    for index, recording in enumerate(list_recordings(recordings)):
        require_labels(recording)
        found = run_detector(variant, recording, keep_rejected=True)
        advance(2 * index + 1)
        scene = _Evidence(recording, found, window_s, *limits)
        errors += scene.explain()
        advance(2 * index + 2)
        total += scene.score
    firsts = total.first_taps, total.first_taps_found
    return CauseTable(variant.name, tuple(errors), total.taps, total.tp, total.duration_s, *firsts)


def collect_features(
    variant: Variant, recordings: Iterable[Recording], *, window_s: float = MATCH_WINDOW_S
) -> tuple[dict[str, FloatArray], BoolArray]:
    """Features of all candidates of `variant`, rejected ones included, and which of them are taps.

    Raises ParameterError for a detector whose candidates have no features, LabelError for a recording that is not
    labelled.
    """
    parts, is_tap = [], []
    for recording in recordings:
        require_labels(recording)
        found = run_detector(variant, recording, keep_rejected=True)
        if len(found) and not found.features:
            raise ParameterError(
                f"the candidates of {variant.name} have no features; use a detector that has them, such as 'tap'"
            )
        matching = match_onsets(recording.taps_s, recording.times_s(found.onset_samples), window_s=window_s)
        parts.append(replace(found, fs=math.nan, gaps=()))  # features alone: these may be of different rates
        is_tap.append(np.isin(np.arange(len(found)), matching.pairs[:, 1]))
    return dict(Detections.concatenate(parts).features), np.concatenate(is_tap)


class _Evidence:
    """Input of the rules for one recording: levels, labels, matching, and the detector's reasons."""

    def __init__(
        self, recording: Recording, found: Detections, window_s: float, dead_time_s: float, threshold_v: float
    ) -> None:
        self._recording, self._dead_s, self._threshold_v = recording, dead_time_s, threshold_v
        self._reach_s = window_s + EDGE_SLACK_S
        self._times = recording.times_s(np.arange(recording.samples.size))
        self._loudness = Loudness(recording)
        accepted = found.accepted()
        self._detected = np.sort(recording.times_s(accepted.onset_samples))
        onsets_s = recording.times_s(found.onset_samples).tolist()
        self._rejected = [(at_s, reason) for at_s, reason in zip(onsets_s, found.reason, strict=True) if reason]
        self._taps = recording.taps_s
        self._unrecorded = self._taps[recording.in_gaps(self._taps)]
        self._others = [label for label in recording.labels or () if label.kind != TAP]
        self._matching = match_onsets(self._taps, self._detected, window_s=window_s)
        self.score = count_matching(self._matching, self._taps, self._detected, recording.duration_s)
        self._rails = recording.at_rail()

    def explain(self) -> list[ErrorCause]:
        """All errors, in order of time."""
        spurious = [(FALSE, float(self._detected[i]), self._explain_false) for i in self._matching.spurious]
        missed = [(MISS, float(self._taps[i]), self._explain_miss) for i in self._matching.missed]
        recording, errors = self._recording, []
        names = recording.source, recording.position, recording.scene
        for error, time_s, rule in sorted(spurious + missed, key=lambda item: item[1]):
            level, rise = self._loudness.measure_db(time_s)
            errors.append(ErrorCause(error, rule(time_s, level, rise), time_s, level, rise, *names))
        return errors

    def _at_rail(self, start_s: float, stop_s: float) -> bool:
        start, stop = np.searchsorted(self._times, [start_s, stop_s])
        return bool(self._rails[start:stop].any())

    def _nearest_other(self, time_s: float, after_s: float) -> str:
        """Kind of the nearest label other than a tap, from 150 ms before the time to `after_s` after; or ""."""
        away = ((label.onset_s - time_s, label.kind) for label in self._others)
        near = ((abs(apart_s), kind) for apart_s, kind in away if -NUISANCE_BEFORE_S <= apart_s <= after_s)
        return min(near, default=(0.0, ""))[1]

    def _explain_false(self, time_s: float, level_db: float, rise_db: float) -> str:
        taps, missed = self._taps, self._taps[self._matching.missed]
        matched = taps[self._matching.pairs[:, 0]]
        if (np.abs(matched - time_s) <= self._reach_s).any():
            return "double"
        if self._at_rail(time_s - CLIPPED_S, time_s + CLIPPED_S):
            return "clipped"
        if kind := self._nearest_other(time_s, NUISANCE_AFTER_S):
            return kind
        near = missed[np.abs(missed - time_s) <= MISTIMED_S]
        if any(tap_s < time_s or self._is_late_label(tap_s, rise_db) for tap_s in near.tolist()):
            return "mistimed"
        if rise_db >= RISE_DB:
            return UNLABELLED
        if kind := self._loudness.find_ringing(time_s, level_db):
            words = {TAP: "ring-down", UNLABELLED: f"tail of an {UNLABELLED} event"}
            return words.get(kind, f"ring-down of {kind}")
        return "background" if level_db <= self._loudness.background_db(time_s) else "unexplained"

    def _is_late_label(self, tap_s: float, found_rise_db: float) -> bool:
        """Whether a detection just before the label shows the contact, and the labelled time does not."""
        return found_rise_db >= RISE_DB > self._loudness.measure_db(tap_s)[1]

    def _explain_miss(self, time_s: float, level_db: float, rise_db: float) -> str:
        if time_s in self._unrecorded:
            return "not recorded"
        false_s = self._detected[self._matching.spurious]
        just_before = false_s[(false_s < time_s) & (false_s >= time_s - MISTIMED_S)].tolist()
        if any(self._is_late_label(time_s, self._loudness.measure_db(at_s)[1]) for at_s in just_before):
            return "mistimed"
        near = ((abs(at_s - time_s), reason) for at_s, reason in self._rejected)
        reason = min((one for one in near if one[0] <= self._reach_s), default=(0.0, ""))[1]
        since = time_s - self._detected[self._detected <= time_s]
        if reason == "within dead time" or (since.size and since[-1] < self._dead_s):
            return "within dead time"
        found = self._taps[self._matching.pairs[:, 0]]
        if (np.abs(found - time_s) <= MERGED_S).any():
            return "merged"
        if reason:
            return f"rejected: {reason}"
        if self._at_rail(time_s - 2 * LEVEL_S, time_s):
            return "clipped"
        if level_db < WEAK_DB:
            return "too weak"
        if self._loudness.peak_v(time_s - LABEL_S, time_s + LEVEL_S) < self._threshold_v:
            return "under threshold"
        if rise_db >= RISE_DB:
            return "unexplained"
        before = self._loudness.find_ringing(time_s, level_db - rise_db)
        if before == TAP:
            return "buried under ring-down"
        if before == UNLABELLED:
            return f"buried under the tail of an {UNLABELLED} event"
        kind = self._nearest_other(time_s, NUISANCE_BEFORE_S)
        return f"masked by {kind}" if kind else "buried in background"
