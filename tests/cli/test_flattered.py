"""Figures on recordings that a detector was fitted to are marked as such, at the terminal and on every page."""

from pathlib import Path

import pytest

from tapsig.cli import main
from tapsig.detectors import write_detector
from tapsig.detectors.model import Model
from tapsig.detectors.tap import Tap
from tests.fakes import DEMO

CHOICE = ["--vehicle=heron", "--vehicle=crane", "--scene=quiet", "--position=frame", "--position=outer-skin"]
OF_TRAIN = " was fitted to recordings of heron, which are among these"


@pytest.fixture
def fitted(tmp_path: Path) -> str:
    """A saved detector that says it was fitted to the heron."""
    model = Model(0, (["innovation_rise", 90, 0, -60, 60],), fitted_to=("heron",))
    write_detector(Tap(model=model), tmp_path / "mine.json")
    return str(tmp_path / "mine.json")


@pytest.mark.parametrize("command", [["score"], ["positions"], ["variants", "--detector", "fixed-threshold"]])
def test_pages_open_with_what_flatters(
    command: list[str], fitted: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page = tmp_path / "page.html"
    assert main([*command, str(DEMO), "--detector", fitted, *CHOICE, "--out", str(page)]) == 0
    assert OF_TRAIN in capsys.readouterr().err
    assert OF_TRAIN in page.read_text(encoding="utf-8")


@pytest.mark.parametrize("command", [["risk"], ["risk", "--table", "decoders"], ["standby", "--level-v", "0.1"]])
def test_tables_come_with_a_note_of_what_flatters(
    command: list[str], fitted: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([*command, str(DEMO), "--detector", fitted, *CHOICE]) == 0
    assert OF_TRAIN in capsys.readouterr().err


def test_recordings_of_other_vehicles_flatter_nobody(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page = tmp_path / "page.html"
    words = ["--detector", "tap", "--split", "test", "--scene", "quiet", "--out", str(page)]
    assert main(["score", str(DEMO), *words]) == 0
    assert "fitted" not in capsys.readouterr().err
    assert "was fitted to" not in page.read_text(encoding="utf-8")
