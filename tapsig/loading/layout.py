"""Format of the lines of a log: preamble, header, delimiter, decimal sign, columns and their units."""

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from tapsig.errors import RecordingError
from tapsig.loading.columns import FIGURE, Column, describe_column, split_words
from tapsig.loading.logtext import CONTROLS
from tapsig.units import TIME_UNITS, VOLT_UNITS

NUMBER = re.compile(r"[+-]?(?:(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?|0[xX][0-9a-fA-F]{1,8})", re.ASCII)
UNDEFINED = split_words(
    """
    nan -nan inf -inf +inf ∞ -∞ +∞ 1.#inf -1.#inf 1.#qnan -1.#ind ovf ol overflow over na n/a null none - --
    #n/a #num! #value! #div/0! #ref!
    """
) | {""}
"""Cells in place of a value, as converters, printf and spreadsheets write them."""
CLOCK_PREFIX = re.compile(
    r"\[?(?:(\d{4}-\d{2}-\d{2})[T ,;\t]\s*)?(\d{1,2}):(\d{2}):"
    r"(\d{2}(?:\.\d{1,9}|,\d{1,6}|:\d{3}(?=[\]\s>,;]))?)(Z|[+-]\d{2}:?\d{2})?\]?"
    r"\s*(?:->|[>,;:\t]|\s)\s*(?=\S)",
    re.ASCII,
)
"""Date (ISO 8601, may be missing), hours, minutes, seconds, zone, and what parts them from the rest of the line."""
DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+(?:[eE][+-]?\d{1,3})?", re.ASCII)
DATE = re.compile(r"\d{4}-\d{2}|\d:\d{2}")
CELL_END = re.compile(r"[,;\t]")
MAX_WORDS = 3
PREAMBLE = re.compile(r"#+\s*([A-Za-z_]\w*)\s*[=:]\s*(.*?)\s*", re.ASCII)

METADATA = {
    **dict.fromkeys(("sample rate", "sampling rate", "samplerate", "sample frequency", "sampling frequency"), "fs_hz"),
    **dict.fromkeys(("sample interval", "sampling interval", "sample period", "sampling period"), "interval_s"),
    **dict.fromkeys(("vertical units", "vertical unit", "y units", "y unit"), "value_unit"),
    **dict.fromkeys(("horizontal units", "horizontal unit", "x units", "x unit"), "time_unit"),
}
RATE = re.compile(r"(\d+(?:\.\d*)?(?:[eE][+-]?\d{1,2})?)\s*([kM]?)(?:Hz|S/s|Sa/s|s)?\s*$", re.ASCII)
UNIT_CELL = re.compile(r"[(\[][^)\]]*[)\]]")
HEAD_BYTES = 1 << 14
LARGEST = 2.0**53  # larger stamps are not exact to the unit; microseconds since 1970 are 1.8e15


@dataclass(frozen=True, slots=True)
class Layout:
    """Format of a line."""

    delimiter: str  # "" = one column, " " = any white space
    decimal_comma: bool
    columns: int = 1
    trailing: bool = False  # each line ends with a delimiter
    clock_prefix: bool = False
    dated: bool = False  # … with a date
    header: tuple[str, ...] = ()  # cells; () = none
    header_texts: tuple[str, ...] = ()  # its lines: names, and perhaps units below them
    preamble: Mapping[str, str] = field(default_factory=dict)
    first_line: int = 0  # of the data, from 1
    example: str = ""  # that line
    remark: str = ""  # text above a column without a header, which may contain its unit
    comma_guessed: bool = False  # one column with a decimal comma is assumed, without a header to confirm it

    def split(self, line: str) -> list[str]:
        """The cells of a line without its clock prefix, unchanged."""
        if self.delimiter == " ":
            return line.split()
        return [cell.strip() for cell in line.split(self.delimiter)] if self.delimiter else [line.strip()]

    def number(self, cell: str) -> float | None:
        """The value of a cell, None unless it is a plain number up to 2**53."""
        if self.decimal_comma:
            cell = cell.replace(",", ".")
        if not NUMBER.fullmatch(cell):
            return None
        digits = cell.lstrip("+-")
        size = float(int(digits, 16)) if digits[:2] in ("0x", "0X") else float(digits)
        return None if size > LARGEST else -size if cell.startswith("-") else size


def decode_line(raw: bytes) -> str:
    """Text of one line: UTF-8, or else Latin-1."""
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("latin-1")


def find_layout(source: str, block: bytes) -> Layout:
    """The layout of a log by its first lines. Raises RecordingError when no line of numbers is in the block."""
    for size in (HEAD_BYTES, len(block)):
        layout = _layout_of(block[:size])
        if layout is not None:
            return layout
    lines = (text for raw in block.split(b"\n") if (text := decode_line(raw).strip("\0 \t")))
    first, second = next(lines, ""), next(lines, "")
    if (quoted := (first + second).encode()) != quoted.translate(None, CONTROLS):
        raise RecordingError(
            f"{source}: no line of numbers in its first {len(block)} bytes, which are no text; is it a recording?"
        )
    raise RecordingError(
        f"{source}: no line of numbers in its first {len(block)} bytes (the first line is"
        f" {first[:40]!r}, the second {second[:40]!r}); a log has one value, or time and value, a"
        " line: numbers up to 9e15 without units, and times such as 2024-05-31T12:00:00.5; leave out columns of text"
    )


def _layout_of(head: bytes) -> Layout | None:
    """The layout of most lines; None without lines of numbers."""
    lines = [decode_line(raw).strip("\0 \t\r") for raw in head.split(b"\n")]
    if not head.endswith(b"\n"):
        lines = lines[:-1] or lines  # a line cut by the end of the head
    clocks = [CLOCK_PREFIX.match(line) for line in lines]
    prefixed = sum(clock is not None for clock in clocks) * 2 > sum(map(bool, lines))
    dated = prefixed and sum(bool(clock and clock[1]) for clock in clocks) * 2 > sum(map(bool, lines))
    texts = [CLOCK_PREFIX.sub("", line, count=1) for line in lines] if prefixed else lines
    forms = Counter[tuple[str, bool, int, bool]]()
    for text in texts:
        forms.update(_forms(text))
    if not forms:
        return None
    most = max(forms.values())
    best = max((form for form, count in forms.items() if count == most), key=lambda form: (form[2], not form[1]))
    commas = forms["", True, 1, False]
    one_column = commas == most if best == (",", False, 2, False) else commas > 0 and best == ("", False, 1, False)
    one_column = one_column and _has_decimal_commas(lines, texts)
    if one_column:
        best = ("", True, 1, False)
    delimiter, comma, columns, trailing = best
    probe = Layout(delimiter, comma, columns, trailing, prefixed, dated)
    start = next((index for index, text in enumerate(texts) if probe_fits(probe, text)), None)
    if start is None:
        return None
    preamble = read_metadata(texts[:start])
    preamble |= {match[1]: match[2] for line in lines[:start] if (match := PREAMBLE.fullmatch(line))}
    headers = [(cells, text) for text in reversed(texts[:start]) if (cells := header_cells(probe, text))]
    header, *header_texts = headers[0] if headers else ((),)
    above = next((text for text in reversed(texts[:start]) if text), "")
    if wide := _wide_header(probe, above):
        header, header_texts = wide, [above]
    elif len(headers) > 1 and (units := _units_below(header)):
        header = tuple(f"{name} {unit}" for name, unit in zip(headers[1][0], units, strict=True))
        header_texts.append(headers[1][1])
    unsaid = (text for text in reversed(texts[:start]) if describe_column(text).scale_v != 1.0)
    remark = next(unsaid, "") if columns == 1 and not header else ""
    return replace(
        probe,
        header=header,
        header_texts=tuple(header_texts),
        preamble=preamble,
        first_line=start + 1,
        example=lines[start],
        remark=remark,
        comma_guessed=one_column and not header,
    )


def read_metadata(texts: Sequence[str]) -> dict[str, str]:
    """Rate and units from lines of name and value above the data, as oscilloscopes write them."""
    found = {}
    for text in texts:
        name, *cells = (cell.strip() for cell in CELL_END.split(text))
        key = METADATA.get(name.lower().rstrip(":"))
        match = RATE.match(cells[0]) if key in ("fs_hz", "interval_s") and cells else None
        if match and float(match[1]) > 0:
            number = float(match[1]) * {"k": 1e3, "m": 1e6}.get(match[2].lower(), 1.0)
            found["fs_hz"] = f"{number if key == 'fs_hz' else 1.0 / number:.15g}"
        elif key in ("time_unit", "value_unit") and cells:
            found[key] = cells[0]
    return found


def _has_decimal_commas(lines: list[str], texts: list[str]) -> bool:
    """Whether `0,512` on every line is one number and not two: by a minus zero, a clock before it that ends with a
    semicolon or a tab, or the header of one column in volts."""
    numbers = [DECIMAL_COMMA.fullmatch(text) is not None for text in texts]
    first = next(place for place, text in enumerate(texts) if numbers[place] or NUMBER.fullmatch(text))
    above = next((text for text in reversed(texts[:first]) if text and text[0] != "#"), "")
    if "," in above:
        return False  # a header of two columns
    pairs = [(line, text) for line, text, number in zip(lines, texts, numbers, strict=True) if number]
    if any(text.startswith("-0,") for _, text in pairs):
        return True
    if all(line[: len(line) - len(text)].rstrip(" ").endswith((";", "\t")) for line, text in pairs):
        return True
    return describe_column(above).unit == "V" and not FIGURE.search(above)


def probe_fits(layout: Layout, text: str) -> bool:
    """Whether a line has numbers (or an undefined value) in all columns of the layout."""
    cells = layout.split(text)
    if len(cells) != layout.columns + layout.trailing or (layout.trailing and cells[-1]):
        return False
    cells = cells[: layout.columns]
    return any(layout.number(cell) is not None for cell in cells) and all(
        layout.number(cell) is not None or cell.lower() in UNDEFINED for cell in cells
    )


def _forms(text: str) -> list[tuple[str, bool, int, bool]]:
    """All readings of a line as numbers: (delimiter, decimal comma, columns, trailing delimiter)."""
    if not text or text.startswith("#"):
        return []
    found = []
    for delimiter in ("", ",", ";", "\t", " "):
        if delimiter and delimiter not in text:
            continue
        for comma in (False, True) if delimiter in (";", "\t") else (False,):  # whole numbers have no comma
            layout = Layout(delimiter, comma)
            cells = layout.split(text)
            trailing = len(cells) > 1 and not cells[-1]
            cells = cells[:-1] if trailing else cells
            if cells and all(layout.number(cell) is not None for cell in cells):
                found.append((delimiter, comma, len(cells), trailing))
    if DECIMAL_COMMA.fullmatch(text) and Layout("", True).number(text) is not None:
        found.append(("", True, 1, False))
    return found


def header_cells(layout: Layout, text: str) -> tuple[str, ...]:
    """The cells of a line that may be a header: as many words as there are columns, one of them known.

    A remark is none: `name=value`, a date, or a figure with its unit and no time column.
    """
    if PREAMBLE.fullmatch(text) or DATE.search(text):
        return ()
    whole, text = layout.split(text), text.lstrip("#").strip()
    cells = whole if whole[:1] == ["#"] and len(whole) == layout.columns else layout.split(text)
    if FIGURE.search(text) and all(describe_column(cell).kind != "time" for cell in CELL_END.split(text)):
        return ()
    if layout.clock_prefix and (layout.columns == 1 or len(cells) != layout.columns):
        cells = CELL_END.split(text) if CELL_END.search(text) else text.split()
        while len(cells) > layout.columns and (not cells[0] or describe_column(cells[0]).kind == "time"):
            cells = cells[1:]
    cells = [cell.strip() for cell in cells]
    if len(cells) == layout.columns + 1 and not cells[-1]:
        cells = cells[:-1]
    if len(cells) != layout.columns or any(layout.number(cell) is not None for cell in cells):
        return ()
    if layout.columns == 1 and not cells[0].isidentifier():
        unknown = describe_column(cells[0]) == Column("value")
        if unknown or len(cells[0].split()) > MAX_WORDS or set(",;:=") & set(cells[0]):
            return ()  # a sentence before a column of values
    return tuple(cells) if all(cells[1:]) and (cells[0] or len(cells) > 1) else ()  # an index may have no name


def _wide_header(layout: Layout, text: str) -> tuple[str, ...]:
    """The first cells of a line right above the data with more names than these have columns, such as a last one for
    comments; () for any other.
    """
    parted = layout.delimiter not in ("", " ") and not layout.clock_prefix
    cells = layout.split(text.lstrip("#").strip()) if parted else []
    names = len(cells) > layout.columns + 1 - bool(cells and cells[-1]) and all(cells[: layout.columns])
    figures = any(layout.number(cell) is not None for cell in cells) or DATE.search(text)
    return tuple(cells[: layout.columns]) if names and not figures else ()


def _units_below(header: tuple[str, ...]) -> tuple[str, ...]:
    """The units of a header that holds nothing else, in brackets; () for any other."""
    if all(cell.lower() in TIME_UNITS or cell.lower() in VOLT_UNITS for cell in header):
        return tuple(f"({cell})" for cell in header)
    return header if all(UNIT_CELL.fullmatch(cell) for cell in header) else ()


def preamble_number(source: str, preamble: Mapping[str, str], name: str) -> float | None:
    """The number that `# name=...` gives, None if it is not there. Raises RecordingError if it is no number above 0."""
    text = preamble.get(name)
    if text is None:
        return None
    number = float(int(text, 16) if "x" in text.lower() else text) if NUMBER.fullmatch(text) else 0.0
    if not 0 < number < 1e12:
        raise RecordingError(f"{source}: its preamble says {name}={text[:40]!r}; it must be a number above 0")
    return number
