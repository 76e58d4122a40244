"""Tables, csv and json say the same; files are written whole or not at all; nothing is overwritten unasked."""

import csv
import io
import json
import os
import shutil
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from tapsig.cli.output import progress_bar, render_csv, render_json, render_rows, write_atomically
from tapsig.errors import ParameterError

ROWS = [{"position": "frame", "f1": 0.5}, {"position": "inner-skin", "f1": float("nan")}]


def test_undefined_is_a_dash_in_tables_empty_in_csv_and_null_in_json() -> None:
    assert "–" in render_rows(ROWS, "table")
    assert list(csv.DictReader(io.StringIO(render_rows(ROWS, "csv"))))[1]["f1"] == ""
    assert json.loads(render_rows(ROWS, "json"))["rows"][1]["f1"] is None


def test_times_in_seconds_have_three_decimals_however_late() -> None:
    text = render_rows([{"time_s": 19520.1234, "level_db": 12.3456}, {"time_s": 0.5, "level_db": 1.0}], "table")
    assert "19520.123" in text
    assert "    0.500" in text


def test_json_holds_no_infinity() -> None:
    assert json.loads(render_json({"a": float("inf"), "b": [float("-inf")]})) == {"a": None, "b": [None]}


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1+2", "@SUM(A1)", "\t=1"])
def test_cells_that_a_spreadsheet_would_run_are_made_inert(text: str) -> None:
    # OWASP, "CSV Injection" (from memory): cells that begin with = + - @ tab or return are run as formulas.
    cell = next(csv.reader(io.StringIO(render_csv(["name"], [[text]]).split("\n", 1)[1])))[0]
    assert cell == "'" + text


def test_an_existing_file_is_kept_unless_forced(tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    write_atomically(path, "old")
    with pytest.raises(ParameterError, match="--force"):
        write_atomically(path, "new")
    assert path.read_text() == "old"
    write_atomically(path, "new", force=True)
    assert path.read_text() == "new"


def test_a_missing_folder_is_named(tmp_path: Path) -> None:
    with pytest.raises(ParameterError, match="does not exist"):
        write_atomically(tmp_path / "none" / "table.csv", "text")


PRIVILEGES = "-dac_override,-dac_read_search"


@pytest.mark.skipif(shutil.which("setpriv") is None, reason="setpriv is not installed")
@pytest.mark.parametrize(
    "words", [["health", "--out", "x.csv"], ["health", "--plot", "x.png"], ["report", "--out", "x.html"]]
)
def test_a_folder_without_permission_is_named_before_the_work(words: list[str], wav: Path, tmp_path: Path) -> None:
    """Root may write everywhere, unless it gives up these privileges (capabilities(7))."""
    folder = tmp_path / "kept"
    folder.mkdir()
    folder.chmod(0o555)
    call = [sys.executable, "-m", "tapsig", words[0], str(wav), words[1], str(folder / words[2])]
    if os.geteuid() == 0:
        call = ["setpriv", "--bounding-set", PRIVILEGES, "--inh-caps", PRIVILEGES, *call]
    done = subprocess.run(call, capture_output=True, text=True)
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr == f"tapsig: {words[1]}: the folder {folder} cannot be written to; choose another\n"


def test_an_interrupted_write_leaves_the_old_file_and_no_debris(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "table.csv"
    path.write_text("old")

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "replace", stop)
    with pytest.raises(KeyboardInterrupt):
        write_atomically(path, "new", force=True)
    assert [entry.name for entry in tmp_path.iterdir()] == ["table.csv"]
    assert path.read_text() == "old"


class Terminal(io.StringIO):
    """A terminal that keeps what is written to it."""

    def isatty(self) -> bool:
        return True


def test_a_bar_is_shown_during_a_step_that_takes_long(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = Terminal()
    monkeypatch.setattr("sys.stderr", terminal)
    monkeypatch.setattr("tapsig.cli.output.BAR_AFTER_S", 0.0)
    monkeypatch.setattr("tapsig.cli.output.REFRESH_S", 0.01)
    with progress_bar(3, "pages") as advance:
        advance(1)
        seen = len(terminal.getvalue())
        while len(terminal.getvalue()) <= seen:  # without another step
            threading.Event().wait(0.01)
        assert "1/3" in terminal.getvalue()
    own = [thread for thread in threading.enumerate() if thread.name == "tapsig-bar"]
    assert own == []


def test_into_a_file_there_is_no_bar(monkeypatch: pytest.MonkeyPatch) -> None:
    log = io.StringIO()
    monkeypatch.setattr("sys.stderr", log)
    with progress_bar(3, "pages") as advance:
        advance(3)
    assert log.getvalue() == ""
