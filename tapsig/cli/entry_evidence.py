"""`tapsig entry` on evidence: the taps of each entry, its likelihood ratio and faults; one entry explained."""

import argparse
import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from tapsig.cli.entry_rule import (
    JUDGE_ALL,
    compare_with_labels,
    describe_entry,
    find_reference,
    note_cut,
    note_no_entry,
)
from tapsig.cli.output import emit, note, render_rows
from tapsig.cli.recording_options import read
from tapsig.cli.several import each_recording, mark_columns, mark_rows
from tapsig.entry import EntryParameters, Verdict
from tapsig.errors import ParameterError

if TYPE_CHECKING:
    from tapsig.core.evidence import Series, Weighed
    from tapsig.detections import Detections
    from tapsig.detectors import Variant
    from tapsig.detectors.tap import Tap
    from tapsig.entry.evidence import Evidence, EvidenceEntry
    from tapsig.records import Recording

Rows = list[dict[str, object]]
CANDIDATE_COLUMNS = ("entry", "time_s", "log_odds", "in_entry", "taken_for")
ENTRY_COLUMNS = ("entry", "start_s", "end_s", "digits", "verdict", "log_ratio", "wait_s", "release_s")


def run(
    args: argparse.Namespace, parameters: EntryParameters, code: tuple[int, ...] | None, variant: "Variant"
) -> None:
    """Decode, and print candidates and entries, or explain one entry."""
    from tapsig.cli.corpus_options import check_plots, draw  # heavy rooms load when they are used
    from tapsig.detectors.tap import Tap
    from tapsig.entry.decoding import check_decoder, listen
    from tapsig.entry.evidence import Evidence, EvidenceMachine

    check_plots(args.plot, force=args.force)
    check_decoder("evidence", variant)
    assert isinstance(variant, Tap)
    evidence = Evidence() if args.threshold is None else Evidence(args.threshold)
    rows: Rows = []
    candidates: Rows = []
    lines: list[str] = []
    is_wary = False
    for _ in each_recording(args):
        machine = EvidenceMachine(parameters, code=code, evidence=evidence)
        recording = read(args, labels=args.labels)
        start_s = recording.start_s
        entries, found = listen(machine, variant, recording, until_end=args.until_end)
        is_cut = args.until_end and machine.is_open
        if is_cut:
            note_cut(args.recording)
        faults = _find_faults(entries, found, code, parameters, args, recording, evidence)
        is_wary = is_wary or any(entry.failures > parameters.free_failures or entry.wait_s for entry in entries)
        numbered = list(enumerate(entries, start=1))
        if args.explain is not None:
            entry = _pick(entries, args.explain)
            numbered = [(args.explain, entry)]
            lines = explain_verdict(entry, code, evidence, start_s)
            if args.plot is not None:
                from tapsig.report.entry_figure import plot_entry

                title = f"{lines[0]}\n{lines[-1]}"
                draw({"entry": plot_entry(entry, code, title=title, start_s=start_s)}, args.plot, force=args.force)
        for number, entry in numbered:
            row = _describe(number, entry, parameters, start_s) | {"faults": faults[number - 1]}
            rows += mark_rows([row], args)
            candidates += mark_rows(_list_candidates(number, entry, start_s), args)
        if not entries and not is_cut:
            note_no_entry(args.recording, args, "no series of candidates is likely enough")
    _show(args, rows, candidates, lines)
    if is_wary:
        note(
            f"after wrong entries taps in a wait, or locked, were ignored, and plainer taps were asked for; {JUDGE_ALL}"
        )


def detect_and_count(
    variant: "Tap", recording: "Recording", parameters: EntryParameters, code: tuple[int, ...], *, until_end: bool
) -> "tuple[Detections, int]":
    """The taps, and how many entries the decoder evidence accepts, from one run of the detector."""
    from tapsig.entry.decoding import listen  # heavy rooms load when they are used
    from tapsig.entry.evidence import EvidenceMachine

    machine = EvidenceMachine(parameters.for_evidence(), code=code)
    entries, found = listen(machine, variant, recording, until_end=until_end)
    return found, sum(entry.verdict is Verdict.ACCEPTED for entry in entries)


def _shift(entry: "EvidenceEntry", by_s: float) -> "EvidenceEntry":
    taps_s = tuple(tap_s + by_s for tap_s in entry.taps_s)
    return replace(entry, start_s=entry.start_s + by_s, end_s=entry.end_s + by_s, taps_s=taps_s)


def _find_faults(
    entries: "Sequence[EvidenceEntry]",
    found: "Detections",
    code: tuple[int, ...] | None,
    parameters: EntryParameters,
    args: argparse.Namespace,
    recording: "Recording",
    evidence: "Evidence",
) -> list[list[str]]:
    """What is wrong with each entry, by its labels where there are any. Times are of the file."""
    if code is None:
        return [[] for _ in entries]
    from tapsig.entry.faults import explain_entry  # heavy rooms load when they are used

    start_s = recording.start_s
    reference_s = find_reference(args, recording, start_s, start_s + recording.span_s)
    shifted = [_shift(entry, start_s) for entry in entries]
    missed_s, spurious_s = compare_with_labels(
        reference_s, sorted(tap_s for entry in shifted for tap_s in entry.taps_s)
    )
    candidates_s = sorted(ms / 1000.0 + start_s for entry in entries for ms in _require_weighed(entry).onset_ms)
    no_candidate_s, _ = compare_with_labels(missed_s, candidates_s)
    left_out_s = sorted(set(missed_s) - set(no_candidate_s))
    found_s = sorted((recording.times_s(found.accepted().onset_samples) + start_s).tolist())
    unheard_s, _ = compare_with_labels(no_candidate_s, found_s)  # others woke the machine, or were ignored
    known = {"missed_s": unheard_s, "left_out_s": left_out_s, "spurious_s": spurious_s}
    return [
        [*explain_entry(entry, code, parameters, **known), *_explain_doubt(entry, code, evidence)] for entry in shifted
    ]


def _explain_doubt(entry: "EvidenceEntry", code: tuple[int, ...], evidence: "Evidence") -> list[str]:
    """Why an entry is void although its digits are the code."""
    if entry.digits != code or entry.verdict is not Verdict.VOID:
        return []
    return [f"the code, but in doubt: log_ratio is {entry.log_ratio:.2f}, below the threshold {evidence.threshold:.2f}"]


def _show(args: argparse.Namespace, rows: Rows, candidates: Rows, lines: Sequence[str]) -> None:
    if args.format == "json":
        emit(render_rows(candidates, "json", document={"entries": rows, "explanation": list(lines)}), args)
    elif args.format == "csv":
        emit(render_rows(candidates, "csv", columns=mark_columns(CANDIDATE_COLUMNS, args)), args)
    else:
        shown = candidates if lines else [row for row in candidates if row["taken_for"]]
        text = render_rows(shown, "table", columns=mark_columns(CANDIDATE_COLUMNS, args))
        text += "\n" + render_rows(rows, "table", columns=mark_columns(ENTRY_COLUMNS, args))
        for row in rows:
            name = f"{row['recording']}, entry" if "recording" in row else "entry"
            text += "".join(f"{name} {row['entry']}: {line}\n" for line in row["faults"])  # type: ignore[attr-defined]
        emit(text + "".join(f"{line}\n" for line in lines), args)


def _describe(number: int, entry: "EvidenceEntry", parameters: EntryParameters, start_s: float) -> dict[str, object]:
    row = describe_entry(number, entry, parameters, start_s, decoder="evidence")
    return row | {"log_ratio": round(entry.log_ratio, 3) if math.isfinite(entry.log_ratio) else None}


def _list_candidates(number: int, entry: "EvidenceEntry", start_s: float) -> Rows:
    rows: Rows = []
    weighed = _require_weighed(entry)
    digits = [digit for digit, size in enumerate(entry.digits, start=1) for _ in range(size)]
    digit_of = dict(zip(entry.taken, digits, strict=True))
    found = zip(weighed.onset_ms, weighed.score, weighed.list_odds(), strict=True)
    for index, (onset_ms, score, odds) in enumerate(found):
        rows.append(
            {
                "entry": number,
                "time_s": onset_ms / 1000.0 + start_s,
                "log_odds": round(score / 64, 2),
                "in_entry": round(odds / 64, 2),
                "taken_for": f"digit {digit_of[index]}" if index in digit_of else "",
            }
        )
    return rows


def _require_weighed(entry: "EvidenceEntry") -> "Weighed":
    assert entry.weighed is not None  # all that a machine gives have their candidates
    return entry.weighed


def _pick(entries: "Sequence[EvidenceEntry]", number: int) -> "EvidenceEntry":
    if not 1 <= number <= len(entries):
        held = "1 entry" if len(entries) == 1 else f"{len(entries)} entries"
        raise ParameterError(f"--explain is {number}; the recording holds {held}, counted from 1")
    return entries[number - 1]


def explain_verdict(
    entry: "EvidenceEntry", code: Sequence[int] | None, evidence: "Evidence", start_s: float = 0.0
) -> list[str]:
    """The series that was chosen, the best other one, and why the entry was accepted or not, as sentences.

    Times in them count from `start_s` before the recording.
    """
    from tapsig.entry.evidence import explain  # heavy: the detectors

    own, other = explain(entry, code)
    wanted = "-".join(map(str, own.digits))
    lines = [
        f"code {wanted}: {_tell(own, entry, start_s)}"
        if code
        else f"best series {wanted}: {_tell(own, entry, start_s)}",
        f"best other series: {_tell(other, entry, start_s)}",
    ]
    if code is None and not math.isfinite(entry.log_ratio):
        reason = "no code was given, and the best series has more digits than a code may have"
    elif code is None:
        reason = f"no code was given; the best series is likelier by {entry.log_ratio:.2f} nats"
    elif not own.taps:
        reason = "the candidates hold no series of the code"
    elif not math.isfinite(entry.log_ratio):
        reason = "the code is no likelier than no taps at all, with their prior"
    else:
        relation = "at least" if entry.verdict is Verdict.ACCEPTED else "below"
        reason = f"the log-likelihood ratio {entry.log_ratio:.2f} is {relation} the threshold {evidence.threshold:.2f}"
    return [*lines, f"{entry.verdict.value}: {reason}"]


def _tell(series: "Series", entry: "EvidenceEntry", start_s: float) -> str:
    if not series.taps:
        return "none" if series.digits else f"no taps at all (prior log-odds {series.score / 64:.2f})"
    onset_ms = _require_weighed(entry).onset_ms
    times = ", ".join(f"{onset_ms[tap] / 1000 + start_s:.3f}" for tap in series.taps)
    return f"{'-'.join(map(str, series.digits))} at {times} s (log-likelihood {series.score / 64:.2f} against no taps)"
