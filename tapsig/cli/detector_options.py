"""Options and steps shared by the commands that run detectors over a corpus: score, positions and variants."""

import argparse
import dataclasses
import shlex
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tapsig.cli.corpus_options import CHOICES, add_corpus_arguments, choose_labelled, list_given
from tapsig.cli.findings import note_summary
from tapsig.cli.output import emit, note, progress_bar
from tapsig.scoring.matching import MATCH_WINDOW_S

if TYPE_CHECKING:
    from tapsig.detectors import Variant
    from tapsig.loading import Corpus, CorpusEntry
    from tapsig.scoring.outcomes import ScoreTable


def add_detector_arguments(parser: argparse.ArgumentParser, detectors: str) -> None:
    """Add the corpus and its selection, the detectors, the matching window, the parallelism and the cache."""
    parser.add_argument("corpus", metavar="CORPUS", help="a folder with a manifest corpus.csv")
    parser.add_argument("--detector", action="append", metavar="NAME", help=detectors)
    add_window_argument(parser)
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="processes; default: 1")
    parser.add_argument("--dask", metavar="ADDRESS", help="use the cluster of this Dask scheduler, tcp://HOST:PORT")
    add_cache_argument(parser)
    add_corpus_arguments(parser)


def add_detector_argument(parser: argparse.ArgumentParser) -> None:
    """Add --detector of commands that run one; tap unless another is given."""
    parser.add_argument(
        "--detector",
        default="tap",
        metavar="NAME",
        help="a name ('tapsig detect --list' has them), a .json file, or module:attribute; default: tap",
    )


def add_window_argument(parser: argparse.ArgumentParser, between: str = "a tap and its detection") -> None:
    """Add --window, the longest time between two onsets that match."""
    parser.add_argument(
        "--window",
        type=float,
        default=MATCH_WINDOW_S,
        metavar="S",
        help=f"longest time between {between}, in seconds; default: {MATCH_WINDOW_S}",
    )


def add_cache_argument(parser: argparse.ArgumentParser) -> None:
    """Add --cache DIR."""
    parser.add_argument(
        "--cache",
        type=Path,
        metavar="DIR",
        help="store detections in a corpus in this folder and reuse them, also after an interruption; tap is run again",
    )


def open_labelled(args: argparse.Namespace) -> "Corpus":
    """The selected labelled recordings of the corpus."""
    from tapsig.loading import load_corpus  # heavy rooms load when they are used

    corpus = load_corpus(args.corpus)
    labelled = choose_labelled([corpus], list_given(args))
    return dataclasses.replace(corpus, entries=tuple(entry for _, entry in labelled))


def load_variants(detectors: Sequence[str], judged: "Iterable[CorpusEntry]") -> "tuple[dict[str, Variant], list[str]]":
    """Detectors by name, and a warning for each that was fitted to some of `judged`; warnings are also printed."""
    from tapsig.detectors.saved import find_fitted, load_detector  # heavy rooms load when they are used

    entries = list(judged)
    variants: dict[str, Variant] = {str(spec): load_detector(spec) for spec in detectors}
    warnings = [
        f"{name} was fitted to recordings of {', '.join(seen)}, which are among these: its figures are too good;"
        " use those that tapsig fit printed, or score it on other vehicles."
        for name, variant in variants.items()
        if (seen := find_fitted(variant, entries))
    ]
    for warning in warnings:
        note(f"note: {warning}")
    return variants, warnings


def list_score_arguments(args: argparse.Namespace) -> dict[str, Any]:
    """The options --window, --jobs, --dask and --cache, as arguments of `score`."""
    from tapsig.scoring.cache import ResultCache  # heavy rooms load when they are used

    cache = None if args.cache is None else ResultCache(args.cache)
    return {"window_s": args.window, "jobs": args.jobs, "cluster": args.dask, "cache": cache}


def score_corpus(
    args: argparse.Namespace, detectors: Sequence[str], corpus: "Corpus"
) -> "tuple[ScoreTable, list[str]]":
    """Scores by the options --window, --jobs, --dask and --cache, with progress; and the warnings of load_variants."""
    from tapsig.scoring.outcomes import score  # heavy rooms load when they are used

    variants, warnings = load_variants(detectors, corpus.entries)
    with progress_bar(len(corpus), "recordings") as advance:
        table = score(variants, corpus, progress=advance, **list_score_arguments(args))
    note_table(table, corpus)
    return table, warnings


def note_table(table: "ScoreTable", corpus: "Corpus") -> None:
    """Print the findings of the scored files in one note."""
    note_summary(corpus.folder, ((outcome.source, outcome.findings) for outcome in table.outcomes))


DEFAULTS = {"criterion": "f1", "window": MATCH_WINDOW_S, "jobs": 1}
"""Options that are no part of a command line where they have these values."""


def list_options(args: argparse.Namespace, names: Iterable[str]) -> list[str]:
    """The options `names` (as `args` calls them) as one would type them; those that are not given are left out.

    >>> list_options(argparse.Namespace(detector=["tap", "null"], from_s=2.5), ("detector", "from_s", "to_s"))
    ['--detector', 'tap', '--detector', 'null', '--from', '2.5']
    """
    words = []
    for name in names:
        option = "--" + {"from_s": "from", "to_s": "to"}.get(name, name).replace("_", "-")
        given = getattr(args, name, None)
        for value in given if isinstance(given, list) else [given]:
            if value is True:
                words.append(option)
            elif value is not None and value is not False and value != DEFAULTS.get(name):
                words += [option, str(value)]
    return words


def emit_page(
    name: str,
    render: Callable[..., str],
    result: object,
    args: argparse.Namespace,
    corpus: "Corpus",
    warnings: Sequence[str],
) -> None:
    """Write the page that `render` makes of what the command `name` found; it opens with what is simulated, and
    `warnings`.
    """
    from tapsig.report.page import note_simulated  # heavy rooms load when they are used

    simulated = note_simulated(sum(bool(entry.seed) for entry in corpus.entries), len(corpus))
    names = ("detector", *CHOICES, "criterion", "window", "jobs", "dask", "cache", "out", "force")
    page = render(
        result,
        command=shlex.join(["tapsig", name, args.corpus, *list_options(args, names)]),
        corpus=Path(args.corpus).resolve().name,
        warnings=[*simulated, *warnings],
    )
    emit(page, args)
