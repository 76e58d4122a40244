"""Taps to digits to a verdict, and where a tap went wrong.

  tapsig entry first/door.wav --channel 1 --code 3-1-4
  tapsig entry first/door.labels.csv --code 3-1-4 --digit-pause-s 0.8
  tapsig entry first/door.wav first/rain.wav --channel 1 --code 3-1-4
  tapsig entry first/door.wav --channel 1 --code 3-1-4 --decoder evidence --explain 2

FILE is a recording, or a table of taps with the columns onset_s,kind. Taps closer than the digit pause are one digit;
a longer pause starts the next; silence ends the entry. After wrong entries in a row taps are ignored for a while, as on
the controller; --wait-s 0 --failure-limit 0 judges every entry of a test log.
"""

import argparse
import dataclasses
import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tapsig.cli.corpus_options import add_plot_argument
from tapsig.cli.detector_options import add_detector_argument
from tapsig.cli.output import add_output_arguments, emit, note, render_rows
from tapsig.cli.recording_options import add_reading_arguments, has_span
from tapsig.cli.several import each_recording, is_several, list_recordings, mark_columns, mark_rows
from tapsig.entry import Entry, EntryMachine, EntryParameters, State, Verdict, decode_taps, parse_code
from tapsig.errors import ParameterError
from tapsig.records import TAP

if TYPE_CHECKING:
    from tapsig.detections import Detections
    from tapsig.records import Recording

PARAMETER_HELP = {
    "digit_pause_s": "longest gap within a digit, in seconds",
    "entry_silence_s": "silence that ends an entry, in seconds",
    "digit_max": "digits run from 1 to this",
    "tolerance": "0: fixed digit pause. Otherwise a gap longer than X times the mean gap within digits starts a new"
    " digit",
    "wake_taps": "taps in a row that wake the machine, before the entry",
    "awake_s": "time from the last tap until the machine goes to sleep, in seconds",
    "free_failures": "wrong entries in a row without a wait",
    "wait_s": "the first wait, in seconds",
    "wait_factor": "factor by which each further wait is longer",
    "wait_limit_s": "longest wait, in seconds",
    "failure_limit": "wrong entries in a row until it stays locked; 0 = never",
    "release_s": "length of the release pulse, in seconds",
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `tapsig entry`."""
    add_reading_arguments(parser, several=True, what="recordings (WAV or CSV), or tables of taps")
    parser.add_argument("--code", metavar="3-1-4", help="the right code; without it nothing is judged")
    add_detector_argument(parser)
    parser.add_argument(
        "--decoder",
        choices=("rule", "evidence"),
        default="rule",
        help="rule: fixed pauses between accepted taps; evidence: all candidates of tap, by likelihood",
    )
    parser.add_argument(
        "--threshold",
        type=float,
        metavar="NATS",
        help="log-likelihood ratio that evidence asks of a code; default: as shipped",
    )
    parser.add_argument(
        "--explain",
        type=int,
        metavar="N",
        help="candidates, chosen series, best other series and verdict of entry N (needs --decoder evidence)",
    )
    add_plot_argument(parser, "the entry of --explain")
    parser.add_argument("--labels", type=Path, metavar="FILE", help="labelled taps, to name what was missed")
    parser.add_argument(
        "--until-end",
        action="store_true",
        help="leave out an entry not over when the recording ends; otherwise silence follows",
    )
    add_output_arguments(parser)
    add_entry_arguments(parser)


def add_entry_arguments(parser: argparse.ArgumentParser) -> None:
    """One option for each parameter of the entry machine."""
    group = parser.add_argument_group("entry")
    for field in dataclasses.fields(EntryParameters):
        if field.name not in PARAMETER_HELP:
            continue
        kind = int if isinstance(field.default, int) else float
        group.add_argument(
            "--" + field.name.replace("_", "-"),
            type=kind,
            action=_StoreDigits if field.name == "digit_max" else "store",
            default=field.default,
            metavar="X",
            help=f"{PARAMETER_HELP[field.name]}; default: {field.default:g}",
        )

    group.add_argument(
        "--digits",
        type=_parse_digits,
        action=_StoreDigits,
        dest="digit_max",
        metavar="1-N",
        default=argparse.SUPPRESS,
        help="the same as --digit-max N",
    )


class _StoreDigits(argparse.Action):
    """The highest digit, by either of two options that must not contradict each other."""

    def __call__(self, parser: argparse.ArgumentParser, args: argparse.Namespace, values: Any, *_: object) -> None:
        if (other := getattr(args, "digits_given", values)) != values:
            raise ParameterError(f"--digit-max and --digits say {other} and {values}; give one of them")
        args.digit_max = args.digits_given = values


def _parse_digits(text: str) -> int:
    low, hyphen, high = text.partition("-")
    if low != "1" or not hyphen or not high.isdecimal():
        raise argparse.ArgumentTypeError(f"{text!r} is no range of digits from 1; write it as 1-9")
    return int(high)


def build_parameters(args: argparse.Namespace) -> EntryParameters:
    """The entry machine's parameters from the options."""
    return EntryParameters(**{name: getattr(args, name) for name in PARAMETER_HELP})


def run(args: argparse.Namespace) -> int:
    """Print each tap with what it was taken for, then each entry with its verdict and its faults."""
    parameters = build_parameters(args)
    code = None if args.code is None else parse_code(args.code, digit_max=parameters.digit_max)
    _check_decoder(args)
    if args.decoder == "evidence":
        from tapsig.cli import entry_evidence  # heavy: the detectors

        return entry_evidence.run(args, parameters, code)
    decoded = [_decode_file(args, parameters, code) for _ in each_recording(args)]
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
            " entries; to judge all of a test log: --wait-s 0 --failure-limit 0"
        )
    for one in decoded:
        if not one.entries:
            where = f"{one.path}: " if is_several(args) else ""
            note(f"{where}no entry: there are no taps, or too few in a row, or they were ignored in a wait, or locked")
    accepted, on_evidence = sum(one.accepted for one in decoded), sum(one.on_evidence for one in decoded)
    if on_evidence > accepted:
        note(
            f"the rule accepts {accepted} of {sum(len(one.entries) for one in decoded)} entries; on evidence it would"
            f" be {on_evidence}: --decoder evidence, and --explain N shows why"
        )
    note("a tapped code must never be the only way to reach a person or an animal")
    return 0


@dataclasses.dataclass(frozen=True, slots=True)
class DecodedFile:
    """Taps and entries of one file as rows, and the faults of each entry."""

    path: Path
    taps: list[dict[str, object]]
    entries: list[dict[str, object]]
    faults: list[tuple[str, ...]]
    on_evidence: int
    """Entries that the decoder evidence would accept; 0 where it was not asked."""

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


def _decode_file(args: argparse.Namespace, parameters: EntryParameters, code: tuple[int, ...] | None) -> DecodedFile:
    onsets_s, reference_s, end_s, on_evidence = _find_taps(args, parameters, code)
    entries = decode_taps(onsets_s, parameters, end_s=end_s if args.until_end else None, code=code)
    missed_s, spurious_s = _compare(reference_s, onsets_s)
    rows = [
        {
            "entry": number,
            "start_s": entry.start_s,
            "end_s": entry.end_s,
            "digits": str(entry),
            "verdict": entry.verdict.value,
            "wait_s": entry.wait_s,
            "release_s": parameters.release_s if entry.verdict is Verdict.ACCEPTED else 0.0,
            "decoder": "rule",
        }
        for number, entry in enumerate(entries, start=1)
    ]
    return DecodedFile(
        args.recording,
        mark_rows(_list_taps(onsets_s, parameters, code), args),
        mark_rows(rows, args),
        _explain(entries, code, parameters, missed_s, spurious_s),
        on_evidence,
    )


def _check_decoder(args: argparse.Namespace) -> None:
    """Refuse what only the other decoder can do."""
    if args.decoder == "rule":
        for name in ("threshold", "explain", "plot"):
            if getattr(args, name) is not None:
                raise ParameterError(f"--{name} needs --decoder evidence; the rule has no likelihoods")
        return
    if tables := [path for path in list_recordings(args) if _is_tap_table(path)]:
        raise ParameterError(f"{tables[0]} is a table of taps, without log-odds; --decoder evidence needs a recording")
    if args.explain is not None and is_several(args):
        raise ParameterError("--explain N is of one recording; give one")
    if args.plot is not None and args.explain is None:
        raise ParameterError("--plot draws the entry of --explain N; give both")
    if args.labels is not None:
        raise ParameterError("--labels names the faults of the decoder rule; with evidence use --explain N")


IGNORED = ("ignored (waiting)", "ignored (locked)")
HEAD_BYTES = 65536  # as far as a header is looked for, past remarks
TAP_COLUMNS = ("time_s", "gap_s", "taken_for", "digits_so_far")
ENTRY_COLUMNS = ("entry", "start_s", "end_s", "digits", "verdict", "wait_s", "release_s")


def _find_taps(
    args: argparse.Namespace, parameters: EntryParameters, code: tuple[int, ...] | None
) -> tuple[list[float], list[float] | None, float | None, int]:
    """Onsets, labelled onsets where there are any, where the recording ends, entries accepted on evidence."""
    # Heavy: files and detectors bring numpy, scipy, soundfile.
    from tapsig.loading import load_labels

    def load_taps(path: Path) -> list[float]:
        return sorted(label.onset_s for label in load_labels(path) if label.kind == TAP)

    reference_s = None if args.labels is None else load_taps(args.labels)
    if _is_tap_table(args.recording):
        if has_span(args):
            raise ParameterError(f"--from and --to cut a recording; {args.recording} is a table of taps")
        return load_taps(args.recording), reference_s, None, 0
    from tapsig.cli.detecting import detect_in_file
    from tapsig.cli.entry_evidence import detect_and_count
    from tapsig.core.evidence import can_hold
    from tapsig.detectors import detect, load_detector
    from tapsig.detectors.tap import Tap

    variant = load_detector(args.detector)
    on_evidence = 0

    def run_once(recording: "Recording") -> "Detections":
        nonlocal on_evidence
        if code is None or not isinstance(variant, Tap) or not can_hold(code):
            return detect(variant, recording)
        found, on_evidence = detect_and_count(variant, recording, parameters, code, until_end=args.until_end)
        return found

    one = detect_in_file(variant, args, run=run_once)
    start_s, end_s = one.start_s, one.start_s + one.span_s
    if reference_s is not None:
        reference_s = [time_s for time_s in reference_s if start_s <= time_s < end_s]
    return sorted(one.times_s), reference_s, end_s, on_evidence


def _is_tap_table(path: Path) -> bool:
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


def _compare(reference_s: Sequence[float] | None, onsets_s: Sequence[float]) -> tuple[list[float], list[float]]:
    """Labelled taps that were missed, and taps that are not labelled."""
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
