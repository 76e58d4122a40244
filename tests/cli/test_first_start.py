"""No command compiles anything on a user's machine: what would do so cannot even be imported here."""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from tapsig.cli import main
from tapsig.detectors import CATALOGUE
from tapsig.loading import write_wav
from tapsig.testing import make_test_signal

FS = 8000.0
WITHOUT = """
import json, sys
sys.modules["numba"] = None
from tapsig.cli import main
for words in json.loads(sys.argv[1]):
    code = main(words)
    assert code in (0, 1), (words, code)  # 1: health and the like find fault with the test signal
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A WAV file, the same as a log, labels, and a corpus of both."""
    made = tmp_path_factory.mktemp("first")
    samples = np.clip(0.4 * make_test_signal(FS), -0.99, 0.99)
    write_wav(made / "bench.wav", samples, FS, full_scale_v=1.0)
    lines = [f"{i / FS:.6f},{value:.6f}" for i, value in enumerate(samples)]
    (made / "bench.csv").write_text("time_s,v\n" + "\n".join(lines) + "\n", encoding="utf-8")
    (made / "labels.csv").write_text("onset_s,kind\n0.5,tap\n1.0,tap\n", encoding="utf-8")
    assert main(["corpus", "init", str(made / "corpus")]) == 0
    for name, position in (("bench.wav", "frame"), ("bench.csv", "skin")):
        add = ["corpus", "add", str(made / "corpus"), str(made / name), "--labels", str(made / "labels.csv")]
        assert main([*add, "--vehicle", "heron", "--position", position, "--scene", "quiet"]) == 0
    return made


def run_without_compiler(folder: Path, *commands: list[str]) -> None:
    """Run commands that must end well, in one process that cannot load the compiler."""
    command = [sys.executable, "-c", WITHOUT, json.dumps(commands)]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    assert "tapsig: " not in done.stderr, done.stderr


@pytest.mark.parametrize("name", ["bench.wav", "bench.csv"])
def test_no_command_on_a_recording_compiles(folder: Path, name: str) -> None:
    labels = ["--labels", "labels.csv"]
    run_without_compiler(
        folder,
        *([command, name] for command in ("health", "detect", "entry", "propose")),
        *([command, name, *labels] for command in ("ringdown", "dead-time")),
        ["causes", name, *labels, "--detector", "tap"],
    )


def test_no_command_on_a_corpus_and_no_detector_compiles(folder: Path) -> None:
    run_without_compiler(
        folder,
        *([command, "corpus"] for command in ("score", "health", "positions")),
        ["corpus", "check", "corpus"],
        ["score", "corpus", *(f"--detector={name}" for name in CATALOGUE)],
    )
