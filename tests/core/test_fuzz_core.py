"""Random counts and numbers through the core under sanitizers, in pieces of random lengths."""

import ctypes
import subprocess
from pathlib import Path

import numpy as np
import pytest

from compiling import SANITIZE, need_compiler
from tapsig.core import HERE, LIBRARY, sources

FUZZ = Path(__file__).parent / "fuzz.c"


@pytest.mark.parametrize(
    ("compiler", "instructions"), [("gcc", ""), ("clang", ""), ("gcc", "-DTAPSIG_PLAIN")], ids=["gcc", "clang", "plain"]
)
def test_random_splits_equal_single_counts_and_nothing_overflows(
    compiler: str, instructions: str, tmp_path: Path
) -> None:
    """With the instructions of this processor, and in C alone as on those that lack them."""
    core = [str(path) for path in sources() if path.suffix == ".c"]
    command = [need_compiler(compiler), "-std=c99", "-O1", "-g", *SANITIZE, "-DMAIN", str(FUZZ), *core]
    command += [instructions] if instructions else []
    subprocess.run([*command, "-o", str(tmp_path / "fuzz")], check=True)
    done = subprocess.run([str(tmp_path / "fuzz"), "3000"], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    reached = [int(word) for word in done.stdout.split() if word.isdigit()]
    assert reached[0] == 3000
    assert min(reached[1:]) > 1000, done.stdout


def test_the_level_of_small_controllers_is_that_of_desktops(tmp_path: Path) -> None:
    """fixed.c counts leading zeros by an instruction where there is one, else by shifts."""
    (source,) = (path for path in sources() if path.name == "fixed.c")
    target = tmp_path / "shifts.so"
    subprocess.run([need_compiler("gcc"), "-std=c99", "-U__GNUC__", "-shared", "-fPIC", str(source), "-o", str(target)])
    shifts, instruction = (ctypes.CDLL(str(path)).tapsig_level for path in (target, LIBRARY))
    edges = [(1 << bit) + near for bit in range(32) for near in (-1, 0, 1)]
    powers = [*edges, *np.random.default_rng(0).integers(0, 1 << 32, 20_000).tolist()]
    assert [shifts(ctypes.c_uint32(power)) & 255 for power in powers] == [
        instruction(ctypes.c_uint32(power)) & 255 for power in powers
    ]


@pytest.mark.parametrize("compiler", ["gcc", "clang"])
def test_lines_of_a_log_are_parsed_within_their_bounds(compiler: str, tmp_path: Path) -> None:
    core, source = HERE / "logtext.c", FUZZ.with_name("fuzz_logtext.c")
    flags = ["-std=c99", "-O1", "-g", "-Wall", "-Wextra", "-Werror", *SANITIZE, f"-I{HERE}"]
    subprocess.run([need_compiler(compiler), *flags, str(source), str(core), "-o", str(tmp_path / "fuzz")], check=True)
    done = subprocess.run([str(tmp_path / "fuzz"), "100000"], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert int(done.stdout.split()[2]) > 1000  # plain lines among them
