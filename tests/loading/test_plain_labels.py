"""Labels as people have them: plain times, start/end/name text, and a label file beside the recording."""

from pathlib import Path

import numpy as np
import pytest

from tapsig.errors import LabelError, RecordingWarning
from tapsig.loading import ReadOptions, load_labels, load_recording, read_recording, write_wav
from tapsig.loading.labels import find_labels_beside, parse_labels
from tapsig.records import Label


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("1.5\n0.25\n", [(0.25, "tap"), (1.5, "tap")]),
        ("# by hand\n\n 2 \n1e0\n", [(1.0, "tap"), (2.0, "tap")]),
        ("1.5,rain\n0.25,tap\n", [(0.25, "tap"), (1.5, "rain")]),
        ("1.5;rain\n", [(1.5, "rain")]),
        # Label tracks of audio editors: start, end and name between tabs, six decimals (from memory).
        ("0.500000\t0.500000\ttap\n1.250000\t3.000000\train\n", [(0.5, "tap"), (1.25, "rain")]),
        ("0.500000\t0.500000\t\n", [(0.5, "tap")]),
        ("0.5\t0.5\n", [(0.5, "tap")]),
        ("0,500000\t0,750000\tslam\r\n", [(0.5, "slam")]),
        ("0.5\t0.5\ttap\n\\\t100.0\t400.0\n0.7\t0.7\ttap\n", [(0.5, "tap"), (0.7, "tap")]),
        ("0.5\ttap\n", [(0.5, "tap")]),
    ],
)
def test_labels_without_a_header(text: str, expected: list[tuple[float, str]]) -> None:
    assert parse_labels(text) == tuple(Label(*one) for one in expected)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("1.5\nx\n", "line 2: onset_s is 'x'"),
        ("1,5\n", "decimal comma or two numbers"),
        ("0.5\n-1\n", "line 2"),
        ("2.0\t1.0\ttap\n", "the end, 1.0, is before the start"),
        ("0.5\n0.5\n", "the same label as in line 1"),
        ("0.5,tap,x\n", "without a header"),
        ("time\n0.5\n", "or be a time in seconds"),
    ],
)
def test_what_is_no_label_is_refused_with_its_line(text: str, message: str) -> None:
    with pytest.raises(LabelError, match=message):
        parse_labels(text)


@pytest.fixture
def wav(tmp_path: Path) -> Path:
    write_wav(tmp_path / "quay.wav", np.zeros(4000), 1000.0, full_scale_v=1.0)
    return tmp_path / "quay.wav"


@pytest.mark.parametrize(
    ("name", "text"),
    [("quay.labels.csv", "1.5\n"), ("quay.labels.txt", "1.5\t1.5\ttap\n"), ("quay.csv", "onset_s,kind\n1.5,tap\n")],
)
def test_a_label_file_beside_the_recording_is_taken_and_said(wav: Path, name: str, text: str) -> None:
    (wav.parent / name).write_text(text)
    with pytest.warns(RecordingWarning, match=f"1 labels taken from .*{name}"):
        assert load_recording(wav).labels == (Label(1.5),)
    assert load_recording(wav, labels=False).labels is None


def test_a_log_beside_the_recording_is_no_label_file(wav: Path) -> None:
    wav.with_suffix(".csv").write_text("time_s,volts\n0.1,0.2\n")
    assert find_labels_beside(wav) is None
    assert load_recording(wav).labels is None


@pytest.mark.parametrize("text", ["onset_s\nx\n", "9.5\n"])  # no number; after the end
def test_a_label_file_beside_that_cannot_be_used_is_said_and_left(wav: Path, text: str) -> None:
    wav.with_suffix(".labels.csv").write_text(text)
    recording, report = read_recording(wav)
    assert recording.labels is None
    assert report.codes() == ("labels-unusable",)
    with pytest.raises(LabelError):
        read_recording(wav, ReadOptions(labels=wav.with_suffix(".labels.csv")))


def test_a_log_has_its_labels_beside_it(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text("# fs_hz=1000\nvolts\n" + "0.0\n" * 4000)
    (tmp_path / "log.labels.csv").write_text("onset_s\n1.5\n")
    assert read_recording(tmp_path / "log.csv", ReadOptions(fs=1000.0))[0].labels == (Label(1.5),)
    assert load_labels(tmp_path / "log.labels.csv") == (Label(1.5),)
