"""An export is published as one: never a header beside the source of another."""

import csv
import itertools
import os
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from compiling import need_compiler
from tapsig.cli import main
from tapsig.detectors import load_detector, write_detector
from tapsig.detectors.fixed_threshold import FixedThreshold
from tapsig.entry import EntryParameters
from tapsig.errors import ExportError, ParameterError
from tapsig.exporting import write_package
from tapsig.exporting.package import export_detector
from tapsig.quickstart import write_quickstart

NAMES = ("tapsig_numbers.h", "tapsig.c", "replay.c", "parameters.csv")
OLD, NEW = (dict.fromkeys(NAMES, word) for word in ("old", "new"))


def read(folder: Path) -> dict[str, str]:
    return {path.name: path.read_text() for path in folder.iterdir() if path.is_file()}


def before_move(step: int, folder: Path, monkeypatch: pytest.MonkeyPatch, act: Callable[[], None]) -> None:
    """Have `act` called before the move with this number, of those into `folder` and out of it."""
    moves, move = itertools.count(1), os.replace

    def replace(source: Path, target: Path) -> None:
        if (Path(target).parent == folder or Path(target).parent.name == "old") and next(moves) == step:
            act()
        move(source, target)

    monkeypatch.setattr(os, "replace", replace)


@pytest.mark.parametrize("step", range(1, 9))
def test_whatever_moment_it_fails_the_old_export_is_whole(
    step: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_package(OLD, tmp_path)
    (tmp_path / "main.c").write_text("mine")

    def fail() -> None:
        raise KeyboardInterrupt

    before_move(step, tmp_path, monkeypatch, fail)
    with pytest.raises(KeyboardInterrupt):
        write_package(NEW, tmp_path)
    assert read(tmp_path) == {**OLD, "main.c": "mine"}
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([*NAMES, "main.c"])


@pytest.mark.parametrize("step", range(1, 9))
def test_killed_between_there_is_no_header_or_all_is_of_one_export(
    step: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_package(OLD, tmp_path)
    seen: list[dict[str, str]] = []
    before_move(step, tmp_path, monkeypatch, lambda: seen.append(read(tmp_path)))
    write_package(NEW, tmp_path)
    [state] = seen
    assert "tapsig_numbers.h" not in state or state == OLD
    assert read(tmp_path) == NEW


def test_what_is_there_is_kept_without_force_and_a_device_always(tmp_path: Path) -> None:
    write_package(OLD, tmp_path)
    with pytest.raises(ParameterError, match="--force"):
        write_package(NEW, tmp_path, force=False)
    (tmp_path / "replay.c").unlink()
    os.mkfifo(tmp_path / "replay.c")
    with pytest.raises(ParameterError, match="not a regular file"):
        write_package(NEW, tmp_path)
    assert (tmp_path / "tapsig_numbers.h").read_text() == "old"


def test_a_quote_in_the_detectors_path_leaves_the_parameters_a_table(tmp_path: Path) -> None:
    mine = tmp_path / 'my "best", really.json'
    write_detector(load_detector("fixed-threshold"), mine)
    export_detector(str(mine), tmp_path / "out", fs=1000.0, code="3-1-4")
    with open(tmp_path / "out" / "parameters.csv", encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    assert rows[0] == ["name", "value"]
    assert {len(row) for row in rows} == {2}
    assert ["detector", str(mine)] in rows
    assert ["entry.code", "3-1-4"] in rows


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ("", "DETECTOR is missing"),
        ("tap --digit-pause-s 1.4", "--digit-pause-s is of the entry machine: give --code"),
        ("tap --threshold 1.5", "--threshold is of the entry machine: give --code"),
        ("tap --decoder rule", "--decoder is of the entry machine: give --code"),
        ("tap --code 3-1-4 --decoder rule --threshold 1.5", "--threshold needs --decoder evidence"),
        ("tap --code 3-1-4 --decoder evidence --digit-pause-s 1.4", "digit_pause_s is 1.4; the decoder evidence"),
        ("tap --firmware", "--firmware needs --code"),
        ("tap --firmware --code 2-1 --adc-bits 12", "adc_bits is 12"),
        ("tap --firmware --code 2-1 --fs 8000", "fs is 8000 Hz"),
        ("tap --code 2-1 --simulate x.wav", "add --firmware"),
        ("tap --logger", "--logger takes no detector"),
        ("--logger --fs 8000", "fs is 8000 Hz"),  # over what the serial line bears
        ("fixed-threshold --fs 3", "fs is 3.0; it must lie between 4 and 200000"),  # what the clock can count
        ("fixed-threshold --fs 3e5", "fs is 300000.0; it must"),
        ("fixed-threshold --fs nan", "fs is nan; it must"),
        ("tap --decoder evidence", "--decoder is of the entry machine: give --code"),
        ("ring-following --code 2-1 --decoder evidence", "which the detector ring-following does not give"),
        ("tap --code 9-9-9-9-9-9-9-9 --decoder evidence", "at most 36 taps"),
        ("tap --code 2-1-3 --decoder evidence --tolerance 2", "tolerance is 2.0; the decoder evidence"),
    ],
)
def test_what_cannot_be_exported_is_refused_before_anything_is_written(
    words: str, message: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    assert main(["export", "--fs", "2000", "--out", str(out), *words.split()]) == 2
    assert message in capsys.readouterr().err
    assert not out.exists()


def test_the_line_that_compiles_works_in_a_folder_with_blanks(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    need_compiler("cc")
    monkeypatch.chdir(tmp_path)
    assert main(["export", "fixed-threshold", "--fs", "2000", "--out", "my firmware"]) == 0
    (line,) = (line for line in capsys.readouterr().err.splitlines() if "compile: " in line)
    subprocess.run(line.split("compile: ")[1], shell=True, check=True)  # as a reader pastes it
    assert Path("replay").exists()


def test_a_subclass_of_an_exported_detector_is_refused_by_its_name(tmp_path: Path) -> None:
    """Its build may do anything; the C would do what the catalogue's does."""

    class Mine(FixedThreshold):
        __slots__ = ()

    with pytest.raises(ExportError, match=r"Mine cannot be exported; these can, but no subclass of theirs"):
        export_detector(Mine(), tmp_path / "out", fs=2000)


@pytest.mark.parametrize(
    ("recording", "message"),
    [("door.wav --channel 9", "channel is 9"), ("counts.txt", "of export are the controller's: write")],
)
def test_a_recording_that_cannot_be_simulated_is_refused_before_anything_is_written(
    recording: str, message: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Or the same call without the slip would be refused because its files exist."""
    monkeypatch.setattr("tapsig.exporting.simulated.check_tools", lambda: None)
    write_quickstart(tmp_path)
    call = ["export", "fixed-threshold", "--fs", "2000", "--code", "2-1", "--firmware", "--out", str(tmp_path / "out")]
    assert main([*call, "--simulate", *f"{tmp_path}/{recording}".split()]) in (1, 2)
    assert message in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("folder", "arguments", "words"),
    [
        ("old", {}, r"^folder: .*old/tapsig_numbers.h exists already; give force=True to replace it"),
        ("old/tapsig.c", {"force": True}, "tapsig.c is a file; choose another name"),
        ("", {}, "folder is ''; it must be the path"),
        ("new", {"parameters": EntryParameters()}, "parameters is of the entry machine: give code"),
        ("new", {"decoder": "rule"}, "decoder is of the entry machine: give code"),
        ("new", {"threshold": 1.5}, "threshold is of the entry machine: give code"),
    ],
)
def test_python_is_told_in_its_own_words(
    folder: str, arguments: dict[str, object], words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    export_detector("fixed-threshold", "old", fs=2000)
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(ParameterError, match=words):
        export_detector("fixed-threshold", folder, fs=2000, **arguments)
    assert sorted(tmp_path.rglob("*")) == before
