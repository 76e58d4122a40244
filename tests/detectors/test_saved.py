"""A saved detector is JSON that reads back equal; whatever else stands in a file is refused, with the place."""

import json
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

import numpy as np
import pytest

from tapsig.cli import main
from tapsig.detectors import CATALOGUE, load_detector, write_detector
from tapsig.detectors.fixed_threshold import FixedThreshold
from tapsig.detectors.ring_following import RingFollowing
from tapsig.detectors.tap import Tap
from tapsig.errors import ParameterError


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "detector.json"


def document(**changes: object) -> dict[str, object]:
    parameters = {"threshold_v": 0.2, "dead_time_s": 0.09, "bias_time_s": 0.5}
    return {"format": "tapsig-detector", "version": 1, "name": "fixed-threshold", "parameters": parameters} | changes


def parameters(**changes: object) -> dict[str, object]:
    return {**document()["parameters"], **changes}  # type: ignore[dict-item]


def ring_following(**changes: object) -> dict[str, object]:
    return document(name="ring-following", parameters=RingFollowing().get_params() | changes)


@pytest.mark.parametrize("name", list(CATALOGUE))
def test_every_variant_reads_back_as_it_was_written(name: str, path: Path) -> None:
    write_detector(CATALOGUE[name], path)
    text = path.read_text(encoding="utf-8")
    again = load_detector(path)
    assert type(again) is type(CATALOGUE[name])
    write_detector(again, path)
    assert path.read_text(encoding="utf-8") == text


def test_changed_parameters_read_back_exactly(path: Path) -> None:
    variant = RingFollowing(threshold_v=0.1 + 0.2, decay_limits_db_s=(30.0, 1e3 / 3))
    write_detector(variant, path)
    assert load_detector(str(path)) == variant
    write_detector(Tap(probability=np.float32(0.5), order=np.int64(8)), path)  # of a sweep
    assert load_detector(path) == Tap(probability=0.5, order=8)


def test_former_names_of_parameters_still_load(path: Path) -> None:
    write_detector(RingFollowing(over_background_db=9.0, decay_fraction=0.7), path)
    text = path.read_text().replace("over_background_db", "over_usual_db").replace("decay_fraction", "decay_share")
    path.write_text(text)
    assert load_detector(path) == RingFollowing(over_background_db=9.0, decay_fraction=0.7)


def test_the_file_says_what_it_is_in_plain_words(path: Path) -> None:
    write_detector(FixedThreshold(threshold_v=0.25), path)
    assert json.loads(path.read_text()) == {
        "format": "tapsig-detector",
        "version": 1,
        "name": "fixed-threshold",
        "parameters": {"threshold_v": 0.25, "dead_time_s": 0.1, "bias_time_s": 0.5},
    }


def test_a_file_edited_by_hand_may_hold_a_whole_number_and_a_note(path: Path) -> None:
    path.write_text(json.dumps(document(parameters=parameters(threshold_v=1), note="bench, 3 May")))
    assert load_detector(path) == FixedThreshold(threshold_v=1.0, dead_time_s=0.09)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (document(format="other"), "not a saved detector"),
        ([1, 2], "not a saved detector"),
        (document(version=2), "version is 2; this tapsig reads version 1"),
        (document(name="knock"), "there is no detector 'knock'"),
        (document(name=["tap"]), "name is"),
        (document(extra=1), "'extra' is not a field of a saved detector"),
        (document(parameters=None), "parameters is null"),
        (document(parameters={"threshold_v": 0.2}), "lacks 'dead_time_s'"),
        (document(parameters=parameters(gain=3)), "holds 'gain'"),
        (document(parameters=parameters(threshold_v="0.2")), 'parameters.threshold_v is "0.2"; it must be a finite'),
        (document(parameters=parameters(threshold_v=True)), "parameters.threshold_v is true"),
        (document(parameters=parameters(threshold_v=float("nan"))), "parameters.threshold_v is NaN"),
        (document(parameters=parameters(threshold_v=10**400)), "…; it must be a finite number"),
        (document(parameters=parameters(threshold_v=-1.0)), "threshold_v is -1.0; it must be"),
        (document(parameters=parameters(threshold_v=[[1]] * 99)), "…; it must be a finite number"),
        (ring_following(decay_limits_db_s=[1.0]), "parameters.decay_limits_db_s is [1.0]; it must be a list of 2"),
        (ring_following(decay_limits_db_s=[1.0, "x"]), 'parameters.decay_limits_db_s[1] is "x"; it must be a finite'),
        (
            document(name="random", parameters={"rate_hz": 1.0, "seed": 3.5}),
            "parameters.seed is 3.5; it must be a whole",
        ),
    ],
)
def test_what_is_wrong_is_told_with_its_place(content: object, says: str, path: Path) -> None:
    path.write_text(json.dumps(content))
    with pytest.raises(ParameterError) as caught:
        load_detector(path)
    assert says in str(caught.value)
    assert str(path) in str(caught.value)


@pytest.mark.parametrize(
    ("raw", "says"),
    [
        (b"{", "is not JSON"),
        (b"\xff\xfe\x00", "is not JSON"),
        (b"[" * 100_000, "is not JSON"),
        (b"1" * 5000, "is not JSON: .*digits"),
        (b'{"format": "tapsig-detector", "format": "tapsig-detector"}', "'format' occurs twice"),
    ],
)
def test_text_that_is_no_json_object_is_refused(raw: bytes, says: str, path: Path) -> None:
    path.write_bytes(raw)
    with pytest.raises(ParameterError, match=says):
        load_detector(path)


def test_a_detector_of_ones_own_is_not_saved_as_a_file(path: Path) -> None:
    @dataclass(frozen=True)
    class Own:
        name: ClassVar[str] = "fixed-threshold"
        build: ClassVar[Callable[[float], object]] = FixedThreshold().build

    with pytest.raises(ParameterError, match="import path"):
        write_detector(Own(), path)  # type: ignore[arg-type]
    assert not path.exists()


@pytest.mark.parametrize(
    ("spec", "says"),
    [
        ("json:dumps", "json:dumps is a function"),
        ("json:nothing", "cannot be imported"),
        ("no_such_module_here:Thing", "cannot be imported.*must be in PYTHONPATH"),
        ("knock", "there is no detector 'knock'"),
        ("a b:c", "there is no detector 'a b:c'"),
        ("nix,order=8", "there is no detector 'nix'"),
        ("nowhere/mine.json", "there is no such detector"),
    ],
)
def test_a_name_path_or_file_that_leads_to_no_detector_is_told(spec: str, says: str) -> None:
    with pytest.raises(ParameterError, match=says):
        load_detector(spec)


def test_a_name_a_path_of_import_and_a_file_lead_to_a_detector_and_numbers_may_follow(path: Path) -> None:
    assert load_detector("tapsig.detectors.fixed_threshold:FixedThreshold") == FixedThreshold()
    assert load_detector("tap,order=4,probability=0.5") == Tap(order=4, probability=0.5)
    write_detector(Tap(order=8), path)
    assert load_detector(f"{path},probability=0.5") == Tap(order=8, probability=0.5)
    assert load_detector(path.rename(path.parent / "rain,v=2.json")) == Tap(order=8)


@pytest.mark.parametrize(
    ("spec", "says"),
    [
        ("tap,order=x", "order is 'x'; it must be a whole number such as 16"),
        ("tap,order=4.5", "order is '4.5'; it must be a whole number such as 16"),
        ("sta-lta,on=high", "on is 'high'; it must be a number such as 5.0"),
        ("tap,order=3", "order is 3; it must be a whole number between 4 and 16"),
        ("tap,ordr=8", "did you mean order"),
        ("tap,model=8", "no parameter 'model'"),
        ("tap,order", "give NAME=VALUE, not 'order'; the parameters of tap: probability, floor_v, dead_time_s, order"),
    ],
)
def test_a_parameter_that_is_wrong_is_named_after_a_comma_and_after_set(
    spec: str, says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(ParameterError, match=re.escape(says)):
        load_detector(spec)
    name, setting = spec.split(",")
    assert main(["detect", "none.wav", "--detector", name, "--set", setting]) == 2
    assert says in capsys.readouterr().err


def test_a_detector_is_neither_saved_where_no_folder_is_nor_loaded_from_a_detector(tmp_path: Path) -> None:
    with pytest.raises(ParameterError, match=r"path: the folder .*none does not exist; make it first"):
        write_detector("tap", tmp_path / "none" / "mine.json")
    with pytest.raises(ParameterError, match=r"spec is Tap\(.*; it must be a name, the path of a file"):
        load_detector(load_detector("tap"))
