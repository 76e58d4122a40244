"""Charts as inline SVG: intervals as dots with whiskers, curves as lines. Colours and fonts are the page's."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from tapsig.report.page import Picture
from tapsig.scoring.criteria import Estimate
from tapsig.units import FloatArray

WIDTH, RIGHT = 460.0, 22.0
ROW, TOP, BOTTOM = 24.0, 8.0, 42.0
MOST_POINTS = 400
LETTER = 7.0
"""Width of a letter at the charts' 13 px, roughly; only for the room left to names."""


@dataclass(frozen=True, slots=True)
class Line:
    """One curve; shape (n,) each."""

    name: str
    x: FloatArray
    y: FloatArray


def draw_intervals(
    title: str, estimates: Mapping[str, Estimate], *, axis: str, least: float = 0.0, most: float = 1.0
) -> Picture:
    """A dot for each estimate, by name, with a whisker over its interval; what is undefined says so.

    The caption names intervals only where one is drawn.
    """
    left = 16.0 + LETTER * max(map(len, estimates), default=0)
    floor = TOP + ROW * len(estimates)

    def place(value: float) -> float:
        return float(np.interp(value, (least, most), (left, WIDTH - RIGHT)))

    parts = [_grid_x(tick, place(tick), floor) for tick in _ticks(least, most)]
    parts.append(_draw_text(left + (WIDTH - left - RIGHT) / 2, floor + 36, axis, "axis", "middle"))
    intervals, words = False, []
    for number, (name, one) in enumerate(estimates.items()):
        y = TOP + ROW * (number + 0.5)
        parts.append(_draw_text(left - 10, y + 4.5, name, "name", "end"))
        if math.isnan(one.value):
            parts.append(_draw_text(left + 6, y + 4.5, "undefined", "axis", "start"))
            continue
        if math.isfinite(one.low) and math.isfinite(one.high):
            intervals = True
            parts.append(_draw_line("whisker", (place(one.low), y), (place(one.high), y)))
        parts.append(Markup('<circle class="dot" cx="{:.1f}" cy="{:.1f}" r="4.5"/>').format(place(one.value), y))
        words.append(f"{name} {one.value:.2f}")
    caption = f"{title}, with 95 % interval" if intervals else title
    return Picture(caption, _wrap_chart(title, "; ".join(words), floor + BOTTOM, parts))


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
    low, high = (math.log10(end) for end in x_range) if log_x else x_range

    def place_x(value: float) -> float:
        value = math.log10(max(value, x_range[0])) if log_x else value
        return float(np.interp(value, (low, high), (left, WIDTH - RIGHT)))

    def place_y(value: float) -> float:
        return float(np.interp(value, y_range, (floor, floor - plot)))

    ticks = [10.0**power for power in range(math.ceil(low), math.floor(high) + 1)] if log_x else _ticks(*x_range)
    ticks = [tick for tick in ticks if not edge or place_x(tick) > left + 75.0]  # room for the words at the edge
    parts = [_grid_x(tick, place_x(tick), floor) for tick in ticks]
    if edge:
        parts.append(_draw_text(2.0, floor + 17, edge, "axis", "start"))
    for tick in _ticks(*y_range):
        parts.append(_draw_line("grid", (left, place_y(tick)), (WIDTH - RIGHT, place_y(tick))))
        parts.append(_draw_text(left - 6, place_y(tick) + 4.5, f"{tick:g}", "axis", "end"))
    parts.append(_draw_text(left + (WIDTH - left - RIGHT) / 2, floor + 36, x_axis, "axis", "middle"))
    turned = Markup('<text class="axis" text-anchor="middle" transform="translate(14 {:.1f}) rotate(-90)">{}</text>')
    parts.append(turned.format(TOP + plot / 2, y_axis))
    legend = floor + 44
    for number, line in enumerate(lines):
        points = " ".join(f"{place_x(x):.1f},{place_y(y):.1f}" for x, y in _thin(line))
        parts.append(Markup('<polyline class="curve c{}" points="{}"/>').format(number % 6, points))
        y = legend + ROW * (number + 0.5)
        parts.append(_draw_line(f"curve c{number % 6}", (left, y), (left + 40, y)))
        parts.append(_draw_text(left + 50, y + 4.5, line.name, "name", "start"))
    words = f"{y_axis} over {x_axis} for {', '.join(line.name for line in lines)}"
    return _wrap_chart(title, words, legend + ROW * len(lines) + 6, parts)


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


def _draw_text(x: float, y: float, words: str, kind: str, anchor: str) -> Markup:
    pattern = Markup('<text class="{}" text-anchor="{}" x="{:.1f}" y="{:.1f}">{}</text>')
    return pattern.format(kind, anchor, x, y, words)


def _draw_line(kind: str, start: tuple[float, float], end: tuple[float, float]) -> Markup:
    pattern = Markup('<line class="{}" x1="{:.1f}" x2="{:.1f}" y1="{:.1f}" y2="{:.1f}"/>')
    return pattern.format(kind, start[0], end[0], start[1], end[1])


def _grid_x(tick: float, x: float, floor: float) -> Markup:
    return _draw_line("grid", (x, TOP), (x, floor)) + _draw_text(x, floor + 17, f"{tick:g}", "axis", "middle")


def _wrap_chart(title: str, words: str, height: float, parts: Sequence[Markup]) -> Markup:
    head = Markup('<svg viewBox="0 0 {:.1f} {:.1f}" role="img" aria-label="{}">')
    return head.format(WIDTH, height, f"{title}. {words}") + Markup("").join(parts) + Markup("</svg>")
