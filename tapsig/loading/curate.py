"""Build your own corpus: a folder with the manifest `corpus.csv`, recordings and labels."""

import contextlib
import csv
import hashlib
import io
import itertools
import re
import shutil
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

from tapsig.errors import ParameterError, RecordingError
from tapsig.loading.corpus import KNOWN, MANIFEST, SPLITS, find_manifest, read_rows
from tapsig.loading.files import hold_lock, make_folder, read_small_file, replace_file
from tapsig.loading.read_options import ReadOptions
from tapsig.loading.recording import read_recording
from tapsig.records import Finding

COLUMNS = (*KNOWN, "mount", "sensor", "converter")
LOCK = ".corpus.lock"


@dataclass(frozen=True, slots=True)
class AddedRecording:
    """A row of the manifest that was entered, and what was found while its recording was read."""

    row: Mapping[str, str]
    findings: tuple[Finding, ...]


def init_corpus(folder: Path) -> Path:
    """Make an empty corpus in `folder`, which may exist; returns its manifest.

    Raises ParameterError when there is a manifest already, or a file in the place of a folder.
    """
    manifest = folder / MANIFEST
    make_folder(folder)
    for part in ("recordings", "labels"):
        make_folder(folder / part)
    with hold_lock(folder / LOCK):
        if manifest.exists():
            raise ParameterError(f"{manifest} exists already; add to it with 'tapsig corpus add {folder} FILE …'")
        replace_file(manifest, (",".join(COLUMNS) + "\n").encode("utf-8"))
    return manifest


def add_recording(
    folder: Path,
    source: Path,
    options: ReadOptions,
    *,
    split: str | None = None,
    mount: str = "",
    sensor: str = "",
    converter: str = "",
    force: bool = False,
) -> AddedRecording:
    """Copy a recording and its labels into the corpus, and enter it in the manifest.

    One call a channel: a file with several channels is copied once. The `options` must name vehicle, position and
    scene; of `labels`, None means none. The default of `split` is that of the vehicle's other recordings, and "train"
    for a new vehicle. `force` replaces the row of the same channel; its labels and your own columns are kept unless
    new ones are given. The rest of the manifest stays as it is. Several calls may run at once: each waits for the one
    before.

    Raises ParameterError for an empty name, a split that the vehicle is not in, or a channel that is entered already;
    RecordingError and LabelError as the loaders do, and when the recording changes while it is read.
    """
    manifest = find_manifest(folder)
    names = {"vehicle": options.vehicle, "position": options.position, "scene": options.scene}
    details = {"mount": mount, "sensor": sensor, "converter": converter}
    for name, value in (names | details).items():
        if (name in names and not value) or value != value.strip() or not value.isprintable() or value.startswith("#"):
            raise ParameterError(f"{name} is {value!r}; it must be a plain word or words")
    before = _version(source) if source.exists() else None
    recording, report = read_recording(source, replace(options, labels=options.labels or False))
    labels = Path(options.labels) if options.labels else None
    row = {
        "channel": str(report.channel),
        **names,
        "fs_hz": f"{recording.fs:.10g}",
        "full_scale_v": "" if options.full_scale_v is None else f"{options.full_scale_v:.10g}",
        "adc_bits": str(options.adc_bits or ""),
        "time_unit": options.time_unit or "",
        "duration_s": f"{recording.span_s:.6f}",
        **details,
    }
    with hold_lock(folder / LOCK):
        rows = read_rows(manifest)
        row["split"] = _settle_split([row for _, row in rows], options.vehicle, split)
        _check_header(manifest, [*(name for name, cell in row.items() if cell), *(["labels"] if labels else [])])
        with _undo_copies() as copied:
            copy = _copy_recording(folder / "recordings", source, copied)
            if _version(source) != before:
                raise RecordingError(f"{source} changed while it was read; stop the recorder, then add it again")
            row["recording"] = copy.relative_to(folder).as_posix()
            same = [
                (line, old)
                for line, old in rows
                if PurePosixPath(old["recording"]) == PurePosixPath(row["recording"])
                and int(old.get("channel") or 0) == report.channel
            ]
            if same and not force:
                raise ParameterError(
                    f"{source.name}, channel {report.channel}, is in the corpus already; --force replaces its row"
                )
            for _, old in same:
                row |= {name: cell for name, cell in old.items() if name == "labels" or name not in row}
            if labels is not None:
                others = {old.get("labels", "") for _, old in rows} - {old.get("labels", "") for _, old in same}
                place = _place_labels(folder, copy, report.channel, labels, others)
                if not place.exists():
                    copied.append(place)
                replace_file(place, labels.read_bytes())
                row["labels"] = place.relative_to(folder).as_posix()
            _enter(manifest, row, instead_of=[line for line, _ in same])
    return AddedRecording(row, recording.findings)


def _version(path: Path) -> tuple[int, int]:
    """Size and time of the last change of a file."""
    status = path.stat()
    return status.st_size, status.st_mtime_ns


@contextlib.contextmanager
def _undo_copies() -> Iterator[list[Path]]:
    """A list for new files, which are deleted again when what follows fails."""
    copied: list[Path] = []
    try:
        yield copied
    except BaseException:
        for path in copied:
            path.unlink(missing_ok=True)
        raise


def _check_header(manifest: Path, needed: Sequence[str]) -> None:
    header = _read_header(_read_lines(manifest))
    if lacking := [name for name in needed if name not in header]:
        raise RecordingError(f"{manifest}: the header has no column {', '.join(lacking)}; add it to the first line")


def _read_lines(manifest: Path) -> list[str]:
    """Lines with their ends, as `read_rows` numbers them; str.splitlines would split at more characters."""
    return list(io.StringIO(read_small_file(manifest, what="manifest").decode("utf-8-sig"), newline=""))


def _read_header(lines: Sequence[str]) -> list[str]:
    header = next(csv.reader(line for line in lines if line.strip() and not line.startswith("#")))
    return [name.strip() for name in header]


def _enter(manifest: Path, row: Mapping[str, str], *, instead_of: Sequence[int]) -> None:
    """Append `row` to the manifest and remove the lines `instead_of` (from 1); the rest stays byte by byte."""
    lines = _read_lines(manifest)
    kept = [line for number, line in enumerate(lines, 1) if number not in instead_of]
    if not kept[-1].endswith(("\n", "\r")):
        kept[-1] += "\n"
    buffer = io.StringIO()
    csv.writer(buffer, lineterminator="\n").writerow([row.get(name, "") for name in _read_header(lines)])
    replace_file(manifest, ("".join(kept) + buffer.getvalue()).encode("utf-8"))


def _settle_split(rows: Sequence[Mapping[str, str]], vehicle: str, split: str | None) -> str:
    known = sorted({row.get("split", "") for row in rows if row.get("vehicle") == vehicle} - {""})
    if split is None:
        return known[0] if known else SPLITS[0]
    if split not in SPLITS:
        raise ParameterError(f"split is {split!r}; it must be one of {', '.join(SPLITS)}")
    if known and split not in known:
        raise ParameterError(
            f"split is {split!r}, but {vehicle} is in {known[0]!r}; a vehicle in two splits would let a detector"
            " be tested on a panel it was fitted to"
        )
    return split


def _copy_recording(folder: Path, source: Path, copied: list[Path]) -> Path:
    """The copy of `source` in `folder`: an existing file of the same content, otherwise a new one.

    It is copied under a hidden name first, so that an incomplete copy never has the recording's name. The lock admits
    one call at a time, so the hidden name can be fixed: the rest of a killed call is overwritten.
    """
    folder.mkdir(parents=True, exist_ok=True)
    partial = folder / ".adding"
    try:
        shutil.copyfile(source, partial)
        content = _digest_file(partial)
        stem = re.sub(r"[^A-Za-z0-9._-]+", "-", source.stem).strip(".-") or "recording"
        places = (folder / f"{stem}{number}{source.suffix.lower()}" for number in _count("-"))
        place = next(place for place in places if not place.exists() or _digest_file(place) == content)
        if not place.exists():
            partial.replace(place)
            copied.append(place)
        return place
    finally:
        partial.unlink(missing_ok=True)


def _place_labels(folder: Path, copy: Path, channel: int, labels: Path, others: set[str]) -> Path:
    """The path for the labels of a channel: the recording's file name and the channel, so that no two channels share
    it; with a number if another row's labels have that path.
    """
    (folder / "labels").mkdir(exist_ok=True)
    names = (f"labels/{copy.name}-{channel}{number}{labels.suffix.lower()}" for number in _count("."))
    return folder / next(name for name in names if name not in others)


def _count(mark: str) -> Iterator[str]:
    """What makes names differ: nothing, then the mark with 2, 3, …"""
    return itertools.chain([""], (f"{mark}{number}" for number in itertools.count(2)))


def _digest_file(path: Path) -> str:
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
