"""The page of `tapsig variants`: detectors on the same recordings, pair by pair."""

from collections.abc import Sequence

import numpy as np

from tapsig.comparison.advice import describe_pair
from tapsig.comparison.detectors import Curve, VariantComparison
from tapsig.report.charts import Line, draw_intervals, draw_lines
from tapsig.report.page import Picture, Section, Table, render_page, tabulate
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
    return render_page(
        title=f"Detectors compared on {corpus}",
        summary=[*warnings, *map(describe_pair, pairs)],
        sections=[Section("On the same recordings", pictures=_draw(pairs), tables=_tabulate(pairs))],
        method=METHOD,
        limits=LIMITS,
        command=command,
    )


def _list_curves(pairs: Sequence[VariantComparison]) -> list[Curve]:
    return [pairs[0].curves[0], *(pair.curves[1] for pair in pairs)]


def _draw(pairs: Sequence[VariantComparison]) -> list[Picture]:
    words = pairs[0].criterion.words
    estimates = {pairs[0].first: pairs[0].values[0]} | {pair.second: pair.values[1] for pair in pairs}
    curves = _list_curves(pairs)
    least = 1.0 / curves[0].hours if curves[0].hours > 0 else 1.0  # one false alarm in all that was recorded
    rates = np.concatenate([curve.false_alarms_per_hour for curve in curves])
    precision = draw_lines(
        "Precision over recall",
        [Line(curve.detector, curve.recall, curve.precision) for curve in curves],
        x_axis="recall",
        y_axis="precision",
    )
    false_alarms = draw_lines(
        "Recall over false alarms per hour",
        [Line(curve.detector, curve.false_alarms_per_hour, curve.recall) for curve in curves],
        x_axis="false alarms per hour",
        y_axis="recall",
        x_range=(least, float(10.0 ** np.ceil(np.log10(rates.max(initial=10.0 * least))))),
        log_x=True,
        edge=f"0 (none; < {least:.3g})",
    )
    return [
        draw_intervals(
            words, estimates, axis=words, most=np.fmax.reduce([e.high for e in estimates.values()], initial=1.0)
        ),
        Picture("Precision over recall", precision),
        Picture("Recall over false alarms", false_alarms),
    ]


def _tabulate(pairs: Sequence[VariantComparison]) -> list[Table]:
    differences = tabulate(
        f"Differences in {pairs[0].criterion.words}",
        pairs,
        {
            "pair": lambda pair: f"{pair.first} minus {pair.second}",
            "first": lambda pair: pair.values[0].describe(),
            "second": lambda pair: pair.values[1].describe(),
            "difference": lambda pair: pair.difference.estimate.describe(3),
            "p": lambda pair: format_estimate(pair.difference.p, digits=4),
            "p after Holm": lambda pair: format_estimate(pair.difference.p_adjusted, digits=4),
        },
    )
    taps = tabulate(
        "Taps found",
        pairs,
        {
            "pair": lambda pair: f"{pair.first}, {pair.second}",
            "both": lambda pair: pair.both,
            "only the first": lambda pair: pair.only_first,
            "only the second": lambda pair: pair.only_second,
            "neither": lambda pair: pair.neither,
            "p": lambda pair: f"{pair.p_taps:.3g}",
        },
    )
    rates = (1.0, 10.0, 100.0, 1000.0)
    areas = [
        [
            curve.detector,
            format_estimate(curve.average_precision, digits=3),
            *(format_estimate(curve.recall_at(rate)) for rate in rates),
        ]
        for curve in _list_curves(pairs)
    ]
    header = ["detector", "average precision", *(f"recall at {rate:g} per hour" for rate in rates)]
    return [differences, taps, Table("Along the curves", header, areas)]
