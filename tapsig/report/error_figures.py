"""Figures of errors: their causes, and features of taps against those of other candidates; `ax=` as in `figures`."""

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
from tapsig.detectors.features import TABLE
from tapsig.errors import ParameterError
from tapsig.report.drawing import (
    ACCENT,
    INK,
    MID,
    ORANGE,
    PALE,
    STYLE,
    PanelAxes,
    Panels,
    find_figure,
    take_axes,
    take_panels,
)
from tapsig.summary.remedies import name_cause
from tapsig.units import FloatArray, IntArray, check_count, check_texts, require_kind, to_floats

MOST_FEATURES = 12
AUC_WORDS = (
    "AUC: how often a tap lies on its own side of another candidate, both drawn at random (0.5: no use, 1: always)"
)
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
    require_kind("table", table, CauseTable, "tapsig.causes(detector, recordings) gives one")
    check_count("most", most, 1, 1000)
    positions = sorted(
        {name or "–" for name in (*check_texts("positions", positions), *(one.position for one in table.errors))}
    )
    counts: dict[tuple[str, str], IntArray] = {}
    for one in table.errors:
        row = counts.setdefault((one.error, name_cause(one.cause)), np.zeros(len(positions), dtype=np.int64))
        row[positions.index(one.position or "–")] += 1
    bars: dict[str, IntArray] = {}
    for error in (FALSE, MISS):
        own = sorted((item for item in counts.items() if item[0][0] == error), key=lambda item: -item[1].sum())
        share = max(3, most * len(own) // max(1, len(counts)))
        bars |= {f"{error}: {cause}": row for (_, cause), row in own[:share]}
        if len(own) > share:
            bars[f"{error}: {len(own) - share} other causes"] = np.sum([row for _, row in own[share:]], axis=0)
    with mpl.rc_context(STYLE):
        axes = take_axes(ax, height=1.3 + 0.21 * max(len(bars), 3))
        places = np.arange(len(bars))
        left = np.zeros(len(bars))
        for k, position in enumerate(positions):
            widths = np.array([row[k] for row in bars.values()], dtype=float)
            colour = POSITIONS[k % len(POSITIONS)]
            axes.barh(places, widths, left=left, color=colour, edgecolor="white", linewidth=0.5, label=position)
            left += widths
        for place, total in zip(places, left, strict=True):
            axes.annotate(
                f"{total:.0f}", (total, place), xytext=(3, 0), textcoords="offset points", va="center", fontsize=8
            )
        found = f"{table.hits} of {table.taps} taps found in {table.duration_s:.0f} s"
        axes.set(yticks=places, yticklabels=list(bars), xlabel="number of errors")
        axes.set_title(f"{table.detector}: {found}")
        axes.invert_yaxis()
        if bars:
            axes.locator_params(axis="x", integer=True)
        else:
            axes.text(0.5, 0.5, "no errors", transform=axes.transAxes, ha="center", va="center")
            axes.set(xticks=[])
        if len(positions) > 1:
            axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False)
    return axes


def plot_features(
    features: Mapping[str, FloatArray], is_tap: npt.NDArray[np.bool_], *, ax: PanelAxes = None, title: str = ""
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
    if not isinstance(features, Mapping):
        raise ParameterError(f"features is a {type(features).__name__}; it must be arrays by name")
    features = {name: to_floats(f"feature {name}", values) for name, values in features.items()}
    is_tap = np.asarray(is_tap)
    for name, values in features.items():
        if is_tap.dtype != np.bool_ or is_tap.ndim != 1 or values.shape != is_tap.shape:
            raise ParameterError(
                f"is_tap has shape {is_tap.shape} of {is_tap.dtype}, feature {name} {values.shape}; both must be (n,),"
                " is_tap of bool"
            )
    if not features or is_tap.all() or not is_tap.any():
        raise ParameterError("features of taps and of other candidates are needed to compare them")
    areas = {name: _compute_auc(values, is_tap) for name, values in features.items()}
    most = MOST_FEATURES if ax is None or isinstance(ax, (Figure, SubFigure)) else max(1, np.size(np.array(ax)))
    chosen = sorted(areas, key=lambda name: -abs(areas[name] - 0.5))[:most]
    columns = min(3, len(chosen))
    rows = math.ceil(len(chosen) / columns)
    with mpl.rc_context(STYLE):
        panels = take_panels(ax, chosen, rows=rows, columns=columns, height=0.8 + 1.8 * rows)
        for panel, name in zip(panels, chosen, strict=True):
            _draw_feature(panel, name, features[name], is_tap, areas[name])
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
    """Area under the receiver operating characteristic (Mann and Whitney); 0.5 where nothing is known."""
    from scipy.stats import mannwhitneyu  # heavy; only this figure needs it

    known = np.isfinite(values)
    taps, rest = values[known & is_tap], values[known & ~is_tap]
    if not taps.size or not rest.size:
        return 0.5
    return float(mannwhitneyu(taps, rest, method="asymptotic").statistic / (taps.size * rest.size))


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
