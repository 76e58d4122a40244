"""What the commands that run detectors over a corpus share: score, positions and variants."""

import argparse
import dataclasses
import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from tapsig.cli.choosing import CHOICES, add_corpus_arguments, choose_labelled, list_given
from tapsig.cli.findings import note_summary
from tapsig.cli.output import note, progress_bar
from tapsig.scoring.matching import MATCH_WINDOW_S

if TYPE_CHECKING:
    from tapsig.detectors import Variant
    from tapsig.loading import Corpus
    from tapsig.scoring.outcomes import ScoreTable


def add_detector_arguments(parser: argparse.ArgumentParser, detectors: str) -> None:
    """The corpus and what of it, the detectors, the matching window, how much runs at once, and what is kept."""
    parser.add_argument("corpus", metavar="CORPUS", help="a folder with a manifest corpus.csv")
    parser.add_argument("--detector", action="append", metavar="NAME", dest="detectors", help=detectors)
    parser.add_argument(
        "--window",
        type=float,
        default=MATCH_WINDOW_S,
        metavar="S",
        help=f"a detection counts when it is at most so many seconds from the tap; default: {MATCH_WINDOW_S}",
    )
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="processes; default: 1")
    parser.add_argument("--dask", metavar="ADDRESS", help="work on the cluster of this Dask scheduler, tcp://HOST:PORT")
    parser.add_argument(
        "--cache",
        type=Path,
        metavar="DIR",
        help="keep the detections there; what is there already is not computed again, also after a stop",
    )
    add_corpus_arguments(parser)


def open_labelled(args: argparse.Namespace) -> "Corpus":
    """The corpus with only the labelled recordings that the options choose."""
    from tapsig.loading import load_corpus  # heavy rooms load when they are used

    corpus = load_corpus(args.corpus)
    labelled = choose_labelled([corpus], list_given(args))
    return dataclasses.replace(corpus, entries=tuple(entry for _, entry in labelled))


def load_variants(detectors: Sequence[str], corpus: "Corpus") -> "tuple[dict[str, Variant], list[str]]":
    """Detectors by the words that name them; and a warning of each that was fitted to some of `corpus`, also told."""
    from tapsig.detectors.saved import find_fitted, load_detector  # heavy rooms load when they are used

    variants = {str(spec): load_detector(spec) for spec in detectors}
    warnings = [
        f"{name} was fitted to recordings of {', '.join(seen)}, which are among these: the figures flatter it; the"
        " honest ones are those that tapsig fit printed, or those on vehicles it never met."
        for name, variant in variants.items()
        if (seen := find_fitted(variant, corpus.entries))
    ]
    for warning in warnings:
        note(f"note: {warning}")
    return variants, warnings


def score_corpus(
    args: argparse.Namespace, detectors: Sequence[str], corpus: "Corpus"
) -> "tuple[ScoreTable, list[str]]":
    """Scores by the options --window, --jobs, --dask and --cache, with progress; and the warnings of load_variants."""
    from tapsig.scoring.cache import ResultCache  # heavy rooms load when they are used
    from tapsig.scoring.outcomes import score

    variants, warnings = load_variants(detectors, corpus)
    cache = None if args.cache is None else ResultCache(args.cache)
    with progress_bar(len(corpus), "recordings") as advance:
        table = score(
            variants, corpus, window_s=args.window, jobs=args.jobs, cluster=args.dask, cache=cache, progress=advance
        )
    note_table(table, corpus)
    return table, warnings


def note_table(table: "ScoreTable", corpus: "Corpus") -> None:
    """What was wrong with the files that were scored, in one note."""
    note_summary(corpus.folder, ((outcome.source, outcome.findings) for outcome in table.outcomes))


_OPTIONS = {
    "criterion": "f1",
    "window": MATCH_WINDOW_S,
    "jobs": 1,
    "dask": None,
    "cache": None,
    "out": None,
    "force": False,
}


def describe_command(name: str, args: argparse.Namespace) -> str:
    """The command with its options, as one would type it, for the page that it makes."""
    words = ["tapsig", name, args.corpus]
    for detector in args.detectors or ():
        words += ["--detector", detector]
    for choice in CHOICES:
        for value in getattr(args, choice) or ():
            words += [f"--{choice}", value]
    for option, default in _OPTIONS.items():
        value = getattr(args, option, default)
        if value != default:
            words += [f"--{option}"] if value is True else [f"--{option}", str(value)]
    return shlex.join(words)
