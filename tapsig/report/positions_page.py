"""The page of `tapsig positions`: where the sensor should go, and how certain that is."""

import math
from collections.abc import Sequence

from tapsig.comparison.advice import advise, compare_detectors, count_recordings, describe_left_out
from tapsig.comparison.positions import PositionStudy, Ranking
from tapsig.comparison.statistics import RESAMPLES
from tapsig.report.charts import Dot, caption_intervals, draw_intervals
from tapsig.report.page import Page, Picture, Section, Table, render_page
from tapsig.report.score_page import INTERVALS
from tapsig.report.score_page import LIMITS as SCORE_LIMITS
from tapsig.results import format_estimate, format_named
from tapsig.scoring.criteria import Estimate

METHOD = (
    "Positions are compared on the recordings that were made at all of them at once, where there are any: the same"
    " taps in the same scenes.",
    f"Probability of being best: share of {RESAMPLES} bootstrap samples of these recordings in which the position"
    " leads; ties are shared. 95 % intervals of differences: bootstrap over recordings; of levels: Student's, from"
    " three recordings on.",
    INTERVALS,
    "p: permutation test, the positions swapped within recordings; Holm's adjustment for all pairs. A difference is"
    " called significant under 0.05. The interval of a difference is of its pair alone: it may exclude 0 where p"
    " is larger.",
    "Recordings needed: for a power of 80 % at that level, if the difference and the scatter are as seen.",
    "Levels: peak within 30 ms of contact, above 20 Hz, in dB re 1 V. Noise: rms away from labels, at least the"
    " converter's own rounding. Nuisance: the peak level that one in twenty pieces of 30 ms without a tap exceeds.",
    "T60: time to fall by 60 dB, from the backward-integrated energy (T20, or early decay where noise hides it).",
    "Operating area: where, over threshold and dead time, a plain threshold counts every tap of a recording exactly"
    " once; the area in dB × ms, mean over recordings ('tapsig dead-time' shows the map of one).",
    "Delay: largest cross-correlation of a tap in two channels, interpolated below a sample.",
)
LIMITS = (
    "Doors hold airbag sensors, wiring and window mechanisms: know where they run before you drill or glue, and keep"
    " clear of them.",
    *SCORE_LIMITS,
)


def render_positions_page(study: PositionStudy, *, command: str, corpus: str, warnings: Sequence[str] = ()) -> str:
    """The page as HTML; it opens with `warnings`."""
    closing = compare_detectors(study.rankings)
    summary = [f"With {ranking.detector}: {advise(ranking)}" for ranking in study.rankings]
    return render_page(
        Page(
            title=f"Where to put the sensor: positions on {corpus}",
            summary=[*warnings, *summary, *filter(None, [closing])],
            sections=[
                *(describe_ranking(study, ranking) for ranking in study.rankings),
                Section("What each position hears", pictures=draw_levels(study), tables=[tabulate_levels(study)]),
                *_delays(study),
            ],
            method=[f"Matching window ±{study.table.window_s * 1e3:g} ms.", *METHOD],
            limits=LIMITS,
            command=command,
        )
    )


def describe_ranking(study: PositionStudy, ranking: Ranking, *, title: str = "") -> Section:
    """Positions by one detector, the best first, and their differences."""
    words = ranking.criterion.words
    most = max([1.0, *(_top(ranked.estimate) for ranked in ranking.positions)])
    dots = [
        Dot(ranked.position, ranked.estimate.value, ranked.estimate.low, ranked.estimate.high)
        for ranked in ranking.positions
    ]
    basis = (
        f"Compared on {count_recordings(ranking.recordings)} made at every position at once."
        if ranking.paired
        else f"None of the {ranking.recordings} recordings was made at every position at once: the scenes may differ"
        " between positions, and then so does what is compared."
    )
    left_out = describe_left_out(ranking)
    paragraphs = [basis, f"{left_out}."] if left_out else [basis]
    picture = Picture(caption_intervals(words, dots), draw_intervals(words, dots, axis=words, most=most))
    return Section(
        title or ranking.detector, paragraphs, [picture], [_ranking_table(study, ranking), _difference_table(ranking)]
    )


def _top(estimate: Estimate) -> float:
    return max(value for value in (estimate.value, estimate.high, 0.0) if not math.isnan(value))


def _ranking_table(study: PositionStudy, ranking: Ranking) -> Table:
    words = ranking.criterion.words
    header = [
        "position",
        words,
        "probability of being best",
        "precision",
        "recall",
        "false alarms per hour",
        "codes decoded",
    ]
    lines = [
        [
            str(row["position"]),
            format_named(row, "value"),
            format_estimate(row["probability_best"]),
            format_named(row, "precision"),
            format_named(row, "recall"),
            format_named(row, "false_alarms_per_hour", digits=0),
            f"{row['entries_opened']} of {row['entries']}",
        ]
        for row in study.rows()
        if row["detector"] == ranking.detector
    ]
    return Table("Positions, the best first", header, lines)


def _difference_table(ranking: Ranking) -> Table:
    lines = [
        [
            f"{pair.first} minus {pair.second}",
            pair.estimate.describe(3),
            f"{pair.p:.4f}",
            f"{pair.p_adjusted:.4f}",
            "yes" if pair.significant else "no",
            _needed(pair.needed),
        ]
        for pair in ranking.differences
    ]
    header = [
        "pair",
        f"difference in {ranking.criterion.words}",
        "p",
        "p after Holm",
        "significant",
        "recordings needed",
    ]
    return Table("Differences", header, lines)


def _needed(value: float) -> str:
    if math.isnan(value):
        return "–"
    return f"{math.ceil(value)}" if value < 1000 else "over 1000"


def draw_levels(study: PositionStudy) -> list[Picture]:
    """What each position hears, as charts."""
    pictures = []
    for title, name, axis in (
        ("Tap over nuisance", "over_nuisance_db", "dB"),
        ("Ring-down", "ringdown_s", "T60 in s"),
        ("Operating area of a plain threshold", "operating_area_db_ms", "dB × ms"),
    ):
        estimates = [(level.position, getattr(level, name)) for level in study.levels]
        known = [value for _, e in estimates for value in (e.value, e.low, e.high) if not math.isnan(value)]
        dots = [Dot(position, e.value, e.low, e.high) for position, e in estimates]
        least, most = min([0.0, *known]), max([1e-3, *known])
        picture = draw_intervals(title, dots, axis=axis, least=least, most=most * 1.05)
        pictures.append(Picture(caption_intervals(title, dots), picture))
    return pictures


def tabulate_levels(study: PositionStudy) -> Table:
    """What each position hears, in numbers."""
    header = [
        "position",
        "recordings",
        "taps",
        "tap, dB re 1 V",
        "spread, dB",
        "over noise, dB",
        "over nuisance, dB",
        "T60, s",
        "operating area, dB × ms",
    ]
    lines = [[level.position, str(level.recordings), str(level.taps), *level.describe()] for level in study.levels]
    return Table("Level of taps, and ring-down", header, lines)


def _delays(study: PositionStudy) -> list[Section]:
    if not study.delays:
        return []
    lines = [
        [
            f"{delay.first} to {delay.second}",
            str(delay.taps),
            f"{delay.median_ms:+.2f}",
            f"{delay.lower_ms:+.2f} to {delay.upper_ms:+.2f}",
            f"{delay.correlation:.2f}",
        ]
        for delay in study.delays
    ]
    text = (
        "How much later the second position hears a tap. Panels ring differently at each place, so a correlation"
        " below 0.7 says that the delay tells little."
    )
    header = ["from, to", "taps", "median, ms", "middle half, ms", "correlation"]
    return [Section("Delay between channels", [text], tables=[Table("Delay, tap by tap", header, lines)])]
