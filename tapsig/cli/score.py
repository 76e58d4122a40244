"""Score detectors on a labelled corpus: precision, recall, F1, false alarms, and whole code entries.

The table has one row for each detector and mounting position, with 95 % intervals. JSON and CSV have one row for
every detector × position × scene, "all" included; JSON is an object whose "rows" is that list.
"""

import argparse
import contextlib
import sys
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from tapsig.cli.output import add_output_arguments, emit, note, render_rows, render_table
from tapsig.errors import ParameterError

if TYPE_CHECKING:
    from tapsig.study.scoring import ScoreTable

SPLITS = ("train", "validation", "test", "all")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `tapsig score`."""
    parser.add_argument("corpus", metavar="CORPUS", help="a folder with a manifest corpus.csv")
    parser.add_argument("--split", choices=SPLITS, default="all", help="which recordings; default: all")
    parser.add_argument(
        "--detector", action="append", metavar="NAME", dest="detectors",
        help="a detector of the catalogue, a .json file, or module:attribute; may be repeated; default: the catalogue",
    )  # fmt: skip
    parser.add_argument(
        "--window", type=float, default=0.05, metavar="S",
        help="a detection counts when it is at most so many seconds from the tap; default: 0.05",
    )  # fmt: skip
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="processes; default: 1")
    add_output_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Score and show."""
    from tapsig.detect import CATALOGUE, load_detector  # heavy rooms load when they are used
    from tapsig.load import load_corpus
    from tapsig.study.scoring import score

    if args.jobs < 1:
        raise ParameterError(f"--jobs is {args.jobs}; it must be at least 1")
    variants = {str(spec): load_detector(spec) for spec in args.detectors or CATALOGUE}
    corpus = load_corpus(args.corpus)
    chosen = corpus if args.split == "all" else corpus.select(split=args.split)
    labelled = [entry for entry in chosen.entries if entry.labels]
    if len(labelled) < len(chosen.entries):
        note(f"{len(chosen.entries) - len(labelled)} recordings without labels are left out")
    with progress_bar(len(labelled), "recordings") as advance:
        table = score(
            variants, (chosen.load(entry) for entry in labelled), window_s=args.window, jobs=args.jobs, progress=advance
        )
    emit(render_scores(table, args.format), args)
    return 0


@contextlib.contextmanager
def progress_bar(total: int, unit: str) -> Iterator[Callable[[int], None]]:
    """A bar on stderr when that is a terminal; silent otherwise. Yields a function that takes how many are done."""
    if not sys.stderr.isatty():
        yield lambda done: None
        return
    from tqdm import tqdm

    with tqdm(total=total, unit=f" {unit}", leave=False, file=sys.stderr) as bar:

        def advance(done: int) -> None:
            bar.update(done - bar.n)

        yield advance


def _interval(value: object, low: object, high: object, digits: int) -> str:
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
            _interval(row["precision"], row["precision_low"], row["precision_high"], 2),
            _interval(row["recall"], row["recall_low"], row["recall_high"], 2),
            _interval(row["f1"], row["f1_low"], row["f1_high"], 2),
            row["false_alarms_per_hour"],
            "–" if row["median_error_ms"] != row["median_error_ms"] else f"{row['median_error_ms']:+.1f}",
        ])  # fmt: skip
        opened[row["detector"], row["position"]] = f"{row['entries_opened']}/{row['entries']}"
    header = ["detector", "position", "taps", "precision", "recall", "F1", "false/h", "error ms"]
    positions = list(dict.fromkeys(str(position) for _, position in opened))
    entries = [[name, *(opened.get((name, position), "–") for position in positions)] for name in table.detectors]
    return (
        f"{render_table(header, lines)}\n\n95 % intervals: Wilson for precision and recall, bootstrap over recordings"
        f" for F1. Window ±{table.window_s * 1e3:g} ms.\n\ncode entries decoded digit for digit, of those made\n"
        f"{render_table(['detector', *positions], entries)}\n"
    )
