"""`tapsig entry --decoder rule`: each tap with what it was taken for, and entries with their verdicts and faults."""

import argparse
import dataclasses
import math
import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from tapsig.cli.output import emit, note, render_rows
from tapsig.cli.recording_options import has_span
from tapsig.cli.several import each_recording, is_several, mark_columns, mark_rows
from tapsig.entry import Entry, EntryMachine, EntryParameters, State, Verdict, decode_taps, to_ms
from tapsig.errors import ParameterError
from tapsig.records import TAP

if TYPE_CHECKING:
    from tapsig.detections import Detections
    from tapsig.detectors import Variant
    from tapsig.records import Recording

JUDGE_ALL = "to judge all of a test log: --free-failures 65535 --failure-limit 0"
IGNORED = ("ignored (waiting)", "ignored (locked)")
HEAD_BYTES = 65536  # as far as a header is looked for, past remarks
TAP_COLUMNS = ("time_s", "gap_s", "taken_for", "digits_so_far")
ENTRY_COLUMNS = ("entry", "start_s", "end_s", "digits", "verdict", "wait_s", "release_s")


def run(
    args: argparse.Namespace,
    parameters: EntryParameters,
    code: tuple[int, ...] | None,
    tables: Sequence[Path],
    variant: "Variant | None",
) -> None:
    """Decode, and print taps and entries; `variant` detects the taps of all files but those in `tables`."""
    decoded = [
        _decode_file(args, parameters, code, None if path in tables else variant) for path in each_recording(args)
    ]
    if args.format == "json":
        documents = [
            {**row, "faults": list(lines)}
            for one in decoded
            for row, lines in zip(one.entries, one.faults, strict=True)
        ]
        taps = [tap for one in decoded for tap in one.taps]
        emit(render_rows(taps, "json", document={"entries": documents}), args)
    elif args.format == "csv":
        taps = [tap for one in decoded for tap in one.taps]
        emit(render_rows(taps, "csv", columns=mark_columns(TAP_COLUMNS, args)), args)
    else:
        emit("\n".join(one.describe(heading=is_several(args)) for one in decoded), args)
    if ignored := sum(tap["taken_for"] in IGNORED for one in decoded for tap in one.taps):
        note(
            f"{ignored} of {sum(len(one.taps) for one in decoded)} taps were ignored in a wait, or locked, after wrong"
            f" entries; {JUDGE_ALL}"
        )
    for one in decoded:
        if one.is_cut:
            note_cut(one.path)
        elif not one.entries:
            note_no_entry(one.path, args, "there are no taps, or too few in a row")
    accepted, on_evidence = sum(one.accepted for one in decoded), sum(one.on_evidence for one in decoded)
    if on_evidence > accepted:
        refused = [name for name in parameters.list_unused_on_evidence() if getattr(args, name, None) is not None]
        without = "".join(f" without --{name.replace('_', '-')}" for name in refused)
        note(
            f"the rule accepts {accepted} of {sum(len(one.entries) for one in decoded)} entries; on evidence it would"
            f" be {on_evidence}: --decoder evidence{without}, and --explain N shows why"
        )


def note_cut(path: Path) -> None:
    """Note that --until-end leaves out the last entry of a file."""
    note(f"{path} ends within an entry, which is left undecided")


def note_no_entry(path: Path, args: argparse.Namespace, reason: str) -> None:
    """Note that a file holds no entry; `reason` says why, or the taps were ignored."""
    note(f"{f'{path}: ' * is_several(args)}no entry: {reason}, or they were ignored in a wait, or locked")


def describe_entry(
    number: int, entry: Entry, parameters: EntryParameters, start_s: float = 0.0, *, decoder: str = "rule"
) -> dict[str, object]:
    """The row of an entry whose times count from `start_s` before it."""
    return {
        "entry": number,
        "start_s": entry.start_s + start_s,
        "end_s": entry.end_s + start_s,
        "digits": str(entry),
        "verdict": entry.verdict.value,
        "wait_s": entry.wait_s,
        "release_s": parameters.release_s if entry.verdict is Verdict.ACCEPTED else 0.0,
        "decoder": decoder,
    }


@dataclasses.dataclass(frozen=True, slots=True)
class DecodedFile:
    """Taps and entries of one file as rows, and the faults of each entry."""

    path: Path
    taps: list[dict[str, object]]
    entries: list[dict[str, object]]
    faults: list[tuple[str, ...]]
    on_evidence: int
    """Entries that the decoder evidence would accept; 0 where it was not asked."""
    is_cut: bool
    """Whether an entry was going on when the recording ended, and is left out."""

    @property
    def accepted(self) -> int:
        """Entries that the rule accepts."""
        return sum(row["verdict"] == Verdict.ACCEPTED.value for row in self.entries)

    def describe(self, *, heading: bool) -> str:
        """Two tables, and a line for each fault; with `heading` under the name of the file."""
        text = f"{self.path}\n" if heading else ""
        text += render_rows(self.taps, "table", columns=TAP_COLUMNS)
        text += "\n" + render_rows(self.entries, "table", columns=ENTRY_COLUMNS)
        for row, lines in zip(self.entries, self.faults, strict=True):
            text += "".join(f"entry {row['entry']}: {line}\n" for line in lines)
        return text


def _decode_file(
    args: argparse.Namespace, parameters: EntryParameters, code: tuple[int, ...] | None, variant: "Variant | None"
) -> DecodedFile:
    onsets_s, reference_s, end_s, on_evidence = _find_taps(args, parameters, code, variant)
    entries = decode_taps(onsets_s, parameters, code=code)
    is_cut = args.until_end and end_s is not None and bool(entries) and to_ms(entries[-1].end_s) > to_ms(end_s)
    entries = entries[:-1] if is_cut else entries
    missed_s, spurious_s = compare_with_labels(reference_s, onsets_s)
    rows = [describe_entry(number, entry, parameters) for number, entry in enumerate(entries, start=1)]
    return DecodedFile(
        args.recording,
        mark_rows(_list_taps(onsets_s, parameters, code), args),
        mark_rows(rows, args),
        _explain(entries, code, parameters, missed_s, spurious_s),
        on_evidence,
        is_cut,
    )


def _find_taps(
    args: argparse.Namespace, parameters: EntryParameters, code: tuple[int, ...] | None, variant: "Variant | None"
) -> tuple[list[float], list[float] | None, float | None, int]:
    """Onsets, labelled onsets where there are any, where the recording ends, entries accepted on evidence.

    Without a `variant` the file is a table of taps.
    """
    if variant is None:
        if has_span(args):
            raise ParameterError(f"--from and --to cut a recording; {args.recording} is a table of taps")
        if args.until_end:
            raise ParameterError(f"--until-end is about a recording's end; {args.recording} is a table of taps")
        return _load_taps(args.recording, tell_others=True), find_reference(args, None, 0.0, math.inf), None, 0
    from tapsig.cli.detecting import detect_in_file
    from tapsig.cli.entry_evidence import detect_and_count
    from tapsig.core.evidence import can_hold
    from tapsig.detectors import detect
    from tapsig.detectors.tap import Tap

    on_evidence = 0

    def run_once(recording: "Recording") -> "Detections":
        nonlocal on_evidence
        if code is None or not isinstance(variant, Tap) or not can_hold(code):
            return detect(variant, recording)
        found, on_evidence = detect_and_count(variant, recording, parameters, code, until_end=args.until_end)
        return found

    one = detect_in_file(variant, args, labels=args.labels, run=run_once)
    start_s, end_s = one.start_s, one.start_s + one.span_s
    return sorted(one.times_s), find_reference(args, one.recording, start_s, end_s), end_s, on_evidence


def _load_taps(path: Path, *, tell_others: bool = False) -> list[float]:
    from tapsig.loading import load_labels  # heavy: files bring numpy, scipy, soundfile

    labels = load_labels(path)
    others = sorted({label.kind for label in labels} - {TAP})
    if others and tell_others:
        note(f"{path}: rows that are no taps are left out (kind {', '.join(others)})")
    return sorted(label.onset_s for label in labels if label.kind == TAP)


def find_reference(
    args: argparse.Namespace, recording: "Recording | None", start_s: float, end_s: float
) -> list[float] | None:
    """Labelled taps between two times of the file: of --labels, or those that stand beside the recording, if any."""
    if args.labels is not None:
        return [time_s for time_s in _load_taps(args.labels) if start_s <= time_s < end_s]
    if recording is not None and recording.labels is not None:  # of a file beside it, which was noted
        return (recording.taps_s + start_s).tolist()
    return None


def is_tap_table(path: Path) -> bool:
    """Whether the first line that is neither empty nor a remark names the column that every label file has."""
    from tapsig.loading.files import check_file

    check_file(path)
    with path.open("rb") as file:
        raw = file.read(HEAD_BYTES)
    text = raw.decode("utf-16" if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig", errors="replace")
    lines = (line for line in re.split(r"[\r\n]+", text) if line.strip() and not line.lstrip().startswith("#"))
    return "onset_s" in [cell.strip(' \t"').lower() for cell in re.split("[,;]", next(lines, ""))]


def _list_taps(
    onsets_s: Sequence[float], parameters: EntryParameters, code: tuple[int, ...] | None
) -> list[dict[str, object]]:
    machine = EntryMachine(parameters, code=code)
    rows: list[dict[str, object]] = []
    for index, onset_s in enumerate(onsets_s):
        machine.push(onset_s)
        taken = {
            State.WAKING: "wake-up",
            State.ENTRY: f"digit {len(machine.digits)}",
            State.WAITING: IGNORED[0],
            State.LOCKED: IGNORED[1],
        }[machine.state]
        rows.append(
            {
                "time_s": round(onset_s, 4),
                "gap_s": round(onset_s - onsets_s[index - 1], 4) if index else None,
                "taken_for": taken,
                "digits_so_far": "-".join(map(str, machine.digits)),
            }
        )
    return rows


def compare_with_labels(
    reference_s: Sequence[float] | None, onsets_s: Sequence[float]
) -> tuple[list[float], list[float]]:
    """Labelled taps that were missed, and taps that are not labelled; neither without labels."""
    if reference_s is None:
        return [], []
    import numpy as np  # only where labels are given

    from tapsig.scoring.matching import match_onsets

    matching = match_onsets(np.asarray(reference_s), np.asarray(onsets_s))
    return [reference_s[int(i)] for i in matching.missed], [onsets_s[int(i)] for i in matching.spurious]


def _explain(
    entries: Sequence[Entry],
    code: tuple[int, ...] | None,
    parameters: EntryParameters,
    missed_s: Sequence[float],
    spurious_s: Sequence[float],
) -> list[tuple[str, ...]]:
    if code is None:
        return [()] * len(entries)
    from tapsig.entry.faults import explain_entry

    return [explain_entry(entry, code, parameters, missed_s=missed_s, spurious_s=spurious_s) for entry in entries]
