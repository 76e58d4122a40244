"""Figures of a panel: its ring-down, and the map of dead time; `ax=` as in `tapsig.report.figures`."""

import math

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes

from tapsig.analysis.dead_time import DeadTimeMap
from tapsig.analysis.ringdown import RingdownResult
from tapsig.dsp.decay import compute_decay_curve
from tapsig.report.drawing import (
    ACCENT,
    INK,
    MID,
    PALE,
    STYLE,
    PanelAxes,
    Panels,
    find_figure,
    set_octave_ticks,
    set_plain_ticks,
    take_axes,
    take_panels,
    thin,
)
from tapsig.units import require_kind


def plot_ringdown(result: RingdownResult, *, ax: PanelAxes = None, title: str = "") -> Panels:
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
    require_kind("result", result, RingdownResult, "tapsig.ringdown(recording) gives one")
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
            label = f"{mode.frequency_hz:.0f} Hz: T60 {mode.t60_s:.2f} s"
            left.plot([0, end], [0, -60.0 * end / mode.t60_s], color=INK, linestyle=dashes, linewidth=1.3, label=label)
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
            look = {"color": INK, "markersize": 6} if mode.frequency_hz in strong else {"color": MID, "markersize": 3}
            error = None if math.isnan(mode.t60_se_s) else 2.0 * mode.t60_se_s
            right.errorbar(mode.frequency_hz, mode.t60_s, yerr=error, fmt="o", elinewidth=0.8, capsize=2, **look)
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
    require_kind("result", result, DeadTimeMap, "tapsig.dead_time(recording) gives one")
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
        levels, most = np.log10(1.0 + errors), math.log10(1.0 + max(100, int(errors.max())))
        image = axes.imshow(levels, origin="lower", aspect="auto", cmap="Greys", extent=extent, vmin=0, vmax=most)
        missed = (result.missed > 0).astype(float)
        if missed.any():
            with mpl.rc_context({"hatch.color": MID}):
                axes.contourf(dead_ms, result.thresholds_db, missed, levels=[0.5, 1.5], colors="none", hatches=["////"])
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
        place = 1e3 * result.best_dead_time_s, result.thresholds_db[result.best_cell[0]]
        mark = "x" if result.exact.any() else "o"
        axes.plot(*place, mark, color=ACCENT, fillstyle="none", markersize=9, markeredgewidth=2)
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
