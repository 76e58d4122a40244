"""Figures on recordings that a detector was fitted to are marked as such, at the terminal and on every page."""

from pathlib import Path

import pytest

from tapsig.cli import main

DEMO = Path(__file__).parents[2] / "corpus_demo"
CHOICE = ["--vehicle", "heron", "--vehicle", "crane", "--scene", "quiet", "--position", "frame",
          "--position", "outer-skin"]  # fmt: skip
OF_TRAIN = "tap was fitted to recordings of heron, which are among these"


@pytest.mark.parametrize("command", [["score"], ["positions"], ["variants", "--detector", "fixed-threshold"]])
def test_pages_open_with_what_flatters(command: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page = tmp_path / "page.html"
    assert main([*command, str(DEMO), "--detector", "tap", *CHOICE, "--out", str(page)]) == 0
    assert OF_TRAIN in capsys.readouterr().err
    assert OF_TRAIN in page.read_text(encoding="utf-8")


def test_recordings_of_other_vehicles_flatter_nobody(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page = tmp_path / "page.html"
    words = ["--detector", "tap", "--split", "test", "--scene", "quiet", "--out", str(page)]
    assert main(["score", str(DEMO), *words]) == 0
    assert "fitted" not in capsys.readouterr().err
    assert "was fitted to" not in page.read_text(encoding="utf-8")
