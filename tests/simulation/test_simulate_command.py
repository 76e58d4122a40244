"""`tapsig simulate` from the outside."""

import csv
import json
from pathlib import Path

import pytest
import soundfile

from tapsig.cli import main
from tapsig.loading import load_corpus


def test_hours_of_one_scene_become_a_corpus_of_blocks(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "drive"
    words = "--scene driving --position inner-skin --hours 0.002 --block 3 --seed 7 --vehicle heron --format json"
    call = ["simulate", *words.split(), "--out", str(folder)]
    assert main(call) == 0
    captured = capsys.readouterr()
    row = json.loads(captured.out)["rows"][0]
    assert row["recordings"] == 3
    assert row["taps"] == 0
    assert "simulated" in captured.err
    with open(folder / "corpus.csv", encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [round(soundfile.info(folder / each["recording"]).duration, 2) for each in rows] == [3.0, 3.0, 1.2]
    assert {each["position"] for each in rows} == {"inner-skin"}
    assert main(call) == 2  # it is there already
    assert main([*call, "--force"]) == 0


def test_a_shower_loads_although_drops_fall_within_a_tenth_of_a_millisecond(tmp_path: Path) -> None:
    folder = tmp_path / "rain"
    assert main(["simulate", "--scene", "rain", "--position", "frame", "--hours", "0.01", "--out", str(folder)]) == 0
    assert all(recording.labels for recording in load_corpus(folder))


def test_taps_and_truth_come_when_asked_for(tmp_path: Path) -> None:
    folder = tmp_path / "taps"
    words = "--scene quiet --taps practice --hours 0.001 --truth --vehicle lynx --position frame --position outer-skin"
    assert main(["simulate", *words.split(), "--out", str(folder)]) == 0
    assert "tap" in (folder / "labels/quiet-0-0000.csv").read_text(encoding="utf-8")
    assert {path.name for path in (folder / "truth").iterdir()} == {
        "quiet-0-0000-contacts.csv",
        "quiet-0-0000-modes.csv",
        "quiet-0-0000-taps.csv",
    }
    assert soundfile.info(folder / "recordings/quiet-0-0000.wav").channels == 2


@pytest.mark.parametrize(
    ("words", "named"),
    [
        ("--scene moon", "moon"),
        ("--scene rain --position roof", "roof"),
        ("--scene rain --vehicle swan", "swan"),
        ("--scene rain --hours 0", "hours"),
        ("--scene rain --block 0", "block"),
        ("--scene rain --fs 1", "fs"),
    ],
)
def test_calls_at_fault_are_named(words: str, named: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["simulate", *words.split(), "--out", str(tmp_path / "x")]) == 2
    assert named in capsys.readouterr().err


def test_a_file_is_no_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "x").write_text("")
    assert main(["simulate", "--scene", "rain", "--out", str(tmp_path / "x")]) == 2
    assert "folder" in capsys.readouterr().err
