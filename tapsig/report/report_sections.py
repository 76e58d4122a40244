"""Sections that the pages of `tapsig report` on a recording and on a corpus share."""

import math
from collections.abc import Sequence

import matplotlib as mpl
import numpy as np
from markupsafe import Markup
from matplotlib.figure import Figure

from tapsig.analysis.dead_time import DeadTimeMap
from tapsig.entry import Entry
from tapsig.report.charts import Line, draw_lines
from tapsig.report.drawing import STYLE, embed_figure
from tapsig.report.page import Picture, Section, Table
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
    row, column = found.best_cell
    setting = (
        f"{_volts(found.best_threshold_v, summary.count_v)} and {1e3 * found.best_dead_time_s:.0f} ms of dead time"
    )
    part = ""
    first, last = summary.examined_s
    if last - first < 0.999 * (summary.end_s - summary.begin_s):
        part = f"From {format_time(first)} to {format_time(last)}: "
    if found.exact.any():
        return (
            f"{part}A plain threshold counts each of the {found.taps} taps once at {setting}: the middle of an"
            f" operating area of {found.operating_area_db_ms:.0f} dB × ms."
        )
    return (
        f"{part}No setting of a plain threshold counts all {found.taps} taps exactly once; the fewest errors,"
        f" {int(found.missed[row, column])} missed and {int(found.extra[row, column])} false, are at"
        f" {setting}."
    )


def _volts(volts: float, count_v: float) -> str:
    counts = f" ({volts / count_v:.0f} counts from rest)" if count_v > 0 else ""
    return f"a threshold of {volts:.3g} V{counts}"


def describe_ringing(summaries: Sequence[RecordingSummary]) -> Section:
    """How the panel rings at one position or several, and why that defeats a plain threshold."""
    lines, texts, tables = [], [], []
    for summary in summaries:
        where = f"On the {summary.position}" if summary.position else "Here"
        if summary.ringing is None:
            texts.append(f"{where} there are too few taps to see how the panel rings.")
        else:
            lines.append(Line(summary.position or "level", summary.ringing.times_s, summary.ringing.level_db))
            texts.append(f"{where}, {_describe_needed(summary.ringing)}")
        if summary.ringdown is None:
            texts.append(f"{where} the modes are not known: {summary.ringdown_reason}")
    known = [summary for summary in summaries if summary.ringing is not None]
    if len(known) == 1 and known[0].ringing is not None:
        lines.append(_draw_threshold(known[0].ringing))
    rows = [
        [
            " ".join(filter(None, [summary.position, f"{mode.frequency_hz:.0f} Hz"])),
            f"{mode.t60_s:.2f}",
            f"{100 * mode.energy_share:.0f} %",
        ]
        for summary in summaries
        if summary.ringdown is not None
        for mode in summary.ringdown.dominant[:5]
    ]
    if rows:
        whose = ", ".join(dict.fromkeys(summary.ringdown_from for summary in summaries if summary.ringdown is not None))
        tables.append(Table(f"Strongest modes, from {whose}", ["mode", "T60, s", "share of energy"], rows))
    pictures = []
    if lines:
        chart = draw_lines(
            "Level after a tap",
            lines,
            x_axis="s after the tap",
            y_axis="dB re the median tap's peak",
            x_range=(0.0, max(float(line.x[-1]) for line in lines if line.x.size)),
            y_range=(-60.0, 0.0),
        )
        pictures.append(Picture("What a plain threshold sees after a tap (median)", chart))
    opening = (
        "A panel goes on ringing after a tap, and a plain threshold counts each time the ringing crosses it. A"
        " dead time after each tap must outlast the ringing, but end before the next tap."
    )
    return Section(
        "How the panel rings, and why that defeats a plain threshold", [opening, *texts], pictures, tables, beside=True
    )


def _draw_threshold(ringing: Ringing) -> Line:
    ends = ringing.times_s[[0, -1]]
    return Line(f"threshold {MARGIN_DB:g} dB under the weakest tap", ends, np.full(2, ringing.threshold_db))


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
    known = [summary for summary in summaries if summary.plain is not None]
    if not known:
        return []
    pictures, rows = [], []
    for summary in known:
        found = summary.plain
        assert found is not None
        name = summary.position or summary.name
        title = f"Errors by threshold and dead time{f', {summary.position}' if summary.position else ''}"
        row, column = found.best_cell
        pictures.append(Picture(title, _draw_map(title, found)))
        counts = f"{found.best_threshold_v / summary.count_v:.0f}" if summary.count_v > 0 else "–"
        rows.append(
            [
                name,
                f"{found.best_threshold_v:.3g}",
                counts,
                f"{1e3 * found.best_dead_time_s:.0f}",
                f"{int(found.missed[row, column])}",
                f"{int(found.extra[row, column])}",
                f"{found.operating_area_db_ms:.0f}",
            ]
        )
    header = [
        "position",
        "threshold, V",
        "counts from rest",
        "dead time, ms",
        "missed",
        "false",
        "operating area, dB × ms",
    ]
    texts = [describe_area(known[0])] if len(known) == 1 else []
    texts.append("The larger the operating area, the more tolerance there is for another hand, day or sensor.")
    return [
        Section("Operating area of a plain threshold", texts, pictures, [Table("Best plain setting", header, rows)])
    ]


def _draw_map(title: str, found: DeadTimeMap) -> Markup:
    with mpl.rc_context(STYLE):
        axes = Figure((4.8, 3.6), layout="constrained").subplots()
    errors = int(found.missed[found.best_cell] + found.extra[found.best_cell])
    setting = f"threshold {found.best_threshold_v:.3g} V, dead time {1e3 * found.best_dead_time_s:.0f} ms"
    return embed_figure(plot_dead_time(found, ax=axes), f"{title}. Best setting: {setting}, {errors} errors.")


def describe_entries(summary: RecordingSummary) -> Section:
    """Taps one by one, and the entries that they make."""
    last = summary.last
    table = Table(
        f"Taps found by {last.detector}",
        ["tap", "at", "gap, s", "strength", "label"],
        _tap_rows(last, labelled=summary.labelled),
    )
    entries = Table(
        f"Entries, from the taps that {last.detector} found", ["entry", "from", "digits"], _entry_rows(summary.entries)
    )
    tables = [entries]
    if summary.labelled:
        tables.append(
            Table("Entries, from the labelled taps", ["entry", "from", "digits"], _entry_rows(summary.entries_labelled))
        )
    texts = ["Taps closer than 1 s make one digit; 3 s of silence end an entry (common practice)."]
    if last.found_s.size > MOST_ROWS:
        texts.append(f"The first {MOST_ROWS} of {last.found_s.size} taps are listed; tapsig detect lists all.")
    return Section("Taps and entries", texts, tables=[*tables, table])


def _tap_rows(marks: Marks, *, labelled: bool) -> list[list[str]]:
    false = set(marks.false_s.tolist())
    rows, before = [], math.nan
    for number, (time, strength) in enumerate(zip(marks.found_s.tolist(), marks.strength.tolist(), strict=True), 1):
        if number > MOST_ROWS:
            break
        word = ("false" if time in false else "tap") if labelled else "not labelled"
        gap = "–" if before != before else f"{time - before:.3f}"
        rows.append([str(number), format_time(time, decimals=3), gap, f"{strength:.2f}", word])
        before = time
    return rows


def _entry_rows(entries: Sequence[Entry]) -> list[list[str]]:
    return [
        [str(number), format_time(entry.start_s, decimals=2), str(entry)]
        for number, entry in enumerate(entries[:MOST_ROWS], 1)
    ]


def describe_causes(marks: Sequence[Marks], *, labelled: bool) -> list[Section]:
    """Errors of each detector by cause, with remedies."""
    if not labelled:
        return []
    texts, tables = [], []
    for one in marks:
        if not one.advice:
            errors = one.missed_s.size + one.false_s.size
            texts.append(f"{one.detector} makes no error{' in the part looked at' if errors else ''}.")
            continue
        tables.append(tabulate_causes(one.detector, one.advice))
    return [Section("Errors: causes and remedies", texts, tables=tables)]


def tabulate_causes(detector: str, advice: Sequence[ErrorAdvice], *, times: bool = True) -> Table:
    """Kinds of errors, the most frequent first, each with a remedy, and when they came."""
    rows = [
        [
            f"{one.count} {'false' if one.error == 'false' else 'missed'}: {name_cause(one.cause)}",
            one.words,
            one.remedy,
            *([_list_times(one.times_s)] if times else []),
        ]
        for one in advice
    ]
    header = ["errors", "why", "remedy", *(["when"] if times else [])]
    return Table(f"Errors of {detector}", header, rows, prose=True)


def _list_times(times_s: Sequence[float]) -> str:
    shown = ", ".join(format_time(round(time, 2)) for time in times_s[:MOST_TIMES])
    return shown + (f" and {len(times_s) - MOST_TIMES} more" if len(times_s) > MOST_TIMES else "")
