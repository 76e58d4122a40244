"""Lost lines of a log, and stamps that repeat by rounding, from the clock that runs through their neighbours."""

import numpy as np
from scipy.ndimage import maximum_filter1d

from tapsig.units import BoolArray, FloatArray, IntArray

NEAR_STEPS = 16
"""Largest distance, in samples, between a step of 0 and a step of 2 units that rounding makes."""
REACHES = (1, 2, 4, 8)
CALM = 0.03  # spreads up to this, in periods, count as equal
PLACES = 1 << 16
HIGHEST_SOUND = 0.999
ROUNDS = 5


def find_rounding(ticks: FloatArray, period: float, *, whole: bool) -> list[tuple[int, int]]:
    """First and last sample of each run of steps of 0 and 2 units by turns, where a period is about one unit.

    Rounded times k + j, with j below one unit, differ by 1 + b[k+1] - b[k] units, with b = 0 or 1: between steps of 1,
    those of 0 and 2 take turns. A doubled or a lost line stands alone.
    """
    steps = np.diff(ticks)
    unit = 1.0 if whole else float(np.median(steps))
    if not unit > 0 or not 0.75 * unit < period < 1.5 * unit:
        return []
    units = steps / unit
    events = np.flatnonzero((np.abs(units) < 0.01) | (np.abs(units - 2.0) < 0.01))
    linked = (np.diff(units[events] > 1.0) != 0) & (np.diff(events) <= NEAR_STEPS)
    bounds = np.flatnonzero(np.diff(np.concatenate([[False], linked, [False]]).astype(int)))
    return [(int(events[a]), int(events[b]) + 1) for a, b in bounds.reshape(-1, 2)]


def spread_rounding(ticks: FloatArray, runs: list[tuple[int, int]]) -> FloatArray:
    """Stamps that rise evenly through each of the runs; a step more or less in the whole run is spread over it."""
    spread = ticks.copy()
    for first, last in runs:
        start, stop = max(0, first - NEAR_STEPS // 2), min(ticks.size - 1, last + NEAR_STEPS // 2)
        spread[start : stop + 1] = np.linspace(spread[start], spread[stop], stop - start + 1)
    return spread


def count_missing(ticks: FloatArray, period: float, longest: float, edges: IntArray) -> FloatArray:
    """Samples missing in each step, shape (n - 1,): whole numbers, 0 at the `edges` of gaps and in sound steps.

    A step above `longest` gives a first count. Then the mean deviation from an even clock is compared over the samples
    before and after each step, which a late stamp hardly changes. It is taken over as many samples as give the least
    spread: 1 where delays add up, more where each stamp has an error of its own. A sample is missing where the
    deviation jumps by more than the middle between a period and the highest jumps of sound steps.
    """
    distances = np.diff(ticks)
    lossy = distances > longest
    lossy[edges - 1] = False
    short = np.pad(np.minimum(distances - period, 0.0), 1)  # a late stamp makes the next step shorter
    missing = np.where(lossy, np.rint((distances + short[:-2] + short[2:]) / period) - 1.0, 0.0)
    missing = np.maximum(missing, 0.0)
    allowed = np.ones(distances.size, dtype=bool)
    allowed[edges - 1] = False
    near = distances[np.abs(distances - period) < period / 2.0]  # cut off evenly on both sides
    period = float(near.mean()) if near.size else period
    reach = 0
    for _ in range(ROUNDS):
        excess = distances / period - 1.0 - missing
        excess[edges - 1] = 0.0
        reach = reach or _choose_reach(excess)
        jumps = _measure_jumps(excess, reach)
        sound = jumps[allowed & (missing == 0.0)]
        highest = float(np.quantile(sound, HIGHEST_SOUND)) if sound.size else 0.0
        least = 0.5 + 0.5 * min(max(highest, 0.0), 0.6)
        counted = np.maximum(np.floor(missing + jumps + 1.0 - least), 0.0)
        changed = _find_changes(np.where(allowed, counted - missing, 0.0), jumps, reach)
        if not changed.any():
            break
        missing = np.where(changed, counted, missing)
    return missing


def _find_changes(change: FloatArray, jumps: FloatArray, reach: int) -> BoolArray:
    """Where a count changes: of such steps whose windows overlap, only the one with the greatest jump."""
    size = np.where(change != 0.0, np.abs(jumps), 0.0)
    return (size > 0.0) & (size >= maximum_filter1d(size, 2 * reach - 1, mode="constant"))


def _measure_jumps(excess: FloatArray, reach: int) -> FloatArray:
    """Mean deviation over `reach` samples after each step less that over as many before; in periods."""
    deviations = np.concatenate([[0.0], np.cumsum(excess)])
    sums = np.concatenate([[0.0], np.cumsum(deviations)])
    place = np.arange(1, deviations.size)
    start, stop = np.maximum(place - reach, 0), np.minimum(place + reach, deviations.size)
    return np.asarray((sums[stop] - sums[place]) / (stop - place) - (sums[place] - sums[start]) / (place - start))


def _choose_reach(excess: FloatArray) -> int:
    """The longest of the REACHES whose jumps spread about as little as any's."""
    part = excess[:PLACES]
    spread = {reach: float(np.subtract(*np.quantile(_measure_jumps(part, reach), (0.75, 0.25)))) for reach in REACHES}
    least = max(CALM, 1.05 * min(spread.values()))
    return max(reach for reach, own in spread.items() if own <= least)
