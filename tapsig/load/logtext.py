"""The text of a log, whatever wrote it: encodings and line ends settled, in blocks that end at line ends."""

import codecs
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from tapsig.errors import RecordingError
from tapsig.load.findings import FindingList

BLOCK_BYTES = 1 << 18
LONGEST_LINE_BYTES = 1 << 16
HEAD_BYTES = 1 << 12
BINARY_SHARE = 0.3
MARKS = ((codecs.BOM_UTF8, ""), (codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be"))
CONTROLS = bytes(set(range(32)) - {0, 7, 8, 9, 10, 12, 13, 27})


def read_log_blocks(path: Path, findings: FindingList) -> Iterator[bytes]:
    """Blocks of a text file, every line end as a line feed; only the last block may lack one at its end.

    UTF-8 and one-byte encodings pass as they are, without their byte order mark; UTF-16 becomes UTF-8. Raises
    RecordingError for a file that is no text.
    """
    with open(path, "rb") as file:
        encoding = _detect_encoding(path, file, findings)
        tail, text = b"", _decoded(file, encoding)
        for chunk in text:
            raw = tail + chunk
            held = raw.endswith(b"\r")  # its line feed may come with the next chunk
            body = _settle(raw[:-1] if held else raw)
            cut = body.rfind(b"\n") + 1
            tail = body[cut:] + (b"\r" if held else b"")
            if len(tail) > LONGEST_LINE_BYTES:
                raise RecordingError(f"{path}: a line is longer than {LONGEST_LINE_BYTES} bytes; this is no text log")
            if cut:
                yield body[:cut]
        if tail:
            yield _settle(tail)


def _settle(raw: bytes) -> bytes:
    """Line ends as line feeds, and no quotes around cells: no cell of a log holds a delimiter."""
    if b'"' in raw:
        raw = raw.replace(b'"', b"")
    if b"\r" not in raw:
        return raw
    return raw.replace(b"\r\r\n", b"\n").replace(b"\r\n", b"\n").replace(b"\r", b"\n")


def _detect_encoding(path: Path, file: BinaryIO, findings: FindingList) -> str:
    """"" for bytes that can be taken as they are, else a UTF-16; `file` stands after the byte order mark."""
    head = file.read(HEAD_BYTES)
    for mark, encoding in MARKS:
        if head.startswith(mark):
            file.seek(len(mark))
            return encoding
    file.seek(0)
    even, odd = head[0::2].count(0), head[1::2].count(0)
    if min(even, odd) * 20 < max(even, odd) and max(even, odd) > 0.4 * len(head) / 2:
        findings.add("no-byte-order-mark", "UTF-16 without a byte order mark, known by its zero bytes")
        return "utf-16-le" if odd > even else "utf-16-be"
    controls = len(head) - len(head.translate(None, CONTROLS))
    if controls > BINARY_SHARE * len(head) or head.count(0) == len(head):
        raise RecordingError(f"{path} is no text: it starts with {head[:12]!r}; name a WAV file or a CSV log")
    return ""


def _decoded(file: BinaryIO, encoding: str) -> Iterator[bytes]:
    decoder = codecs.getincrementaldecoder(encoding)(errors="replace") if encoding else None
    while raw := file.read(BLOCK_BYTES):
        yield raw if decoder is None else decoder.decode(raw).encode("utf-8", errors="replace")
    if decoder is not None and (rest := decoder.decode(b"", final=True)):
        yield rest.encode("utf-8", errors="replace")
