"""Check a whole corpus: its faults, and what a fair comparison of positions lacks."""

import hashlib
import itertools
import math
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from tapsig.errors import TapsigError
from tapsig.loading.corpus import MANIFEST, Corpus, CorpusEntry, find_manifest, identify_file, parse_row, read_rows
from tapsig.records import Recording

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


def check_corpus(folder: Path) -> CorpusCheck:
    """Read every file that the manifest names, and list faults and what is missing.

    Raises RecordingError when there is no readable manifest.
    """
    rows = read_rows(find_manifest(folder))
    findings: list[CorpusFinding] = []
    loaded: list[_Read] = []
    for line, row in rows:
        try:
            entry = parse_row(folder, row, line, f"line {line}", allow_outside=False)
            recording, report = Corpus(folder, ()).read(entry)
        except TapsigError as error:
            findings.append(CorpusFinding("error", row["recording"], str(error), "mend the file or its row"))
            continue
        count = math.nan if recording.labels is None else float(recording.taps_s.size)
        loaded.append(_Read(entry, hashlib.sha256(recording.samples.data).hexdigest(), count))
        for found in report.findings:
            weight, step = ("error", "correct fs_hz") if found.code in WRONG_RATE else ("warning", "tapsig health")
            findings.append(CorpusFinding(weight, _name(entry), str(found), step))
        findings += _check_entry(entry, recording)
    findings += _check_duplicates(loaded)
    findings += _check_shared_labels(loaded)
    findings += _check_splits([row for _, row in rows])
    if not rows:
        findings.append(CorpusFinding("missing", MANIFEST, "no recordings", f"tapsig corpus add {folder} FILE …"))
    positions, taps = _count_taps(loaded)
    findings += _check_fairness(positions, taps, [one.entry for one in loaded])
    return CorpusCheck(tuple(findings), positions, taps, len(rows))


@dataclass(frozen=True, slots=True)
class _Read:
    """What is kept of a recording that was read: a digest of its samples, and its labelled taps (nan = unlabelled)."""

    entry: CorpusEntry
    digest: str
    taps: float


def _name(entry: CorpusEntry) -> str:
    return f"{entry.recording}, channel {entry.channel}" if entry.channel else entry.recording


def _check_entry(entry: CorpusEntry, recording: Recording) -> Iterator[CorpusFinding]:
    error, warning = (partial(CorpusFinding, weight, _name(entry)) for weight in ("error", "warning"))
    if entry.duration_s is not None and abs(entry.duration_s - recording.span_s) > 0.01 + 1e-3 * recording.span_s:
        what = f"duration_s is {entry.duration_s:g}, the file lasts {recording.span_s:g} s"
        yield error(what, "the file has changed: add it anew")
    for column in ("vehicle", "position", "scene", "split"):
        if not getattr(entry, column):
            yield error(f"{column} is empty", "fill it in")
    if recording.labels is None:
        yield warning("it has no labels", "tapsig propose, tapsig review, then add it anew with --labels")
        return
    near = [float(a) for a, b in itertools.pairwise(recording.taps_s) if b - a < NEAR_LABELS_S]
    if near:
        what = f"taps under {1e3 * NEAR_LABELS_S:.0f} ms before another: {len(near)}, the first at {near[0]:g} s"
        yield warning(what, "a knuckle is not that fast: review its labels")
    unsure = sum(label.kind == "unsure" for label in recording.labels)
    if unsure:
        yield warning(f"labels still 'unsure': {unsure}", "tapsig review")


def _check_duplicates(loaded: Sequence[_Read]) -> Iterator[CorpusFinding]:
    """Rows with the same sound: compared by their samples, whatever their headers and names."""
    seen: dict[str, CorpusEntry] = {}
    for group in _group(loaded, lambda entry: (identify_file(entry.path), entry.channel)):
        if len(group) > 1:
            yield CorpusFinding("error", _name(group[0]), f"it is entered {len(group)} times", "keep one row")
    for entry, digest in ((one.entry, one.digest) for one in loaded):
        first = seen.setdefault(digest, entry)
        if identify_file(first.path) != identify_file(entry.path) or first.channel != entry.channel:
            across = "" if first.split == entry.split else f", across {first.split} and {entry.split}"
            what = f"same samples as {_name(first)}{across}"
            yield CorpusFinding("error", _name(entry), what, "remove one of the two")


def _check_shared_labels(loaded: Sequence[_Read]) -> Iterator[CorpusFinding]:
    """Recordings that name the label file of another one; channels of one recording may share theirs."""
    labelled = [one for one in loaded if one.entry.labels_path is not None]
    for group in _group(labelled, lambda entry: identify_file(entry.labels_path or entry.path)):
        names = dict.fromkeys(
            entry.recording for entry in {identify_file(entry.path): entry for entry in group}.values()
        )
        if len(names) > 1:
            what = f"it is the label file of {' and of '.join(names)}"
            yield CorpusFinding(
                "error", group[0].labels, what, "add all but the right one again with labels of their own"
            )


def _group(loaded: Sequence[_Read], key: Callable[[CorpusEntry], object]) -> list[list[CorpusEntry]]:
    groups: dict[object, list[CorpusEntry]] = defaultdict(list)
    for one in loaded:
        groups[key(one.entry)].append(one.entry)
    return list(groups.values())


def _check_splits(rows: Sequence[Mapping[str, str]]) -> Iterator[CorpusFinding]:
    splits = defaultdict(set)
    for row in rows:
        splits[row.get("vehicle", "")].add(row.get("split", ""))
    for vehicle, found in splits.items():
        if len(found - {""}) > 1:
            what = f"it is in {' and '.join(sorted(found))}"
            yield CorpusFinding("error", vehicle or "no vehicle", what, "a vehicle belongs to one split")


def _count_taps(loaded: Sequence[_Read]) -> tuple[tuple[str, ...], dict[tuple[str, str], dict[str, float]]]:
    """Positions in order of their first row, and labelled taps per (vehicle, scene) and position; nan = unlabelled."""
    taps: dict[tuple[str, str], dict[str, float]] = defaultdict(dict)
    for one in loaded:
        cell, position = taps[one.entry.vehicle, one.entry.scene], one.entry.position
        both = [count for count in (cell.get(position, math.nan), one.taps) if not math.isnan(count)]
        cell[position] = sum(both) if both else math.nan
    return tuple(dict.fromkeys(one.entry.position for one in loaded)), dict(taps)


def _check_fairness(
    positions: tuple[str, ...], taps: Mapping[tuple[str, str], Mapping[str, float]], entries: Sequence[CorpusEntry]
) -> Iterator[CorpusFinding]:
    """What a comparison of positions lacks: the same vehicles and scenes at each, enough of both, enough taps."""
    lack = partial(CorpusFinding, "missing")
    if len(positions) == 1:
        yield lack(positions[0], "it is the only position", "record a second one to compare")
    for (vehicle, scene), cell in taps.items():
        absent = [position for position in positions if position not in cell]
        if absent:
            step = "record it there too, best at the same moment on a second channel"
            yield lack(f"{vehicle}, {scene}", f"nothing from {', '.join(absent)}", step)
    for position in positions:
        known = [cell[position] for cell in taps.values() if position in cell]
        total = sum(count for count in known if not math.isnan(count))
        if total < ENOUGH_TAPS:
            step = f"{ENOUGH_TAPS} or more: none missed of 30 still allows a miss rate of 9.5 %"
            yield lack(position, f"{total:.0f} labelled taps in all", step)
    vehicles = {entry.vehicle for entry in entries}
    if entries and len(vehicles) < ENOUGH_VEHICLES:
        step = f"{ENOUGH_VEHICLES} or more, or one vehicle's luck decides"
        yield lack("vehicles", f"there are {len(vehicles)}", step)
    rates = sorted({f"{entry.fs_hz:g}" for entry in entries if entry.fs_hz is not None}, key=float)
    if len(rates) > 1:
        step = "compare positions at one rate, or the rate is compared too"
        yield CorpusFinding("warning", "rates", f"recordings have {', '.join(rates)} Hz", step)
