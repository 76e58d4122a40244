"""An export is published as one: never a header beside the source of another."""

import csv
import itertools
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from tapsig.detectors import load_detector, write_detector
from tapsig.errors import ParameterError
from tapsig.exporting import write_package
from tapsig.exporting.package import export_detector

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
