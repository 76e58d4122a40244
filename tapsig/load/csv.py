"""CSV and serial logs: the clean lines of a block at once, the others one by one, and what became of each."""

import re
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as arrow_csv

from tapsig.errors import RecordingError
from tapsig.load.clock import Stamps, settle_clock
from tapsig.load.findings import FindingList, LoadReport
from tapsig.load.layout import (
    CLOCK_PREFIX,
    SECONDS,
    UNDEFINED,
    Choice,
    Layout,
    choose_columns,
    decode_line,
    find_layout,
    preamble_number,
    repeated_header,
)  # fmt: skip
from tapsig.load.logtext import read_log_blocks
from tapsig.records import Recording
from tapsig.units import FloatArray, IntArray

HEAD_BYTES = 1 << 16
SMALL_BYTES = 2048  # a block that is not clean is halved down to this, then read line by line
MOST_UNREADABLE = 0.2
MOST_OUT_OF_RANGE = 0.05
WORD = re.compile(r"[A-Za-z]{3}")
DAY_S = 86400.0


def read_csv(path: Path, *, channel: int, full_scale_v: float | None, adc_bits: int | None, fs: float | None,
             time_unit: str | None, strict: bool) -> tuple[Recording, LoadReport]:
    """One channel of a log as a Recording in volts; see `tapsig.load.read_recording`."""
    source, findings = str(path), FindingList()
    blocks = read_log_blocks(path, findings)
    first = next(blocks, b"")
    layout = find_layout(source, first[:HEAD_BYTES])
    preamble = layout.preamble
    fs = _overrule(findings, "fs", fs, preamble_number(source, preamble, "fs_hz"))
    full_scale_v = _overrule(findings, "full_scale_v", full_scale_v, preamble_number(source, preamble, "full_scale_v"))
    bits = _overrule(findings, "adc_bits", adc_bits, preamble_number(source, preamble, "adc_bits"))
    choice = choose_columns(source, layout, channel=channel, time_unit=time_unit, timeless=fs is not None)
    lines = LineReader(source, layout, choice, findings)
    for block in chain([first], blocks):
        lines.read(block)
    table = lines.finish()
    counts, scale_v, adc_bits = _value_scale(source, choice, table, bits, full_scale_v)
    if counts:
        table = _drop_out_of_range(source, table, int(adc_bits or 0), findings)
    stamps = _stamps(layout, choice, table, fs)
    clock = settle_clock(source, stamps, table.values, table.line_of, table.texts, fs, findings)
    samples = table.values[clock.kept] if clock.kept is not None else table.values
    samples = samples * scale_v
    recording = Recording(
        samples, clock.fs, position=preamble.get("position", ""), vehicle=preamble.get("vehicle", ""),
        scene=preamble.get("scene", ""), range_v=(0.0, float(full_scale_v or 1.0)) if counts else None,
        adc_bits=adc_bits, gaps=clock.gaps, source=source)  # fmt: skip
    settled = findings.settle(source, strict=strict)
    return recording, LoadReport(source, settled, clock.stretches, clock.timing_error_s)


@dataclass(slots=True)
class Table:
    """Stamps and values of the lines that could be read; `ticks` counts all lines of data, unreadable ones too.

    `runs` holds (sample, line) pairs: from that sample on, each sample is one line further. `texts` are the samples
    before which a text or a header stood.
    """

    stamps: FloatArray
    values: FloatArray
    runs: list[tuple[int, int]]
    texts: IntArray

    def line_of(self, sample: int) -> int:
        """The line, from 1, from which a sample came."""
        starts = [start for start, _ in self.runs]
        run = max(0, int(np.searchsorted(starts, sample, side="right")) - 1)
        start, line = self.runs[run]
        return line + sample - start


@dataclass(slots=True)
class LineReader:
    """Reads blocks of lines into a Table."""

    source: str
    layout: Layout
    choice: Choice
    findings: FindingList
    _stamps: list[FloatArray] = field(default_factory=list)
    _values: list[FloatArray] = field(default_factory=list)
    _runs: list[tuple[int, int]] = field(default_factory=list)
    _texts: list[int] = field(default_factory=list)
    _samples: int = 0
    _line: int = 0  # lines read so far
    _ticks: int = 0
    _unreadable: int = 0
    _first_unreadable: str = ""
    _cut_end: bool = False

    def read(self, block: bytes) -> None:
        """Take the next block, which ends at a line end unless it is the last."""
        if not block.endswith(b"\n"):
            cut = block.rfind(b"\n") + 1
            if block[cut:].strip(b"\0 \t"):
                self.findings.add("cut-end", f"the last line, {decode_line(block[cut:])[:40]!r}, has no line end and"
                                  " may be cut; left out", line=self._line + block.count(b"\n") + 1)
            block = block[:cut]
        if self._line == 0:
            for raw in block.split(b"\n")[: self.layout.first_line - 1]:
                self._read_head(raw)
            block = _after_lines(block, self.layout.first_line - 1)
        if block:
            self._read_part(block)

    def finish(self) -> Table:
        """All that was read. Raises RecordingError when it is too little or too much of it was unreadable."""
        total = self._ticks + self._unreadable * (self.choice.time is not None)
        if self._unreadable > MOST_UNREADABLE * max(total, 1):
            raise RecordingError(f"{self.source}: {self._unreadable} of {total} lines cannot be read (the first:"
                                 f" {self._first_unreadable}); check baud rate and format of the logger")  # fmt: skip
        if self._samples < 2:
            raise RecordingError(f"{self.source}: {self._samples} lines of data; at least 2 are needed. Check that the"
                                 " logger wrote line ends")  # fmt: skip
        values, self._values = np.concatenate(self._values), []
        stamps, self._stamps = np.concatenate(self._stamps), []
        return Table(stamps, values, self._runs, np.array(self._texts, dtype=np.int64))

    def _read_part(self, block: bytes) -> None:
        """A block that ends with a line end: at once if all its lines are clean, else by halves, at last by lines."""
        clean = self._parse_clean(block)
        if clean is not None:
            stamps, values = clean
            self._append(stamps, values, self._line + 1)
            self._line += values.size
            return
        cut = block.find(b"\n", len(block) // 2) + 1
        if len(block) <= SMALL_BYTES or self._slow or not 0 < cut < len(block):
            for raw in block[:-1].split(b"\n"):
                self._read_line(raw)
            return
        self._read_part(block[:cut])
        self._read_part(block[cut:])

    @property
    def _slow(self) -> bool:
        return self.layout.clock_prefix or self.layout.delimiter == " "

    def _parse_clean(self, block: bytes) -> tuple[FloatArray, FloatArray] | None:
        """Stamps and values of a block in which every line is plain numbers; None if any is not."""
        if self._slow or b'"' in block or b"\0" in block:
            return None
        layout, choice = self.layout, self.choice
        lines = block.count(b"\n")
        if layout.trailing:
            end = layout.delimiter.encode() + b"\n"
            if block.count(end) != lines:
                return None
            block = block.replace(end, b"\n")
        if layout.decimal_comma:
            block = block.replace(b",", b".")
        names = [str(index) for index in range(layout.columns)]
        needed = [names[choice.value]] if choice.time is None else [names[choice.time], names[choice.value]]
        try:
            table = arrow_csv.read_csv(
                pa.BufferReader(block),
                arrow_csv.ReadOptions(use_threads=False, block_size=len(block) + 1, column_names=names),
                arrow_csv.ParseOptions(delimiter=layout.delimiter or ",", quote_char=False),
                arrow_csv.ConvertOptions(
                    check_utf8=False, null_values=[], column_types=dict.fromkeys(needed, pa.float64()),
                    include_columns=needed))  # fmt: skip
        except pa.ArrowInvalid:
            return None
        if table.num_rows != lines or any(table.column(name).null_count for name in needed):
            return None
        columns = [table.column(name).to_numpy() for name in needed]
        if not all(np.isfinite(column).all() for column in columns):
            return None
        if choice.time is None:
            columns.insert(0, np.arange(self._ticks, self._ticks + columns[0].size, dtype=np.float64))
        return columns[0], columns[1]

    def _append(self, stamps: FloatArray, values: FloatArray, line: int) -> None:
        if not self._runs or self._runs[-1][1] + self._samples - self._runs[-1][0] != line:
            self._runs.append((self._samples, line))
        self._stamps.append(stamps)
        self._values.append(values)
        self._samples += values.size
        self._ticks += values.size

    def _read_head(self, raw: bytes) -> None:
        """A line before the data: preamble, header, or some other text."""
        self._line += 1
        text = decode_line(raw).strip("\0 \t")
        if text and not text.startswith("#") and not repeated_header(self.layout, self._cells(text)):
            self.findings.add("foreign-text", f"{text[:40]!r} before the data; passed over", line=self._line)

    def _cells(self, text: str) -> list[str]:
        if self.layout.clock_prefix:
            text = CLOCK_PREFIX.sub("", text, count=1)
        return self.layout.split(text)

    def _read_line(self, raw: bytes) -> None:
        """One line that may be anything."""
        self._line += 1
        bare = raw.strip(b"\0 \t")
        if len(bare) < len(raw.strip(b" \t")):
            self.findings.add("nul-bytes", "zero bytes at the end of a line; taken away", line=self._line)
        text = decode_line(bare)
        if not text or text.startswith("#"):
            return
        layout, choice = self.layout, self.choice
        cells = self._cells(text)
        if len(cells) != layout.columns + layout.trailing or (layout.trailing and cells[-1]):
            self._read_odd_line(text, cells)
            return
        stamp = float(self._ticks) if choice.time is None else layout.number(cells[choice.time])
        if stamp is not None and choice.time is None and layout.clock_prefix:
            stamp = _clock_s(text)
        value = layout.number(cells[choice.value])
        if stamp is None or value is None or not np.isfinite(value) or not np.isfinite(stamp):
            if stamp is not None and value is None and cells[choice.value].lower() in UNDEFINED:
                self.findings.add("undefined-value", f"the value {cells[choice.value]!r} is no number; left out",
                                  line=self._line)  # fmt: skip
                self._ticks += 1
            else:
                self._read_odd_line(text, cells)
            return
        self._append(np.array([stamp]), np.array([value]), self._line)

    def _read_odd_line(self, text: str, cells: list[str]) -> None:
        """A line that is not one of data: the header again, a text, or data that were spoilt."""
        if repeated_header(self.layout, cells):
            self.findings.add("repeated-header", "the header stands there once more; passed over", line=self._line)
            self._texts.append(self._samples)
        elif WORD.search(text) and not any(cell.lower() in UNDEFINED for cell in cells):
            self.findings.add("foreign-text", f"{text[:40]!r} among the data; passed over", line=self._line)
            self._texts.append(self._samples)
        else:
            self.findings.add("malformed-line", f"{text[:40]!r} is cut or merged; left out", line=self._line)
            self._first_unreadable = self._first_unreadable or f"line {self._line}, {text[:40]!r}"
            self._unreadable += 1
            self._ticks += self.choice.time is None


def _after_lines(block: bytes, lines: int) -> bytes:
    position = 0
    for _ in range(lines):
        position = block.find(b"\n", position) + 1
    return block[position:]


def _clock_s(text: str) -> float | None:
    """Seconds of the day that a line's clock prefix tells."""
    match = CLOCK_PREFIX.match(text)
    if match is None:
        return None
    hours, minutes, seconds = match.groups()
    return 3600.0 * int(hours) + 60.0 * int(minutes) + float(seconds.replace(",", "."))


def _overrule(findings: FindingList, name: str, called: float | None, told: float | None) -> float | None:
    """What the call says, else what the preamble tells; a finding where they differ by more than 5 %."""
    if called is not None and told is not None and abs(called - told) > 0.05 * abs(told):
        findings.add(f"{name.replace('_', '-')}-overruled", f"the preamble tells {name} {told:g}, the call {called:g};"
                     " took the call's")  # fmt: skip
    return told if called is None else called


def _value_scale(source: str, choice: Choice, table: Table, bits: float | None, full_scale_v: float | None
                 ) -> tuple[bool, float, int | None]:  # fmt: skip
    """Whether the values are counts; volts of one; the converter's bits."""
    unit = choice.value_column.unit
    if bits is not None and not (1 <= bits <= 24 and bits == int(bits)):
        raise RecordingError(f"{source}: adc_bits is {bits:g}; it must be a whole number from 1 to 24")
    if unit == "V":
        return False, choice.value_column.scale_v, None if bits is None else int(bits)
    if bits is not None:
        return True, float(full_scale_v or 1.0) / 2.0 ** int(bits), int(bits)
    if unit == "counts" or not np.any(table.values % 1.0):
        raise RecordingError(f"{source}: its values are converter counts, and the converter is not told; give adc_bits="
                             " and full_scale_v=, or '# adc_bits=10' in its first lines (for volts in whole numbers:"
                             " name the column volts)")  # fmt: skip
    return False, 1.0, None


def _drop_out_of_range(source: str, table: Table, bits: int, findings: FindingList) -> Table:
    """Leave out counts that the converter cannot give: lines that lost a line end or a digit."""
    wrong = (table.values < 0) | (table.values > (1 << bits) - 1)
    count = int(np.count_nonzero(wrong))
    if not count:
        return table
    first = int(np.argmax(wrong))
    if count > MOST_OUT_OF_RANGE * table.values.size:
        raise RecordingError(f"{source}, line {table.line_of(first)}: {count} values, the first"
                             f" {table.values[first]:g}, are no counts of {bits} bits, 0 to {(1 << bits) - 1};"
                             " give the right adc_bits")  # fmt: skip
    findings.add("out-of-range", f"{table.values[first]:g} is no count of {bits} bits; left out", count=count,
                 line=table.line_of(first))  # fmt: skip
    places = np.flatnonzero(~wrong)
    shift = np.searchsorted(places, table.texts)
    runs = [(0, table.line_of(int(places[0])))]
    for new in np.flatnonzero(np.diff(places) > 1) + 1:
        runs.append((int(new), table.line_of(int(places[new]))))
    for start, line in table.runs[1:]:
        runs.append((int(np.searchsorted(places, start)), line))
    return Table(table.stamps[places], table.values[places], sorted(set(runs)), shift.astype(np.int64))


def _stamps(layout: Layout, choice: Choice, table: Table, fs: float | None) -> Stamps:
    if choice.time is not None:
        wrap = 2.0**32 if choice.time_unit in ("us", "ms") else None
        return Stamps(table.stamps, SECONDS[choice.time_unit], wrap, counted=False)
    if layout.clock_prefix and fs is None:
        return Stamps(table.stamps, 1.0, DAY_S, counted=False)
    return Stamps(table.stamps, 1.0 / float(fs or 1.0), None, counted=True)
