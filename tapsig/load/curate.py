"""Build a corpus of one's own and check it whole: a folder with the manifest `corpus.csv`, recordings and labels."""

import csv
import hashlib
import io
import itertools
import math
import re
import shutil
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from tapsig.errors import ParameterError, RecordingError, TapsigError
from tapsig.load.corpus import KNOWN, MANIFEST, SPLITS, Corpus, CorpusEntry, parse_row, read_rows
from tapsig.load.files import read_small_file, replace_file
from tapsig.load.recording import load_recording
from tapsig.records import Recording

COLUMNS = (*KNOWN, "mount", "sensor", "converter")
ENOUGH_TAPS = 30  # none missed of 30 still leaves a miss rate up to 9.5 % (1 − 0.05^(1/30), Jovanovic & Levy 1997)
ENOUGH_VEHICLES = 3  # fewer, and one vehicle's luck decides (common practice, no source)
NEAR_LABELS_S = 0.03
WRONG_RATE = ("rate-overruled", "rate-differs", "fs-overruled")  # codes of findings: fs_hz is not the file's rate


@dataclass(frozen=True, slots=True)
class CorpusFinding:
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
    """All findings, and taps per (vehicle, scene) and position: absent = no recording, nan = not labelled."""

    findings: tuple[CorpusFinding, ...]
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
    replace_file(manifest, (",".join(COLUMNS) + "\n").encode("utf-8"))
    return manifest


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
    full_scale_v: float | None = None,
    adc_bits: int | None = None,
    fs: float | None = None,
    time_unit: str | None = None,
    mount: str = "",
    sensor: str = "",
    converter: str = "",
    force: bool = False,
) -> dict[str, str]:
    """Copy a recording and its labels into the corpus, and enter it in the manifest; returns the new row.

    One call a channel: a file with several channels is copied once. `split` is that of the vehicle's other
    recordings when not given, and "train" for a new vehicle. `force` replaces the row of the same channel. All else
    in the manifest, comments and columns of your own included, stays as it is.

    Raises ParameterError for an empty name, a split that the vehicle is not in, or a channel that is entered already;
    RecordingError and LabelError as the loaders do.
    """
    manifest = folder / MANIFEST
    if not manifest.exists():
        raise RecordingError(f"{folder} has no {MANIFEST}; make it with 'tapsig corpus init {folder}'")
    rows = read_rows(manifest)
    for name, value in (("vehicle", vehicle), ("position", position), ("scene", scene), ("mount", mount),
                        ("sensor", sensor), ("converter", converter)):  # fmt: skip
        needed = name in ("vehicle", "position", "scene")
        if (needed and not value) or value != value.strip() or not value.isprintable() or value.startswith("#"):
            raise ParameterError(f"{name} is {value!r}; it must be a plain word or words")
    split = _settle_split([row for _, row in rows], vehicle, split)
    recording = load_recording(
        source, channel=channel, full_scale_v=full_scale_v, adc_bits=adc_bits, fs=fs, time_unit=time_unit,
        labels=labels,
    )
    copy = _free_place(folder / "recordings", source)
    entered = copy.relative_to(folder).as_posix()
    there = [line for line, row in rows if row["recording"] == entered and int(row.get("channel") or 0) == channel]
    if there and not force:
        raise ParameterError(f"{source.name}, channel {channel}, is in the corpus already; --force replaces its row")
    if not copy.exists():
        shutil.copyfile(source, copy)
    row = {
        "recording": entered, "channel": str(channel), "vehicle": vehicle, "position": position, "scene": scene,
        "split": split, "fs_hz": f"{recording.fs:.10g}",
        "full_scale_v": "" if full_scale_v is None else f"{full_scale_v:.10g}",
        "adc_bits": "" if adc_bits is None else str(adc_bits), "time_unit": time_unit or "",
        "duration_s": f"{recording.span_s:.6f}", "mount": mount, "sensor": sensor, "converter": converter,
    }  # fmt: skip
    if labels is not None:
        place = folder / "labels" / f"{copy.stem}{f'-{channel}' if channel else ''}{labels.suffix.lower()}"
        place.parent.mkdir(exist_ok=True)
        replace_file(place, labels.read_bytes())
        row["labels"] = place.relative_to(folder).as_posix()
    _enter(manifest, row, instead_of=there)
    return row


def _enter(manifest: Path, row: Mapping[str, str], *, instead_of: Sequence[int]) -> None:
    """Put `row` at the end of the manifest; the lines `instead_of` (from 1) go, the rest stays byte by byte."""
    text = read_small_file(manifest, what="manifest").decode("utf-8-sig")
    lines = list(io.StringIO(text, newline=""))  # as read_rows numbers them; str.splitlines cuts in more places
    header = next(csv.reader(line for line in lines if line.strip() and not line.startswith("#")))
    header = [name.strip() for name in header]
    lacking = [name for name, cell in row.items() if cell and name not in header]
    if lacking:
        raise RecordingError(f"{manifest}: the header has no column {', '.join(lacking)}; add it to the first line")
    kept = [line for number, line in enumerate(lines, 1) if number not in instead_of]
    if not kept[-1].endswith(("\n", "\r")):
        kept[-1] += "\n"
    buffer = io.StringIO()
    csv.writer(buffer, lineterminator="\n").writerow([row.get(name, "") for name in header])
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
    manifest = folder / MANIFEST
    if not manifest.exists():
        raise RecordingError(f"{folder} has no {MANIFEST}; make it with 'tapsig corpus init {folder}'")
    rows = read_rows(manifest)
    findings: list[CorpusFinding] = []
    loaded: list[tuple[CorpusEntry, Recording]] = []
    for line, row in rows:
        try:
            entry = parse_row(folder, row, line, f"line {line}", allow_outside=False)
            recording, report = Corpus(folder, ()).read(entry)
        except TapsigError as error:
            findings.append(CorpusFinding("error", row["recording"], str(error), "mend the file or its row"))
            continue
        loaded.append((entry, recording))
        for found in report.findings:
            weight, step = ("error", "correct fs_hz") if found.code in WRONG_RATE else ("warning", "tapsig health")
            findings.append(CorpusFinding(weight, _name(entry), str(found), step))
        findings += _check_entry(entry, recording)
    findings += _check_duplicates(loaded) + _check_splits([row for _, row in rows])
    if not rows:
        findings.append(CorpusFinding("missing", MANIFEST, "no recordings", f"tapsig corpus add {folder} FILE …"))
    positions, taps = _count_taps(loaded)
    findings += _check_fairness(positions, taps, [entry for entry, _ in loaded])
    return CorpusCheck(tuple(findings), positions, taps, len(rows))


def _name(entry: CorpusEntry) -> str:
    return f"{entry.recording}, channel {entry.channel}" if entry.channel else entry.recording


def _check_entry(entry: CorpusEntry, recording: Recording) -> list[CorpusFinding]:
    found = []

    def add(weight: str, what: str, next_step: str) -> None:
        found.append(CorpusFinding(weight, _name(entry), what, next_step))

    if entry.duration_s is not None and abs(entry.duration_s - recording.span_s) > 0.01 + 1e-3 * recording.span_s:
        add("error", f"duration_s is {entry.duration_s:g}, the file lasts {recording.span_s:g} s",
            "the file has changed: add it anew")
    for column in ("vehicle", "position", "scene", "split"):
        if not getattr(entry, column):
            add("error", f"{column} is empty", "fill it in")
    if recording.labels is None:
        add("warning", "it has no labels", "tapsig propose, tapsig review, then add it anew with --labels")
        return found
    near = [float(a) for a, b in itertools.pairwise(recording.taps_s) if b - a < NEAR_LABELS_S]
    if near:
        span_ms = NEAR_LABELS_S * 1000
        add("warning", f"taps under {span_ms:.0f} ms before another: {len(near)}, the first at {near[0]:g} s",
            "a knuckle is not that fast: review its labels")
    unsure = sum(label.kind == "unsure" for label in recording.labels)
    if unsure:
        add("warning", f"labels still 'unsure': {unsure}", "tapsig review")
    return found


def _check_duplicates(loaded: Sequence[tuple[CorpusEntry, Recording]]) -> list[CorpusFinding]:
    """Rows with the same sound: compared by their samples, so that another header or name hides nothing."""
    found, seen = [], dict[str, CorpusEntry]()
    for name, count in Counter(_name(entry) for entry, _ in loaded).items():
        if count > 1:
            found.append(CorpusFinding("error", name, f"it is entered {count} times", "keep one row"))
    for entry, recording in loaded:
        first = seen.setdefault(hashlib.sha256(recording.samples.tobytes()).hexdigest(), entry)
        if _name(first) != _name(entry):
            across = "" if first.split == entry.split else f", across {first.split} and {entry.split}"
            what = f"same samples as {_name(first)}{across}"
            found.append(CorpusFinding("error", _name(entry), what, "remove one of the two"))
    return found


def _check_splits(rows: Sequence[Mapping[str, str]]) -> list[CorpusFinding]:
    splits = defaultdict(set)
    for row in rows:
        splits[row.get("vehicle", "")].add(row.get("split", ""))
    return [
        CorpusFinding("error", vehicle or "no vehicle", f"it is in {' and '.join(sorted(found))}",
                      "a vehicle belongs to one split")
        for vehicle, found in splits.items()
        if len(found - {""}) > 1
    ]  # fmt: skip


def _count_taps(
    loaded: Sequence[tuple[CorpusEntry, Recording]],
) -> tuple[tuple[str, ...], dict[tuple[str, str], dict[str, float]]]:
    """Positions in order of their first row, and labelled taps per (vehicle, scene) and position; nan = unlabelled."""
    taps: dict[tuple[str, str], dict[str, float]] = defaultdict(dict)
    for entry, recording in loaded:
        cell = taps[entry.vehicle, entry.scene]
        count = float("nan") if recording.labels is None else float(recording.taps_s.size)
        cell[entry.position] = cell.get(entry.position, 0.0) + count
    return tuple(dict.fromkeys(entry.position for entry, _ in loaded)), dict(taps)


def _check_fairness(
    positions: tuple[str, ...], taps: Mapping[tuple[str, str], Mapping[str, float]], entries: Sequence[CorpusEntry]
) -> list[CorpusFinding]:
    """What a comparison of positions needs: the same vehicles and scenes at each, enough of both, enough taps."""
    found = []

    def lack(where: str, what: str, next_step: str) -> None:
        found.append(CorpusFinding("missing", where, what, next_step))

    if len(positions) == 1:
        lack(positions[0], "it is the only position", "record a second one to compare")
    for (vehicle, scene), cell in taps.items():
        absent = [position for position in positions if position not in cell]
        if absent:
            lack(f"{vehicle}, {scene}", f"nothing from {', '.join(absent)}",
                 "record it there too, best at the same moment on a second channel")
    for position in positions:
        known = [cell[position] for cell in taps.values() if position in cell]
        total = sum(count for count in known if not math.isnan(count))
        if total < ENOUGH_TAPS:
            lack(position, f"{total:.0f} labelled taps in all",
                 f"{ENOUGH_TAPS} or more: none missed of 30 still allows a miss rate of 9.5 %")
    vehicles = {entry.vehicle for entry in entries}
    if entries and len(vehicles) < ENOUGH_VEHICLES:
        lack("vehicles", f"there are {len(vehicles)}", f"{ENOUGH_VEHICLES} or more, or one vehicle's luck decides")
    rates = sorted({f"{entry.fs_hz:g}" for entry in entries if entry.fs_hz is not None}, key=float)
    if len(rates) > 1:
        found.append(CorpusFinding("warning", "rates", f"recordings have {', '.join(rates)} Hz",
                                   "compare positions at one rate, or the rate is compared too"))
    return found
