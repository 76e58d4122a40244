"""What a plain threshold is up against: how long the ringing of a tap stays above what must count."""

import math
from dataclasses import dataclass

import numpy as np

from tapsig.analysis.dead_time import compute_departures
from tapsig.records import Recording
from tapsig.units import FloatArray

STEP_S = 0.01
LONGEST_S = 1.5
CONTACT_S = 0.05
MARGIN_DB = 6.0
"""A tap half as strong as the weakest recorded one should count too: a choice of ours, without a source."""
MIN_TAPS = 3
SHARE = 0.9


@dataclass(frozen=True, slots=True)
class Ringing:
    """Level after a tap, and the dead time that follows from it.

    Parameters
    ----------
    times_s, level_db : highest departure from the bias in each 10 ms after the contact, in dB re the median tap's
        peak; median over the taps that no other event follows by then, shape (n,).
    threshold_db : half the peak of the weakest tap, in dB re the median tap's peak: the threshold looked at.
    needed_s : after nine in ten taps the ringing stays below that threshold from then on; inf where it does not
        within what was seen.
    shortest_gap_s : shortest time between two taps: a longer dead time swallows taps; inf for one tap.
    """

    times_s: FloatArray
    level_db: FloatArray
    threshold_db: float
    needed_s: float
    shortest_gap_s: float

    @property
    def dead_time_exists(self) -> bool:
        """Whether a dead time can be long enough for the ringing and short enough for the taps."""
        return self.needed_s <= self.shortest_gap_s


def measure_ringing(recording: Recording, taps_s: FloatArray) -> Ringing | None:
    """The level after taps at `taps_s` (seconds, ascending); None for fewer than three that can be measured."""
    parts = [compute_departures(recording.samples[start:stop], recording.fs) for start, stop in recording.stretches()]
    departures = np.concatenate([*parts, np.zeros(0)])
    times = recording.times_s(np.arange(departures.size))
    others = [label.onset_s for label in recording.labels or ()]
    events = np.unique(np.concatenate([taps_s, others, [recording.span_s]]))
    steps = round(LONGEST_S / STEP_S)
    levels = np.full((taps_s.size, steps), np.nan)
    for row, tap in zip(levels, taps_s, strict=True):
        until = float(events[min(np.searchsorted(events, tap + CONTACT_S), events.size - 1)])
        edges = np.searchsorted(times, tap + STEP_S * np.arange(steps + 1) - 0.002)
        kept = min(steps, math.floor((until - tap) / STEP_S))
        for k in range(kept):
            row[k] = np.max(departures[edges[k] : edges[k + 1]], initial=0.0)
    peaks = np.nanmax(levels[:, :5], axis=1, initial=0.0)
    levels, peaks = levels[peaks > 0], peaks[peaks > 0]
    if peaks.size < MIN_TAPS:
        return None
    reference = float(np.median(peaks))
    threshold = float(peaks.min()) * 10.0 ** (-MARGIN_DB / 20.0)
    needed = []
    for row in levels:
        above, measured = np.flatnonzero(row >= threshold), np.flatnonzero(np.isfinite(row))
        last = above[-1] if above.size else 0
        needed.append(math.inf if above.size and last == measured[-1] else STEP_S * (1 + last))
    columns = np.flatnonzero(np.isfinite(levels).sum(axis=0) >= MIN_TAPS)
    curve = np.nanmedian(levels[:, columns], axis=0)
    gaps = np.diff(taps_s)
    return Ringing(
        np.asarray(STEP_S * (columns + 0.5), dtype=np.float64),
        20.0 * np.log10(np.maximum(curve, 1e-6 * reference) / reference),
        20.0 * math.log10(threshold / reference),
        float(np.sort(needed)[math.ceil(SHARE * len(needed)) - 1]),
        float(gaps.min()) if gaps.size else math.inf,
    )
