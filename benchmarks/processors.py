"""The core on other processors and systems: `python -m benchmarks.processors`.

The compiler of the `ziglang` wheel makes three things for each target, as the build does where there is no other
compiler: the library, an export's replay program, and the fuzzer of tests/core. Emulators of Debian (qemu-user, wine)
run the last two. An emulator is no board; macOS has none here.
"""

import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

from benchmarks.sections import make_parser, publish, to_markdown
from tapsig.converter import Converter
from tapsig.core import HERE
from tapsig.core.build_hook import FLAGS
from tapsig.detectors import CATALOGUE
from tapsig.exporting import prepare, render_package

FUZZ = Path(__file__).parent.parent / "tests" / "core" / "fuzz.c"
INPUTS = "300"
CODE = (3, 1, 4)


@dataclass(frozen=True, slots=True)
class Target:
    """A processor and a system: the compiler's name for them, what runs programs of it, and what is special."""

    name: str
    emulator: str | None
    words: str


TARGETS = (
    Target("aarch64-linux-musl", "qemu-aarch64", "64 bits, Arm"),
    Target("arm-linux-musleabihf", "qemu-arm", "32 bits, Arm"),
    Target("riscv32-linux-musl", "qemu-riscv32", "32 bits, RISC-V"),
    Target("powerpc64-linux-musl", "qemu-ppc64", "64 bits, highest byte first"),
    Target("s390x-linux-musl", "qemu-s390x", "64 bits, highest byte first"),
    Target("x86_64-windows-gnu", "wine", "64 bits, Windows"),
    Target("aarch64-windows-gnu", None, "64 bits, Windows on Arm"),
    Target("aarch64-macos", None, "64 bits, macOS"),
    Target("x86_64-macos", None, "64 bits, macOS"),
)


def try_target(target: Target, export: Path, folder: Path) -> dict[str, object]:
    """What was made for a target, and what came out of it."""

    def make(program: str, *words: str) -> Path:
        path = folder / f"{program}-{target.name}.exe"
        command = [sys.executable, "-m", "ziglang", "cc", "-target", target.name, *words, "-o", str(path)]
        subprocess.run(command, check=True, capture_output=True)
        return path

    core = [str(path) for path in sorted(HERE.glob("*.c"))]
    make("library", *FLAGS, *core)
    replay = make("replay", "-std=c99", "-O2", *map(str, export.glob("*.c")))
    fuzz = make("fuzz", "-std=c99", "-O2", "-DMAIN", str(FUZZ), *core)
    row: dict[str, object] = {"target": target.name, "processor": target.words, "compiled": "yes"}
    if target.emulator is None or shutil.which(target.emulator) is None:
        return {**row, "vectors of an export": "not run", "pieces against single counts": "not run"}

    def run(program: Path, *words: str) -> str:
        command = [str(target.emulator), str(program), *words]
        done = subprocess.run(command, check=True, capture_output=True, text=True, timeout=1800)
        return done.stdout.replace("\r", "")

    events = run(replay, "--check", str(export / "vector_counts.csv"))
    equal = events == (export / "vector_events.csv").read_text(encoding="utf-8")
    told = run(fuzz, INPUTS)  # it stops with an error at the first difference
    return {**row, "vectors of an export": "equal" if equal else "differ", "pieces against single counts": told.strip()}


def main() -> None:
    """Write the section."""
    parser = make_parser("processors", __doc__)
    parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        export = folder / "export"
        export.mkdir()
        files = render_package(prepare(CATALOGUE["tap"], 2000.0, Converter((0.0, 5.0), 10), code=CODE))
        for file, text in files.items():
            (export / file).write_text(text, encoding="utf-8")
        rows = [try_target(target, export, folder) for target in TARGETS]
    publish(
        "Other processors",
        "python -m benchmarks.processors",
        "Compiled by the `ziglang` wheel, run by qemu-user and wine. `equal`: taps and verdicts of the export's test"
        " vectors, to the sample. Last: inputs of `tests/core/fuzz.c` in which whole pieces, volts and single counts"
        " gave the same.",
        to_markdown(rows),
    )


if __name__ == "__main__":
    main()
