"""Logs as real loggers leave them, made here so that each holds one fault, with what must become of it.

All come from one clean log: 400 lines at 1 kHz, stamps in µs from 5 000 000, counts of a 10-bit converter. The faults
are those that serial logging is known for (common practice, no source); the wrap of a 32-bit counter is arithmetic.
"""

from collections.abc import Callable
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


def text(lines: list[str], header: str | None = "us,adc", end: str = "\n") -> str:
    """The lines with a header and line ends."""
    return "".join(line + end for line in ([] if header is None else [header]) + lines)


def changed(change: Callable[[list[str]], list[str]]) -> bytes:
    """The clean log after a change to its lines of data; line n of the file is data line n - 2."""
    return text(change(rows())).encode()


def without(*gone: int) -> list[int]:
    """All samples but these."""
    return [index for index in range(LINES) if index not in gone]


def at(place: int, *new: str, replaced: int = 1) -> Callable[[list[str]], list[str]]:
    """Put lines in the place of some of the data lines."""
    return lambda lines: [*lines[:place], *new, *lines[place + replaced :]]


def comma(value: float) -> str:
    """A decimal comma."""
    return f"{value:.6f}".replace(".", ",")


R = rows()
CLEAN = text(R).encode()
SECONDS = STAMPS / 1e6
WRAPPED = (2**32 - 150_000 + 1000 * np.arange(LINES)) % 2**32
RESTARTED = np.concatenate([STAMPS[:300], 900 + 1000 * np.arange(100)])
EARLY_RESTART = np.concatenate([STAMPS[:10], 900 + 1000 * np.arange(390)])
AT_8_KHZ_MS = 1000 + np.arange(LINES) // 8
CLOCK = [f"12:00:{s:06.3f}" for s in 10 + np.arange(LINES) / 1000]
MIDNIGHT = [
    f"{h:02}:{m:02}:{s:06.3f}"
    for h, m, s in (
        (t // 3600 % 24, t // 60 % 60, t % 60 + f)
        for t, f in ((86399 + (i + 800) // 1000, (i + 800) % 1000 / 1000) for i in range(LINES))
    )
]

LOGS: dict[str, MessyLog] = {
    # read as they are
    "clean": MessyLog(CLEAN),
    "carriage returns and line feeds": MessyLog(text(R, end="\r\n").encode()),
    "carriage returns only": MessyLog(text(R, end="\r").encode()),
    "doubled line ends": MessyLog(text(R, end="\r\r\n").encode()),
    "an empty line after each": MessyLog(text(R, end="\n\n").encode()),
    "mixed line ends": MessyLog(
        b"us,adc\r\n" + b"".join(line.encode() + (b"\n", b"\r\n", b"\r")[i % 3] for i, line in enumerate(R))
    ),
    "UTF-8 with a byte order mark": MessyLog(b"\xef\xbb\xbf" + CLEAN),
    "UTF-16 with a byte order mark": MessyLog(CLEAN.decode().encode("utf-16")),
    "UTF-16 big-endian": MessyLog(b"\xfe\xff" + CLEAN.decode().encode("utf-16-be")),
    "a micro sign in Latin-1": MessyLog(text(R, "time (µs),adc").encode("latin-1")),
    "a micro sign in UTF-8": MessyLog(text(R, "time (µs),adc").encode()),
    "a Greek mu": MessyLog(text(R, "time [μs],adc").encode()),
    "a delimiter at every end": MessyLog(text([f"{line}," for line in R], "us,adc,").encode()),
    "semicolons and decimal commas": MessyLog(
        text(
            [f"{comma(t)};{comma(v)}" for t, v in zip(SECONDS, COUNTS * 5 / 1024, strict=True)], "time_s;volts"
        ).encode()
    ),
    "tabs": MessyLog(text(rows("\t"), "us\tadc").encode()),
    "blanks": MessyLog(text(rows("   "), "us   adc").encode()),
    "blanks after the commas": MessyLog(text(rows(", "), "us, adc").encode()),
    "quoted cells": MessyLog(
        text([f'"{t}","{v}"' for t, v in zip(STAMPS, COUNTS, strict=True)], '"us","adc"').encode()
    ),
    "hexadecimal counts": MessyLog(text(rows(pattern="0x{:03X}")).encode()),
    "seconds with decimals": MessyLog(text(rows(stamps=[f"{t:.6f}" for t in SECONDS]), "t_s,adc").encode()),
    "milliseconds by option": MessyLog(text(rows(stamps=STAMPS // 1000), "time,adc").encode(), {"time_unit": "ms"}),
    "no header, unit by option": MessyLog(text(R, None).encode(), {"time_unit": "us"}),
    "a preamble that tells all": MessyLog(
        b"# adc_bits=10\n# full_scale_v = 5\n# time_unit: us\n" + text(R, None).encode(), {"adc_bits": None}
    ),
    "comments among the data": MessyLog(changed(at(200, "# door closed", replaced=0))),
    "millivolts": MessyLog(text(rows(counts=COUNTS * 5000 / 1024), "us,a0_mv").encode()),
    "a value a line": MessyLog(text([str(v) for v in COUNTS], None).encode(), {"fs": 1000.0}),
    "a value a line, rate in the preamble": MessyLog(
        b"# fs_hz=1000\n" + text([str(v) for v in COUNTS], "adc").encode()
    ),
    "clock of a serial monitor": MessyLog(
        text([f"{c} -> {v}" for c, v in zip(CLOCK, COUNTS, strict=True)], None).encode()
    ),
    "date and time": MessyLog(
        text([f"2024-05-01T{c}Z,{v}" for c, v in zip(CLOCK, COUNTS, strict=True)], "timestamp,adc").encode()
    ),
    "date and time with a blank and a decimal comma": MessyLog(
        text([f"2024-05-01 {c.replace('.', ',')};{v}" for c, v in zip(CLOCK, COUNTS, strict=True)], None).encode()
    ),
    "a row of units below the header": MessyLog(
        b"Time,Channel A\n(us),(mV)\n" + text(rows(counts=COUNTS * 5000 / 1024), None).encode(),
        codes=("foreign-text",),
        line=1,
    ),
    "date and time in columns of their own": MessyLog(
        text([f"2024-05-01,{c},{v}" for c, v in zip(CLOCK, COUNTS, strict=True)], "date,time,adc").encode()
    ),
    "date and time with an offset from UTC": MessyLog(
        text([f"2024-05-01T{c}000+02:00,{v}" for c, v in zip(CLOCK, COUNTS, strict=True)], "timestamp,adc").encode()
    ),
    "date and time, volts with decimal commas": MessyLog(
        text(
            [f"2024-05-01T{c};{comma(v)}" for c, v in zip(CLOCK, COUNTS * 5 / 1024, strict=True)], "timestamp;volts"
        ).encode()
    ),
    "midnight with its date": MessyLog(
        text(
            [f"2024-05-{3 + (i >= 200):02} {c},{v}" for i, (c, v) in enumerate(zip(MIDNIGHT, COUNTS, strict=True))],
            "timestamp,adc",
        ).encode()
    ),
    "a decimal comma on a line of one value": MessyLog(
        text([comma(v) for v in COUNTS * 5 / 1024], "voltage_v").encode(), {"fs": 1000.0}
    ),
    "figures with units in a header that names a time": MessyLog(text(R, "time_us,adc 10 bit (0-5 V)").encode()),
    "a clock and a tab before two columns": MessyLog(
        text([f"{c}\t{v},{1023 - v}" for c, v in zip(CLOCK, COUNTS, strict=True)], "clock,adc0,adc1").encode(),
        codes=("column-chosen",),
    ),
    "a stamp of minus zero": MessyLog(
        text([f"{i - 1},{v}" if i != 1 else f"-0,{v}" for i, v in enumerate(COUNTS)], "time_ms,adc").encode()
    ),
    "whole seconds and a counter": MessyLog(
        text([f"12:00:{5 + i // 1000:02},{line}" for i, line in enumerate(R)], "clock,time_us,adc").encode()
    ),
    "a remark with volts above the values": MessyLog(
        b"# 10 bit converter, 5 V\n" + text([str(v) for v in COUNTS], None).encode(), {"fs": 1000.0}
    ),
    "full scale as the last line of the preamble": MessyLog(
        b"# fs_hz=1000\n# full_scale_v=5\n" + text([str(v) for v in COUNTS], None).encode()
    ),
    "clock before stamps of its own": MessyLog(text([f"[{CLOCK[0]}] {line}" for line in R], "us,adc").encode()),
    "two channels with own stamps, first": MessyLog(
        text(
            [f"{t},{v},{t + 300},{1023 - v}" for t, v in zip(STAMPS, COUNTS, strict=True)], "t0_us,a0,t1_us,a1"
        ).encode(),
        {"channel": 0},
    ),
    "a line number and no time": MessyLog(
        text([f"{i},{v}" for i, v in enumerate(COUNTS)], "n,adc").encode(), {"fs": 1000.0}
    ),
    # read, and the finding names what was done
    "a last line that is cut": MessyLog(CLEAN[:-3], kept=without(399), codes=("cut-end",), line=401),
    "no line end after the last line": MessyLog(CLEAN[:-1], kept=without(399), codes=("cut-end",), line=401),
    "UTF-16 without a byte order mark": MessyLog(CLEAN.decode().encode("utf-16-le"), codes=("no-byte-order-mark",)),
    "boot text before": MessyLog(BOOT.encode() + b"\n" + CLEAN, codes=("foreign-text",), line=1),
    "boot text inside": MessyLog(changed(at(200, BOOT, replaced=0)), codes=("foreign-text",), line=202),
    "the header again": MessyLog(changed(at(200, "us,adc", replaced=0)), codes=("repeated-header",), line=202),
    "two lines merged": MessyLog(
        changed(at(100, R[100] + R[101], replaced=2)),
        kept=without(100, 101),
        codes=("malformed-line", "lost-samples"),
        line=102,
    ),
    "a line end lost between values": MessyLog(
        changed(at(100, R[100] + "512", replaced=1)),
        kept=without(100),
        codes=("out-of-range", "lost-samples"),
        line=102,
    ),
    "a line cut after the stamp": MessyLog(
        changed(at(100, "5100000")), kept=without(100), codes=("malformed-line", "lost-samples"), line=102
    ),
    "a line cut before the value": MessyLog(
        changed(at(100, "5100000,")), kept=without(100), codes=("undefined-value", "lost-samples"), line=102
    ),
    "a line that lost its start": MessyLog(
        changed(at(100, R[100][3:])), kept=without(100), codes=("spoilt-stamp", "lost-samples"), line=102
    ),
    "a stamp with a digit too many": MessyLog(
        changed(at(100, "5" + R[100])), kept=without(100), codes=("spoilt-stamp", "lost-samples"), line=102
    ),
    "one delimiter too many": MessyLog(
        changed(at(100, R[100] + ",")), kept=without(100), codes=("malformed-line", "lost-samples"), line=102
    ),
    "volts of which two lines are merged": MessyLog(
        text(
            [
                f"{t},{v:.6f}" if i != 100 else f"{t},25008"
                for i, (t, v) in enumerate(zip(STAMPS, COUNTS * 5 / 1024, strict=True))
            ],
            "us,volts",
        ).encode(),
        kept=without(100),
        codes=("out-of-range", "lost-samples"),
        line=102,
    ),
    "overflow marks": MessyLog(
        changed(at(100, "5100000,ovf")), kept=without(100), codes=("undefined-value", "lost-samples"), line=102
    ),
    "not a number": MessyLog(
        changed(at(100, "5100000,nan")), kept=without(100), codes=("undefined-value", "lost-samples"), line=102
    ),
    "a value that no converter gives": MessyLog(
        changed(at(100, "5100000,1024")), kept=without(100), codes=("out-of-range", "lost-samples"), line=102
    ),
    "zero bytes around lines": MessyLog(
        CLEAN.replace(R[100].encode(), b"\0\0" + R[100].encode() + b"\0"), codes=("nul-bytes",), line=102
    ),
    "zero bytes to the end": MessyLog(CLEAN + b"\0" * 512, codes=("padding",)),
    "a megabyte of zero bytes to the end": MessyLog(CLEAN + b"\0" * 2**20, codes=("padding",)),
    "a megabyte of 0xFF to the end": MessyLog(CLEAN + b"\xff" * 2**20, codes=("padding",)),
    "a megabyte of zero bytes inside": MessyLog(
        CLEAN.replace(R[100].encode(), b"\0" * 2**20 + R[100].encode()), codes=("padding",)
    ),
    "zero bytes inside a line": MessyLog(
        CLEAN.replace(R[100].encode(), b"51\0\0" + R[100][4:].encode()),
        kept=without(100),
        codes=("malformed-line", "lost-samples"),
        line=102,
    ),
    "a line twice": MessyLog(changed(at(100, R[100], R[100])), codes=("doubled-line",), line=103),
    "two values at one stamp": MessyLog(
        changed(at(100, "5099000," + R[100].split(",")[1])), codes=("repeated-stamp",), line=102
    ),
    "two lines swapped": MessyLog(
        changed(at(100, R[101], R[100], replaced=2)),
        kept=without(101),
        codes=("spoilt-stamp", "lost-samples"),
        line=102,
    ),
    "a gap": MessyLog(changed(at(100, replaced=100)), kept=without(*range(100, 200)), codes=("gap",), line=102),
    "a counter that wraps": MessyLog(text(rows(stamps=WRAPPED)).encode(), codes=("counter-wrap",), line=152),
    "midnight": MessyLog(
        text([f"{c} -> {v}" for c, v in zip(MIDNIGHT, COUNTS, strict=True)], None).encode(),
        codes=("counter-wrap",),
        line=201,
    ),
    "a restart": MessyLog(
        text(rows(stamps=RESTARTED)).encode(), kept=list(range(300)), codes=("clock-restart",), line=302
    ),
    "a restart with its header": MessyLog(
        text([*rows(stamps=RESTARTED)[:300], "us,adc", *rows(stamps=RESTARTED)[300:]]).encode(),
        kept=list(range(300)),
        codes=("repeated-header", "clock-restart"),
        line=302,
    ),
    "a restart where a wrap would be": MessyLog(
        text([*rows(stamps=WRAPPED)[:150], BOOT, *rows(stamps=WRAPPED)[150:200]]).encode(),
        kept=list(range(150)),
        codes=("foreign-text", "clock-restart"),
        line=152,
    ),
    "millisecond stamps at 8 kHz": MessyLog(
        text(rows(stamps=AT_8_KHZ_MS), "ms,adc").encode(), codes=("coarse-stamps",)
    ),
    "preamble against option": MessyLog(b"# full_scale_v=3.3\n" + CLEAN, codes=("full-scale-v-overruled",)),
    # refused
    "no unit of time": MessyLog(
        text(R, "time,adc").encode(), refusal="line 2: '5000000,512'.*time_unit='us', 'ms' or 's'"
    ),
    "two columns without a header": MessyLog(text(R, None).encode(), refusal="line 1.*no header.*time_unit="),
    "three columns without a header": MessyLog(
        text([f"{line},7" for line in R], None).encode(), refusal="3 columns and no header"
    ),
    "no rate": MessyLog(text([str(v) for v in COUNTS], None).encode(), refusal="no time column and no rate; give fs="),
    "counts without bits": MessyLog(CLEAN, {"adc_bits": None}, refusal="adc_bits="),
    "a line number taken for the signal": MessyLog(
        text([f"{i},{v}" for i, v in enumerate(COUNTS)], "a,b").encode(),
        {"fs": 1000.0},
        refusal="line 2: the values of 'a' only rise, from 0 to 399.*column=",
    ),
    "a clock without its unit": MessyLog(
        text(R, "moment,piezo").encode(), {"fs": 1000.0, "adc_bits": 24}, refusal="'moment' only rise.*time_unit="
    ),
    "millivolts without their name": MessyLog(
        text(rows(counts=COUNTS * 5000 / 1024), "us,value").encode(),
        {"adc_bits": None},
        refusal="line 2: 400 values, the first 2500, are no volts up to 2 times 5 V.*name the column mv",
    ),
    "millivolts in a remark": MessyLog(
        b"piezo on the door, all in mV\n" + text([f"{v}.5" for v in COUNTS], None).encode(),
        {"fs": 1000.0, "adc_bits": None},
        refusal="all in mV.*put volts or mv there",
    ),
    "a minus zero before a comma": MessyLog(
        text([f"-0,0{v}" for v in COUNTS], None).encode(),
        {"adc_bits": None, "full_scale_v": None},
        refusal="no time column and no rate",
    ),
    "bits too few": MessyLog(
        text(rows(counts=COUNTS * 4)).encode(), refusal="line 2: 400 values.*give the right adc_bits"
    ),
    "words only": MessyLog(b"to whom it may concern\n" * 50, refusal="no line of numbers"),
    "the wrong baud rate": MessyLog(
        b"us,adc\n" + b"".join(line.encode() + b"\n" + bytes([0xF8, 0x80, 0x3F, 0x9E]) + b"\n" for line in R),
        refusal=r"400 of 800 lines.*line 3.*baud rate",
    ),
    "an early restart": MessyLog(
        text(rows(stamps=EARLY_RESTART)).encode(), refusal=r"line 12.*restarts.*into a file of their own"
    ),
    "stamps that stand still": MessyLog(text(rows(stamps=[7] * LINES)).encode(), refusal="stamps are all equal"),
    "one line": MessyLog(b"us,adc\n5000000,512\n", refusal="1 lines of data"),
    "two rates": MessyLog(
        text(rows(stamps=np.concatenate([STAMPS[:200], 6_000_000 + 2000 * np.arange(200)]))).encode(),
        refusal="put the parts into files of their own",
    ),
    "a picture": MessyLog(b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 40, refusal="no text|no line of numbers"),
    "no line ends": MessyLog(b"512 " * 100_000, refusal="line is longer|lines of data"),
}
