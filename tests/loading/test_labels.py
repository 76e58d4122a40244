"""Label files: read in the forms that tables are saved in, refused with the line otherwise."""

import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapsig.errors import LabelError
from tapsig.loading import load_labels, load_recording, write_labels, write_wav
from tapsig.loading.labels import load_proposals, parse_labels, render_labels
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
    "no kind": (b"onset_s,kind\n1.5,\n", "line 2: kind is ''"),
    "a cell too few": (b"onset_s,kind\n1.5\n", "line 2: '1.5' has 1 cells"),
    "the same twice": (b"onset_s,kind\n1.5,tap\n2,tap\n1.50,tap\n", "line 4: the same label as in line 2"),
    "open quotes": (b'onset_s,kind\n"1.5,tap\n', "line 2"),
    "not UTF-8": (b"onset_s,kind\n1.5,t\xfcr\n", "not UTF-8"),
    "a kind as long as a book": (b"onset_s,kind\n1.5," + b"x" * 101 + b"\n", "line 2: kind"),
    "of two recordings": (b"recording,onset_s\na.wav,1\nb.wav,2\n", "line 3: its labels are of several recordings"),
    "control characters": (b"onset_s,kind\n1.5,ta\x1bp\n", "line 2: kind"),
}


@pytest.mark.parametrize("name", GOOD)
def test_label_file_is_read(tmp_path: Path, name: str) -> None:
    path = put(tmp_path / "labels.csv", GOOD[name])
    assert load_labels(path) == BOTH


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


def test_wave_file_without_cue_points_is_not_labelled(tmp_path: Path) -> None:
    path = tmp_path / "bare.wav"
    write_wav(path, np.zeros(100), 1000.0, full_scale_v=1.0)
    with pytest.raises(LabelError, match="no cue points"):
        load_labels(path)


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
