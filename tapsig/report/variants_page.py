"""The page of `tapsig variants`: detectors on the same recordings, pair by pair."""

from collections.abc import Sequence

import numpy as np

from tapsig.comparison.advice import describe_pair
from tapsig.comparison.detectors import VariantComparison
from tapsig.report.charts import Dot, Line, caption_intervals, draw_intervals, draw_lines
from tapsig.report.page import Page, Picture, Section, Table, render_page
from tapsig.report.score_page import INTERVALS, LIMITS
from tapsig.results import format_estimate

METHOD = (
    INTERVALS,
    "Difference: 95 % bootstrap over recordings, paired. p: permutation test, the two detectors swapped"
    " within recordings; Holm's adjustment for all pairs. A difference is called significant under 0.05.",
    "p of the taps that only one of the two found: the same permutation test, of recall, since taps of one recording"
    " are not independent.",
    "Curves: detections accepted from a strength on. Each ends where its detector works; what was not detected has no"
    " strength. Average precision counts taps that were not detected as never found. Rates of false alarms that the"
    " recordings are too short to hear once are left open (–).",
)


def render_variants_page(
    pairs: Sequence[VariantComparison], *, command: str, corpus: str, warnings: Sequence[str] = ()
) -> str:
    """The page as HTML; it opens with `warnings`."""
    words = pairs[0].criterion.words
    curves = [pairs[0].curves[0], *(pair.curves[1] for pair in pairs)]
    values = [(pairs[0].first, pairs[0].values[0]), *((pair.second, pair.values[1]) for pair in pairs)]
    dots = [Dot(name, e.value, e.low, e.high) for name, e in values]
    most = max([1.0, *(e.high for _, e in values if e.high == e.high)])
    rates = np.concatenate([curve.false_alarms_per_hour for curve in curves])
    least = 1.0 / curves[0].hours if curves[0].hours > 0 else 1.0  # one false alarm in all that was recorded
    top = 10.0 ** np.ceil(np.log10(rates.max(initial=10.0 * least)))
    pictures = [
        Picture(caption_intervals(words, dots), draw_intervals(words, dots, axis=words, most=most)),
        Picture(
            "Precision over recall",
            draw_lines(
                "Precision over recall",
                [Line(curve.detector, curve.recall, curve.precision) for curve in curves],
                x_axis="recall",
                y_axis="precision",
            ),
        ),
        Picture(
            "Recall over false alarms",
            draw_lines(
                "Recall over false alarms per hour",
                [Line(curve.detector, curve.false_alarms_per_hour, curve.recall) for curve in curves],
                x_axis="false alarms per hour",
                y_axis="recall",
                x_range=(least, float(top)),
                log_x=True,
                edge=f"0 (none; < {least:.3g})",
            ),
        ),
    ]
    tables = [_differences(pairs), _taps(pairs), _areas(pairs)]
    return render_page(
        Page(
            title=f"Detectors compared on {corpus}",
            summary=[*warnings, *map(describe_pair, pairs)],
            sections=[Section("On the same recordings", (), pictures, tables)],
            method=METHOD,
            limits=LIMITS,
            command=command,
        )
    )


def _differences(pairs: Sequence[VariantComparison]) -> Table:
    words = pairs[0].criterion.words
    lines = [
        [
            f"{pair.first} minus {pair.second}",
            *(e.describe() for e in pair.values),
            d.estimate.describe(3),
            f"{d.p:.4f}",
            f"{d.p_adjusted:.4f}",
        ]
        for pair in pairs
        for d in (pair.difference,)
    ]
    return Table(f"Differences in {words}", ["pair", "first", "second", "difference", "p", "p after Holm"], lines)


def _taps(pairs: Sequence[VariantComparison]) -> Table:
    lines = [
        [
            f"{pair.first}, {pair.second}",
            str(pair.both),
            str(pair.only_first),
            str(pair.only_second),
            str(pair.neither),
            f"{pair.p_taps:.3g}",
        ]
        for pair in pairs
    ]
    header = ["pair", "both", "only the first", "only the second", "neither", "p"]
    return Table("Taps found", header, lines)


def _areas(pairs: Sequence[VariantComparison]) -> Table:
    rates = (1.0, 10.0, 100.0, 1000.0)
    curves = [pairs[0].curves[0], *(pair.curves[1] for pair in pairs)]
    lines = [
        [
            curve.detector,
            format_estimate(curve.average_precision, digits=3),
            *(format_estimate(curve.recall_at(rate)) for rate in rates),
        ]
        for curve in curves
    ]
    header = ["detector", "average precision", *(f"recall at {rate:g} per hour" for rate in rates)]
    return Table("Along the curves", header, lines)
