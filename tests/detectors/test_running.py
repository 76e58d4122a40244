"""A wrong detector of one's own is never scored without a word: its fault is told, with its name and the file's."""

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tapsig.detections import Detections
from tapsig.detectors import detect, load_detector
from tapsig.detectors.files import detect_wav
from tapsig.detectors.fixed_threshold import FixedThreshold
from tapsig.errors import ParameterError, RecordingError
from tapsig.loading import write_wav
from tapsig.records import Recording
from tapsig.scoring.outcomes import score
from tests.fakes import FakeDetector

FS = 1000.0
BENCH = Recording(np.zeros(500), FS, labels=(), source="bench.wav")


class Own(FakeDetector):
    """A detector, and its own variant, that answers with whatever it is told to."""

    name = "own"

    def __init__(self, answer: Callable[[], object]) -> None:
        super().__init__(FS, lambda _: answer())

    def build(self, fs: float, *, keep_rejected: bool = False) -> "Own":
        return self


def told(onsets: list[float], decided: list[float], strength: float = 1.0) -> Callable[[], Detections]:
    return lambda: Detections(np.array(onsets), np.array(decided), np.full(len(onsets), strength))


WRONG = {
    "seconds": (told([0.1], [0.2]), "holds 0.1; they are sample indices, not seconds"),
    "before the start": (told([-3], [4]), "reach from -3 to 4; there are 500 samples"),
    "past the end": (told([7], [500]), "reach from 7 to 500; there are 500 samples"),
    "decided before": (told([7], [6]), "after the sample that decided it"),
    "out of order": (told([7, 8], [20, 10]), "order of decision"),
    "no strength": (told([7], [8], np.nan), "nan or inf"),
    "a list": (lambda: [1, 2], "list instead of Detections"),
    "nothing": (lambda: None, "NoneType instead of Detections"),
    "an error": (lambda: {}["depth"], "KeyError: 'depth'"),
}


@pytest.mark.parametrize(("answer", "says"), WRONG.values(), ids=WRONG)
def test_what_a_detector_does_wrong_is_told_with_its_name_and_the_recordings(
    answer: Callable[[], object], says: str, tmp_path: Path
) -> None:
    wav = tmp_path / "long.wav"
    write_wav(wav, np.zeros((1, 500)), FS, full_scale_v=1.0)
    for run, where in (
        (lambda: detect(Own(answer), BENCH), "bench.wav"),
        (lambda: score([Own(answer)], [BENCH]), "bench.wav"),
        (lambda: detect_wav(Own(answer), wav), "long.wav"),
    ):
        with pytest.raises(ParameterError) as caught:
            run()
        assert f"detector own failed on {wav if where == 'long.wav' else where}: " in str(caught.value)
        assert says in str(caught.value)
        assert "tapsig.testing.check_detector" in str(caught.value)
        assert caught.value.__cause__ is not None


def test_the_last_sample_may_be_an_onset() -> None:
    assert detect(Own(told([499], [499])), BENCH).onset_samples.tolist() == [499]


def test_a_variant_of_ones_own_may_hold_another() -> None:
    own = Own(told([499], [499]))
    own.variant = FixedThreshold()
    assert len(detect(own, BENCH)) == 1


def test_a_variant_that_builds_no_detector_is_told() -> None:
    class Halfway(Own):
        def build(self, fs: float, *, keep_rejected: bool = False) -> object:
            return object()

    with pytest.raises(ParameterError, match=r"own failed on bench\.wav: AttributeError: .*'fs'"):
        detect(Halfway(list), BENCH)


def test_a_file_that_cannot_be_read_is_no_fault_of_the_detectors(tmp_path: Path) -> None:
    wav = tmp_path / "bench.wav"
    soundfile.write(wav, np.full(500, np.nan), int(FS), subtype="FLOAT")
    with pytest.raises(RecordingError, match="every sample is nan"):
        detect_wav(Own(Detections.empty), wav)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("def f(:", "SyntaxError"),
        ("raise RuntimeError('no board')", "RuntimeError: no board"),
        ("class Thing:\n    def __init__(self, x): pass", "TypeError: .*'x'"),
        ("class Thing:\n    name = 3", "is a Thing; a detector variant has"),
    ],
)
def test_an_error_in_a_module_of_ones_own_is_told_in_its_words(
    text: str, says: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    module = f"own_{abs(hash(text))}"
    (tmp_path / f"{module}.py").write_text(text)
    monkeypatch.syspath_prepend(str(tmp_path))
    with pytest.raises(ParameterError, match=rf"{module}:Thing .*{says}"):
        load_detector(f"{module}:Thing")


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: detect("tap", np.zeros(8)), r"recording is a ndarray; .*tapsig\.Recording\(samples, fs\)"),
        (lambda: detect(FixedThreshold, BENCH), r"give an instance: FixedThreshold\(\)"),
        (lambda: detect(None, BENCH), "the detector is a NoneType; a detector variant has"),
        (lambda: score(3, [BENCH]), "variants is 3; give detectors, such as"),
        (lambda: score(FixedThreshold, [BENCH]), r"give an instance: FixedThreshold\(\)"),
        (lambda: score([FixedThreshold], [BENCH]), r"give an instance: FixedThreshold\(\)"),
        (lambda: score(["tap"], BENCH), r"recordings is a Recording; .*tapsig\.load_corpus"),
        (lambda: score(["tap"], "corpus_demo"), r"recordings is a str; .*tapsig\.load_corpus"),
        (lambda: score(["tap"], [np.zeros(8)]), "recording is a ndarray"),
        (lambda: score({}, [BENCH]), "no detectors"),
        (lambda: score(["tap"], []), "no recordings"),
        (
            lambda: score([FixedThreshold(), FixedThreshold(0.7)], [BENCH]),
            "two detectors have the name .fixed-threshold.; give them as a dict",
        ),
    ],
)
def test_a_slip_in_the_call_is_told_with_its_remedy(call: Callable[[], object], says: str) -> None:
    with pytest.raises(ParameterError, match=says):
        call()


def test_a_detector_is_scored_by_any_name_that_detect_takes() -> None:
    by_name, itself = (score([each], [BENCH]).rows() for each in ("fixed-threshold", FixedThreshold()))
    assert json.dumps(by_name) == json.dumps(itself)
    assert score({"loud": "fixed-threshold"}, [BENCH]).detectors == ("loud",)
