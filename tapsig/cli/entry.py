"""Taps to digits to a verdict, and where a tap went wrong.

  tapsig entry first/door.wav --channel 1 --code 3-1-4
  tapsig entry first/door.wav --channel 1 --code 3-1-4 --explain 2
  tapsig entry first/door.wav first/rain.wav --channel 1 --code 3-1-4 --decoder rule
  tapsig entry first/door.labels.csv --code 3-1-4 --digit-pause-s 0.8

FILE is a recording, or a table of taps with the columns onset_s,kind. Silence ends an entry. On evidence, the entry is
the most likely series of taps among all candidates of the detector tap. By the rule, accepted taps closer than the
digit pause are one digit; a longer pause starts the next. Without --decoder, evidence decides unless only the rule can:
on a table of taps, with another detector, with an option of the rule, or where a WAV file or the code is very long.
After wrong entries in a row taps are ignored for a while, and evidence then asks for plainer taps, as on the
controller; --free-failures 65535 --failure-limit 0 judges every entry of a test log alike.
"""

import argparse
import dataclasses
from collections.abc import Container, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tapsig.cli import entry_evidence, entry_rule
from tapsig.cli.corpus_options import add_plot_argument
from tapsig.cli.detector_options import add_detector_argument
from tapsig.cli.entry_rule import is_tap_table
from tapsig.cli.findings import FORMAT_OPTIONS
from tapsig.cli.output import add_output_arguments, note, refuse_given
from tapsig.cli.recording_options import add_reading_arguments, has_span, is_long
from tapsig.cli.several import is_several
from tapsig.entry import EntryParameters, parse_code
from tapsig.errors import ParameterError

if TYPE_CHECKING:
    from tapsig.detectors import Variant

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
        choices=("evidence", "rule"),
        help="evidence: all candidates of tap, by likelihood; rule: fixed pauses between accepted taps; default:"
        " evidence, unless only the rule can decide",
    )
    add_threshold_argument(parser)
    parser.add_argument(
        "--explain",
        type=int,
        metavar="N",
        help="candidates, chosen series, best other series and verdict of entry N, on evidence",
    )
    add_plot_argument(parser, "the entry of --explain")
    parser.add_argument(
        "--labels",
        type=Path,
        metavar="FILE",
        help="labelled taps, to name what was missed; default: a label file beside the recording, such as X.labels.csv",
    )
    parser.add_argument(
        "--until-end",
        action="store_true",
        help="leave out an entry not over when the recording ends; otherwise silence follows",
    )
    add_output_arguments(parser)
    add_entry_arguments(parser)


def add_threshold_argument(parser: argparse.ArgumentParser) -> None:
    """--threshold, of the decoder evidence."""
    parser.add_argument(
        "--threshold",
        type=float,
        metavar="NATS",
        help="log-likelihood ratio that evidence asks of a code; default: as shipped",
    )


def add_entry_arguments(parser: argparse.ArgumentParser, *, leave_out: Container[str] = ()) -> None:
    """One option for each parameter of the entry machine."""
    group = parser.add_argument_group("entry")
    for field in dataclasses.fields(EntryParameters):
        if field.name not in PARAMETER_HELP or field.name in leave_out:
            continue
        kind = int if isinstance(field.default, int) else float
        group.add_argument(
            "--" + field.name.replace("_", "-"),
            type=kind,
            action=_StoreDigits if field.name == "digit_max" else "store",
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
    """The entry machine's parameters from the options that are given."""
    given = ((name, getattr(args, name)) for name in list_entry_options(args))
    return EntryParameters(**{name: value for name, value in given if value is not None})


def list_entry_options(args: argparse.Namespace) -> list[str]:
    """The parameters of the entry machine that the command has options for."""
    return [name for name in PARAMETER_HELP if hasattr(args, name)]


def run(args: argparse.Namespace) -> int:
    """Print taps or candidates, and entries with their verdicts."""
    parameters = build_parameters(args)
    code = None if args.code is None else parse_code(args.code, digit_max=parameters.digit_max)
    tables = [path for path in args.recordings if is_tap_table(path)]
    variant = None
    if len(tables) < len(args.recordings):
        variant = _load_detector(args)
    else:
        refuse_given(args, FORMAT_OPTIONS, f"is about a recording, and {tables[0]} is a table of taps")
    decoder = _choose_decoder(args, parameters, code, tables, variant)
    if variant is None or decoder == "rule":
        entry_rule.run(args, parameters, code, tables, variant)
    else:
        note_unused_settings(args.detector)
        entry_evidence.run(args, parameters, code, variant)
    note("a tapped code must never be the only way to reach a person or an animal")
    return 0


def note_unused_settings(detector: str) -> None:
    """Note which settings of a detector, given as NAME,SETTING=VALUE, evidence does not use."""
    given = [setting.partition("=")[0] for setting in str(detector).split(",")[1:]]
    if unused := [name for name in ("probability", "floor_v", "dead_time_s") if name in given]:
        note(f"{detector}: evidence weighs all candidates, whatever {', '.join(unused)} is; the rule uses it")


def _load_detector(args: argparse.Namespace) -> "Variant":
    from tapsig.detectors import load_detector  # heavy rooms load when they are used

    return load_detector(args.detector)


def _choose_decoder(
    args: argparse.Namespace,
    parameters: EntryParameters,
    code: tuple[int, ...] | None,
    tables: Sequence[Path],
    variant: "Variant | None",
) -> str:
    """The decoder asked for, or evidence where it can decide. Refuses what only the other decoder can do, or uses.

    `variant` is None where tables of taps are all that is given.
    """
    only_evidence = [name for name in ("threshold", "explain", "plot") if getattr(args, name) is not None]
    only_rule = [name for name in parameters.list_unused_on_evidence() if name in PARAMETER_HELP]
    if args.decoder is None and not only_evidence:
        if variant is None:
            return "rule"  # what else
        if reason := _refuse_evidence(args, parameters, code, tables, variant, only_rule):
            note(f"decided by the rule: {reason}")
        return "rule" if reason else "evidence"
    if args.decoder == "rule":
        refuse_given(args, only_evidence, "needs --decoder evidence; the rule has no likelihoods")
        return "rule"
    if tables:
        raise ParameterError(f"{tables[0]} is a table of taps, without log-odds; --decoder evidence needs a recording")
    if args.explain is not None and is_several(args):
        raise ParameterError("--explain N is of one recording; give one")
    if args.plot is not None and args.explain is None:
        raise ParameterError("--plot draws the entry of --explain N; give both")
    refuse_given(args, only_rule, "is of the decoder rule; evidence uses it after wake-up taps (--wake-taps) alone")
    return "evidence"


def _refuse_evidence(
    args: argparse.Namespace,
    parameters: EntryParameters,
    code: tuple[int, ...] | None,
    tables: Sequence[Path],
    variant: "Variant",
    only_rule: Sequence[str],
) -> str:
    """Why the decoder evidence cannot decide, or ""."""
    from tapsig.entry.decoding import refuse_evidence  # heavy rooms load when they are used

    if tables:
        return f"{tables[0]} is a table of taps"
    for path in args.recordings:
        if is_long(path) and not has_span(args):
            return f"{path} is long and read in parts; --decoder evidence reads all of it, --from and --to a part"
    for name in only_rule:
        if getattr(args, name) is not None:
            return f"--{name.replace('_', '-')} is not used on evidence"
    return refuse_evidence(variant, parameters, code)
