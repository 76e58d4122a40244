"""The text of a log with any encoding and line ends, in blocks that end at line ends."""

import codecs
import re
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from tapsig.errors import RecordingError
from tapsig.loading.findings import FindingList

BLOCK_BYTES = 1 << 18
LONGEST_LINE_BYTES = 1 << 16
HEAD_BYTES = 1 << 12
BINARY_SHARE = 0.3
SECTOR_BYTES = 512
MARKS = ((codecs.BOM_UTF8, ""), (codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be"))
PADDING = b"\0\xff"  # content of unwritten sectors of a card
PADDED = re.compile(rb"[\0\xff]{%d,}" % SECTOR_BYTES)
QUOTED_NUMBER = re.compile(rb'"([+-]?\d+),(\d+)"')
THOUSANDS = re.compile(rb'"[+-]?[1-9]\d{0,2}(?:,\d{3})+(?:\.\d*)?"')
MINUS = "\N{MINUS SIGN}".encode()  # as spreadsheets of some languages write it
CONTROLS = bytes(set(range(32)) - {0, 7, 8, 9, 10, 12, 13, 27})


def read_log_blocks(path: Path, findings: FindingList) -> Iterator[bytes]:
    """Blocks of a text file, every line end as a line feed; only the last block may lack one at its end.

    UTF-8 and one-byte encodings pass as they are, without their byte order mark; UTF-16 becomes UTF-8. Raises
    RecordingError for a file that is no text.
    """
    with open(path, "rb") as file:
        encoding = _detect_encoding(path, file, findings)
        tail = padding = b""  # what follows the last line end; and at its end, what may be padding
        padded = 0
        for chunk in _decoded(file, encoding):
            whole = tail + padding + chunk
            bare = whole.rstrip(PADDING)
            raw = PADDED.sub(b"", bare) if any(sign in bare and sign * 8 in bare for sign in (b"\0", b"\xff")) else bare
            padding = whole[len(bare) :][:SECTOR_BYTES]
            padded += len(whole) - len(raw) - len(padding)
            held = raw.endswith(b"\r")  # its line feed may come with the next chunk
            body = _settle(raw[:-1] if held else raw)
            cut = body.rfind(b"\n") + 1
            tail = body[cut:] + (b"\r" if held else b"")
            if len(tail) > LONGEST_LINE_BYTES:
                raise RecordingError(f"{path}: a line is longer than {LONGEST_LINE_BYTES} bytes; this is no text log")
            if cut:
                yield _unquote(path, body[:cut])
        if padded + len(padding):
            findings.add(
                "padding",
                f"{padded + len(padding)} bytes are padding, all 0x00 or all 0xFF, as in unwritten sectors"
                " of a card; skipped",
            )
        if tail:
            yield _unquote(path, _settle(tail))


def _unquote(path: Path, raw: bytes) -> bytes:
    """No quotes around cells, and no typographic minus.

    Raises RecordingError for a number such as "2,504", which may be one of two.
    """
    raw = raw.replace(MINUS, b"-")
    if b'"' not in raw:
        return raw
    if match := THOUSANDS.search(raw):
        cell = match[0].decode("ascii")
        raise RecordingError(
            f"{path}: {cell} may be {cell[1:-1].replace(',', '')}, or a number with a decimal comma;"
            " export it with decimal points and without separators of thousands"
        )
    return QUOTED_NUMBER.sub(rb"\1.\2", raw).replace(b'"', b"")


def _settle(raw: bytes) -> bytes:
    """Line ends as line feeds."""
    if b"\r" not in raw:
        return raw
    return raw.replace(b"\r\r\n", b"\n").replace(b"\r\n", b"\n").replace(b"\r", b"\n")


def _detect_encoding(path: Path, file: BinaryIO, findings: FindingList) -> str:
    """ "" for bytes that can be taken as they are, else a UTF-16; `file` stands after the byte order mark."""
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
