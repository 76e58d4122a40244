"""The front door: the package and its command line start light, and every listed command exists."""

import ast
import doctest
import importlib
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import tapsig
from tapsig.cli import COMMANDS, main

HEAVY = ("librosa", "sklearn", "matplotlib", "numba", "scipy", "pyarrow", "pandas", "jinja2", "joblib")


def modules_after(statement: str) -> set[str]:
    """Top-level modules that a fresh interpreter has loaded after `statement`."""
    code = f"{statement}\nimport sys\nprint(' '.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return {name.split(".")[0] for name in done.stdout.split()}


def test_importing_the_package_loads_nothing_heavy() -> None:
    assert not modules_after("import tapsig") & {*HEAVY, "numpy"}


def test_asking_for_help_loads_nothing_heavy() -> None:
    statement = "import contextlib, io, tapsig.cli\nwith contextlib.redirect_stdout(io.StringIO()):\n"
    statement += " try: tapsig.cli.main(['--help'])\n except SystemExit: pass"
    assert not modules_after(statement) & {*HEAVY, "numpy"}


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_has_help_and_starts_light(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        main([name, "--help"])
    assert stop.value.code == 0
    assert f"tapsig {name}" in capsys.readouterr().out


@pytest.mark.parametrize("name", sorted(set(tapsig.__all__) - {"__version__"}))
def test_every_public_name_is_a_documented_class_or_function(name: str) -> None:
    """Not a module, as those that share the name of a package would be."""
    assert callable(getattr(tapsig, name))
    assert getattr(tapsig, name).__doc__
    assert name in dir(tapsig)


def test_type_checkers_are_told_of_the_same_names_as_python() -> None:
    tree = ast.parse(Path(tapsig.__file__).read_text(encoding="utf-8"))
    block = next(node for node in tree.body if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING")
    told = {
        alias.asname or alias.name: f"{line.module}:{alias.name}" if alias.asname else line.module
        for line in block.body
        for alias in line.names
    }
    assert told == tapsig._HOME
    assert sorted(tapsig.__all__) == sorted(["__version__", *tapsig._HOME])


def test_an_unknown_command_is_the_callers_fault(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        main(["listen"])
    assert stop.value.code == 2
    assert "there is no command 'listen'" in capsys.readouterr().err


def test_an_unknown_name_of_the_package_says_so() -> None:
    with pytest.raises(AttributeError, match="has no attribute 'listen'"):
        importlib.import_module("tapsig").listen  # noqa: B018


def test_functions_that_share_a_rooms_name_stay_functions() -> None:
    code = "import tapsig.scoring.matching, tapsig.detectors.base, tapsig\n"
    code += "assert callable(tapsig.score) and callable(tapsig.detect)\n"
    code += "assert tapsig.detectors.__name__ == 'tapsig.detectors'"
    subprocess.run([sys.executable, "-c", code], check=True)


def test_every_example_in_a_public_docstring_uses_public_names() -> None:
    """As a reader of `tapsig reference` would type it: numpy, tapsig and what it exports, nothing from a module."""
    public = {name: getattr(tapsig, name) for name in tapsig.__all__}
    runner = doctest.DocTestRunner(verbose=False)
    for name, thing in public.items():
        for example in doctest.DocTestFinder().find(thing, name, globs={"np": np, "tapsig": tapsig, **public}):
            runner.run(example)
    assert runner.summarize(verbose=False).failed == 0
    assert runner.tries > 10
