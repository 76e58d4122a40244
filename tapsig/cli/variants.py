"""Compare detectors on the same recordings: paired differences, taps that only one found, and curves.

  tapsig variants first --detector tap --detector sta-lta

The first detector is compared with each of the others. F1 differences have a bootstrap interval over recordings. The
permutation test swaps the two within recordings; the taps that only one of the two found are tested so too.

An --out that ends in .html becomes a self-contained page.
"""

import argparse
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

from tapsig.cli.detector_options import add_detector_arguments, emit_page, open_labelled, score_corpus
from tapsig.cli.output import add_output_arguments, emit, is_page, render_rows, render_table
from tapsig.errors import ParameterError
from tapsig.results import format_estimate
from tapsig.scoring.criteria import CRITERIA

if TYPE_CHECKING:
    from tapsig.comparison.detectors import Curve, VariantComparison

COLUMNS = 110
DETECTORS = ("tap", "fixed-threshold")
RATES_PER_HOUR = (1.0, 10.0, 100.0, 1000.0)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_detector_arguments(parser, f"as in 'tapsig score'; at least two; default: {' and '.join(DETECTORS)}")
    parser.add_argument("--criterion", choices=CRITERIA, default="f1", help="criterion of the comparison; default: f1")
    add_output_arguments(parser, page=True)


def run(args: argparse.Namespace) -> int:
    from tapsig.comparison.detectors import compare_variants  # heavy rooms load when they are used

    names = list(dict.fromkeys(args.detector or DETECTORS))
    if len(names) < 2:
        raise ParameterError(f"--detector names only {names[0]!r}; a comparison needs two")
    corpus = open_labelled(args)
    table, warnings = score_corpus(args, names, corpus)
    pairs = compare_variants(table, *names, criterion=args.criterion)
    if is_page(args):
        from tapsig.report.variants_page import render_variants_page

        emit_page("variants", render_variants_page, pairs, args, corpus, warnings)
    else:
        emit(render_variants(pairs, args.format), args)
    return 0


def _list_curves(pairs: "Sequence[VariantComparison]") -> "list[Curve]":
    return [pairs[0].curves[0], *(pair.curves[1] for pair in pairs)]


def render_variants(pairs: "Sequence[VariantComparison]", format_: str) -> str:
    """One row for each pair as csv or json (with the curves), or text with all tables."""
    rows = [pair.to_dict() for pair in pairs]
    if format_ != "table":
        curves = [
            {
                "detector": curve.detector,
                "strength": curve.strength.tolist(),
                "precision": curve.precision.tolist(),
                "recall": curve.recall.tolist(),
                "false_alarms_per_hour": curve.false_alarms_per_hour.tolist(),
            }
            for curve in _list_curves(pairs)
        ]
        return render_rows(rows, format_, document={"curves": curves})
    from tapsig.comparison.advice import count_recordings, describe_pair  # heavy rooms load when they are used

    verdicts = "\n".join(textwrap.fill(describe_pair(pair), COLUMNS) for pair in pairs)
    criterion = pairs[0].criterion.words
    differences = [
        [pair.first, pair.second, *(e.describe() for e in pair.values), e.describe(3), pair.difference.p_adjusted]
        for pair in pairs
        for e in (pair.difference.estimate,)
    ]
    taps = [
        [pair.first, pair.second, pair.both, pair.only_first, pair.only_second, pair.neither, pair.p_taps]
        for pair in pairs
    ]
    curves_at = [
        [
            curve.detector,
            format_estimate(curve.average_precision, digits=3),
            *(format_estimate(curve.recall_at(rate)) for rate in RATES_PER_HOUR),
        ]
        for curve in _list_curves(pairs)
    ]
    rates = [f"recall at {rate:g}/h" for rate in RATES_PER_HOUR]
    return (
        f"{verdicts}\n\n{criterion} on the same {count_recordings(pairs[0].recordings, pairs[0].channels)}\n"
        f"{render_table(['first', 'second', 'first', 'second', 'first – second', 'p (Holm)'], differences)}\n\n"
        "Taps found by both, by one, by neither\n"
        f"{render_table(['first', 'second', 'both', 'only first', 'only second', 'neither', 'p'], taps)}\n\n"
        "Thresholds of strength: average precision, and recall at a rate of false alarms\n"
        f"{render_table(['detector', 'average precision', *rates], curves_at)}\n\n"
        f"The recordings last {pairs[0].curves[0].hours:.2f} h in all; – marks rates below one false alarm in that"
        " time.\n"
        "95 % intervals: of values as in 'tapsig score', of differences by bootstrap, paired.\n"
        "p: permutation test, swaps within recordings; p (Holm): adjusted for all pairs; p of taps: of recall.\n"
    )
