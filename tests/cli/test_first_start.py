"""No command compiles anything on a user's machine: what would do so cannot even be imported here."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tapsig.detectors import CATALOGUE

WITHOUT = """
import json, sys
sys.modules["numba"] = None
from tapsig.cli import main
for words in json.loads(sys.argv[1]):
    code = main(words)
    assert code in (0, 1), (words, code)  # 1: health and the like find fault with the test signal
"""


RECORDINGS = {"door.wav": [], "counts.txt": ["--fs", "2000", "--adc-bits", "10", "--full-scale-v", "5"]}
"""Files of the quickstart's example, and how to read them."""


def run_without_compiler(folder: Path, *commands: list[str]) -> None:
    """Run commands that must end well, in one process that cannot load the compiler."""
    command = [sys.executable, "-c", WITHOUT, json.dumps(commands)]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    assert "tapsig: " not in done.stderr, done.stderr


@pytest.mark.parametrize("name", RECORDINGS)
def test_no_command_on_a_recording_compiles(first: Path, name: str) -> None:
    words = [name, *RECORDINGS[name]]
    labels = ["--labels", "door.labels.csv"]
    run_without_compiler(
        first,
        *([command, *words] for command in ("health", "detect", "entry", "propose")),
        *([command, *words, *labels] for command in ("ringdown", "dead-time", "causes")),
    )


def test_no_command_on_a_corpus_and_no_detector_compiles(first: Path) -> None:
    run_without_compiler(
        first,
        *([command, "."] for command in ("score", "health", "positions")),
        ["corpus", "check", "."],
        ["score", ".", *(f"--detector={name}" for name in CATALOGUE)],
    )
