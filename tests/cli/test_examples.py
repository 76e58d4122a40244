"""The first hour: the quickstart's scripts and notebooks run, and every example in a command's help runs as written."""

import contextlib
import io
import json
import os
import re
import shlex
import shutil
import subprocess
import sys
import types
from pathlib import Path

import numpy as np
import pytest

import tapsig
from tapsig.cli import COMMANDS, main
from tapsig.loading import load_corpus, load_labels, load_recording
from tapsig.quickstart import USERS
from tapsig.quickstart.example import POSITIONS, SCENES, simulate_example
from tests.fakes import DEMO

EXAMPLE = re.compile(r"^  (tapsig .+)$", re.MULTILINE)
NEEDS = {"--simulate": "avr-gcc"}
"""Examples that run a tool which a bench machine may lack."""


def read_help(name: str) -> str:
    with contextlib.redirect_stdout(io.StringIO()) as shown, contextlib.suppress(SystemExit):
        main([name, "--help"])
    return shown.getvalue()


@pytest.mark.parametrize("name", COMMANDS)
@pytest.mark.filterwarnings("ignore::tapsig.RecordingWarning")
def test_every_example_in_the_help_runs_as_written(
    name: str, first: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    examples = EXAMPLE.findall(read_help(name))
    assert examples
    if name != "quickstart":
        shutil.copytree(first, tmp_path / "first")
    (tmp_path / "corpus_demo").symlink_to(DEMO)
    monkeypatch.chdir(tmp_path)
    for example in examples:
        missing = [tool for option, tool in NEEDS.items() if option in example and not shutil.which(tool)]
        if missing and "CI" not in os.environ:
            continue
        words, _, source = example.partition(" < ")
        with open(source or os.devnull, "rb") as stream, monkeypatch.context() as piped:
            piped.setattr("sys.stdin", types.SimpleNamespace(buffer=stream))
            try:
                code = main(shlex.split(words)[1:])
            except SystemExit as stop:  # --list prints and stops
                code = int(stop.code or 0)
        shown = capsys.readouterr()
        assert code == 0, f"{example}\n{shown.err}"
        assert shown.out or shown.err, example


@pytest.mark.parametrize("action", ["init", "add", "check"])
def test_each_action_of_corpus_shows_its_own_example(action: str, capsys: pytest.CaptureFixture[str]) -> None:
    with contextlib.suppress(SystemExit):
        main(["corpus", action, "--help"])
    shown = capsys.readouterr().out
    assert len(EXAMPLE.findall(shown)) == 1
    assert EXAMPLE.findall(shown)[0] in EXAMPLE.findall(read_help("corpus"))  # which run as written


@pytest.mark.parametrize("user", USERS)
def test_the_script_of_each_user_runs(user: str, first: Path, tmp_path: Path) -> None:
    shutil.copytree(first, tmp_path / "first")
    environment = {**os.environ, "PYTHONPATH": str(DEMO.parent), "PYTHONWARNINGS": "error::UserWarning"}
    done = subprocess.run(
        [sys.executable, f"{user}.py"], cwd=tmp_path / "first", env=environment, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    assert len(done.stdout.splitlines()) >= 5


@pytest.mark.parametrize("user", USERS)
def test_the_notebook_of_each_user_runs(
    user: str, first: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(first, tmp_path / "first")
    monkeypatch.chdir(tmp_path / "first")
    notebook = json.loads(Path(f"{user}.ipynb").read_text(encoding="utf-8"))
    assert (notebook["nbformat"], notebook["nbformat_minor"]) == (4, 5)
    names: dict[str, object] = {}
    for cell in notebook["cells"]:
        # Keys that nbformat 4.5 asks for (nbformat's JSON schema, v4.5).
        assert {"id", "cell_type", "metadata", "source"} <= set(cell)
        if cell["cell_type"] == "code":
            assert {"execution_count", "outputs"} <= set(cell)
            exec(compile("".join(cell["source"]), cell["id"], "exec"), names)
    assert capsys.readouterr().out


def test_the_quickstart_says_that_it_is_simulated_and_is_a_corpus(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["quickstart", str(tmp_path / "first")]) == 0
    assert "simulated" in capsys.readouterr().err
    assert len(load_corpus(tmp_path / "first")) == 4
    assert sum(path.stat().st_size for path in (tmp_path / "first").iterdir()) < 1_000_000
    assert main(["quickstart", str(tmp_path / "first")]) == 2
    assert "--force" in capsys.readouterr().err


def test_the_program_in_the_readme_runs(
    first: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    readme = (DEMO.parent / "README.md").read_text(encoding="utf-8")
    programs = re.findall(r"```python\n(.*?)```", readme[readme.index("# For developers") :], re.DOTALL)
    shutil.copytree(first, tmp_path / "first")
    monkeypatch.chdir(tmp_path)
    with pytest.warns(tapsig.RecordingWarning, match="labels taken from"):
        exec(compile("\n".join(programs), "README.md", "exec"), {})
    shown = capsys.readouterr().out
    for digits in ("(3, 1, 4)", "(2, 1, 3)"):  # the two codes of the README.txt; with its three practice taps, 17
        assert digits in shown
    assert shown.count("tap at ") == 3 + 8 + 6


@pytest.mark.slow
@pytest.mark.parametrize("name", SCENES)
def test_the_shipped_example_is_what_the_simulation_makes(name: str, first: Path) -> None:
    for channel, recording in enumerate(simulate_example(name)):
        shipped = load_recording(first / f"{name}.wav", channel=channel, full_scale_v=2.5, labels=False)
        # Within a count of 10 bits over 5 V: the last bits of a simulation differ between processors.
        np.testing.assert_allclose(shipped.samples, recording.samples, atol=1.01 * 5 / 1024)
        labelled = load_labels(first / f"{name}.labels.csv")
        assert recording.position == POSITIONS[channel]
        assert len(labelled) == len({(round(one.onset_s, 4), one.kind) for one in recording.labels or ()})
