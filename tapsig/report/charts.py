"""Charts as inline SVG: intervals as dots with whiskers, curves as lines. Colours and fonts are the page's."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup, escape

from tapsig.units import FloatArray

WIDTH, RIGHT = 460.0, 22.0
ROW, TOP, BOTTOM = 24.0, 8.0, 42.0
MOST_POINTS = 400
LETTER = 7.0
"""Width of a letter at the charts' 13 px, roughly; only for the room left to names."""


@dataclass(frozen=True, slots=True)
class Dot:
    """One row of an interval chart."""

    name: str
    value: float
    low: float = math.nan
    high: float = math.nan


@dataclass(frozen=True, slots=True)
class Line:
    """One curve; shape (n,) each."""

    name: str
    x: FloatArray
    y: FloatArray


def draw_intervals(title: str, dots: Sequence[Dot], *, axis: str, least: float = 0.0, most: float = 1.0) -> Markup:
    """A row for each dot, with a whisker over its interval; rows that are undefined say so."""
    left = 16.0 + LETTER * max((len(dot.name) for dot in dots), default=0)
    height = TOP + ROW * len(dots) + BOTTOM
    scale = (WIDTH - left - RIGHT) / (most - least)
    floor = TOP + ROW * len(dots)

    def place(value: float) -> float:
        return left + (min(max(value, least), most) - least) * scale

    parts = [_grid_x(tick, place(tick), floor) for tick in _ticks(least, most)]
    parts.append(place_text(left + (WIDTH - left - RIGHT) / 2, floor + 36, axis, "axis", "middle"))
    for number, dot in enumerate(dots):
        y = TOP + ROW * (number + 0.5)
        parts.append(place_text(left - 10, y + 4.5, dot.name, "name", "end"))
        if math.isnan(dot.value):
            parts.append(place_text(left + 6, y + 4.5, "undefined", "axis", "start"))
            continue
        if math.isfinite(dot.low) and math.isfinite(dot.high):
            parts.append(_draw_line("whisker", (place(dot.low), y), (place(dot.high), y)))
        parts.append(
            Markup('<circle class="dot" cx="{}" cy="{}" r="4.5"/>').format(
                round_coordinate(place(dot.value)), round_coordinate(y)
            )
        )
    words = "; ".join(f"{dot.name} {dot.value:.2f}" for dot in dots if not math.isnan(dot.value))
    return wrap_chart(title, words, height, parts)


def caption_intervals(title: str, dots: Sequence[Dot]) -> str:
    """The caption of `draw_intervals`: intervals are named only where one is drawn."""
    drawn = any(math.isfinite(dot.low) and math.isfinite(dot.high) for dot in dots)
    return f"{title}, with 95 % interval" if drawn else title


def draw_lines(
    title: str,
    lines: Sequence[Line],
    *,
    x_axis: str,
    y_axis: str,
    x_range: tuple[float, float] = (0.0, 1.0),
    y_range: tuple[float, float] = (0.0, 1.0),
    log_x: bool = False,
    edge: str = "",
) -> Markup:
    """Curves in steps, told apart by colour, dashes and the legend under them; `edge` names what lies below x_range."""
    left, plot = 52.0, 240.0
    floor = TOP + plot
    low, high = (math.log10(edge) for edge in x_range) if log_x else x_range

    def place_x(value: float) -> float:
        value = math.log10(max(value, x_range[0])) if log_x else value
        return left + (min(max(value, low), high) - low) / (high - low) * (WIDTH - left - RIGHT)

    def place_y(value: float) -> float:
        return floor - (min(max(value, y_range[0]), y_range[1]) - y_range[0]) / (y_range[1] - y_range[0]) * plot

    ticks = [10.0**power for power in range(math.ceil(low), math.floor(high) + 1)] if log_x else _ticks(*x_range)
    ticks = [tick for tick in ticks if not edge or place_x(tick) > left + 75.0]  # room for the words at the edge
    parts = [_grid_x(tick, place_x(tick), floor) for tick in ticks]
    if edge:
        parts.append(place_text(2.0, floor + 17, edge, "axis", "start"))
    for tick in _ticks(*y_range):
        parts.append(_draw_line("grid", (left, place_y(tick)), (WIDTH - RIGHT, place_y(tick))))
        parts.append(place_text(left - 6, place_y(tick) + 4.5, f"{tick:g}", "axis", "end"))
    parts.append(place_text(left + (WIDTH - left - RIGHT) / 2, floor + 36, x_axis, "axis", "middle"))
    turned = Markup('<text class="axis" text-anchor="middle" transform="translate(14 {}) rotate(-90)">{}</text>')
    parts.append(turned.format(round_coordinate(TOP + plot / 2), y_axis))
    legend = floor + 44
    for number, line in enumerate(lines):
        points = " ".join(f"{round_coordinate(place_x(x))},{round_coordinate(place_y(y))}" for x, y in _thin(line))
        parts.append(Markup('<polyline class="curve c{}" points="{}"/>').format(number % 6, points))
        y = legend + ROW * (number + 0.5)
        parts.append(_draw_line(f"curve c{number % 6}", (left, y), (left + 40, y)))
        parts.append(place_text(left + 50, y + 4.5, line.name, "name", "start"))
    words = f"{y_axis} over {x_axis} for {', '.join(line.name for line in lines)}"
    return wrap_chart(title, words, legend + ROW * len(lines) + 6, parts)


def _thin(line: Line) -> list[tuple[float, float]]:
    """A limited number of the points, the first and the last among them."""
    index = np.unique(np.linspace(0, line.x.size - 1, min(MOST_POINTS, line.x.size)).round().astype(int))
    points = [(float(line.x[i]), float(line.y[i])) for i in index]
    return [point for point in points if all(map(math.isfinite, point))]


def _ticks(least: float, most: float) -> list[float]:
    """Four to eight round values."""
    step = 10.0 ** math.floor(math.log10((most - least) / 4))
    step = next(step * factor for factor in (1, 2, 5, 10) if (most - least) / (step * factor) <= 8)
    return [round(step * k, 10) for k in range(math.ceil(least / step - 1e-9), math.floor(most / step + 1e-9) + 1)]


def round_coordinate(value: float) -> str:
    return f"{value:.1f}"


def place_text(x: float, y: float, words: str, kind: str, anchor: str) -> Markup:
    return Markup('<text class="{}" text-anchor="{}" x="{}" y="{}">{}</text>').format(
        kind, anchor, round_coordinate(x), round_coordinate(y), words
    )


def _draw_line(kind: str, start: tuple[float, float], end: tuple[float, float]) -> Markup:
    places = map(round_coordinate, (start[0], end[0], start[1], end[1]))
    return Markup('<line class="{}" x1="{}" x2="{}" y1="{}" y2="{}"/>').format(kind, *places)


def _grid_x(tick: float, x: float, floor: float) -> Markup:
    return _draw_line("grid", (x, TOP), (x, floor)) + place_text(x, floor + 17, f"{tick:g}", "axis", "middle")


def wrap_chart(title: str, words: str, height: float, parts: Sequence[Markup]) -> Markup:
    label = escape(f"{title}. {words}")
    head = Markup('<svg viewBox="0 0 {} {}" role="img" aria-label="{}">').format(
        round_coordinate(WIDTH), round_coordinate(height), label
    )
    return head + Markup("").join(parts) + Markup("</svg>")
