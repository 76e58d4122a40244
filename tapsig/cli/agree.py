"""Agreement of two label files of the same recording, and their differences.

  tapsig propose first/door.wav --channel 1 --out proposed.csv
  tapsig agree first/door.labels.csv proposed.csv

Taps are matched in pairs, each used once. F1 does not depend on which file is the reference. Differences in time are
B − A. Label files are CSV, or WAV with cue points.
"""

import argparse
from pathlib import Path

from tapsig.cli.detector_options import add_window_argument
from tapsig.cli.output import add_output_arguments, emit, render_csv, render_json, render_table

HEADER = ("time_s", "in_a", "in_b", "difference_ms")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("a", type=Path, metavar="A.csv", help="one labeller's file")
    parser.add_argument("b", type=Path, metavar="B.csv", help="the other's")
    add_window_argument(parser, "the taps of a pair")
    add_output_arguments(parser)


def run(args: argparse.Namespace) -> int:
    from tapsig.labelling.agreement import compare_labels
    from tapsig.loading.labels import load_labels  # lazy: --help need not wait for numpy

    agreement = compare_labels(load_labels(args.a), load_labels(args.b), window_s=args.window)
    summary = {
        "taps_a": agreement.taps_a,
        "taps_b": agreement.taps_b,
        "both": agreement.both,
        "f1": agreement.f1,
        **{f"difference_p{rank}_ms": 1000.0 * value for rank, value in agreement.percentiles_s().items()},
    }
    rows = [
        (item.time_s, item.kind_a or None, item.kind_b or None, 1000.0 * item.difference_s)
        for item in agreement.disagreements
    ]
    if args.format == "json":
        listed = [dict(zip(HEADER, row, strict=True)) for row in rows]
        text = render_json({"summary": summary, "disagreements": listed}) + "\n"
    elif args.format == "csv":
        text = render_csv(HEADER, rows)
    else:
        text = render_table(("agreement", ""), list(summary.items())) + "\n\n"
        shown = [(f"{time:.3f}", *rest) for time, *rest in rows]
        text += render_table(HEADER, shown) + "\n" if rows else "No disagreements.\n"
    emit(text, args)
    return 0
