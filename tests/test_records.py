"""The data that pass between packages keep what they promise: read-only, finite, in order, gaps kept."""

import ast
import dataclasses
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest

from tapsig import records
from tapsig.detections import Detections
from tapsig.errors import LabelError, ParameterError, RecordingError
from tapsig.records import Gap, Label, Recording


def test_samples_are_read_only_and_the_callers_array_is_left_alone() -> None:
    mine = np.zeros(10)
    recording = Recording(mine, 1000.0)
    with pytest.raises(ValueError, match="read-only"):
        recording.samples[0] = 1.0
    mine[0] = 5.0
    assert recording.samples[0] == 0.0


@pytest.mark.parametrize(
    ("samples", "words"),
    [
        ([0.0, 0.0, 0.0, np.nan], "sample 3 is nan"),
        # Above the square root of the largest double, 1.3e154 (IEEE 754), no power can be computed.
        ([0.0, -1e300], r"sample 1 is -1e\+300.*within ±1e\+09 V: check full_scale_v"),
        (np.zeros((4, 2)), "one channel"),
    ],
)
def test_samples_that_no_recording_can_have_are_refused(samples: object, words: str) -> None:
    with pytest.raises(RecordingError, match=words):
        Recording(samples, 1000.0)  # type: ignore[arg-type]


def test_labels_are_sorted_and_taps_picked_out() -> None:
    recording = Recording(np.zeros(10), 10.0, labels=(Label(0.5), Label(0.1, "rain"), Label(0.2)))
    assert recording.taps_s.tolist() == [0.2, 0.5]


def test_not_labelled_differs_from_no_taps() -> None:
    assert Recording(np.zeros(10), 10.0).labels is None
    assert Recording(np.zeros(10), 10.0, labels=()).labels == ()


@pytest.mark.parametrize(
    ("onset_s", "kind"),
    [(-0.1, "tap"), (float("nan"), "tap"), (0.1, ""), (0.1, " tap"), (True, "tap"), (Decimal("0.1"), "tap")],
)
def test_impossible_labels_are_refused(onset_s: float, kind: str) -> None:
    with pytest.raises(LabelError):
        Label(onset_s, kind)


def test_a_label_keeps_its_onset_as_a_float() -> None:
    """An array without axes, as np.load gives a number, could not be hashed."""
    assert [type(Label(one).onset_s) for one in (1, np.float32(1.0), np.array(1.0))] == [float] * 3  # type: ignore[arg-type]


def test_a_gap_moves_later_samples_and_splits_the_stretches() -> None:
    recording = Recording(np.zeros(100), 10.0, gaps=(Gap(40, 3.0), Gap(80, 1.0)))
    assert recording.stretches() == [(0, 40), (40, 80), (80, 100)]
    assert recording.times_s(np.array([39, 40, 80])).tolist() == pytest.approx([3.9, 7.0, 12.0])
    assert (recording.duration_s, recording.span_s) == (10.0, 14.0)


@pytest.mark.parametrize("gaps", [(Gap(0, 1.0),), (Gap(100, 1.0),), (Gap(5, -1.0),), (Gap(50, 1.0), Gap(50, 1.0))])
def test_gaps_out_of_order_or_outside_are_refused(gaps: tuple[Gap, ...]) -> None:
    with pytest.raises(RecordingError, match="Gap"):
        Recording(np.zeros(100), 10.0, gaps=gaps)


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"range_v": 5.0}, "range_v is 5.0; it must be two numbers"),
        ({"range_v": (5, 0)}, "low first"),
        ({"range_v": (0, float("nan"))}, "range_v"),
        ({"adc_bits": "10"}, "adc_bits is '10'"),
        ({"adc_bits": 0}, "between 1 and 64"),
        ({"gaps": (Gap(50.5, 1.0),)}, "whole number"),  # type: ignore[arg-type]
        ({"gaps": (Gap(50, float("inf")),)}, "Gap"),
        ({"gaps": (Gap(50, "1"),)}, "Gap"),  # type: ignore[arg-type]
        ({"position": 3}, "position is 3; it must be a text"),
        ({"source": None}, "source is None"),
        ({"source": np.zeros(2)}, "source is array"),
        ({"start_s": "0"}, "start_s is '0'"),
        ({"start_s": float("nan")}, "start_s is nan"),
        ({"fs": 1e30}, "fs is 1e\\+30; it must lie between 1e-06 and 1e\\+09"),
        ({"fs": 5e-324, "source": "door.csv"}, "fs of door.csv is 5e-324"),
        ({"fs": True}, "fs is True"),
        ({"fs": np.True_}, "fs is np.True_"),
        ({"fs": Decimal(1000)}, "fs is Decimal"),
        ({"samples": [10**400]}, "samples is"),
        ({"samples": np.ones(5, dtype=bool)}, "samples holds values of the type bool"),
        ({"samples": np.array(["1.0"])}, "samples holds values of the type str_"),
        ({"samples": np.zeros(2, dtype=[("volts", float)])}, "samples holds .*void"),
        ({"samples": np.zeros(2, dtype="datetime64[s]")}, "samples holds .*datetime64"),
        ({"labels": np.array(1.0j)}, "labels is"),
        ({"labels": np.array([1.0j])}, "labels is"),
        ({"gaps": np.array(3)}, "gaps is"),
        ({"range_v": np.array(5.0)}, "range_v is"),
        ({"range_v": np.array([0j, 5.0])}, "range_v is"),
        ({"findings": "abc"}, "tapsig.Finding"),
        ({"labels": [11.0]}, "the label at 11 s lies after the end, at 10 s"),
    ],
)
def test_a_field_that_no_recording_can_have_is_refused_at_once(fields: dict[str, object], words: str) -> None:
    with pytest.raises((LabelError, ParameterError, RecordingError), match=words):
        Recording(**{"samples": np.zeros(100), "fs": 10.0, **fields})  # type: ignore[arg-type]


def test_type_checkers_are_told_of_the_same_parameters_as_python() -> None:
    tree = ast.parse(Path(records.__file__).read_text(encoding="utf-8"))
    inits = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef) and node.name == "__init__"]
    fields = [field for field in dataclasses.fields(Recording) if field.init]
    assert [arg.arg for arg in inits[0].args.args[1:]] == [field.name for field in fields]
    defaults = [ast.literal_eval(default) for default in inits[0].args.defaults]
    assert defaults == [field.default for field in fields[-len(defaults) :]]


def test_a_recording_is_no_sequence() -> None:
    with pytest.raises(TypeError, match="not iterable"):
        list(Recording(np.zeros(10), 10.0))  # type: ignore[call-overload]


def test_a_label_may_lie_after_a_gap() -> None:
    recording = Recording(np.zeros(100), 10.0, gaps=(Gap(50, 5.0),), labels=(1.0, 6.0, 12.0))  # type: ignore[arg-type]
    assert recording.taps_s.tolist() == [1.0, 6.0, 12.0]
    assert recording[0.5:7.0].taps_s.tolist() == [0.5]  # what lies in the gap has no sample


def make_detections() -> Detections:
    return Detections(
        np.array([10, 20, 30]),
        np.array([15, 25, 35]),
        np.array([1.0, 2.0, 3.0]),
        {"rise_s": np.array([0.1, 0.2, 0.3])},
        ("", "too weak", ""),
    )


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"strength": [[1.0]]}, r"strength has shape \(1, 1\); it must be 1-D"),
        ({"strength": ["loud"]}, "strength holds .*str_"),
        ({"features": {"rise_db": [[1.0]]}}, "rise_db has shape"),
        ({"features": [1.0]}, "arrays by name"),
        ({"reason": "weak"}, "a text for each detection"),
        ({"reason": (None,)}, "a text for each detection"),
        ({"onset_samples": [1e300]}, "not seconds"),
        ({"onset_samples": ["one"]}, "onset_samples holds .*str_"),
        ({"onset_samples": 5}, "1-D"),
        ({"onset_samples": [[5]]}, r"shape \(1, 1\)"),
        ({"decided_samples": [5, 6]}, "decided_samples has 2 values; onset_samples has 1"),
        ({"features": {"rise_db": [1.0, 2.0]}}, "feature rise_db has 2 values"),
        ({"decided_samples": [[1], [2, 3]]}, "decided_samples is"),
        ({"onset_samples": np.array([5j])}, "onset_samples holds complex"),
        ({"strength": np.array([5], dtype="datetime64[s]")}, "strength holds"),
        ({"fs": "8000"}, "fs is '8000'"),
        ({"fs": 0.0}, "fs is 0.0"),
        ({"gaps": [(5, 1.0)]}, "gaps is .*a list of tapsig.Gap"),
    ],
)
def test_a_field_that_no_detections_can_have_is_refused_at_once(fields: dict[str, object], words: str) -> None:
    with pytest.raises(ParameterError, match=words):
        Detections(**{"onset_samples": [5], "decided_samples": [6], "strength": [1.0], **fields})  # type: ignore[arg-type]


def test_reasons_in_a_list_are_those_in_a_tuple() -> None:
    one, other = (Detections([5], [6], [1.0], {}, reasons) for reasons in (["weak"], ("weak",)))  # type: ignore[arg-type]
    assert one == other


def test_accepted_keeps_only_candidates_without_a_reason() -> None:
    accepted = make_detections().accepted()
    assert accepted.onset_samples.tolist() == [10, 30]
    assert accepted.features["rise_s"].tolist() == [0.1, 0.3]


def test_detections_of_different_rates_or_gaps_are_not_joined() -> None:
    kinds = ((8e3, ()), (4e3, ()), (8e3, (Gap(3, 1.0),)))
    parts = [Detections([5], [6], [1.0], fs=fs, gaps=gaps) for fs, gaps in kinds]
    for other in parts[1:]:
        with pytest.raises(ParameterError, match="different rates or gaps"):
            Detections.concatenate([parts[0], other])
    assert Detections.concatenate([parts[0], parts[0]]).onset_s.tolist() == [5 / 8e3] * 2


def test_joining_keeps_order_and_marks_missing_features_as_undefined() -> None:
    plain = Detections(np.array([50]), np.array([60]), np.array([9.0]))
    joined = Detections.concatenate([make_detections(), Detections.empty(), plain])
    assert joined.onset_samples.tolist() == [10, 20, 30, 50]
    assert np.isnan(joined.features["rise_s"][-1])
    assert joined.reason == ("", "too weak", "", "")
    assert len(Detections.concatenate([])) == 0


@pytest.mark.parametrize("onsets", [[0.5], [1.0, np.nan], [np.inf]])
def test_seconds_for_indices_are_refused(onsets: list[float]) -> None:
    ones = np.ones(len(onsets))
    with pytest.raises(ParameterError, match=r"onset_samples holds .*sample indices, not seconds"):
        Detections(np.array(onsets), ones, ones)
    with pytest.raises(ParameterError, match="decided_samples holds"):
        Detections(ones, np.array(onsets), ones)
    assert Detections(ones, ones, ones).onset_samples.dtype == np.int64  # whole numbers, of whatever type


def test_rails_and_step_of_a_converter() -> None:
    """Of 10 bits over 5 V one count is 5/1024 V, and the highest count, 1023, lies one of them under 5 V."""
    samples = np.array([0, 1, 512, 1022, 1023]) * 5 / 1024
    recording = Recording(samples, 8000.0, range_v=(0.0, 5.0), adc_bits=10)
    assert recording.step_v == 5 / 1024
    assert recording.at_rail().tolist() == [True, False, False, False, True]
    assert Recording(samples, 8000.0).step_v == 0.0
    assert not Recording(samples, 8000.0).at_rail().any()


def test_a_part_that_begins_after_the_end_is_refused_in_words_that_read_forward() -> None:
    with pytest.raises(RecordingError, match=r"there is no sample from 30 s on; it lasts 4 s"):
        Recording(np.arange(40.0), 10.0)[30.0:]
