"""Each written rule is met by a situation made for it."""

from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
import pytest

from tapsig.analysis.causes import FALSE, MISS, CauseTable, collect_features, find_causes
from tapsig.detections import Detections
from tapsig.detectors.base import StreamingDetector
from tapsig.detectors.fixed_threshold import FixedThreshold
from tapsig.detectors.tap import Tap
from tapsig.errors import LabelError
from tapsig.records import Gap, Label, Recording
from tests.fakes import ring_down

FS = 2000.0


@dataclass(frozen=True, slots=True)
class Scripted:
    """Finds what it is told to: (time in s, reason) pairs."""

    name: ClassVar[str] = "scripted"
    script: tuple[tuple[float, str], ...] = ()
    dead_time_s: float = 0.0
    threshold_v: float = 0.0

    def build(self, fs: float, *, keep_rejected: bool = False) -> "ScriptedDetector":
        return ScriptedDetector(self, fs)


class ScriptedDetector(StreamingDetector):
    latency_s = 1e9

    def __init__(self, variant: Scripted, fs: float) -> None:
        super().__init__(fs)
        self._script = variant.script

    def _clear(self) -> None:
        pass

    def _process(self, samples: np.ndarray, first: int) -> Detections:
        onsets = np.array([round(time_s * self.fs) for time_s, _ in self._script], dtype=np.int64)
        return Detections(onsets, onsets, np.zeros(onsets.size), reason=tuple(reason for _, reason in self._script))


def record(
    events: list[tuple[float, str, float]],
    *,
    t60_s: float = 0.2,
    noise_v: float = 1e-3,
    range_v: tuple[float, float] | None = None,
    unheard: tuple[float, ...] = (),
) -> Recording:
    """Events of (time, kind, height in V): a kind of "" is heard but not labelled."""
    rng = np.random.default_rng(0)
    time_s = np.arange(int(6 * FS)) / FS
    samples = noise_v * rng.standard_normal(time_s.size)
    for at, _, height in events:
        samples += height * ring_down(time_s, at, 150.0, t60_s)
    if range_v is not None:
        samples = np.clip(samples, *range_v)
    labels = tuple(Label(at, kind) for at, kind, _ in events if kind) + tuple(map(Label, unheard))
    return Recording(samples, FS, labels=labels, position="frame", scene="quiet", range_v=range_v, adc_bits=12)


def causes(recording: Recording, *script: tuple[float, str], **limits: float) -> list[tuple[str, str]]:
    return [(one.error, one.cause) for one in find_causes(Scripted(script, **limits), recording).errors]


TAP = (1.0, "tap", 0.5)


def test_no_error_has_no_cause() -> None:
    table = find_causes(Scripted(((1.01, ""),)), record([TAP]))
    assert table.errors == ()
    assert (table.taps, table.hits) == (1, 1)


def test_a_tap_after_more_than_a_second_is_a_first_tap() -> None:
    recording = record([TAP, (1.3, "tap", 0.5), (2.2, "tap", 0.5), (3.3, "tap", 0.5)])
    table = find_causes(Scripted(((1.0, ""), (1.3, ""), (2.2, ""))), recording)
    assert (table.first_taps, table.first_taps_found) == (2, 1)  # 1.0 and 3.3 s; 2.2 s comes 0.9 s after a tap


@pytest.mark.parametrize(
    ("events", "fields", "at", "cause"),
    [
        ([TAP], {}, 1.03, "double"),
        ([TAP], {"range_v": (-0.3, 0.3)}, 1.0 + 0.06, "ring-down"),
        ([TAP, (3.0, "", 0.6)], {"range_v": (-0.3, 0.3)}, 3.0, "clipped"),
        ([TAP, (3.0, "slam", 0.4)], {}, 3.1, "slam"),
        ([TAP, (1.02, "rebound", 0.2)], {}, 1.08, "rebound"),
        ([TAP], {"t60_s": 1.5}, 1.7, "ring-down"),
        ([TAP, (3.0, "slam", 0.4)], {"t60_s": 1.5}, 3.4, "ring-down of slam"),
        ([TAP, (3.0, "", 0.4)], {}, 3.0, "unlabelled"),
    ],
)
def test_false_detections(
    events: list[tuple[float, str, float]], fields: dict[str, object], at: float, cause: str
) -> None:
    assert causes(record(events, **fields), (1.0, ""), (at, "")) == [(FALSE, cause)]  # type: ignore[arg-type]


@pytest.mark.parametrize("after_s", [0.2, 0.6, 1.2])
def test_a_slam_that_rings_for_longer_than_taps_is_named_all_the_while(after_s: float) -> None:
    # T60 of 2 s, taps of 0.3 s: 1.2 s after the slam, it has fallen by 36 dB, and would have by 240 dB as taps do.
    quiet = record([TAP, (2.0, "tap", 0.5)], t60_s=0.3)
    slam = 2.0 * ring_down(np.arange(int(6 * FS)) / FS, 3.0, 60.0, 2.0)
    heard = Recording(quiet.samples + slam, FS, labels=(*(quiet.labels or ()), Label(3.0, "slam")))
    assert causes(heard, (1.0, ""), (2.0, ""), (3.0 + after_s, "")) == [(FALSE, "ring-down of slam")]


def bump(at_s: float, *, rise_s: float, fall_s: float, volts: float) -> np.ndarray:
    """A lean on the panel: a low tone that comes and goes."""
    time_s = np.arange(int(6 * FS)) / FS - at_s
    shape = np.clip(time_s / rise_s, 0.0, 1.0) * np.exp(-np.maximum(time_s - rise_s, 0.0) / fall_s) * (time_s > 0)
    return np.asarray(volts * shape * np.cos(2 * np.pi * 90 * time_s))


@pytest.mark.parametrize("rise_s", [0.005, 0.06])
@pytest.mark.parametrize("after_s", [0.25, 0.6, 1.8, 3.0])
def test_the_tail_of_an_unlabelled_event_is_named_as_such(after_s: float, rise_s: float) -> None:
    # The tap has fallen by 60 dB, into the noise, 0.2 s after its onset; what comes later is not its ringing.
    quiet = record([TAP])
    at_s = 1.0 + 0.2 + after_s
    heard = Recording(quiet.samples + bump(at_s, rise_s=rise_s, fall_s=0.12, volts=0.2), FS, labels=quiet.labels)
    for late_s in (0.12, 0.2):
        found = causes(heard, (1.0, ""), (at_s + rise_s + late_s, ""))
        assert found == [(FALSE, "tail of an unlabelled event")], late_s


def test_a_tap_in_the_tail_of_an_unlabelled_event_is_buried_there() -> None:
    quiet = record([TAP, (2.4, "tap", 0.03)])
    heard = Recording(quiet.samples + bump(1.9, rise_s=0.005, fall_s=0.5, volts=0.3), FS, labels=quiet.labels)
    assert causes(heard, (1.0, "")) == [(MISS, "buried under the tail of an unlabelled event")]


def test_beating_is_ring_down_however_deep() -> None:
    time_s = np.arange(int(6 * FS)) / FS
    swell = 0.3 * (ring_down(time_s, 1.0, 150.0, 1.5) + ring_down(time_s, 1.0, 155.0, 1.5))  # swells every 0.2 s
    quiet = record([])
    heard = Recording(quiet.samples + swell, FS, labels=(Label(1.0),))
    assert causes(heard, (1.0, ""), (1.2, "")) == [(FALSE, "ring-down")]


def test_a_steady_background_and_what_stays_unexplained() -> None:
    quiet = record([TAP])
    loud = quiet.samples.copy()
    loud[8000:] += 0.02 * np.random.default_rng(1).standard_normal(4000)
    lasting = Recording(loud, FS, labels=quiet.labels)
    peaks = np.abs(loud[8000:]).reshape(-1, 50).max(axis=1)
    calm_s = 4.0 + 0.025 * float(np.argsort(peaks[40:])[5] + 40)  # a piece as low as others around it
    assert causes(lasting, (1.0, ""), (calm_s, "")) == [(FALSE, "background")]
    steps = quiet.samples.copy()
    steps[8000:8060] += 0.006 * np.cos(np.arange(60.0))
    steps[8060:8120] += 0.012 * np.cos(np.arange(60.0))  # rises by 6 dB: over what is usual, yet no event
    assert causes(Recording(steps, FS, labels=quiet.labels), (1.0, ""), (4.032, "")) == [(FALSE, "unexplained")]


def test_a_detection_beside_its_tap_is_mistimed() -> None:
    assert causes(record([TAP], t60_s=1.0), (1.1, "")) == [(MISS, "unexplained"), (FALSE, "mistimed")]


def test_a_late_label_is_mistimed_and_not_within_dead_time() -> None:
    # Contact at 1.0 s, labelled 80 ms late and found at once: another dead time would change nothing.
    heard = record([(1.0, "", 0.5)], t60_s=1.0, unheard=(1.08,))
    assert causes(heard, (1.0, ""), dead_time_s=0.3) == [(FALSE, "mistimed"), (MISS, "mistimed")]


def test_ring_down_found_just_before_a_tap_is_not_that_tap() -> None:
    # The ringing of the first tap is found once more at 1.4 s, and so the second tap falls into the dead time.
    heard = record([TAP, (1.5, "tap", 0.5)], t60_s=1.0)
    found = causes(heard, (1.0, ""), (1.4, ""), dead_time_s=0.4)
    assert found == [(FALSE, "ring-down"), (MISS, "within dead time")]


@pytest.mark.parametrize(
    ("events", "fields", "script", "limits", "cause"),
    [
        ([TAP, (1.2, "tap", 0.5)], {}, ((1.0, ""), (1.2, "within dead time")), {}, "within dead time"),
        ([TAP, (1.2, "tap", 0.5)], {}, ((1.0, ""),), {"dead_time_s": 0.3}, "within dead time"),
        ([TAP, (1.08, "tap", 0.5)], {}, ((1.0, ""),), {}, "merged"),
        ([TAP, (3.0, "tap", 0.5)], {}, ((1.0, ""), (3.01, "gate")), {}, "rejected: gate"),
        ([TAP, (2.98, "slam", 2.0), (3.0, "tap", 0.1)], {"range_v": (-0.6, 0.6)}, ((1.0, ""),), {}, "clipped"),
        ([TAP], {"unheard": (3.0,)}, ((1.0, ""),), {}, "too weak"),
        ([TAP, (3.0, "tap", 0.05)], {}, ((1.0, ""),), {"threshold_v": 0.1}, "under threshold"),
        ([TAP, (1.4, "tap", 0.1)], {"t60_s": 2.0}, ((1.0, ""),), {}, "buried under ring-down"),
        ([TAP, (3.9, "music", 0.2), (4.0, "tap", 0.05)], {"t60_s": 1.0}, ((1.0, ""),), {}, "masked by music"),
        ([TAP, (3.7, "music", 0.2), (4.0, "tap", 0.02)], {"t60_s": 1.0}, ((1.0, ""),), {}, "buried in background"),
        ([TAP, (3.0, "tap", 0.5)], {}, ((1.0, ""),), {}, "unexplained"),
    ],
)
def test_misses(
    events: list[tuple[float, str, float]],
    fields: dict[str, object],
    script: tuple[tuple[float, str], ...],
    limits: dict[str, float],
    cause: str,
) -> None:
    assert causes(record(events, **fields), *script, **limits) == [(MISS, cause)]  # type: ignore[arg-type]


def test_a_tap_in_a_gap_was_not_recorded() -> None:
    heard = record([TAP])
    gapped = replace(heard, gaps=(Gap(8000, 2.0),), labels=(*(heard.labels or ()), Label(8000 / FS + 1.0)))
    assert (MISS, "not recorded") in causes(gapped, (1.0, ""))
    assert (MISS, "too weak") not in causes(gapped, (1.0, ""))


def test_counts_by_position_and_scene_add_up_to_all_errors() -> None:
    recording = record([(1.0, "tap", 0.5), (1.4, "tap", 0.4), (3.0, "slam", 1.0)], t60_s=1.5)
    table = find_causes(FixedThreshold(threshold_v=0.02), [recording, recording])
    assert isinstance(table, CauseTable)
    rows = table.count(by=("position", "scene"))
    assert sum(row["count"] for row in rows) == len(table.errors) > 5  # type: ignore[misc]
    assert {row["position"] for row in rows} == {"frame"}
    assert rows[0]["cause"] == "ring-down"
    assert table.to_dict()["errors"][0]["time_s"] == table.errors[0].time_s  # type: ignore[index]


def test_a_recording_without_labels_is_refused_and_a_silent_one_is_weak() -> None:
    with pytest.raises(LabelError, match="needs labels"):
        find_causes(Scripted(), Recording(np.zeros(1000), FS))
    silent = Recording(np.full(4000, 1.0), FS, labels=(Label(1.0),))
    assert causes(silent) == [(MISS, "too weak")]


def test_features_are_collected_from_recordings_of_any_rate_and_gaps() -> None:
    volts = np.random.default_rng(0).normal(0.0, 1e-3, 8000)
    volts[4000:4010] += 0.5
    labelled = [
        Recording(volts, 2000.0, labels=(Label(2.0),)),
        Recording(volts, 1000.0, labels=(Label(4.0),)),
        Recording(volts, 2000.0, labels=(Label(7.0),), gaps=(Gap(1000, 5.0),)),
    ]
    features, is_tap = collect_features(Tap(), labelled)
    assert is_tap.sum() == 3
    assert features["innovation_rise"].shape == is_tap.shape
