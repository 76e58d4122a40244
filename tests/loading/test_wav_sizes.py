"""WAV headers whose sizes are wrong in either direction, as loggers leave them when they lose power or count past 4 GB.

The layout is that of tests/loading/test_wav.py; RF64 keeps its sizes in a ds64 chunk (EBU Tech 3306).
"""

import struct
from pathlib import Path

import numpy as np
import pytest

from tapsig.errors import RecordingError
from tapsig.loading import ReadOptions, read_recording, read_wav_info
from tests.fakes import put, read_wav_bytes
from tests.loading.test_wav import COUNTS, DATA, FS, PCM16, chunk, fmt, riff

CUES = chunk(b"cue ", struct.pack("<III4sIII", 1, 1, 0, b"data", 0, 0, 40))
HALF = len(PCM16) // 2


def rf64(declared: int, content: bytes) -> bytes:
    ds64 = chunk(b"ds64", struct.pack("<QQQI", 0, declared, 0, 0))
    return riff(ds64, fmt(), chunk(b"data", content, size=0xFFFFFFFF), size=0xFFFFFFFF, magic=b"RF64")


WRONG = {
    "a checkpoint's header, samples after it": (riff(fmt(), chunk(b"data", PCM16, size=HALF)), ("data-size-small",)),
    "RF64 with an old ds64": (rf64(HALF, PCM16), ("data-size-small",)),
    "a checkpoint's header and padding": (
        riff(fmt(), chunk(b"data", PCM16 + b"\xff" * 4096, size=HALF)),
        ("data-size-small", "padded-end"),
    ),
    "the right size, then padding of 0x00": (riff(fmt(), DATA + b"\0" * 5000, size=36 + len(PCM16)), ("padded-end",)),
    "the right size, then padding of 0xFF": (riff(fmt(), DATA + b"\xff" * 100, size=36 + len(PCM16)), ("padded-end",)),
    "size 0 and padding of 0x00": (
        riff(fmt(), chunk(b"data", PCM16 + b"\0" * 2**20, size=0)),
        ("data-size-missing", "padded-end"),
    ),
    "size 0 and padding of 0xFF": (
        riff(fmt(), chunk(b"data", PCM16 + b"\xff" * 2**20, size=0)),
        ("data-size-missing", "padded-end"),
    ),
    "the planned size and padding": (
        riff(fmt(), chunk(b"data", PCM16 + b"\xff" * 4096, size=10**8)),
        ("truncated", "padded-end"),
    ),
    "RF64 with the size left open, and padding": (rf64(0, PCM16 + b"\0" * 512), ("data-size-missing", "padded-end")),
    "bytes after the last chunk": (riff(fmt(), DATA, CUES) + b"\1\2\3\4" * 5, ("trailing-bytes",)),
}


@pytest.mark.parametrize("name", WRONG)
def test_every_sample_is_read_and_no_padding(tmp_path: Path, name: str) -> None:
    content, codes = WRONG[name]
    path = put(tmp_path / "x.wav", content)
    recording, report = read_recording(path)
    np.testing.assert_array_equal(recording.samples, COUNTS / 32768)
    assert report.codes() == codes
    assert tuple(finding.code for finding in read_wav_info(path).findings) == codes
    with pytest.raises(RecordingError, match=codes[0]):
        read_recording(path, ReadOptions(strict=True))


def test_samples_that_look_like_a_chunk_by_chance_are_samples(tmp_path: Path) -> None:
    """8-bit samples between 32 and 126 are letters."""
    letters = (np.arange(4000) % 90 + 33).astype(np.uint8)
    recording, report = read_wav_bytes(tmp_path, riff(fmt(bits=8), chunk(b"data", letters.tobytes(), size=1000)))
    np.testing.assert_array_equal(recording.samples, (letters - 128.0) / 128)
    assert report.codes() == ("data-size-small",)


def test_chunks_after_the_samples_are_no_samples_even_when_cut(tmp_path: Path) -> None:
    recording, report = read_wav_bytes(tmp_path, riff(fmt(), DATA, chunk(b"LIST", b"INFO" + b"x" * 400))[:-300])
    np.testing.assert_array_equal(recording.samples, COUNTS / 32768)
    assert report.codes() == ("truncated",)


def test_a_file_of_padding_alone_holds_nothing(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match=r"no samples.*padding"):
        read_wav_bytes(tmp_path, riff(fmt(), chunk(b"data", b"\xff" * 8192, size=0)))


@pytest.mark.parametrize("followed", [False, True])
def test_a_size_that_wrapped_past_4_gb_is_put_right(tmp_path: Path, followed: bool) -> None:
    """4 GB and 1000 frames of 256 channels, 512 bytes each; the header holds the size modulo 2**32. A sparse file."""
    frames = 2**32 // 512 + 1000
    path = tmp_path / "x.wav"
    head = riff(fmt(channels=256), b"data" + struct.pack("<I", frames * 512 % 2**32))
    with path.open("wb") as file:
        file.write(head)
        file.seek(len(head) + frames * 512 - 512)
        file.write(b"\1\2" * 256)
        file.write(CUES if followed else b"")
    info = read_wav_info(path)
    assert info.frames == frames
    assert info.fs == FS
    assert [finding.code for finding in info.findings] == ["data-size-wrapped"]
