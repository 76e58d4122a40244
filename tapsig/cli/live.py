"""`tapsig detect -`: samples from standard input, each tap printed as it is decided, a level meter on a terminal."""

import argparse
import math
import re
import sys
from collections.abc import Iterator, Sequence

import numpy as np

from tapsig.cli.detecting import COLUMNS, list_rows, render_event
from tapsig.cli.output import note, render_csv, show
from tapsig.cli.terminal import make_inert
from tapsig.converter import Converter
from tapsig.detections import Detections
from tapsig.detectors.base import Variant
from tapsig.errors import ParameterError
from tapsig.records import TAP
from tapsig.units import FloatArray, check_positive

READ_BYTES = 1 << 16
NUMBER = re.compile(rb"(?<![\w.\0])[-+]?(?:0[xX][0-9a-fA-F]+|(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)(?![\w.\0])")
"""A number that stands alone: neither the 1 of `ch1`, nor the 512 of `512mV`, whose unit would be lost, nor a digit of
UTF-16 among zero bytes."""
WHOLE = re.compile(rb"[-+]?\d+")
CELL_END = re.compile(rb"[;\t]")
DECIMAL_COMMA = re.compile(rb"\s*[-+]?\d+,\d+(?:[eE][-+]?\d+)?\s*")
LONGEST_LINE = 10_000
FEW_LINES = 100
METER_S = 0.1
METER_DB = 60
WIDTHS = {"onset_s": 10, "kind": 8, "gap_s": 10, "strength": 8, "decided_after_ms": 16}


class TextLines:
    """Counts or volts, one a line: the last number of each.

    Lines without a number, and those whose number is no count, are skipped and counted; most may not be. Raises
    ParameterError then, for volts that may have a decimal comma, and where all of them are whole.
    """

    def __init__(self, converter: Converter | None) -> None:
        self._converter, self._rest = converter, b""
        self._line = self.skipped = self.first_skipped = 0
        self._read = self._outside = 0
        self._first_outside = self._text = ""
        self._least, self._most = math.inf, -math.inf
        self._whole = converter is None

    def push(self, data: bytes) -> FloatArray:
        """Volts of the lines that `data` completes, shape (n,)."""
        *lines, self._rest = (self._rest + data).replace(b"\r", b"\n").split(b"\n")
        if len(self._rest) > LONGEST_LINE:
            raise ParameterError(
                f"standard input holds a line of over {LONGEST_LINE} bytes; for raw samples give --stdin s16le"
            )
        return self._to_volts(lines)

    def finish(self) -> FloatArray:
        """Volts of a last line without an end."""
        rest, self._rest = self._rest, b""
        volts = self._to_volts([rest])
        self._check_share(1)
        return volts

    def _to_volts(self, lines: list[bytes]) -> FloatArray:
        values: list[float] = []
        for line in lines:
            line = line.strip(b"\0")
            if not line.strip():  # \r\n leaves an empty one
                continue
            self._line += 1
            if self._converter is None and DECIMAL_COMMA.fullmatch(CELL_END.split(line)[-1]):
                raise ParameterError(
                    f"standard input, line {self._line}: {line.decode()!r} may be one number with a decimal comma, or"
                    " two; send decimal points"
                )
            numbers = NUMBER.findall(line)
            value = _to_number(numbers[-1]) if numbers else math.nan
            if math.isfinite(value) and self._is_count(value):
                values.append(value)
                self._whole = self._whole and WHOLE.fullmatch(numbers[-1]) is not None
            else:
                self.skipped += 1
                self._text = self._text or line[:40].decode(errors="replace")
                self.first_skipped = self.first_skipped or self._line
            self._least, self._most = min(self._least, value), max(self._most, value)
        self._check_share(FEW_LINES)
        samples, converter = np.array(values), self._converter
        return samples if converter is None else converter.range_v[0] + samples * converter.count_v

    def _is_count(self, value: float) -> bool:
        """Whether a number is a count of the converter; any is without one."""
        self._read += 1
        if self._converter is None or (value.is_integer() and 0 <= value < 1 << self._converter.adc_bits):
            return True
        self._outside += 1
        self._first_outside = self._first_outside or f"{value:g}"
        return False

    def _check_share(self, least: int) -> None:
        """Raise ParameterError if at least `least` numbers were read and most of them are not counts."""
        if self._converter is not None and self._read >= least and 2 * self._outside > self._read:
            bits = self._converter.adc_bits
            raise ParameterError(
                f"standard input holds {self._first_outside} and other numbers ({self._outside} of {self._read}) that"
                f" are no counts; counts of --adc-bits {bits} are whole numbers from 0 to {(1 << bits) - 1}"
            )
        if self._line >= least and 2 * self.skipped > self._line:
            raise ParameterError(
                f"standard input: {self.skipped} of {self._line} lines hold no number alone, the first is line"
                f" {self.first_skipped}, {self._text!r}; send a number a line in UTF-8, or raw samples with --stdin"
                " s16le"
            )
        if self._whole and self._line >= FEW_LINES and self._most > 1.0:
            raise ParameterError(
                f"standard input holds whole numbers, such as {self._most:g}; counts need --adc-bits, and volts"
                " decimals"
            )

    def describe(self) -> str:
        """What was wrong with the input, "" for nothing."""
        what = "a number" if self._converter is None else "a count"
        if self.skipped:
            return f"{self.skipped} lines without {what} were skipped, the first is line {self.first_skipped}"
        same = self._line >= FEW_LINES and self._least == self._most
        return f"every line gives {self._most:g}; of several numbers in a line the last is taken" if same else ""


def _to_number(text: bytes) -> float:
    return float(int(text, 16) if b"x" in text.lower() else text)


class RawSamples:
    """Signed 16-bit little-endian samples of one channel; full scale is `full_scale_v`."""

    def __init__(self, full_scale_v: float) -> None:
        self._full_scale_v, self._rest = full_scale_v, b""

    def push(self, data: bytes) -> FloatArray:
        """Volts of the samples that `data` completes, shape (n,)."""
        data = self._rest + data
        whole = len(data) // 2 * 2
        self._rest = data[whole:]
        return np.frombuffer(data[:whole], "<i2").astype(np.float64) * (self._full_scale_v / 2**15)

    def finish(self) -> FloatArray:
        """Nothing: half a sample cannot be used."""
        return np.empty(0)

    def describe(self) -> str:
        """What was wrong with the input, "" for nothing."""
        return "the input ends with half a sample, which was left out" if self._rest else ""


class Meter:
    """The level of the input on a line of stderr, where that is a terminal; otherwise nothing."""

    def __init__(self, fs: float, full_scale_v: float) -> None:
        self._every, self._full_scale_v = max(1, round(METER_S * fs)), full_scale_v
        self._fs, self._pending, self._peak, self._total, self._shown = fs, 0, 0.0, 0, False
        self._on = sys.stderr.isatty()

    def push(self, samples: FloatArray, taps: int) -> None:
        """Take the next samples (volts), and show the line when it is due."""
        if not self._on or not samples.size:
            return
        self._total += samples.size
        self._pending += samples.size
        self._peak = max(self._peak, float(np.ptp(samples)) / 2.0)
        if self._pending < self._every:
            return
        level_db = 20.0 * math.log10(max(self._peak / self._full_scale_v, 1e-6))
        bar = "#" * round(20 * min(max(1.0 + level_db / METER_DB, 0.0), 1.0))
        line = f"{self._total / self._fs:9.1f} s  [{bar:<20}] {level_db:6.1f} dB of full scale  {taps} taps"
        sys.stderr.write(f"\r{make_inert(line)}")
        sys.stderr.flush()
        self._pending, self._peak, self._shown = 0, 0.0, True

    def clear(self) -> None:
        """Take the line away, so that something else can be written."""
        if self._shown:
            sys.stderr.write("\r" + " " * 70 + "\r")
            sys.stderr.flush()
            self._shown = False


def run_live(variant: Variant, args: argparse.Namespace) -> int:
    """Detect in standard input until it ends, or until Ctrl-C."""
    if args.fs is None:
        raise ParameterError("--fs is missing; standard input does not say its sample rate: give it in Hz")
    fs = check_positive("fs", args.fs)
    reader, converter, full_scale_v = _make_reader(args)
    takes = getattr(variant, "takes_converter", False)
    detector = variant.build(fs, keep_rejected=args.rejected, **({"converter": converter} if takes else {}))
    if math.isinf(detector.latency_s):
        raise ParameterError(f"{variant.name} decides at the end of a recording; choose another detector for live use")
    printer, meter = _Printer(args, fs), Meter(fs, full_scale_v)
    samples = 0
    try:
        for volts in _read_chunks(reader):
            samples += volts.size
            found = detector.push(volts)
            if len(found):
                meter.clear()
                printer.push(found)
            meter.push(volts, printer.taps)
    except KeyboardInterrupt:  # the usual end of a live run
        pass
    meter.clear()
    printer.push(detector.flush())
    if problem := reader.describe():
        note(problem)
    note(f"{printer.taps} taps in {samples / fs:.1f} s of standard input ({variant.name}, {fs:g} Hz)")
    return 0


def _make_reader(args: argparse.Namespace) -> tuple[TextLines | RawSamples, Converter | None, float]:
    """What reads the input, the converter behind it where it is known, and the volts of full scale."""
    is_raw = args.stdin == "s16le"
    if is_raw and args.adc_bits is not None:
        raise ParameterError("--adc-bits goes with --stdin text; raw samples have 16 bits")
    if not is_raw and args.adc_bits is None:
        if args.full_scale_v is not None:
            raise ParameterError(
                "--full-scale-v goes with counts (--adc-bits) or --stdin s16le; these lines hold volts"
            )
        return TextLines(None), None, 1.0
    full_scale_v = check_positive("full_scale_v", 1.0 if args.full_scale_v is None else args.full_scale_v)
    if is_raw:
        return RawSamples(full_scale_v), Converter((-full_scale_v, full_scale_v), 16), full_scale_v
    if args.full_scale_v is None:
        note("no --full-scale-v is given: the rails are taken as 1 V apart")
    converter = Converter((0.0, full_scale_v), args.adc_bits)
    return TextLines(converter), converter, full_scale_v / 2.0


def _read_chunks(reader: TextLines | RawSamples) -> Iterator[FloatArray]:
    """Volts as they arrive: no chunk waits for the next."""
    stream = getattr(sys.stdin, "buffer", None)
    if stream is None:
        raise ParameterError("the standard input is closed; pipe samples into it")
    first = True
    while data := stream.read1(READ_BYTES):
        if first and data[:4] in (b"RIFF", b"RF64", b"BW64"):
            raise ParameterError("standard input is a WAV file, with a header; give the name of the file in place of -")
        first = False
        yield reader.push(data)
    yield reader.finish()


class _Printer:
    """Prints each detection at once, in the format asked for."""

    def __init__(self, args: argparse.Namespace, fs: float) -> None:
        self._fs, self._rejected, self.taps = fs, args.rejected, 0
        self._last_s: float | None = None
        self._format = "jsonl" if args.events else args.format
        self._columns = (*COLUMNS, *(["reason"] if args.rejected else []))
        if self._format == "csv":
            show(render_csv(self._columns, []))
        elif self._format == "table":
            show(self._pad(self._columns))

    def push(self, found: Detections) -> None:
        times_s = (found.onset_samples / self._fs).tolist()
        for row in list_rows(found, times_s, self._fs, rejected=self._rejected, last_s=self._last_s):
            if row["kind"] == TAP:
                self.taps += 1
                self._last_s = float(str(row["onset_s"]))
            show(self._render(row))

    def _render(self, row: dict[str, object]) -> str:
        if self._format == "jsonl":
            return render_event(row)
        cells = [row[name] for name in self._columns]
        if self._format == "csv":
            return render_csv(self._columns, [cells]).partition("\n")[2]
        return self._pad(["–" if cell is None else str(cell) for cell in cells])

    def _pad(self, cells: Sequence[str]) -> str:
        padded = (cell.rjust(WIDTHS.get(name, 0)) for name, cell in zip(self._columns, cells, strict=True))
        return "  ".join(padded).rstrip() + "\n"
