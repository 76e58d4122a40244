"""One entry on evidence: its candidates, the chosen series and the runner-up."""

from collections.abc import Sequence

from matplotlib.figure import Figure

from tapsig.entry.evidence import EvidenceEntry, explain
from tapsig.report.figures import _figure


def plot_entry(entry: EvidenceEntry, code: Sequence[int] | None = None, *, title: str = "") -> Figure:
    """Log-odds of the candidates over time, by the detector and among the others of the entry; below them the code (or
    the best series) and the runner-up.
    """
    assert entry.weighed is not None
    own, other = explain(entry, code)
    times_s = [onset / 1000.0 for onset in entry.weighed.onset_ms]
    odds = [score / 64.0 for score in entry.weighed.score]
    in_entry = [score / 64.0 for score in entry.weighed.list_odds()]
    figure, axes = _figure()
    axis = axes[0, 0]
    axis.vlines(times_s, odds, in_entry, color="0.8", linewidth=1.0)
    axis.plot(times_s, odds, "o", color="0.6", markersize=3, label="by the detector")
    axis.plot(times_s, in_entry, "D", color="0.2", markersize=4, label="among the others")
    axis.axhline(0.0, color="0.8", linewidth=0.8)
    floor = min([0.0, *odds, *in_entry])
    for place, (series, colour, name) in enumerate(((own, "C0", "series"), (other, "C1", "runner-up")), start=1):
        words = f"{name} {'-'.join(map(str, series.digits)) or 'none'}"
        axis.plot(
            [times_s[tap] for tap in series.taps],
            [floor - 0.7 * place] * len(series.taps),
            "|",
            color=colour,
            markersize=12,
            markeredgewidth=2,
            label=words,
        )
    axis.set_xlabel("time, s")
    axis.set_ylabel("log-odds of a tap, nats")
    axis.set_title(title, fontsize="small", wrap=True)
    axis.legend(fontsize="small", loc="upper left", bbox_to_anchor=(1.0, 1.0))
    return figure
