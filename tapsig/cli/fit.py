"""Adjust the detector `tap` to a labelled corpus, and estimate its performance.

  tapsig fit first --group-by recording --out mine.json

Record at least 20 taps in quiet (40 or more for reliable figures) and, at the same position, some minutes of
disturbances without taps (with empty label files). The taps are mixed into the disturbances. All figures come from
held-out pieces of the recordings. The shipped detector is kept unless an adjusted one makes a fifth fewer errors on
them, and at least five fewer. To compare both: `tapsig score CORPUS --detector tap --detector FILE`.
"""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from tapsig.cli.corpus_options import choose_labelled
from tapsig.cli.findings import load_entries
from tapsig.cli.output import check_out, list_inputs, note, progress_bar, render_rows, show, write_atomically

if TYPE_CHECKING:
    from tapsig.fitting.fit import FittedDetector


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("corpus", metavar="CORPUS", help="a folder with a manifest corpus.csv")
    parser.add_argument(
        "--out", type=Path, required=True, metavar="FILE", help="write the detector to this file (.json)"
    )
    parser.add_argument("--force", action="store_true", help="let --out replace a file that exists")
    parser.add_argument(
        "--split",
        choices=("train", "validation", "test", "all"),
        help="which recordings; default: train where the manifest has any, else all",
    )
    parser.add_argument("--position", help="only recordings of this mounting position")
    parser.add_argument(
        "--group-by",
        choices=("vehicle", "recording"),
        default="vehicle",
        help="keep each vehicle (or recording) wholly in training or wholly in testing; default: vehicle",
    )
    parser.add_argument(
        "--false-alarms",
        type=float,
        metavar="N",
        help="limit per hour, which chooses the threshold; default: the shipped threshold",
    )
    parser.add_argument("--seed", type=int, default=0, help="default: 0")
    parser.add_argument("--format", choices=("table", "csv", "json"), default="table", help="default: table")


def run(args: argparse.Namespace) -> int:
    from tapsig.detectors.saved import render_detector
    from tapsig.fitting.fit import fit_detector
    from tapsig.loading import load_corpus

    check_out(args.out, force=args.force, inputs=list_inputs(args))
    corpus = load_corpus(args.corpus)
    split = args.split or ("train" if any(entry.split == "train" for entry in corpus.entries) else "all")
    if args.split is None and split == "all":
        note("no recording is in the split train: all are used for fitting")
    given = {"split": [] if split == "all" else [split], "position": [] if args.position is None else [args.position]}
    labelled = choose_labelled([corpus], {name: words for name, words in given.items() if words})
    recordings = load_entries(labelled, bar=False)
    with progress_bar(len(labelled), "recordings") as advance:
        fitted = fit_detector(
            recordings,
            false_alarms_per_hour=args.false_alarms,
            group_by=args.group_by,
            seed=args.seed,
            progress=advance,
        )
    write_atomically(args.out, render_detector(fitted.variant), force=args.force)
    show(render_fit(fitted, args.format))
    for text in fitted.notes:
        note(f"note: {text}")
    note(f"wrote {args.out}")
    return 0


_MEANING = {
    "strategy": "what was chosen",
    "taps": "labelled taps",
    "taps_with_candidate": "labelled taps with a candidate",
    "recordings": "pieces of recordings",
    "mixtures": "mixtures of taps with recordings without taps",
    "hours": "hours with taps and of mixtures",
    "probability": "least probability of a tap",
    "f1": "F1 on held-out pieces (±25 ms)",
    "tp": "hits",
    "fp": "false alarms",
    "fn": "misses",
    "f1_before": "F1 of the shipped detector on the same pieces",
    "hours_without_taps": "hours without taps",
    "false_alarms_per_hour": "false alarms an hour without taps, held out",
    "false_alarms_per_hour_before": "the same for the shipped detector",
}


def render_fit(fitted: "FittedDetector", format_: str) -> str:
    """One row as csv or json, or a table with one line for each figure."""
    row = fitted.to_dict()
    if format_ != "table":
        return render_rows([row], format_, document={"notes": list(fitted.notes)})
    return render_rows([{"figure": _MEANING[name], "value": value} for name, value in row.items()], "table")
