"""The page of `tapsig score`: which detector, how well, where and in which scenes."""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import cast

from tapsig.comparison.advice import count_recordings
from tapsig.report.charts import draw_intervals
from tapsig.report.page import Picture, Section, Table, render_page, tabulate
from tapsig.results import format_estimate, format_named
from tapsig.scoring.criteria import Estimate
from tapsig.scoring.outcomes import ALL, ScoreTable

Row = Mapping[str, object]
INTERVALS = (
    "95 % intervals: Wilson's for precision, recall and F1 (by the share J of hits among hits, false alarms and misses:"
    " F1 = 2·J/(1 + J)), the exact Poisson interval for false alarms per hour. Taps of one file, on all its channels,"
    " resemble each other, so counts are divided by how much more the files differ than independent taps would. Of"
    " one file alone that is unknown, and its taps are taken as independent."
)
METHOD = (
    "A detection counts when it lies within the window of a tap; taps and detections are paired one to one, as many"
    " as possible, and then with the least error in time.",
    INTERVALS,
    "A code entry is a group of taps that make three digits or more; it is decoded when an entry heard at the same"
    " time has the same digits, every one.",
)
LIMITS = (
    "The intervals tell what more recordings like these would give. Another vehicle, panel or hand may differ.",
    "With fewer than ten files, or files that are all perfect, how much they differ is badly known, and the intervals"
    " may be too narrow.",
    "A locked-in person or animal is an emergency: call the emergency services. No detector of taps may be the only"
    " way in.",
)


def render_score_page(table: ScoreTable, *, command: str, corpus: str, warnings: Sequence[str] = ()) -> str:
    """The page as HTML; it opens with `warnings`."""
    rows = table.rows()
    best = _find_best(rows)
    totals, parts = list_totals(rows), split_rows(rows, best)
    return render_page(
        title=f"Detectors of taps on {corpus}",
        summary=[*warnings, *summarise_scores(table)],
        sections=[
            Section(
                "Detectors",
                pictures=[draw_scores("F1, all positions and scenes", "detector", totals)],
                tables=[tabulate_scores("All positions and scenes", "detector", totals)],
            ),
            Section(
                f"{best}, by position and by scene",
                pictures=[draw_scores(f"F1 by {key}", key, own) for key, own in parts.items()],
                tables=[tabulate_scores(f"By {key}", key, own) for key, own in parts.items()],
            ),
            Section("Every detector at every position", tables=[_tabulate_f1(rows), tabulate_codes(rows)]),
        ],
        method=[f"Matching window ±{table.window_s * 1e3:g} ms.", *METHOD],
        limits=LIMITS,
        command=command,
    )


def list_totals(rows: Iterable[Row]) -> list[Row]:
    """The rows over everything, one a detector."""
    return [row for row in rows if row["position"] == ALL and row["scene"] == ALL]


def split_rows(rows: Iterable[Row], detector: str) -> dict[str, list[Row]]:
    """The rows of a detector by position (over all scenes), and by scene (at all positions)."""
    own = [row for row in rows if row["detector"] == detector]
    return {
        key: [row for row in own if row[key] != ALL and row[other] == ALL]
        for key, other in (("position", "scene"), ("scene", "position"))
    }


def _find_best(rows: Iterable[Row]) -> str:
    return str(max(list_totals(rows), key=_rank)["detector"])


def _rank(row: Row) -> float:
    """F1; undefined is below any."""
    f1 = cast(float, row["f1"])
    return -1.0 if math.isnan(f1) else f1


def summarise_scores(table: ScoreTable) -> list[str]:
    """Which detector is best, and where it does best and worst."""
    rows = table.rows()
    best = _find_best(rows)
    [row] = [total for total in list_totals(rows) if total["detector"] == best]
    outcomes = table.select(best)
    recordings = count_recordings(len({outcome.source for outcome in outcomes}), len(outcomes))
    texts = [
        f"Best by F1 is {best}: {format_named(row, 'f1')} on {row['taps']} taps in"
        f" {recordings}, with precision {format_estimate(row['precision'])}, recall"
        f" {format_estimate(row['recall'])} and {format_estimate(row['false_alarms_per_hour'], digits=0)} false alarms"
        f" per hour. {row['entries_opened']} of {row['entries']} code entries were decoded digit for digit."
    ]
    known = [place for place in split_rows(rows, best)["position"] if _rank(place) >= 0]
    ordered = sorted(known, key=_rank, reverse=True)
    values = [format_estimate(place["f1"]) for place in ordered]
    if len(set(values)) > 1:
        texts.append(
            f"It does best on the {ordered[0]['position']} (F1 {values[0]}) and worst on the"
            f" {ordered[-1]['position']} ({values[-1]}). 'tapsig positions' tests whether they differ."
        )
    return texts


def draw_scores(title: str, key: str, rows: Iterable[Row]) -> Picture:
    """F1 of each row with its interval."""
    values = ("f1", "f1_low", "f1_high")
    estimates = {str(row[key]): Estimate(*(cast(float, row[name]) for name in values)) for row in rows}
    return draw_intervals(title, estimates, axis="F1")


def tabulate_scores(caption: str, first: str, rows: Iterable[Row]) -> Table:
    """Scores, one line a row."""
    columns: dict[str, Callable[[Row], object]] = {
        first: lambda row: row[first],
        "taps": lambda row: row["taps"],
        "precision": lambda row: format_named(row, "precision"),
        "recall": lambda row: format_named(row, "recall"),
        "F1": lambda row: format_named(row, "f1"),
        "false alarms per hour": lambda row: format_named(row, "false_alarms_per_hour", digits=0),
        "codes decoded": lambda row: f"{row['entries_opened']} of {row['entries']}",
        "error ms": lambda row: format_estimate(row["median_error_ms"], digits=1),
    }
    return tabulate(caption, rows, columns)


def _tabulate_f1(rows: Iterable[Row]) -> Table:
    positions, found = _by_position(rows)
    lines = [[name, *(format_named(row, "f1") if row else "–" for row in own)] for name, own in found.items()]
    return Table("F1, all scenes", ["detector", *positions], lines)


def tabulate_codes(rows: Iterable[Row]) -> Table:
    """Code entries that open, by position."""
    positions, found = _by_position(rows)
    lines = [
        [name, decoder, *(f"{row[key]} of {row['entries']}" if row else "–" for row in own)]
        for name, own in found.items()
        for decoder, key in (("rule", "entries_opened"), ("evidence", "entries_opened_evidence"))
        if all(row[key] is not None for row in own if row)
    ]
    return Table("Code entries that open (rule: decoded digit for digit)", ["detector", "decoder", *positions], lines)


def _by_position(rows: Iterable[Row]) -> tuple[list[str], dict[str, list[Row | None]]]:
    """The positions, and each detector's rows over all scenes at them; None where a detector has none."""
    cells = {(str(row["detector"]), str(row["position"])): row for row in rows if row["scene"] == ALL}
    positions = list(dict.fromkeys(position for _, position in cells))
    return positions, {name: [cells.get((name, position)) for position in positions] for name, _ in cells}
