"""What the exported C costs: `python -m benchmarks.export_cost [--format json]`.

Instructions a sample are counted by callgrind on the host, over one recording with taps. Code and RAM are what the
compilers put into .text/.rodata and what one `tapsig_detector` takes. The cross compilers compile; nothing runs there.
"""

import argparse
import json
import re
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from benchmarks.sections import write_section
from tapsig.detect import CATALOGUE, detect
from tapsig.export import Converter, render_package, to_integer, write_package
from tapsig.load import load_corpus
from tapsig.score.matching import match_onsets
from tapsig.simulate import simulate_scene
from tapsig.units import volts_to_counts

EXPORTED = ("fixed-threshold", "ring-following", "tap")
RATES = (1000, 2000, 4000, 8000)
CODE = (3, 1, 4)
CORPUS = Path(__file__).parent.parent / "corpus_demo"
TARGETS = {
    "x86-64": ("gcc", "-Os"),
    "32-bit controller": ("arm-none-eabi-gcc", "-Os", "-mcpu=cortex-m0plus", "-mthumb"),
    "8-bit controller": ("avr-gcc", "-Os", "-mmcu=atmega1284p"),
}
CONTROLLERS = {"8-bit at 8 MHz": (8e6, 12.0), "32-bit at 48 MHz": (48e6, 2.5)}
"""Clock and assumed cycles for one host instruction (most are 32 or 64 bits wide, and an 8-bit core takes them apart
byte by byte): an assumption, common practice, no source. Half the controller's time is left for everything else."""


def measure_instructions(folder: Path, fs: int) -> float:
    """Host instructions a sample, less those of reading the file, by callgrind."""
    recording = simulate_scene("heron", "quiet", duration_s=20.0, fs=fs, seed=9, positions=["inner-skin"])
    counts = volts_to_counts(recording.recordings["inner-skin"].samples, (-2.5, 2.5), 10)
    counts.astype("<u2").tofile(folder / "counts.bin")
    command = ["gcc", "-O2", "-g", "-fno-inline-functions", "tapsig_detector.c", "replay.c", "-o", "replay"]
    subprocess.run(command, cwd=folder, check=True, capture_output=True)
    done = subprocess.run(
        ["valgrind", "--tool=callgrind", "--toggle-collect=tapsig_push", "--callgrind-out-file=/dev/null",
         "./replay", "--raw", "counts.bin"],
        cwd=folder, check=True, capture_output=True, text=True,
    )  # fmt: skip
    (collected,) = re.findall(r"Collected : (\d+)", done.stderr)
    return int(collected) / counts.size


def measure_size(folder: Path, command: Sequence[str]) -> tuple[int, int] | None:
    """(code and constants, RAM of one detector) in bytes; None where it does not compile, or without the compiler."""
    if shutil.which(command[0]) is None:
        return None
    (folder / "ram.c").write_text('#include "tapsig_detector.h"\ntapsig_detector detector;\n', encoding="utf-8")
    sizes = []
    for name in ("tapsig_detector.c", "ram.c"):
        compiling = [*command, "-std=c99", "-fno-common", "-c", name, "-o", "part.o"]
        built = subprocess.run(compiling, cwd=folder, check=False, capture_output=True)
        if built.returncode:
            return None
        done = subprocess.run(["size", "part.o"], cwd=folder, check=True, capture_output=True, text=True)
        sizes.append([int(cell) for cell in done.stdout.splitlines()[1].split()[:3]])
    return sizes[0][0] + sizes[0][1], sizes[1][2] + sizes[1][1]


def float_against_integer() -> list[dict[str, object]]:
    """F1 of float and integer form at each position over the test vehicles, ±50 ms."""
    corpus = load_corpus(CORPUS).select(split="test")
    sums: dict[tuple[str, str], np.ndarray] = {}
    for entry in corpus.entries:
        recording = corpus.load(entry)
        if recording.fs % 1000 or recording.gaps or recording.adc_bits is None or recording.range_v is None:
            continue
        for name in EXPORTED:
            variant = CATALOGUE[name]
            form = to_integer(variant, Converter(recording.adc_bits, recording.range_v))
            for column, chosen in enumerate((variant, form)):
                onsets_s = detect(chosen, recording).onset_samples / recording.fs
                found = match_onsets(recording.taps_s, onsets_s)
                counts = (len(found.pairs), len(found.spurious), len(found.missed))
                for position in (recording.position, "all"):
                    sums.setdefault((name, position), np.zeros((2, 3)))[column] += counts
    rows: list[dict[str, object]] = []
    for (name, position), both in sums.items():
        f1 = [float(2 * tp / (2 * tp + fp + fn)) for tp, fp, fn in both]
        subject = f"{name}, {position}"
        rows.append({"subject": subject, "f1_float": f1[0], "f1_integer": f1[1], "difference": f1[1] - f1[0]})
    return rows


def measure() -> list[dict[str, object]]:
    """One row for each detector and rate, the entry machine included."""
    rows = []
    for name in EXPORTED:
        for fs in RATES:
            with tempfile.TemporaryDirectory() as work:
                folder = Path(work)
                write_package(render_package(to_integer(CATALOGUE[name], Converter(10)), fs, code=CODE), folder)
                row: dict[str, object] = {"subject": name, "fs": fs}
                row["instructions_per_sample"] = measure_instructions(folder, fs)
                for target, command in TARGETS.items():
                    size = measure_size(folder, command)
                    row[f"code {target}"], row[f"ram {target}"] = size if size else (None, None)
                rows.append(row)
    return rows


def render(rows: list[dict[str, object]], against: list[dict[str, object]]) -> str:
    """The section of benchmarks/README.md."""

    def table(header: Sequence[str], lines: Sequence[Sequence[object]]) -> list[str]:
        shown = [["–" if c is None else f"{c:.4g}" if isinstance(c, float) else str(c) for c in line] for line in lines]
        return ["| " + " | ".join(line) + " |" for line in (header, ["---"] * len(header), *shown)]

    header = ["detector + entry", "fs, Hz", "instructions/sample", "instructions/s, millions"]
    header += [f"{what} {target}, bytes" for target in TARGETS for what in ("code", "RAM")]
    lines = []
    for row in rows:
        each = float(str(row["instructions_per_sample"]))
        sizes = [row[f"{what} {target}"] for target in TARGETS for what in ("code", "ram")]
        lines.append([row["subject"], row["fs"], each, each * float(str(row["fs"])) / 1e6, *sizes])
    fits = []
    for name in EXPORTED:
        cells: list[object] = [name]
        for target, (hz, cycles) in zip(list(TARGETS)[:0:-1], CONTROLLERS.values(), strict=True):
            good = [
                str(row["fs"]) for row in rows
                if row["subject"] == name
                and row[f"code {target}"] is not None
                and float(str(row["instructions_per_sample"])) * cycles * float(str(row["fs"])) < hz / 2
            ]  # fmt: skip
            cells.append(", ".join(good) or "none")
        fits.append(cells)
    assumption = "; ".join(f"{name}: {cycles:g} cycles a host instruction" for name, (_, cycles) in CONTROLLERS.items())
    return "\n".join([
        *table(header, lines), "",
        "Code includes constants. An 8-bit target keeps a copy of constants in RAM unless told otherwise; the trees of"
        " `tap`, four bytes a node, are more than its RAM: `tap` is for 32-bit controllers. –: does not compile there.",
        "",
        "Rates in Hz that leave half of the controller's time free, on average. Assumed, not measured:"
        f" {assumption}. A candidate's features come in one burst: the controller must buffer some milliseconds.", "",
        *table(["detector + entry", *CONTROLLERS], fits), "",
        "The predictor takes 64 multiply-adds a millisecond (32 to predict, 32 to adapt), whatever the rate.", "",
        "Float against integer form, F1 at ±50 ms over the test vehicles of the demo corpus (simulated):", "",
        *table(["detector, position", "float", "integer", "difference"],
               [[r["subject"], r["f1_float"], r["f1_integer"], r["difference"]] for r in against]),
    ]) + "\n"  # fmt: skip


def main(argv: Sequence[str] | None = None) -> None:
    """Run, and print or write the section."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.export_cost", description=__doc__)
    parser.add_argument("--format", choices=("section", "json"), default="section")
    args = parser.parse_args(argv)
    rows, against = measure(), float_against_integer()
    if args.format == "json":
        print(json.dumps({"rows": [*rows, *against]}, indent=1))
    else:
        write_section("Export", render(rows, against), "python -m benchmarks.export_cost")


if __name__ == "__main__":
    main()
