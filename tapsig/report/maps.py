"""The operating area of a plain threshold as inline SVG: errors over threshold × dead time, best setting marked."""

import math
from collections.abc import Callable

import numpy as np
from markupsafe import Markup

from tapsig.analysis.dead_time import DeadTimeMap
from tapsig.report.charts import RIGHT, ROW, TOP, WIDTH, place_text, round_coordinate, wrap_chart
from tapsig.report.timeline import encode_picture
from tapsig.units import BoolArray

LEFT, PLOT = 58.0, 250.0
MOST_ERRORS = 100
STEPS = (0, 1, 3, 10, 30, 100)


def draw_dead_time(title: str, found: DeadTimeMap) -> Markup:
    """Errors: bright for none, dark for a hundred or more; the exact region outlined, a cross in it."""
    errors = found.missed + found.extra
    shades = 1.0 - np.log1p(np.minimum(errors, MOST_ERRORS)) / math.log1p(MOST_ERRORS)
    uri = encode_picture(np.rint(254.0 * shades[::-1]), "cividis")
    dead_ms = 1e3 * found.dead_times_s
    step_ms, step_db = float(dead_ms[1] - dead_ms[0]), float(found.thresholds_db[1] - found.thresholds_db[0])
    low_ms, high_ms = float(dead_ms[0]) - step_ms / 2, float(dead_ms[-1]) + step_ms / 2
    low_db, high_db = float(found.thresholds_db[0]) - step_db / 2, float(found.thresholds_db[-1]) + step_db / 2
    floor, wide = TOP + PLOT, WIDTH - LEFT - RIGHT

    def place_x(ms: float) -> float:
        return LEFT + (ms - low_ms) / (high_ms - low_ms) * wide

    def place_y(db: float) -> float:
        return floor - (db - low_db) / (high_db - low_db) * PLOT

    parts = [
        Markup(
            '<image href="{}" x="{}" y="{}" width="{}" height="{}" preserveAspectRatio="none"'
            ' style="image-rendering:pixelated"/>'
        ).format(uri, LEFT, TOP, wide, PLOT)
    ]
    too_high = np.cumprod(found.missed[::-1] > 0, axis=0)[::-1] > 0  # at low thresholds taps drown in dead times
    for mask, look in ((too_high, "edge-missed"), (found.exact, "edge-exact")):
        path = _outline(mask, low_ms, step_ms, low_db, step_db, place_x, place_y)
        parts += (
            [Markup('<path class="{0}-back" d="{1}"/><path class="{0}" d="{1}"/>').format(look, path)] if path else []
        )
    row, _ = found.best_cell
    x, y = place_x(1e3 * found.best_dead_time_s), place_y(float(found.thresholds_db[row]))
    cross = f"M{x - 7:.1f} {y - 7:.1f}L{x + 7:.1f} {y + 7:.1f}M{x - 7:.1f} {y + 7:.1f}L{x + 7:.1f} {y - 7:.1f}"
    parts.append(Markup('<path class="cross-back" d="{0}"/><path class="cross" d="{0}"/>').format(cross))
    for ms in range(50 * math.ceil(low_ms / 50), math.floor(high_ms) + 1, 50):
        at = round_coordinate(place_x(ms))
        parts.append(Markup('<line class="tick" x1="{0}" x2="{0}" y1="{1}" y2="{2}"/>').format(at, floor, floor + 4))
        parts.append(place_text(place_x(ms), floor + 18, f"{ms}", "axis", "middle"))
    for volts in _list_volts(low_db, high_db):
        y = place_y(20.0 * math.log10(volts))
        parts.append(place_text(LEFT - 6, y + 4.5, f"{volts:g}", "axis", "end"))
    parts.append(place_text(LEFT + wide / 2, floor + 36, "dead time, ms", "axis", "middle"))
    turned = Markup('<text class="axis" text-anchor="middle" transform="translate(14 {}) rotate(-90)">{}</text>')
    parts.append(turned.format(round_coordinate(TOP + PLOT / 2), "threshold, V"))
    parts += _draw_key(floor + 52)
    words = (
        f"Best setting: threshold {found.best_threshold_v:.3g} V, dead time {1e3 * found.best_dead_time_s:.0f} ms;"
        f" {errors[found.best_cell]} errors. Area where each tap counts once: {found.operating_area_db_ms:.0f} dB times"
        " ms"
    )
    return wrap_chart(title, words, floor + 52 + 2 * ROW + 6, parts)


def _list_volts(low_db: float, high_db: float) -> list[float]:
    powers = range(math.floor(low_db / 20), math.ceil(high_db / 20) + 1)
    volts = [round(digit * 10.0**power, 9) for power in powers for digit in (1, 3)]
    return [value for value in volts if low_db <= 20 * math.log10(value) <= high_db]


def _outline(
    mask: BoolArray,
    low_ms: float,
    step_ms: float,
    low_db: float,
    step_db: float,
    place_x: Callable[[float], float],
    place_y: Callable[[float], float],
) -> str:
    """Edges between cells that are in and out, along the cells' borders."""
    padded = np.pad(mask, 1)
    parts = []
    rows, columns = np.nonzero(padded[1:, :] != padded[:-1, :])
    for row, column in zip(rows.tolist(), columns.tolist(), strict=True):
        if 1 <= column <= mask.shape[1] and 0 < row < mask.shape[0]:
            y = place_y(low_db + row * step_db)
            left, right = (place_x(low_ms + (column - 1 + side) * step_ms) for side in (0, 1))
            parts.append(f"M{left:.1f} {y:.1f}H{right:.1f}")
    rows, columns = np.nonzero(padded[:, 1:] != padded[:, :-1])
    for row, column in zip(rows.tolist(), columns.tolist(), strict=True):
        if 1 <= row <= mask.shape[0] and 0 < column < mask.shape[1]:
            x = place_x(low_ms + column * step_ms)
            top, bottom = (place_y(low_db + (row - 1 + side) * step_db) for side in (1, 0))
            parts.append(f"M{x:.1f} {top:.1f}V{bottom:.1f}")
    return "".join(parts)


def _draw_key(y: float) -> list[Markup]:
    """Shades with the errors that they stand for, and what the lines and the cross are."""
    uri = encode_picture(
        np.array([[round(254 * (1 - math.log1p(n) / math.log1p(MOST_ERRORS))) for n in STEPS]], dtype=np.float64),
        "cividis",
    )
    wide = 32.0
    parts = [
        place_text(LEFT, y + 14, "errors", "name", "start"),
        Markup(
            '<image href="{}" x="{}" y="{}" width="{}" height="8" preserveAspectRatio="none"'
            ' style="image-rendering:pixelated"/>'
        ).format(uri, LEFT + 52, y + 6, wide * len(STEPS)),
    ]
    parts[1:1] = [
        place_text(LEFT + 52 + wide * (k + 0.5), y + 2, f"{n}" if n < MOST_ERRORS else "100+", "axis", "middle")
        for k, n in enumerate(STEPS)
    ]
    cross = place_text(LEFT + 262, y + 14, "× best setting", "name", "start")
    line = Markup('<path class="edge-{0}-back" d="M{1} {2}h28"/><path class="edge-{0}" d="M{1} {2}h28"/>')
    return [
        *parts,
        cross,
        line.format("exact", LEFT, y + 33),
        place_text(LEFT + 36, y + 37, "each tap once", "name", "start"),
        line.format("missed", LEFT + 150, y + 33),
        place_text(LEFT + 186, y + 37, "beyond it taps are missed", "name", "start"),
    ]
