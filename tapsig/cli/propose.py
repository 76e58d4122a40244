"""Propose labels for a recording: every possible tap, with a confidence.

  tapsig propose first/door.wav --channel 1 --out proposed.csv
  tapsig propose first/door.wav first/rain.wav --channel 1

It uses the whole recording (non-causal), unlike a detector. Check doubtful onsets one by one with
'tapsig review FILE --labels PROPOSED.csv'. Candidates with a confidence below 0.5 have the kind 'unsure', which does
not count as a tap until you change it. A label file is of one recording; rows of several name theirs.
"""

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING

from tapsig.cli.output import add_output_arguments, emit, note, render_rows
from tapsig.cli.recording_options import add_reading_arguments, has_span, is_long_wav, read, read_long
from tapsig.cli.several import each_recording, mark_columns, mark_rows
from tapsig.errors import ParameterError

if TYPE_CHECKING:
    from tapsig.labelling.proposal import Proposal, ProposalParameters

HEADER = ("onset_s", "kind", "confidence")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_reading_arguments(parser, several=True, what="recordings: WAV or CSV")
    parser.add_argument(
        "--keep", type=float, default=0.1, metavar="P", help="leave out proposals below this confidence (default: 0.1)"
    )
    parser.add_argument(
        "--doubtful-below",
        type=float,
        default=0.8,
        metavar="P",
        help="proposals below this confidence are doubtful (default: 0.8)",
    )
    add_output_arguments(parser, file_format="csv")  # --out is for the label file, which is csv


def run(args: argparse.Namespace) -> int:
    from tapsig.labelling.proposal import ProposalParameters, as_label_rows  # lazy: scipy takes a while

    if not 0.0 <= args.keep <= 1.0:
        raise ParameterError(f"--keep is {args.keep}; it must lie between 0 and 1")
    parameters = ProposalParameters(doubtful_below=args.doubtful_below)
    rows: list[dict[str, object]] = []
    doubtful = left_out = 0
    for _ in each_recording(args):
        proposals, start_s = _propose(args, parameters)
        kept = as_label_rows(proposals, keep=args.keep)
        rows += mark_rows([dict(zip(HEADER, (onset_s + start_s, *rest), strict=True)) for onset_s, *rest in kept], args)
        doubtful += sum(sure < args.doubtful_below for _, _, sure in kept)
        left_out += len(proposals) - len(kept)
    shown = [{**row, "onset_s": f"{row['onset_s']:.4f}"} for row in rows] if args.format == "table" else rows
    emit(render_rows(shown, args.format, columns=mark_columns(HEADER, args)), args)
    note(f"{len(rows) - doubtful} sure, {doubtful} doubtful; {left_out} left out")
    return 0


def _propose(args: argparse.Namespace, parameters: "ProposalParameters") -> "tuple[Sequence[Proposal], float]":
    """Proposals for `args.recording`, and the time at which the part that was read begins."""
    from tapsig.labelling.proposal import propose_in_file, propose_onsets  # lazy: scipy takes a while

    if has_span(args) or not is_long_wav(args):
        recording = read(args)
        return propose_onsets(recording, parameters), recording.start_s
    with read_long(args) as (findings, advance):
        proposals = propose_in_file(
            args.recording,
            parameters,
            channel=args.channel or 0,
            full_scale_v=args.full_scale_v,
            findings=findings,
            progress=advance,
        )
    return proposals, 0.0
