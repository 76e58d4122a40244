"""The chunks of a RIFF/WAVE file, whose samples are found even if its header is broken.

Source of the layout: Multimedia Programming Interface and Data Specifications 1.0 (IBM/Microsoft, 1991), chapters
2 and 3; WAVE_FORMAT_EXTENSIBLE from the same publishers' multichannel notes.
"""

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from tapsig.errors import RecordingError
from tapsig.loading.files import check_file
from tapsig.loading.findings import FindingList, join_findings
from tapsig.records import Finding

PCM, FLOAT, A_LAW, MU_LAW, EXTENSIBLE = 1, 3, 6, 7, 0xFFFE
TAG_NAMES = {2: "ADPCM", 0x11: "IMA ADPCM", 0x31: "GSM 6.10", 0x50: "MPEG", 0x55: "MPEG layer 3"}
WAV_SUFFIXES = (".wav", ".wave")
MAX_CHANNELS = 256
HIGHEST_RATE_HZ = 10_000_000
MAX_CHUNKS = 10_000
UNKNOWN_SIZE = 0xFFFFFFFF
SIZE_WRAP = 1 << 32
AFTER_DATA = frozenset(
    {b"LIST", b"cue ", b"fact", b"bext", b"iXML", b"id3 ", b"ID3 ", b"JUNK", b"PAD "}
    | {b"smpl", b"inst", b"plst", b"PEAK", b"afsp", b"axml", b"acid", b"fmt "}
)
"""Chunks that may follow the samples, recognised even if their own size is wrong."""
PADDING_BYTES = 512  # an unwritten sector of a card is all 0x00 or all 0xFF
PADDING_BLOCK = 1 << 20

# What renamed files start with: offset, bytes, name.
CONVERT = "convert it to WAV"
LOSSY = f"{CONVERT}; its compression may have blurred the onsets: record in WAV if you can"
FOREIGN = (
    (4, b"ftyp", "an MPEG-4 (phone) recording", LOSSY),
    (0, b"ID3", "an MP3 file", LOSSY),
    (0, b"\xff\xfb", "an MP3 file", LOSSY),
    (0, b"\xff\xf3", "an MP3 file", LOSSY),
    (0, b"\xff\xf1", "an AAC file", LOSSY),
    (0, b"\xff\xf9", "an AAC file", LOSSY),
    (0, b"OggS", "an Ogg file", LOSSY),
    (0, b"fLaC", "a FLAC file", CONVERT),
    (0, b"riff\x2e\x91\xcf\x11", "a Wave64 (W64) file", CONVERT),
    (0, b"#!AMR", "an AMR (phone) recording", LOSSY),
    (0, b"caff", "a Core Audio file", CONVERT),
    (0, b"FORM", "an AIFF file", CONVERT),
    (0, b"PK\x03\x04", "a workbook or a zip archive", "export the sheet as CSV, or unpack it"),
    (0, b"\xd0\xcf\x11\xe0", "a workbook", "export the sheet as CSV"),
    (0, b"\x1f\x8b", "a gzip archive", "unpack it"),
    (0, b"\x1aE\xdf\xa3", "a Matroska/WebM file", LOSSY),
)
"""Other kinds of file: where their magic number stands, what they are, and what to do."""


@dataclass(frozen=True, slots=True)
class WavInfo:
    """A WAV file: rate in Hz, how its samples are coded and where they are, and the faults of its header.

    `frames` counts those present in the file.
    """

    tag: int
    channels: int
    fs: float
    frame_bytes: int
    bits: int
    valid_bits: int
    data_offset: int
    frames: int
    findings: tuple[Finding, ...]

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.fs

    @property
    def adc_bits(self) -> int | None:
        """Bits of the converter; None for codings other than PCM, and for 32 bits."""
        return self.valid_bits if self.tag == PCM and self.valid_bits <= 24 else None

    @property
    def is_counts(self) -> bool:
        """Whether its samples are counts of a 16-bit converter, as `read_wav_counts` gives them."""
        return (self.tag, self.bits, self.valid_bits) == (PCM, 16, 16)


def is_wav_file(path: Path) -> bool:
    """Whether a file is to be read as WAV: by its name or by its first bytes.

    Raises RecordingError for a file that cannot be read.
    """
    check_file(path)
    with open(path, "rb") as file:
        return path.suffix.lower() in WAV_SUFFIXES or _is_wave(file.read(12))


def _is_wave(head: bytes) -> bool:
    return head[:4] in (b"RIFF", b"RF64", b"BW64") and head[8:12] == b"WAVE"


def read_wav_info(path: str | Path) -> WavInfo:
    """Format and place of the samples of a WAV file, and what is wrong with its header; the samples are not read.

    Raises RecordingError when it is no usable WAV file, with the reason.
    """
    path, findings = Path(path), FindingList()
    size = check_file(path)
    with open(path, "rb") as file:
        head = file.read(16)
        _check_magic(path, head)
        chunks, end = list_chunks(file, size)
        fmt = _find(path, chunks, b"fmt ", "rate and coding are unknown; record again")
        coding = _read_format(path, file, fmt)
        data = _find(path, chunks, b"data", "no samples; the logger stopped before it wrote any, or the copy is cut")
        riff_size, frame_bytes = struct.unpack("<I", head[4:8])[0], coding[3]
        if chunks[-1] is data and end != size:
            length = _open_data_length(file, data, size, frame_bytes, findings)
        else:
            length = _data_length(data, size, end, findings)
    if length % frame_bytes:
        findings.add("partial-frame", f"the last {length % frame_bytes} bytes are not a whole frame; left out")
    if riff_size not in (size - 8, UNKNOWN_SIZE, 0) and riff_size + 8 > size and not tuple(findings):
        findings.add("truncated", f"the header says {riff_size + 8} bytes, the file has {size}; read what is there")
    if fmt.offset > data.offset:
        findings.add("data-before-format", "the data chunk comes before the fmt chunk; read nevertheless")
    for name, what in ((b"fmt ", "coding"), (b"data", "samples")):
        more = [chunk for chunk in chunks if chunk.name == name][1:]
        if more:
            left_out = sum(chunk.size for chunk in more)
            message = f"{len(more) + 1} chunks hold {what}; the first is read, the rest ({left_out} bytes) left out"
            findings.add("repeated-chunk", message)
    frames = length // frame_bytes
    if not frames:
        raise RecordingError(
            f"{path}: the data chunk is empty, so there are no samples; record again"
            + (f" ({join_findings(findings)})" if tuple(findings) else "")
        )
    return WavInfo(*coding, data.offset, frames, tuple(findings))


@dataclass(frozen=True, slots=True)
class Chunk:
    """One chunk: its name, and where its content is."""

    name: bytes
    offset: int  # of the content
    size: int  # as declared
    padded: bool  # to an even size
    wrapped: bool  # the size includes multiples of 2**32, which the header cannot hold


def check_foreign(path: Path, head: bytes) -> None:
    """Raise RecordingError if the first bytes of a file are those of another kind of recording, or of an archive."""
    for offset, magic, name, remedy in FOREIGN:
        if head[offset : offset + len(magic)] == magic:
            disguise = " under another name" if path.suffix.lower() in WAV_SUFFIXES else ""
            raise RecordingError(f"{path} is {name}{disguise}; {remedy}")


def _check_magic(path: Path, head: bytes) -> None:
    check_foreign(path, head)
    if head[:4] == b"RIFX":
        raise RecordingError(f"{path} is a big-endian RIFX file; convert it to WAV")
    if not _is_wave(head):
        raise RecordingError(
            f"{path} is not a WAV file: it starts with {head[:12]!r}; a WAV file starts with 'RIFF', its size, 'WAVE'."
            " If it is a log, give it another ending, such as .csv"
        )


def _looks_like_chunk(head: bytes) -> bool:
    return len(head) == 8 and all(32 <= byte < 127 for byte in head[:4])


def list_chunks(file: BinaryIO, size: int) -> tuple[list[Chunk], int]:
    """The chunks in order, and where the last one ends; an odd one may lack its pad byte.

    A data chunk is the last one unless a chunk follows at its end, since samples may resemble a chunk by chance.
    """
    chunks: list[Chunk] = []
    position, long_data = 12, None
    while position + 8 <= size and len(chunks) < MAX_CHUNKS:
        file.seek(position)
        head = file.read(8)
        if not _looks_like_chunk(head):
            break
        name, length = head[:4], struct.unpack("<I", head[4:])[0]
        if name == b"ds64" and length >= 24:  # RF64: the sizes that do not fit 32 bits
            long_data = struct.unpack("<QQQ", file.read(24))[1] if position + 32 <= size else None
        if name == b"data" and length == UNKNOWN_SIZE and long_data is not None:
            length = long_data
        start = position + 8
        wrapped = name == b"data" and _is_wrapped(file, start, length, size)
        if wrapped:
            length += (size - start - length) // SIZE_WRAP * SIZE_WRAP
        pad = _pad(file, start + length, size) if length % 2 else 0
        chunks.append(Chunk(name, start, length, padded=pad == length % 2, wrapped=wrapped))
        position = start + length + pad
        if name == b"data" and not _continues(file, position, size):
            break
    return chunks, position


def _continues(file: BinaryIO, position: int, size: int) -> bool:
    """Whether another chunk, or the end of the file, follows at `position`."""
    if position >= size:
        return position == size
    file.seek(position)
    head = file.read(8)
    if head[:4] in AFTER_DATA:
        return True
    return _looks_like_chunk(head) and position + 8 + struct.unpack("<I", head[4:])[0] <= size


def _is_wrapped(file: BinaryIO, start: int, length: int, size: int) -> bool:
    """Whether the samples from `start` are longer than `length` by a multiple of 4 GB, which 32 bits cannot hold."""
    more = (size - start - length) // SIZE_WRAP * SIZE_WRAP
    ends = (start + length, start + length + length % 2)
    return (
        more > 0
        and not any(_continues(file, end, size) for end in ends)
        and any(_continues(file, end + more, size) for end in ends)
    )


def _pad(file: BinaryIO, position: int, size: int) -> int:
    """1 if a pad byte stands at `position`, 0 if the next chunk does."""
    if position >= size:
        return 0
    file.seek(position)
    return 0 if _looks_like_chunk(file.read(8)) and not _continues(file, position + 1, size) else 1


def _find(path: Path, chunks: Sequence[Chunk], name: bytes, lack: str) -> Chunk:
    """The first chunk of this name; RecordingError, with what its `lack` means, where there is none."""
    found = next((chunk for chunk in chunks if chunk.name == name), None)
    if found is None:
        raise RecordingError(f"{path}: there is no {name.decode().strip()} chunk, so {lack}")
    return found


def _read_format(path: Path, file: BinaryIO, chunk: Chunk) -> tuple[int, int, float, int, int, int]:
    """Coding, channels, rate, bytes a frame, bits of the container, bits that are valid."""
    file.seek(chunk.offset)
    content = file.read(min(chunk.size, 40))
    if len(content) < 16:
        raise RecordingError(f"{path}: the fmt chunk has {len(content)} bytes, at least 16 are needed; the copy is cut")
    tag, channels, fs, _, frame_bytes, bits = struct.unpack("<HHIIHH", content[:16])
    valid_bits = bits
    if tag == EXTENSIBLE and len(content) >= 26:
        valid, _, tag = struct.unpack("<HIH", content[18:26])
        valid_bits = valid if 0 < valid <= bits else bits
    if tag not in (PCM, FLOAT, A_LAW, MU_LAW):
        raise RecordingError(
            f"{path}: its coding is {TAG_NAMES.get(tag, f'number {tag:#x}')}; only PCM, float, A-law"
            " and mu-law WAV can be read: convert it to 16-bit PCM"
        )
    if not 1 <= channels <= MAX_CHANNELS:
        raise RecordingError(f"{path}: the header says {channels} channels; 1 to {MAX_CHANNELS} can be read")
    if not 1 <= fs <= HIGHEST_RATE_HZ:
        raise RecordingError(f"{path}: the header says a sample rate of {fs} Hz; 1 to {HIGHEST_RATE_HZ} can be read")
    allowed = {PCM: (8, 16, 24, 32), FLOAT: (32, 64), A_LAW: (8,), MU_LAW: (8,)}[tag]
    container = -(-bits // 8) * 8
    if container not in allowed or frame_bytes != channels * container // 8:
        raise RecordingError(
            f"{path}: the header says {bits} bits and {frame_bytes} bytes a frame of {channels}"
            f" channels; {', '.join(map(str, allowed))} bits in whole bytes can be read"
        )
    return tag, channels, float(fs), frame_bytes, container, min(valid_bits, container)


def _data_length(data: Chunk, size: int, end: int, findings: FindingList) -> int:
    """Bytes of samples in a data chunk that the end of the file or another chunk follows; `end` is that of the last."""
    if data.wrapped:
        findings.add(
            "data-size-wrapped",
            f"the samples take {data.size} bytes, more than the header can count; read to their end",
        )
    if not data.padded and data.offset + data.size < size:
        findings.add("no-padding", "an odd data chunk lacks its pad byte; read nevertheless")
    if end < size:
        findings.add("trailing-bytes", f"{size - end} bytes after the last chunk are not a chunk; left out")
    return data.size


def _open_data_length(file: BinaryIO, data: Chunk, size: int, frame_bytes: int, findings: FindingList) -> int:
    """Bytes of samples in a data chunk whose declared size is wrong, from the content of the file.

    A tail of 0x00 or 0xFF is an unwritten part of a card.
    """
    rest = size - data.offset
    written = max(data.offset, _end_of_content(file, size, least=PADDING_BYTES)) - data.offset
    if 0 < data.size < rest and _end_of_content(file, size, least=1) - data.offset <= data.size:
        findings.add("padded-end", f"{rest - data.size} bytes of padding after the samples; left out")
        return data.size
    if data.size == 0:
        findings.add(
            "data-size-missing",
            "the header gives 0 bytes of samples (the logger lost power before it wrote"
            " the size); read to the end of the file",
        )
    elif data.size == UNKNOWN_SIZE:
        findings.add("data-size-unknown", "the header leaves the size open; read to the end of the file")
    elif data.size > rest:
        findings.add("truncated", f"the header says {data.size} bytes of samples, {rest} are there; read those")
    else:
        findings.add(
            "data-size-small",
            f"the header says {data.size} bytes of samples, {rest - data.size} more follow"
            " that are no chunk; read to the end of the file",
        )
    length = min(rest, -(-written // frame_bytes) * frame_bytes)
    if length < rest - frame_bytes:
        findings.add("padded-end", f"the last {rest - length} bytes are padding, all 0x00 or all 0xFF; left out")
        return length
    return rest


def _end_of_content(file: BinaryIO, size: int, *, least: int) -> int:
    """Where the padding at the end of a file begins; runs of fewer than `least` bytes do not count."""
    end = size
    while end:
        file.seek(end - 1)
        byte = file.read(1)
        run = _run_before(file, end, byte) if byte in (b"\0", b"\xff") else 0
        if run < least:
            break
        end -= run
    return end


def _run_before(file: BinaryIO, end: int, byte: bytes) -> int:
    """How many bytes before `end` are all `byte`."""
    at = end
    while at:
        start = max(0, at - PADDING_BLOCK)
        file.seek(start)
        block = file.read(at - start)
        bare = len(block.rstrip(byte))
        at = start + bare
        if bare:
            break
    return end - at
