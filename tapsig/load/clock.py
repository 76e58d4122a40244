"""From the stamps of a log to its rate, its gaps and its faults: wraps and resets told apart, nothing interpolated."""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from tapsig.errors import RecordingError
from tapsig.load.findings import FindingList, Stretch
from tapsig.records import Gap
from tapsig.units import FloatArray, IntArray

GAP_S = 0.01  # less is taken up by the mean rate: well inside a match window of ±25 ms
GAP_PERIODS = 2.5
LOSS_PERIODS = 1.5
WRAP_S = 0.1  # a counter that wraps goes on at once, a restart takes longer (common practice, no source)
MOST_STEPS_BACK = 10_000
COARSE_SHARE = 0.01
JITTER_SHARE = 0.1
RATE_SHARE, WORST_RATE_SHARE = 0.01, 0.1
WORST_TIMING_S = 0.01
MOST_GAPS = 100_000


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


def settle_clock(source: str, stamps: Stamps, values: FloatArray, line_of: Callable[[int], int], texts: IntArray,
                 fs: float | None, findings: FindingList) -> Clock:
    """The clock of a log. `line_of` tells a sample's line; `texts` are samples before which a text stood.

    Raises RecordingError for stamps that stand still, or that restart so that most of the log comes after.
    """
    ticks, kept = stamps.raw, np.empty(0, dtype=np.int64)
    all_kept = True
    if np.any(ticks[1:] < ticks[:-1]):
        ticks, kept = _settle_steps_back(source, stamps, line_of, texts, findings)
        all_kept = kept.size == stamps.raw.size
    period = _typical_period(source, ticks)
    steps = np.diff(ticks)
    coarse = _is_coarse(steps, stamps, period, findings)
    if not coarse:
        doubled = np.flatnonzero(steps == 0)
        where = kept if not all_kept else None
        doubled = _doubled_lines(doubled, values, where, line_of, findings)
        if doubled.size:
            kept = np.delete(np.arange(stamps.raw.size) if all_kept else kept, doubled + 1)
            all_kept, ticks = False, np.delete(ticks, doubled + 1)
            steps = np.diff(ticks)
    sample_line = (lambda i: line_of(i)) if all_kept else (lambda i: line_of(int(kept[i])))
    return _fit(source, ticks, steps, stamps, period, coarse, fs, sample_line, None if all_kept else kept, findings)


def _typical_period(source: str, ticks: FloatArray) -> float:
    """Typical sampling period in units: the median over spans of many samples, so that coarse stamps do not matter."""
    lag = min(64, max(1, ticks.size // 4))
    period = float(np.median(ticks[lag:] - ticks[:-lag])) / lag if ticks.size > lag else 0.0
    if not period > 0 and ticks.size > 1:
        period = float(ticks[-1] - ticks[0]) / (ticks.size - 1)
    if not period > 0:
        raise RecordingError(f"{source}: its time stamps stand still; give fs= and take the time column out")
    return period


def _settle_steps_back(source: str, stamps: Stamps, line_of: Callable[[int], int], texts: IntArray,
                       findings: FindingList) -> tuple[FloatArray, IntArray]:
    """Ascending stamps: wraps undone, spoilt stamps left out, everything after a restart left out."""
    ticks, kept = stamps.raw.copy(), np.arange(stamps.raw.size)
    rough = np.abs(np.diff(ticks[: 1 << 20]))
    period = float(np.median(rough)) if rough.size else 0.0
    handled = 0
    while (back := np.flatnonzero(ticks[1:] < ticks[:-1])).size:
        handled += back.size
        if handled > MOST_STEPS_BACK:
            raise RecordingError(f"{source}: its time stamps go back in over {MOST_STEPS_BACK} places, one is line"
                                 f" {line_of(int(kept[back[0] + 1]))}; is the time column the right one?")  # fmt: skip
        drop, restart = _judge_steps_back(ticks, back, kept, stamps, period, line_of, texts, findings)
        if restart is not None:
            _check_restart(source, ticks, restart, kept, line_of, findings)
            ticks, kept = ticks[: restart + 1], kept[: restart + 1]
            drop = [index for index in drop if index <= restart]
        ticks, kept = np.delete(ticks, drop), np.delete(kept, drop)
    return ticks, kept


def _judge_steps_back(
    ticks: FloatArray, back: IntArray, kept: IntArray, stamps: Stamps, period: float, line_of: Callable[[int], int],
    texts: IntArray, findings: FindingList,
) -> tuple[list[int], int | None]:  # fmt: skip
    """Samples to leave out, and the last sample before a restart; wraps are undone in place."""
    drop: list[int] = []
    with_text = set(texts.tolist())
    for i in map(int, back):
        before, after = ticks[i], ticks[i + 1]
        spoken = any(sample in with_text for sample in range(int(kept[i]) + 1, int(kept[i + 1]) + 1))
        elapsed = (after + stamps.wrap - before) if stamps.wrap is not None else -1.0
        limit = max(WRAP_S / stamps.unit_s, 20 * period)
        if stamps.wrap is not None and 0 <= elapsed <= limit and before < stamps.wrap and not spoken:
            ticks[i + 1 :] += stamps.wrap
            findings.add("counter-wrap", f"the counter wraps at {stamps.wrap:.0f}; the time goes on",
                         line=line_of(int(kept[i + 1])))  # fmt: skip
        elif i == 0 or (after >= ticks[i - 1] and after - ticks[i - 1] <= limit):
            drop.append(i)
            _add_spoilt(findings, before, line_of(int(kept[i])))
        elif i + 2 < ticks.size and before <= ticks[i + 2] <= before + limit:
            drop.append(i + 1)
            _add_spoilt(findings, after, line_of(int(kept[i + 1])))
        elif after >= ticks[i - 1]:
            drop.append(i)
            _add_spoilt(findings, before, line_of(int(kept[i])))
        elif i + 2 < ticks.size and ticks[i + 2] >= before:
            drop.append(i + 1)
            _add_spoilt(findings, after, line_of(int(kept[i + 1])))
        else:
            return drop, i
    return drop, None


def _add_spoilt(findings: FindingList, stamp: float, line: int) -> None:
    findings.add("spoilt-stamp", f"the stamp {stamp:g} does not fit its neighbours; line left out", line=line)


def _check_restart(source: str, ticks: FloatArray, last: int, kept: IntArray, line_of: Callable[[int], int],
                   findings: FindingList) -> None:
    line, rest = line_of(int(kept[last + 1])), ticks.size - last - 1
    what = f"the clock restarts, from {ticks[last]:.0f} to {ticks[last + 1]:.0f}: the time in between is unknown"
    if rest > last + 1:
        raise RecordingError(f"{source}, line {line}: {what}, and most samples come after it ({rest} of {ticks.size});"
                             f" put the lines from there into a file of their own")  # fmt: skip
    findings.add("clock-restart", f"{what}; {rest} samples from there on left out: put them into a file of their own",
                 count=rest, line=line)  # fmt: skip


def _is_coarse(steps: FloatArray, stamps: Stamps, period: float, findings: FindingList) -> bool:
    """Whether many stamps repeat, because their unit is longer than the sampling period."""
    repeated = int(np.count_nonzero(steps == 0))
    if repeated <= COARSE_SHARE * steps.size:
        return False
    step_s = float(np.min(steps[steps > 0], initial=np.inf)) * stamps.unit_s
    findings.add("coarse-stamps", f"stamps repeat: their step of {step_s:g} s is longer than the period of"
                 f" {period * stamps.unit_s:.3g} s; the rate comes from the whole span", count=repeated)  # fmt: skip
    return True


def _doubled_lines(doubled: IntArray, values: FloatArray, kept: IntArray | None, line_of: Callable[[int], int],
                   findings: FindingList) -> IntArray:
    """Of the samples whose successor has the same stamp, those whose successor has the same value too."""
    if not doubled.size:
        return doubled
    first = doubled if kept is None else kept[doubled]
    second = doubled + 1 if kept is None else kept[doubled + 1]
    same = values[first] == values[second]
    if same.any():
        findings.add("doubled-line", "a line stands there twice; left out once", count=int(same.sum()),
                     line=line_of(int(second[same][0])))  # fmt: skip
    if not same.all():
        findings.add("repeated-stamp", "two values have the same stamp; both kept", count=int((~same).sum()),
                     line=line_of(int(second[~same][0])))  # fmt: skip
    return doubled[same]


def _fit(source: str, ticks: FloatArray, steps: FloatArray, stamps: Stamps, period: float, coarse: bool,
         fs: float | None, line: Callable[[int], int], kept: IntArray | None, findings: FindingList) -> Clock:
    """Rate from the span of the gap-free stretches, gaps from their mean offsets, and how well that fits the stamps."""
    resolution = float(np.median(steps[steps > 0])) if coarse else 0.0
    gap = steps > max(GAP_PERIODS * period, period + GAP_S / stamps.unit_s, 1.5 * resolution)
    edges = np.flatnonzero(gap) + 1
    if edges.size > min(MOST_GAPS, max(10, steps.size // 20)):
        raise RecordingError(f"{source}: {edges.size} gaps in {ticks.size} samples, the first in line"
                             f" {line(int(edges[0]))}; log at a lower rate, with fewer bytes a line")  # fmt: skip
    steady = steps[~gap]
    if not steady.size or not steady.sum() > 0:
        raise RecordingError(f"{source}: there is no stretch without gaps, so no rate; log at a lower rate")
    rate = 1.0 / (float(steady.mean()) * stamps.unit_s)
    times = (ticks - ticks[0]) * stamps.unit_s
    gaps = _place_gaps(times, edges, rate)
    bounds = [0, *map(int, edges), ticks.size]
    error = _timing_error(times, bounds, gaps, rate)
    stretches = tuple(_stretch(times, steps, start, stop, rate, LOSS_PERIODS * period, stamps)
                      for start, stop in pairwise(bounds))  # fmt: skip
    if gaps:
        findings.add("gap", f"{sum(g.duration_s for g in gaps):.3g} s were not recorded; kept as gaps",
                     count=len(gaps), line=line(gaps[0].sample), sample=gaps[0].sample)  # fmt: skip
    _add_losses(steps, gap, period, coarse, line, findings)
    _add_rates(source, stretches, rate, fs, resolution * stamps.unit_s, stamps, findings)
    jitter = max((s.jitter_s for s in stretches if s.stop - s.start >= 100), default=0.0)
    if not coarse and jitter > JITTER_SHARE / rate:
        findings.add("jitter", f"the sampling interval varies by {1e6 * jitter:.0f} µs (standard deviation) around"
                     f" {1e6 / rate:.0f} µs; use a timer in the logger")  # fmt: skip
    if error > max(WORST_TIMING_S, 2 * resolution * stamps.unit_s):
        findings.add("timing", f"samples are up to {1e3 * error:.0f} ms away from their stamps, because single lines"
                     " were lost; log at a lower rate")  # fmt: skip
    return Clock(rate, gaps, stretches, float("nan") if stamps.counted else error, kept)


def _place_gaps(times: FloatArray, edges: IntArray, rate: float) -> tuple[Gap, ...]:
    """Each stretch is laid on its stamps by its mean offset, so that the jitter of one stamp does not move it."""
    gaps, so_far = [], 0.0
    bounds = [*map(int, edges), times.size]
    for start, stop in pairwise(bounds):
        offset = float(np.mean(times[start:stop] - np.arange(start, stop) / rate))
        missing = float(times[start] - times[start - 1]) - 1.0 / rate
        duration = offset - so_far if offset > so_far else missing
        gaps.append(Gap(start, duration))
        so_far += duration
    return tuple(gaps)


def _timing_error(times: FloatArray, bounds: list[int], gaps: tuple[Gap, ...], rate: float) -> float:
    worst, offset = 0.0, 0.0
    for index, (start, stop) in enumerate(pairwise(bounds)):
        offset += gaps[index - 1].duration_s if index else 0.0
        grid = np.arange(start, stop, dtype=np.float64)
        grid /= rate
        grid -= times[start:stop]
        grid += offset
        worst = max(worst, float(grid.max()), -float(grid.min()))
    return worst


def _stretch(times: FloatArray, steps: FloatArray, start: int, stop: int, rate: float, longest: float, stamps: Stamps
             ) -> Stretch:  # fmt: skip
    inside = steps[start : stop - 1]
    span = float(times[stop - 1] - times[start])
    own = (stop - start - 1) / span if span > 0 else rate
    regular = inside[inside < longest]
    jitter = float("nan") if stamps.counted or not regular.size else float(np.std(regular)) * stamps.unit_s
    return Stretch(start, stop, own, jitter)


def _add_losses(steps: FloatArray, gap: npt.NDArray[np.bool_], period: float, coarse: bool, line: Callable[[int], int],
                findings: FindingList) -> None:
    """Short losses, which are no gaps: detectors go on across them."""
    if coarse:
        return
    short = (steps > LOSS_PERIODS * period) & ~gap
    count = int(np.rint(steps[short] / period - 1).sum()) if short.any() else 0
    if count:
        findings.add("lost-samples", "single samples are missing; the mean rate takes them up", count=count,
                     line=line(int(np.argmax(short)) + 1))  # fmt: skip


def _add_rates(source: str, stretches: tuple[Stretch, ...], rate: float, fs: float | None, resolution_s: float,
               stamps: Stamps, findings: FindingList) -> None:
    long = [s for s in stretches if s.stop - s.start >= 100]
    for stretch in long:
        share = abs(stretch.fs / rate - 1.0) - 2.0 * resolution_s * stretch.fs / (stretch.stop - stretch.start)
        if share > WORST_RATE_SHARE:
            raise RecordingError(f"{source}: samples {stretch.start} to {stretch.stop - 1} come at {stretch.fs:.4g} Hz,"
                                 f" all at {rate:.4g} Hz; put the parts into files of their own")  # fmt: skip
        if share > RATE_SHARE:
            findings.add("rate-varies", f"a stretch has {stretch.fs:.4g} Hz, all {rate:.4g} Hz; took the mean",
                         sample=stretch.start)  # fmt: skip
    if fs is not None and not stamps.counted and abs(fs / rate - 1.0) > 0.05:
        findings.add("rate-differs", f"the stamps tell {rate:.4g} Hz, not {fs:g} Hz; took the stamps'")
