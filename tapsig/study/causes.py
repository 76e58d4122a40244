"""Why a detector missed a tap or counted something else, one cause for each error, by written rules.

The rules use labels, the detector's own reasons, and levels: the highest departure from the bias within 30 ms, above
20 Hz. The first rule that holds names the cause. Levels are in dB; "noise" is the quietest twentieth of the recording.

False detections, at the time t:

1. `double`: a tap within the window was matched by another detection.
2. `clipped`: a sample within 20 ms is at a rail.
3. the kind of the nearest label that is no tap (`thump`, `rain`, `rebound`, …), from 150 ms before t to 20 ms after.
4. `mistimed`: a missed tap is within 150 ms, outside the window.
5. `ring-down`: within 1.5 s after a tap, and t rises by less than 10 dB over the 30 ms before it.
6. `ring-down of …`: the same within 1.5 s after a label that is no tap.
7. `unlabelled`: t rises by at least 10 dB over the 30 ms before: an event that nobody labelled.
8. `background`: not above what one in ten pieces of 30 ms reaches in the second before and after: something lasts.
9. `unexplained`.

Misses, of the tap at t:

1. `within dead time`: the detector rejected a candidate there for that, or an accepted detection lies closer before
   t than the detector's `dead_time_s`, where it has one.
2. `merged`: another tap, which was found, is within 100 ms.
3. `rejected: …`: the detector had a candidate in the window and gives this reason.
4. `clipped`: in the 60 ms before t a sample is at a rail.
5. `too weak`: under 6 dB above the noise.
6. `under threshold`: it departs from the bias by less than the detector's `threshold_v`, where it has one.
7. `buried under ring-down`: rises by less than 10 dB, within 1.5 s after another tap.
8. `masked by …`: rises by less than 10 dB, with a label that is no tap within 150 ms.
9. `buried in background`: rises by less than 10 dB.
10. `unexplained`.
"""

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import asdict, dataclass

import numpy as np

from tapsig.detect.base import Variant, run_detector
from tapsig.dsp.filters import high_pass_time_s, one_pole_coefficient, remove_slow
from tapsig.errors import LabelError, ParameterError
from tapsig.records import TAP, Detections, Recording
from tapsig.score.matching import match_onsets
from tapsig.units import BoolArray, FloatArray, amplitude_to_db, check_positive

HIGH_PASS_HZ = 20.0
LEVEL_S = 0.03
NUISANCE_BEFORE_S, NUISANCE_AFTER_S = 0.15, 0.02
MISTIMED_S = 0.15
RINGING_S = 1.5
RISE_DB = 10.0
BACKGROUND_S, BACKGROUND_QUANTILE = 1.0, 0.9
WEAK_DB = 6.0
MERGED_S = 0.1
CLIPPED_S = 0.02
FALSE, MISS = "false", "miss"


@dataclass(frozen=True, slots=True)
class ErrorCause:
    """One error: a false detection or a missed tap, when, its cause, and the levels that the rules looked at.

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


@dataclass(frozen=True, slots=True)
class CauseTable:
    """All errors of one detector, with the counts they come from."""

    detector: str
    errors: tuple[ErrorCause, ...]
    taps: int
    hits: int
    duration_s: float

    def count(self, *, by: tuple[str, ...] = ("position",)) -> list[dict[str, object]]:
        """Rows of error, cause, the fields `by` ("position", "scene", "source"), and count; most frequent first."""
        counts = Counter((one.error, one.cause, *(getattr(one, name) for name in by)) for one in self.errors)
        ordered = sorted(counts.items(), key=lambda item: (item[0][0], -item[1], item[0]))
        return [{**dict(zip(("error", "cause", *by), key, strict=True)), "count": n} for key, n in ordered]

    def to_dict(self) -> dict[str, object]:
        """Plain Python types."""
        return {**asdict(self), "errors": [asdict(one) for one in self.errors],
                "counts": self.count(by=("position", "scene"))}  # fmt: skip


def find_causes(
    variant: Variant, recordings: Recording | Iterable[Recording], *, window_s: float = 0.05
) -> CauseTable:
    """The cause of every error that `variant` makes on labelled `recordings`; see the module for the rules.

    Raises LabelError for a recording that is not labelled.
    """
    check_positive("window_s", window_s)
    errors: list[ErrorCause] = []
    taps = hits = 0
    duration = 0.0
    for recording in [recordings] if isinstance(recordings, Recording) else recordings:
        _check_labelled(recording)
        found = run_detector(variant, recording, keep_rejected=True)
        limits = (float(getattr(variant, name, 0.0)) for name in ("dead_time_s", "threshold_v"))
        scene = _Evidence(recording, found, window_s, *limits)
        errors += scene.explain()
        taps += recording.taps_s.size
        hits += scene.hits
        duration += recording.duration_s
    return CauseTable(variant.name, tuple(errors), taps, hits, duration)


def collect_features(
    variant: Variant, recordings: Iterable[Recording], *, window_s: float = 0.05
) -> tuple[dict[str, FloatArray], BoolArray]:
    """Features of all candidates of `variant`, rejected ones included, and which of them are taps.

    Raises ParameterError for a detector whose candidates have no features, LabelError for a recording that is not
    labelled.
    """
    parts, is_tap = [], []
    for recording in recordings:
        _check_labelled(recording)
        found = run_detector(variant, recording, keep_rejected=True)
        if len(found) and not found.features:
            raise ParameterError(
                f"the candidates of {variant.name} have no features; take one that judges them, as 'tap'"
            )
        matching = match_onsets(recording.taps_s, recording.times_s(found.onset_samples), window_s=window_s)
        hit = np.zeros(len(found), dtype=bool)
        hit[matching.pairs[:, 1]] = True
        parts.append(found)
        is_tap.append(hit)
    joined = Detections.concatenate(parts)
    return dict(joined.features), np.concatenate(is_tap)


def _check_labelled(recording: Recording) -> None:
    if recording.labels is None:
        raise LabelError(f"{recording.source or 'recording'} is not labelled; its errors cannot be told")


class _Evidence:
    """What the rules look at in one recording: levels, labels, matching, and the detector's own reasons."""

    def __init__(
        self, recording: Recording, found: Detections, window_s: float, dead_time_s: float, threshold_v: float
    ) -> None:
        self._recording, self._window_s, self._dead_s, self._threshold_v = recording, window_s, dead_time_s, threshold_v
        self._times = recording.times_s(np.arange(recording.samples.size))
        self._departures = _high_pass(recording)
        self._noise = _measure_noise(self._departures, recording.fs)
        accepted = found.accepted()
        self._detected = np.sort(recording.times_s(accepted.onset_samples))
        refused = np.array([bool(reason) for reason in found.reason], dtype=bool)
        self._rejected = recording.times_s(found.onset_samples[refused])
        self._reasons = [reason for reason in found.reason if reason]
        self._taps = recording.taps_s
        self._others = [label for label in recording.labels or () if label.kind != TAP]
        self._matching = match_onsets(self._taps, self._detected, window_s=window_s)
        self._rails = recording.at_rail()

    @property
    def hits(self) -> int:
        return len(self._matching.pairs)

    def explain(self) -> list[ErrorCause]:
        """All errors, in order of time."""
        spurious = [(FALSE, float(self._detected[i]), self._explain_false) for i in self._matching.spurious]
        missed = [(MISS, float(self._taps[i]), self._explain_miss) for i in self._matching.missed]
        recording, errors = self._recording, []
        for error, time_s, rule in sorted(spurious + missed, key=lambda item: item[1]):
            level, rise = self._measure(time_s)
            errors.append(ErrorCause(error, rule(time_s, level, rise), time_s, level, rise, recording.source,
                                     recording.position, recording.scene))  # fmt: skip
        return errors

    def _peak(self, start_s: float, stop_s: float) -> float:
        start, stop = np.searchsorted(self._times, [start_s, stop_s])
        return float(np.max(self._departures[start:stop], initial=0.0))

    def _measure(self, time_s: float) -> tuple[float, float]:
        """Level over the noise, and over the 30 ms before, of the 30 ms from `time_s` on (less 2 ms for the label)."""
        level = self._peak(time_s - 0.002, time_s + LEVEL_S)
        before = max(self._peak(time_s - 0.002 - LEVEL_S, time_s - 0.002), self._noise)
        if not (level > 0 and self._noise > 0):
            return -math.inf, -math.inf
        return amplitude_to_db(level / self._noise), amplitude_to_db(level / before)

    def _usual_db(self, time_s: float) -> float:
        """Level over the noise that one in ten pieces of 30 ms reaches within a second."""
        start, stop = np.searchsorted(self._times, [time_s - BACKGROUND_S, time_s + BACKGROUND_S])
        peaks = _piece_peaks(self._departures[start:stop], self._recording.fs)
        usual = float(np.quantile(peaks, BACKGROUND_QUANTILE)) if peaks.size else 0.0
        return amplitude_to_db(usual / self._noise) if self._noise > 0 else -math.inf

    def _at_rail(self, start_s: float, stop_s: float) -> bool:
        start, stop = np.searchsorted(self._times, [start_s, stop_s])
        return bool(self._rails[start:stop].any())

    def _nearest_other(self, time_s: float, before_s: float, after_s: float) -> str:
        """Kind of the nearest label that is no tap, from `before_s` before the time to `after_s` after; or ""."""
        near = [(abs(label.onset_s - time_s), label.kind) for label in self._others
                if -before_s <= label.onset_s - time_s <= after_s]  # fmt: skip
        return min(near)[1] if near else ""

    def _since_tap(self, time_s: float) -> float:
        earlier = self._taps[self._taps < time_s - 1e-9]
        return time_s - float(earlier[-1]) if earlier.size else math.inf

    def _explain_false(self, time_s: float, level_db: float, rise_db: float) -> str:
        taps, missed = self._taps, self._taps[self._matching.missed]
        matched = taps[self._matching.pairs[:, 0]]
        if (np.abs(matched - time_s) <= self._window_s).any():
            return "double"
        if self._at_rail(time_s - CLIPPED_S, time_s + CLIPPED_S):
            return "clipped"
        kind = self._nearest_other(time_s, NUISANCE_BEFORE_S, NUISANCE_AFTER_S)
        if kind:
            return kind
        if (np.abs(missed - time_s) <= MISTIMED_S).any():
            return "mistimed"
        if rise_db < RISE_DB and self._since_tap(time_s) <= RINGING_S:
            return "ring-down"
        if rise_db >= RISE_DB:
            return "unlabelled"
        kind = self._nearest_other(time_s, RINGING_S, 0.0)
        if kind:
            return f"ring-down of {kind}"
        return "background" if level_db <= self._usual_db(time_s) else "unexplained"

    def _explain_miss(self, time_s: float, level_db: float, rise_db: float) -> str:
        near = [(abs(float(at) - time_s), reason) for at, reason in zip(self._rejected, self._reasons, strict=True)
                if abs(at - time_s) <= self._window_s]  # fmt: skip
        reason = min(near)[1] if near else ""
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
        if self._peak(time_s - 0.002, time_s + LEVEL_S) < self._threshold_v:
            return "under threshold"
        if rise_db >= RISE_DB:
            return "unexplained"
        if self._since_tap(time_s) <= RINGING_S:
            return "buried under ring-down"
        kind = self._nearest_other(time_s, NUISANCE_BEFORE_S, NUISANCE_BEFORE_S)
        return f"masked by {kind}" if kind else "buried in background"


def _high_pass(recording: Recording) -> FloatArray:
    """abs(samples above 20 Hz), shape (n,); started anew after every gap."""
    cutoff = min(HIGH_PASS_HZ, 0.2 * recording.fs)
    share = one_pole_coefficient(high_pass_time_s(cutoff, recording.fs), recording.fs)
    parts = [np.abs(remove_slow(recording.samples[start:stop].copy(), np.zeros(2), share))
             for start, stop in recording.stretches()]  # fmt: skip
    return np.concatenate(parts)


def _measure_noise(departures: FloatArray, fs: float) -> float:
    """Peak of the quietest twentieth of the pieces of 30 ms."""
    peaks = np.sort(_piece_peaks(departures, fs))
    return float(np.median(peaks[: max(1, peaks.size // 20)])) if peaks.size else 0.0


def _piece_peaks(departures: FloatArray, fs: float) -> FloatArray:
    """Highest value of each whole piece of 30 ms."""
    size = max(1, min(departures.size, round(LEVEL_S * fs)))
    return np.asarray(departures[: departures.size // size * size].reshape(-1, size).max(axis=1))
