"""Compare mounting positions: levels, ring-down, scores, and a ranking with its significance.

  tapsig positions first --detector fixed-threshold --detector tap --out positions.html

If there are recordings made at all positions at once (channels of one file), positions are compared on these. The
intervals cover more recordings of this kind on these vehicles; other vehicles may differ.

Doors contain airbag sensors and their wiring: know where they run before you drill or glue.

An --out that ends in .html becomes a self-contained page.
"""

import argparse
import textwrap
from dataclasses import asdict
from typing import TYPE_CHECKING

from tapsig.cli.detector_options import (
    add_detector_arguments,
    emit_page,
    list_score_arguments,
    load_variants,
    note_table,
    open_labelled,
)
from tapsig.cli.output import add_output_arguments, emit, is_page, progress_bar, render_rows, render_table
from tapsig.results import format_named
from tapsig.scoring.criteria import CRITERIA

if TYPE_CHECKING:
    from tapsig.comparison.positions import PositionStudy, Ranking

COLUMNS = 110
DETECTORS = ("fixed-threshold", "tap")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_detector_arguments(parser, f"as in 'tapsig score'; may be repeated; default: {' and '.join(DETECTORS)}")
    parser.add_argument("--criterion", choices=CRITERIA, default="f1", help="criterion of the ranking; default: f1")
    add_output_arguments(parser, page=True)


def run(args: argparse.Namespace) -> int:
    from tapsig.comparison.positions import study_positions  # heavy rooms load when they are used

    corpus = open_labelled(args)
    variants, warnings = load_variants(args.detector or DETECTORS, corpus.entries)
    with progress_bar(2 * len(corpus), "recordings") as advance:
        study = study_positions(
            variants, corpus, criterion=args.criterion, progress=advance, **list_score_arguments(args)
        )
    note_table(study.table, corpus)
    if is_page(args):
        from tapsig.report.positions_page import render_positions_page

        emit_page("positions", render_positions_page, study, args, corpus, warnings)
    else:
        emit(render_positions(study, args.format), args)
    return 0


def render_positions(study: "PositionStudy", format_: str) -> str:
    """Rows as csv or json (with differences, delays and advice), or text with all tables."""
    from tapsig.comparison.advice import advise, compare_detectors

    if format_ != "table":
        document = {
            "advice": {ranking.detector: advise(ranking) for ranking in study.rankings},
            "vehicles": {ranking.detector: ranking.vehicles for ranking in study.rankings},
            "differences": study.difference_rows(),
            "delays": [asdict(delay) for delay in study.delays],
        }
        return render_rows(study.rows(), format_, document=document)
    parts = [_render_ranking(study, ranking, advise(ranking)) for ranking in study.rankings]
    if closing := compare_detectors(study.rankings):
        parts.append(textwrap.fill(closing, COLUMNS))
    parts.append(_render_levels(study))
    if study.delays:
        header = ["from", "to", "taps", "delay ms", "middle half", "correlation"]
        lines = [
            [
                delay.first,
                delay.second,
                delay.taps,
                f"{delay.median_ms:+.2f}",
                f"{delay.lower_ms:+.2f} to {delay.upper_ms:+.2f}",
                f"{delay.correlation:.2f}",
            ]
            for delay in study.delays
        ]
        parts.append(
            f"Delay of each tap between channels (unreliable below a correlation of 0.7)\n{render_table(header, lines)}"
        )
    parts.append(
        "95 % intervals: of scores as in 'tapsig score', of differences by bootstrap, of levels Student's; too few\n"
        "recordings have none.\n"
        "p: permutation test, Holm's adjustment for all pairs; an interval is of its pair alone, and may exclude 0"
        " where p is not significant."
    )
    return "\n\n".join(parts) + "\n"


def _render_ranking(study: "PositionStudy", ranking: "Ranking", advice: str) -> str:
    from tapsig.comparison.advice import count_recordings, describe_left_out  # heavy rooms load when they are used

    rows = {(row["detector"], row["position"]): row for row in study.rows()}
    ruled_only = any(row["entries_opened_evidence"] is None for key, row in rows.items() if key[0] == ranking.detector)
    lines = []
    for ranked in ranking.positions:
        row = rows[ranking.detector, ranked.position]
        best = "–" if ranking.too_few else f"{ranked.probability_best:.0%}"
        lines.append(
            [
                ranked.position,
                ranked.estimate.describe(),
                best,
                format_named(row, "precision"),
                format_named(row, "recall"),
                row["false_alarms_per_hour"],
                f"{row['entries_opened']}/{row['entries']}",
                *([] if ruled_only else [f"{row['entries_opened_evidence']}/{row['entries']}"]),
            ]
        )
    header = ["position", ranking.criterion.words, "best", "precision", "recall", "false/h", "codes"]
    header += [] if ruled_only else ["on evidence"]
    pairs = [
        [f"{pair.first} – {pair.second}", pair.estimate.describe(3), pair.p_adjusted] for pair in ranking.differences
    ]
    made = count_recordings(ranking.recordings)
    basis = (
        f"ranked on {made} made at every position at once"
        if ranking.paired
        else f"ranked on {made}, none of them made at every position at once: scenes may differ between positions"
    )
    if left_out := describe_left_out(ranking):
        basis += f".\n{left_out}."
    return (
        f"{ranking.detector}: {basis}\n{render_table(header, lines)}\n\n"
        f"{render_table(['difference', ranking.criterion.words, 'p (Holm)'], pairs)}\n\n"
        f"{textwrap.fill(advice, COLUMNS)}"
    )


def _render_levels(study: "PositionStudy") -> str:
    lines = [[level.position, level.recordings, level.taps, *level.describe()] for level in study.levels]
    header = ["position", "rec", "taps", "tap dB", "spread dB", "over noise", "over nuisance", "T60 s", "area dB·ms"]
    return (
        "Levels at each position over all its recordings (dB re 1 V, above 20 Hz; nuisance: exceeded by one in twenty\n"
        "30 ms pieces; area: operating area of threshold × dead time in which a plain threshold makes no error)\n"
        f"{render_table(header, lines)}"
    )
