"""The page of `tapsig positions`: where the sensor should go, and how certain that is."""

import math
from collections.abc import Sequence

import numpy as np

from tapsig.comparison.advice import advise, compare_detectors, count_recordings, describe_left_out
from tapsig.comparison.positions import PositionStudy, Ranking
from tapsig.comparison.statistics import RESAMPLES
from tapsig.report.charts import draw_intervals
from tapsig.report.page import Picture, Section, Table, render_page, tabulate
from tapsig.report.score_page import INTERVALS
from tapsig.report.score_page import LIMITS as SCORE_LIMITS
from tapsig.results import format_estimate, format_named

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
    return render_page(
        title=f"Where to put the sensor: positions on {corpus}",
        summary=[*warnings, *advise_positions(study)],
        sections=[
            *(describe_ranking(study, ranking, title=ranking.detector) for ranking in study.rankings),
            Section("What each position hears", pictures=draw_levels(study), tables=[tabulate_levels(study)]),
            *_describe_delays(study),
        ],
        method=[f"Matching window ±{study.table.window_s * 1e3:g} ms.", *METHOD],
        limits=LIMITS,
        command=command,
    )


def advise_positions(study: PositionStudy) -> list[str]:
    """Where to put the sensor, by each detector, and how much that matters."""
    texts = [f"With {ranking.detector}: {advise(ranking)}" for ranking in study.rankings]
    return [*texts, *filter(None, [compare_detectors(study.rankings)])]


def describe_ranking(study: PositionStudy, ranking: Ranking, *, title: str) -> Section:
    """Positions by one detector, the best first, and their differences."""
    words = ranking.criterion.words
    paragraphs = [
        f"Compared on {count_recordings(ranking.recordings)} made at every position at once."
        if ranking.paired
        else f"None of the {ranking.recordings} recordings was made at every position at once: the scenes may differ"
        " between positions, and then so does what is compared."
    ]
    if left_out := describe_left_out(ranking):
        paragraphs.append(f"{left_out}.")
    estimates = {ranked.position: ranked.estimate for ranked in ranking.positions}
    most = np.fmax.reduce([(one.value, one.high) for one in estimates.values()], axis=None, initial=1.0)
    positions = tabulate(
        "Positions, the best first",
        [row for row in study.rows() if row["detector"] == ranking.detector],
        {
            "position": lambda row: row["position"],
            words: lambda row: format_named(row, "value"),
            "probability of being best": lambda row: format_estimate(row["probability_best"]),
            "precision": lambda row: format_named(row, "precision"),
            "recall": lambda row: format_named(row, "recall"),
            "false alarms per hour": lambda row: format_named(row, "false_alarms_per_hour", digits=0),
            "codes decoded": lambda row: f"{row['entries_opened']} of {row['entries']}",
        },
    )
    differences = tabulate(
        "Differences",
        ranking.differences,
        {
            "pair": lambda pair: f"{pair.first} minus {pair.second}",
            f"difference in {words}": lambda pair: pair.estimate.describe(3),
            "p": lambda pair: format_estimate(pair.p, digits=4),
            "p after Holm": lambda pair: format_estimate(pair.p_adjusted, digits=4),
            "significant": lambda pair: "yes" if pair.significant else "no",
            "recordings needed": lambda pair: _describe_needed(pair.needed),
        },
    )
    picture = draw_intervals(words, estimates, axis=words, most=most)
    return Section(title, paragraphs, [picture], [positions, differences])


def _describe_needed(recordings: float) -> str:
    if math.isnan(recordings):
        return "–"
    return f"{math.ceil(recordings)}" if recordings < 1000 else "over 1000"


def draw_levels(study: PositionStudy) -> list[Picture]:
    """What each position hears, as charts."""
    pictures = []
    for title, name, axis in (
        ("Tap over nuisance", "over_nuisance_db", "dB"),
        ("Ring-down", "ringdown_s", "T60 in s"),
        ("Operating area of a plain threshold", "operating_area_db_ms", "dB × ms"),
    ):
        estimates = {level.position: getattr(level, name) for level in study.levels}
        known = [(one.value, one.low, one.high) for one in estimates.values()]
        least = np.fmin.reduce(known, axis=None, initial=0.0)  # nanmin would be nan where nothing is known
        most = 1.05 * np.fmax.reduce(known, axis=None, initial=1e-3)
        pictures.append(draw_intervals(title, estimates, axis=axis, least=least, most=most))
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


def _describe_delays(study: PositionStudy) -> list[Section]:
    if not study.delays:
        return []
    text = (
        "How much later the second position hears a tap. Panels ring differently at each place, so a correlation"
        " below 0.7 says that the delay tells little."
    )
    table = tabulate(
        "Delay, tap by tap",
        study.delays,
        {
            "from, to": lambda delay: f"{delay.first} to {delay.second}",
            "taps": lambda delay: delay.taps,
            "median, ms": lambda delay: f"{delay.median_ms:+.2f}",
            "middle half, ms": lambda delay: f"{delay.lower_ms:+.2f} to {delay.upper_ms:+.2f}",
            "correlation": lambda delay: f"{delay.correlation:.2f}",
        },
    )
    return [Section("Delay between channels", [text], tables=[table])]
