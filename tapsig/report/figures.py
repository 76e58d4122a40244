"""Figures of recordings and results, in a plain style that reads in grey and in print.

Each function takes data and results. Those of one picture draw on `ax=` and return the axes; those of several return
a figure. `write_figure` saves either, `figure_to_svg` gives it as text to stand inside a page.
"""

import io
import math
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, cast

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, NullFormatter

from tapsig.analysis.causes import FALSE, MISS, CauseTable
from tapsig.analysis.dead_time import DeadTimeMap
from tapsig.analysis.health import HealthReport
from tapsig.analysis.ringdown import RingdownResult
from tapsig.dsp.decay import NOMINAL_HZ, compute_decay_curve
from tapsig.dsp.envelope import compute_envelope
from tapsig.errors import ParameterError
from tapsig.loading.files import check_target, replace_file
from tapsig.records import TAP, Detections, Recording
from tapsig.summary.spectrogram import compute_spectrogram
from tapsig.units import FloatArray

INK, MID, PALE, ACCENT = "#1a1a1a", "#6f6f6f", "#cfcfcf", "#0b4f8a"
ORANGE = "#d55e00"
"""Vermilion of Okabe and Ito's palette, which colour-blind readers tell from the others (from memory)."""
STYLE: dict[str, object] = {
    "font.family": "sans-serif",
    "font.size": 9,
    "axes.titlesize": 9,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelsize": 9,
    "axes.edgecolor": MID,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.labelsize": 8,
    "ytick.labelsize": 8,
    "legend.edgecolor": "white",
    "legend.framealpha": 0.9,
    "legend.fancybox": False,
    "legend.fontsize": 8,
    "lines.linewidth": 1.0,
    "grid.color": PALE,
    "grid.linewidth": 0.6,
    "savefig.dpi": 150,
    "figure.facecolor": "white",
    "hatch.linewidth": 0.6,
    "svg.fonttype": "none",
    "svg.hashsalt": "tapsig",
}
FORMATS = (".png", ".svg", ".pdf")
MOST_POINTS = 20_000
ENVELOPE_POINTS = 1200
SPECTRUM_RANGE_DB = 70.0


def _figure(
    rows: int = 1, columns: int = 1, *, width: float = 7.2, height: float = 3.2, **options: Any
) -> tuple[Figure, npt.NDArray[np.object_]]:
    figure = Figure(figsize=(width, height), layout="constrained")
    axes = figure.subplots(rows, columns, squeeze=False, **options)
    return figure, axes


def _title(recording: Recording) -> str:
    words = (recording.vehicle, recording.position, recording.scene)
    name = Path(recording.source).name.encode("utf-8", "backslashreplace").decode()  # no font has half a character
    return ", ".join(word for word in words if word) or name or "recording"


def check_figure_path(path: Path, *, force: bool = False) -> Path:
    """Return `path`; raise ParameterError for an ending, a folder or a file that a figure cannot be written to."""
    if path.suffix.lower() not in FORMATS:
        raise ParameterError(f"--plot: {path.name} must end in {', '.join(FORMATS)}")
    check_target(path, force=force, option="--plot")
    return path


def find_figure(drawn: Figure | Axes) -> Figure:
    """The figure that axes stand in; a figure as it is."""
    figure = drawn if isinstance(drawn, Figure) else drawn.get_figure(root=True)
    assert isinstance(figure, Figure)
    return figure


def _take_axes(ax: Axes | None, **options: Any) -> Axes:
    """The axes given, or those of a new figure."""
    if ax is not None:
        return ax
    _, axes = _figure(**options)
    return cast(Axes, axes[0, 0])


def write_figure(figure: Figure | Axes, path: str | Path, *, force: bool = False) -> None:
    """Save a figure, or the one that axes stand in, as PNG, SVG or PDF by the ending of `path`.

    Raises ParameterError for another ending, a folder that does not exist, or a file that exists when not `force`.
    """
    path = check_figure_path(Path(path), force=force)
    buffer = io.BytesIO()
    with mpl.rc_context(STYLE):
        find_figure(figure).savefig(buffer, format=path.suffix.lower()[1:])
    replace_file(path, buffer.getvalue())


def figure_to_svg(figure: Figure | Axes) -> str:
    """The figure as an <svg> element that can stand inside a page; the same figure gives the same text."""
    buffer = io.StringIO()
    with mpl.rc_context(STYLE):
        find_figure(figure).savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    text = buffer.getvalue()
    return text[text.index("<svg") :]


def _time_limits(recording: Recording) -> tuple[float, float]:
    """From the first sample to the end, in seconds of the file that the recording is a part of."""
    return recording.start_s, recording.start_s + max(recording.span_s, 1.0 / recording.fs)


def _parted(recording: Recording, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Times and values, one a sample; nan between the stretches, so that no line crosses a gap."""
    gaps = [gap.sample for gap in recording.gaps]
    times = recording.start_s + recording.times_s(np.arange(values.size))
    return np.insert(times, gaps, np.nan), np.insert(values, gaps, np.nan)


def _thin(times: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest value of each piece, so that a long line keeps its extremes with few points."""
    if values.size <= MOST_POINTS:
        return times, values
    size = math.ceil(values.size / (MOST_POINTS // 2))
    count = values.size // size
    pieces = values[: count * size].reshape(count, size)
    return np.repeat(times[: count * size : size], 2), np.column_stack([pieces.min(1), pieces.max(1)]).ravel()


def _thin_highest(times: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Highest value of each piece: a line above what it is of, which stays visible under it."""
    size = math.ceil(values.size / ENVELOPE_POINTS)
    count = values.size // size
    pieces = values[: count * size].reshape(count, size)
    return times[: count * size : size], np.asarray(pieces.max(axis=1))


def plot_detections(
    recording: Recording,
    detections: Detections | None = None,
    *,
    ax: Axes | None = None,
    threshold_v: float | None = None,
    name: str = "",
    title: str = "",
) -> Axes:
    """Waveform and envelope, and under them labels and decisions.

    Parameters
    ----------
    recording : Recording
    detections : Detections, optional
        Taps to mark; rejected candidates are drawn hollow.
    ax : matplotlib.axes.Axes, optional
        Where to draw; default: axes of a new figure.
    threshold_v : float, optional
        A departure from the bias in volts, drawn as a line.
    name, title : str, optional
        The detector's name beside its marks, and the title.

    Returns
    -------
    matplotlib.axes.Axes
        The axes of the waveform; the rows of marks are the first of its `child_axes`.
    """
    with mpl.rc_context(STYLE):
        if ax is None:  # the rows of marks hang below the axes, where no layout engine makes room for them
            ax = Figure(figsize=(7.2, 3.8)).add_axes((0.115, 0.37, 0.87, 0.5))
        axes = ax
        samples = recording.samples - (np.median(recording.samples) if recording.samples.size else 0.0)
        axes.plot(*_thin(*_parted(recording, samples)), color=MID, linewidth=0.5, label="waveform")
        if samples.size:
            times, envelope = _parted(recording, compute_envelope(samples, recording.fs))
            times, envelope = _thin_highest(times, envelope)
            axes.plot(times, envelope, color=ORANGE, linewidth=0.8, label="envelope")
        if threshold_v is not None:
            for side in (1, -1):
                axes.axhline(
                    side * threshold_v,
                    color=ACCENT,
                    linestyle="--",
                    label=f"threshold ±{threshold_v:.3g} V" if side > 0 else None,
                )
        axes.set(ylabel="departure from bias, V", xlim=_time_limits(recording))
        axes.set_title(" · ".join(filter(None, [title or _title(recording), name])), pad=20)
        axes.margins(y=0.06)
        axes.legend(loc="lower left", bbox_to_anchor=(-0.01, 0.985), ncols=3, frameon=False, borderpad=0)
        axes.tick_params(axis="x", labelbottom=False)
        _draw_marks(axes.inset_axes((0.0, -0.42, 1.0, 0.38)), recording, detections)
    return axes


def _draw_marks(axes: Axes, recording: Recording, detections: Detections | None) -> None:
    """Lines of marks: labelled taps, other labels, accepted and rejected candidates."""
    start_s = recording.start_s
    others = np.array([label.onset_s for label in recording.labels or () if label.kind != TAP]) + start_s
    axes.eventplot(
        [recording.taps_s + start_s, others],
        lineoffsets=[3, 2],
        linelengths=0.7,
        colors=[INK, MID],
        linewidths=[1.5, 1.0],
    )
    lowest = -0.6
    if detections is not None:
        accepted = np.array([not reason for reason in detections.reason], dtype=bool)
        times = recording.times_s(detections.onset_samples) + start_s
        axes.plot(times[accepted], np.ones(accepted.sum()), "v", color=ACCENT, markersize=6)
        axes.plot(
            times[~accepted],
            np.zeros((~accepted).sum()),
            "v",
            markerfacecolor="white",
            markeredgecolor=MID,
            markersize=4,
        )
        lowest = -0.6 if not accepted.all() else 0.4
    names = ["rejected", "detected", "other labels", "taps"][: 2 if recording.labels is None else 4]
    axes.set(yticks=range(len(names)), yticklabels=names, ylim=(lowest, len(names) - 0.4))
    axes.set(xlabel="time, s", xlim=_time_limits(recording))
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)


def plot_spectrogram(
    recording: Recording,
    *,
    ax: Axes | None = None,
    modes: Sequence[float] = (),
    highest_hz: float = math.inf,
    title: str = "",
) -> Axes:
    """Spectrogram in dB under its highest value over log-frequency; gaps are left blank.

    Parameters
    ----------
    recording : Recording
    ax : matplotlib.axes.Axes, optional
        Where to draw; default: axes of a new figure.
    modes : sequence of float, optional
        Frequencies in Hz to mark at the right edge.
    highest_hz : float, optional
        Upper end of the frequency axis; default: half the sample rate.
    title : str, optional

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    ParameterError
        As `compute_spectrogram` does.
    """
    spectrum = compute_spectrogram(recording)
    octaves = [0.0, math.log2(spectrum.high_hz / spectrum.low_hz)]
    with mpl.rc_context(STYLE):
        axes = _take_axes(ax, height=3.6)
        image = axes.imshow(
            spectrum.level_db,
            origin="lower",
            aspect="auto",
            cmap="Greys",
            vmin=-SPECTRUM_RANGE_DB,
            vmax=0,
            extent=(*_time_limits(recording), octaves[0], octaves[1]),
            rasterized=True,
        )
        top = math.log2(min(highest_hz, spectrum.high_hz) / spectrum.low_hz)
        place = -math.inf
        for frequency in sorted(mode for mode in modes if spectrum.low_hz < mode < min(highest_hz, spectrum.high_hz)):
            height = math.log2(frequency / spectrum.low_hz)
            place = max(height, place + 0.045 * top)  # labels of neighbours side by side, not one over the other
            axes.annotate(
                f"{frequency:.0f} Hz",
                (1.0, height),
                xycoords=("axes fraction", "data"),
                xytext=(1.025, place),
                textcoords=("axes fraction", "data"),
                fontsize=7,
                va="center",
                color=ACCENT,
                arrowprops={"arrowstyle": "-|>", "color": ACCENT, "shrinkA": 0, "shrinkB": 0, "relpos": (0, 0.5)},
            )
        shown = [hertz for hertz in NOMINAL_HZ if spectrum.low_hz <= hertz <= min(highest_hz, spectrum.high_hz)]
        axes.set_yticks([math.log2(hertz / spectrum.low_hz) for hertz in shown], [f"{hertz:g}" for hertz in shown])
        axes.set(
            xlim=_time_limits(recording),
            ylim=(0, top),
            xlabel="time, s",
            ylabel="frequency, Hz (octaves)",
            title=title or _title(recording),
        )
        find_figure(axes).colorbar(image, ax=axes, label="level, dB re maximum", pad=0.09, fraction=0.05)
    return axes


def plot_ringdown(result: RingdownResult, *, title: str = "") -> Figure:
    """Level of each tap's ring-down with its decay by four dominant modes; beside it T60 of the modes with error.

    Parameters
    ----------
    result : RingdownResult
    title : str, optional

    Returns
    -------
    matplotlib.figure.Figure
        Two axes. The longest mode is always among those drawn.
    """
    shown = result.dominant[:4]
    longest_mode = max(result.dominant, key=lambda mode: mode.t60_s, default=None)
    if longest_mode is not None and longest_mode not in shown:
        shown = (*shown[:3], longest_mode)
    with mpl.rc_context(STYLE):
        figure, ((left, right),) = _figure(1, 2, height=3.9, gridspec_kw={"width_ratios": [3, 2]})
        longest = 0.0
        for values in result.ringdowns:
            curve = compute_decay_curve(values, result.fs, noise_power=result.noise_v**2)
            time = np.arange(curve.level_db.size) / result.fs
            left.plot(*_thin(time, curve.level_db), color=PALE, linewidth=0.8)
            longest = max(longest, time[-1] if time.size else 0.0)
        left.plot([], [], color=PALE, label=f"energy left, {result.taps_used} taps")
        for mode, dashes in zip(shown, ("-", "--", "-.", ":"), strict=False):
            end = min(longest, mode.t60_s)
            left.plot(
                [0, end],
                [0, -60.0 * end / mode.t60_s],
                color=INK,
                linestyle=dashes,
                linewidth=1.3,
                label=f"{mode.frequency_hz:.0f} Hz: T60 {mode.t60_s:.2f} s",
            )
        left.set(
            xlabel="time after the tap, s",
            ylabel="energy left, dB re start",
            ylim=(-60, 3),
            xlim=(0, max(longest, 0.05)),
            title=title or ", ".join(filter(None, [result.vehicle, result.position])) or "ring-down",
        )
        left.grid(axis="y")
        left.legend(loc="upper center", bbox_to_anchor=(0.5, -0.15), ncols=2)
        strong = {mode.frequency_hz for mode in result.dominant}
        for mode in result.modes:
            colour, size = (INK, 6) if mode.frequency_hz in strong else (MID, 3)
            error = None if math.isnan(mode.t60_se_s) else 2.0 * mode.t60_se_s
            right.errorbar(
                mode.frequency_hz,
                mode.t60_s,
                yerr=error,
                fmt="o",
                color=colour,
                markersize=size,
                elinewidth=0.8,
                capsize=2,
            )
        right.set(xscale="log", yscale="log", title="modes (large: dominant) ± 2 s.e.")
        right.set(xlabel="frequency, Hz (octaves)", ylabel="T60, s")
        _octave_ticks(right.xaxis)
        _plain_ticks(right.yaxis)
        right.grid(which="major")
    return figure


def _plain_ticks(axis: Axis) -> None:
    """Steps of 1, 2, 5 in plain numbers on a logarithmic axis."""
    axis.set_major_locator(FixedLocator([digit * 10.0**power for power in range(-3, 5) for digit in (1, 2, 5)]))
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axis.set_minor_formatter(NullFormatter())


def _octave_ticks(axis: Axis) -> None:
    """The nominal frequencies of octave bands on a logarithmic axis in hertz."""
    axis.set_major_locator(FixedLocator(list(NOMINAL_HZ)))
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value / 1000:g}k" if value >= 1000 else f"{value:g}"))
    axis.set_minor_formatter(NullFormatter())


def plot_dead_time(result: DeadTimeMap, *, ax: Axes | None = None, title: str = "") -> Axes:
    """Errors over threshold × dead time: the darker the more; hatched where taps are missed, white where none is wrong.

    The region in which every tap is counted exactly once is outlined, with its area; a cross marks its middle. Where
    there is none, a circle marks the setting with the fewest errors.

    Parameters
    ----------
    result : DeadTimeMap
    ax : matplotlib.axes.Axes, optional
        Where to draw; default: axes of a new figure.
    title : str, optional

    Returns
    -------
    matplotlib.axes.Axes
    """
    errors = result.missed + result.extra
    dead_ms = 1e3 * result.dead_times_s
    step_db, step_ms = np.diff(result.thresholds_db)[0], np.diff(dead_ms)[0]
    extent = (
        dead_ms[0] - step_ms / 2,
        dead_ms[-1] + step_ms / 2,
        result.thresholds_db[0] - step_db / 2,
        result.thresholds_db[-1] + step_db / 2,
    )
    with mpl.rc_context(STYLE):
        axes = _take_axes(ax, width=6.2, height=3.9)
        image = axes.imshow(
            np.log10(1.0 + errors),
            origin="lower",
            aspect="auto",
            cmap="Greys",
            extent=extent,
            vmin=0,
            vmax=math.log10(1.0 + max(100, int(errors.max()))),
        )
        if (result.missed > 0).any():
            with mpl.rc_context({"hatch.color": MID}):
                axes.contourf(
                    dead_ms,
                    result.thresholds_db,
                    (result.missed > 0).astype(float),
                    levels=[0.5, 1.5],
                    colors="none",
                    hatches=["////"],
                )
        if result.exact.any():
            fine = np.kron(np.pad(result.exact, 1), np.ones((8, 8)))
            rows = np.linspace(extent[2] - step_db, extent[3] + step_db, fine.shape[0])
            columns = np.linspace(extent[0] - step_ms, extent[1] + step_ms, fine.shape[1])
            axes.contour(columns, rows, fine, levels=[0.5], colors=ACCENT, linewidths=2.0)
            room = f"each of {result.taps} taps once: {result.operating_area_db_ms:.0f} dB × ms"
        else:
            best = f"{result.best_threshold_v:.3g} V and {1e3 * result.best_dead_time_s:.0f} ms"
            room = (
                f"no setting counts all {result.taps} taps exactly once\n"
                f"fewest errors: {errors[result.best_cell]}, at {best}"
            )
        axes.plot(
            1e3 * result.best_dead_time_s,
            result.thresholds_db[result.best_cell[0]],
            "x" if result.exact.any() else "o",
            color=ACCENT,
            fillstyle="none",
            markersize=9,
            markeredgewidth=2,
        )
        ticks = np.log10([1, 2, 4, 11, 31, 101])
        bar = find_figure(axes).colorbar(image, ax=axes, ticks=ticks, label="errors: missed and false")
        bar.ax.set_yticklabels(["0", "1", "3", "10", "30", "100"])
        axes.set(
            xlim=extent[:2],
            ylim=extent[2:],
            xlabel="dead time, ms (hatched: taps are missed; mark: best setting)",
            ylabel="threshold, V",
            title=f"{title}\n{room}" if title else room,
        )
        volts = [digit * 10.0**power for power in range(-6, 4) for digit in (1, 3)]
        shown = [value for value in volts if extent[2] <= 20 * math.log10(value) <= extent[3]]
        axes.set_yticks([20 * math.log10(value) for value in shown], [f"{value:g}" for value in shown])
    return axes


def plot_causes(table: CauseTable, *, ax: Axes | None = None, most: int = 14) -> Axes:
    """Errors by cause, one bar each, split by position; misses under false detections.

    Parameters
    ----------
    table : CauseTable
    ax : matplotlib.axes.Axes, optional
        Where to draw; default: axes of a new figure.
    most : int, optional
        Bars; the causes that are left are summed up in one.

    Returns
    -------
    matplotlib.axes.Axes
    """
    positions = sorted({one.position or "–" for one in table.errors})
    shades = [str(shade) for shade in np.linspace(0.15, 0.85, max(len(positions), 1))]
    counts: dict[tuple[str, str], list[int]] = {}
    for one in table.errors:
        cause = re.sub(r"^(rejected: [^:]*):.*", r"\1", one.cause)  # without the feature's name
        counts.setdefault((one.error, cause), [0] * len(positions))[positions.index(one.position or "–")] += 1
    ordered = sorted(counts.items(), key=lambda item: (item[0][0] != FALSE, -sum(item[1])))
    kept: list[tuple[str, list[int]]] = []
    for error in (FALSE, MISS):
        own = [(f"{error}: {cause}", row) for (kind, cause), row in ordered if kind == error]
        share = max(3, most * len(own) // max(1, len(ordered)))
        if len(own) > share:
            rest = [sum(column) for column in zip(*(row for _, row in own[share:]), strict=True)]
            own = [*own[:share], (f"{error}: {len(own) - share} other causes", rest)]
        kept += own
    with mpl.rc_context(STYLE):
        axes = _take_axes(ax, height=1.3 + 0.21 * max(len(kept), 3))
        places = np.arange(len(kept))
        left = np.zeros(len(kept))
        for k, position in enumerate(positions):
            widths = np.array([row[k] for _, row in kept], dtype=float)
            axes.barh(places, widths, left=left, color=shades[k], edgecolor="white", linewidth=0.5, label=position)
            left += widths
        for place, total in zip(places, left, strict=True):
            axes.annotate(
                f"{total:.0f}", (total, place), xytext=(3, 0), textcoords="offset points", va="center", fontsize=8
            )
        found = f"{table.hits} of {table.taps} taps found in {table.duration_s:.0f} s"
        axes.set(yticks=places, yticklabels=[name for name, _ in kept], xlabel="number of errors")
        axes.set_title(f"{table.detector}: {found}")
        axes.invert_yaxis()
        if kept:
            axes.locator_params(axis="x", integer=True)
        else:
            axes.text(0.5, 0.5, "no errors", transform=axes.transAxes, ha="center", va="center")
            axes.set(xticks=[])
        if len(positions) > 1:
            axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False)
    return axes


def plot_features(features: Mapping[str, FloatArray], is_tap: npt.NDArray[np.bool_], *, title: str = "") -> Figure:
    """Distributions of features of taps (dark outline) against those of everything else (pale area), one panel each.

    Parameters
    ----------
    features : mapping of str to array, shape (n,)
        Values by the feature's name. At most twelve are drawn, the most discriminating first (by the area under the
        receiver operating characteristic, AUC).
    is_tap : array of bool, shape (n,)
    title : str, optional

    Returns
    -------
    matplotlib.figure.Figure

    Raises
    ------
    ParameterError
        Without taps, without other candidates, or without features.
    """
    from scipy.stats import rankdata  # heavy; only this figure needs it

    if not features or is_tap.all() or not is_tap.any():
        raise ParameterError("features of taps and of other candidates are needed to compare them")

    def auc(values: FloatArray) -> float:
        known = np.isfinite(values)
        taps = int((is_tap & known).sum())
        rest = int(known.sum()) - taps
        if not taps or not rest:
            return 0.5
        ranks = rankdata(values[known])
        return float((ranks[is_tap[known]].sum() - taps * (taps + 1) / 2) / (taps * rest))

    areas = {name: auc(np.asarray(values, dtype=np.float64)) for name, values in features.items()}
    chosen = sorted(areas, key=lambda name: -abs(areas[name] - 0.5))[:12]
    columns = min(4, len(chosen))
    rows = math.ceil(len(chosen) / columns)
    with mpl.rc_context(STYLE):
        figure, axes = _figure(rows, columns, height=0.6 + 1.5 * rows)
        panels: list[Axes] = axes.ravel().tolist()
        for panel, name in zip(panels, chosen, strict=False):
            values = np.asarray(features[name], dtype=np.float64)
            finite = np.isfinite(values)
            known = values[finite]
            low, high = np.quantile(known, [0.005, 0.995]) if known.size else (0.0, 1.0)
            edges = np.linspace(low, high, 25) if high > low else np.linspace(low - 0.5, low + 0.5, 25)
            looks: dict[str, dict[str, Any]] = {"other": {"color": PALE}, "taps": {"color": INK, "histtype": "step"}}
            for label, group in (("other", finite & ~is_tap), ("taps", finite & is_tap)):
                share = np.full(int(group.sum()), 1.0 / max(1, int(group.sum())))
                panel.hist(values[group], edges.tolist(), weights=share, label=label, **looks[label])
            panel.set_title(f"{name}\nAUC {max(areas[name], 1 - areas[name]):.2f}", fontsize=8, fontweight="normal")
            panel.set_yticks([])
        for panel in panels[len(chosen) :]:
            panel.set_visible(False)
        panels[0].legend(loc="upper right", fontsize=7)
        figure.suptitle(
            f"{title or 'features'}: {int(is_tap.sum())} taps, {int((~is_tap).sum())} other candidates",
            fontsize=9,
            fontweight="bold",
            x=0.01,
            ha="left",
        )
    return figure


def plot_health(recording: Recording, report: HealthReport, *, title: str = "") -> Figure:
    """The waveform between its rails, gaps shaded, the spectrum of its calm half, and the findings in words.

    Parameters
    ----------
    recording : Recording
    report : HealthReport
    title : str, optional

    Returns
    -------
    matplotlib.figure.Figure
        Two axes.
    """
    with mpl.rc_context(STYLE):
        figure, ((wave,), (spectrum,)) = _figure(2, height=4.4)
        times, samples = _parted(recording, recording.samples)
        wave.plot(*_thin(times, samples), color=MID, linewidth=0.5)
        wave.axhline(report.bias_v, color=INK, linewidth=0.8, label=f"bias {report.bias_v:.3g} V")
        for k, rail in enumerate(recording.range_v or ()):
            wave.axhline(rail, color=ACCENT, linestyle="--", label=None if k else "rails")
        for k, gap in enumerate(recording.gaps):
            end_s = recording.start_s + float(recording.times_s(np.array(gap.sample)))
            wave.axvspan(end_s - gap.duration_s, end_s, color=PALE, label=None if k else "not recorded")
        for finding in report.findings:
            if math.isfinite(finding.first_s):
                wave.annotate(
                    finding.code.replace("-", " "),
                    (finding.first_s + recording.start_s, report.bias_v),
                    xytext=(4, 24),
                    color=ACCENT,
                    fontsize=8,
                    textcoords="offset points",
                    arrowprops={"arrowstyle": "-|>", "color": ACCENT},
                )
        words = ", ".join(report.codes()[:3]) or "nothing found"
        if len(report.findings) > 3:
            words += f" and {len(report.findings) - 3} more"
        wave.set(
            xlabel="time, s", ylabel="V", title=f"{title or _title(recording)}: {words}", xlim=_time_limits(recording)
        )
        wave.legend(loc="upper right", bbox_to_anchor=(1.0, -0.13), ncols=3)
        size = min(recording.samples.size, max(8, round(recording.fs)))
        blocks = recording.samples[: recording.samples.size // max(size, 1) * size].reshape(-1, max(size, 1))
        if blocks.size:
            calm = blocks[np.argsort(blocks.std(axis=1))[: max(1, blocks.shape[0] // 2)]]
            window = np.hanning(size)
            power = np.mean(np.abs(np.fft.rfft((calm - calm.mean(axis=1, keepdims=True)) * window)) ** 2, axis=0)
            hertz = np.fft.rfftfreq(size, 1.0 / recording.fs)
            level = 10.0 * np.log10(power / (np.sum(window**2) * recording.fs / 2.0) + 1e-20)
            spectrum.plot(hertz[1:], level[1:], color=INK, linewidth=0.7)
            spectrum.set(xscale="log", xlim=(max(5.0, hertz[1]), recording.fs / 2))
            _octave_ticks(spectrum.xaxis)
            for finding in report.findings:
                if finding.unit == "Hz" and finding.code in ("hum", "tone"):
                    spectrum.axvline(finding.value, color=ACCENT, linestyle=":", label=finding.message.split(",")[0])
            if spectrum.get_legend_handles_labels()[0]:
                spectrum.legend(loc="upper right")
        spectrum.set(xlabel="frequency, Hz (octaves)", ylabel="dB re 1 V²/Hz")
        spectrum.set_title(f"spectrum of the calmer half; noise {1e3 * report.noise_v:.3g} mV rms")
        spectrum.grid(axis="y")
    return figure
