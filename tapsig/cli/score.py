"""Score detectors on a labelled corpus: precision, recall, F1, false alarms, and whole code entries.

  tapsig score first
  tapsig score first --detector tap --detector sta-lta --out score.html

The table has one row for each detector and mounting position, with 95 % intervals. JSON and CSV have one row for
every detector × position × scene, "all" included; JSON is an object whose "rows" is that list. An --out that ends
in .html becomes a page that needs nothing else.
"""

import argparse
from typing import TYPE_CHECKING

from tapsig.cli.detector_options import add_detector_arguments, emit_page, open_labelled, score_corpus
from tapsig.cli.output import add_output_arguments, emit, is_page, render_rows, render_table
from tapsig.results import format_named

if TYPE_CHECKING:
    from tapsig.scoring.outcomes import ScoreTable

DECODERS = {"rule": "entries_opened", "evidence": "entries_opened_evidence"}
"""Decoders, and the keys of what they opened."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_detector_arguments(
        parser,
        "a detector of the catalogue, a .json file, or module:attribute, with parameters after commas"
        " (tap,probability=0.5); may be repeated; default: the catalogue",
    )
    add_output_arguments(parser, page=True)


def run(args: argparse.Namespace) -> int:
    from tapsig.detectors import CATALOGUE  # heavy rooms load when they are used

    corpus = open_labelled(args)
    table, warnings = score_corpus(args, args.detector or list(CATALOGUE), corpus)
    if is_page(args):
        from tapsig.report.score_page import render_score_page

        emit_page("score", render_score_page, table, args, corpus, warnings)
    else:
        emit(render_scores(table, args.format), args)
    return 0


def render_scores(table: "ScoreTable", format_: str) -> str:
    """All rows as csv or json; as a table, the rows over all scenes and the share of codes that opened."""
    rows = table.rows()
    if format_ != "table":
        return render_rows(rows, format_, document={"window_s": table.window_s})
    lines, opened = [], {}
    for row in rows:
        if row["scene"] != "all":
            continue
        lines.append(
            [
                row["detector"],
                row["position"],
                row["taps"],
                format_named(row, "precision"),
                format_named(row, "recall"),
                format_named(row, "f1"),
                row["false_alarms_per_hour"],
                "–" if row["median_error_ms"] != row["median_error_ms"] else f"{row['median_error_ms']:+.1f}",
            ]
        )
        for decoder, key in DECODERS.items():
            if row[key] is not None:
                opened[row["detector"], decoder, row["position"]] = f"{row[key]}/{row['entries']}"
    header = ["detector", "position", "taps", "precision", "recall", "F1", "false/h", "error ms"]
    positions = list(dict.fromkeys(str(position) for _, _, position in opened))
    pairs = list(dict.fromkeys((name, decoder) for name, decoder, _ in opened))
    entries = [[*pair, *(opened.get((*pair, position), "–") for position in positions)] for pair in pairs]
    return (
        f"{render_table(header, lines)}\n\n"
        "95 % intervals: Wilson, with a design effect for recordings that differ (with one file, taps are taken as"
        " independent).\n"
        f"Window ±{table.window_s * 1e3:g} ms.\n\ncode entries that open (rule: decoded digit for digit), of"
        f" those made\n{render_table(['detector', 'decoder', *positions], entries)}\n"
    )
