"""Lines of a log to columns: plain lines in a C loop, other lines one by one; faults become findings."""

import datetime
import os
import re
from bisect import bisect_right
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from tapsig.errors import RecordingError
from tapsig.loading.choice import Choice
from tapsig.loading.columns import describe_column
from tapsig.loading.findings import FindingList
from tapsig.loading.kernels import ByteArray, make_line_format, parse_lines
from tapsig.loading.layout import CLOCK_PREFIX, UNDEFINED, Layout, decode_line, header_cells, read_metadata
from tapsig.units import FloatArray, IntArray

MAX_UNREADABLE = 0.2
MAX_THREADS = 4
GROWTH = 3  # of the arrays; what is not yet used takes no memory
MOST_LOST_AT_WRAP = 16
WORD = re.compile(r"[A-Za-z]{3}")

Parsed = tuple[FloatArray, FloatArray, int]


@dataclass(slots=True)
class Table:
    """Stamps and values of the readable lines of the log `source`; its faults go into `findings`.

    `runs` holds (sample, line) pairs: from that sample on, each sample is one line further. `texts` are the samples
    preceded by a text or a header.
    """

    source: str
    findings: FindingList
    stamps: FloatArray
    values: FloatArray
    runs: list[tuple[int, int]]
    texts: IntArray

    def line_of(self, sample: int) -> int:
        """The line, from 1, from which a sample came."""
        start, line = self.runs[bisect_right(self.runs, sample, lo=1, key=lambda run: run[0]) - 1]
        return line + sample - start

    def place(self, sample: int) -> str:
        """The file and the line of a sample, for errors."""
        return f"{self.source}, line {self.line_of(sample)}"

    def note(self, code: str, message: str, sample: int, *, count: int = 1) -> None:
        """Add a finding with the line of a sample."""
        self.findings.add(code, message, count=count, line=self.line_of(sample))

    def select(self, kept: IntArray) -> "Table":
        """Only the samples `kept`, ascending."""
        breaks = np.flatnonzero(np.diff(kept) > 1) + 1
        starts = {0, *map(int, breaks), *(int(np.searchsorted(kept, start)) for start, _ in self.runs)}
        runs = [(new, self.line_of(int(kept[new]))) for new in sorted(starts) if new < kept.size]
        texts = np.searchsorted(kept, self.texts)
        return Table(self.source, self.findings, self.stamps[kept], self.values[kept], runs, texts)


class LineReader:
    """Reads the blocks of a log into a Table. Lines left out are added to `findings`."""

    def __init__(self, source: str, layout: Layout, choice: Choice, findings: FindingList, expected_lines: int) -> None:
        self._source, self._layout, self._choice, self._findings = source, layout, choice, findings
        self._stamps, self._values = np.empty(expected_lines), np.empty(expected_lines)
        self._runs: list[tuple[int, int]] = []
        self._texts: list[int] = []
        self._steps_left_out: list[tuple[int, float | None]] = []  # of times since the previous line
        self._samples = self._lines = self._unreadable = self._first_day = 0
        self._first_unreadable = self._cut_end = ""
        self._format = make_line_format(
            delimiter=layout.delimiter or "\0",
            decimal="," if layout.decimal_comma else ".",
            trailing=layout.trailing,
            columns=layout.columns,
            time=-1 if choice.time is None else choice.time,
            value=choice.value,
        )

    def read(self, blocks: Iterable[bytes]) -> Table:
        """All lines; each block ends at a line end, except perhaps the last.

        Raises RecordingError when the lines of data are too few, or too many of them unreadable.
        """
        whole = map(self._drop_cut_end, blocks)
        for block, parsed in self._parse_ahead(whole):
            self._read_block(block, parsed)
        if self._cut_end:
            self._findings.add(
                "cut-end",
                f"the last line, {self._cut_end!r}, has no line end and may be cut; left out",
                line=self._lines + 1,
            )
        total = self._samples + self._unreadable
        if self._unreadable > MAX_UNREADABLE * total:
            raise RecordingError(
                f"{self._source}: {self._unreadable} of {total} lines cannot be read (the first:"
                f" {self._first_unreadable}); check baud rate and format of the logger"
            )
        if self._samples < 2:
            raise RecordingError(
                f"{self._source}: {self._samples} lines of data; at least 2 are needed. Check that the"
                " logger wrote line ends"
            )
        columns = self._stamps[: self._samples], self._values[: self._samples]
        if self._choice.time_step:
            self._add_left_out(columns[0])
        if self._choice.numbered:
            self._number(columns[0])
        return Table(self._source, self._findings, *columns, self._runs, np.array(self._texts, dtype=np.int64))

    def _add_left_out(self, steps: FloatArray) -> None:
        """Times since the previous line, with those of the lines left out between: the median, where unreadable."""
        usual = float(np.median(steps))
        for sample, step in self._steps_left_out:
            if sample < steps.size:
                steps[sample] += usual if step is None else step

    def _number(self, stamps: FloatArray) -> None:
        """Numbers of samples in place of what a column says; of lines, where it counts something else."""
        numbers = unwrap_numbers(stamps)
        if numbers is None:
            left_out = [sample for sample, _ in self._steps_left_out]
            lines = np.arange(stamps.size, dtype=np.float64)
            numbers = lines + np.asarray(np.searchsorted(left_out, lines, side="right"), dtype=np.float64)
        stamps[:] = numbers

    def _drop_cut_end(self, block: bytes) -> bytes:
        """The block without an unterminated last line, since `250,511` cut to `250,5` would be valid."""
        cut = block.rfind(b"\n") + 1
        if block[cut:].strip(b"\0 \t"):
            self._cut_end = decode_line(block[cut:])[:40]
        return block[:cut]

    def _parse_ahead(self, blocks: Iterable[bytes]) -> Iterator[tuple[bytes, Parsed]]:
        """Each block with its first plain lines parsed; the next blocks are parsed in parallel."""
        blocks = iter(blocks)
        first = next(blocks, b"")
        early = self._layout.first_line > 1  # what stands before the data may look like a line of them
        none: Parsed = np.empty(0), np.empty(0), 0
        yield first, none if early else self._parse_first(first)  # a short log is one block and needs no threads
        threads = min(MAX_THREADS, os.cpu_count() or 1)
        waiting: deque[tuple[bytes, Future[Parsed]]] = deque()
        with ThreadPoolExecutor(threads) as pool:
            for block in blocks:
                waiting.append((block, pool.submit(self._parse_first, block)))
                if len(waiting) > threads:
                    ready, future = waiting.popleft()
                    yield ready, future.result()
            for ready, future in waiting:
                yield ready, future.result()

    def _parse_first(self, block: bytes) -> Parsed:
        rows = block.count(b"\n")
        stamps, values = np.empty(rows), np.empty(rows)
        position, rows = self._parse_plain(np.frombuffer(block, np.uint8), 0, stamps, values)
        return stamps[:rows], values[:rows], position

    def _parse_plain(self, text: ByteArray, start: int, stamps: FloatArray, values: FloatArray) -> tuple[int, int]:
        """As `parse_lines`; no line with a clock before it is plain."""
        return (start, 0) if self._layout.clock_prefix else parse_lines(text, start, self._format, stamps, values)

    def _read_block(self, block: bytes, parsed: Parsed) -> None:
        stamps, values, at = parsed
        self._reserve(values.size + (block.count(b"\n", at) if at < len(block) else 0))
        stop = self._samples + values.size
        self._stamps[self._samples : stop], self._values[self._samples : stop] = stamps, values
        self._take(stop)
        text = np.frombuffer(block, np.uint8)
        while at < len(block):
            end = block.index(b"\n", at)
            self._read_line(block[at:end])
            if self._lines + 1 < self._layout.first_line:
                at = end + 1
                continue
            done = self._samples
            at, rows = self._parse_plain(text, end + 1, self._stamps[done:], self._values[done:])
            self._take(done + rows)

    def _reserve(self, rows: int) -> None:
        """Make room for more samples."""
        needed = self._samples + rows
        if needed > self._values.size:
            more = np.empty(max(needed, self._values.size * GROWTH) - self._samples)
            self._stamps = np.concatenate([self._stamps[: self._samples], more])
            self._values = np.concatenate([self._values[: self._samples], more])

    def _take(self, stop: int) -> None:
        """Count the samples up to `stop`, which came from the next lines."""
        rows = stop - self._samples
        if not rows:
            return
        if not self._runs or self._runs[-1][1] + self._samples - self._runs[-1][0] != self._lines + 1:
            self._runs.append((self._samples, self._lines + 1))
        if self._choice.time is None and not self._layout.clock_prefix:  # lines are the only clock
            self._stamps[self._samples : stop] = np.arange(self._samples, stop) + len(self._steps_left_out)
        self._samples = stop
        self._lines += rows

    def _read_line(self, raw: bytes) -> None:
        """Read one line of any kind."""
        bare = raw.strip(b"\0 \t")
        if len(bare) < len(raw.strip(b" \t")):
            self._findings.add("nul-bytes", "zero bytes around a line; removed", line=self._lines + 1)
        text = decode_line(bare)
        remark = text.startswith("#") and self._layout.split(text)[0].lower() not in UNDEFINED  # but `#N/A`
        empty = not text or (self._layout.columns > 1 and not any(self._layout.split(text)))
        sample = None if empty or remark else self._parse_odd(text, self._lines + 1)
        if sample is None:
            self._lines += 1
            return
        self._stamps[self._samples], self._values[self._samples] = sample
        self._take(self._samples + 1)

    def _parse_odd(self, text: str, line: int) -> tuple[float, float] | None:
        """Stamp and value of one line of any kind; None, and a finding, if it has none."""
        layout, choice = self._layout, self._choice
        cells = layout.split(CLOCK_PREFIX.sub("", text, count=1) if layout.clock_prefix else text)
        if (
            line < layout.first_line
            or len(cells) != layout.columns + layout.trailing
            or (layout.trailing and cells[-1])
        ):
            self._leave_out(text, cells, line)
            return None
        if choice.time is not None:
            stamp = layout.number(cells[choice.time])
        else:
            stamp = self._clock_s(text) if layout.clock_prefix else 0.0
        value = layout.number(cells[choice.value])
        if stamp is not None and value is not None:
            return stamp, value
        if stamp is not None and cells[choice.value].lower() in UNDEFINED:
            self._findings.add("undefined-value", f"{text[:40]!r} has no number as value; left out", line=line)
            self._skip(stamp)
        else:
            self._leave_out(text, cells, line)
        return None

    def _skip(self, stamp: float | None) -> None:
        """Let time go on over a line that is left out; `stamp` is its own, where that can be read."""
        self._steps_left_out.append((self._samples, stamp))

    def _clock_s(self, text: str) -> float | None:
        """Seconds since the first day began; without dates, of the day."""
        clock = read_clock(text)
        if clock is None or (self._layout.dated and not clock[0]):
            return None
        day, seconds = clock
        self._first_day = self._first_day or day
        return 86400.0 * (day - self._first_day) + seconds if self._layout.dated else seconds

    def _refuse_other_unit(self, text: str, line: int) -> None:
        """Raise RecordingError for a header among the data whose unit is another than that of the values above."""
        used, cells = self._choice.value_column, header_cells(self._layout, text)
        own = describe_column(cells[self._choice.value]) if cells else used
        if own.unit in ("V", "counts") and used.unit and (own.unit, own.scale_v) != (used.unit, used.scale_v):
            raise RecordingError(
                f"{self._source}, line {line}: {text[:40]!r} is a header with another unit than above; put the lines"
                " from there on into a file of their own"
            )

    def _leave_out(self, text: str, cells: list[str], line: int) -> None:
        """A line without data: before the data, a repeated header, a text, or corrupted data."""
        early = line < self._layout.first_line
        if not early:
            self._refuse_other_unit(text, line)
        if text in self._layout.header_texts:
            if not early:
                self._findings.add("repeated-header", "the header is repeated; skipped", line=line)
                self._texts.append(self._samples)
        elif early and read_metadata([text]):  # of which the rate or a unit was taken
            return
        elif early or (WORD.search(text) and not any(cell.lower() in UNDEFINED for cell in cells)):
            where = "before" if early else "among"
            self._findings.add("foreign-text", f"{text[:40]!r} {where} the data; skipped", line=line)
            self._texts.append(self._samples)
        else:
            self._findings.add("malformed-line", f"{text[:40]!r} is cut or merged; left out", line=line)
            self._first_unreadable = self._first_unreadable or f"line {line}, {text[:40]!r}"
            self._unreadable += 1
            self._skip(None)


def unwrap_numbers(raw: FloatArray) -> FloatArray | None:
    """Numbers of samples that go on where a counter of 8, 16 or 32 bits wraps; None where most do not rise by one."""
    steps = np.diff(raw)
    wrap = next((2.0**bits for bits in (8, 16, 32) if raw.max() < 2.0**bits), np.inf)
    wraps = (steps < 0) & (steps + wrap <= MOST_LOST_AT_WRAP)
    numbers = raw + (wrap * np.concatenate([[0.0], np.cumsum(wraps)]) if wraps.any() else 0.0)
    return numbers if 2 * np.count_nonzero(np.diff(numbers) == 1.0) > steps.size else None


def read_clock(text: str) -> tuple[int, float] | None:
    """Day (number from 0001-01-01, 0 without a date) and seconds of the day from a line's clock prefix; None without
    one. In UTC if it names a zone.

    >>> read_clock("12:00:01.5 -> 512"), read_clock("2024-05-03T12:00:01.5+02:00,512")
    ((0, 43201.5), (739009, 36001.5))
    """
    match = CLOCK_PREFIX.match(text)
    if match is None:
        return None
    date, hours, minutes, seconds, zone = match.groups()
    of_day = 3600.0 * int(hours) + 60.0 * int(minutes) + float(re.sub("[,:]", ".", seconds))
    if zone and zone != "Z":
        of_day -= float(f"{zone[0]}1") * (3600.0 * int(zone[1:3]) + 60.0 * int(zone[-2:]))
    try:
        return datetime.date.fromisoformat(date).toordinal() if date else 0, of_day
    except ValueError:  # no such day
        return None
