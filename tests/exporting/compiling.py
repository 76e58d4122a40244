"""Compiles exports and replays counts through them; a missing compiler fails in CI and skips elsewhere."""

import os
import shutil
import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pytest

from tapsig.units import IntArray

STRICT = ("-std=c99", "-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-Werror")
SANITIZE = ("-fsanitize=address,undefined", "-fno-sanitize-recover=all")


def need_compiler(name: str) -> str:
    """The compiler's path."""
    path = shutil.which(name)
    if path is None:
        if os.environ.get("CI") and name == "gcc":
            pytest.fail("gcc is not on this machine; CI must have a C compiler")
        pytest.skip(f"{name} is not on this machine")
    return path


def compile_package(files: Mapping[str, str], folder: Path, *, compiler: str, flags: Sequence[str]) -> Path:
    """The replay program built from an export; warnings are errors."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    program = folder / "replay"
    sources = [name for name in files if name.endswith(".c")]
    command = [need_compiler(compiler), *STRICT, *flags, *sources, "-o", str(program)]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return program


def replay(program: Path, counts: IntArray) -> list[list[str]]:
    """The lines that the program prints for `counts`, split at commas, without the header."""
    raw = program.parent / "counts.bin"
    np.asarray(counts).astype("<u2").tofile(raw)
    done = subprocess.run([str(program), "--raw", str(raw)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return [line.split(",") for line in done.stdout.splitlines()[1:]]


def run_on_text(program: Path, text: str | bytes, *options: str) -> tuple[int, str, str]:
    """Exit code, output and errors of the program on a log with this content."""
    log = program.parent / "log.csv"
    log.write_bytes(text if isinstance(text, bytes) else text.encode())
    done = subprocess.run(
        [str(program), *options, str(log)], capture_output=True, text=True, errors="replace", check=False
    )
    return done.returncode, done.stdout, done.stderr


def taps_of(lines: list[list[str]]) -> list[tuple[int, int]]:
    """(deciding sample, onset sample) of the taps."""
    return [(int(line[1]), int(line[2])) for line in lines if line[0] == "tap"]
