"""Results that are cut, compared, and put into a data frame when they are empty."""

import copy
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

import tapsig
from tapsig.analysis.causes import find_causes
from tapsig.errors import ParameterError
from tests.fakes import DEMO

FS = 1000.0
QUIET = tapsig.Recording(np.zeros(8000), FS, labels=())
STRUCK = next(iter(tapsig.load_corpus(DEMO).select(vehicle="crane", scene="quiet", position="frame")))
PULSES = np.zeros(4000)
PULSES[[1000, 2000, 3000]] = 1.0


@pytest.fixture(scope="module")
def found() -> tapsig.Detections:
    return tapsig.detect(PULSES, FS, detector="fixed-threshold")


EMPTY: dict[str, tuple[Callable[[], object], str]] = {
    "detect": (lambda: tapsig.detect(QUIET), "onset_s"),
    "propose": (lambda: tapsig.propose(QUIET), "onset_s"),
    "decode": (lambda: tapsig.decode([]), "digits"),
    "decode evidence": (lambda: tapsig.decode(QUIET, decoder="evidence"), "log_ratio"),
    "causes": (lambda: find_causes("fixed-threshold", QUIET), "cause"),
    "health": (lambda: replace(tapsig.health(QUIET), findings=()), "code"),
    "ringdown": (lambda: replace(tapsig.ringdown(STRUCK), modes=()), "q"),
}


@pytest.mark.parametrize("name", sorted(EMPTY))
def test_a_result_without_rows_has_its_columns(name: str) -> None:
    make, column = EMPTY[name]
    frame = make().to_frame()  # type: ignore[attr-defined]
    assert frame[column].tolist() == []


def test_columns_without_rows_are_those_with_rows(found: tapsig.Detections) -> None:
    assert list(found[:0].to_frame().columns) == list(found.to_frame().columns)


def test_detections_are_cut_as_arrays_are(found: tapsig.Detections) -> None:
    onsets = np.array([1000, 2000, 3000])
    for index in (slice(0, 2), slice(None, None, -1), slice(1, None), np.array([True, False, True])):
        assert found[index].onset_samples.tolist() == onsets[index].tolist()
        assert found[index].fs == FS
    assert found[np.int64(-1)].onset_sample == 3000
    assert found[[True, False, False]].onset_samples.tolist() == [1000]
    with pytest.raises(IndexError):
        found[3]


@pytest.mark.parametrize("index", [np.array([True]), np.array([0, 1]), 1.0, "0", None, [0, 1], True])
def test_what_is_no_place_slice_or_mask_is_refused(index: object, found: tapsig.Detections) -> None:
    with pytest.raises(ParameterError, match=r"select\(mask\)"):
        found[index]  # type: ignore[call-overload]
    with pytest.raises(ParameterError, match=r"3 booleans"):
        found.select(index)  # type: ignore[arg-type]


def test_different_content_is_not_equal(found: tapsig.Detections) -> None:
    recording = tapsig.Recording(PULSES, FS, labels=(1.0,), gaps=(tapsig.Gap(1500, 10.0),))
    assert found != "x"
    assert recording != tapsig.Recording(PULSES, FS, labels=(1.0,))
    assert recording != tapsig.Recording(PULSES * 2, FS, labels=(1.0,), gaps=(tapsig.Gap(1500, 10.0),))
    assert found != found[:2]
    assert found != found.shifted(1)
    assert len({recording, copy.deepcopy(recording)}) == 1
