"""What an export is said to need, against compilers."""

import subprocess
from pathlib import Path

import pytest

from compiling import need_compiler
from tapsig.detect import CATALOGUE
from tapsig.export import Converter, render_package, to_integer
from tapsig.export.sizes import measure_sizes

ASK = '#include "tapsig_detector.c"\n#include <stdio.h>\nint main(void) { printf("%zu", sizeof(tapsig_detector)); }\n'


@pytest.mark.parametrize("code", [None, (3, 1, 4, 1)])
@pytest.mark.parametrize("name", ["fixed-threshold", "ring-following", "tap"])
def test_sizes_are_those_of_the_compilers(name: str, code: tuple[int, ...] | None, tmp_path: Path) -> None:
    """sizeof, the read-only data of a 32-bit object (`size -A`), and whether an 8-bit compiler takes the arrays."""
    files = render_package(to_integer(CATALOGUE[name], Converter(10)), 4000, code=code)
    for file, text in {**files, "ask.c": ASK}.items():
        (tmp_path / file).write_text(text, encoding="utf-8")
    sizes = measure_sizes(files["tapsig_detector.h"], files["tapsig_detector.c"])
    assert f"Size: {sizes}" in files["tapsig_detector.h"]

    def run(*command: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)

    assert run(need_compiler("gcc"), "ask.c", "-o", "ask").returncode == 0
    assert int(run("./ask").stdout) == sizes.state
    arm = need_compiler("arm-none-eabi-gcc")
    assert run(arm, "-mcpu=cortex-m0plus", "-O0", "-std=c99", "-c", "tapsig_detector.c").returncode == 0
    told = [line.split() for line in run("size", "-A", "tapsig_detector.o").stdout.splitlines()]
    read_only = sum(int(cells[1]) for cells in told if cells and cells[0].startswith(".rodata"))
    assert sizes.constants <= read_only <= sizes.constants + 200  # with what switches and constants need
    eight = run(need_compiler("avr-gcc"), "-mmcu=atmega1284p", "-std=c99", "-c", "tapsig_detector.c")
    assert ("too large" in eight.stderr) == ("32 bits" in str(sizes)) == (eight.returncode != 0), eight.stderr
