"""The page of `tapsig score`: which detector, how well, where and in which scenes."""

import math
from collections.abc import Iterable, Mapping, Sequence

from tapsig.comparison.advice import count_recordings
from tapsig.report.charts import Dot, caption_intervals, draw_intervals
from tapsig.report.page import Page, Picture, Section, Table, render_page
from tapsig.results import format_estimate, format_named
from tapsig.scoring.outcomes import ALL, ScoreTable

Row = Mapping[str, object]
RATES = ("precision", "recall", "f1")

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
    totals, best = _find_best(rows)
    places = [row for row in rows if row["detector"] == best and row["scene"] == ALL and row["position"] != ALL]
    scenes = [row for row in rows if row["detector"] == best and row["position"] == ALL and row["scene"] != ALL]
    return render_page(
        Page(
            title=f"Detectors of taps on {corpus}",
            summary=[*warnings, *summarise_scores(table)],
            sections=[
                Section(
                    "Detectors",
                    pictures=[draw_scores("F1, all positions and scenes", "detector", totals.values())],
                    tables=[tabulate_scores("All positions and scenes", "detector", list(totals.values()))],
                ),
                Section(
                    f"{best}, by position and by scene",
                    pictures=[
                        draw_scores("F1 by position", "position", places),
                        draw_scores("F1 by scene", "scene", scenes),
                    ],
                    tables=[
                        tabulate_scores("By position", "position", places),
                        tabulate_scores("By scene", "scene", scenes),
                    ],
                ),
                Section(
                    "Every detector at every position", tables=[_grid(table, rows, "f1"), tabulate_codes(table, rows)]
                ),
            ],
            method=[f"Matching window ±{table.window_s * 1e3:g} ms.", *METHOD],
            limits=LIMITS,
            command=command,
        )
    )


def _find_best(rows: Sequence[Row]) -> tuple[dict[str, Row], str]:
    """The rows over everything, by detector, and the detector with the highest F1."""
    totals = {str(row["detector"]): row for row in rows if row["position"] == ALL and row["scene"] == ALL}
    return totals, max(totals, key=lambda name: _number(totals[name]["f1"], -1.0))


def summarise_scores(table: ScoreTable) -> list[str]:
    """Which detector is best, and where it does best and worst."""
    rows = table.rows()
    totals, best = _find_best(rows)
    places = [row for row in rows if row["detector"] == best and row["scene"] == ALL and row["position"] != ALL]
    return _summarise(best, totals, places, _count_recordings(table, best))


def _number(value: object, otherwise: float) -> float:
    return value if isinstance(value, (int, float)) and not math.isnan(value) else otherwise


def _count_recordings(table: ScoreTable, detector: str) -> str:
    outcomes = table.select(detector)
    return count_recordings(len({outcome.source for outcome in outcomes}), len(outcomes))


def _summarise(best: str, totals: Mapping[str, Row], places: Sequence[Row], recordings: str) -> list[str]:
    row = totals[best]
    texts = [
        f"Best by F1 is {best}: {format_named(row, 'f1')} on {row['taps']} taps in"
        f" {recordings}, with precision {format_estimate(row['precision'])}, recall"
        f" {format_estimate(row['recall'])} and {format_estimate(row['false_alarms_per_hour'], digits=0)} false alarms"
        f" per hour. {row['entries_opened']} of {row['entries']} code entries were decoded digit for digit."
    ]
    known = [place for place in places if _number(place["f1"], -1.0) >= 0]
    ordered = sorted(known, key=lambda place: -_number(place["f1"], 0.0))
    values = [format_estimate(place["f1"]) for place in ordered]
    if len(set(values)) > 1:
        texts.append(
            f"It does best on the {ordered[0]['position']} (F1 {values[0]}) and worst on the"
            f" {ordered[-1]['position']} ({values[-1]}). 'tapsig positions' tests whether they differ."
        )
    return texts


def draw_scores(title: str, key: str, rows: Iterable[Row]) -> Picture:
    """F1 of each row with its interval."""
    dots = [
        Dot(
            str(row[key]),
            _number(row["f1"], math.nan),
            _number(row["f1_low"], math.nan),
            _number(row["f1_high"], math.nan),
        )
        for row in rows
    ]
    return Picture(caption_intervals(title, dots), draw_intervals(title, dots, axis="F1"))


def tabulate_scores(caption: str, first: str, rows: Sequence[Row]) -> Table:
    """Scores, one line a row."""
    header = [first, "taps", "precision", "recall", "F1", "false alarms per hour", "codes decoded", "error ms"]
    lines = [
        [
            str(row[first]),
            str(row["taps"]),
            *(format_named(row, key) for key in RATES),
            format_named(row, "false_alarms_per_hour", digits=0),
            f"{row['entries_opened']} of {row['entries']}",
            format_estimate(row["median_error_ms"], digits=1),
        ]
        for row in rows
    ]
    return Table(caption, header, lines)


def _grid(table: ScoreTable, rows: list[dict[str, object]], name: str) -> Table:
    positions, cells = _by_position(rows)
    lines = [
        [
            detector,
            *(
                format_named(row, name) if row else "–"
                for row in (cells.get((detector, position)) for position in positions)
            ),
        ]
        for detector in table.detectors
    ]
    return Table("F1, all scenes", ["detector", *positions], lines)


def tabulate_codes(table: ScoreTable, rows: list[dict[str, object]]) -> Table:
    """Code entries that open, by position."""
    positions, cells = _by_position(rows)
    lines = [
        [
            detector,
            decoder,
            *(
                f"{row[key]} of {row['entries']}" if row else "–"
                for row in (cells.get((detector, position)) for position in positions)
            ),
        ]
        for detector in table.detectors
        for decoder, key in (("rule", "entries_opened"), ("evidence", "entries_opened_evidence"))
        if all(row[key] is not None for (name, _), row in cells.items() if name == detector)
    ]
    return Table("Code entries that open (rule: decoded digit for digit)", ["detector", "decoder", *positions], lines)


def _by_position(rows: list[dict[str, object]]) -> tuple[list[str], dict[tuple[str, str], dict[str, object]]]:
    cells = {(str(row["detector"]), str(row["position"])): row for row in rows if row["scene"] == ALL}
    return list(dict.fromkeys(position for _, position in cells)), cells
