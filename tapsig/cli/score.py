"""Score detectors on a labelled corpus: precision, recall, F1, false alarms, and whole code entries.

The table has one row for each detector and mounting position, with 95 % intervals. JSON and CSV have one row for
every detector × position × scene, "all" included; JSON is an object whose "rows" is that list. An --out that ends
in .html becomes a page that needs nothing else.
"""

import argparse
import contextlib
import dataclasses
import shlex
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from tapsig.cli.output import add_output_arguments, emit, note, render_rows, render_table
from tapsig.errors import LabelError, ParameterError

if TYPE_CHECKING:
    from tapsig.detect import Variant
    from tapsig.load import Corpus
    from tapsig.study.scoring import ScoreTable

SILENCE_S = 30.0
SPLITS = ("train", "validation", "test", "all")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `tapsig score`."""
    parser.add_argument("corpus", metavar="CORPUS", help="a folder with a manifest corpus.csv")
    parser.add_argument("--split", choices=SPLITS, default="all", help="which recordings; default: all")
    parser.add_argument("--vehicle", metavar="NAME", help="only recordings of this vehicle; default: all")
    parser.add_argument(
        "--detector", action="append", metavar="NAME", dest="detectors",
        help="a detector of the catalogue, a .json file, or module:attribute; may be repeated; default: the catalogue",
    )  # fmt: skip
    parser.add_argument(
        "--window", type=float, default=0.05, metavar="S",
        help="a detection counts when it is at most so many seconds from the tap; default: 0.05",
    )  # fmt: skip
    add_work_arguments(parser)
    add_output_arguments(parser)


def add_work_arguments(parser: argparse.ArgumentParser) -> None:
    """The options on how much runs at once, and what is kept."""
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="processes; default: 1")
    parser.add_argument("--dask", metavar="ADDRESS", help="work on the cluster of this Dask scheduler, tcp://HOST:PORT")
    parser.add_argument(
        "--cache", type=Path, metavar="DIR",
        help="keep the detections there; what is there already is not computed again, also after a stop",
    )  # fmt: skip


def run(args: argparse.Namespace) -> int:
    """Score and show."""
    from tapsig.detect import CATALOGUE  # heavy rooms load when they are used

    corpus = choose_labelled(args.corpus, split=args.split, vehicle=args.vehicle)
    table = score_corpus(args, args.detectors or list(CATALOGUE), corpus)
    if is_page(args):
        from tapsig.report.score_page import render_score_page

        name = Path(args.corpus).resolve().name
        emit(render_score_page(table, command=describe_command("score", args), corpus=name), args)
    else:
        emit(render_scores(table, args.format), args)
    return 0


def is_page(args: argparse.Namespace) -> bool:
    """Whether --out asks for a page."""
    return args.out is not None and args.out.suffix.lower() in (".html", ".htm")


_OPTIONS = {
    "split": "all", "vehicle": None, "criterion": "f1", "window": 0.05, "jobs": 1, "dask": None, "cache": None,
    "out": None, "force": False,
}  # fmt: skip


def describe_command(name: str, args: argparse.Namespace) -> str:
    """The command with its options, as one would type it, for the page that it makes."""
    words = ["tapsig", name, args.corpus]
    for detector in args.detectors or ():
        words += ["--detector", detector]
    for option, default in _OPTIONS.items():
        value = getattr(args, option, default)
        if value != default:
            words += [f"--{option}"] if value is True else [f"--{option}", str(value)]
    return shlex.join(words)


def choose_labelled(folder: str, *, split: str = "all", vehicle: str | None = None) -> "Corpus":
    """The labelled recordings of a corpus; those left out are told."""
    from tapsig.load import load_corpus  # heavy rooms load when they are used

    corpus = load_corpus(folder)
    for name, choice in (("split", None if split == "all" else split), ("vehicle", vehicle)):
        there = sorted({getattr(entry, name) for entry in corpus.entries} - {""})
        if choice is not None and choice not in there:
            raise ParameterError(f"--{name} is {choice!r}; {folder} has {', '.join(there) or 'none that are named'}")
    chosen = corpus.select(split=None if split == "all" else split, vehicle=vehicle)
    labelled = tuple(entry for entry in chosen.entries if entry.labels)
    if len(labelled) < len(chosen.entries):
        note(f"{len(chosen.entries) - len(labelled)} recordings without labels are left out")
    if not labelled:
        raise LabelError(f"{folder} has no labelled recordings of that choice; name label files in its corpus.csv")
    return dataclasses.replace(chosen, entries=labelled)


def load_variants(detectors: Sequence[str], corpus: "Corpus") -> "dict[str, Variant]":
    """Detectors by the words that name them; those that were fitted to some of `corpus` are told."""
    from tapsig.detect.saved import find_fitted, load_detector  # heavy rooms load when they are used

    variants = {str(spec): load_detector(spec) for spec in detectors}
    for name, variant in variants.items():
        if seen := find_fitted(variant, corpus.entries):
            note(f"note: {name} was fitted to recordings of {', '.join(seen)}, which are among these: the figures"
                 " flatter it; the honest ones are those that tapsig fit printed, or those on others (--split test)")
    return variants


def score_corpus(args: argparse.Namespace, detectors: Sequence[str], corpus: "Corpus") -> "ScoreTable":
    """Score by the options --window, --jobs, --dask and --cache, with progress."""
    from tapsig.study.cache import ResultCache  # heavy rooms load when they are used
    from tapsig.study.scoring import score

    variants = load_variants(detectors, corpus)
    cache = None if args.cache is None else ResultCache(args.cache)
    with progress_bar(len(corpus), "recordings") as advance:
        return score(
            variants, corpus, window_s=args.window, jobs=args.jobs, cluster=args.dask, cache=cache, progress=advance
        )


@contextlib.contextmanager
def progress_bar(total: int, unit: str) -> Iterator[Callable[[int], None]]:
    """Yields a function that takes how many of `total` are done.

    On a terminal it shows a bar with the time left; into a file, a line every half minute.
    """
    from tqdm import tqdm

    to_terminal = sys.stderr.isatty()
    with tqdm(total=total, unit=f" {unit}", leave=False, file=sys.stderr, disable=not to_terminal) as bar:
        begun = told = time.monotonic()

        def advance(done: int) -> None:
            nonlocal told
            now = time.monotonic()
            if to_terminal:
                bar.update(done - bar.n)
            elif now - told >= SILENCE_S and 0 < done < total:
                told = now
                note(f"{done} of {total} {unit}, about {(now - begun) / done * (total - done) / 60:.1f} min left")

        yield advance


def format_interval(value: object, low: object, high: object, digits: int) -> str:
    """A value with its interval in brackets; – where undefined."""
    if not isinstance(value, float) or value != value:
        return "–"
    edges = "" if not isinstance(low, float) or low != low else f" ({low:.{digits}f}–{high:.{digits}f})"
    return f"{value:.{digits}f}{edges}"


def render_scores(table: "ScoreTable", format_: str) -> str:
    """All rows as csv or json; as a table, the rows over all scenes and the share of codes that opened."""
    rows = table.rows()
    if format_ != "table":
        return render_rows(rows, format_, document={"window_s": table.window_s})
    lines, opened = [], {}
    for row in rows:
        if row["scene"] != "all":
            continue
        lines.append([
            row["detector"], row["position"], row["taps"],
            format_interval(row["precision"], row["precision_low"], row["precision_high"], 2),
            format_interval(row["recall"], row["recall_low"], row["recall_high"], 2),
            format_interval(row["f1"], row["f1_low"], row["f1_high"], 2),
            row["false_alarms_per_hour"],
            "–" if row["median_error_ms"] != row["median_error_ms"] else f"{row['median_error_ms']:+.1f}",
        ])  # fmt: skip
        opened[row["detector"], row["position"]] = f"{row['entries_opened']}/{row['entries']}"
    header = ["detector", "position", "taps", "precision", "recall", "F1", "false/h", "error ms"]
    positions = list(dict.fromkeys(str(position) for _, position in opened))
    entries = [[name, *(opened.get((name, position), "–") for position in positions)] for name in table.detectors]
    return (
        f"{render_table(header, lines)}\n\n"
        "95 % intervals: Wilson, wider by how much files differ (one file alone: as if its taps were independent)."
        f" Window ±{table.window_s * 1e3:g} ms.\n\ncode entries decoded digit for digit, of those made\n"
        f"{render_table(['detector', *positions], entries)}\n"
    )
