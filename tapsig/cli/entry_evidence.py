"""`tapsig entry --decoder evidence`: entries with their likelihood ratios, and one of them explained."""

import argparse
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from tapsig.cli.entry_rule import describe_entry, note_no_entry
from tapsig.cli.output import emit, note, render_rows
from tapsig.cli.several import each_recording, mark_columns, mark_rows
from tapsig.entry import EntryParameters, Verdict
from tapsig.errors import ParameterError

if TYPE_CHECKING:
    from tapsig.core.evidence import Series
    from tapsig.detections import Detections
    from tapsig.detectors import Variant
    from tapsig.detectors.tap import Tap
    from tapsig.entry.evidence import Evidence, EvidenceEntry, EvidenceMachine
    from tapsig.records import Recording

Rows = list[dict[str, object]]
CANDIDATE_COLUMNS = ("entry", "time_s", "log_odds", "in_entry", "taken_for")
ENTRY_COLUMNS = ("entry", "start_s", "end_s", "digits", "verdict", "log_ratio", "wait_s", "release_s")


def run(args: argparse.Namespace, parameters: EntryParameters, code: tuple[int, ...] | None) -> None:
    """Decode, and print candidates and entries, or explain one entry."""
    from tapsig.cli.corpus_options import check_plots, draw  # heavy rooms load when they are used
    from tapsig.detectors import load_detector
    from tapsig.entry.decoding import check_decoder
    from tapsig.entry.evidence import Evidence, EvidenceMachine

    check_plots(args.plot, force=args.force)
    variant = load_detector(args.detector)
    check_decoder(args.decoder, variant)
    evidence = Evidence() if args.threshold is None else Evidence(args.threshold)
    rows: Rows = []
    candidates: Rows = []
    lines: list[str] = []
    for _ in each_recording(args):
        machine = EvidenceMachine(parameters, code=code, evidence=evidence)
        entries, start_s = _decode_file(machine, variant, args)
        numbered = list(enumerate(entries, start=1))
        if args.explain is not None:
            entry = _pick(entries, args.explain)
            numbered = [(args.explain, entry)]
            lines = explain_verdict(entry, code, evidence, start_s)
            if args.plot is not None:
                from tapsig.report.entry_figure import plot_entry

                title = f"{lines[0]}\n{lines[-1]}"
                draw({"entry": plot_entry(entry, code, title=title, start_s=start_s)}, args.plot, force=args.force)
        rows += mark_rows([_describe(number, entry, parameters, start_s) for number, entry in numbered], args)
        for number, entry in numbered:
            candidates += mark_rows(_list_candidates(number, entry, start_s), args)
        if not entries:
            note_no_entry(args.recording, args, "no series of candidates is likely enough")
    _show(args, rows, candidates, lines)


def detect_and_count(
    variant: "Tap", recording: "Recording", parameters: EntryParameters, code: tuple[int, ...], *, until_end: bool
) -> "tuple[Detections, int]":
    """The taps, and how many entries the decoder evidence accepts, from one run of the detector."""
    from tapsig.entry.decoding import listen  # heavy rooms load when they are used
    from tapsig.entry.evidence import EvidenceMachine

    machine = EvidenceMachine(parameters.for_evidence(), code=code)
    entries, found = listen(machine, variant, recording, until_end=until_end)
    return found, sum(entry.verdict is Verdict.ACCEPTED for entry in entries)


def _decode_file(
    machine: "EvidenceMachine", variant: "Variant", args: argparse.Namespace
) -> "tuple[tuple[EvidenceEntry, ...], float]":
    """The entries of `args.recording`, and the time at which the part that was read begins."""
    from tapsig.cli.recording_options import read  # heavy rooms load when they are used
    from tapsig.entry.decoding import listen

    recording = read(args)
    entries, _ = listen(machine, variant, recording, until_end=args.until_end)  # type: ignore[arg-type]
    if args.until_end and machine.is_open:
        note(f"{args.recording} ends within an entry, which is left undecided")
    return entries, recording.start_s


def _show(args: argparse.Namespace, rows: Rows, candidates: Rows, lines: Sequence[str]) -> None:
    if args.format == "json":
        emit(render_rows(candidates, "json", document={"entries": rows, "explanation": list(lines)}), args)
    elif args.format == "csv":
        emit(render_rows(candidates, "csv", columns=mark_columns(CANDIDATE_COLUMNS, args)), args)
    else:
        text = render_rows(candidates, "table", columns=mark_columns(CANDIDATE_COLUMNS, args)) if lines else ""
        text += ("\n" if lines else "") + render_rows(rows, "table", columns=mark_columns(ENTRY_COLUMNS, args))
        emit(text + "".join(f"{line}\n" for line in lines), args)


def _describe(number: int, entry: "EvidenceEntry", parameters: EntryParameters, start_s: float) -> dict[str, object]:
    row = describe_entry(number, entry, parameters, start_s, decoder="evidence")
    return row | {"log_ratio": round(entry.log_ratio, 3) if math.isfinite(entry.log_ratio) else None}


def _list_candidates(number: int, entry: "EvidenceEntry", start_s: float) -> Rows:
    assert entry.weighed is not None
    digits = [digit for digit, size in enumerate(entry.digits, start=1) for _ in range(size)]
    digit_of = dict(zip(entry.taps_s, digits, strict=True))
    rows: Rows = []
    weighed = entry.weighed
    for onset_ms, score, odds in zip(weighed.onset_ms, weighed.score, weighed.list_odds(), strict=True):
        digit = digit_of.get(onset_ms / 1000.0)
        rows.append(
            {
                "entry": number,
                "time_s": onset_ms / 1000.0 + start_s,
                "log_odds": round(score / 64, 2),
                "in_entry": round(odds / 64, 2),
                "taken_for": "" if digit is None else f"digit {digit}",
            }
        )
    return rows


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
    if code is None:
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
    assert entry.weighed is not None
    if not series.taps:
        return "none" if series.digits else f"no taps at all (prior log-odds {series.score / 64:.2f})"
    times = ", ".join(f"{entry.weighed.onset_ms[tap] / 1000 + start_s:.3f}" for tap in series.taps)
    return f"{'-'.join(map(str, series.digits))} at {times} s (log-likelihood {series.score / 64:.2f} against no taps)"
