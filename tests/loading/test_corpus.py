"""Manifests: read with columns of one's own, refused with the line, and never a way out of the folder."""

import copy
from pathlib import Path

import numpy as np
import pytest

from tapsig.errors import RecordingError
from tapsig.loading import load_corpus, write_labels, write_wav
from tapsig.records import Label

HEADER = "recording,channel,labels,vehicle,position,scene,split,fs_hz,full_scale_v,adc_bits,duration_s,seed,mount\n"
ROW = "recordings/a.wav,{channel},labels/a.csv,heron,{position},quiet,train,8000,2.5,10,0.1,7,bolted\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    root = tmp_path / "corpus"
    (root / "recordings").mkdir(parents=True)
    (root / "labels").mkdir()
    volts = np.stack([np.linspace(-1, 1, 800), np.linspace(1, -1, 800)])
    write_wav(root / "recordings/a.wav", volts, 8000, full_scale_v=2.5)
    write_labels(root / "labels/a.csv", [Label(0.05)])
    (root / "recordings/b.csv").write_text("# adc_bits=10\nvolts\n" + "0.5\n" * 500)
    (root / "corpus.csv").write_text(
        HEADER
        + ROW.format(channel=0, position="frame")
        + ROW.format(channel=1, position="inner-skin")
        + "recordings/b.csv,,,otter,frame,rain,test,1000,,,,,\n"
    )
    (tmp_path / "outside.wav").write_bytes((root / "recordings/a.wav").read_bytes())
    return root


def test_one_row_a_channel_gives_one_recording_a_position(folder: Path) -> None:
    corpus = load_corpus(folder)
    first, second, third = corpus
    assert (first.position, second.position, third.position) == ("frame", "inner-skin", "frame")
    np.testing.assert_allclose(second.samples, -first.samples, atol=1e-4)
    assert first.labels == second.labels == (Label(0.05),)
    assert third.labels is None
    assert (first.vehicle, first.scene, first.split, first.adc_bits) == ("heron", "quiet", "train", 10)
    assert third.fs == 1000.0
    assert corpus.entries[0].extra == {"mount": "bolted"}
    assert corpus.entries[2].line == 4


def test_select_takes_words_and_collections_of_words(folder: Path) -> None:
    corpus = load_corpus(folder / "corpus.csv")
    assert len(corpus.select(position="frame")) == 2
    assert [entry.channel for entry in corpus.select(position="frame", split="train").entries] == [0]
    assert len(corpus.select(scene=("quiet", "rain"), vehicle=["otter"])) == 1
    assert len(corpus.select(split="validation")) == 0


def test_entries_can_be_sent_to_another_process(folder: Path) -> None:
    entry = load_corpus(folder).entries[0]
    assert copy.deepcopy(entry) == entry


BAD_CELLS = {
    "../outside.wav": "leaves the corpus folder",
    "recordings/../../outside.wav": "leaves the corpus folder",
    "..\\outside.wav": "leaves the corpus folder",
    "C:\\outside.wav": "leaves the corpus folder",
    "/etc/passwd": "leaves the corpus folder",
    "link.wav": "leaves the corpus folder",
    "none.wav": "is not there",
    "recordings": "is not there",
    "": "must name a file",
    "x" * 2000: "must name a file",
    "x" * 300: "is not there|cannot be opened",
    "loop": "cannot be opened|is not there",
}


@pytest.mark.parametrize("column", ["recording", "labels"])
@pytest.mark.parametrize("cell", BAD_CELLS)
def test_path_that_leaves_the_folder_or_leads_nowhere_is_refused_with_its_line(
    folder: Path, cell: str, column: str
) -> None:
    (folder / "link.wav").symlink_to(folder.parent / "outside.wav")
    (folder / "loop").symlink_to(folder / "loop")
    if column == "labels" and not cell:
        pytest.skip("no label file means not labelled")
    recording, labels = (cell, "") if column == "recording" else ("recordings/a.wav", cell)
    (folder / "corpus.csv").write_text(f"vehicle,recording,labels\nlynx,recordings/b.csv,\nlynx,{recording},{labels}\n")
    with pytest.raises(RecordingError, match=f"line 3: {column}.*({BAD_CELLS[cell]})"):
        load_corpus(folder)


def test_path_outside_is_read_when_it_is_allowed(folder: Path) -> None:
    outside = folder.parent / "outside.wav"
    for cell in ("../outside.wav", outside):
        (folder / "corpus.csv").write_text(f"recording\n{cell}\n")
        assert [recording.samples.size for recording in load_corpus(folder, allow_outside=True)] == [800]


@pytest.mark.parametrize(
    "again", ["./recordings/a.wav", "recordings//a.wav", "recordings/./a.wav", "recordings/link.wav"]
)
def test_one_file_under_two_spellings_is_one_recording(folder: Path, again: str) -> None:
    (folder / "recordings/link.wav").symlink_to(folder / "recordings/a.wav")
    (folder / "corpus.csv").write_text(f"recording\nrecordings/a.wav\n{again}\n")
    with pytest.raises(RecordingError, match=r"line 3: channel 0 of .* is already in line 2"):
        load_corpus(folder)


BAD_MANIFESTS = {
    "empty": ("\n", "no header"),
    "no recording column": ("file,split\na,train\n", "no column 'recording'"),
    "a column twice": ("recording,split,split\n", "'split' occurs twice"),
    "a cell too few": ("recording,split\nrecordings/a.wav\n", "line 2: 1 cells, the header has 2"),
    "channel": ("recording,channel\nrecordings/a.wav,-1\n", "line 2: channel is '-1'"),
    "half a channel": ("recording,channel\nrecordings/a.wav,0.5\n", "line 2: channel is '0.5'"),
    "rate": ("recording,fs_hz\nrecordings/a.wav,nan\n", "line 2: fs_hz is 'nan'"),
    "bits": ("recording,adc_bits\nrecordings/a.wav,ten\n", "line 2: adc_bits is 'ten'"),
    "split": ("recording,split\nrecordings/a.wav,Test\n", "line 2: split is 'Test'"),
    "a row twice": ("recording,channel\nrecordings/a.wav,\nrecordings/a.wav,0\n", "line 3: channel 0"),
    "open quotes": ('recording,split\n"recordings/a.wav,train\n', "not CSV"),
}


@pytest.mark.parametrize("name", BAD_MANIFESTS)
def test_manifest_is_refused_with_line_and_value(folder: Path, name: str) -> None:
    (folder / "corpus.csv").write_text(BAD_MANIFESTS[name][0])
    with pytest.raises(RecordingError) as caught:
        load_corpus(folder)
    assert BAD_MANIFESTS[name][1] in str(caught.value)


def test_folder_without_manifest_tells_how_to_make_one(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="tapsig corpus init"):
        load_corpus(tmp_path)
    with pytest.raises(RecordingError, match="not a folder"):
        load_corpus(tmp_path / "none")


def test_strict_corpus_refuses_recordings_with_findings(folder: Path) -> None:
    with (folder / "recordings/b.csv").open("a") as file:
        file.write("0.")
    assert len([recording for recording in load_corpus(folder) if recording.samples.size == 500]) == 1
    with pytest.raises(RecordingError, match="cut-end"):
        list(load_corpus(folder, strict=True))
