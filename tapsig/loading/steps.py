"""Steps between the time stamps of a log: the typical period, gaps, losses, coarse stamps, and changes of the rate."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from tapsig.errors import RecordingError
from tapsig.loading.kernels import scan_steps
from tapsig.loading.lines import Table
from tapsig.units import FloatArray, IntArray

GAP_S = 0.01  # losses up to this, and up to GAP_FILLED samples, are filled in
GAP_PERIODS, GAP_FILLED = 2.5, 11
LOSS_PERIODS = 1.5
COARSE_SHARE = 0.01
RATE_SHARE, WORST_RATE_SHARE = 0.01, 0.1
LONG_STRETCH, RATE_BLOCK, RATE_BLOCKS = 100, 200, 1000
HIGHEST_RATE_HZ, HIGHEST_SPLIT_RATE_HZ = 1e6, 2e5
MAX_GAPS = 100_000
TYPICAL_LAG, TYPICAL_PLACES = 64, 100_000
FIRST_STAMPS = 1 << 16


@dataclass(frozen=True, slots=True)
class Steps:
    """The steps between stamps, in units; `resolution` is the step of coarse stamps, otherwise 0, and `rate_error` the
    largest error of the rate from them, as a share of it.
    """

    period: float  # mean of the steps without losses
    mean: float
    edges: IntArray  # first samples after gaps
    repeated: int
    losses: int
    longest: float  # longest step without losses
    resolution: float
    rate_error: float = 0.0


def is_whole(ticks: FloatArray) -> bool:
    return not np.any(ticks[:FIRST_STAMPS] % 1.0)


def scan(source: str, ticks: FloatArray, unit_s: float, *, counted: bool = False) -> Steps:
    """Find gaps and losses. If many stamps repeat, they are coarse, and a single step of them is not a gap.

    `counted`: they are numbers of samples, of which each is one further.
    """
    typical = 1.0 if counted else _typical_period(source, ticks)
    split = unit_s < 1.0 and not is_whole(ticks)  # ticks of a logger's clock are rarely fractional
    highest_hz, rate_hz = HIGHEST_SPLIT_RATE_HZ if split else HIGHEST_RATE_HZ, 1.0 / (typical * unit_s)
    if rate_hz > 0.9999 * highest_hz:
        raise RecordingError(
            f"{source}: its stamps give {rate_hz:.3g} Hz, and at most {highest_hz:g} is possible; is a point in them a"
            " separator of thousands, or their unit another than time_unit=?"
        )
    period, resolution = typical, 0.0
    edges = np.empty(min(MAX_GAPS, ticks.size), dtype=np.int64)
    for _ in range(2):  # the second time with the period of the steps without losses
        longest = _longest_sound_step(ticks, period)
        shortest_gap = max(GAP_PERIODS * period, min(period + GAP_S / unit_s, GAP_FILLED * period), longest)
        gaps, repeated, losses, lost, steady = scan_steps(ticks, longest, shortest_gap, edges)
        sound = ticks.size - 1 - gaps - losses
        period = (steady - lost) / sound if sound > 0 and steady > lost else period
    if repeated > COARSE_SHARE * ticks.size:
        steps = np.diff(ticks[:FIRST_STAMPS])
        resolution = float(np.median(steps[steps > 0])) if steps.any() else 0.0
        longest = max(longest, LOSS_PERIODS * resolution)
        shortest_gap = max(GAP_PERIODS * typical, typical + GAP_S / unit_s, longest)
        gaps, repeated, losses, lost, steady = scan_steps(ticks, np.inf, shortest_gap, edges)
    if gaps > min(MAX_GAPS, max(10, ticks.size // 20)):
        raise RecordingError(
            f"{source}: {gaps} gaps in {ticks.size} samples; log at a lower rate, with fewer bytes a line"
        )
    if not steady > 0:
        raise RecordingError(f"{source}: there is no stretch without gaps, so no rate; log at a lower rate")
    mean, error = steady / (ticks.size - 1 - gaps), 0.0
    if resolution:
        mean, error = _measure_coarse(ticks, edges[:gaps], mean, resolution)
    return Steps(mean if resolution else period, mean, edges[:gaps], repeated, losses, longest, resolution, error)


def _measure_coarse(ticks: FloatArray, edges: IntArray, mean: float, resolution: float) -> tuple[float, float]:
    """The mean period of coarse stamps, and its largest error as a share: from where they change.

    A stamp that differs from the one before is late by less than a period, the first of all by up to `resolution`.
    `mean` is the period from the whole span, kept where too few stamps change.
    """
    changes = np.flatnonzero(np.diff(ticks)) + 1
    if changes.size < 2:
        return mean, resolution / (mean * ticks.size)
    first, last = int(changes[0]), int(changes[-1])
    inside = edges[(edges > first) & (edges <= last)]
    span = float(ticks[last] - ticks[first] - (ticks[inside] - ticks[inside - 1]).sum())
    if not span > 0:
        return mean, resolution / (mean * ticks.size)
    period = span / (last - first - inside.size)
    spread = resolution if inside.size else float(np.ptp(ticks[changes] - period * changes)) + period
    return period, spread / span


def _longest_sound_step(ticks: FloatArray, period: float) -> float:
    """The longest step without losses: whole stamps may round a period up to the next unit."""
    longest = LOSS_PERIODS * period
    return max(longest, np.ceil(period - 0.02) + 0.5) if is_whole(ticks) else longest


def _typical_period(source: str, ticks: FloatArray) -> float:
    """Typical sampling period in units: the median over spans of many samples, so that coarse stamps do not matter."""
    lag = min(TYPICAL_LAG, max(1, ticks.size // 4))
    places = np.arange(0, ticks.size - lag, max(1, ticks.size // TYPICAL_PLACES))
    period = float(np.median(ticks[places + lag] - ticks[places])) / lag if places.size else 0.0
    if not period > 0:
        period = float(ticks[-1] - ticks[0]) / max(1, ticks.size - 1)
    if not 0 < period < np.inf:
        raise RecordingError(f"{source}: its time stamps are all equal; give fs= and remove the time column")
    return period


def check_rates(ticks: FloatArray, steps: Steps, unit_s: float, table: Table) -> None:
    """Raise RecordingError if blocks of a log differ in rate from the rest; small differences give a finding.

    The rate of a block comes from its steps without losses.
    """
    size = max(RATE_BLOCK, int(np.ceil(2.0 * steps.resolution / (RATE_SHARE * steps.period))))
    for start, stop in pairwise([0, *map(int, steps.edges), ticks.size]):
        if stop - start < LONG_STRETCH:
            continue
        bounds = np.linspace(start, stop, max(1, (stop - start) // size) + 1).astype(int)
        for at in range(0, bounds.size - 1, RATE_BLOCKS):
            own = bounds[at : at + RATE_BLOCKS + 1]
            period, noise = _measure_periods(ticks[own[0] : own[-1]], own[:-1] - own[0], steps)
            share = np.abs(period / steps.period - 1.0)
            for k in np.flatnonzero(share > RATE_SHARE + noise).tolist():
                rate_hz = 1.0 / float(period[k] * unit_s) if period[k] else np.inf
                what = f"{rate_hz:.4g} Hz, the rest {1.0 / (steps.period * unit_s):.4g} Hz"
                if share[k] > WORST_RATE_SHARE + noise[k]:
                    raise RecordingError(
                        f"{table.place(int(own[k]))}: from there on samples come at {what}; put the parts into files of"
                        " their own"
                    )
                table.note("rate-varies", f"from there on samples come at {what}", int(own[k]))


def _measure_periods(ticks: FloatArray, starts: IntArray, steps: Steps) -> tuple[FloatArray, FloatArray]:
    """The mean period of each block of stamps, which begin at `starts`, and its uncertainty as a share of the period.

    Steps over lost lines do not count, unless most of a block are.
    """
    own = np.diff(ticks)
    sizes = np.diff(starts, append=own.size)
    counts = np.ones(own.size, dtype=bool)
    counts[starts[1:] - 1] = False  # from one block to the next
    if not steps.resolution:
        sound = counts & (own <= steps.longest)
        most = 2 * np.add.reduceat(sound, starts, dtype=int) > np.add.reduceat(counts, starts, dtype=int)
        counts = np.where(np.repeat(most, sizes), sound, counts)
    used = np.add.reduceat(counts, starts, dtype=int)
    period = np.add.reduceat(np.where(counts, own, 0.0), starts) / used
    departures = np.where(counts, own - np.repeat(period, sizes), 0.0)
    spread = np.sqrt(np.add.reduceat(departures**2, starts) / used)
    return period, (4.0 * spread + 2.0 * steps.resolution) / (np.sqrt(used) * steps.period)
