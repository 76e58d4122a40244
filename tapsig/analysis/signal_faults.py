"""Faults that show in the samples of one recording."""

import itertools
import math
from collections.abc import Iterator

import numpy as np

from tapsig.analysis.faults import HealthFinding, describe_fault
from tapsig.records import Recording
from tapsig.units import BoolArray, FloatArray, IntArray, seconds_to_samples

WINDOW_S = 0.05
LINE_BLOCK_S = 0.5
LOWEST_RATE_HZ = 500.0
FEW_COUNTS = 24.0
"""Peak to peak, under which the converter resolves an event poorly."""
MAINS_HZ = (50.0, 60.0)


def find_signal_faults(recording: Recording, *, bias: float, noise: float, peak: float) -> Iterator[HealthFinding]:
    """All faults of a recording with this median, noise and largest deviation from the median, in volts."""
    samples = recording.samples
    extent = list(_check_extent(recording))
    yield from extent
    if samples.size and float(np.ptp(samples)) == 0.0:
        message = f"every sample is {bias:.4g} V: nothing is connected, or the channel is the wrong one"
        yield describe_fault("constant", message, bias, first_s=0.0)
    elif samples.size >= 16:
        one_sided = list(_check_one_sided(recording, bias, noise))
        yield from one_sided or _check_bias(recording, bias)
        clipped = list(_check_clipping(recording, bias, noise, lost_half=bool(one_sided)))
        yield from clipped
        yield from _check_drift(recording, noise)
        yield from _check_stuck(recording, noise)
        # The noise is not known where the rails cut it off, nor in a recording without enough rest.
        masked = any(
            fault.code in ("too-short", "clipped") and fault.severity == "error" for fault in (*extent, *clipped)
        )
        for fault in itertools.chain(
            _check_floor(recording, noise, peak),
            _check_lines(recording, noise),
            _check_bandwidth(recording, floor_noise(noise, recording)),
            _check_response(recording, bias, noise, peak),
        ):
            if not (masked and fault.code in ("noisy", "nothing-heard")):
                yield fault


def _windows(samples: FloatArray, fs: float, length_s: float) -> FloatArray:
    """Consecutive whole windows of `length_s`, shape (k, m); a shorter signal is one window."""
    size = min(samples.size, seconds_to_samples(length_s, fs, at_least=8))
    return samples[: samples.size // size * size].reshape(-1, size) if size else samples.reshape(0, 1)


def measure_noise(samples: FloatArray, fs: float) -> float:
    """Root mean square in the quietest twentieth of the windows; nan without samples.

    Every second sample chooses the windows, and the others are measured: those that chose them are quiet by chance too.
    """
    windows = _windows(samples, fs, WINDOW_S)
    if windows.shape[1] < 4:
        return float(samples.std()) if samples.size else math.nan
    quietest = np.argsort(windows[:, ::2].std(axis=1))[: max(1, len(windows) // 20)]
    return float(np.sqrt(np.mean(windows[quietest, 1::2].var(axis=1, ddof=1))))


def find_step_v(recording: Recording) -> float:
    """One count in volts: from the converter where it is known, else the smallest step that occurs."""
    if recording.step_v:
        return recording.step_v
    levels = np.unique(recording.samples)
    return float(np.diff(levels).min()) if levels.size > 1 else math.nan


def floor_noise(noise: float, recording: Recording) -> float:
    """The noise in volts, at least that of rounding to counts: step/√12, which a constant rest does not show."""
    step = find_step_v(recording)
    return max(noise, step / math.sqrt(12.0)) if step > 0 else noise


def _check_extent(recording: Recording) -> Iterator[HealthFinding]:
    """A recording or a sample rate that shows too little."""
    length_s, fs = recording.duration_s, recording.fs
    if length_s < 0.5:
        message = f"it lasts {1e3 * length_s:.3g} ms: too short to judge, or to hold a tap"
        yield describe_fault("too-short", message, length_s)
    if fs < LOWEST_RATE_HZ:
        yield describe_fault("rate-low", f"{fs:g} Hz cannot show a contact of a few milliseconds", fs)


def _runs(mask: BoolArray) -> tuple[IntArray, IntArray]:
    """Start and length of each run of true."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return edges[::2].astype(np.int64), (edges[1::2] - edges[::2]).astype(np.int64)


def _piles_up(samples: FloatArray, extreme: float, step: float) -> bool:
    """Whether samples accumulate at the extreme, as with a clamp: more than in the three levels next to it."""
    beside = np.abs(samples - extreme)
    return int((beside < 0.5 * step).sum()) > max(8, int(((beside >= 0.5 * step) & (beside < 3.5 * step)).sum()))


def _check_clipping(recording: Recording, bias: float, noise: float, *, lost_half: bool) -> Iterator[HealthFinding]:
    """Samples at the rails (known ones, or where values accumulate); a lost half is a separate finding.

    Values accumulate at the extreme of a quiet rest of two or three counts too, hence the least distance from the bias.
    """
    samples, step = recording.samples, find_step_v(recording)
    sides = []
    for name, extreme, rail in (("upper", samples.max(), 1), ("lower", samples.min(), 0)):
        if name == "lower" and lost_half:
            continue
        range_v = recording.range_v
        at_rail = range_v is not None and bool(abs(extreme - range_v[rail]) <= 1.5 * step)
        mask = np.abs(samples - extreme) <= 0.5 * step  # half of the smallest number is 0
        starts, lengths = _runs(mask)
        far = abs(extreme - bias) >= max(0.5 * FEW_COUNTS * step, 6.0 * noise)
        if (at_rail and (lengths.max() >= 2 or mask.mean() > 0.01)) or (far and _piles_up(samples, extreme, step)):
            sides.append((name, float(extreme), int(mask.sum()), int(lengths.max()), int(starts[0])))
    if not sides:
        return
    names, levels, counts, longest, firsts = zip(*sides, strict=True)
    share = sum(counts) / samples.size
    where = "both rails" if len(sides) == 2 else f"the {names[0]} rail"
    message = (
        f"{sum(counts)} samples ({100 * share:.2g} %) at {where}, {' and '.join(f'{level:.4g} V' for level in levels)};"
        f" longest run {1e3 * max(longest) / recording.fs:.3g} ms"
    )
    first_s = float(recording.times_s(np.array([min(firsts)]))[0])
    severity = "error" if share > 0.01 else "warning" if share > 1e-4 else "note"
    yield describe_fault("clipped", message, share, first_s=first_s, severity=severity)


def _check_one_sided(recording: Recording, bias: float, noise: float) -> Iterator[HealthFinding]:
    """Without a bias, a converter that starts at 0 V loses negative voltages: the rest level is at the bottom."""
    samples = recording.samples
    up, down = float(samples.max() - bias), float(bias - samples.min())
    small, large = min(up, down), max(up, down)
    step = find_step_v(recording)
    if large < 10 * max(noise, step) or small > max(0.05 * large, 1.5 * step):
        return
    half = "negative" if down < up else "positive"
    message = f"the {half} half is missing: {up:.3g} V up from rest, {down:.3g} V down"
    yield describe_fault("half-lost", message, small / large)


def _check_bias(recording: Recording, bias: float) -> Iterator[HealthFinding]:
    """A bias far from the middle of the span."""
    if recording.range_v is None:
        return
    low, high = recording.range_v
    off = (bias - 0.5 * (low + high)) / (0.5 * (high - low))
    if abs(off) >= 0.2:
        part = f"{100 * abs(off):.0f} % of half the span"
        yield describe_fault("bias-off", f"the bias, {bias:.4g} V, is {part} off mid-scale: that side clips early", off)


def _check_drift(recording: Recording, noise: float) -> Iterator[HealthFinding]:
    """A bias that moves from one second to another."""
    medians = np.median(_windows(recording.samples, recording.fs, 1.0), axis=1)
    if medians.size < 4:
        return
    span = np.ptp(recording.samples) if recording.range_v is None else recording.range_v[1] - recording.range_v[0]
    starts = np.arange(medians.size) * seconds_to_samples(1.0, recording.fs)
    yield from find_drift(medians, recording.times_s(starts), float(span), noise)


def find_drift(medians: FloatArray, times_s: FloatArray, span_v: float, noise: float) -> Iterator[HealthFinding]:
    """The finding of a drifting bias, from the medians of windows that begin at `times_s`."""
    drift = float(np.ptp(medians))
    if drift >= max(0.02 * span_v, 6.0 * noise):
        first_s = float(times_s[np.argmax(np.abs(medians - medians[0]) > 0.5 * drift)])
        yield describe_fault("bias-drift", f"the bias moves by {drift:.3g} V", drift, first_s=first_s)


def _check_stuck(recording: Recording, noise: float) -> Iterator[HealthFinding]:
    """The same value for over 20 ms although the noise exceeds one count: a blocked or repeated reading."""
    if not noise > 0.7 * find_step_v(recording):
        return
    low, high = float(recording.samples.min()), float(recording.samples.max())
    same = (np.diff(recording.samples) == 0) & (recording.samples[1:] > low) & (recording.samples[1:] < high)
    starts, lengths = _runs(same)
    long = lengths >= max(20, seconds_to_samples(0.02, recording.fs))
    if long.any():
        worst = float(lengths[long].max() / recording.fs)
        message = f"{int(long.sum())} stretches of one unchanging value, the longest {1e3 * worst:.3g} ms"
        yield describe_fault("stuck", message, worst, first_s=float(recording.times_s(starts[long][:1])[0]))


def _check_floor(recording: Recording, noise: float, peak: float) -> Iterator[HealthFinding]:
    """Noise that fills much of the span, or events that fill little of it."""
    step = find_step_v(recording)
    if recording.range_v is not None and noise > 0.01 * (recording.range_v[1] - recording.range_v[0]):
        yield describe_fault(
            "noisy", f"even the quietest stretch has {1e3 * noise:.3g} mV, over 1 % of the span", noise
        )
    if 2.0 * peak < FEW_COUNTS * step:
        counts = 2.0 * peak / step
        yield describe_fault("few-counts", f"the largest event spans {counts:.0f} counts of the converter", counts)


def _check_lines(recording: Recording, noise: float) -> Iterator[HealthFinding]:
    """A steady spectral line with half of the power of the noise floor: hum near mains multiples, otherwise a tone.

    Steady: over calm blocks of half a second, its amplitude varies by less than 15 % (noise, Rayleigh-distributed:
    52 %) and no other line is beside it. This excludes modes under continuous excitation.
    """
    fs = recording.fs
    blocks = _windows(recording.samples, fs, LINE_BLOCK_S)
    if blocks.shape[0] < 4 or fs < 4.0 * MAINS_HZ[0]:
        return
    calm = blocks[np.argsort(blocks.std(axis=1))[: max(4, blocks.shape[0] // 4)]]
    window = np.hanning(blocks.shape[1])
    amplitude = 2.0 * np.abs(np.fft.rfft((calm - calm.mean(axis=1, keepdims=True)) * window, axis=1)) / window.sum()
    mean, spread = amplitude.mean(axis=0), amplitude.std(axis=0)
    step_hz = fs / blocks.shape[1]
    candidates = (mean > 1.0 * noise) & (spread < 0.15 * mean)
    candidates[: round(20.0 / step_hz)] = False
    lines: list[tuple[float, float]] = []
    for k in np.flatnonzero(candidates)[np.argsort(-mean[candidates])].tolist():
        beside = [*mean[max(k - 6, 0) : k - 2], *mean[k + 3 : k + 7]]
        if mean[k] >= max(mean[k - 1 : k + 2]) and mean[k] > 6.0 * max(beside, default=0.0) and len(lines) < 5:
            before, after = mean[k - 1], mean[min(k + 1, blocks.shape[1] - k - 1)]  # half the rate is a mirror
            ratio = float(max(before, after) / mean[k])
            shift = max(0.0, (2.0 * ratio - 1.0) / (ratio + 1.0))  # of a Hann window between two bins
            height = float(mean[k] / (np.sinc(shift) / (1.0 - shift**2)))  # its main lobe, 1.42 dB less halfway
            lines.append(((k + (shift if after > before else -shift)) * step_hz, height))
    for frequency, height in lines:
        yield _name_line(frequency, height)


def _name_line(frequency_hz: float, amplitude_v: float) -> HealthFinding:
    for mains in MAINS_HZ:
        multiple = round(frequency_hz / mains)
        if 1 <= multiple <= 6 and abs(frequency_hz - multiple * mains) < 0.7:
            message = f"hum at {frequency_hz:.1f} Hz ({multiple} × {mains:g}), {1e3 * amplitude_v:.3g} mV"
            return describe_fault("hum", message, frequency_hz)
    message = f"a steady tone at {frequency_hz:.1f} Hz, {1e3 * amplitude_v:.3g} mV"
    return describe_fault("tone", message, frequency_hz)


def _check_bandwidth(recording: Recording, noise: float) -> Iterator[HealthFinding]:
    """Energy of the loud windows in the top fifth of the band, which indicates aliasing."""
    fs = recording.fs
    windows = _windows(recording.samples, fs, WINDOW_S)
    power = windows.var(axis=1)
    loud = windows[power > 100.0 * noise**2]
    if fs < LOWEST_RATE_HZ or not loud.shape[0] or windows.shape[1] < 20:
        return
    shape = np.hanning(windows.shape[1])
    spectrum = np.mean(np.abs(np.fft.rfft((loud - loud.mean(axis=1, keepdims=True)) * shape, axis=1)) ** 2, axis=0)
    spectrum = np.maximum(spectrum - noise**2 * np.sum(shape**2), 0.0)
    share = float(spectrum[int(0.8 * spectrum.size) :].sum() / max(spectrum.sum(), 1e-300))
    if share >= 0.02:
        message = (
            f"{100 * share:.1f} % of the loud parts' energy lies in the top fifth of the band:"
            f" at {fs:g} Hz, frequencies above {fs / 2:g} Hz alias"
        )
        yield describe_fault("band-too-wide", message, share)


def _check_response(recording: Recording, bias: float, noise: float, peak: float) -> Iterator[HealthFinding]:
    """Whether anything rises over the noise, and whether the labelled taps do."""
    if peak < 8.0 * noise:
        ratio = peak / noise
        yield describe_fault("nothing-heard", f"nothing rises over {ratio:.0f} times the noise", ratio)
        return
    if recording.taps_s.size < 2:
        return
    times = recording.times_s(np.arange(recording.samples.size))
    departures = np.abs(recording.samples - bias)
    spans = (np.searchsorted(times, [tap - 0.005, tap + 0.05]) for tap in recording.taps_s)
    heights = np.array([departures[start:stop].max(initial=0.0) for start, stop in spans])
    quiet = float(np.mean(heights < 6.0 * noise))
    if quiet >= 0.8:
        message = f"{100 * quiet:.0f} % of the labelled taps do not rise over 6 times the noise"
        yield describe_fault("labels-unheard", message, quiet)
