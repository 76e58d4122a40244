"""Errors in plain words, each kind with a remedy; a change of a parameter is advised only after it was tried."""

import dataclasses
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, cast

import numpy as np

from tapsig.analysis.causes import FALSE, CauseTable
from tapsig.detectors.base import Variant, run_detector
from tapsig.errors import ParameterError
from tapsig.records import Recording
from tapsig.scoring.matching import match_onsets
from tapsig.units import FloatArray

DEAD_TIMES_S = (0.06, 0.08, 0.1, 0.12, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.5)
FACTORS = (0.1, 0.2, 0.35, 0.5, 0.7, 1.4, 2.0, 3.0, 5.0, 8.0)
STEPS_DB = (-6.0, -3.0, 3.0, 6.0)
PROBABILITIES = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)


def _scale(value: float) -> list[float]:
    return [float(f"{value * factor:.2g}") for factor in FACTORS]


def _shift(level_db: float) -> list[float]:
    return [level_db + step for step in STEPS_DB]


SENSITIVITIES: Mapping[str, Callable[[float], Sequence[float]]] = {
    **dict.fromkeys(("threshold_v", "on", "threshold"), _scale),
    **dict.fromkeys(("rise_db", "over_background_db"), _shift),
    "probability": lambda _: PROBABILITIES,
}
"""Parameters that make a detector less sensitive the higher they are, and the values tried for each."""
UNITS = {"_v": ("V", 1.0), "_s": ("ms", 1e3), "_db": ("dB", 1.0), "_hz": ("Hz", 1.0)}

ENOUGH = 0.8
"""A change is advised where at most this share of the errors of its kind is left."""

RINGING, NUISANCE, WEAK, OTHER = "ringing", "nuisance", "weak", "other"

LOOK, LESS_GAIN = "look at it, and label it (tapsig review)", "lower the gain, and record again"
FALSE_WORDS: Mapping[str, tuple[str, str, str]] = {
    "double": (RINGING, "One tap was counted twice.", ""),
    "ring-down": (RINGING, "The panel still rings from a tap and crosses the threshold again.", ""),
    "clipped": (OTHER, "The signal stands at the converter's rail.", LESS_GAIN),
    "mistimed": (OTHER, "A tap was found, but outside the matching window.", "check the time of this label"),
    "unlabelled": (OTHER, "Something struck that has no label.", LOOK),
    "background": (NUISANCE, "Lasting noise reaches the threshold.", ""),
    "unexplained": (NUISANCE, "No rule names a cause.", ""),
}
MISS_WORDS: Mapping[str, tuple[str, str, str]] = {
    "within dead time": (RINGING, "The tap fell into the dead time after another detection.", ""),
    "merged": (OTHER, "Two taps came within 100 ms and were counted as one.", "tap more slowly"),
    "clipped": (OTHER, "The signal stood at the converter's rail.", LESS_GAIN),
    "not recorded": (OTHER, "The tap lies in a gap of the recording.", "record again without losses"),
    "too weak": (
        WEAK,
        "The tap is less than 6 dB above the noise.",
        "tap harder, raise the gain, or move the sensor closer",
    ),
    "under threshold": (WEAK, "The tap stays under the threshold.", ""),
    "buried under ring-down": (
        OTHER,
        "The ringing of the tap before covers the tap.",
        "damp the panel, mount the sensor on a stiffer part, or tap more slowly",
    ),
    "buried in background": (
        OTHER,
        "Lasting noise covers the tap.",
        "tap harder, or mount the sensor where the noise is weaker",
    ),
    "unexplained": (WEAK, "No rule names a cause.", ""),
}
REJECTED = "rejected: "
WORDS_BY_START: Mapping[str, tuple[str, str, str]] = {
    "ring-down of ": (RINGING, "The panel still rings from a {} and crosses the threshold again.", ""),
    "tail of an ": (OTHER, "Something without a label struck, and its tail was taken for a tap.", LOOK),
    REJECTED: (WEAK, "A candidate was found but rejected: {}.", ""),
    "masked by ": (OTHER, "A {} at the same time covers the tap.", "none on this recording: the two coincide"),
    "buried under": (OTHER, "The tail of something without a label covers the tap.", LOOK),
}
"""Causes that go on after these words, with what stands in place of {}."""

FAMILY_WORDS: Mapping[str, str] = {
    "innovation": "its prediction error rises or falls unlike a tap's",
    "fast": "its high frequencies rise or fall unlike a tap's",
    "signal": "its signal rises or falls unlike a tap's",
    "background": "it stands out too little from the seconds before",
    "neighbours": "too many other candidates are near",
}
"""Families of features that reject a candidate (`tapsig.detectors.features`), in a sentence."""
FAMILY_NAMES: Mapping[str, str] = {"innovation": "prediction error", "fast": "high frequencies"}
"""Families of features whose names are the core's, as a person knows them."""


@dataclass(frozen=True, slots=True)
class Change:
    """One parameter at another value, and the errors that the detector then makes: (false, missed) before and after."""

    parameter: str
    value: float
    before: tuple[int, int]
    after: tuple[int, int]

    def describe(self) -> str:
        """In plain words, with what it brings.

        >>> Change("dead_time_s", 0.3, (43, 1), (2, 1)).describe()
        'lengthen the dead time to 300 ms: 2 false instead of 43, 1 missed as before'
        """
        name, shown = describe_parameter(self.parameter, self.value)
        less_sensitive = self.after[0] < self.before[0] or self.after[1] > self.before[1]
        verbs = ("shorten", "lengthen") if self.parameter.endswith("time_s") else ("lower", "raise")
        counts = [
            f"{after} {word} as before" if after == before else f"{after} {word} instead of {before}"
            for after, before, word in zip(self.after, self.before, ("false", "missed"), strict=True)
        ]
        return f"{verbs[less_sensitive]} the {name} to {shown}: {', '.join(counts)}"


@dataclass(frozen=True, slots=True)
class ErrorAdvice:
    """One kind of error of one detector: how often, when, why, and what to do about it."""

    error: str
    cause: str
    count: int
    times_s: tuple[float, ...]
    words: str
    remedy: str


def describe_parameter(name: str, value: float) -> tuple[str, str]:
    """A parameter's name and value in words.

    >>> describe_parameter("dead_time_s", 0.345), describe_parameter("probability", 0.4)
    (('dead time', '345 ms'), ('probability', '0.4'))
    """
    for ending, (unit, factor) in UNITS.items():
        if name.endswith(ending):
            return name.removesuffix(ending).replace("_", " "), f"{value * factor:.3g} {unit}"
    return ("on ratio" if name == "on" else name.replace("_", " ")), f"{value:.3g}"


def count_errors(variant: Variant, recordings: Sequence[Recording], *, window_s: float = 0.05) -> tuple[int, int]:
    """False detections and missed taps on labelled recordings."""
    false = missed = 0
    for recording in recordings:
        found = run_detector(variant, recording).accepted()
        matching = match_onsets(recording.taps_s, np.sort(recording.times_s(found.onset_samples)), window_s=window_s)
        false += len(matching.spurious)
        missed += len(matching.missed)
    return false, missed


def find_changes(variant: Variant, recordings: Sequence[Recording], *, window_s: float = 0.05) -> dict[str, Change]:
    """The best single change of the dead time, and of the sensitivity, that leaves fewer errors on these recordings.

    Keyed RINGING and NUISANCE; a change that leaves as many errors is not listed. The dead time is only lengthened up
    to the shortest time between two labelled taps.
    """
    before = count_errors(variant, recordings, window_s=window_s)
    found: dict[str, Change] = {}
    for key, name, values in _list_trials(variant, recordings):
        for value in values:
            try:
                other = cast(Variant, dataclasses.replace(cast(Any, variant), **{name: value}))
            except ParameterError:
                continue
            after = count_errors(other, recordings, window_s=window_s)
            if sum(after) < sum(found[key].after if key in found else before):
                found[key] = Change(name, value, before, after)
    return found


def _list_trials(variant: Variant, recordings: Sequence[Recording]) -> list[tuple[str, str, list[float]]]:
    trials: list[tuple[str, str, list[float]]] = []
    if isinstance(now := getattr(variant, "dead_time_s", None), float):
        shortest = find_shortest_gap_s(recordings)
        trials.append((RINGING, "dead_time_s", [value for value in DEAD_TIMES_S if now != value <= shortest]))
    for name, vary in SENSITIVITIES.items():
        if isinstance(now := getattr(variant, name, None), float):
            trials.append((NUISANCE, name, [value for value in vary(now) if value != now]))
            break
    return trials


def find_shortest_gap_s(recordings: Sequence[Recording]) -> float:
    """Shortest time between two labelled taps, in seconds; inf without two taps."""
    gaps: list[FloatArray] = [np.diff(recording.taps_s) for recording in recordings]
    return float(min((gap.min() for gap in gaps if gap.size), default=math.inf))


def explain_errors(
    table: CauseTable, variant: Variant, recordings: Sequence[Recording], *, window_s: float
) -> tuple[ErrorAdvice, ...]:
    """The errors of a detector with remedies, which are tried on labelled recordings."""
    changes = find_changes(variant, recordings, window_s=window_s) if table.errors else {}
    return advise_errors(table, changes, shortest_gap_s=find_shortest_gap_s(recordings))


def advise_errors(
    table: CauseTable, changes: Mapping[str, Change], *, shortest_gap_s: float = math.inf
) -> tuple[ErrorAdvice, ...]:
    """Each kind of error of the table with words and a remedy, most frequent first; `changes` as `find_changes`."""
    groups: dict[tuple[str, str], list[float]] = {}
    for one in table.errors:
        cause = re.sub(r"^(rejected: [^:]*):.*", r"\1", one.cause)  # the feature's name says nothing to a person
        groups.setdefault((one.error, cause), []).append(one.time_s)
    advice = []
    for (error, cause), times in sorted(groups.items(), key=lambda item: (-len(item[1]), item[0])):
        kind, words, remedy = _describe_cause(error, cause)
        text = remedy or _describe_remedy(kind, error, changes, shortest_gap_s, table.detector)
        advice.append(ErrorAdvice(error, cause, len(times), tuple(times), words, text))
    return tuple(advice)


def name_cause(cause: str) -> str:
    """A cause without the names of features; families of features as a person knows them.

    >>> name_cause("rejected: innovation: innovation_rise")
    'rejected: prediction error'
    """
    kind, colon, reason = cause.partition(": ")
    family = reason.partition(":")[0]
    return f"{kind}: {FAMILY_NAMES.get(family, family)}" if colon and kind == "rejected" else cause


def _describe_cause(error: str, cause: str) -> tuple[str, str, str]:
    known = (FALSE_WORDS if error == FALSE else MISS_WORDS).get(cause)
    if known is not None:
        return known
    for start, (kind, words, remedy) in WORDS_BY_START.items():
        if cause.startswith(start):
            what = cause.removeprefix(start)
            return kind, words.format(FAMILY_WORDS.get(what, what) if start == REJECTED else what), remedy
    return NUISANCE, f"A sound that is labelled '{cause}' was taken for a tap.", ""


def _describe_remedy(kind: str, error: str, changes: Mapping[str, Change], gap_s: float, detector: str) -> str:
    side = 0 if error == FALSE else 1
    fitting = changes.values() if kind == RINGING else filter(None, [changes.get(NUISANCE)])
    helpful = [change for change in fitting if change.after[side] <= ENOUGH * change.before[side]]
    if helpful:
        helpful.sort(key=lambda change: sum(change.after))
        return "; or ".join(change.describe() for change in helpful)
    if kind == RINGING and error == FALSE and math.isfinite(gap_s):
        return (
            f"no dead time up to the shortest gap between taps, {1e3 * gap_s:.0f} ms, helps: mount the sensor on"
            " a stiffer part, damp the panel, or take the detector tap"
        )
    if detector == "tap":
        return "no other probability helps: record more of this, and run tapsig fit"
    return "no other sensitivity helps: take the detector tap, or another position"
