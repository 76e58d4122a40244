"""Propose labels for a recording: every possible tap, with a confidence.

  tapsig propose first/door.wav --channel 1 --out proposed.csv

It uses the whole recording (non-causal), unlike a detector. Check doubtful onsets one by one with
'tapsig review FILE --labels PROPOSED.csv'. Candidates with a confidence below 0.5 have the kind 'unsure', which does
not count as a tap until you change it.
"""

import argparse

from tapsig.cli.output import add_output_arguments, emit, note, render_csv, render_json, render_table
from tapsig.cli.recording_options import add_reading_arguments, is_long_wav, read, read_long
from tapsig.errors import ParameterError

HEADER = ("onset_s", "kind", "confidence")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_reading_arguments(parser)
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
    from tapsig.labelling.proposal import (  # lazy: scipy takes a while
        ProposalParameters,
        as_label_rows,
        propose_in_file,
        propose_onsets,
    )

    if not 0.0 <= args.keep <= 1.0:
        raise ParameterError(f"--keep is {args.keep}; it must lie between 0 and 1")
    parameters = ProposalParameters(doubtful_below=args.doubtful_below)
    start_s = 0.0
    if is_long_wav(args):
        with read_long(args) as (findings, advance):
            proposals = propose_in_file(
                args.recording,
                parameters,
                channel=args.channel or 0,
                full_scale_v=args.full_scale_v,
                findings=findings,
                progress=advance,
            )
    else:
        recording = read(args)
        start_s, proposals = recording.start_s, propose_onsets(recording, parameters)
    rows = [(onset_s + start_s, kind, sure) for onset_s, kind, sure in as_label_rows(proposals, keep=args.keep)]
    if args.format == "csv":
        text = render_csv(HEADER, rows)
    elif args.format == "json":
        text = render_json({"rows": [dict(zip(HEADER, row, strict=True)) for row in rows]}) + "\n"
    else:
        text = render_table(HEADER, [(f"{onset:.4f}", kind, sure) for onset, kind, sure in rows]) + "\n"
    emit(text, args)
    doubtful = sum(sure < args.doubtful_below for _, _, sure in rows)
    note(f"{len(rows) - doubtful} sure, {doubtful} doubtful; {len(proposals) - len(rows)} left out")
    return 0
