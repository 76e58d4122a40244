"""One entry on evidence: its candidates, the chosen series and the best other one."""

import textwrap
from collections.abc import Sequence

import matplotlib as mpl
from matplotlib.axes import Axes

from tapsig.entry.evidence import EvidenceEntry, explain
from tapsig.report.drawing import ACCENT, INK, MID, ORANGE, PALE, STYLE, take_axes


def plot_entry(
    entry: EvidenceEntry,
    code: Sequence[int] | None = None,
    *,
    ax: Axes | None = None,
    title: str = "",
    start_s: float = 0.0,
) -> Axes:
    """Log-odds of the candidates over time, by the detector and among the others of the entry; below them the code (or
    the best series), the best other series, and candidates in neither. Times count from `start_s` before the
    recording. Draws on `ax`, or on axes of a new figure, and returns them.
    """
    assert entry.weighed is not None
    own, other = explain(entry, code)
    times_s = [onset / 1000.0 + start_s for onset in entry.weighed.onset_ms]
    odds = [score / 64.0 for score in entry.weighed.score]
    in_entry = [score / 64.0 for score in entry.weighed.list_odds()]
    rest = [tap for tap in range(len(times_s)) if tap not in (*own.taps, *other.taps)]
    rows = (
        (own.taps, ACCENT, f"{'code' if code else 'best series'} {_join(own.digits)}"),
        (other.taps, ORANGE, f"best other series {_join(other.digits)}"),
        (rest, MID, "in no series"),
    )
    with mpl.rc_context(STYLE):
        axes = take_axes(ax, height=3.8)
        axes.vlines(times_s, odds, in_entry, color=PALE, linewidth=1.0)
        axes.plot(times_s, odds, "o", color=MID, markersize=3, label="by the detector")
        axes.plot(times_s, in_entry, "D", color=INK, markersize=4, label="in the entry")
        axes.axhline(0.0, color=PALE, linewidth=0.8)
        top, floor = max([0.0, *odds, *in_entry]), min([0.0, *odds, *in_entry])
        drawn = [row for row in rows if row[0]]
        for place, (taps, colour, name) in enumerate(drawn, start=1):
            heights = [floor - 0.1 * (top - floor) * place] * len(taps)
            axes.plot(
                [times_s[tap] for tap in taps], heights, "|", color=colour, markersize=12, markeredgewidth=2, label=name
            )
        axes.set(xlabel="time, s", ylabel="log-odds of a tap, nats")
        axes.set_title("\n".join(textwrap.fill(line, 80) for line in title.splitlines()))
        axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.17), ncols=3, frameon=False)
    return axes


def _join(digits: Sequence[int]) -> str:
    return "-".join(map(str, digits))
