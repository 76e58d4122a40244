"""From the stamps of a log to its rate and its gaps. Nothing is interpolated."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from tapsig.errors import RecordingError
from tapsig.load.findings import FindingList, Stretch
from tapsig.load.kernels import goes_back, measure_stretch, scan_steps
from tapsig.load.lines import Table
from tapsig.load.restart import settle_steps_back
from tapsig.records import Gap
from tapsig.units import FloatArray, IntArray

GAP_S = 0.01  # less is taken up by the mean rate: well inside a match window of ±25 ms
GAP_PERIODS = 2.5
LOSS_PERIODS = 1.5
COARSE_SHARE = 0.01
JITTER_SHARE = 0.1
RATE_SHARE, WORST_RATE_SHARE = 0.01, 0.1
LONG_STRETCH = 100
WORST_TIMING_S = 0.01
MOST_GAPS = 100_000
TYPICAL_LAG, TYPICAL_PLACES = 64, 100_000
FIRST_STAMPS = 1 << 16
GIVEN_RATE_SHARE = 0.05


@dataclass(frozen=True, slots=True)
class Stamps:
    """Raw stamps, seconds of one unit, and where the counter wraps (None = never).

    `counted` says that the stamps are line numbers, for lack of a clock.
    """

    raw: FloatArray
    unit_s: float
    wrap: float | None
    counted: bool


@dataclass(frozen=True, slots=True)
class Clock:
    """Rate and gaps of the samples `kept` (None = all)."""

    fs: float
    gaps: tuple[Gap, ...]
    stretches: tuple[Stretch, ...]
    timing_error_s: float
    kept: IntArray | None


@dataclass(frozen=True, slots=True)
class _Steps:
    """The steps between stamps, in units; `resolution` is the step of coarse stamps, otherwise 0."""

    period: float
    mean: float
    edges: IntArray  # first samples after gaps
    repeated: int
    losses: int
    first_loss: int
    lost: float
    resolution: float


def settle_clock(source: str, stamps: Stamps, table: Table, fs: float | None, findings: FindingList) -> Clock:
    """The clock of a log; what is wrong with it goes to `findings`.

    Raises RecordingError for stamps that stand still, that restart so that most samples come after it, or that have
    more gaps or rates than one recording can hold.
    """
    ticks, kept = stamps.raw, None
    if goes_back(ticks):
        ticks, kept = settle_steps_back(source, ticks, stamps.unit_s, stamps.wrap, table, findings)
    places = table if kept is None else table.select(kept)
    steps = _scan(source, ticks, stamps.unit_s)
    if steps.repeated and not steps.resolution:
        doubled = doubled_lines(ticks, places, findings)
        if doubled.size:
            single = np.delete(np.arange(ticks.size), doubled)
            ticks, kept, places = ticks[single], single if kept is None else kept[single], places.select(single)
            steps = _scan(source, ticks, stamps.unit_s)
    clock = _fit(ticks, stamps, steps, places, kept, findings)
    _add_clock_findings(source, clock, steps, stamps, fs, places, findings)
    return clock


def _scan(source: str, ticks: FloatArray, unit_s: float) -> _Steps:
    """Find gaps and losses. Where many stamps repeat, they are coarse, and one step of them is no gap."""
    period = _typical_period(source, ticks)
    shortest_gap, resolution = max(GAP_PERIODS * period, period + GAP_S / unit_s), 0.0
    edges = np.empty(min(MOST_GAPS, ticks.size), dtype=np.int64)
    found = scan_steps(ticks, LOSS_PERIODS * period, shortest_gap, edges)
    if found[1] > COARSE_SHARE * ticks.size:
        steps = np.diff(ticks[:FIRST_STAMPS])
        resolution = float(np.median(steps[steps > 0])) if steps.any() else 0.0
        found = scan_steps(ticks, np.inf, max(shortest_gap, LOSS_PERIODS * resolution), edges)
    gaps, repeated, losses, first_loss, lost, steady = found
    if gaps > min(MOST_GAPS, max(10, ticks.size // 20)):
        raise RecordingError(f"{source}: {gaps} gaps in {ticks.size} samples; log at a lower rate, with fewer bytes a"
                             " line")  # fmt: skip
    if not steady > 0:
        raise RecordingError(f"{source}: there is no stretch without gaps, so no rate; log at a lower rate")
    mean = steady / (ticks.size - 1 - gaps)
    return _Steps(period, mean, edges[:gaps], repeated, losses, first_loss, lost, resolution)


def _typical_period(source: str, ticks: FloatArray) -> float:
    """Typical sampling period in units: the median over spans of many samples, so that coarse stamps do not matter."""
    lag = min(TYPICAL_LAG, max(1, ticks.size // 4))
    places = np.arange(0, ticks.size - lag, max(1, ticks.size // TYPICAL_PLACES))
    period = float(np.median(ticks[places + lag] - ticks[places])) / lag if places.size else 0.0
    if not period > 0:
        period = float(ticks[-1] - ticks[0]) / max(1, ticks.size - 1)
    if not 0 < period < np.inf:
        raise RecordingError(f"{source}: its time stamps stand still; give fs= and take the time column out")
    return period


def doubled_lines(ticks: FloatArray, table: Table, findings: FindingList) -> IntArray:
    """Samples with the stamp and the value of the one before: the logger wrote the line twice."""
    second = np.flatnonzero(np.diff(ticks) == 0) + 1
    same = table.values[second] == table.values[second - 1]
    if same.any():
        findings.add("doubled-line", "a line stands there twice; left out once", count=int(same.sum()),
                     line=table.line_of(int(second[same][0])))  # fmt: skip
    if not same.all():
        findings.add("repeated-stamp", "two values have the same stamp; both kept", count=int((~same).sum()),
                     line=table.line_of(int(second[~same][0])))  # fmt: skip
    return second[same]


def _fit(ticks: FloatArray, stamps: Stamps, steps: _Steps, table: Table, kept: IntArray | None, findings: FindingList
         ) -> Clock:  # fmt: skip
    """Rate from the span of the gap-free stretches; each stretch laid on its stamps; how well that fits.

    A stretch lies by its mean offset, so that the jitter of its first stamp does not move it.
    """
    gaps: list[Gap] = []
    stretches: list[Stretch] = []
    offset = worst = 0.0
    for start, stop in pairwise([0, *map(int, steps.edges), ticks.size]):
        mean, least, greatest, spread = measure_stretch(
            ticks, start, stop, ticks[0], steps.mean, LOSS_PERIODS * steps.period)  # fmt: skip
        if start:
            missing = ticks[start] - ticks[start - 1] - steps.mean
            late = mean - offset if mean > offset else missing
            gaps.append(Gap(start, float(late * stamps.unit_s)))
            offset += late
        worst = max(worst, greatest - offset, offset - least)
        span = ticks[stop - 1] - ticks[start]
        own = (stop - start - 1) / span if span > 0 else 1.0 / steps.mean
        jitter = float("nan") if stamps.counted else float(spread * stamps.unit_s)
        stretches.append(Stretch(start, stop, float(own / stamps.unit_s), jitter))
    fs = 1.0 / (steps.mean * stamps.unit_s)
    if gaps:
        findings.add("gap", f"{sum(gap.duration_s for gap in gaps):.3g} s were not recorded; kept as gaps",
                     count=len(gaps), line=table.line_of(gaps[0].sample), sample=gaps[0].sample)  # fmt: skip
    error_s = float("nan") if stamps.counted else float(worst * stamps.unit_s)
    return Clock(float(fs), tuple(gaps), tuple(stretches), error_s, kept)


def _add_clock_findings(source: str, clock: Clock, steps: _Steps, stamps: Stamps, fs: float | None, table: Table,
                        findings: FindingList) -> None:
    """What there is to say of rates, losses, jitter and coarse stamps."""
    resolution_s = steps.resolution * stamps.unit_s
    if steps.resolution:
        share = resolution_s * clock.fs / len(table.values)
        findings.add("coarse-stamps", f"stamps repeat: their step of {resolution_s:g} s is longer than the period of"
                     f" {1 / clock.fs:.3g} s; the rate comes from the whole span, and is good to {100 * share:.2g} %",
                     count=steps.repeated)  # fmt: skip
    lost = round(steps.lost / steps.period) - steps.losses
    if lost > 0:
        findings.add("lost-samples", "single samples are missing; the mean rate takes them up", count=lost,
                     line=table.line_of(steps.first_loss))  # fmt: skip
    if stamps.counted:
        return
    long = [stretch for stretch in clock.stretches if stretch.stop - stretch.start >= LONG_STRETCH]
    for stretch in long:
        _check_rate(source, stretch, clock.fs, resolution_s, findings)
    if fs is not None and abs(fs / clock.fs - 1.0) > GIVEN_RATE_SHARE:
        findings.add("rate-differs", f"the stamps tell {clock.fs:.4g} Hz, not {fs:g} Hz; took the stamps'")
    jitter_s = max((stretch.jitter_s for stretch in long), default=0.0)
    rounding_s = 0.5 * stamps.unit_s if not np.any(stamps.raw[:FIRST_STAMPS] % 1.0) else 0.0  # whole stamps vary by it
    if not steps.resolution and jitter_s > max(JITTER_SHARE / clock.fs, rounding_s):
        findings.add("jitter", f"the sampling interval varies by {1e6 * jitter_s:.0f} µs (standard deviation) around"
                     f" {1e6 / clock.fs:.0f} µs; use a timer in the logger")  # fmt: skip
    if clock.timing_error_s > max(WORST_TIMING_S, 2.0 * resolution_s):
        findings.add("timing", f"samples are up to {1e3 * clock.timing_error_s:.0f} ms away from their stamps, because"
                     " single lines were lost; log at a lower rate")  # fmt: skip


def _check_rate(source: str, stretch: Stretch, fs: float, resolution_s: float, findings: FindingList) -> None:
    share = abs(stretch.fs / fs - 1.0) - 2.0 * resolution_s * stretch.fs / (stretch.stop - stretch.start)
    if share > WORST_RATE_SHARE:
        raise RecordingError(f"{source}: samples {stretch.start} to {stretch.stop - 1} come at {stretch.fs:.4g} Hz, all"
                             f" at {fs:.4g} Hz; put the parts into files of their own")  # fmt: skip
    if share > RATE_SHARE:
        findings.add("rate-varies", f"a stretch has {stretch.fs:.4g} Hz, all {fs:.4g} Hz; took the mean",
                     sample=stretch.start)  # fmt: skip
