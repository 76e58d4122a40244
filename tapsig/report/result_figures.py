"""Figures of results: ring-down, dead time, causes, features; `ax=` as in `tapsig.report.figures`."""

import math
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.figure import Figure, SubFigure
from matplotlib.ticker import MaxNLocator, PercentFormatter

from tapsig.analysis.causes import FALSE, MISS, CauseTable
from tapsig.analysis.dead_time import DeadTimeMap
from tapsig.analysis.ringdown import RingdownResult
from tapsig.detectors.features import TABLE
from tapsig.dsp.decay import compute_decay_curve
from tapsig.errors import ParameterError
from tapsig.report.drawing import (
    ACCENT,
    INK,
    MID,
    ORANGE,
    PALE,
    STYLE,
    Panels,
    find_figure,
    set_octave_ticks,
    set_plain_ticks,
    take_axes,
    take_panels,
    thin,
)
from tapsig.summary.remedies import name_cause
from tapsig.units import FloatArray

MOST_FEATURES = 12
AUC_WORDS = (
    "AUC: how often a tap lies on its own side of another candidate, both drawn at random (0.5: no use, 1: always)"
)


def plot_ringdown(
    result: RingdownResult, *, ax: Sequence[Axes] | Panels | Figure | SubFigure | None = None, title: str = ""
) -> Panels:
    """Level of each tap's ring-down with its decay by four dominant modes; beside it T60 of the modes with error.

    Parameters
    ----------
    result : RingdownResult
    ax : sequence of two matplotlib.axes.Axes, figure or subfigure, optional
        Where to draw the decay and the modes; default: a new figure.
    title : str, optional

    Returns
    -------
    array of matplotlib.axes.Axes, shape (2,)
        Decay and modes. The longest mode is always among those drawn.

    Raises
    ------
    ParameterError
        For another number of axes.
    """
    shown = result.dominant[:4]
    longest_mode = max(result.dominant, key=lambda mode: mode.t60_s, default=None)
    if longest_mode is not None and longest_mode not in shown:
        shown = (*shown[:3], longest_mode)
    with mpl.rc_context(STYLE):
        axes = take_panels(ax, ("decay", "modes"), rows=1, columns=2, height=3.9, gridspec_kw={"width_ratios": [3, 2]})
        left, right = axes
        longest = 0.0
        for values in result.ringdowns:
            curve = compute_decay_curve(values, result.fs, noise_power=result.noise_v**2)
            time = np.arange(curve.level_db.size) / result.fs
            left.plot(*thin(time, curve.level_db), color=PALE, linewidth=0.8)
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
        set_octave_ticks(right.xaxis)
        set_plain_ticks(right.yaxis)
        right.grid(which="major")
    return axes


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
        axes = take_axes(ax, width=6.2, height=3.9)
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
            area = f"each of {result.taps} taps once: {result.operating_area_db_ms:.0f} dB × ms"
        else:
            best = f"{result.best_threshold_v:.3g} V and {1e3 * result.best_dead_time_s:.0f} ms"
            area = (
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
            title=f"{title}\n{area}" if title else area,
        )
        volts = [digit * 10.0**power for power in range(-6, 4) for digit in (1, 3)]
        shown = [value for value in volts if extent[2] <= 20 * math.log10(value) <= extent[3]]
        axes.set_yticks([20 * math.log10(value) for value in shown], [f"{value:g}" for value in shown])
    return axes


POSITIONS = (ACCENT, ORANGE, "#009e73", INK, "#cc79a7", "#56b4e9", "#e69f00", MID)
"""Colours of positions, most of them of Okabe and Ito's palette (from memory)."""


def plot_causes(table: CauseTable, *, ax: Axes | None = None, most: int = 14, positions: Sequence[str] = ()) -> Axes:
    """Errors by cause, one bar each, split by position; misses under false detections.

    Parameters
    ----------
    table : CauseTable
    ax : matplotlib.axes.Axes, optional
        Where to draw; default: axes of a new figure.
    most : int, optional
        Bars; the causes that are left are summed up in one.
    positions : sequence of str, optional
        All that were examined: each keeps its colour, with errors or without; default: those that have errors.

    Returns
    -------
    matplotlib.axes.Axes
    """
    positions = sorted({name or "–" for name in (*positions, *(one.position for one in table.errors))})
    counts: dict[tuple[str, str], list[int]] = {}
    for one in table.errors:
        counts.setdefault((one.error, name_cause(one.cause)), [0] * len(positions))[
            positions.index(one.position or "–")
        ] += 1
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
        axes = take_axes(ax, height=1.3 + 0.21 * max(len(kept), 3))
        places = np.arange(len(kept))
        left = np.zeros(len(kept))
        for k, position in enumerate(positions):
            widths = np.array([row[k] for _, row in kept], dtype=float)
            axes.barh(
                places,
                widths,
                left=left,
                color=POSITIONS[k % len(POSITIONS)],
                edgecolor="white",
                linewidth=0.5,
                label=position,
            )
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


def plot_features(
    features: Mapping[str, FloatArray],
    is_tap: npt.NDArray[np.bool_],
    *,
    ax: Sequence[Axes] | Panels | Figure | SubFigure | None = None,
    title: str = "",
) -> Panels:
    """Distributions of features of taps (dark outline) against those of everything else (pale area), one panel each.

    Parameters
    ----------
    features : mapping of str to array, shape (n,)
        Values by the feature's name, which the panels show as its meaning and unit. The most discriminating come first
        (by the area under the receiver operating characteristic, AUC: how often a tap lies on its own side of another
        candidate, both drawn at random).
    is_tap : array of bool, shape (n,)
    ax : sequence of matplotlib.axes.Axes, figure or subfigure, optional
        Where to draw, one feature on each axes; default: a new figure of twelve at most.
    title : str, optional

    Returns
    -------
    array of matplotlib.axes.Axes
        One for each feature drawn.

    Raises
    ------
    ParameterError
        Without taps, without other candidates, or without features; for more axes than features.
    """
    if not features or is_tap.all() or not is_tap.any():
        raise ParameterError("features of taps and of other candidates are needed to compare them")
    areas = {name: _compute_auc(np.asarray(values, dtype=np.float64), is_tap) for name, values in features.items()}
    most = MOST_FEATURES if ax is None or isinstance(ax, (Figure, SubFigure)) else max(1, np.size(np.array(ax)))
    chosen = sorted(areas, key=lambda name: -abs(areas[name] - 0.5))[:most]
    columns = min(3, len(chosen))
    rows = math.ceil(len(chosen) / columns)
    with mpl.rc_context(STYLE):
        panels = take_panels(ax, chosen, rows=rows, columns=columns, height=0.8 + 1.8 * rows)
        for panel, name in zip(panels, chosen, strict=True):
            _draw_feature(panel, name, np.asarray(features[name], dtype=np.float64), is_tap, areas[name])
        if ax is None:
            figure = find_figure(panels)
            figure.suptitle(title or "candidates", fontsize=9, fontweight="bold", x=0.01, ha="left")
            handles, labels = panels[0].get_legend_handles_labels()
            figure.legend(handles, labels, loc="upper right", ncols=2, frameon=False)
            figure.supxlabel(AUC_WORDS, fontsize=7.5, x=0.01, ha="left")
            return panels
        panels[0].legend(loc="best", fontsize=7)
        if title:
            panels[0].set_title(f"{title}\n{panels[0].get_title(loc='left')}", fontsize=8, fontweight="normal")
    return panels


def _compute_auc(values: FloatArray, is_tap: npt.NDArray[np.bool_]) -> float:
    """Area under the receiver operating characteristic, by ranks (Mann and Whitney); 0.5 where nothing is known."""
    from scipy.stats import rankdata  # heavy; only this figure needs it

    known = np.isfinite(values)
    taps = int((is_tap & known).sum())
    rest = int(known.sum()) - taps
    if not taps or not rest:
        return 0.5
    ranks = rankdata(values[known])
    return float((ranks[is_tap[known]].sum() - taps * (taps + 1) / 2) / (taps * rest))


def _draw_feature(axes: Axes, name: str, values: FloatArray, is_tap: npt.NDArray[np.bool_], auc: float) -> None:
    """Histograms of one feature under its meaning: each bar is the share of its group, the outermost with what lies
    beyond, so that each group sums to 1.
    """
    finite = np.isfinite(values)
    known = values[finite]
    low, high = np.quantile(known, [0.005, 0.995]) if known.size else (0.0, 1.0)
    edges = np.linspace(low, high, 25) if high > low else np.linspace(low - 0.5, low + 0.5, 25)
    looks: dict[str, dict[str, Any]] = {"others": {"color": PALE}, "taps": {"color": INK, "histtype": "step"}}
    for label, group in (("others", finite & ~is_tap), ("taps", finite & is_tap)):
        count = int(group.sum())
        share = np.full(count, 1.0 / max(1, count))
        kept = np.clip(values[group], edges[0], edges[-1])
        axes.hist(kept, edges.tolist(), weights=share, label=f"{count} {label}", **looks[label])
    known_feature = next((feature for feature in TABLE if feature.name == name), None)
    meaning, unit = (known_feature.meaning, known_feature.unit) if known_feature else (name, "")
    axes.set_title(
        f"{textwrap.fill(meaning, 31)}\nAUC {max(auc, 1 - auc):.2f}", fontsize=7.5, fontweight="normal", pad=3
    )
    axes.set(xlabel=unit)
    axes.set_ylabel("share of group", fontsize=8)
    axes.yaxis.set_major_locator(MaxNLocator(3))
    axes.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
