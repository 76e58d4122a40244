"""The free decays of a recording's taps: where each begins and ends, its noise, and what limits its use."""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from tapsig.analysis.signal_faults import find_step_v
from tapsig.dsp.decimate import decimate
from tapsig.dsp.modes import least_samples
from tapsig.records import TAP, Gap, Recording
from tapsig.units import FloatArray, seconds_to_samples

REBOUND_S = 0.06
NOISE_S = 0.25
RATE_SHARE = 4.0
MAX_ERROR = 0.01  # of the power: -20 dB
RESAMPLED_SHARE = 0.5


def limit_by_losses(recording: Recording) -> tuple[float, str]:
    """Highest frequency at which interpolated samples are acceptable, and how they were made; inf without such.

    Linear interpolation between two samples of a sinusoid of ω has a relative error of at most 1 − cos(ω/fs). With a
    share p of such samples, the error has p (1 − cos(ω/fs))² of the sinusoid's power.
    """
    counts = Counter[str]()
    for finding in recording.findings:
        counts[finding.code] += finding.count
    share = counts["lost-samples"] / max(1, recording.samples.size)
    made = f"{100 * share:.2g} % of the samples were lost and filled in"
    if counts["resampled"] and share < RESAMPLED_SHARE:
        share, made = RESAMPLED_SHARE, "samples were resampled to an even grid"
    cosine = 1.0 - math.sqrt(MAX_ERROR / share) if share else -1.0
    if cosine <= -1.0:
        return math.inf, ""
    return math.acos(cosine) * recording.fs / (2.0 * math.pi), f"{made} by linear interpolation"


def slow_down(recording: Recording, highest_hz: float) -> Recording:
    """The recording resampled to at least RATE_SHARE times `highest_hz`, stretch by stretch; rails do not apply."""
    every = int(recording.fs // (RATE_SHARE * highest_hz))
    if every < 2:
        return recording
    parts = [decimate(recording.samples[start:stop], every) for start, stop in recording.stretches()]
    ends = np.cumsum([part.size for part in parts])
    gaps: list[Gap] = []
    slow_fs = recording.fs / every
    for gap, end in zip(recording.gaps, ends, strict=False):  # the last sample of a stretch may represent fewer
        begins_s = float(recording.times_s(np.array(gap.sample)))
        late_s = begins_s - int(end) / slow_fs - sum(before.duration_s for before in gaps)
        gaps.append(Gap(int(end), max(late_s, 1e-9)))  # that sample may reach over a short gap
    return replace(recording, samples=np.concatenate(parts), fs=slow_fs, gaps=tuple(gaps), range_v=None)


def find_quiet(recording: Recording) -> FloatArray:
    """The quietest stretch of NOISE_S (or of an eighth of the recording), by its variance."""
    whole = recording.samples.size
    size = min(whole, max(2, min(seconds_to_samples(NOISE_S, recording.fs), whole // 8)))
    windows = np.lib.stride_tricks.sliding_window_view(recording.samples, size)[:: max(1, size // 4)]
    return np.asarray(windows[int(np.argmin(windows.var(axis=1)))])


def cut_ringdowns(
    recording: Recording, slow: Recording, taps: FloatArray, settle_s: float, longest_s: float, bias_v: float
) -> tuple[list[FloatArray], dict[str, int]]:
    """Ring-downs from each tap of `slow` to the next event, gap or end, and the number left out by reason.

    Clipping is checked in the original recording.
    """
    labels = recording.labels or ()
    events = np.unique([*taps, *(label.onset_s for label in labels if label.kind not in (TAP, "rebound"))])
    rebounds = np.array([label.onset_s for label in labels if label.kind == "rebound"])
    times = slow.times_s(np.arange(slow.samples.size))
    ends = np.array([stop for _, stop in slow.stretches()])
    at_rail = recording.at_rail()
    clipped_s = recording.times_s(np.flatnonzero(at_rail[:-1] & at_rail[1:]))
    least, kept, left_out = least_samples(slow.fs), [], Counter[str]()
    for tap in taps:
        own = rebounds[(rebounds > tap) & (rebounds < tap + REBOUND_S)]
        begin_s = max([tap, *own]) + settle_s
        later = events[events > tap]
        stop_s = min(begin_s + longest_s, later[0] - 0.002 if later.size else math.inf)
        start, stop = (int(index) for index in np.searchsorted(times, [begin_s, stop_s]))
        hit = int(np.searchsorted(times, tap))
        stop = min(stop, int(ends[np.searchsorted(ends, hit, side="right")])) if hit < times.size else start
        if stop - start < least:
            left_out[f"under {1e3 * least / slow.fs:.0f} ms before the next event or the end"] += 1
        elif np.ptp(np.searchsorted(clipped_s, [times[start], times[stop - 1]])):
            left_out["clipped"] += 1
        else:
            kept.append(slow.samples[start:stop] - bias_v)
    return kept, dict(left_out)


def find_rounding(recording: Recording) -> tuple[float, float]:
    """The level in volts under which rounding to counts distorts a ring-down, and the power of its error; 0 where more
    noise than half a count makes the converter linear.

    A rest of two counts varies by at most half a count rms, and a constant one is at most half a count off.
    """
    step, noise = find_step_v(recording), float(np.std(find_quiet(recording)))
    return (step + noise, 0.25 * step**2) if noise < 0.5 * step else (0.0, 0.0)


def cut_above(ringdowns: Sequence[FloatArray], level_v: float, least: int) -> list[FloatArray]:
    """Each ring-down up to its last value of at least `level_v`, without those of fewer than `least` samples then."""
    cut = [values[: np.flatnonzero(np.abs(values) >= level_v).max(initial=-1) + 1] for values in ringdowns]
    return [values for values in cut if values.size >= least]
