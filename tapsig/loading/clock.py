"""Sample rate and gaps of a log from its time stamps; gaps are kept, single lost lines are filled in with a finding."""

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from tapsig.errors import RecordingError
from tapsig.loading.findings import FindingList, Stretch
from tapsig.loading.kernels import measure_stretch
from tapsig.loading.lines import Table
from tapsig.loading.losses import count_missing, find_rounding, spread_rounding
from tapsig.loading.restart import correct_steps_back, unwrap_short_counter
from tapsig.loading.steps import (
    COARSE_SHARE,
    LONG_STRETCH,
    LOSS_PERIODS,
    WORST_RATE_SHARE,
    Steps,
    check_rates,
    is_whole,
    scan,
)
from tapsig.records import Gap
from tapsig.units import FloatArray, IntArray

JITTER_SHARE = 0.1
STRAY_S = 0.001  # with larger deviations from the stamps, samples are interpolated to an even grid
DOUBLED_SHARE, ALIKE_SHARE = 0.98, 0.9
GIVEN_RATE_SHARE = 0.05
REPEATED = "two values have the same stamp; both kept"


@dataclass(frozen=True, slots=True)
class Stamps:
    """Raw stamps, seconds per unit, and the value at which the counter wraps (None = never).

    `counted`: the stamps are line numbers, since there is no clock.
    """

    raw: FloatArray
    unit_s: float
    wrap: float | None
    counted: bool


@dataclass(frozen=True, slots=True)
class Clock:
    """The samples `values` with their rate and gaps."""

    values: FloatArray
    fs: float
    gaps: tuple[Gap, ...]
    stretches: tuple[Stretch, ...]
    timing_error_s: float


def estimate_clock(stamps: Stamps, table: Table, fs: float | None) -> Clock:
    """The samples of a log with their clock; its faults are noted in the table.

    Raises RecordingError if all stamps are equal, if they change too seldom for a rate and `fs` is None, if they
    restart before most of the samples, if their rate changes, or if there are too many gaps or losses.
    """
    ticks = stamps.raw
    if stamps.wrap is not None and (unwrapped := unwrap_short_counter(ticks)) is not None:
        ticks = unwrapped
        longest_s = 65536 * stamps.unit_s
        message = f"the counter has 16 bits; the time goes on, but pauses longer than {longest_s:.3g} s cannot be seen"
        table.note("counter-wrap", message, 0)
    if np.any(ticks[1:] < ticks[:-1]):
        ticks, kept = correct_steps_back(ticks, stamps.unit_s, stamps.wrap, table)
        table = table.select(kept)
    steps = scan(table.source, ticks, stamps.unit_s, counted=stamps.counted)
    if steps.rate_error > WORST_RATE_SHARE and not steps.edges.size:
        return _count_lines(steps, stamps, table, fs)
    if steps.repeated and not steps.resolution:
        ticks, steps = _spread_rounding(ticks, steps, stamps.unit_s, table)
    if steps.repeated and (doubled := find_doubled_lines(ticks, table)).size:
        single = np.delete(np.arange(ticks.size), doubled)
        ticks, table = ticks[single], table.select(single)
        steps = scan(table.source, ticks, stamps.unit_s)
    if not stamps.counted:
        check_rates(ticks, steps, stamps.unit_s, table)
    lines = [table.line_of(int(edge)) for edge in steps.edges]
    values, findings = table.values, table.findings
    if steps.losses and not steps.resolution:
        ticks, values, steps = _fill_losses(ticks, steps, table)
    clock = _fit(ticks, values, stamps, steps)
    resolution_s = max(steps.resolution, 1.0 if is_whole(stamps.raw) else 0.0) * stamps.unit_s
    if clock.timing_error_s > max(STRAY_S, 1.0 / clock.fs, 2.0 * resolution_s):
        stray_s = clock.timing_error_s
        clock = _lay_on_grid(ticks, clock, stamps.unit_s, steps.mean, resolution_s)
        findings.add(
            "resampled",
            f"the stamps deviate by up to {1e3 * stray_s:.3g} ms from an even rate; resampled to"
            f" {clock.fs:.6g} Hz by linear interpolation",
        )
    if clock.gaps:
        message = f"{sum(gap.duration_s for gap in clock.gaps):.3g} s were not recorded; kept as gaps"
        findings.add("gap", message, count=len(clock.gaps), line=lines[0], sample=clock.gaps[0].sample)
    _add_clock_findings(clock, steps, stamps, fs, findings)
    return clock


def _count_lines(steps: Steps, stamps: Stamps, table: Table, fs: float | None) -> Clock:
    """The clock of a log whose stamps hardly change: its lines, at the rate that was given.

    Raises RecordingError if none was.
    """
    step = f"their step is {steps.resolution * stamps.unit_s:g} s"
    if fs is None:
        raise RecordingError(f"{table.source}: its stamps change too seldom for a rate: {step}; give fs=")
    message = f"stamps change too seldom for a rate: {step}; lines are counted at the {fs:g} Hz given"
    table.findings.add("coarse-stamps", message, count=steps.repeated)
    return estimate_clock(Stamps(np.arange(table.values.size, dtype=np.float64), 1.0 / fs, None, True), table, fs)


def _spread_rounding(ticks: FloatArray, steps: Steps, unit_s: float, table: Table) -> tuple[FloatArray, Steps]:
    """Stamps of about one unit a period, without those that repeat and are skipped because of rounding."""
    runs = find_rounding(ticks, steps.period, whole=is_whole(ticks))
    if not runs:
        return ticks, steps
    even = spread_rounding(ticks, runs)
    spread = scan(table.source, even, unit_s)
    table.note("repeated-stamp", REPEATED, runs[0][0], count=steps.repeated - spread.repeated)
    return even, spread


def find_doubled_lines(ticks: FloatArray, table: Table) -> IntArray:
    """Samples with the stamp and the value of the previous one, where the logger wrote lines twice. Coarse stamps also
    repeat, but then values at equal stamps differ as others do, and there are none.
    """
    steps = np.diff(ticks)
    second = np.flatnonzero(steps == 0) + 1
    alike = np.diff(table.values) == 0
    same = alike[second - 1]
    coarse = second.size > COARSE_SHARE * ticks.size or (is_whole(ticks) and np.median(steps) == 1.0)
    if coarse and (same.mean() < DOUBLED_SHARE or alike[steps > 0].mean() > ALIKE_SHARE):
        if second.size <= COARSE_SHARE * ticks.size:
            table.note("repeated-stamp", REPEATED, int(second[0]), count=second.size)
        return second[:0]
    for which, code, message in (
        (same, "doubled-line", "a line occurs twice; left out once"),
        (~same, "repeated-stamp", REPEATED),
    ):
        if which.any():
            table.note(code, message, int(second[which][0]), count=int(which.sum()))
    return second[same]


def _fill_losses(ticks: FloatArray, steps: Steps, table: Table) -> tuple[FloatArray, FloatArray, Steps]:
    """Stamps and values with single lost samples filled in by linear interpolation.

    Raises RecordingError if more samples would be filled in than exist.
    """
    missing = count_missing(ticks, steps.period, steps.longest, steps.edges)
    lost = int(missing.sum())
    if not lost:
        return ticks, table.values, steps
    first = int(np.argmax(missing > 0.0)) + 1
    if lost > ticks.size:
        raise RecordingError(
            f"{table.place(first)}: {lost} samples are missing between {ticks.size}; log at a lower rate, with fewer"
            " bytes a line"
        )
    table.note("lost-samples", "single samples are missing; filled in by linear interpolation", first, count=lost)
    places = np.arange(ticks.size) + np.concatenate([[0.0], np.cumsum(missing)])
    every = np.arange(ticks.size + lost, dtype=np.float64)
    filled = np.interp(every, places, ticks)
    edges = places[steps.edges].astype(np.int64)
    span = (filled[-1] - filled[0]) - (filled[edges] - filled[edges - 1]).sum()
    mean = float(span / (filled.size - 1 - edges.size))
    return filled, np.interp(every, places, table.values), replace(steps, edges=edges, period=mean, mean=mean)


def _lay_on_grid(ticks: FloatArray, clock: Clock, unit_s: float, period: float, resolution_s: float) -> Clock:
    """Interpolate each stretch to an even grid from its first stamp, at the mean period of all.

    Coarse stamps are smoothed first, by the mean deviation of their neighbours.
    """
    reach = round(4.0 * resolution_s / (period * unit_s))
    parts: list[FloatArray] = []
    gaps: list[Gap] = []
    stretches: list[Stretch] = []
    size, end, worst = 0, 0.0, 0.0
    for stretch in clock.stretches:
        start, stop = stretch.start, stretch.stop
        even = ticks[start] + period * np.arange(stop - start)
        times = even + _smooth(ticks[start:stop] - even, min(reach, (stop - start) // 4))
        worst = max(worst, float(np.abs(times - ticks[start:stop]).max()))
        if start:
            gaps.append(Gap(size, float((times[0] - end) * unit_s)))
        grid = times[0] + period * np.arange(max(1, round((times[-1] - times[0]) / period) + 1))
        parts.append(np.interp(grid, times, clock.values[start:stop]))
        own = (stop - start - 1) / max(ticks[stop - 1] - ticks[start], period)
        stretches.append(Stretch(size, size + grid.size, float(own / unit_s), stretch.jitter_s))
        size += grid.size
        end = float(grid[-1]) + period
    return Clock(np.concatenate(parts), 1.0 / (period * unit_s), tuple(gaps), tuple(stretches), worst * unit_s)


def _smooth(values: FloatArray, reach: int) -> FloatArray:
    """Moving mean over `reach` samples to either side; the edges repeat."""
    if reach < 1:
        return values
    sums = np.cumsum(np.pad(values, (reach + 1, reach), mode="edge"))
    return (sums[2 * reach + 1 :] - sums[: -2 * reach - 1]) / (2 * reach + 1)


def _fit(ticks: FloatArray, values: FloatArray, stamps: Stamps, steps: Steps) -> Clock:
    """Rate from the span of the gap-free stretches, the position of each, and the errors of the fit.

    The position of a stretch is its mean offset, so that the jitter of its first stamp does not shift it.
    """
    gaps: list[Gap] = []
    stretches: list[Stretch] = []
    offset = worst = 0.0
    for start, stop in pairwise([0, *map(int, steps.edges), ticks.size]):
        mean, least, greatest, spread = measure_stretch(
            ticks, start, stop, ticks[0], steps.mean, LOSS_PERIODS * steps.period
        )
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
    error_s = float("nan") if stamps.counted else float(worst * stamps.unit_s)
    return Clock(values, float(fs), tuple(gaps), tuple(stretches), error_s)


def _add_clock_findings(clock: Clock, steps: Steps, stamps: Stamps, fs: float | None, findings: FindingList) -> None:
    """Add findings on rates, jitter and coarse stamps."""
    if steps.resolution:
        resolution_s = steps.resolution * stamps.unit_s
        findings.add(
            "coarse-stamps",
            f"stamps repeat: their step of {resolution_s:g} s is longer than the period of"
            f" {1 / clock.fs:.3g} s; the rate comes from where they change, with an error of up to"
            f" {100 * steps.rate_error:.2g} %",
            count=steps.repeated,
        )
    if stamps.counted:
        return
    if fs is not None and abs(fs / clock.fs - 1.0) > GIVEN_RATE_SHARE:
        findings.add(
            "rate-differs", f"the stamps give {clock.fs:.4g} Hz, not {fs:g} Hz; the rate of the stamps is used"
        )
    long = [stretch for stretch in clock.stretches if stretch.stop - stretch.start >= LONG_STRETCH]
    jitter_s = max((stretch.jitter_s for stretch in long), default=0.0)
    rounding_s = 0.5 * stamps.unit_s if is_whole(stamps.raw) else 0.0  # whole stamps vary by it
    if not steps.resolution and jitter_s > max(JITTER_SHARE / clock.fs, rounding_s):
        findings.add(
            "jitter",
            f"the sampling interval varies by {1e6 * jitter_s:.0f} µs (standard deviation) around"
            f" {1e6 / clock.fs:.0f} µs; use a timer in the logger",
        )
