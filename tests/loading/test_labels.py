"""Label files: read in the forms that people have them, also beside the recording; refused with the line otherwise."""

import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapsig.errors import LabelError, RecordingWarning
from tapsig.loading import ReadOptions, load_labels, load_recording, read_recording, write_labels, write_wav
from tapsig.loading.labels import find_labels_beside, load_proposals, parse_labels, render_labels
from tapsig.records import Label
from tests.fakes import put

BOTH = (Label(0.25, "thump"), Label(1.5, "tap"))

GOOD = {
    "plain": b"onset_s,kind\n1.5,tap\n0.25,thump\n",
    "carriage returns": b"onset_s,kind\r\n1.5,tap\r\n0.25,thump\r\n",
    "byte order mark": b"\xef\xbb\xbfonset_s,kind\n1.5,tap\n0.25,thump\n",
    "UTF-16": "onset_s,kind\n1.5,tap\n0.25,thump\n".encode("utf-16"),
    "semicolons, decimal commas": b"onset_s;kind\n1,5;tap\n0,25;thump\n",
    "other columns and order": b"kind,confidence,onset_s\ntap,0.9,1.5\nthump,0.5,0.25\n",
    "comments, empty lines, blanks": b"# by hand\nonset_s , kind\n\n 1.5 , tap \n# later\n0.25,thump",
    "quotes": b'"onset_s","kind"\n"1.5","tap"\n"0.25","thump"\n',
}

BAD = {
    "no header": (b"soon,tap\n", "line 1: the header is 'soon,tap'"),
    "nothing": (b"\n\n", "no header"),
    "words for a number": (b"onset_s,kind\nsoon,tap\n", "line 2: onset_s is 'soon'"),
    "negative": (b"onset_s,kind\n-1,tap\n", "line 2: onset_s is -1.0"),
    "not a number": (b"onset_s,kind\nnan,tap\n", "line 2: onset_s is nan"),
    "infinite": (b"onset_s,kind\n1e999,tap\n", "line 2: onset_s is inf"),
    "underscores": (b"onset_s,kind\n1_0,tap\n", "line 2: onset_s is '1_0'"),
    "no bytes": (b"", "to say that there are no taps, give one of the header 'onset_s,kind' alone"),
    "a tap in capitals": (b"onset_s,kind\n1.5,Tap\n", "line 2: kind is 'Tap'; a tap's kind is 'tap', in small letters"),
    "no kind": (b"onset_s,kind\n1.5,\n", "line 2: kind is ''"),
    "a cell too few": (b"onset_s,kind\n1.5\n", "line 2: '1.5' has 1 cells"),
    "the same twice": (b"onset_s,kind\n1.5,tap\n2,tap\n1.50,tap\n", "line 4: the same label as in line 2"),
    "open quotes": (b'onset_s,kind\n"1.5,tap\n', "line 2"),
    "not UTF-8": (b"onset_s,kind\n1.5,t\xfcr\n", "not UTF-8"),
    "a kind as long as a book": (b"onset_s,kind\n1.5," + b"x" * 101 + b"\n", "line 2: kind"),
    "of two recordings": (b"recording,onset_s\na.wav,1\nb.wav,2\n", "line 3: its labels are of several recordings"),
    "control characters": (b"onset_s,kind\n1.5,ta\x1bp\n", "line 2: kind"),
    "a word among times": (b"1.5\nx\n", "line 2: onset_s is 'x'"),
    "a decimal comma alone": (b"1,5\n", "decimal comma or two numbers"),
    "a negative time": (b"0.5\n-1\n", "line 2"),
    "the end first": (b"2.0\t1.0\ttap\n", "the end, 1.0, is before the start"),
    "the same time twice": (b"0.5\n0.5\n", "the same label as in line 1"),
    "three cells without a header": (b"0.5,tap,x\n", "without a header"),
    "an unknown header": (b"time\n0.5\n", "or be a time in seconds"),
}


@pytest.mark.parametrize("name", GOOD)
def test_label_file_is_read(tmp_path: Path, name: str) -> None:
    path = put(tmp_path / "labels.csv", GOOD[name])
    assert load_labels(path) == BOTH


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


@pytest.mark.parametrize("name", BAD)
def test_label_file_is_refused_with_line_and_value(tmp_path: Path, name: str) -> None:
    path = put(tmp_path / "labels.csv", BAD[name][0])
    with pytest.raises(LabelError) as caught:
        load_labels(path)
    assert BAD[name][1] in str(caught.value)


def test_missing_label_file_says_so(tmp_path: Path) -> None:
    with pytest.raises(LabelError, match="no such label file"):
        load_labels(tmp_path / "none.csv")


def test_header_alone_means_labelled_and_no_taps(tmp_path: Path) -> None:
    path = tmp_path / "labels.csv"
    write_labels(path, [])
    assert load_labels(path) == ()


def test_confidences_stand_beside_their_labels_whatever_the_encoding(tmp_path: Path) -> None:
    path = tmp_path / "proposed.csv"
    path.write_text("kind;onset_s;confidence\ntap;2,5;0,75\nrain;1,0;\ntap;3,0\n", encoding="utf-16")
    assert load_proposals(path) == {Label(1.0, "rain"): None, Label(2.5): 0.75, Label(3.0): None}
    path.write_text("onset_s,confidence\n1.0,1.5\n")
    assert load_labels(path) == (Label(1.0),)  # which does not ask for it
    with pytest.raises(LabelError, match=r"line 2: confidence is '1.5'; it must be a number from 0 to 1"):
        load_proposals(path)


onsets = st.floats(min_value=0, max_value=1e6, allow_nan=False)
kinds = st.text(st.characters(exclude_categories=("C", "Z")), min_size=1, max_size=20)


@given(st.sets(st.builds(Label, onsets, kinds), max_size=20))
def test_what_is_written_is_what_is_read(labels: set[Label]) -> None:
    assert parse_labels(render_labels(labels)) == tuple(sorted(labels))


def test_write_replaces_whole_files_only(tmp_path: Path) -> None:
    path = tmp_path / "labels.csv"
    write_labels(path, BOTH)
    with pytest.raises(LabelError, match="printable"):
        write_labels(path, [Label(1.0, "a\nb")])
    assert load_labels(path) == BOTH
    assert [file.name for file in tmp_path.iterdir()] == ["labels.csv"]


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_interrupted_write_loses_nothing_that_stood_there(
    tmp_path: Path, step: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    path = tmp_path / "labels.csv"
    write_labels(path, BOTH)
    monkeypatch.setattr(os, step, interrupt)
    with pytest.raises(KeyboardInterrupt):
        write_labels(path, BOTH[:1])
    assert load_labels(path) == BOTH
    assert [file.name for file in tmp_path.iterdir()] == ["labels.csv"]


def test_labels_of_another_recording_are_refused(tmp_path: Path) -> None:
    log, labels = tmp_path / "log.csv", tmp_path / "labels.csv"
    log.write_text("volts\n" + "0.5\n" * 1000)
    write_labels(labels, [Label(0.5), Label(1.5)])
    with pytest.raises(LabelError, match=r"1\.5 s lies after the end.*another recording"):
        load_recording(log, fs=1000.0, labels=labels)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_or_a_device_is_no_label_file(tmp_path: Path) -> None:
    """To open either would wait, or read, for ever."""
    os.mkfifo(tmp_path / "pipe.csv")
    (tmp_path / "zero.csv").symlink_to("/dev/zero")
    for name in ("pipe.csv", "zero.csv"):
        with pytest.raises(LabelError, match="is not a regular file"):
            load_labels(tmp_path / name)


@pytest.fixture
def wav(tmp_path: Path) -> Path:
    write_wav(tmp_path / "quay.wav", np.zeros(4000), 1000.0, full_scale_v=1.0)
    return tmp_path / "quay.wav"


def test_wave_file_without_cue_points_is_not_labelled(wav: Path) -> None:
    with pytest.raises(LabelError, match="no cue points"):
        load_labels(wav)


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


def test_labels_in_a_gap_are_a_finding(tmp_path: Path) -> None:
    """Stamps from 0 to 1 s and from 3 to 4 s, at 1 kHz: what happened at 1.5 and 2.999 s is not in the log."""
    stamps = [*range(1000), *range(3000, 4000)]
    log = put(tmp_path / "log.csv", b"ms,adc\n" + b"".join(b"%d,%d\n" % (t, 500 + t % 7) for t in stamps))
    for onsets, count in (("0\n0.9995\n3\n3.9", 0), ("0.5\n1.5\n2.999\n3.5", 2)):
        labels = put(tmp_path / "labels.csv", f"onset_s\n{onsets}\n".encode())
        report = read_recording(log, ReadOptions(adc_bits=10, full_scale_v=5.0, labels=labels))[1]
        finding = report.find("labels-in-gap")
        assert (finding.count if finding else 0) == count
    assert "the label at 1.5 s lies in a gap" in finding.message
