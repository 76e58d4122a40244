"""Cue points of WAV files: labels inside the file itself. Their layout is that of `riff`."""

import io
import os
import struct
from collections.abc import Sequence
from pathlib import Path

from tapsig.errors import RecordingError
from tapsig.loading.files import replace_file
from tapsig.loading.findings import join_findings
from tapsig.loading.riff import UNKNOWN_SIZE, list_chunks, read_wav_info

MAX_CUE_POINTS = 1_000_000


def read_cue_points(path: Path) -> tuple[float, list[tuple[int, str]]]:
    """Rate in Hz, and (frame, text) of every cue point of a WAV file in file order; text is "" where none is given.

    Raises RecordingError as `read_wav_info` does, and for a broken cue chunk.
    """
    info = read_wav_info(path)
    size = os.path.getsize(path)
    places: list[tuple[int, int]] = []
    texts: dict[int, str] = {}
    with open(path, "rb") as file:
        for chunk in list_chunks(file, size)[0]:
            if chunk.name not in (b"cue ", b"LIST") or chunk.size > 64 * MAX_CUE_POINTS:
                continue
            file.seek(chunk.offset)
            content = file.read(min(chunk.size, size - chunk.offset))
            if chunk.name == b"cue ":
                places += _parse_cue(path, content)
            elif content[:4] == b"adtl":
                texts.update(_parse_texts(content[4:]))
    for ident, frame in places:
        if frame >= info.frames:
            raise RecordingError(f"{path}: cue point {ident} is at frame {frame}; the file has {info.frames} frames")
    return info.fs, [(frame, texts.get(ident, "")) for ident, frame in places]


def _parse_cue(path: Path, content: bytes) -> list[tuple[int, int]]:
    count = struct.unpack("<I", content[:4])[0] if len(content) >= 4 else -1
    if count < 0 or 4 + 24 * count > len(content):
        raise RecordingError(
            f"{path}: its cue chunk of {len(content)} bytes is broken (it gives {count} points); write the labels again"
        )
    return [struct.unpack_from("<I16xI", content, 4 + 24 * index) for index in range(count)]  # the number and the frame


def _parse_texts(content: bytes) -> dict[int, str]:
    texts, position = {}, 0
    while position + 12 <= len(content):
        name, length, ident = struct.unpack_from("<4sII", content, position)
        if name == b"labl":
            raw = content[position + 12 : position + 8 + length].split(b"\0")[0]
            texts[ident] = raw.decode("utf-8", errors="replace")
        position += 8 + length + length % 2
    return texts


def render_cue_points(points: Sequence[tuple[int, str]]) -> bytes:
    """A cue chunk and a LIST chunk for (frame, text) points; nothing for none."""
    if not points:
        return b""
    cue = struct.pack("<I", len(points)) + b"".join(
        struct.pack("<II4sIII", ident, frame, b"data", 0, 0, frame) for ident, (frame, _) in enumerate(points, 1)
    )
    texts = (
        _chunk(b"labl", struct.pack("<I", ident) + text.encode("utf-8") + b"\0")
        for ident, (_, text) in enumerate(points, 1)
    )
    return _chunk(b"cue ", cue) + _chunk(b"LIST", b"adtl" + b"".join(texts))


def _chunk(name: bytes, content: bytes) -> bytes:
    return name + struct.pack("<I", len(content)) + content + b"\0" * (len(content) % 2)


def replace_cue_points(path: Path, points: Sequence[tuple[int, str]]) -> None:
    """Replace the cue points of a WAV file; samples and all other chunks stay byte for byte.

    Raises RecordingError for a header that does not agree with the file, or a file above 4 GB.
    """
    if faults := read_wav_info(path).findings:
        raise RecordingError(f"{path}: its header is broken ({join_findings(faults)}); write it again as WAV first")
    content = path.read_bytes()
    kept = []
    for chunk in list_chunks(io.BytesIO(content), len(content))[0]:
        body = content[chunk.offset : chunk.offset + chunk.size]
        if chunk.name != b"cue " and (chunk.name != b"LIST" or body[:4] != b"adtl"):
            kept.append(_chunk(chunk.name, body))
    body = b"WAVE" + b"".join(kept) + render_cue_points(points)
    if content[:4] != b"RIFF" or len(body) >= UNKNOWN_SIZE:
        raise RecordingError(f"{path}: cue points go into RIFF files below 4 GB; use a label file instead")
    replace_file(path, b"RIFF" + struct.pack("<I", len(body)) + body)
