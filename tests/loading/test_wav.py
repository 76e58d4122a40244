"""WAV files, sound and broken, with sizes as loggers leave them when they lose power or count past 4 GB.

Files are built here byte by byte after the RIFF layout (Multimedia Programming Interface and Data Specifications 1.0,
1991), so that the sound library does not check itself. RF64 keeps its sizes in a ds64 chunk (EBU Tech 3306).
"""

import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tapsig.errors import LabelError, ParameterError, RecordingError
from tapsig.loading import (
    ReadOptions,
    load_labels,
    load_recording,
    read_recording,
    read_wav_blocks,
    read_wav_info,
    write_cue_labels,
    write_wav,
)
from tapsig.loading.wav import read_wav_counts
from tapsig.records import Gap, Label
from tests.fakes import put, read_wav_bytes

FS = 8000
COUNTS = np.array([0, 1, -1, 16384, -16384, 32767, -32768, 1000] * 25)
VOLTS = COUNTS / 32768 * 2.5


def chunk(name: bytes, content: bytes, *, size: int | None = None, pad: bool = True) -> bytes:
    padding = b"\0" if len(content) % 2 and pad else b""
    return name + struct.pack("<I", len(content) if size is None else size) + content + padding


def fmt(
    tag: int = 1, channels: int = 1, bits: int = 16, fs: int = FS, extra: bytes = b"", block: int | None = None
) -> bytes:
    block = channels * ((bits + 7) // 8) if block is None else block
    return chunk(b"fmt ", struct.pack("<HHIIHH", tag, channels, fs, fs * block, block, bits) + extra)


def extensible(bits: int, valid: int, tag: int = 1) -> bytes:
    guid = struct.pack("<H", tag) + bytes.fromhex("000000001000800000aa00389b71")
    return fmt(0xFFFE, bits=bits, extra=struct.pack("<HHI", 22, valid, 0) + guid)


def riff(*chunks: bytes, size: int | None = None, magic: bytes = b"RIFF") -> bytes:
    body = b"WAVE" + b"".join(chunks)
    return magic + struct.pack("<I", len(body) if size is None else size) + body


def pcm(content: bytes, size: int | None = None) -> bytes:
    """A file of 16-bit samples whose data chunk declares a size."""
    return riff(fmt(), chunk(b"data", content, size=size))


def rf64(declared: int, content: bytes) -> bytes:
    ds64 = chunk(b"ds64", struct.pack("<QQQI", 0, declared, 0, 0))
    return riff(ds64, fmt(), chunk(b"data", content, size=0xFFFFFFFF), size=0xFFFFFFFF, magic=b"RF64")


PCM16 = COUNTS.astype("<i2").tobytes()
HALF = len(PCM16) // 2
DATA = chunk(b"data", PCM16)
CUES = chunk(b"cue ", struct.pack("<III4sIII", 1, 1, 0, b"data", 0, 0, 40))
ODD = (np.arange(201) % 256).astype(np.uint8).tobytes()
LETTERS = (np.arange(4000) % 90 + 33).astype(np.uint8)  # 8-bit samples that look like the name of a chunk

HALVES = np.array([0.5, -0.5]) * 2.5
PAIR = np.array([0.5, -0.25]) * 2.5
INT_HALVES = struct.pack("<2i", 1 << 30, -(1 << 30))

SOUND = {
    "16 bits": (riff(fmt(), DATA), VOLTS),
    "8 bits, unsigned": (
        riff(fmt(bits=8), chunk(b"data", bytes([128, 255, 0, 192]))),
        np.array([0, 127, -128, 64]) / 128 * 2.5,
    ),
    "24 bits": (riff(fmt(bits=24), chunk(b"data", b"\0\0\x40\0\0\xc0")), HALVES),
    "32 bits": (riff(fmt(bits=32), chunk(b"data", INT_HALVES)), HALVES),
    "float": (riff(fmt(3, bits=32), chunk(b"data", struct.pack("<2f", 0.5, -0.25))), PAIR),
    "double": (riff(fmt(3, bits=64), chunk(b"data", struct.pack("<2d", 0.5, -0.25))), PAIR),
    "12 bits in 16": (riff(extensible(16, 12), DATA), VOLTS),
    "24 bits in 32": (riff(extensible(32, 24), chunk(b"data", INT_HALVES)), HALVES),
    "extensible float": (riff(extensible(32, 32, 3), chunk(b"data", struct.pack("<2f", 0.5, -0.25))), PAIR),
    "unknown chunks around": (
        riff(chunk(b"JUNK", b"12345"), fmt(), chunk(b"bext", b"x" * 603), DATA, chunk(b"LIST", b"INFO")),
        VOLTS,
    ),
    "64-bit sizes as in ITU-R BS.2088": (
        b"BW64\xff\xff\xff\xffWAVE"
        + chunk(b"ds64", struct.pack("<QQQI", 72 + len(PCM16), len(PCM16), len(PCM16) // 2, 0))
        + fmt()
        + chunk(b"data", PCM16, size=0xFFFFFFFF),
        VOLTS,
    ),
    "an odd data chunk, padded": (
        riff(fmt(bits=8), chunk(b"data", ODD), chunk(b"LIST", b"INFO")),
        (np.arange(201) % 256 - 128.0) / 128 * 2.5,
    ),
}

BROKEN = {
    "data size 0": (pcm(PCM16, 0), VOLTS, "data-size-missing"),
    "sizes all 0": (riff(fmt(), chunk(b"data", PCM16, size=0), size=0), VOLTS, "data-size-missing"),
    "sizes 0xFFFFFFFF": (
        riff(fmt(), chunk(b"data", PCM16, size=0xFFFFFFFF), size=0xFFFFFFFF),
        VOLTS,
        "data-size-unknown",
    ),
    "data cut short": (pcm(PCM16)[:-100], VOLTS[:-50], "truncated"),
    "data size too large": (pcm(PCM16, 10**6), VOLTS, "truncated"),
    "half a frame at the end": (pcm(PCM16)[:-1], VOLTS[:-1], "truncated partial-frame"),
    "whole chunk, half a frame": (pcm(PCM16 + b"\1"), VOLTS, "partial-frame"),
    "an odd data chunk without padding": (
        riff(fmt(bits=8), chunk(b"data", ODD, pad=False), chunk(b"LIST", b"INFO")),
        (np.arange(201) % 256 - 128.0) / 128 * 2.5,
        "no-padding",
    ),
    "data before the format": (riff(DATA, fmt()), VOLTS, "data-before-format"),
    "two chunks of samples": (riff(fmt(), DATA, DATA), VOLTS, "repeated-chunk"),
    "two formats": (riff(fmt(), fmt(fs=16000), DATA), VOLTS, "repeated-chunk"),
    "float beyond full scale": (
        riff(fmt(3, bits=32), chunk(b"data", struct.pack("<3f", 0.5, 1.5, -2))),
        np.array([0.5, 1.5, -2]) * 2.5,
        "beyond-full-scale",
    ),
    "first samples undefined": (
        riff(fmt(3, bits=32), chunk(b"data", struct.pack("<3f", np.nan, 0.5, 0.25))),
        np.array([0.5, 0.25]) * 2.5,
        "undefined-samples starts-undefined",
    ),
    "a checkpoint's header, samples after it": (pcm(PCM16, HALF), VOLTS, "data-size-small"),
    "samples that look like a chunk": (
        riff(fmt(bits=8), chunk(b"data", LETTERS.tobytes(), size=1000)),
        (LETTERS - 128.0) / 128 * 2.5,
        "data-size-small",
    ),
    "RF64 with an old ds64": (rf64(HALF, PCM16), VOLTS, "data-size-small"),
    "a checkpoint's header and padding": (pcm(PCM16 + b"\xff" * 4096, HALF), VOLTS, "data-size-small padded-end"),
    "the right size, padding of 0x00": (riff(fmt(), DATA + b"\0" * 5000, size=36 + 2 * HALF), VOLTS, "padded-end"),
    "the right size, padding of 0xFF": (riff(fmt(), DATA + b"\xff" * 100, size=36 + 2 * HALF), VOLTS, "padded-end"),
    "size 0 and padding of 0x00": (pcm(PCM16 + b"\0" * 2**20, 0), VOLTS, "data-size-missing padded-end"),
    "size 0 and padding of 0xFF": (pcm(PCM16 + b"\xff" * 2**20, 0), VOLTS, "data-size-missing padded-end"),
    "the planned size and padding": (pcm(PCM16 + b"\xff" * 4096, 10**8), VOLTS, "truncated padded-end"),
    "RF64, size open, and padding": (rf64(0, PCM16 + b"\0" * 512), VOLTS, "data-size-missing padded-end"),
    "bytes after the last chunk": (riff(fmt(), DATA, CUES) + b"\1\2\3\4" * 5, VOLTS, "trailing-bytes"),
    "a cut chunk after the samples": (riff(fmt(), DATA, chunk(b"LIST", b"INFO" * 101))[:-300], VOLTS, "truncated"),
}
"""The content of a file, its samples, and the codes of the findings."""
OF_SAMPLES = ("beyond-full-scale", "undefined-samples", "starts-undefined")
"""Codes that the header alone does not give."""

REFUSED = {
    "a phone's recording": (b"\0\0\0\x20ftypM4A \0\0\0\0" * 9, "MPEG-4"),
    "MP3": (b"ID3\3\0\0\0" + bytes(90), "MP3"),
    "Ogg": (b"OggS" + bytes(90), "Ogg"),
    "FLAC": (b"fLaC" + bytes(90), "FLAC"),
    "text": (b"us,adc\n1,2\n" * 9, "not a WAV file"),
    "no format": (riff(DATA), "no fmt chunk"),
    "no data": (riff(fmt()), "no data chunk"),
    "empty data": (riff(fmt(), chunk(b"data", b"")), "empty"),
    "padding alone": (pcm(b"\xff" * 8192, 0), "no samples.*padding"),
    "a header only": (riff(fmt(), DATA)[:12], "no data chunk|no fmt"),
    "zero channels": (riff(fmt(channels=0), DATA), "0 channels"),
    "2**16 channels": (riff(fmt(channels=65535, block=65534), DATA), "65535 channels"),
    "rate 0": (riff(fmt(fs=0), DATA), "rate of 0"),
    "rate 2**32": (riff(chunk(b"fmt ", struct.pack("<HHIIHH", 1, 1, 2**32 - 1, 0, 2, 16)), DATA), "rate of 4294967295"),
    "frame of another size": (riff(fmt(block=3), DATA), "3 bytes a frame"),
    "17 bits": (riff(fmt(bits=17, block=2), DATA), "17 bits"),
    "ADPCM": (riff(fmt(0x11, bits=4, block=256), DATA), "IMA ADPCM"),
    "unknown coding": (riff(fmt(0x1234), DATA), "0x1234"),
    "all undefined": (riff(fmt(3, bits=32), chunk(b"data", struct.pack("<2f", np.nan, np.inf))), "every sample"),
    "a format chunk too short": (riff(chunk(b"fmt ", b"\1\0\1\0"), DATA), "at least 16"),
    "big-endian": (riff(fmt(), DATA, magic=b"RIFX"), "RIFX"),
}


@pytest.mark.parametrize("name", SOUND)
def test_sound_file_gives_volts_without_finding(tmp_path: Path, name: str) -> None:
    recording, report = read_wav_bytes(tmp_path, SOUND[name][0], ReadOptions(full_scale_v=2.5, strict=True))
    np.testing.assert_allclose(recording.samples, SOUND[name][1], rtol=1e-12)
    assert report.clean
    assert recording.fs == FS
    assert recording.range_v == (-2.5, 2.5)


@pytest.mark.parametrize(
    ("name", "bits"),
    [
        ("16 bits", 16),
        ("8 bits, unsigned", 8),
        ("12 bits in 16", 12),
        ("24 bits in 32", 24),
        ("32 bits", None),
        ("float", None),
    ],
)
def test_bits_of_the_converter_come_from_the_header(tmp_path: Path, name: str, bits: int | None) -> None:
    path = put(tmp_path / "x.wav", SOUND[name][0])
    assert load_recording(path).adc_bits == bits
    assert load_recording(path, adc_bits=10).adc_bits == 10
    assert read_wav_info(path).adc_bits == bits


@pytest.mark.parametrize("name", BROKEN)
def test_broken_file_gives_what_is_there_and_says_so(tmp_path: Path, name: str) -> None:
    content, volts, words = BROKEN[name]
    codes = tuple(words.split())
    path = put(tmp_path / "x.wav", content)
    recording, report = read_recording(path, ReadOptions(full_scale_v=2.5))
    np.testing.assert_allclose(recording.samples, volts, rtol=1e-12)
    assert report.codes() == codes
    in_header = [finding.code for finding in read_wav_info(path).findings]
    assert in_header == [code for code in codes if code not in OF_SAMPLES]
    with pytest.raises(RecordingError, match=codes[0]):
        load_recording(path, strict=True)


@pytest.mark.parametrize("name", REFUSED)
def test_file_that_is_no_usable_wav_is_refused_with_the_reason(tmp_path: Path, name: str) -> None:
    path = put(tmp_path / "x.wav", REFUSED[name][0])
    with pytest.raises(RecordingError, match=REFUSED[name][1]):
        load_recording(path)


def test_header_is_right_where_the_call_tells_another_rate(tmp_path: Path) -> None:
    path = put(tmp_path / "x.wav", riff(fmt(), DATA))
    recording, report = read_recording(path, ReadOptions(fs=44100.0))
    assert recording.fs == FS
    assert report.codes() == ("rate-differs",)
    assert read_recording(path, ReadOptions(fs=8000.0))[1].clean


def test_undefined_samples_leave_a_gap_of_their_own_length(tmp_path: Path) -> None:
    samples = np.arange(20, dtype=np.float32) / 32
    samples[5:8] = np.nan
    samples[12] = -np.inf
    path = put(tmp_path / "x.wav", riff(fmt(3, bits=32), chunk(b"data", samples.tobytes())))
    recording, _ = read_recording(path)
    np.testing.assert_array_equal(recording.samples, samples[np.isfinite(samples)])
    assert recording.gaps == (Gap(5, 3 / FS), Gap(9, 1 / FS))
    np.testing.assert_allclose(recording.times_s(np.arange(16)), np.flatnonzero(np.isfinite(samples)) / FS)
    with pytest.raises(RecordingError, match="sample 5 is nan"):
        list(read_wav_blocks(path))


def test_a_channel_is_chosen_or_the_first_taken_with_a_finding_and_none_mixed(tmp_path: Path) -> None:
    frames = np.stack([COUNTS, -COUNTS // 2, COUNTS // 4], axis=1).astype("<i2")
    path = put(tmp_path / "x.wav", riff(fmt(channels=3), chunk(b"data", frames.tobytes())))
    for channel in (0, 1, 2, None):
        recording, report = read_recording(path, ReadOptions(channel=channel, strict=True))  # it is no fault
        np.testing.assert_array_equal(recording.samples, frames[:, channel or 0] / 32768)
        assert report.codes() == (("channel-chosen",) if channel is None else ())
    assert "channel 0 of the channels 0 to 2" in str(report.findings[0])
    with pytest.raises(ParameterError, match="channels 0 to 2"):
        load_recording(path, channel=3)


@pytest.mark.parametrize("block_samples", [1, 7, 64, 1 << 16])
@pytest.mark.parametrize("broken", [False, True])
def test_blocks_joined_are_the_recording(tmp_path: Path, block_samples: int, broken: bool) -> None:
    path = put(tmp_path / "x.wav", riff(fmt(), chunk(b"data", PCM16, size=0 if broken else None)))
    blocks = list(read_wav_blocks(path, full_scale_v=2.5, block_samples=block_samples))
    assert max(block.size for block in blocks) <= block_samples
    np.testing.assert_array_equal(
        np.concatenate(blocks), read_recording(path, ReadOptions(full_scale_v=2.5))[0].samples
    )


def test_counts_are_the_integers_of_the_file(tmp_path: Path) -> None:
    written = np.array([-32768, -1, 0, 1, 32767], dtype=np.int16)
    path = tmp_path / "a.wav"
    soundfile.write(path, np.stack([written[::-1], written], axis=1), 8000, subtype="PCM_16")
    counts = np.concatenate(list(read_wav_counts(path, channel=1, block_samples=2)))
    assert counts.tolist() == (written.astype(int) + 2**15).tolist()
    assert read_wav_info(path).is_counts


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_24", "FLOAT"])
def test_samples_of_another_width_are_no_counts(tmp_path: Path, subtype: str) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, np.zeros(8), 8000, subtype=subtype)
    assert not read_wav_info(path).is_counts
    with pytest.raises(ParameterError, match=r"a\.wav: its samples are not 16-bit integers; read_wav_blocks"):
        next(read_wav_counts(path))


@pytest.mark.parametrize("bits", [8, 16, 24, 32])
def test_written_file_reads_back_and_other_libraries_agree(tmp_path: Path, bits: int) -> None:
    rng = np.random.default_rng(bits)
    volts = rng.uniform(-4.9, 4.9, (2, 500))
    path = tmp_path / "x.wav"
    write_wav(path, volts, FS, full_scale_v=5.0, bits=bits)
    for channel in (0, 1):
        read = load_recording(path, channel=channel, full_scale_v=5.0, strict=True)
        assert np.abs(read.samples - volts[channel]).max() <= 5.0 / 2**bits * (1 + 1e-6)  # half a step
        np.testing.assert_array_equal(read.samples, soundfile.read(path)[0][:, channel] * 5.0)


def test_writing_refuses_what_would_clip_and_leaves_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "x.wav"
    write_wav(path, [0.5, -1.0], FS, full_scale_v=1.0)
    before = path.read_bytes()
    for samples, fs, words in (
        ([1.5], FS, "reach 1.5 V"),
        ([np.nan], FS, "reach nan"),
        ([0.5], 677.5, "whole numbers"),
        ([], FS, "shape"),
    ):
        with pytest.raises(ParameterError, match=words):
            write_wav(path, samples, fs, full_scale_v=1.0)
    assert path.read_bytes() == before
    assert [file.name for file in tmp_path.iterdir()] == ["x.wav"]


LABELS = (Label(0.001, "tap"), Label(0.0125, "thump"), Label(0.0125, "tür <b>zu</b>"))


def test_cue_points_hold_labels_and_leave_samples_and_chunks_alone(tmp_path: Path) -> None:
    path = put(tmp_path / "x.wav", riff(fmt(), chunk(b"JUNK", b"kept!"), DATA))
    for labels in (LABELS, LABELS[:1], ()):
        write_cue_labels(path, labels)
        assert not labels or load_labels(path) == tuple(sorted(labels))
        assert chunk(b"JUNK", b"kept!") in path.read_bytes()
        np.testing.assert_array_equal(load_recording(path, strict=True, full_scale_v=2.5).samples, VOLTS)
    assert path.read_bytes() == riff(fmt(), chunk(b"JUNK", b"kept!"), DATA)


def test_cue_points_are_where_the_riff_layout_puts_them(tmp_path: Path) -> None:
    """Chunk `cue `: count, then per point id, position, "data", chunk start, block start, sample; text in `labl`."""
    path = tmp_path / "x.wav"
    write_wav(path, VOLTS, FS, full_scale_v=2.5, labels=[Label(0.001, "slam")])
    raw = path.read_bytes()
    at = raw.index(b"cue ")
    assert struct.unpack("<IIII4sIII", raw[at + 4 : at + 36]) == (28, 1, 1, 8, b"data", 0, 0, 8)
    assert raw[at + 36 :] == chunk(b"LIST", b"adtl" + chunk(b"labl", struct.pack("<I", 1) + b"slam\0"))
    by_hand = riff(fmt(), DATA, chunk(b"cue ", struct.pack("<III4sIII", 1, 9, 0, b"data", 0, 0, 40)))
    path.write_bytes(by_hand)
    assert load_labels(path) == (Label(0.005, "tap"),)
    assert load_recording(path, labels=path).labels == (Label(0.005, "tap"),)


def test_broken_cue_points_and_labels_after_the_end_are_refused(tmp_path: Path) -> None:
    path = put(tmp_path / "x.wav", riff(fmt(), DATA, chunk(b"cue ", struct.pack("<I", 2**32 - 1))))
    with pytest.raises(RecordingError, match="cue chunk"):
        load_labels(path)
    path.write_bytes(riff(fmt(), DATA, chunk(b"cue ", struct.pack("<III4sIII", 1, 1, 0, b"data", 0, 0, 200))))
    with pytest.raises(RecordingError, match="frame 200"):
        load_labels(path)
    path.write_bytes(riff(fmt(), DATA))
    with pytest.raises(LabelError, match="after the end"):
        write_cue_labels(path, [Label(0.025)])
    path.write_bytes(riff(fmt(), chunk(b"data", PCM16, size=0)))
    with pytest.raises(RecordingError, match="header is broken"):
        write_cue_labels(path, [Label(0.001)])


def test_header_that_claims_much_takes_little_memory(tmp_path: Path) -> None:
    """A file of 100 bytes that claims 4 GB is read in the size that it has."""
    recording, report = read_wav_bytes(
        tmp_path, riff(fmt(channels=256), chunk(b"data", bytes(512), size=0xFFFFFFF0)), ReadOptions(channel=255)
    )
    assert recording.samples.size == 1
    assert report.codes() == ("truncated",)


@pytest.mark.parametrize("form", ["RF64", "WAVEX"])
def test_other_forms_that_the_sound_library_writes_are_read(tmp_path: Path, form: str) -> None:
    """RF64 (EBU Tech 3306) keeps the size of its data in a ds64 chunk."""
    path = tmp_path / "x.wav"
    soundfile.write(path, VOLTS / 2.5, FS, format=form, subtype="PCM_16")
    np.testing.assert_array_equal(load_recording(path, full_scale_v=2.5, strict=True).samples, VOLTS)


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
