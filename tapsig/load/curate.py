"""Build a corpus of one's own and check it whole: a folder with the manifest `corpus.csv`, recordings and labels."""

import csv
import hashlib
import io
import itertools
import os
import re
import shutil
import tempfile
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from tapsig.errors import LabelError, ParameterError, RecordingError, TapsigError
from tapsig.load import load_labels, load_recording
from tapsig.records import Recording

MANIFEST = "corpus.csv"
COLUMNS = (
    "recording", "channel", "labels", "vehicle", "position", "scene", "split", "fs_hz", "full_scale_v", "adc_bits",
    "duration_s", "seed", "mount", "sensor", "converter",
)  # fmt: skip
SPLITS = ("train", "validation", "test")
ENOUGH_TAPS = 30  # none missed of 30 still leaves a miss rate up to 9.5 % (1 − 0.05^(1/30), Jovanovic & Levy 1997)
ENOUGH_VEHICLES = 3  # fewer, and one vehicle's luck decides (common practice, no source)
NEAR_LABELS_S = 0.03

Row = dict[str, str]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing about a corpus.

    `weight` is "error" (results would be wrong), "warning" (they may be), or "missing" (what a fair comparison of
    positions still needs); `where` is a recording, a vehicle or a cell; `next_step` says what to do.
    """

    weight: str
    where: str
    what: str
    next_step: str


@dataclass(frozen=True, slots=True)
class CorpusCheck:
    """All findings, and taps per (vehicle, scene) and position: None = no recording, nan = not labelled."""

    findings: tuple[Finding, ...]
    positions: tuple[str, ...]
    taps: Mapping[tuple[str, str], Mapping[str, float]]
    rows: int

    @property
    def sound(self) -> bool:
        """Whether nothing is in error."""
        return all(finding.weight != "error" for finding in self.findings)


# ---------------------------------------------------------------- manifest


def init_corpus(folder: Path) -> Path:
    """Make an empty corpus in `folder`, which may exist; returns its manifest.

    Raises ParameterError when there is a manifest already.
    """
    manifest = folder / MANIFEST
    if manifest.exists():
        raise ParameterError(f"{manifest} exists already; add to it with 'tapsig corpus add {folder} FILE …'")
    for part in ("recordings", "labels"):
        (folder / part).mkdir(parents=True, exist_ok=True)
    _write_rows(manifest, [])
    return manifest


def read_rows(folder: Path) -> list[Row]:
    """The rows of a manifest as they stand, columns that tapsig does not know included.

    Raises RecordingError when there is no manifest, a column is lacking, or a row has too many or too few cells.
    """
    manifest = folder / MANIFEST
    try:
        with open(manifest, encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file, restkey="", strict=True)
            rows = [dict(row) for row in reader]
            header = list(reader.fieldnames or ())
    except FileNotFoundError as error:
        raise RecordingError(f"{manifest} does not exist; make it with 'tapsig corpus init {folder}'") from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise RecordingError(f"{manifest}: {error}; a manifest is comma-separated text in UTF-8") from error
    lacking = [name for name in ("recording", "vehicle", "position", "split") if name not in header]
    if lacking:
        raise RecordingError(f"{manifest}: line 1: there is no column {', '.join(lacking)}")
    for line, row in enumerate(rows, 2):
        if "" in row or None in row.values():
            raise RecordingError(f"{manifest}: line {line}: it should have {len(header)} cells, as line 1 has")
    return [{name: cell.strip() for name, cell in row.items()} for row in rows]


def _write_rows(manifest: Path, rows: Sequence[Row]) -> None:
    """Write the manifest whole or not at all."""
    names = [*COLUMNS, *dict.fromkeys(name for row in rows for name in row if name not in COLUMNS)]
    buffer = io.StringIO()
    writer = csv.DictWriter(buffer, names, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    handle, temporary = tempfile.mkstemp(dir=manifest.parent, prefix=".corpus.")
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
            file.write(buffer.getvalue())
            file.flush()
            os.fsync(file.fileno())
        os.chmod(temporary, 0o644)
        os.replace(temporary, manifest)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise


def add_recording(
    folder: Path,
    source: Path,
    *,
    vehicle: str,
    position: str,
    scene: str,
    split: str | None = None,
    labels: Path | None = None,
    channel: int = 0,
    full_scale_v: float = 1.0,
    adc_bits: int | None = None,
    fs: float | None = None,
    mount: str = "",
    sensor: str = "",
    converter: str = "",
    force: bool = False,
) -> Row:
    """Copy a recording and its labels into the corpus, and enter it in the manifest; returns the new row.

    One call a channel: a file with several channels is copied once. `split` is that of the vehicle's other
    recordings when not given, and "train" for a new vehicle. `force` replaces the row of the same channel.

    Raises ParameterError for an empty name, a split that the vehicle is not in, or a channel that is entered already;
    RecordingError and LabelError as the loaders do, and for labels after the recording's end.
    """
    rows = read_rows(folder)
    for name, value in (("vehicle", vehicle), ("position", position), ("scene", scene)):
        if not value or value != value.strip() or any(ord(sign) < 32 for sign in value):
            raise ParameterError(f"{name} is {value!r}; it must be a plain word or words")
    split = _settle_split(rows, vehicle, split)
    recording = load_recording(
        source, channel=channel, full_scale_v=full_scale_v, adc_bits=adc_bits, fs=fs, labels=labels
    )
    _check_labels_inside(recording, labels)
    copy = _free_place(folder / "recordings", source)
    entered = copy.relative_to(folder).as_posix()
    here = [row for row in rows if row["recording"] == entered and (row.get("channel") or "0") == str(channel)]
    if here and not force:
        raise ParameterError(f"{source.name}, channel {channel}, is in the corpus already; --force replaces its row")
    if not copy.exists():
        shutil.copyfile(source, copy)
    row = dict.fromkeys(COLUMNS, "") | {
        "recording": entered, "channel": str(channel), "vehicle": vehicle, "position": position, "scene": scene,
        "split": split, "fs_hz": f"{recording.fs:.10g}", "full_scale_v": f"{full_scale_v:.10g}",
        "adc_bits": "" if adc_bits is None else str(adc_bits), "duration_s": f"{recording.span_s:.6f}",
        "mount": mount, "sensor": sensor, "converter": converter,
    }  # fmt: skip
    if labels is not None:
        place = folder / "labels" / f"{copy.stem}{f'-{channel}' if channel else ''}{labels.suffix.lower()}"
        shutil.copyfile(labels, place)
        row["labels"] = place.relative_to(folder).as_posix()
    _write_rows(folder / MANIFEST, [*(other for other in rows if other not in here), row])
    return row


def _settle_split(rows: Sequence[Row], vehicle: str, split: str | None) -> str:
    known = sorted({row["split"] for row in rows if row["vehicle"] == vehicle})
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


def _check_labels_inside(recording: Recording, labels: Path | None) -> None:
    late = [label for label in recording.labels or () if label.onset_s > recording.span_s]
    if late:
        raise LabelError(
            f"{labels}: a label lies at {late[0].onset_s:g} s, the recording ends at {recording.span_s:g} s"
        )


def _free_place(folder: Path, source: Path) -> Path:
    """Where to copy `source`: its own place when it is there already, else a free name of plain characters."""
    folder.mkdir(parents=True, exist_ok=True)
    stem = re.sub(r"[^A-Za-z0-9._-]+", "-", source.stem).strip(".-") or "recording"
    content = _digest_file(source)
    number = 1
    while True:
        place = folder / f"{stem}{f'-{number}' if number > 1 else ''}{source.suffix.lower()}"
        if not place.exists() or _digest_file(place) == content:
            return place
        number += 1


def _digest_file(path: Path) -> str:
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


# ---------------------------------------------------------------- check


def check_corpus(folder: Path) -> CorpusCheck:
    """Read every file that the manifest names, and tell what is wrong and what is missing.

    Raises RecordingError when there is no readable manifest.
    """
    rows = read_rows(folder)
    findings: list[Finding] = []
    loaded: list[tuple[Row, Recording]] = []
    for row in rows:
        try:
            recording = _load_row(folder, row)
        except TapsigError as error:
            findings.append(Finding("error", _name(row), str(error), "mend the file or its row"))
            continue
        loaded.append((row, recording))
        findings += _check_row(row, recording)
    findings += _check_duplicates(loaded) + _check_splits(rows)
    if not rows:
        findings.append(Finding("missing", MANIFEST, "there are no recordings", f"tapsig corpus add {folder} FILE …"))
    positions, taps = _count_taps(loaded)
    findings += _check_fairness(positions, taps, rows)
    return CorpusCheck(tuple(findings), positions, taps, len(rows))


def _name(row: Row) -> str:
    channel = row.get("channel") or "0"
    return row["recording"] if channel == "0" else f"{row['recording']}:{channel}"


def _inside(folder: Path, entry: str) -> Path:
    path = folder / entry
    if not path.resolve().is_relative_to(folder.resolve()):
        raise RecordingError(f"{entry} lies outside the corpus folder; copy it in with 'tapsig corpus add'")
    return path


def _number(row: Row, column: str) -> float | None:
    text = row.get(column, "")
    try:
        return float(text) if text else None
    except ValueError as error:
        raise RecordingError(f"{column} is {text!r}; it must be a number or empty") from error


def _load_row(folder: Path, row: Row) -> Recording:
    path = _inside(folder, row["recording"])
    if not path.is_file():
        raise RecordingError(f"the file {row['recording']} does not exist")
    labels = _inside(folder, row["labels"]) if row.get("labels") else None
    if labels is not None and not labels.is_file():
        raise LabelError(f"the label file {row['labels']} does not exist")
    scale, bits, channel = (_number(row, column) for column in ("full_scale_v", "adc_bits", "channel"))
    recording = load_recording(
        path,
        channel=int(channel or 0),
        full_scale_v=1.0 if scale is None else scale,
        adc_bits=None if bits is None else int(bits),
    )
    return recording if labels is None else recording.with_labels(load_labels(labels))


def _check_row(row: Row, recording: Recording) -> list[Finding]:
    where, found = _name(row), []

    def add(weight: str, what: str, next_step: str) -> None:
        found.append(Finding(weight, where, what, next_step))

    stated, duration_s = _number(row, "fs_hz"), _number(row, "duration_s")
    if stated is not None and abs(stated - recording.fs) > 1e-3 * recording.fs:
        add("error", f"fs_hz is {stated:g}, the file has {recording.fs:g} Hz", "correct the row, or find the file")
    if duration_s is not None and abs(duration_s - recording.span_s) > 0.01 + 1e-3 * recording.span_s:
        add("error", f"duration_s is {duration_s:g}, the file lasts {recording.span_s:g} s",
            "the file has changed: add it anew")
    if row["split"] not in SPLITS:
        add("error", f"split is {row['split']!r}", f"make it one of {', '.join(SPLITS)}")
    for column in ("vehicle", "position", "scene"):
        if not row.get(column):
            add("error", f"{column} is empty", "fill it in")
    if not row.get("full_scale_v"):
        add("warning", "full_scale_v is empty, 1 V is taken", "fill it in: levels of different recordings differ by it")
    if recording.labels is None:
        add("warning", "it has no labels", "tapsig propose, tapsig review, then add it anew with --labels")
        return found
    late = [label for label in recording.labels if label.onset_s > recording.span_s]
    if late:
        add("error", f"{len(late)} labels lie after its end, the first at {late[0].onset_s:g} s", "review its labels")
    times = recording.taps_s
    near = [float(a) for a, b in itertools.pairwise(times) if b - a < NEAR_LABELS_S]
    if near:
        span_ms = NEAR_LABELS_S * 1000
        add("warning", f"{len(near)} taps precede another by under {span_ms:.0f} ms, the first at {near[0]:g} s",
            "a knuckle is not that fast: review its labels")
    unsure = sum(label.kind == "unsure" for label in recording.labels)
    if unsure:
        add("warning", f"{unsure} labels are still 'unsure'", "tapsig review")
    return found


def _check_duplicates(loaded: Sequence[tuple[Row, Recording]]) -> list[Finding]:
    """Rows that say the same sound: compared by their samples, so that another header or name hides nothing."""
    found, seen, entered = [], dict[str, Row](), Counter(_name(row) for row, _ in loaded)
    for name, count in entered.items():
        if count > 1:
            found.append(Finding("error", name, f"it is entered {count} times", "keep one row"))
    for row, recording in loaded:
        digest = hashlib.sha256(recording.samples.tobytes()).hexdigest()
        first = seen.setdefault(digest, row)
        if _name(first) != _name(row):
            across = "" if first["split"] == row["split"] else f", across {first['split']} and {row['split']}"
            what = f"same samples as {_name(first)}{across}"
            found.append(Finding("error", _name(row), what, "remove one of the two"))
    return found


def _check_splits(rows: Sequence[Row]) -> list[Finding]:
    splits = defaultdict(set)
    for row in rows:
        splits[row["vehicle"]].add(row["split"])
    return [
        Finding("error", vehicle, f"it is in {' and '.join(sorted(found))}", "a vehicle belongs to one split")
        for vehicle, found in splits.items()
        if len(found) > 1
    ]


def _count_taps(
    loaded: Sequence[tuple[Row, Recording]],
) -> tuple[tuple[str, ...], dict[tuple[str, str], dict[str, float]]]:
    """Positions in order of their first row, and labelled taps per (vehicle, scene) and position; nan = unlabelled."""
    taps: dict[tuple[str, str], dict[str, float]] = defaultdict(dict)
    for row, recording in loaded:
        cell = taps[row["vehicle"], row.get("scene", "")]
        count = float("nan") if recording.labels is None else float(recording.taps_s.size)
        cell[row["position"]] = cell.get(row["position"], 0.0) + count
    return tuple(dict.fromkeys(row["position"] for row, _ in loaded)), dict(taps)


def _check_fairness(
    positions: tuple[str, ...], taps: Mapping[tuple[str, str], Mapping[str, float]], rows: Sequence[Row]
) -> list[Finding]:
    """What a comparison of positions needs: the same vehicles and scenes at each, enough of both, enough taps."""
    found = []
    if len(positions) == 1:
        found.append(Finding("missing", positions[0], "it is the only position", "record a second one to compare"))
    for (vehicle, scene), cell in taps.items():
        absent = [position for position in positions if position not in cell]
        if absent:
            found.append(Finding("missing", f"{vehicle}, {scene}", f"nothing from {', '.join(absent)}",
                                 "record it there too, best at the same moment on a second channel"))
    for position in positions:
        known = [cell[position] for cell in taps.values() if position in cell]
        total = sum(count for count in known if count == count)
        if total < ENOUGH_TAPS:
            found.append(Finding("missing", position, f"{total:.0f} labelled taps in all",
                                 f"{ENOUGH_TAPS} or more: none missed of 30 still allows a miss rate of 9.5 %"))
    vehicles = {row["vehicle"] for row in rows}
    if rows and len(vehicles) < ENOUGH_VEHICLES:
        found.append(Finding("missing", "vehicles", f"there are {len(vehicles)}",
                             f"{ENOUGH_VEHICLES} or more, or one vehicle's luck decides"))
    rates = sorted({row["fs_hz"] for row in rows if row.get("fs_hz")}, key=float)
    if len(rates) > 1:
        found.append(Finding("warning", "rates", f"recordings have {', '.join(rates)} Hz",
                             "compare positions at one rate, or the rate is compared too"))
    return found
