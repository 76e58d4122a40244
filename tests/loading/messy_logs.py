"""Logs as real loggers leave them, made here so that each holds one fault, with what must become of it.

All come from one clean log: 400 lines at 1 kHz, stamps in µs from 5 000 000, counts of a 10-bit converter. The faults
are those that serial logging is known for (common practice, no source); the wrap of a 32-bit counter is arithmetic.
"""

from dataclasses import dataclass, field
from typing import Any

import numpy as np

LINES = 400
STAMPS = 5_000_000 + 1000 * np.arange(LINES)
COUNTS = 512 + np.round(100 * np.sin(np.arange(LINES) / 3)).astype(int)
BOOT = "rst cause 2, boot mode 3"


@dataclass(frozen=True)
class MessyLog:
    """A log, the arguments to read it with, and the outcome: the samples kept and findings, or the refusal's words."""

    content: bytes
    arguments: dict[str, Any] = field(default_factory=dict)
    kept: list[int] | None = None  # None = all
    codes: tuple[str, ...] = ()
    line: int | None = None  # of the first finding
    refusal: str | None = None  # a pattern


def rows(separator: str = ",", stamps: Any = STAMPS, counts: Any = COUNTS, pattern: str = "{}") -> list[str]:
    """Lines of data."""
    return [f"{stamp}{separator}{pattern.format(count)}" for stamp, count in zip(stamps, counts, strict=True)]


def text(lines: list[str], header: str | None = "us,adc", end: str = "\n") -> bytes:
    """The lines with a header and line ends."""
    return "".join(line + end for line in ([] if header is None else [header]) + lines).encode()


def log(
    lines: list[str], header: str | None = "us,adc", end: str = "\n", above: bytes = b"", **outcome: Any
) -> MessyLog:
    """A log of these lines, below the bytes `above`."""
    return MessyLog(above + text(lines, header, end), **outcome)


def changed(place: int, *new: str, replaced: int = 1, **outcome: Any) -> MessyLog:
    """The clean log with lines in the place of some of its data lines; line n of the file is data line n - 2."""
    return log([*R[:place], *new, *R[place + replaced :]], **outcome)


def spoilt(line: str, code: str) -> MessyLog:
    """The clean log with another line in the place of data line 100, which is lost for the reason `code`."""
    return changed(100, line, kept=without(100), codes=(code, "lost-samples"), line=102)


def without(*gone: int) -> list[int]:
    """All samples but these."""
    return [index for index in range(LINES) if index not in gone]


def join(pattern: str, *columns: Any) -> list[str]:
    """A line of each row of the columns."""
    return [pattern.format(*row) for row in zip(*columns, strict=True)]


def comma(value: float) -> str:
    """A decimal comma."""
    return f"{value:.6f}".replace(".", ",")


R = rows()
CLEAN = text(R)
VALUES = [str(count) for count in COUNTS]
VOLTS = COUNTS * 5 / 1024
MILLIVOLTS = COUNTS * 5000 / 1024
SECONDS = STAMPS / 1e6
WRAPPED = rows(stamps=(2**32 - 150_000 + 1000 * np.arange(LINES)) % 2**32)
RESTARTED = rows(stamps=np.concatenate([STAMPS[:300], 900 + 1000 * np.arange(100)]))
EARLY_RESTART = rows(stamps=np.concatenate([STAMPS[:10], 900 + 1000 * np.arange(390)]))
AT_8_KHZ_MS = rows(stamps=1000 + np.arange(LINES) // 8)
CLOCK = [f"12:00:{s:06.3f}" for s in 10 + np.arange(LINES) / 1000]
MIDNIGHT = [
    f"{h:02}:{m:02}:{s:06.3f}"
    for h, m, s in (
        (t // 3600 % 24, t // 60 % 60, t % 60 + f)
        for t, f in ((86399 + (i + 800) // 1000, (i + 800) % 1000 / 1000) for i in range(LINES))
    )
]
AT_1_KHZ = {"fs": 1000.0}
NO_BITS = {"adc_bits": None}

LOGS: dict[str, MessyLog] = {
    # read as they are
    "clean": MessyLog(CLEAN),
    "carriage returns and line feeds": log(R, end="\r\n"),
    "carriage returns only": log(R, end="\r"),
    "doubled line ends": log(R, end="\r\r\n"),
    "an empty line after each": log(R, end="\n\n"),
    "mixed line ends": MessyLog(
        b"us,adc\r\n" + b"".join(line.encode() + (b"\n", b"\r\n", b"\r")[i % 3] for i, line in enumerate(R))
    ),
    "UTF-8 with a byte order mark": MessyLog(b"\xef\xbb\xbf" + CLEAN),
    "UTF-16 with a byte order mark": MessyLog(CLEAN.decode().encode("utf-16")),
    "UTF-16 big-endian": MessyLog(b"\xfe\xff" + CLEAN.decode().encode("utf-16-be")),
    "a micro sign in Latin-1": MessyLog(text(R, "time (µs),adc").decode().encode("latin-1")),
    "a micro sign in UTF-8": log(R, "time (µs),adc"),
    "a Greek mu": log(R, "time [μs],adc"),
    "a delimiter at every end": log([f"{line}," for line in R], "us,adc,"),
    "two delimiters at every end": log([f"{line},," for line in R], "us,adc,,"),
    "a title over empty columns": log([f"{line};;" for line in rows(";")], "us;adc;;remarks"),
    "a table from the second column and the third row on": log(
        [f";{line};;" for line in rows(";")], ";us;adc;;", above=b";;;;\n;;;;\n"
    ),
    "empty rows of a spreadsheet": log([*rows(";"), ";", ";"], "us;adc"),
    "semicolons and decimal commas": log(join("{};{}", map(comma, SECONDS), map(comma, VOLTS)), "time_s;volts"),
    "tabs": log(rows("\t"), "us\tadc"),
    "blanks": log(rows("   "), "us   adc"),
    "blanks after the commas": log(rows(", "), "us, adc"),
    "quoted cells": log(join('"{}","{}"', STAMPS, COUNTS), '"us","adc"'),
    "hexadecimal counts": log(rows(pattern="0x{:03X}")),
    "seconds with decimals": log(join("{:.6f},{}", SECONDS, COUNTS), "t_s,adc"),
    "milliseconds by option": log(rows(stamps=STAMPS // 1000), "time,adc", arguments={"time_unit": "ms"}),
    "no header, unit by option": log(R, None, arguments={"time_unit": "us"}),
    "a preamble that tells all": log(
        R, None, above=b"# adc_bits=10\n# full_scale_v = 5\n# time_unit: us\n", arguments=NO_BITS
    ),
    "comments among the data": changed(200, "# door closed", replaced=0),
    "millivolts": log(rows(counts=MILLIVOLTS), "us,a0_mv"),
    "a value a line": log(VALUES, None, arguments=AT_1_KHZ),
    "a value a line, rate in the preamble": log(VALUES, "adc", above=b"# fs_hz=1000\n"),
    "clock of a serial monitor": log(join("{} -> {}", CLOCK, COUNTS), None),
    "date and time": log(join("2024-05-01T{}Z,{}", CLOCK, COUNTS), "timestamp,adc"),
    "date and time with a blank and a decimal comma": log(
        join("2024-05-01 {};{}", (clock.replace(".", ",") for clock in CLOCK), COUNTS), None
    ),
    "a row of units below the header": log(rows(counts=MILLIVOLTS), None, above=b"Time,Channel A\n(us),(mV)\n"),
    "date and time in columns of their own": log(join("2024-05-01,{},{}", CLOCK, COUNTS), "date,time,adc"),
    "date and time with an offset from UTC": log(join("2024-05-01T{}000+02:00,{}", CLOCK, COUNTS), "timestamp,adc"),
    "date and time, volts with decimal commas": log(
        join("2024-05-01T{};{}", CLOCK, map(comma, VOLTS)), "timestamp;volts"
    ),
    "midnight with its date": log(
        join("2024-05-{:02} {},{}", 3 + (np.arange(LINES) >= 200), MIDNIGHT, COUNTS), "timestamp,adc"
    ),
    "a decimal comma on a line of one value": log([comma(v) for v in VOLTS], "voltage_v", arguments=AT_1_KHZ),
    "quoted decimal commas": log(join('{},"{}"', STAMPS, map(comma, VOLTS)), "us,volts"),
    "named values, commas": log(join("time_us:{},adc:{},lo:0,hi:1023", STAMPS, COUNTS), None),
    "named values, blanks": log(join("time_us:{} adc:{} lo:0", STAMPS, COUNTS), None),
    "named values, tabs": log(join("time_us:{}\tlo:0\tadc:{}", STAMPS, COUNTS), None),
    "named values, one alone": log([f"adc:{count}" for count in COUNTS], None, arguments=AT_1_KHZ),
    "named values, blanks after the colons": log(join("time_us: {}, adc: {}", STAMPS, COUNTS), None),
    "named values, a clock before them": log(join("{} -> Min:0 adc:{}", CLOCK, COUNTS), None),
    "a sequence counter that wraps": log(join("{},{},{}", STAMPS, np.arange(LINES) % 256, COUNTS), "us,seq,adc"),
    "a temperature": log(join("{},{},{}", STAMPS, 21.5 + np.arange(LINES) % 3, COUNTS), "us,temperature,adc"),
    "the lower line of a plotter": log(join("{},0,{}", STAMPS, COUNTS), "us,Min,adc"),
    "the lower limit of a plotter": log(join("{},0,{}", STAMPS, COUNTS), "us,lo,adc"),
    "a line number": log(join("{},{},{}", STAMPS, range(LINES), COUNTS), "us,n,adc"),
    "two lines of a plotter": log(join("0 1023 {}", COUNTS), "Min Max adc", arguments=AT_1_KHZ),
    "a line of a plotter on either side": log(join("0 {} 1023", COUNTS), "lo adc hi", arguments=AT_1_KHZ),
    "figures with units in a header that names a time": log(R, "time_us,adc 10 bit (0-5 V)"),
    "a clock and a tab before two columns": log(
        join("{}\t{},{}", CLOCK, COUNTS, 1023 - COUNTS), "clock,adc0,adc1", codes=("column-chosen",)
    ),
    "a stamp of minus zero": log(join("{},{}", ["-1", "-0", *range(1, LINES - 1)], COUNTS), "time_ms,adc"),
    "whole seconds and a counter": log(
        [f"12:00:{5 + i // 1000:02},{line}" for i, line in enumerate(R)], "clock,time_us,adc"
    ),
    "a remark with volts above the values": log(VALUES, None, above=b"# 10 bit converter, 5 V\n", arguments=AT_1_KHZ),
    "full scale as the last line of the preamble": log(VALUES, None, above=b"# fs_hz=1000\n# full_scale_v=5\n"),
    "a number sign for the line number": log(join("{};{};{}", range(LINES), STAMPS, COUNTS), "#;us;adc"),
    "exponents with decimal commas": log([f"{v:.6e}".replace(".", ",") for v in VOLTS], "volts", arguments=AT_1_KHZ),
    "decimal commas but in whole numbers": log(
        [f"{1e6 * v:.7g}".replace(".", ",") for v in VOLTS], "uv", arguments=AT_1_KHZ
    ),
    "decimal commas but in whole numbers, with stamps": log(
        join("{};{}", STAMPS, [f"{1e6 * v:.7g}".replace(".", ",") for v in VOLTS]), "us;uv"
    ),
    "a remark that looks like a line of data": log(
        join("{};{}", range(LINES), COUNTS),
        "n;adc",
        above=b"Channels;2\n",
        arguments=AT_1_KHZ,
        codes=("foreign-text",),
        line=1,
    ),
    "typographic minus signs": log(
        [
            f"{stamp},{volts / 1e3:.9e}".replace("-", "\N{MINUS SIGN}")
            for stamp, volts in zip(STAMPS, VOLTS, strict=True)
        ],
        "us,kv",
    ),
    "milliseconds behind a colon": log(
        join("{},{}", [clock.replace(".", ":") for clock in CLOCK], COUNTS), "clock,adc"
    ),
    "a rate with its unit above the values": log(VALUES, "adc", above=b"Sample rate,1 kHz\n"),
    "a name too many, of no column": log(
        join("{}\t{}", STAMPS, COUNTS),
        "t_us\tadc\tComment",
        above=b"X_Dimension\tTime\n",
        codes=("foreign-text",),
        line=1,
    ),
    "clock before stamps of its own": log([f"[{CLOCK[0]}] {line}" for line in R]),
    "two channels with own stamps, first": log(
        join("{},{},{},{}", STAMPS, COUNTS, STAMPS + 300, 1023 - COUNTS), "t0_us,a0,t1_us,a1", arguments={"channel": 0}
    ),
    "a data frame with its index": log(join("{},{},{}", range(LINES), STAMPS, COUNTS), ",us,adc"),
    "a data frame with its index and no time": log(join("{},{}", range(LINES), COUNTS), ",adc", arguments=AT_1_KHZ),
    "a data frame with times as its index": log(
        join("2024-05-01 {},{:.6f}", CLOCK, MILLIVOLTS), ",mv", arguments=NO_BITS
    ),
    "date and time in German": log(
        join("2024-05-01;{};{:.6f}", CLOCK, MILLIVOLTS), "Datum;Uhrzeit;Spannung [mV]", arguments=NO_BITS
    ),
    "units of two kinds below the names": log(
        ["us,mV,V", *join("{},{:.4f},{:.6f}", STAMPS, MILLIVOLTS, 3.3 - VOLTS)],
        "Time,CH1,CH2",
        arguments={"column": "CH1 (mV)", **NO_BITS},
    ),
    "a line number and no time": log(join("{},{}", range(LINES), COUNTS), "n,adc", arguments=AT_1_KHZ),
    # read, and the finding names what was done
    "a last line that is cut": MessyLog(CLEAN[:-3], kept=without(399), codes=("cut-end",), line=401),
    "a first line cut in its stamp": log(
        ["0,512", *R[1:]], None, arguments={"time_unit": "us"}, kept=without(0), codes=("cut-start",), line=1
    ),
    "a first line cut in its value": log(
        ["2", *VALUES[1:]], None, arguments=AT_1_KHZ, kept=without(0), codes=("cut-start",), line=1
    ),
    "a unit of time against the header's": log(
        rows(stamps=STAMPS // 1000), "us,adc", arguments={"time_unit": "ms"}, codes=("time-unit-overruled",)
    ),
    "no line end after the last line": MessyLog(CLEAN[:-1], kept=without(399), codes=("cut-end",), line=401),
    "UTF-16 without a byte order mark": MessyLog(CLEAN.decode().encode("utf-16-le"), codes=("no-byte-order-mark",)),
    "boot text before": MessyLog(BOOT.encode() + b"\n" + CLEAN, codes=("foreign-text",), line=1),
    "boot text inside": changed(200, BOOT, replaced=0, codes=("foreign-text",), line=202),
    "the header again": changed(200, "us,adc", replaced=0, codes=("repeated-header",), line=202),
    "two lines merged": changed(
        100, R[100] + R[101], replaced=2, kept=without(100, 101), codes=("malformed-line", "lost-samples"), line=102
    ),
    "a line end lost between values": spoilt(R[100] + "512", "out-of-range"),
    "a line cut after the stamp": spoilt("5100000", "malformed-line"),
    "a line cut before the value": spoilt("5100000,", "undefined-value"),
    "a line that lost its start": spoilt(R[100][3:], "spoilt-stamp"),
    "a stamp with a digit too many": spoilt("5" + R[100], "spoilt-stamp"),
    "one delimiter too many": spoilt(R[100] + ",", "malformed-line"),
    "volts of which two lines are merged": log(
        join("{},{}", STAMPS, ["25008" if i == 100 else f"{v:.6f}" for i, v in enumerate(VOLTS)]),
        "us,volts",
        kept=without(100),
        codes=("out-of-range", "lost-samples"),
        line=102,
    ),
    "volts of which a line lost its point and its end": log(
        join("{},{}", STAMPS, ["2500812500812" if i == 100 else f"{v:.6f}" for i, v in enumerate(VOLTS)]),
        "us,volts",
        arguments={"adc_bits": None, "full_scale_v": None},
        kept=without(100),
        codes=("out-of-range", "lost-samples"),
        line=102,
    ),
    "overflow marks": spoilt("5100000,ovf", "undefined-value"),
    "not a number": spoilt("5100000,nan", "undefined-value"),
    "an error of a spreadsheet": spoilt("5100000,#DIV/0!", "undefined-value"),
    "over the range of an oscilloscope": spoilt("5100000,-∞", "undefined-value"),
    "what printf writes for infinity": spoilt("5100000,1.#INF", "undefined-value"),
    "no value in a log without times": log(
        [*VALUES[:100], "#N/A", *VALUES[101:]],
        "adc",
        arguments=AT_1_KHZ,
        kept=without(100),
        codes=("undefined-value", "lost-samples"),
        line=102,
    ),
    "a value that no converter gives": spoilt("5100000,1024", "out-of-range"),
    "zero bytes around lines": changed(100, f"\0\0{R[100]}\0", codes=("nul-bytes",), line=102),
    "zero bytes to the end": MessyLog(CLEAN + b"\0" * 512, codes=("padding",)),
    "a megabyte of zero bytes to the end": MessyLog(CLEAN + b"\0" * 2**20, codes=("padding",)),
    "a megabyte of 0xFF to the end": MessyLog(CLEAN + b"\xff" * 2**20, codes=("padding",)),
    "a megabyte of zero bytes inside": changed(100, "\0" * 2**20 + R[100], codes=("padding",)),
    "zero bytes inside a line": spoilt("51\0\0" + R[100][4:], "malformed-line"),
    "a line twice": changed(100, R[100], R[100], codes=("doubled-line",), line=103),
    "two values at one stamp": changed(100, "5099000," + R[100].split(",")[1], codes=("repeated-stamp",), line=102),
    "two lines swapped": changed(
        100, R[101], R[100], replaced=2, kept=without(101), codes=("spoilt-stamp", "lost-samples"), line=102
    ),
    "a gap": changed(100, replaced=100, kept=without(*range(100, 200)), codes=("gap",), line=102),
    "a counter that wraps": log(WRAPPED, codes=("counter-wrap",), line=152),
    "midnight": log(join("{} -> {}", MIDNIGHT, COUNTS), None, codes=("counter-wrap",), line=201),
    "a restart": log(RESTARTED, kept=list(range(300)), codes=("clock-restart",), line=302),
    "a restart with its header": log(
        [*RESTARTED[:300], "us,adc", *RESTARTED[300:]],
        kept=list(range(300)),
        codes=("repeated-header", "clock-restart"),
        line=302,
    ),
    "a restart where a wrap would be": log(
        [*WRAPPED[:150], BOOT, *WRAPPED[150:200]],
        kept=list(range(150)),
        codes=("foreign-text", "clock-restart"),
        line=152,
    ),
    "millisecond stamps at 8 kHz": log(AT_8_KHZ_MS, "ms,adc", codes=("coarse-stamps",)),
    "preamble against option": MessyLog(b"# full_scale_v=3.3\n" + CLEAN, codes=("full-scale-v-overruled",)),
    # refused
    "a unit after each value": log(
        [f"{value} mV" for value in VALUES], None, refusal="numbers up to 9e15 without units"
    ),
    "no unit of time": log(R, "time,adc", refusal="line 2: '5000000,512'.*time_unit='us', 'ms' or 's'"),
    "two columns without a header": log(R, None, refusal="line 1.*no header.*time_unit="),
    "three columns without a header": log([f"{line},7" for line in R], None, refusal="3 columns and no header"),
    "no rate": log(VALUES, None, refusal="no time column and no rate; give fs="),
    "counts without bits": MessyLog(CLEAN, NO_BITS, refusal="adc_bits="),
    "a line number taken for the signal": log(
        join("{},{}", range(LINES), COUNTS),
        "a,b",
        arguments=AT_1_KHZ,
        refusal="line 2: the values of 'a' only rise, from 0 to 399.*column=",
    ),
    "a clock without its unit": log(
        R, "moment,piezo", arguments={"fs": 1000.0, "adc_bits": 24}, refusal="'moment' only rise.*time_unit="
    ),
    "millivolts without their name": log(
        rows(counts=MILLIVOLTS),
        "us,value",
        arguments=NO_BITS,
        refusal="line 2: 400 values, the first 2500, are no volts up to 2 times 5 V.*name the column mv",
    ),
    "millivolts in a remark": log(
        [f"{count}.5" for count in COUNTS],
        None,
        above=b"piezo on the door, all in mV\n",
        arguments=AT_1_KHZ | NO_BITS,
        refusal="all in mV.*put volts or mv there",
    ),
    "a minus zero before a comma": log(
        [f"-0,0{count}" for count in COUNTS],
        None,
        arguments={"adc_bits": None, "full_scale_v": None},
        refusal="no time column and no rate",
    ),
    "bits too few": log(rows(counts=COUNTS * 4), refusal="line 2: 400 values.*give the right adc_bits"),
    "words only": MessyLog(b"to whom it may concern\n" * 50, refusal="no line of numbers"),
    "the wrong baud rate": MessyLog(
        b"us,adc\n" + b"".join(line.encode() + b"\n" + bytes([0xF8, 0x80, 0x3F, 0x9E]) + b"\n" for line in R),
        refusal=r"400 of 800 lines.*line 3.*baud rate",
    ),
    "an early restart": log(EARLY_RESTART, refusal=r"line 12.*restarts.*into a file of their own"),
    "stamps that stand still": log(rows(stamps=[7] * LINES), refusal="stamps are all equal"),
    "one line": log(["5000000,512"], refusal="1 lines of data"),
    "a header in another unit inside": changed(
        200, "us,mv", replaced=0, refusal="line 202: 'us,mv' is a header with another unit than above"
    ),
    "stamps in disorder": log(
        rows(stamps=STAMPS + np.random.default_rng(1).integers(-900, 900, LINES)), refusal="go back in over 20 places"
    ),
    "two rates": log(
        rows(stamps=np.concatenate([STAMPS[:200], 6_000_000 + 2000 * np.arange(200)])),
        refusal="put the parts into files of their own",
    ),
    "a picture": MessyLog(b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 40, refusal="no text|no line of numbers"),
    "no line ends": MessyLog(b"512 " * 100_000, refusal="line is longer|lines of data"),
}
