"""A waveform over time with what was found under it: drawn without a script, zoomed and moved with a small one."""

import base64
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass

import matplotlib as mpl
import numpy as np
from markupsafe import Markup

from tapsig.dsp.decay import NOMINAL_HZ
from tapsig.report.drawing import format_hertz
from tapsig.report.page import render_template
from tapsig.summary.recording import RecordingSummary
from tapsig.summary.spectrogram import Spectrogram
from tapsig.summary.trace import Trace
from tapsig.units import FloatArray

WIDE, TALL = 1000, 200
LANE = 30
RANGE_DB = 70.0
MOST_TICKS = 6
MOST_MODES = 4
SPACING = 0.09
"""Of the spectrogram's height, between two labels of modes."""
ROUND_S = (
    *(digit * 10.0**power for power in (-3, -2, -1, 0) for digit in (1, 2, 5)),
    *(10.0, 20.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1200.0, 1800.0, 3600.0, 7200.0, 14400.0, 28800.0, 86400.0),
)


@dataclass(frozen=True, slots=True)
class Tick:
    """A label at `place`: per cent of the axis, from the left or the top; `at` is where a line leads from it."""

    place: str
    words: str
    at: str = ""


@dataclass(frozen=True, slots=True)
class Stroke:
    """Times of one kind under the waveform; `height` is (top, bottom) in the lane, `look` a class of the style."""

    words: str
    look: str
    times_s: Sequence[float]
    path: str
    height: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Lane:
    """One row of marks under the waveform."""

    name: str
    strokes: Sequence[Stroke]


def draw_timeline(summary: RecordingSummary) -> Markup:
    """The timeline of a recording: waveform, lanes of marks, spectrogram; and what the script needs to draw a part."""
    trace = summary.trace
    peak = trace.peak_v or 1.0
    lanes = _list_lanes(summary)
    words = "; ".join(
        f"{lane.name}: " + ", ".join(f"{len(stroke.times_s)} {stroke.words}" for stroke in lane.strokes)
        for lane in lanes
    )
    return render_template(
        "timeline.html",
        caption=f"{summary.name}: volts from the bias over time",
        label=f"Waveform of {summary.name} from {format_time(trace.begin_s)} to {format_time(trace.end_s)}, highest"
        f" departure {peak:.3g} V. {words}",
        path=_draw_path(trace, peak),
        volts=_volt_ticks(peak),
        ticks=list_time_ticks(trace.begin_s, trace.end_s),
        lanes=lanes,
        tones=_draw_tones(summary),
        data={
            "begin": trace.begin_s,
            "end": trace.end_s,
            "step": trace.step_s,
            **_encode(trace, peak),
            "lanes": [[_round_times(stroke.times_s) for stroke in lane.strokes] for lane in lanes],
            "heights": [[stroke.height for stroke in lane.strokes] for lane in lanes],
            "errors": sorted(_round_times([*summary.last.missed_s, *summary.last.false_s])),
        },
    )


def _round_times(times_s: Sequence[float]) -> list[float]:
    return [round(float(time), 4) for time in times_s]


def _volt_ticks(peak: float) -> list[Tick]:
    """Zero, and the highest of 1, 2, 5, 10, … that is not above the peak, on both sides."""
    power = 10.0 ** math.floor(math.log10(peak))
    top = max(digit * power for digit in (1, 2, 5) if digit * power <= peak * (1 + 1e-9))
    return [
        Tick(_percent(0.5 - 0.46 * side * top / peak), f"{side * top:+.3g}" if side else "0 V") for side in (1, 0, -1)
    ]


def format_time(seconds: float, *, decimals: int | None = None) -> str:
    """Seconds in words, to the millisecond, as the axis has them; with `decimals`, for a column, all are as long.

    >>> [format_time(value) for value in (0.25, 12.34567, 75.0, 3725.5)]
    ['0.25 s', '12.346 s', '1:15', '1:02:05.5']
    >>> [format_time(value, decimals=2) for value in (0.25, 75.0)]
    ['0.25 s', '1:15.00']
    """
    seconds = round(seconds, 3 if decimals is None else decimals)
    if seconds < 60:
        return f"{seconds:g} s" if decimals is None else f"{seconds:.{decimals}f} s"
    minutes, rest = divmod(seconds, 60)
    hours, minutes = divmod(int(minutes), 60)
    if decimals is not None:
        tail = f"{rest:0{decimals + 3}.{decimals}f}"
    else:
        tail = f"{rest:06.3f}".rstrip("0").rstrip(".") if rest % 1 else f"{rest:02.0f}"
    return f"{hours}:{minutes:02d}:{tail}" if hours else f"{minutes}:{tail}"


def list_time_ticks(begin_s: float, end_s: float) -> list[Tick]:
    """At most seven round times."""
    span = max(end_s - begin_s, 1e-9)
    step = next((step for step in ROUND_S if span / step <= MOST_TICKS), ROUND_S[-1])
    first = math.ceil(begin_s / step - 1e-9)
    count = math.floor(end_s / step + 1e-9) - first + 1
    times = [(first + k) * step for k in range(min(count, 12))]
    return [Tick(_percent((time - begin_s) / span), format_time(round(time, 6))) for time in times]


def _percent(share: float) -> str:
    return f"{100.0 * share:.2f}%"


def _draw_path(trace: Trace, peak: float) -> str:
    """Outline of the waveform: along the highest values, and back along the lowest; one for each stretch."""
    edges = np.unique(np.linspace(0, trace.low_v.size, WIDE + 1).astype(int))
    with np.errstate(invalid="ignore"):
        low = np.fmin.reduceat(trace.low_v, edges[:-1])
        high = np.fmax.reduceat(trace.high_v, edges[:-1])
    x = (edges[:-1] + edges[1:]) / 2 * WIDE / trace.low_v.size
    parts = []
    for stretch in np.ma.clump_unmasked(np.ma.masked_invalid(low)):  # type: ignore[no-untyped-call]
        at = np.concatenate([x[stretch], x[stretch][::-1]])
        volts = np.concatenate([high[stretch], low[stretch][::-1]])
        y = TALL / 2 - 0.46 * TALL * volts / peak
        parts.append("M" + "L".join(f"{one:.1f} {two:.1f}" for one, two in zip(at, y, strict=True)) + "Z")
    return "".join(parts)


def _encode(trace: Trace, peak: float) -> dict[str, object]:
    """Little-endian 16-bit steps in base64; -32768 where nothing was recorded. `high` is left out if it equals low."""

    def pack(values: FloatArray) -> str:
        steps = np.where(np.isfinite(values), np.rint(np.nan_to_num(values) / peak * 32767.0), -32768.0)
        return base64.b64encode(steps.astype("<i2").tobytes()).decode("ascii")

    same = bool(np.array_equal(trace.low_v, trace.high_v, equal_nan=True))
    return {"peak": peak, "low": pack(trace.low_v), "high": None if same else pack(trace.high_v)}


def _list_lanes(summary: RecordingSummary) -> list[Lane]:
    begin_s = summary.trace.begin_s
    span_s = max(summary.trace.end_s - begin_s, 1e-9)

    def draw(words: str, look: str, times_s: FloatArray | Sequence[float], height: tuple[float, float]) -> Stroke:
        top, bottom = (round(LANE * share, 1) for share in height)
        times = np.asarray(times_s, dtype=np.float64)
        places = np.unique(np.round((times - begin_s) / span_s * WIDE, 1))
        path = "".join(f"M{place:g} {top:g}V{bottom:g}" for place in places)
        return Stroke(words, look, times.tolist(), path, (top, bottom))

    rows = [(f"{one.detector} ({one.setting})" if one.setting else one.detector, one) for one in summary.marks]
    if not summary.labelled:
        return [Lane(name, [draw("detected", "hit", marks.found_s, (0, 1))]) for name, marks in rows]
    if summary.plain_marks is not None:
        rows.insert(0, (f"plain threshold at its best setting ({summary.plain_marks.setting})", summary.plain_marks))
    kinds = ", ".join(sorted({label.kind for label in summary.others})) or "none"
    labels = [
        draw("taps", "label", summary.taps_s, (0, 0.55)),
        draw(f"others ({kinds})", "other", [label.onset_s for label in summary.others], (0.6, 1)),
    ]
    found = [
        Lane(
            name,
            [
                draw("found", "hit", marks.hit_s, (0, 0.3)),
                draw("missed", "missed", marks.missed_s, (0.35, 0.65)),
                draw("false", "false", marks.false_s, (0.7, 1)),
            ],
        )
        for name, marks in rows
    ]
    return [Lane("labels", labels), *found]


def _draw_tones(summary: RecordingSummary) -> dict[str, object] | None:
    """The spectrogram as a picture, in per cent of the time axis, with its ticks and marked modes."""
    spectrum = summary.spectrogram
    if spectrum is None:
        return None
    span = summary.trace.end_s - summary.trace.begin_s
    octaves = [hertz for hertz in NOMINAL_HZ if spectrum.low_hz * 1.1 < hertz < spectrum.high_hz * 0.95]
    dominant = () if summary.ringdown is None else summary.ringdown.dominant[:MOST_MODES]
    modes = sorted(mode.frequency_hz for mode in dominant if spectrum.low_hz < mode.frequency_hz < spectrum.high_hz)
    return {
        "uri": encode_spectrogram(spectrum),
        "left": _percent((spectrum.begin_s - summary.trace.begin_s) / span),
        "width": _percent((spectrum.end_s - spectrum.begin_s) / span),
        "ticks": [Tick(_percent(_place(hertz, spectrum)), format_hertz(hertz)) for hertz in octaves],
        "modes": _mark_modes(
            [hertz for hertz in sorted(modes) if spectrum.low_hz < hertz < spectrum.high_hz], spectrum
        ),
    }


def _mark_modes(modes: Sequence[float], spectrum: Spectrogram) -> list[Tick]:
    """Labels of ascending frequencies, from the highest; one under the other where the modes are close."""
    heights = [_place(hertz, spectrum) for hertz in modes[::-1]]
    return [
        Tick(_percent(place), f"{hertz:.0f} Hz", _percent(at))
        for hertz, at, place in zip(modes[::-1], heights, spread(heights, SPACING), strict=True)
    ]


def spread(places: Sequence[float], spacing: float) -> FloatArray:
    """Ascending places between 0 and 1, moved as little as possible until neighbours are `spacing` apart.

    >>> spread([0.3, 0.5, 0.5], 0.1).round(2).tolist()
    [0.3, 0.45, 0.55]
    """
    from scipy.optimize import isotonic_regression  # heavy; only a spectrogram with modes needs it

    offsets = spacing * np.arange(len(places))
    moved = isotonic_regression(np.asarray(places) - offsets).x
    return np.asarray(np.clip(moved, spacing / 2, 1.0 - spacing * (len(places) - 0.5)) + offsets)


def _place(hertz: float, spectrum: Spectrogram) -> float:
    return 1.0 - math.log(hertz / spectrum.low_hz) / math.log(spectrum.high_hz / spectrum.low_hz)


def encode_spectrogram(spectrum: Spectrogram) -> str:
    """The levels as a PNG in a data address, by the colour map cividis (made for colour-blind readers).

    255, where nothing was recorded, is transparent.
    """
    from PIL import Image  # comes with matplotlib; only pages need it

    shares = np.clip(1.0 + spectrum.level_db[::-1] / RANGE_DB, 0.0, 1.0)
    values = np.where(np.isfinite(shares), np.rint(np.nan_to_num(shares) * 254.0), 255.0)
    table = np.rint(255.0 * mpl.colormaps["cividis"](np.linspace(0.0, 1.0, 255))[:, :3]).astype(np.uint8)
    image = Image.fromarray(values.astype(np.uint8), mode="P")
    image.putpalette([*table.ravel().tolist(), 255, 255, 255])
    buffer = io.BytesIO()
    image.save(buffer, "PNG", optimize=True, transparency=255)
    return "data:image/png;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")
