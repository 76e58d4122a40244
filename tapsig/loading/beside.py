"""What stands beside the data in a row: metadata of an oscilloscope, such as `Sample Interval,0.001,,-0.5,0.02`, in
columns that are empty in later rows; and the empty columns of a spreadsheet."""

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


def count_empty_columns(block: bytes) -> tuple[bytes, int, int]:
    """The delimiter, and how many columns are empty on most lines at their beginning, and at their end but one.

    A comma before a single number is none: it may be a decimal comma.
    """
    lines = [line for line in block[:HEAD_BYTES].split(b"\n") if line.strip()]
    for delimiter in (b";", b","):
        edges = Counter[tuple[int, int]]()
        for line in lines:
            data = line.strip(delimiter)
            before = len(line) - len(line.lstrip(delimiter)) if delimiter in data else 0
            edges[before, len(line) - len(line.rstrip(delimiter))] += 1
        (before, after), count = edges.most_common(1)[0] if edges else ((0, 0), 0)
        if 2 * count > len(lines) and (before or after > 1):
            return delimiter, before, max(0, after - 1)
    return b"", 0, 0


def strip_empty_columns(block: bytes, delimiter: bytes, before: int, after: int) -> bytes:
    """The block without the first `before` and the last `after` cells of each line that has them empty."""
    return re.sub(rb"(?m)^%b{%d}|(?<=%b)%b{%d}$" % (delimiter, before, delimiter, delimiter, after), b"", block)
