"""Random counts and numbers through the core under sanitizers, in pieces of random lengths."""

import subprocess
from pathlib import Path

import pytest

from compiling import SANITIZE, need_compiler
from tapsig.core import sources

FUZZ = Path(__file__).parent / "fuzz.c"


@pytest.mark.parametrize("compiler", ["gcc", "clang"])
def test_random_splits_equal_single_counts_and_nothing_overflows(compiler: str, tmp_path: Path) -> None:
    core = [str(path) for path in sources() if path.suffix == ".c"]
    command = [need_compiler(compiler), "-std=c99", "-O1", "-g", *SANITIZE, "-DMAIN", str(FUZZ), *core]
    subprocess.run([*command, "-o", str(tmp_path / "fuzz")], check=True)
    done = subprocess.run([str(tmp_path / "fuzz"), "400"], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    reached = [int(word) for word in done.stdout.split() if word.isdigit()]
    assert reached[0] == 400
    assert min(reached[1:]) > 1000, done.stdout
