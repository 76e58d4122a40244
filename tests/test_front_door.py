"""The front door in Python: short names, arrays in, results that iterate, frames, parameters by name."""

import copy
import dataclasses
import pickle
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from sklearn.base import clone

import tapsig
from tapsig.analysis.dead_time import DeadTimeMap
from tapsig.converter import Converter
from tapsig.detectors import CATALOGUE
from tapsig.errors import LabelError, ParameterError, RecordingError
from tapsig.results import Records, Result
from tapsig.scoring.outcomes import ScoreTable
from tests.fakes import DEMO


@pytest.fixture(scope="module")
def crane() -> tapsig.Recording:
    return tapsig.load_corpus(DEMO)["crane-quiet", "frame"]


def make_pulses(fs: float = 1000.0) -> np.ndarray:
    """Four seconds of silence with pulses of 0.5 V at 1, 2 and 3 s."""
    volts = np.zeros(round(4 * fs))
    for time_s in (1, 2, 3):
        volts[round(time_s * fs) : round(time_s * fs) + 5] = 0.5
    return volts


# --- detect takes arrays


def test_detect_takes_an_array_and_its_rate() -> None:
    volts = make_pulses()
    found = tapsig.detect(volts, 1000, detector="fixed-threshold")
    assert found.onset_s.tolist() == [1.0, 2.0, 3.0]  # where the pulses were put
    assert tapsig.detect(volts[:, np.newaxis], 1000, detector="fixed-threshold").onset_s.tolist() == [1.0, 2.0, 3.0]


def test_detect_takes_its_arguments_in_both_orders(crane: tapsig.Recording) -> None:
    ours = tapsig.detect(crane)
    for same in (
        tapsig.detect("tap", crane),
        tapsig.detect(crane, detector="tap"),
        tapsig.detect(CATALOGUE["tap"], crane),
    ):
        assert same.onset_samples.tolist() == ours.onset_samples.tolist()


def test_parameters_pass_through_to_the_detector() -> None:
    volts = make_pulses()
    assert not len(tapsig.detect(volts, 1000, detector="fixed-threshold", threshold_v=0.6))
    with pytest.raises(ParameterError, match="did you mean threshold_v"):
        tapsig.detect(volts, 1000, detector="fixed-threshold", threshold=0.6)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((np.zeros(10),), "fs is missing"),
        ((np.zeros(10, dtype=np.int16), 1000), "scale in volts"),
        (("door.wav",), "tapsig.load"),
        ((np.zeros((10, 2)), 1000), "one channel"),
        ((tapsig.Recording(np.zeros(10), 1000.0), 1000), "knows its rate"),
    ],
)
def test_what_detect_cannot_take_is_refused_with_the_remedy(arguments: tuple[object, ...], words: str) -> None:
    with pytest.raises((ParameterError, RecordingError), match=words):
        tapsig.detect(*arguments)  # type: ignore[call-overload]


# --- push


def test_push_takes_a_column() -> None:
    detector = tapsig.load_detector("fixed-threshold").build(1000.0)
    assert detector.push(make_pulses()[:, np.newaxis]).onset_s.tolist() == [1.0, 2.0, 3.0]


def test_push_takes_counts_only_of_a_known_converter() -> None:
    counts = (512 + 102.4 * make_pulses()).astype(np.uint16)  # 10 bits from 0 to 10 V: 102.4 counts a volt
    variant = CATALOGUE["fixed-threshold"]
    with pytest.raises(ParameterError, match="scale in volts"):
        variant.build(1000.0).push(counts)
    known = variant.build(1000.0, converter=Converter((0.0, 10.0), 10))  # type: ignore[call-arg]
    assert known.push(counts).onset_s.tolist() == [1.0, 2.0, 3.0]
    known.reset()  # a list of integers, as a serial line gives them one by one
    assert known.push(counts.tolist()).onset_s.tolist() == [1.0, 2.0, 3.0]
    known.reset()
    assert known.push((counts / 102.4).tolist()).onset_s.tolist() == [1.0, 2.0, 3.0]
    with pytest.raises(ParameterError, match="gives 0 to 1023"):
        known.push(np.array([1024]))


# --- parameters, as scikit-learn has them


@pytest.mark.parametrize("name", list(CATALOGUE))
def test_scikit_learn_clones_a_variant(name: str) -> None:
    variant = CATALOGUE[name]
    copied = clone(variant)
    assert copied is not variant
    assert copied == variant


def test_parameters_are_got_and_set_by_name() -> None:
    variant = tapsig.load_detector("tap", probability=0.7)
    assert variant.get_params()["probability"] == 0.7
    assert variant.set_params(probability=0.9) is variant
    assert variant.get_params()["probability"] == 0.9
    with pytest.raises(ParameterError, match="probability is 2"):
        variant.set_params(probability=2, floor_v=1.0)
    assert variant.get_params()["floor_v"] == CATALOGUE["tap"].floor_v  # all or none


def test_a_saved_detector_is_loaded_again(tmp_path: Path) -> None:
    variant = tapsig.load_detector("sta-lta", on=7.0)
    tapsig.save_detector(variant, tmp_path / "mine.json")
    assert tapsig.load_detector(tmp_path / "mine.json") == variant
    tapsig.save_detector("sta-lta,on=7.0", tmp_path / "named.json")
    assert tapsig.load_detector(tmp_path / "named.json") == variant
    with pytest.raises(ParameterError, match="give its `variant`"):  # what `fit` returns
        tapsig.save_detector(SimpleNamespace(variant=variant), tmp_path / "fitted.json")  # type: ignore[arg-type]


# --- results


def test_detections_iterate_and_fill_a_frame() -> None:
    found = tapsig.detect(make_pulses(), 1000, detector="fixed-threshold")
    assert [tap.onset_s for tap in found] == [1.0, 2.0, 3.0]
    frame = found.to_frame()
    assert isinstance(frame, pd.DataFrame)
    assert frame["onset_s"].tolist() == [1.0, 2.0, 3.0]
    assert dataclasses.asdict(found)["onset_samples"].tolist() == [1000, 2000, 3000]


def test_a_gap_moves_the_times_of_detections() -> None:
    recording = tapsig.Recording(make_pulses(), 1000.0, gaps=(tapsig.Gap(1500, 10.0),))
    assert tapsig.detect(recording, detector="fixed-threshold").onset_s.tolist() == [1.0, 12.0, 13.0]


def test_without_a_rate_detections_have_no_times() -> None:
    found = tapsig.Detections(np.array([5]), np.array([6]), np.array([1.0]))
    with pytest.raises(ParameterError, match="fs of these detections is not known"):
        found.onset_s  # noqa: B018


@pytest.fixture(scope="module")
def results(crane: tapsig.Recording) -> list[Result]:
    corpus = tapsig.load_corpus(DEMO).select(vehicle="crane", scene="quiet", position=("frame", "inner-skin"))
    return [
        tapsig.detect(crane),
        tapsig.health(crane),
        tapsig.ringdown(crane),
        tapsig.dead_time(crane),
        tapsig.causes("tap", crane),
        tapsig.score(["tap"], [crane]),
        tapsig.positions(["fixed-threshold"], corpus),
        tapsig.propose(crane),
        tapsig.decode(crane, code="3-1-4"),
        tapsig.decode(crane, code="3-1-4", decoder="evidence"),
        tapsig.risk(["tap"], [crane]),
    ]


def test_every_result_is_short_and_has_rows_a_frame_and_html(results: list[Result]) -> None:
    for result in results:
        assert len(repr(result).splitlines()) <= 5
        assert result.to_frame().shape[0] == len(result.rows())
        assert type(result).__name__ in result._repr_html_()
        assert len(list(result)) == len(result.rows())  # type: ignore[call-overload]
        assert dataclasses.asdict(result)  # type: ignore[call-overload]


def test_every_result_equals_its_copies(results: list[Result]) -> None:
    scene = tapsig.simulate("crane", duration_s=1.0, positions=["frame"])
    found = tapsig.detect("tap", scene.recordings["frame"], keep_rejected=True)
    without_nan = results[:-1]  # nan in a tuple is not equal to nan
    few = [tapsig.detect(scene.recordings["frame"])[:1], tapsig.Detections.empty(), next(iter(results[0]))]  # type: ignore[call-overload]
    for one in [*without_nan, scene, scene.recordings["frame"], found, *few]:
        for same in (copy.deepcopy(one), pickle.loads(pickle.dumps(one))):  # noqa: S301
            assert same == one
            assert hash(same) == hash(one)
        assert len(repr(one)) < 2000


def test_results_that_differ_in_one_value_are_not_equal(results: list[Result]) -> None:
    table = next(one for one in results if isinstance(one, DeadTimeMap))
    missed = table.missed.copy()
    missed[0, 0] += 1
    assert table != dataclasses.replace(table, missed=missed)
    score = next(one for one in results if isinstance(one, ScoreTable))
    assert score != tapsig.score(["fixed-threshold"], [tapsig.load_corpus(DEMO)["crane-quiet", "frame"]])
    assert score != table


def test_records_are_copied_pickled_and_made_dictionaries_as_tuples_of_dataclasses_are(crane: tapsig.Recording) -> None:
    proposed = tapsig.propose(crane)
    assert dataclasses.asdict(proposed)["items"][0] == dataclasses.asdict(proposed[0])  # type: ignore[call-overload]
    assert proposed.onset_s.tolist() == [one.onset_s for one in proposed]
    for same in (copy.deepcopy(proposed), pickle.loads(pickle.dumps(proposed))):  # noqa: S301
        assert same == proposed
        assert hash(same) == hash(proposed)
    with pytest.raises(AttributeError, match="onset_s"):
        tapsig.decode(crane, code="3-1-4").onset_s  # noqa: B018


def test_html_of_a_name_with_angle_brackets_is_escaped() -> None:
    assert "<b>x" not in Records([tapsig.Label(1.0, "<b>x")])._repr_html_()


def test_a_frame_without_pandas_is_refused_with_the_remedy(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pandas", None)  # as if it were not installed
    with pytest.raises(ParameterError, match="pip install pandas"):
        Records([tapsig.Label(1.0)]).to_frame()


def test_recordings_corpora_and_detectors_have_short_reprs(crane: tapsig.Recording) -> None:
    for one in (crane, tapsig.load_corpus(DEMO), tapsig.load_detector("tap")):
        assert len(repr(one)) < 200


# --- parts of recordings


def test_a_slice_is_in_seconds_and_takes_labels_along() -> None:
    recording = tapsig.Recording(np.arange(4000.0), 1000.0, labels=(tapsig.Label(0.5), tapsig.Label(2.5, "rain")))
    part = recording[1.0:3.0]
    assert (part.samples[0], part.samples.size) == (1000.0, 2000)
    assert part.labels == (tapsig.Label(1.5, "rain"),)
    assert part.start_s == 1.0
    assert part[0.5:].start_s == 1.5
    assert recording[-1.0:].samples[0] == 3000.0


def test_a_slice_across_a_gap_keeps_the_times() -> None:
    recording = tapsig.Recording(np.arange(40.0), 10.0, gaps=(tapsig.Gap(20, 3.0),))
    part = recording[1.0:6.0]  # samples 10 to 29: up to 1.9 s, then from 5.0 s
    np.testing.assert_allclose(
        part.times_s(np.arange(20)) + part.start_s, np.concatenate([np.arange(10) / 10 + 1.0, np.arange(10) / 10 + 5.0])
    )
    begins_in_gap = recording[3.0:]
    assert (begins_in_gap.start_s, begins_in_gap.gaps, begins_in_gap.samples[0]) == (5.0, (), 20.0)


@pytest.mark.parametrize("key", [1, 1.0, "a", slice(0, 1, 1), slice("a", None)])
def test_what_is_no_slice_of_seconds_is_refused(key: object) -> None:
    with pytest.raises(ParameterError, match="cut by seconds"):
        tapsig.Recording(np.zeros(10), 10.0)[key]  # type: ignore[index]


def test_a_part_without_samples_is_refused() -> None:
    with pytest.raises(RecordingError, match="it lasts 1 s"):
        tapsig.Recording(np.zeros(10), 10.0)[3.0:4.0]


def test_labels_may_be_times() -> None:
    recording = tapsig.Recording(np.zeros(40), 10.0, labels=[2.0, 1.0])  # type: ignore[arg-type]
    assert recording.labels == (tapsig.Label(1.0), tapsig.Label(2.0))
    for bad in (["x"], [-1.0], "1.0", [None]):
        with pytest.raises((ParameterError, LabelError)):
            tapsig.Recording(np.zeros(40), 10.0, labels=bad)  # type: ignore[arg-type]


def test_a_corpus_gives_a_recording_by_number_and_by_name() -> None:
    corpus = tapsig.load_corpus(DEMO)
    first = corpus.entries[0]
    assert corpus[0].position == first.position
    assert Path(corpus["crane-quiet", "frame"].source).stem == "crane-quiet"
    assert len(corpus[:3]) == 3
    for key, words in ((("crane-quiet",), "has the positions"), ("crane-quit", "did you mean"), (9999, "from 0")):
        with pytest.raises(ParameterError, match=words):
            corpus[key]  # type: ignore[index]


def test_an_exported_folder_holds_the_files(tmp_path: Path) -> None:
    written = tapsig.export("ring-following", tmp_path / "firmware", fs=2000, code="3-1-4")
    assert all(path.is_file() for path in written)
    assert "tapsig_numbers.h" in {path.name for path in written}
