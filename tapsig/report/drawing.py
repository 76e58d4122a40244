"""What all figures share: style, the axes to draw on, ticks, and saving.

Figures are plain, so that they read in grey and in print. Without `ax=` a figure is made, by pyplot where that is in
use, so that `plt.show()` and notebooks show it. `write_figure` saves any.
"""

import base64
import io
import math
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, cast

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.figure import Figure, SubFigure
from matplotlib.ticker import FixedLocator, FuncFormatter, NullFormatter

from tapsig.dsp.decay import NOMINAL_HZ
from tapsig.errors import ParameterError
from tapsig.loading.files import check_target, replace_file
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
    "figure.max_open_warning": 0,
    "hatch.linewidth": 0.6,
    "svg.fonttype": "none",
    "svg.hashsalt": "tapsig",
}
Panels = npt.NDArray[np.object_]
"""Axes, shape (n,)."""
PanelAxes = Sequence[Axes] | Panels | Figure | SubFigure | None
"""Where several panels may be drawn; None: on a new figure."""
Drawn = Figure | Axes | Panels
FORMATS = (".png", ".svg", ".pdf")
MOST_POINTS = 20_000


def make_figure(width: float, height: float, **options: Any) -> Figure:
    pyplot = sys.modules.get("matplotlib.pyplot")  # never imported here: it keeps every figure
    figure: Figure = (pyplot.figure if pyplot else Figure)(figsize=(width, height), **options)
    return figure


def check_figure_path(path: Path, *, force: bool = False) -> Path:
    """Return `path`; raise ParameterError for an ending, a folder or a file that a figure cannot be written to."""
    if path.suffix.lower() not in FORMATS:
        raise ParameterError(f"--plot: {path.name} must end in {', '.join(FORMATS)}")
    check_target(path, force=force, option="--plot")
    return path


def find_figure(drawn: Drawn) -> Figure:
    """The figure that axes stand in; a figure as it is."""
    if isinstance(drawn, np.ndarray):
        drawn = cast(Axes, drawn.flat[0])
    figure = drawn if isinstance(drawn, Figure) else drawn.get_figure(root=True)
    assert isinstance(figure, Figure)
    return figure


def take_axes(ax: Axes | None, *, width: float = 7.2, height: float = 3.2) -> Axes:
    """The axes given, or those of a new figure."""
    if ax is None:
        return make_figure(width, height, layout="constrained").subplots()
    if not isinstance(ax, Axes):
        raise ParameterError(f"ax is a {type(ax).__name__}; give matplotlib axes, such as plt.subplots()[1]")
    return ax


def take_panels(
    ax: PanelAxes, panels: Sequence[str], *, rows: int, columns: int, height: float, **options: Any
) -> Panels:
    """The axes given for `panels`, which say what each shows; or new ones, in a figure given or a new one.

    Raises ParameterError for another number of axes.
    """
    if ax is None:
        ax = make_figure(7.2, height, layout="constrained")
    if isinstance(ax, (Figure, SubFigure)):
        made = ax.subplots(rows, columns, squeeze=False, **options).ravel()
        for spare in made[len(panels) :]:
            spare.remove()
        return np.asarray(made[: len(panels)], dtype=np.object_)
    given = np.ravel(np.array(ax, dtype=np.object_))
    if len(given) != len(panels) or not all(isinstance(one, Axes) for one in given):
        wrong = [type(one).__name__ for one in given if not isinstance(one, Axes)]
        held = f"holds a {wrong[0]}" if wrong else f"holds {len(given)} axes"
        raise ParameterError(
            f"ax {held}; {len(panels)} axes are needed ({', '.join(panels)}), such as"
            f" plt.subplots({rows}, {columns})[1], or a figure or subfigure"
        )
    return given


def write_figure(figure: Drawn, path: str | Path, *, force: bool = False) -> None:
    """Save a figure, or the one in which axes stand, as PNG, SVG or PDF by the ending of `path`.

    Raises ParameterError for another ending, a folder that does not exist, or a file that exists when not `force`.
    """
    path = check_figure_path(Path(path), force=force)
    replace_file(path, _render_figure(figure, path.suffix.lower()[1:]))


def embed_figure(figure: Drawn, words: str) -> Markup:
    """A figure as an image element that holds it as SVG; `words` say what it shows."""
    data = base64.b64encode(_render_figure(figure, "svg", metadata={"Date": None})).decode("ascii")
    return Markup('<img alt="{}" src="data:image/svg+xml;base64,{}">').format(words, data)


def _render_figure(figure: Drawn, form: str, **options: Any) -> bytes:
    buffer = io.BytesIO()
    with mpl.rc_context(STYLE):
        find_figure(figure).savefig(buffer, format=form, **options)
    return buffer.getvalue()


def thin(times: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest value of each piece, so that a long line keeps its extremes with few points."""
    if values.size <= MOST_POINTS:
        return times, values
    size = math.ceil(values.size / (MOST_POINTS // 2))
    count = values.size // size
    pieces = values[: count * size].reshape(count, size)
    return np.repeat(times[: count * size : size], 2), np.column_stack([pieces.min(1), pieces.max(1)]).ravel()


def format_hertz(hertz: float) -> str:
    """An octave's nominal frequency, short.

    >>> [format_hertz(value) for value in (31.5, 500.0, 2000.0)]
    ['31.5', '500', '2k']
    """
    return f"{hertz / 1000:g}k" if hertz >= 1000 else f"{hertz:g}"


def set_octave_ticks(axis: Axis) -> None:
    """The nominal frequencies of octave bands on a logarithmic axis in hertz."""
    _set_ticks(axis, NOMINAL_HZ, format_hertz)


def set_plain_ticks(axis: Axis) -> None:
    """Steps of 1, 2, 5 in plain numbers on a logarithmic axis."""
    _set_ticks(axis, [digit * 10.0**power for power in range(-3, 5) for digit in (1, 2, 5)], "{:g}".format)


def _set_ticks(axis: Axis, places: Sequence[float], show: Callable[[float], str]) -> None:
    axis.set_major_locator(FixedLocator(list(places)))
    axis.set_major_formatter(FuncFormatter(lambda value, _: show(value)))
    axis.set_minor_formatter(NullFormatter())
