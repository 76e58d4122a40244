"""One entry on evidence: its candidates, the chosen series and the runner-up."""

import textwrap
from collections.abc import Sequence

import matplotlib as mpl
from matplotlib.axes import Axes

from tapsig.entry.evidence import EvidenceEntry, explain
from tapsig.report.drawing import ACCENT, INK, MID, ORANGE, PALE, STYLE, take_axes


def plot_entry(
    entry: EvidenceEntry, code: Sequence[int] | None = None, *, ax: Axes | None = None, title: str = ""
) -> Axes:
    """Log-odds of the candidates over time, by the detector and among the others of the entry; below them the code (or
    the best series) and the runner-up. Draws on `ax`, or on axes of a new figure, and returns them.
    """
    assert entry.weighed is not None
    own, other = explain(entry, code)
    times_s = [onset / 1000.0 for onset in entry.weighed.onset_ms]
    odds = [score / 64.0 for score in entry.weighed.score]
    in_entry = [score / 64.0 for score in entry.weighed.list_odds()]
    with mpl.rc_context(STYLE):
        axes = take_axes(ax, height=3.8)
        axes.vlines(times_s, odds, in_entry, color=PALE, linewidth=1.0)
        axes.plot(times_s, odds, "o", color=MID, markersize=3, label="by the detector")
        axes.plot(times_s, in_entry, "D", color=INK, markersize=4, label="among the others")
        axes.axhline(0.0, color=PALE, linewidth=0.8)
        floor = min([0.0, *odds, *in_entry])
        for place, (series, colour, name) in enumerate(
            ((own, ACCENT, "series"), (other, ORANGE, "runner-up")), start=1
        ):
            axes.plot(
                [times_s[tap] for tap in series.taps],
                [floor - 1.2 * place] * len(series.taps),
                "|",
                color=colour,
                markersize=12,
                markeredgewidth=2,
                label=f"{name} {'-'.join(map(str, series.digits)) or 'none'}",
            )
        axes.set(xlabel="time, s", ylabel="log-odds of a tap, nats")
        axes.set_title(textwrap.fill(title, 80))
        axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.17), ncols=4, frameon=False)
    return axes
