"""Builds devices and runs them in the simulator; missing tools fail in CI and skip elsewhere."""

import os
from collections.abc import Iterable, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tapsig.converter import Converter, CountArray
from tapsig.entry import EntryParameters
from tapsig.entry.decoding import Decoder
from tapsig.errors import ExportError
from tapsig.exporting import Chain, prepare, render_firmware, simulated, write_package
from tapsig.records import Recording

CONVERTER = Converter((-2.5, 2.5), 10)
MIDDLE = 512


@cache
def find_fault() -> str:
    """What the simulator lacks on this machine, or ""."""
    try:
        simulated.check_tools()
    except ExportError as error:
        return str(error)
    return ""


def need_simulator() -> None:
    """Skip, or fail in CI, where there is none."""
    if fault := find_fault():
        if os.environ.get("CI"):
            pytest.fail(f"CI must have a simulator: {fault}")
        pytest.skip(fault)


def build(
    variant: Any,
    fs: float,
    folder: Path,
    *,
    code: tuple[int, ...],
    entry: EntryParameters | None = None,
    extra: str = "",
    decoder: Decoder = "rule",
) -> Path:
    """A device's program."""
    write_package(render_firmware(prepare(variant, fs, CONVERTER, code=code, entry=entry, decoder=decoder)), folder)
    return simulated.build(folder, extra=extra)


def expect(
    variant: Any,
    fs: float,
    counts: CountArray,
    *,
    code: tuple[int, ...],
    entry: EntryParameters | None = None,
    first: int = 0,
) -> tuple[str, ...]:
    """The lines that the core gives here; `first` is the number of the first count."""
    lines = Chain(prepare(variant, fs, CONVERTER, code=code, entry=entry)).lines(counts)
    return tuple(_move(line, first) for line in lines)


def _move(line: str, first: int) -> str:
    name, *numbers = line.split(",")
    return ",".join([name, *(str(int(number) + first) if number else "" for number in numbers)])


def to_recording(counts: CountArray, fs: float) -> Recording:
    """The counts as volts behind the device's converter."""
    return Recording(CONVERTER.to_volts(counts), fs, range_v=CONVERTER.range_v, adc_bits=CONVERTER.adc_bits)


def make_entries(entries: Iterable[tuple[float, Sequence[int]]], fs: float, end_s: float) -> CountArray:
    """Counts of blows that ring for some milliseconds: entries by their start in seconds and their digits."""
    counts = np.full(round(end_s * fs), MIDDLE, dtype=np.int64)
    ring = np.round(300 * np.exp(-np.arange(60) / 12) * np.cos(np.arange(60) * 0.9)).astype(np.int64)
    for start_s, digits in entries:
        at_s = start_s
        for digit in digits:
            for _ in range(digit):
                first = round(at_s * fs)
                counts[first : first + ring.size] += ring[: counts.size - first]
                at_s += 0.3
            at_s += 1.0
    return counts.astype(np.uint16)
