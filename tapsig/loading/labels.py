"""Label files: a CSV with the header `onset_s,kind`, plain times, start/end/name text, the cue points of a WAV file."""

import csv
import io
import math
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from tapsig.errors import LabelError, RecordingError
from tapsig.loading.cue_points import read_cue_points
from tapsig.loading.files import read_small_file, replace_file, to_path
from tapsig.loading.riff import WAV_SUFFIXES
from tapsig.records import TAP, Label
from tapsig.units import parse_number

LONGEST_KIND = 100
HEAD_BYTES = 1 << 12
TIME = re.compile(r"[+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?(?=$|[\s,;])")
"""A number at the start of a line without a header."""


def load_labels(path: str | Path) -> tuple[Label, ...]:
    """Labels from a file.

    Lines that start with `#` and empty lines are passed over.

    Parameters
    ----------
    path : str or Path
        One of:

        - CSV with the header `onset_s,kind`; other columns are passed over. Semicolons may take the place of commas,
          with decimal commas or points. Without a column `kind` every label is a tap.
        - Without a header, a time in seconds a line, which is a tap, or `time,kind`.
        - Without a header, `start<TAB>end<TAB>name`, as audio editors export labels: the onset is the start, the name
          is the kind, and without one it is a tap.
        - A WAV file with cue points.

    Returns
    -------
    tuple of Label
        Ascending by onset.

    Raises
    ------
    LabelError
        With the line, for a time that is no number of seconds from 0 up, an empty kind in a column for it, or two
        labels that are the same.
    """
    return tuple(_load(path, confident=False))


def load_proposals(path: str | Path) -> dict[Label, float | None]:
    """The labels of `load_labels`, each with its cell in the column `confidence`; None where that is missing or empty.

    Raises LabelError as `load_labels` does, and for a confidence that is no number from 0 to 1.
    """
    return _load(path, confident=True)


def _load(path: str | Path, *, confident: bool) -> dict[Label, float | None]:
    path = to_path("labels", path)
    if path.suffix.lower() in WAV_SUFFIXES:
        return dict.fromkeys(_cue_labels(path))
    if path.is_file() and not path.stat().st_size:
        raise LabelError(f"{path} is empty; to say that there are no taps, give one of the header 'onset_s,kind' alone")
    try:
        raw = read_small_file(path, what="label file")
    except RecordingError as error:
        raise LabelError(str(error)) from error
    try:
        text = raw.decode("utf-16" if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig")
    except UnicodeDecodeError as error:
        raise LabelError(f"{path}: byte {error.start} is not UTF-8; save the file as CSV in UTF-8") from error
    return _parse(text, str(path), confident=confident)


def parse_labels(text: str, *, source: str = "labels") -> tuple[Label, ...]:
    """Labels in the text of a label file; see `load_labels`.

    >>> parse_labels("onset_s,kind\\n1.5,tap\\n0.25,thump\\n")
    (Label(onset_s=0.25, kind='thump'), Label(onset_s=1.5, kind='tap'))
    """
    return tuple(_parse(text, source, confident=False))


def _parse(text: str, source: str, *, confident: bool) -> dict[Label, float | None]:
    """Labels, ascending, with their confidences where these are asked for; LabelError for one that is there twice."""
    lines = [
        (number, line)
        for number, line in enumerate(re.split("\r\n?|\n", text), 1)  # str.splitlines splits at form feeds too
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not lines:
        raise LabelError(f"{source}: there is no header; the first line must be 'onset_s,kind'")
    read = _read_plain if TIME.match(lines[0][1].strip()) else _read_table
    seen: dict[Label, int] = {}
    found: dict[Label, float | None] = {}
    for number, row in read(lines, source):
        where = f"{source}, line {number}"
        label = _label(row, where)
        if label in seen:
            raise LabelError(f"{where}: the same label as in line {seen[label]}; delete one of them")
        seen[label] = number
        found[label] = _confidence(row, where) if confident else None
    return dict(sorted(found.items(), key=lambda item: item[0]))


@dataclass(frozen=True, slots=True)
class _Row:
    """The cells of one label; `comma`: its numbers may have a decimal comma."""

    onset: str
    kind: str
    confidence: str = ""
    comma: bool = False

    def number(self, cell: str) -> float:
        """The number in a cell; nan for none."""
        return parse_number(cell.replace(",", ".") if self.comma else cell)


def _read_table(lines: list[tuple[int, str]], source: str) -> Iterator[tuple[int, _Row]]:
    """The labels of a file with a header."""
    delimiter = ";" if ";" in lines[0][1] else ","
    header = [cell.strip().lower() for cell in _cells(lines[0][1], delimiter, source, lines[0][0])]
    recordings: set[str] = set()  # as several recordings at once give them
    if "onset_s" not in header:
        raise LabelError(
            f"{source}, line {lines[0][0]}: the header is {lines[0][1][:60]!r}; it must name 'onset_s'"
            " (and 'kind', if not every label is a tap), or be a time in seconds"
        )
    for number, line in lines[1:]:
        cells = [cell.strip() for cell in _cells(line, delimiter, source, number)]
        row = dict(reversed(list(zip(header, cells, strict=False))))  # of two columns of one name, the first
        recordings.add(row.get("recording", ""))
        if len(recordings) > 1:
            raise LabelError(
                f"{source}, line {number}: its labels are of several recordings, {' and '.join(sorted(recordings))};"
                " a label file is of one: put each into a file of its own"
            )
        if "onset_s" not in row or ("kind" in header and "kind" not in row):
            raise LabelError(
                f"{source}, line {number}: {line[:60]!r} has {len(cells)} cells, fewer than the header;"
                " complete or delete the line"
            )
        yield number, _Row(row["onset_s"], row.get("kind", TAP), row.get("confidence", ""), delimiter == ";")


def _read_plain(lines: list[tuple[int, str]], source: str) -> Iterator[tuple[int, _Row]]:
    """The labels of a file without a header: `time`, `time,kind`, or start, end and name between tabs."""
    for number, line in lines:
        where = f"{source}, line {number}"
        if line.startswith("\\"):  # the band of frequencies of the label before, which some editors add
            continue
        tabbed = "\t" in line.strip("\n ")
        cells = [cell.strip() for cell in (line.split("\t") if tabbed else re.split("[,;]", line))]
        if tabbed and len(cells) > 1 and _is_number(cells[1]):  # start, end, name; the name may hold tabs or be missing
            _check_order(cells, where)
            cells = [cells[0], " ".join(cells[2:]).strip()]
        if len(cells) > 2 or (len(cells) == 2 and _is_number(cells[1])):
            raise LabelError(
                f"{where}: {line[:60]!r} could be a decimal comma or two numbers; without a header a line holds"
                " a time such as 1.25, a time and a kind, or start, end and name between tabs"
            )
        yield number, _Row(cells[0], cells[1] if len(cells) == 2 and cells[1] else TAP)


def _check_order(cells: list[str], where: str) -> None:
    start, end = (float(cell.replace(",", ".")) if _is_number(cell) else math.nan for cell in cells[:2])
    if end < start:
        raise LabelError(f"{where}: the end, {cells[1]}, is before the start, {cells[0]}; exchange them")
    cells[0] = cells[0].replace(",", ".")


def _is_number(cell: str) -> bool:
    return TIME.fullmatch(cell) is not None


def find_labels_beside(path: Path) -> Path | None:
    """The label file that goes with a recording by its name: X.labels.csv, X.labels.txt, or X.csv beside X.wav.

    X.csv is taken only if its header names `onset_s`, for it may be a log. None where there is none.
    """
    for ending in (".labels.csv", ".labels.txt"):
        beside = path.with_suffix(ending)
        if beside != path and beside.is_file():
            return beside
    beside = path.with_suffix(".csv")
    if beside != path and not (beside.is_file() and path.exists() and beside.samefile(path)) and beside.is_file():
        with beside.open("rb") as file:
            head = file.read(HEAD_BYTES)
        if b"onset_s" in head.replace(b"\0", b"").lower().split(b"\n")[0]:
            return beside
    return None


def write_labels(path: str | Path, labels: Iterable[Label]) -> None:
    """Write `labels` to a CSV file, ascending, in tenths of a millisecond and finer where needed; replaces `path`.

    Raises LabelError for a kind that a label file cannot hold.
    """
    replace_file(Path(path), render_labels(labels).encode("utf-8"))


def render_labels(labels: Iterable[Label]) -> str:
    """The text of a label file.

    >>> render_labels([Label(1.5), Label(0.25, "thump")])
    'onset_s,kind\\n0.2500,thump\\n1.5000,tap\\n'
    """
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(("onset_s", "kind"))
    for label in sorted(labels):
        _check_kind(label.kind, "kind")
        fixed = f"{label.onset_s:.4f}"
        writer.writerow((fixed if float(fixed) == label.onset_s else repr(float(label.onset_s)), label.kind))
    return buffer.getvalue()


def _cells(line: str, delimiter: str, source: str, number: int) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=delimiter, strict=True))
    except (csv.Error, StopIteration) as error:
        raise LabelError(f"{source}, line {number}: {line[:60]!r} is not CSV ({error}); correct the quotes") from error


def _label(row: _Row, where: str) -> Label:
    onset_s = row.number(row.onset)
    if math.isnan(onset_s) and row.onset.lower() != "nan":
        raise LabelError(f"{where}: onset_s is {row.onset[:40]!r}; it must be a number of seconds, such as 12.345")
    _check_kind(row.kind, where)
    try:
        return Label(onset_s, row.kind)
    except LabelError as error:
        raise LabelError(f"{where}: {error}") from None


def _confidence(row: _Row, where: str) -> float | None:
    if not row.confidence:
        return None
    if not 0.0 <= (confidence := row.number(row.confidence)) <= 1.0:
        raise LabelError(f"{where}: confidence is {row.confidence[:40]!r}; it must be a number from 0 to 1, or empty")
    return confidence


def _check_kind(kind: str, where: str) -> None:
    if not kind or len(kind) > LONGEST_KIND or not kind.isprintable():
        raise LabelError(
            f"{where}: kind is {kind[:40]!r}; it must be a word such as 'tap' or 'rain', printable, of at"
            f" most {LONGEST_KIND} characters"
        )
    if kind != TAP and kind.lower() == TAP:
        raise LabelError(f"{where}: kind is {kind!r}; a tap's kind is {TAP!r}, in small letters")


def _cue_labels(path: Path) -> tuple[Label, ...]:
    fs, points = read_cue_points(path)
    if not points:
        raise LabelError(
            f"{path} has no cue points, so it is not labelled; to say that there are no taps, give a label"
            " file of the header 'onset_s,kind' alone"
        )
    labels = set[Label]()
    for frame, text in points:
        kind = text.strip() or TAP
        _check_kind(kind, f"{path}, cue point at frame {frame}")
        labels.add(Label(frame / fs, kind))
    return tuple(sorted(labels))
