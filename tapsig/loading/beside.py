"""Logs of oscilloscopes whose first rows hold metadata beside the data, such as `Sample Interval,0.001,,-0.5,0.02`:
a name and its value in the first columns, which are empty in later rows."""

import re
from collections import Counter
from collections.abc import Mapping

from tapsig.loading.layout import NUMBER, decode_line, read_metadata

HEAD_BYTES = 1 << 14
EMPTY = re.compile(rb"([,;\t])\1+")  # two empty cells or more: of a name and of its value


def count_columns_beside(block: bytes) -> tuple[bytes, int]:
    """The delimiter, and how many columns hold metadata beside the data; 0 where none do.

    They are empty on most lines; on at least one there is a name in them, and a number after them.
    """
    lines = [line for line in block[:HEAD_BYTES].split(b"\n") if line.strip()]
    empty = Counter(match[0] for line in lines if (match := EMPTY.match(line)))
    if not empty:
        return b"", 0
    cells, count = empty.most_common(1)[0]
    delimiter, columns = cells[:1], len(cells)
    named = any(_holds_metadata(line, delimiter, columns) for line in lines)
    return (delimiter, columns) if 2 * count > len(lines) and named else (b"", 0)


def _holds_metadata(line: bytes, delimiter: bytes, columns: int) -> bool:
    cells = [decode_line(cell).strip() for cell in line.split(delimiter)]
    return (
        len(cells) > columns
        and bool(cells[0])
        and not NUMBER.fullmatch(cells[0])
        and NUMBER.fullmatch(cells[columns]) is not None
    )


def strip_columns_beside(block: bytes, delimiter: bytes, columns: int) -> bytes:
    """The block with the data alone; a line that has something else in the first columns stays as it is."""
    start = delimiter * columns
    lines = block.split(b"\n")
    for number, line in enumerate(lines):
        if line.startswith(start):
            lines[number] = line[columns:]
        elif _holds_metadata(line, delimiter, columns):
            lines[number] = line.split(delimiter, columns)[columns]
    return b"\n".join(lines)


def read_metadata_beside(block: bytes, delimiter: bytes, columns: int) -> Mapping[str, str]:
    """Rate and units from the metadata, by the names of a preamble."""
    lines = [line for line in block[:HEAD_BYTES].split(b"\n") if _holds_metadata(line, delimiter, columns)]
    return read_metadata([decode_line(delimiter.join(line.split(delimiter)[:columns])) for line in lines])
