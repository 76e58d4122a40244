"""Samples in frames, as the logger of `tapsig export --logger` sends them over a serial line, saved byte for byte.

A file is a sequence of frames. It may begin and end inside a frame, and corrupted bytes may lie between frames. All
numbers are unsigned, with the low byte first.

====== ===== =====================================================
byte   size  samples frame, 72 bytes
====== ===== =====================================================
0      1     0xA5
1      1     1
2      4     number of its first sample, from 0 at the logger's start
6      64    32 samples: the converter's counts, 2 bytes each
70     2     check
====== ===== =====================================================

====== ===== =====================================================
byte   size  header frame, 16 bytes: at the start, then every 64 samples frames
====== ===== =====================================================
0      1     0xA5
1      1     2
2      4     number of the sample that follows
6      4     sample rate in mHz
10     1     bits of the converter
11     1     samples in a samples frame, 32
12     2     full scale (0 to all counts) in mV
14     2     check
====== ===== =====================================================

The check is CRC-16 with the polynomial 0x1021, initial value 0, not reflected (XMODEM; `binascii.crc_hqx`), over the
bytes from 1 to before it. A frame that is missing or fails its check leaves a gap of its own length: time is never
shifted.
"""

import binascii
import struct
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tapsig.errors import ParameterError, RecordingError
from tapsig.loading.files import show_path
from tapsig.loading.findings import FindingList, LoadReport, Stretch
from tapsig.loading.read_options import ReadOptions
from tapsig.loading.wav import add_rate_difference
from tapsig.records import Gap, Recording
from tapsig.units import IntArray, counts_to_volts

SYNC, SAMPLES, HEADER = 0xA5, 1, 2
A_FRAME = 32
FRAME = np.dtype([("sync", "u1"), ("kind", "u1"), ("number", "<u4"), ("counts", "<u2", A_FRAME), ("check", "<u2")])
SIZES = {SAMPLES: FRAME.itemsize, HEADER: 16}
HEADER_EVERY = 64
HEAD_BYTES = 2 * (HEADER_EVERY * SIZES[SAMPLES] + SIZES[HEADER])
"""A file of frames has a header within these bytes, even if one header is corrupted."""


@dataclass(frozen=True, slots=True)
class Header:
    """The settings of the logger, from a header frame."""

    fs: float
    adc_bits: int
    full_scale_v: float


def starts_as_frames(path: Path) -> bool:
    """Whether the file holds a header frame near its beginning."""
    with path.open("rb") as file:
        return _find_header(file.read(HEAD_BYTES)) is not None


def read_frames(path: Path, options: ReadOptions) -> tuple[Recording, LoadReport]:
    """The samples of a file of frames as a Recording in volts; see `tapsig.loading.read_recording`.

    Raises RecordingError for a file without a header or samples, or if most samples come after a restart;
    ParameterError for an option that such a file does not take.
    """
    if options.channel not in (None, 0) or options.column is not None:
        raise ParameterError(f"{path} is a file of frames with one channel: leave channel and column out")
    if options.adc_bits is not None:
        raise ParameterError(f"adc_bits is {options.adc_bits}; the header in {path} states it: leave it out")
    content, source = path.read_bytes(), show_path(path)
    findings = FindingList()
    header = _find_header(content)
    if header is None:
        raise RecordingError(
            f"{source}: there is no header frame of a logger; was its start cut off, or the baud wrong?"
        )
    add_rate_difference(findings, header.fs, options.fs)
    numbers, counts = _read_samples(content, findings)
    if not numbers.size:
        raise RecordingError(f"{source}: there is no samples frame with a right check; was the baud rate right?")
    numbers, counts = _leave_out_restart(source, numbers, counts, findings)
    missing = np.diff(numbers) - A_FRAME
    gaps = tuple(Gap(int(frame + 1) * A_FRAME, float(missing[frame]) / header.fs) for frame in np.flatnonzero(missing))
    if gaps:
        message = f"{int(missing.sum())} samples were lost in transmission; kept as gaps"
        findings.add("frames-lost", message, count=len(gaps), sample=gaps[0].sample)
    range_v = (0.0, header.full_scale_v if options.full_scale_v is None else options.full_scale_v)
    if int(counts.max()) >> header.adc_bits:
        raise RecordingError(f"{source}: a count is {int(counts.max())}, over the {header.adc_bits} bits of its header")
    volts = counts_to_volts(counts.reshape(-1), range_v, header.adc_bits)
    recording = Recording(volts, header.fs, range_v=range_v, adc_bits=header.adc_bits, gaps=gaps, source=source)
    stretches = tuple(Stretch(start, stop, header.fs, float("nan")) for start, stop in recording.stretches())
    return recording, LoadReport(source, tuple(findings), stretches)


def _frame_at(content: bytes, at: int) -> int:
    """The kind of the sound frame that begins at byte `at`; 0 where there is none."""
    kind = content[at + 1] if at + 1 < len(content) else 0
    end = at + SIZES.get(kind, 0)
    if content[at] != SYNC or end == at or end > len(content):
        return 0
    check = int.from_bytes(content[end - 2 : end], "little")
    return kind if binascii.crc_hqx(content[at + 1 : end - 2], 0) == check else 0


def _find_header(content: bytes) -> Header | None:
    at = content.find(bytes([SYNC, HEADER]))
    while at >= 0:
        if _frame_at(content, at) == HEADER:
            rate, bits, size, full_scale = struct.unpack_from("<IBBH", content, at + 6)
            if rate > 0 and 8 <= bits <= 16 and size == A_FRAME and full_scale > 0:
                return Header(rate / 1000.0, bits, full_scale / 1000.0)
        at = content.find(bytes([SYNC, HEADER]), at + 1)
    return None


def _read_samples(content: bytes, findings: FindingList) -> tuple[IntArray, IntArray]:
    """Numbers of the sound samples frames, shape (n,), and their counts, shape (n, 32)."""
    starts: list[int] = []
    at = spoilt = first_spoilt = 0
    while 0 <= at < len(content):
        if kind := _frame_at(content, at):
            if kind == SAMPLES:
                starts.append(at)
            at += SIZES[kind]
            continue
        ahead = content.find(SYNC, at + 1)
        ahead = len(content) if ahead < 0 else ahead
        if starts and len(content) - at >= SIZES[SAMPLES]:  # a frame cut at either end is not a fault
            first_spoilt = first_spoilt or at
            spoilt += ahead - at
        at = ahead
    if spoilt:
        findings.add("frames-spoilt", f"{spoilt} bytes, from byte {first_spoilt} on, are no frame with a right check")
    frames = np.frombuffer(b"".join(content[at : at + FRAME.itemsize] for at in starts), FRAME)
    return frames["number"].astype(np.int64), frames["counts"].astype(np.int64)


def _leave_out_restart(
    source: str, numbers: IntArray, counts: IntArray, findings: FindingList
) -> tuple[IntArray, IntArray]:
    """Numbers that ascend past 32 bits, and their counts; from a restart on, all is left out."""
    steps = np.diff(numbers) % (1 << 32)
    back = np.flatnonzero((steps >= 1 << 31) | (steps < A_FRAME))
    kept = int(back[0]) + 1 if back.size else numbers.size
    if kept < numbers.size:
        rest = (numbers.size - kept) * A_FRAME
        what = f"the logger restarted after sample {int(numbers[kept - 1]) + A_FRAME}: the time in between is unknown"
        if rest > kept * A_FRAME:
            raise RecordingError(f"{source}: {what}, and most samples come after it; put them into a file of their own")
        message = f"{what}; {rest} samples from there on left out: put them into a file of their own"
        findings.add("clock-restart", message, count=rest, sample=kept * A_FRAME)
    return int(numbers[0]) + np.concatenate([[0], np.cumsum(steps[: kept - 1])]), counts[:kept]
