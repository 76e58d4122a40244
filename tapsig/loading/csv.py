"""CSV and serial logs: one channel of a log as a Recording in volts."""

from collections.abc import Iterator
from dataclasses import replace
from itertools import chain
from pathlib import Path

import numpy as np

from tapsig.errors import RecordingError
from tapsig.loading.beside import (
    count_columns_beside,
    count_empty_columns,
    read_metadata_beside,
    strip_columns_beside,
    strip_empty_columns,
)
from tapsig.loading.choice import Choice, choose_columns
from tapsig.loading.clock import Stamps, estimate_clock
from tapsig.loading.files import show_path
from tapsig.loading.findings import FindingList, LoadReport
from tapsig.loading.layout import Layout, find_layout, preamble_number
from tapsig.loading.lines import LineReader, Table
from tapsig.loading.logtext import read_log_blocks
from tapsig.loading.plotter import find_names, strip_names
from tapsig.loading.read_options import ReadOptions
from tapsig.loading.turns import note_turns
from tapsig.records import LARGEST_V, Recording
from tapsig.units import SECONDS, FloatArray

PART = 1 << 16
MAX_OUT_OF_RANGE = 0.05
MAX_OVER = 2.0  # volts may exceed a nominal full scale, but not by more than this factor
FIRST_VALUES, FEWEST_RISING = 1 << 16, 32
CUT_STEPS = 100.0
COUNTER_SHARE = 0.85
DAY_S = 86400.0
COUNTER_WRAP = 2.0**32


def read_csv(path: Path, options: ReadOptions) -> tuple[Recording, LoadReport]:
    """One channel of a log as a Recording in volts; see `tapsig.loading.read_recording`."""
    source, findings = show_path(path), FindingList()
    first, blocks, layout = _open_log(path, source, findings)
    preamble = layout.preamble
    fs, full_scale_v, bits = (
        _overrule(findings, name, getattr(options, name), preamble_number(source, preamble, key))
        for name, key in (("fs", "fs_hz"), ("full_scale_v", "full_scale_v"), ("adc_bits", "adc_bits"))
    )
    if layout.comma_guessed:
        findings.add(
            "decimal-comma",
            f"{layout.example[:40]!r} is taken as one number with a decimal comma",
            line=layout.first_line,
        )
    choice = choose_columns(source, layout, options, timeless=fs is not None, findings=findings)
    bytes_a_line = len(first) / max(1, first.count(b"\n"))
    reader = LineReader(source, layout, choice, findings, int(1.02 * path.stat().st_size / bytes_a_line) + 1000)
    table = reader.read(chain([first], blocks))
    table = _drop_cut_start(layout, choice, table, first)
    if choice.time_step:
        table.stamps = np.cumsum(table.stamps) - table.stamps[0]
    _refuse_no_signal(choice, table, asked=(options.channel, options.column) != (None, None))
    counts, scale_v, converter_bits = _value_scale(layout, choice, table, bits, full_scale_v)
    range_v = None
    if counts and converter_bits is not None:
        lowest = _lowest_count(table, converter_bits)
        highest = lowest + (1 << converter_bits) - 1
        what = f"counts of {converter_bits} bits, {lowest} to {highest}"
        table = _drop_out_of_range(table, lowest, highest, what, "give the right adc_bits=")
        if full_scale_v is None:
            findings.add(
                "full-scale-assumed", "no full scale is given: the rails are taken as 1 V apart; give full_scale_v="
            )
        range_v = (lowest * scale_v, lowest * scale_v + float(full_scale_v or 1.0))
    else:
        most = (LARGEST_V if full_scale_v is None else MAX_OVER * full_scale_v) / scale_v
        what = f"volts up to {MAX_OVER:g} times {full_scale_v:g} V" if full_scale_v else f"volts up to {LARGEST_V:g}"
        remedy = "for millivolts name the column mv, for counts give adc_bits= and name it adc"
        table = _drop_out_of_range(table, -most, most, what, remedy)
    clock = estimate_clock(_stamps(layout, choice, table, fs), table, fs)
    samples = clock.values
    note_turns(samples, findings)
    samples *= scale_v
    samples.flags.writeable = False  # a Recording keeps a read-only array without a copy
    recording = Recording(
        samples,
        clock.fs,
        position=preamble.get("position", ""),
        vehicle=preamble.get("vehicle", ""),
        scene=preamble.get("scene", ""),
        range_v=range_v,
        adc_bits=converter_bits,
        gaps=clock.gaps,
        source=source,
    )
    return recording, LoadReport(
        source, tuple(findings), clock.stretches, clock.timing_error_s, choice.channel, choice.name
    )


def _open_log(path: Path, source: str, findings: FindingList) -> tuple[bytes, Iterator[bytes], Layout]:
    """The first block of a log, the following blocks, and the layout of its lines.

    Names before values, and columns of metadata or empty ones beside the data, are removed from the blocks.
    """
    blocks = read_log_blocks(path, findings)
    first = next(blocks, b"")
    delimiter, columns = count_columns_beside(first)
    if columns:
        metadata = read_metadata_beside(first, delimiter, columns)
        rest = (strip_columns_beside(block, delimiter, columns) for block in blocks)
        first = strip_columns_beside(first, delimiter, columns)
        layout = find_layout(source, first)
        return first, rest, replace(layout, preamble={**metadata, **layout.preamble})
    delimiter, before, after = count_empty_columns(first)
    if delimiter:
        blocks = (strip_empty_columns(block, delimiter, before, after) for block in chain([first], blocks))
        first = next(blocks)
    names = find_names(first)
    if not names:
        return first, blocks, find_layout(source, first)
    first, blocks = strip_names(first, names), (strip_names(block, names) for block in blocks)
    return first, blocks, replace(find_layout(source, first), header=names)


def _drop_cut_start(layout: Layout, choice: Choice, table: Table, first: bytes) -> Table:
    """Without a first line that lost its beginning, as where saving began amid a line: it is shorter than the next, and
    its stamp, or in a log without stamps its value, is far from it.
    """
    line, after, *_ = (*first.split(b"\n", 2), b"")
    if table.line_of(0) != 1 or len(line.strip()) >= len(after.strip()) or choice.time_step:
        return table
    timed = choice.time is not None or layout.clock_prefix
    steps = np.abs(np.diff((table.stamps if timed else table.values)[:FIRST_VALUES]))
    if steps.size < FEWEST_RISING or not steps[0] > 0.0:
        return table
    if steps[0] <= (CUT_STEPS * np.median(steps[steps > 0.0]) if timed else steps[1:].max()):
        return table
    table.note("cut-start", f"{layout.example[:40]!r} seems to lack its beginning; left out", 0)
    return table.select(np.arange(1, table.values.size))


def _overrule(findings: FindingList, name: str, called: float | None, preamble: float | None) -> float | None:
    """The value of the call, otherwise that of the preamble; a finding if they differ by more than 5 %."""
    if called is not None and preamble is not None and abs(called - preamble) > 0.05 * abs(preamble):
        findings.add(
            f"{name.replace('_', '-')}-overruled",
            f"the preamble gives {name} {preamble:g}, the call {called:g}; that of the call is used",
        )
    return preamble if called is None else called


def _refuse_no_signal(choice: Choice, table: Table, *, asked: bool) -> None:
    """Raises RecordingError for a column that counts, as a clock or a line number does; also for a constant column, if
    there are others and it was not asked for.
    """
    head = table.values[:FIRST_VALUES]
    name = repr(choice.name) if choice.name else f"column {choice.value + 1}"
    where = f"{table.place(0)}: the values of {name}"
    other = "choose another column with column= or channel="
    if head.size < FEWEST_RISING:
        return
    if np.all(np.diff(head) > 0):
        raise RecordingError(
            f"{where} only rise, from {head[0]:.15g} to {head[-1]:.15g}, as a clock or a line number"
            f" does; if they are times, give time_unit=, else {other}"
        )
    if _counts_up(head):
        raise RecordingError(
            f"{where} count up to {head.max():.15g} and begin again, as the number of a line or packet does; {other}"
        )
    if not choice.alone and not asked and head[0] == head.min() == head.max():
        raise RecordingError(f"{where} are all {head[0]:.15g}; {other}")


def _counts_up(values: FloatArray) -> bool:
    """Whether the values rise by one from line to line, except at lost lines, and restart at 0 or 1."""
    steps = np.diff(values)
    back = steps < 0
    begins = values[1:][back]
    return bool(
        np.count_nonzero(steps == 1.0) >= COUNTER_SHARE * steps.size
        and back.any()
        and begins.min() in (0.0, 1.0)
        and np.median(begins) <= 1.0
    )


def _value_scale(
    layout: Layout, choice: Choice, table: Table, bits: float | None, full_scale_v: float | None
) -> tuple[bool, float, int | None]:
    """Whether the values are counts; volts of one; the converter's bits."""
    source = table.source
    unit, scale_v = choice.value_column.unit, choice.value_column.scale_v
    whole = _are_whole(table.values)
    if bits is not None and not (1 <= bits <= 24 and bits == int(bits)):
        raise RecordingError(f"{source}: adc_bits is {bits:g}; it must be a whole number from 1 to 24")
    if unit == "V":
        return False, scale_v, None if bits is None else int(bits)
    if unit == "?" and not (bits is not None and whole):
        raise RecordingError(
            f"{source}: the unit of {choice.name!r} is not one that tapsig knows; name the column"
            " volts, mv, uv or nv, or adc for counts, and give adc_bits= for these"
        )
    if bits is not None and unit != "counts" and not whole:
        raise RecordingError(
            f"{source}: adc_bits is {bits:g}, but its values have decimals, such as"
            f" {table.values[np.flatnonzero(table.values % 1.0)[0]]:g}; name the column volts or mv,"
            " or adc where they are counts"
        )
    if bits is not None:
        return True, float(full_scale_v or 1.0) / 2.0 ** int(bits), int(bits)
    if unit == "counts" or whole:
        raise RecordingError(
            f"{source}: its values are converter counts, and its resolution is not given; give adc_bits="
            " and full_scale_v=, or '# adc_bits=10' in its first lines (for volts in whole numbers:"
            " name the column volts)"
        )
    if layout.remark:
        raise RecordingError(
            f"{source}: above its values is {layout.remark[:40]!r} instead of a header; put volts or mv there"
        )
    table.findings.add("volts-assumed", "the log gives no unit of its values; taken as volts")
    return False, scale_v, None


def _are_whole(values: FloatArray) -> bool:
    """Whether all are whole numbers; a part at a time, for that takes no new memory."""
    parts = (values[at : at + PART] for at in range(0, values.size, PART))
    return not any(np.any(part - np.floor(part)) for part in parts)


def _lowest_count(table: Table, bits: int) -> int:
    """The lowest count: 0, or -half of signed counts (two's complement: more are negative than are out of range)."""
    half = 1 << (bits - 1)
    outside = np.count_nonzero((table.values < -half) | (table.values >= half))
    negative = np.count_nonzero(table.values < 0)
    if negative <= outside:
        return 0
    message = f"{negative} are negative; taken as signed, of {bits} bits, {-half} to {half - 1}"
    table.findings.add("signed-counts", message)
    return -half


def _drop_out_of_range(table: Table, low: float, high: float, what: str, remedy: str) -> Table:
    """Leave out impossible values: they lost a line end or a digit. Raises RecordingError if they are many."""
    wrong = (table.values < low) | (table.values > high)
    count, first = int(np.count_nonzero(wrong)), int(np.argmax(wrong))
    if not count:
        return table
    value = table.values[first]
    if count > MAX_OUT_OF_RANGE * table.values.size:
        raise RecordingError(f"{table.place(first)}: {count} values, the first {value:g}, are no {what}; {remedy}")
    table.note("out-of-range", f"{value:g} is none of the {what}; left out", first, count=count)
    return table.select(np.flatnonzero(~wrong))


def _stamps(layout: Layout, choice: Choice, table: Table, fs: float | None) -> Stamps:
    if choice.time is not None and not choice.numbered:
        wrap = None if choice.time_step or choice.time_unit == "s" else COUNTER_WRAP
        return Stamps(table.stamps, SECONDS[choice.time_unit], wrap, counted=False)
    if layout.clock_prefix:
        return Stamps(table.stamps, 1.0, None if layout.dated else DAY_S, counted=False)
    return Stamps(table.stamps, 1.0 / float(fs or 1.0), None, counted=True)
