"""Fuzzes the exported C under sanitizers with libFuzzer: `python -m benchmarks.fuzz_export [--samples N] [--seed N]`.

Needs clang with its libFuzzer, address and undefined-behaviour runtimes. Prints one line a detector; any sanitizer
report ends it with exit code 1.
"""

import argparse
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from benchmarks.export_cost import CODE, EXPORTED
from tapsig.detect import CATALOGUE
from tapsig.export import Converter, render_package, to_integer, write_package

HARNESS = r"""
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>

#include "tapsig_detector.h"

static unsigned long long pushed, taps;

static void report(void)
{
    fprintf(stderr, "pushed %llu samples, %llu taps\n", pushed, taps);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static tapsig_detector detector;
    if (pushed == 0) {
        atexit(report);
    }
    tapsig_init(&detector);
    /* the first byte says how often each count is repeated, so that long stretches are reached too */
    const unsigned repeat = size > 0 ? 1u + data[0] % 64u : 1u;
    for (size_t i = 1; i + 1 < size; i += 2) {
        for (unsigned j = 0; j < repeat; j++) {
            const uint16_t count = (uint16_t)(data[i] | (data[i + 1] << 8));
            taps += tapsig_push(&detector, j % 2 ? (uint16_t)(count >> 1) : count).tap;
            pushed++;
        }
    }
    return 0;
}
"""


def fuzz(name: str, *, samples: int, seed: int) -> tuple[int, str]:
    """Samples pushed, and the sanitizer's report ("" for none)."""
    with tempfile.TemporaryDirectory() as work:
        folder = Path(work)
        write_package(render_package(to_integer(CATALOGUE[name], Converter(10)), 2000, code=CODE), folder)
        (folder / "harness.c").write_text(HARNESS, encoding="utf-8")
        flags = ["-std=c99", "-O1", "-g", "-fsanitize=fuzzer,address,undefined", "-fno-sanitize-recover=all"]
        command = ["clang", *flags, "tapsig_detector.c", "harness.c", "-o", "harness"]
        subprocess.run(command, cwd=folder, check=True, capture_output=True)
        pushed, turn = 0, 0
        while pushed < samples:
            turn += 1
            done = subprocess.run(
                ["./harness", "-runs=3000", "-max_len=4096", "-len_control=0", f"-seed={seed + turn}"],
                cwd=folder, capture_output=True, text=True, check=False,
            )  # fmt: skip
            found = re.search(r"pushed (\d+) samples", done.stderr)
            if done.returncode or found is None:
                return pushed, done.stderr[-3000:]
            pushed += int(found.group(1))
    return pushed, ""


def main(argv: Sequence[str] | None = None) -> int:
    """Fuzz every exported detector."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.fuzz_export", description=__doc__)
    parser.add_argument("--samples", type=int, default=10_000_000, metavar="N")
    parser.add_argument("--seed", type=int, default=1, metavar="N")
    args = parser.parse_args(argv)
    if shutil.which("clang") is None:
        parser.error("clang is not on this machine; install it with its libFuzzer runtime")
    for name in EXPORTED:
        pushed, report = fuzz(name, samples=args.samples, seed=args.seed)
        print(f"{name}: {pushed} samples, {report or 'no sanitizer report'}")
        if report:
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
