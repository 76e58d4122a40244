"""One recording, looked at from all sides: its faults, taps, errors, ringing, operating area and entries."""

import contextlib
import dataclasses
import itertools
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from tapsig.analysis.causes import find_causes
from tapsig.analysis.dead_time import DeadTimeMap, compute_dead_time_map
from tapsig.analysis.health import HealthReport, check_health
from tapsig.analysis.ringdown import RingdownResult, compute_ringdown
from tapsig.detectors.base import Variant, run_detector
from tapsig.detectors.fixed_threshold import FixedThreshold
from tapsig.entry import Entry, decode_taps
from tapsig.errors import TapsigError
from tapsig.loading.findings import LoadReport
from tapsig.records import TAP, Label, Recording
from tapsig.scoring.matching import match_onsets
from tapsig.summary.remedies import ErrorAdvice, explain_errors
from tapsig.summary.ringing import Ringing, measure_ringing
from tapsig.summary.spectrogram import Spectrogram, compute_spectrogram
from tapsig.summary.trace import Trace, compute_trace
from tapsig.units import FloatArray


@dataclass(frozen=True, slots=True)
class Marks:
    """What one detector found, in seconds: hits, misses and false ones where there are labels, else `found_s` alone.

    `setting` says its threshold and dead time, where it has both.
    """

    detector: str
    found_s: FloatArray
    strength: FloatArray
    hit_s: FloatArray
    missed_s: FloatArray
    false_s: FloatArray
    setting: str
    advice: tuple[ErrorAdvice, ...] = ()


@dataclass(frozen=True, slots=True)
class RecordingSummary:
    """Everything that a page says about one recording; times in seconds of the whole recording.

    Parameters
    ----------
    simulated : whether its manifest says that it was simulated.
    labelled : whether there are labels; without them there are no hits, misses, operating area or causes.
    taps_s, others : labelled taps, and labels of other kinds.
    marks : one for each detector, in the order asked for.
    examined_s : from when to when ringing, operating area, spectrogram and causes were looked at.
    ringdown, ringdown_reason : how the panel rings, or why that is not known; `ringdown_from` says whose taps.
    ringing : how long a plain threshold goes on being crossed; None for too few taps.
    plain : errors of a plain threshold over threshold × dead time; None without labelled taps.
    plain_marks : what the best plain setting found.
    """

    name: str
    source: str
    vehicle: str
    position: str
    scene: str
    simulated: bool
    fs: float
    begin_s: float
    end_s: float
    duration_s: float
    labelled: bool
    health: HealthReport
    trace: Trace
    spectrogram: Spectrogram | None
    taps_s: FloatArray
    others: tuple[Label, ...]
    marks: tuple[Marks, ...]
    examined_s: tuple[float, float]
    ringdown: RingdownResult | None
    ringdown_reason: str
    ringdown_from: str
    ringing: Ringing | None
    plain: DeadTimeMap | None
    plain_marks: Marks | None
    entries: tuple[Entry, ...]
    entries_labelled: tuple[Entry, ...]
    count_v: float

    @property
    def last(self) -> Marks:
        """Marks of the last detector: the one whose taps and entries are listed."""
        return self.marks[-1]


def match_marks(name: str, variant: Variant, recording: Recording, *, window_s: float) -> Marks:
    """What a detector finds on a recording, in the recording's own time."""
    found = run_detector(variant, recording).accepted()
    times = recording.times_s(found.onset_samples)
    order = np.argsort(times, kind="stable")
    taps_s = None if recording.labels is None else recording.taps_s
    return match_times(name, variant, times[order], found.strength[order], taps_s, window_s=window_s)


def match_times(
    name: str,
    variant: Variant,
    found_s: FloatArray,
    strength: FloatArray,
    taps_s: FloatArray | None,
    *,
    window_s: float,
) -> Marks:
    """Hits, misses and false ones among times that ascend; `taps_s` is None without labels."""
    setting, none = describe_setting(variant), np.zeros(0)
    if taps_s is None:
        return Marks(name, found_s, strength, none, none, none, setting)
    matching = match_onsets(taps_s, found_s, window_s=window_s)
    hit = np.zeros(found_s.size, dtype=bool)
    hit[matching.pairs[:, 1]] = True
    return Marks(name, found_s, strength, found_s[hit], taps_s[matching.missed], found_s[~hit], setting)


def shift_marks(marks: Marks, begin_s: float) -> Marks:
    """The same marks, `begin_s` later."""
    advice = tuple(
        dataclasses.replace(one, times_s=tuple(time + begin_s for time in one.times_s)) for one in marks.advice
    )
    moved = {name: getattr(marks, name) + begin_s for name in ("found_s", "hit_s", "missed_s", "false_s")}
    return dataclasses.replace(marks, advice=advice, **moved)


def describe_setting(variant: Variant) -> str:
    """Threshold and dead time in words, of a detector that has both; else nothing.

    >>> describe_setting(FixedThreshold(0.2, 0.3))
    '0.2 V, 300 ms'
    """
    threshold_v, dead_time_s = (getattr(variant, name, None) for name in ("threshold_v", "dead_time_s"))
    return f"{threshold_v:.3g} V, {1e3 * dead_time_s:.0f} ms" if threshold_v and dead_time_s else ""


def map_plain(recording: Recording, *, window_s: float) -> tuple[DeadTimeMap | None, Marks | None]:
    """The operating area of a plain threshold, and what its best setting finds; None without labelled taps."""
    if not recording.taps_s.size:
        return None, None
    try:
        found = compute_dead_time_map(recording)
    except TapsigError:
        return None, None
    best = FixedThreshold(found.best_threshold_v, found.best_dead_time_s)
    return found, match_marks("fixed-threshold", best, recording, window_s=window_s)


def summarise_recording(
    recording: Recording,
    variants: Mapping[str, Variant],
    *,
    name: str,
    report: LoadReport | None = None,
    simulated: bool = False,
    window_s: float = 0.05,
    progress: Callable[[float], None] | None = None,
) -> RecordingSummary:
    """Look at a recording from all sides; of a part, times are those of the whole (see `Recording.start_s`).

    Parameters
    ----------
    variants : detectors by the names that the page gives them; the last one's taps and entries are listed.
    name : what the page calls the recording.
    report : how it was read, for the findings of its file.
    window_s : a detection counts when it lies at most so far from a tap.
    progress : called with the share of the work that is done, up to 1.

    Raises ParameterError as the detectors do.
    """
    begin_s = recording.start_s
    done = itertools.count(1)

    def step() -> None:
        if progress is not None:
            progress(next(done) / (2 * len(variants) + 4))

    health = check_health(recording, report).shift(begin_s)
    step()
    marks = []
    for key, variant in variants.items():
        one = match_marks(key, variant, recording, window_s=window_s)
        step()
        if recording.labels is not None:
            table = find_causes(variant, [recording], window_s=window_s)
            one = dataclasses.replace(one, advice=explain_errors(table, variant, [recording], window_s=window_s))
        step()
        marks.append(one)
    onsets_s, whose = recording.taps_s, "labelled taps"
    if not onsets_s.size:
        what = "taps found by" if recording.labels is None else "false detections of"
        onsets_s, whose = marks[-1].found_s, f"{what} {marks[-1].detector}"
    ringdown, reason = None, ""
    try:
        ringdown = compute_ringdown(recording, onsets_s=onsets_s)
    except TapsigError as error:
        reason = str(error)
    step()
    plain, plain_marks = map_plain(recording, window_s=window_s)
    step()
    spectrogram = None
    with contextlib.suppress(TapsigError):  # too short, too slow or constant
        spectrogram = compute_spectrogram(recording)
    step()
    end_s = begin_s + recording.span_s
    return RecordingSummary(
        name=name,
        source=recording.source,
        vehicle=recording.vehicle,
        position=recording.position,
        scene=recording.scene,
        simulated=simulated,
        fs=recording.fs,
        begin_s=begin_s,
        end_s=end_s,
        duration_s=recording.duration_s,
        labelled=recording.labels is not None,
        health=health,
        trace=compute_trace(recording, bias_v=health.bias_v),
        spectrogram=spectrogram,
        taps_s=recording.taps_s + begin_s,
        others=tuple(
            Label(label.onset_s + begin_s, label.kind) for label in recording.labels or () if label.kind != TAP
        ),
        marks=tuple(shift_marks(one, begin_s) for one in marks),
        examined_s=(begin_s, end_s),
        ringdown=ringdown,
        ringdown_reason=reason,
        ringdown_from=whose,
        ringing=measure_ringing(recording, onsets_s if recording.labels is None else recording.taps_s),
        plain=plain,
        plain_marks=None if plain_marks is None else shift_marks(plain_marks, begin_s),
        entries=tuple(decode_taps(marks[-1].found_s + begin_s)),
        entries_labelled=tuple(decode_taps(recording.taps_s + begin_s)),
        count_v=recording.step_v,
    )
