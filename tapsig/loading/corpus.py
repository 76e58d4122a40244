"""A corpus: a folder of recordings, with the manifest `corpus.csv` that describes them."""

import csv
import difflib
import io
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import overload

import numpy as np

from tapsig.errors import ParameterError, RecordingError
from tapsig.loading.files import read_small_file, to_path
from tapsig.loading.findings import LoadReport
from tapsig.loading.read_options import ReadOptions
from tapsig.loading.recording import read_recording
from tapsig.records import Recording
from tapsig.results import ReadOnlyMapping
from tapsig.units import SECONDS, parse_number

MANIFEST = "corpus.csv"
SPLITS = ("train", "validation", "test")

Choice = str | Collection[str] | None


@dataclass(frozen=True, slots=True)
class CorpusEntry:
    """One row of a manifest: one channel of one recording. None where its cell is empty.

    `extra` holds the columns that tapsig does not know, as text.
    """

    recording: str
    path: Path
    channel: int = 0
    labels: str = ""
    labels_path: Path | None = None
    vehicle: str = ""
    position: str = ""
    scene: str = ""
    split: str = ""
    fs_hz: float | None = None
    full_scale_v: float | None = None
    adc_bits: int | None = None
    time_unit: str | None = None
    duration_s: float | None = None
    seed: str = ""
    extra: Mapping[str, str] = field(default_factory=dict)
    line: int = 0

    @property
    def name(self) -> str:
        """The recording's file name without its ending, with the position."""
        stem = PurePosixPath(self.recording).stem
        return f"{stem} {self.position}".strip()

    @property
    def options(self) -> ReadOptions:
        """How its recording is read; the manifest alone says whether it is labelled."""
        return ReadOptions(
            channel=self.channel,
            full_scale_v=self.full_scale_v,
            adc_bits=self.adc_bits,
            labels=self.labels_path or False,
            fs=self.fs_hz,
            time_unit=self.time_unit,
            position=self.position,
            vehicle=self.vehicle,
            scene=self.scene,
        )


KNOWN = tuple(field.name for field in fields(CorpusEntry) if field.name not in ("path", "labels_path", "extra", "line"))
"""The columns of a manifest that tapsig knows."""


@dataclass(frozen=True, slots=True, repr=False)
class Corpus:
    """The entries of a manifest, in its order. Iterating loads one recording after the other."""

    folder: Path
    entries: tuple[CorpusEntry, ...]
    strict: bool = False

    def __len__(self) -> int:
        return len(self.entries)

    def __iter__(self) -> Iterator[Recording]:
        return map(self.load, self.entries)

    @overload
    def __getitem__(self, key: slice) -> "Corpus": ...
    @overload
    def __getitem__(self, key: int | str | tuple[str, str]) -> Recording: ...
    def __getitem__(self, key: int | slice | str | tuple[str, str]) -> "Recording | Corpus":
        """One recording, by its number, or by its file name without ending, with the position where there are several.

        A slice gives a corpus of those entries.

        Raises ParameterError for a number or a name that is not there, or a name without the position that it needs.

        >>> from tapsig.loading import load_corpus
        >>> corpus = load_corpus("corpus_demo")
        >>> corpus["crane-quiet", "frame"].position
        'frame'
        """
        if isinstance(key, slice):
            return replace(self, entries=self.entries[key])
        return self.load(self._find(key))

    def _find(self, key: object) -> CorpusEntry:
        if isinstance(key, (int, np.integer)) and not isinstance(key, bool):
            if not -len(self.entries) <= key < len(self.entries):
                raise ParameterError(f"index is {key}; the corpus has {len(self.entries)} recordings, from 0")
            return self.entries[int(key)]
        words = key if isinstance(key, tuple) else (key,)
        if len(words) not in (1, 2) or not all(isinstance(word, str) for word in words):
            raise ParameterError(f"key is {key!r:.80}; give a number, or a name and a position: ('door', 'frame')")
        named = [entry for entry in self.entries if PurePosixPath(entry.recording).stem == words[0]]
        found = [entry for entry in named if len(words) == 1 or entry.position == words[1]]
        if len(found) == 1:
            return found[0]
        stems = sorted({PurePosixPath(entry.recording).stem for entry in self.entries})
        near = difflib.get_close_matches(str(words[0]), stems, n=1)
        hint = f"; did you mean {near[0]!r}?" if near else f"; there are {', '.join(stems[:5])}, …"
        positions = ", ".join(repr(entry.position) for entry in named)
        needs = f"{self.folder}: {words[0]!r} has the positions {positions}; give one of them beside the name"
        raise ParameterError(needs if named else f"{self.folder}: there is no recording {words[0]!r}{hint}")

    def __repr__(self) -> str:
        return f"<Corpus: {len(self.entries)} recordings in {self.folder}>"

    def select(
        self, split: Choice = None, vehicle: Choice = None, position: Choice = None, scene: Choice = None
    ) -> "Corpus":
        """The entries that match every argument given: a word, or several words of which one must match."""
        wanted = {"split": split, "vehicle": vehicle, "position": position, "scene": scene}
        allowed = {name: [one] if isinstance(one, str) else one for name, one in wanted.items() if one is not None}
        kept = (one for one in self.entries if all(getattr(one, name) in words for name, words in allowed.items()))
        return replace(self, entries=tuple(kept))

    def load(self, entry: CorpusEntry) -> Recording:
        """The recording of an entry, with its labels (None where it names no label file)."""
        return self.read(entry)[0]

    def read(self, entry: CorpusEntry) -> tuple[Recording, LoadReport]:
        """The recording of an entry, and the report of how it was read."""
        recording, report = read_recording(entry.path, replace(entry.options, strict=self.strict))
        return replace(recording, split=entry.split), report


def load_corpus(folder: str | Path, *, allow_outside: bool = False, strict: bool = False) -> Corpus:
    """The corpus in a folder; recordings are read when they are asked for.

    Parameters
    ----------
    folder : str or Path
        The folder with the manifest corpus.csv.
    allow_outside : bool
        Permit paths that leave the folder (absolute ones, `..`, links), which are refused otherwise.
    strict : bool
        Refuse recordings with any finding.

    Returns
    -------
    Corpus
        Iterating gives one recording after the other; `corpus[0]` and `corpus["name", "position"]` give one.

    Raises
    ------
    RecordingError
        With the line, for a manifest that is missing or cannot be used, or names files that are not there.
    """
    folder = to_path("folder", folder)
    if folder.is_file() and folder.name == MANIFEST:
        folder = folder.parent
    if not folder.is_dir():
        raise RecordingError(f"{folder} is not a folder; a corpus is a folder with {MANIFEST} in it")
    manifest = find_manifest(folder)
    entries, seen = [], dict[object, int]()
    for line, row in read_rows(manifest):
        entry = parse_row(folder, row, line, f"{manifest}, line {line}", allow_outside=allow_outside)
        key = (identify_file(entry.path), entry.channel)
        if key in seen:
            raise RecordingError(
                f"{manifest}, line {line}: channel {entry.channel} of {entry.recording} is already in line"
                f" {seen[key]}; delete one of them"
            )
        seen[key] = line
        entries.append(entry)
    return Corpus(folder, tuple(entries), strict)


def find_manifest(folder: Path) -> Path:
    """The manifest of a corpus. Raises RecordingError, with the next step, where there is none."""
    manifest = folder / MANIFEST
    if not manifest.exists():
        raise RecordingError(f"{folder} has no {MANIFEST}; make it with 'tapsig corpus init {folder}'")
    return manifest


def identify_file(path: Path) -> tuple[int, int]:
    """The same for every spelling of a path to one file: `a.wav`, `./a.wav`, a link to it."""
    status = path.stat()
    return status.st_dev, status.st_ino


def read_rows(manifest: Path) -> list[tuple[int, dict[str, str]]]:
    """The rows of a manifest by column, each with its line. Raises RecordingError for what is no table."""
    raw = read_small_file(manifest, what="manifest")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise RecordingError(f"{manifest}: byte {error.start} is not UTF-8; save it as CSV in UTF-8") from error
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    header: list[str] | None = None
    rows = []
    try:
        for cells in reader:
            if not any(cell.strip() for cell in cells) or cells[0].startswith("#"):
                continue
            if header is None:
                header = _check_header(manifest, cells)
                continue
            if len(cells) != len(header):
                raise RecordingError(
                    f"{manifest}, line {reader.line_num}: {len(cells)} cells, the header has"
                    f" {len(header)}; complete the line"
                )
            cells = [cell.strip() for cell in cells]
            rows.append((reader.line_num, dict(zip(header, cells, strict=True))))
    except csv.Error as error:
        raise RecordingError(f"{manifest}, line {reader.line_num}: not CSV ({error}); correct the quotes") from error
    if header is None:
        raise RecordingError(f"{manifest} has no header; its first line must name columns, such as {','.join(KNOWN)}")
    return rows


def _check_header(manifest: Path, cells: list[str]) -> list[str]:
    header = [cell.strip() for cell in cells]
    if "recording" not in header:
        raise RecordingError(f"{manifest}: the header has no column 'recording'; tapsig knows {', '.join(KNOWN)}")
    twice = {name for name in header if header.count(name) > 1}
    if twice:
        raise RecordingError(f"{manifest}: the column {sorted(twice)[0]!r} occurs twice; delete one of them")
    return header


def parse_row(folder: Path, row: Mapping[str, str], line: int, where: str, *, allow_outside: bool) -> CorpusEntry:
    cells = {name: row.get(name, "") for name in ("labels", "vehicle", "position", "scene", "split", "seed")}
    labels, time_unit = cells["labels"], row.get("time_unit", "")
    for name, cell, allowed in (("split", cells["split"], SPLITS), ("time_unit", time_unit, SECONDS)):
        if cell and cell not in allowed:
            raise RecordingError(f"{where}: {name} is {cell!r}; it must be {', '.join(allowed)} or empty")
    return CorpusEntry(
        **cells,
        recording=row["recording"],
        path=_resolve(folder, row["recording"], where, "recording", allow_outside=allow_outside),
        channel=int(_number(row, "channel", where, low=0, high=255, whole=True) or 0),
        labels_path=_resolve(folder, labels, where, "labels", allow_outside=allow_outside) if labels else None,
        fs_hz=_number(row, "fs_hz", where, low=1e-3, high=1e7),
        full_scale_v=_number(row, "full_scale_v", where, low=1e-9, high=1e6),
        adc_bits=int(_number(row, "adc_bits", where, low=1, high=24, whole=True) or 0) or None,
        time_unit=time_unit or None,
        duration_s=_number(row, "duration_s", where, low=0, high=1e9),
        extra=ReadOnlyMapping({name: cell for name, cell in row.items() if name not in KNOWN}),
        line=line,
    )


def _resolve(folder: Path, cell: str, where: str, column: str, *, allow_outside: bool) -> Path:
    """The file that a cell names, which must be there and inside the folder."""
    if not cell or "\0" in cell or len(cell) > 1000:
        raise RecordingError(f"{where}: {column} is {cell[:40]!r}; it must name a file in the corpus folder")
    absolute = PurePosixPath(cell).is_absolute() or bool(PureWindowsPath(cell).anchor)
    outside = absolute or ".." in PurePosixPath(cell.replace("\\", "/")).parts
    path = folder / cell
    try:
        outside = outside or not path.resolve().is_relative_to(folder.resolve())
        there = path.is_file()
    except (OSError, RuntimeError) as error:  # RuntimeError: links in a circle
        raise RecordingError(f"{where}: {column} {cell[:80]!r} cannot be opened ({error})") from error
    if outside and not allow_outside:
        raise RecordingError(
            f"{where}: {column} {cell[:80]!r} leaves the corpus folder; move the file into it, or load"
            " with allow_outside=True"
        )
    if not there:
        raise RecordingError(f"{where}: {column} {cell[:80]!r} is not there; check the name, or delete the line")
    return path


def _number(
    row: Mapping[str, str], column: str, where: str, *, low: float, high: float, whole: bool = False
) -> float | None:
    cell = row.get(column, "")
    if not cell:
        return None
    value = parse_number(cell)
    if not low <= value <= high or (whole and value != int(value)):
        kind = "whole number" if whole else "number"
        raise RecordingError(
            f"{where}: {column} is {cell[:40]!r}; it must be a {kind} from {low:g} to {high:g}, or empty"
        )
    return value
