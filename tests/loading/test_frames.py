"""Frames of a logger: what was lost or spoilt becomes a gap of its own length, and time is never shifted."""

import binascii
import struct
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from tapsig.errors import ParameterError, RecordingError
from tapsig.loading import ReadOptions, read_recording
from tapsig.units import IntArray
from tests.fakes import put

FS = 5000.0


def close(body: bytes) -> bytes:
    return b"\xa5" + body + struct.pack("<H", binascii.crc_hqx(body, 0))


def header(number: int = 0) -> bytes:
    return close(struct.pack("<BIIBBH", 2, number, round(FS * 1000), 10, 32, 5000))


def frame(number: int, counts: IntArray) -> bytes:
    return close(struct.pack("<BI32H", 1, number % 2**32, *counts))


def frames(counts: IntArray, first: int = 0) -> list[bytes]:
    return [frame(first + at, counts[at : at + 32]) for at in range(0, counts.size, 32)]


def spoil_frame_4(parts: list[bytes], byte: int) -> list[bytes]:
    spoilt = bytearray(parts[4])
    spoilt[byte] ^= 0x10
    return [*parts[:4], bytes(spoilt), *parts[5:]]


@pytest.fixture
def counts() -> IntArray:
    return np.random.default_rng(1).integers(0, 1024, 320)  # 0xA5 is among the bytes


def load(folder: Path, content: bytes, **options: object):  # type: ignore[no-untyped-def]
    path = put(folder / "log.bin", content)
    return read_recording(path, ReadOptions(**options))  # type: ignore[arg-type]


def test_the_check_is_the_published_one() -> None:
    """CRC-16/XMODEM of "123456789" is 0x31C3 (catalogue of parametrised CRC algorithms, R. Cook; from memory)."""
    assert binascii.crc_hqx(b"123456789", 0) == 0x31C3


def test_every_sample_comes_back_in_volts(tmp_path: Path, counts: IntArray) -> None:
    recording, report = load(tmp_path, header() + b"".join(frames(counts)))
    assert recording.fs == FS
    assert (recording.adc_bits, recording.range_v) == (10, (0.0, 5.0))
    np.testing.assert_array_equal(recording.samples, counts * 5.0 / 1024)
    assert report.clean


LOST = {
    "two frames": (lambda parts: parts[:3] + parts[5:], slice(96, 160)),
    "most of a frame, two bytes in its place": (
        lambda parts: [*parts[:4], parts[4][:17], b"\xa5\x01", *parts[5:]],
        slice(128, 160),
    ),
    **{f"byte {byte} of a frame": (partial(spoil_frame_4, byte=byte), slice(128, 160)) for byte in (0, 1, 3, 40, 71)},
}
"""What becomes of ten frames, and the samples that are lost."""


@pytest.mark.parametrize("name", LOST)
def test_what_is_lost_is_a_gap_of_its_length(tmp_path: Path, counts: IntArray, name: str) -> None:
    change, lost = LOST[name]
    recording, report = load(tmp_path, header() + b"".join(change(frames(counts))))
    np.testing.assert_array_equal(recording.samples, np.delete(counts, lost) * 5.0 / 1024)
    assert [(gap.sample, gap.duration_s) for gap in recording.gaps] == [(lost.start, (lost.stop - lost.start) / FS)]
    assert recording.times_s(np.array([lost.start])) == pytest.approx(lost.stop / FS)
    assert report.codes() == (("frames-lost",) if name == "two frames" else ("frames-spoilt", "frames-lost"))


def test_a_file_may_begin_and_end_within_a_frame(tmp_path: Path, counts: IntArray) -> None:
    parts = frames(counts, first=640)
    content = b"".join([parts[0][20:], *parts[1:3], header(736), *parts[3:9], parts[9][:50]])
    recording, report = load(tmp_path, content)
    np.testing.assert_array_equal(recording.samples, counts[32:288] * 5.0 / 1024)
    assert report.clean


def test_numbers_pass_32_bits(tmp_path: Path, counts: IntArray) -> None:
    parts = frames(counts, first=2**32 - 96)
    recording, report = load(tmp_path, header() + b"".join(parts))
    assert recording.samples.size == counts.size
    assert report.clean


def test_what_follows_a_restart_is_left_out_with_a_finding(tmp_path: Path, counts: IntArray) -> None:
    content = header() + b"".join(frames(counts)) + header() + b"".join(frames(counts[:64]))
    recording, report = load(tmp_path, content)
    assert recording.samples.size == counts.size
    assert report.codes() == ("clock-restart",)
    with pytest.raises(RecordingError, match="most samples come after it"):
        load(tmp_path, header() + b"".join(frames(counts[:64])) + header() + b"".join(frames(counts)))


def test_what_the_header_tells_is_not_asked_for(tmp_path: Path, counts: IntArray) -> None:
    content = header() + b"".join(frames(counts))
    with pytest.raises(ParameterError, match="adc_bits is 12"):
        load(tmp_path, content, adc_bits=12)
    with pytest.raises(ParameterError, match="one channel"):
        load(tmp_path, content, channel=1)
    assert load(tmp_path, content, full_scale_v=3.3)[0].range_v == (0.0, 3.3)


def test_a_header_without_samples_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="no samples frame"):
        load(tmp_path, header())
