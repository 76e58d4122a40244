"""Sections that the pages of `tapsig report` on a recording and on a corpus share."""

import math
from collections.abc import Callable, Sequence

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure

from tapsig.analysis.causes import FALSE
from tapsig.analysis.dead_time import DeadTimeMap
from tapsig.dsp.modes import Mode
from tapsig.entry import Entry
from tapsig.report.charts import Line, draw_lines
from tapsig.report.drawing import STYLE, embed_figure
from tapsig.report.page import Picture, Section, Table, tabulate
from tapsig.report.panel_figures import plot_dead_time
from tapsig.report.timeline import format_time
from tapsig.summary.recording import Marks, RecordingSummary
from tapsig.summary.remedies import ErrorAdvice, name_cause
from tapsig.summary.ringing import MARGIN_DB, Ringing

MOST_ROWS = 80
MOST_TIMES = 12
METHOD = (
    "A detection counts as found when it lies within the matching window of a tap; taps and detections are paired one"
    " to one, as many as possible, and then with the least error in time.",
    "Waveform: the lowest and highest value of each step of time, less the bias (median). Spectrogram: Hann windows of"
    " 128 ms, the highest level of each small field.",
    "Operating area: where, over threshold and dead time, a plain threshold counts every tap of the recording exactly"
    " once. The best setting lies as far inside as possible, or where errors are fewest.",
    "Level after a tap: highest departure from the bias in each 10 ms, median over taps.",
    f"The threshold lies {MARGIN_DB:g} dB under the weakest tap, so that a tap half as strong counts too (our choice).",
    "T60: time to fall by 60 dB; modes by their poles (shift invariance), pooled over taps.",
    "Remedies with figures were tried on these recordings, one parameter at a time. A setting that is chosen on a"
    " recording looks better there than elsewhere: tapsig tune holds taps out.",
    "Entry: a pause over 1 s ends a digit, 3 s of silence ends the entry (common practice, no source).",
)
LIMITS = ("One recording says nothing about another vehicle, panel, hand or day.",)


def describe_area(summary: RecordingSummary) -> str:
    """What the best plain setting is, and whether it will do."""
    found = summary.plain
    assert found is not None
    counts = f" ({_count_steps(summary, found.best_threshold_v)} counts from rest)" if summary.count_v > 0 else ""
    threshold = f"a threshold of {found.best_threshold_v:.3g} V{counts}"
    setting = f"{threshold} and {1e3 * found.best_dead_time_s:.0f} ms of dead time"
    part = ""
    first, last = summary.examined_s
    if last - first < 0.999 * (summary.end_s - summary.begin_s):
        part = f"From {format_time(first)} to {format_time(last)}: "
    if found.exact.any():
        return (
            f"{part}A plain threshold counts each of the {found.taps} taps once at {setting}: the middle of an"
            f" operating area of {found.operating_area_db_ms:.0f} dB × ms."
        )
    missed, false = found.missed[found.best_cell], found.extra[found.best_cell]
    return (
        f"{part}No setting of a plain threshold counts all {found.taps} taps exactly once; the fewest errors,"
        f" {missed} missed and {false} false, are at {setting}."
    )


def _count_steps(summary: RecordingSummary, volts: float) -> str:
    return f"{volts / summary.count_v:.0f}" if summary.count_v > 0 else "–"


def describe_ringing(summaries: Sequence[RecordingSummary]) -> Section:
    """How the panel rings at one position or several, and why that defeats a plain threshold."""
    lines, texts, rings = [], [], []
    for summary in summaries:
        where = f"On the {summary.position}" if summary.position else "Here"
        if summary.ringing is None:
            texts.append(f"{where} there are too few taps to see how the panel rings.")
        else:
            rings.append(summary.ringing)
            lines.append(Line(summary.position or "level", summary.ringing.times_s, summary.ringing.level_db))
            texts.append(f"{where}, {_describe_needed(summary.ringing)}")
        if summary.ringdown is None:
            texts.append(f"{where} the modes are not known: {summary.ringdown_reason}")
    pictures, tables = [], []
    if lines:
        x_range = (0.0, max(float(line.x[-1]) for line in lines if line.x.size))
        if len(rings) == 1:
            name = f"threshold {MARGIN_DB:g} dB under the weakest tap"
            lines.append(Line(name, rings[0].times_s[[0, -1]], np.full(2, rings[0].threshold_db)))
        chart = draw_lines(
            "Level after a tap",
            lines,
            x_axis="s after the tap",
            y_axis="dB re the median tap's peak",
            x_range=x_range,
            y_range=(-60.0, 0.0),
        )
        pictures.append(Picture("What a plain threshold sees after a tap (median)", chart))
    known = [(summary, summary.ringdown) for summary in summaries if summary.ringdown is not None]
    modes = [(summary.position, mode) for summary, ringdown in known for mode in ringdown.dominant[:5]]
    if modes:
        whose = ", ".join(dict.fromkeys(summary.ringdown_from for summary, _ in known))
        columns: dict[str, Callable[[tuple[str, Mode]], object]] = {
            "mode": lambda row: f"{row[0]} {row[1].frequency_hz:.0f} Hz".lstrip(),
            "T60, s": lambda row: f"{row[1].t60_s:.2f}",
            "share of energy": lambda row: f"{100 * row[1].energy_share:.0f} %",
        }
        tables.append(tabulate(f"Strongest modes, from {whose}", modes, columns))
    opening = (
        "A panel goes on ringing after a tap, and a plain threshold counts each time the ringing crosses it. A"
        " dead time after each tap must outlast the ringing, but end before the next tap."
    )
    return Section(
        "How the panel rings, and why that defeats a plain threshold", [opening, *texts], pictures, tables, beside=True
    )


def _describe_needed(ringing: Ringing) -> str:
    gap = (
        f"the shortest gap between two taps is {1e3 * ringing.shortest_gap_s:.0f} ms"
        if math.isfinite(ringing.shortest_gap_s)
        else "there is only one tap"
    )
    start = f"with a threshold {MARGIN_DB:g} dB under the weakest tap"
    if math.isinf(ringing.needed_s):
        return f"{start}, the ringing was still above it when the next event came; {gap}. No dead time serves."
    if not ringing.dead_time_exists:
        return f"{start}, the ringing crosses it for {1e3 * ringing.needed_s:.0f} ms; {gap}. No dead time serves."
    return (
        f"{start}, the ringing crosses it for {1e3 * ringing.needed_s:.0f} ms; {gap}. A dead time between the two"
        " serves, if nothing but taps is heard."
    )


def describe_areas(summaries: Sequence[RecordingSummary]) -> list[Section]:
    """The operating area of each recording that has labelled taps."""
    known = [(summary, summary.plain) for summary in summaries if summary.plain is not None]
    if not known:
        return []
    pictures = []
    for summary, found in known:
        title = f"Errors by threshold and dead time{f', {summary.position}' if summary.position else ''}"
        with mpl.rc_context(STYLE):
            axes = Figure((4.8, 3.6), layout="constrained").subplots()
        errors = found.missed[found.best_cell] + found.extra[found.best_cell]
        setting = f"threshold {found.best_threshold_v:.3g} V, dead time {1e3 * found.best_dead_time_s:.0f} ms"
        words = f"{title}. Best setting: {setting}, {errors} errors."
        pictures.append(Picture(title, embed_figure(plot_dead_time(found, ax=axes), words)))
    columns: dict[str, Callable[[tuple[RecordingSummary, DeadTimeMap]], object]] = {
        "position": lambda row: row[0].position or row[0].name,
        "threshold, V": lambda row: f"{row[1].best_threshold_v:.3g}",
        "counts from rest": lambda row: _count_steps(row[0], row[1].best_threshold_v),
        "dead time, ms": lambda row: f"{1e3 * row[1].best_dead_time_s:.0f}",
        "missed": lambda row: row[1].missed[row[1].best_cell],
        "false": lambda row: row[1].extra[row[1].best_cell],
        "operating area, dB × ms": lambda row: f"{row[1].operating_area_db_ms:.0f}",
    }
    table = tabulate("Best plain setting", known, columns)
    texts = [describe_area(known[0][0])] if len(known) == 1 else []
    texts.append("The larger the operating area, the more tolerance there is for another hand, day or sensor.")
    return [Section("Operating area of a plain threshold", texts, pictures, [table])]


def describe_entries(summary: RecordingSummary) -> Section:
    """Taps one by one, and the entries that they make."""
    last = summary.last
    tables = [_tabulate_entries(f"Entries, from the taps that {last.detector} found", summary.entries)]
    if summary.labelled:
        tables.append(_tabulate_entries("Entries, from the labelled taps", summary.entries_labelled))
    texts = ["By the rule: taps closer than 1 s make one digit; 3 s of silence end an entry (common practice)."]
    if last.found_s.size > MOST_ROWS:
        texts.append(f"The first {MOST_ROWS} of {last.found_s.size} taps are listed; tapsig detect lists all.")
    gaps = ["–", *(f"{gap:.3f}" for gap in np.diff(last.found_s))]
    words = [
        "false" if time in last.false_s else "tap" if summary.labelled else "not labelled" for time in last.found_s
    ]
    taps = enumerate(zip(last.found_s[:MOST_ROWS].tolist(), gaps, last.strength, words, strict=False), 1)
    rows = [[str(k), format_time(at, decimals=3), gap, f"{high:.2f}", word] for k, (at, gap, high, word) in taps]
    found = Table(f"Taps found by {last.detector}", ["tap", "at", "gap, s", "strength", "label"], rows)
    return Section("Taps and entries", texts, tables=[*tables, found])


def _tabulate_entries(caption: str, entries: Sequence[Entry]) -> Table:
    rows = [
        [str(number), format_time(entry.start_s, decimals=2), str(entry)]
        for number, entry in enumerate(entries[:MOST_ROWS], 1)
    ]
    return Table(caption, ["entry", "from", "digits"], rows)


def describe_causes(marks: Sequence[Marks], *, labelled: bool) -> list[Section]:
    """Errors of each detector by cause, with remedies."""
    if not labelled:
        return []
    texts = [
        f"{one.detector} makes no error{' in the part looked at' if one.missed_s.size + one.false_s.size else ''}."
        for one in marks
        if not one.advice
    ]
    tables = [tabulate_causes(one.detector, one.advice) for one in marks if one.advice]
    return [Section("Errors: causes and remedies", texts, tables=tables)]


def tabulate_causes(detector: str, advice: Sequence[ErrorAdvice], *, times: bool = True) -> Table:
    """Kinds of errors, the most frequent first, each with a remedy, and when they came."""
    columns: dict[str, Callable[[ErrorAdvice], object]] = {
        "errors": lambda one: f"{one.count} {'false' if one.error == FALSE else 'missed'}: {name_cause(one.cause)}",
        "why": lambda one: one.words,
        "remedy": lambda one: one.remedy,
    }
    if times:
        columns["when"] = lambda one: _list_times(one.times_s)
    return tabulate(f"Errors of {detector}", advice, columns, prose=True)


def _list_times(times_s: Sequence[float]) -> str:
    shown = ", ".join(format_time(round(time, 2)) for time in times_s[:MOST_TIMES])
    return shown + (f" and {len(times_s) - MOST_TIMES} more" if len(times_s) > MOST_TIMES else "")
