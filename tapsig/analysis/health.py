"""Faults of a recording and their remedies. A recording without problems has no findings."""

import itertools
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass

import numpy as np

from tapsig.loading.findings import LoadReport
from tapsig.records import Recording, require_recording
from tapsig.results import Result
from tapsig.units import FloatArray, IntArray, seconds_to_samples

SEVERITIES = ("error", "warning", "note")
WINDOW_S = 0.05
LINE_BLOCK_S = 0.5
LOWEST_RATE_HZ = 500.0
MAINS_HZ = (50.0, 60.0)

# Severity and remedy of the loader's findings; its other findings were repaired and are notes.
LOAD_ADVICE = {
    "gap": ("warning", "log faster than you sample, or write binary: bytes a line against the baud rate"),
    "resampled": ("warning", "sample from a timer interrupt instead of the main loop"),
    "lost-samples": ("warning", "log faster than you sample, or write binary: bytes a line against the baud rate"),
    "jitter": ("warning", "sample from a timer interrupt instead of the main loop"),
    "coarse-stamps": ("note", "stamp in microseconds"),
    "rate-varies": ("warning", "sample from a timer interrupt; split the log where the rate changes"),
    "rate-differs": ("warning", "correct the rate you gave, or the file's"),
    "volts-assumed": ("note", "name the column volts or mv, or give the bits of the converter"),
    "decimal-comma": ("note", "nothing, if it is one column; else put a header such as time_us,adc before it"),
    "signed-counts": ("note", "nothing, if the converter gives signed counts"),
    "out-of-range": ("error", "check adc_bits; a count outside the converter's range is a reading fault"),
    "beyond-full-scale": ("error", "give --full-scale-v as the recorder was set"),
    "malformed-line": ("warning", "lower the line rate or raise the baud rate: lines were cut or merged"),
    "clock-restart": ("error", "move the lines after the restart to another file; find what reset the logger"),
    "spoilt-stamp": ("note", "nothing, if they are few; else check baud rate and cable"),
    "undefined-samples": ("warning", "find what interrupted the recorder"),
    "full-scale-assumed": ("warning", "give --full-scale-v: without it, volts are fractions of the converter's range"),
    "labels-beside": ("note", "nothing, if they are those of this recording"),
    "labels-unusable": ("warning", "correct the label file, or name another with --labels"),
    "column-chosen": ("note", "nothing, if it is the right one; else --column NAME"),
    "channel-chosen": ("note", "nothing, if it is the right one; else --channel N"),
    "padding": ("warning", "close the file before you switch the logger off"),
    "padded-end": ("warning", "close the file before you switch the recorder off"),
    "data-size-missing": ("warning", "close the file before you switch the recorder off"),
    "data-size-small": ("warning", "close the file before you switch the recorder off"),
    "data-size-wrapped": ("note", "nothing; other programs may read only the first part: split such recordings"),
    "trailing-bytes": ("warning", "find what wrote to the file after the recorder"),
    "counter-wrap": ("note", "nothing, unless it has 16 bits: then stamp with 32"),
    "doubled-line": ("warning", "find why the logger writes lines twice"),
    "truncated": ("warning", "stop the recorder before you remove its card or cable"),
}


@dataclass(frozen=True, slots=True)
class HealthFinding:
    """One fault: a stable code, its severity, a description, `value` in `unit`, the remedy, and its first time."""

    code: str
    severity: str
    message: str
    advice: str
    value: float = math.nan
    unit: str = ""
    first_s: float = math.nan


@dataclass(frozen=True, slots=True, repr=False)
class HealthReport(Result):
    """Findings, worst first, and general figures of the recording.

    Parameters
    ----------
    bias_v : median.
    noise_v : root mean square in the quietest twentieth of the windows of 50 ms.
    effective_bits : log2 of the span between the rails over √12 times the noise, which is at least the quantisation
        noise (IEEE 1241, from memory); nan where the rails are not known.
    peak_v : largest deviation from the bias.
    """

    findings: tuple[HealthFinding, ...]
    duration_s: float
    fs: float
    bias_v: float
    noise_v: float
    effective_bits: float
    peak_v: float
    source: str = ""
    position: str = ""

    def __iter__(self) -> Iterator[HealthFinding]:
        return iter(self.findings)

    def rows(self) -> list[dict[str, object]]:
        """One row for each finding."""
        return [asdict(finding) for finding in self.findings]

    def _describe(self) -> str:
        found = ", ".join(f"{finding.severity} {finding.code}" for finding in self.findings[:4]) or "nothing found"
        more = f" and {len(self.findings) - 4} more" if len(self.findings) > 4 else ""
        return f"{self.duration_s:.4g} s at {self.fs:g} Hz: {found}{more}"

    @property
    def ok(self) -> bool:
        """Whether no finding is worse than a note."""
        return all(finding.severity == "note" for finding in self.findings)

    def codes(self) -> tuple[str, ...]:
        """The codes of the findings."""
        return tuple(finding.code for finding in self.findings)

    def to_dict(self) -> dict[str, object]:
        """Plain Python types."""
        return {**asdict(self), "findings": [asdict(finding) for finding in self.findings]}


def check_health(recording: Recording, report: LoadReport | None = None) -> HealthReport:
    """Check a recording for faults.

    Parameters
    ----------
    recording : Recording
        The recording.
    report : LoadReport
        Findings of the loader (see `tapsig.loading.read_recording`); None: those of the recording.

    Returns
    -------
    HealthReport
        Findings, worst first, and general figures of the recording.

    Examples
    --------
    >>> rng = np.random.default_rng(0)
    >>> check_health(Recording(0.01 * rng.standard_normal(8000), 8000.0, range_v=(-1.0, 1.0))).codes()
    ('nothing-heard',)
    """
    samples, fs = require_recording(recording).samples, recording.fs
    bias = float(np.median(samples)) if samples.size else math.nan
    noise = _measure_noise(samples, fs)
    peak = float(np.max(np.abs(samples - bias))) if samples.size else math.nan
    gap_s = recording.gaps[0].sample / fs if recording.gaps else math.nan
    findings = list(carry_over(report or LoadReport(recording.source, recording.findings), gap_s))
    findings += _check_extent(recording)
    if samples.size and float(np.ptp(samples)) == 0.0:
        findings.append(
            HealthFinding(
                "constant",
                "error",
                f"every sample is {bias:.4g} V: nothing is connected, or the channel is the wrong one",
                "check the wiring and --channel",
                bias,
                "V",
                0.0,
            )
        )
    elif samples.size >= 16:
        one_sided = _check_one_sided(recording, bias, noise)
        findings += one_sided or _check_bias(recording, bias)
        findings += _check_clipping(recording, lost_half=bool(one_sided))
        findings += _check_drift(recording, noise)
        findings += _check_stuck(recording, noise)
        findings += _check_floor(recording, noise, peak)
        findings += _check_lines(recording, noise)
        findings += _check_bandwidth(recording, noise)
        findings += _check_response(recording, bias, noise, peak)
    ordered = sorted(findings, key=lambda finding: SEVERITIES.index(finding.severity))
    bits = _count_bits(recording, noise)
    return HealthReport(
        tuple(ordered), recording.duration_s, fs, bias, noise, bits, peak, recording.source, recording.position
    )


def _count_bits(recording: Recording, noise: float) -> float:
    """Effective bits; the noise is at least the quantisation noise, which constant input does not show."""
    if recording.range_v is None:
        return math.nan
    spread = max(noise * math.sqrt(12.0), recording.step_v)
    return math.log2((recording.range_v[1] - recording.range_v[0]) / spread) if spread > 0 else math.nan


def compare_channels(digests: Sequence[str], loudness: Sequence[float]) -> tuple[HealthFinding, ...]:
    """Faults between the channels of one recording: identical channels, and a silent one among others.

    A channel is given by a digest of its samples and by its peak over its noise. Swapped channels cannot be found from
    the samples alone: tap on one sensor and see which channel rises.
    """
    findings = []
    for i, j in itertools.combinations(range(len(digests)), 2):
        if digests[i] == digests[j]:
            findings.append(
                HealthFinding(
                    "channels-same",
                    "error",
                    f"channels {i} and {j} hold the same samples",
                    "check the wiring; one input was recorded twice",
                )
            )
    for i, level in enumerate(loudness):
        if level < 8.0 and max(loudness) > 40.0:
            findings.append(
                HealthFinding(
                    "channel-silent",
                    "error",
                    f"channel {i} never rises over {level:.0f} times its noise, another channel"
                    f" rises to {max(loudness):.0f}",
                    "check this sensor's wiring, then tap beside it",
                    level,
                    "x",
                )
            )
    return tuple(findings)


def carry_over(report: LoadReport, gap_s: float = math.nan) -> Iterable[HealthFinding]:
    """The loader's findings with their remedies; `gap_s` is the time of the first gap."""
    for found in report.findings:
        severity, advice = LOAD_ADVICE.get(found.code, ("note", "nothing, unless it is unexpected"))
        first_s = gap_s if found.code == "gap" else math.nan
        yield HealthFinding(
            found.code, severity, str(found).rsplit(" [", 1)[0], advice, float(found.count), "times", first_s
        )


def _windows(samples: FloatArray, fs: float, length_s: float) -> FloatArray:
    """Consecutive whole windows of `length_s`, shape (k, m); a shorter signal is one window."""
    size = min(samples.size, seconds_to_samples(length_s, fs, at_least=8))
    return samples[: samples.size // size * size].reshape(-1, size) if size else samples.reshape(0, 1)


def _measure_noise(samples: FloatArray, fs: float) -> float:
    windows = _windows(samples, fs, WINDOW_S)
    if not windows.size:
        return math.nan
    deviations = np.sort(windows.std(axis=1))
    return float(np.mean(deviations[: max(1, deviations.size // 20)]))


def _step_v(recording: Recording) -> float:
    """One count in volts: from the converter where it is known, else the smallest step that occurs."""
    if recording.step_v:
        return recording.step_v
    levels = np.unique(recording.samples)
    return float(np.diff(levels).min()) if levels.size > 1 else math.nan


def _check_extent(recording: Recording) -> list[HealthFinding]:
    findings = []
    if recording.duration_s < 0.5:
        findings.append(
            HealthFinding(
                "too-short",
                "error",
                f"it lasts {1e3 * recording.duration_s:.3g} ms: too short to judge, or to hold a tap",
                "record at least a few seconds",
                recording.duration_s,
                "s",
            )
        )
    if recording.fs < LOWEST_RATE_HZ:
        findings.append(
            HealthFinding(
                "rate-low",
                "error",
                f"{recording.fs:g} Hz cannot show a contact of a few milliseconds",
                "record at 1 kHz or more, 8 kHz for studies",
                recording.fs,
                "Hz",
            )
        )
    return findings


def _runs(mask: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]) -> tuple[IntArray, IntArray]:
    """Start and length of each run of true."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return edges[::2].astype(np.int64), (edges[1::2] - edges[::2]).astype(np.int64)


def _piles_up(samples: FloatArray, extreme: float, step: float) -> bool:
    """Whether samples accumulate at the extreme, as with a clamp: more than in the three levels next to it."""
    beside = np.abs(samples - extreme)
    return int((beside < 0.5 * step).sum()) > max(8, int(((beside >= 0.5 * step) & (beside < 3.5 * step)).sum()))


def _check_clipping(recording: Recording, *, lost_half: bool) -> list[HealthFinding]:
    """Samples at the rails (known ones, or where values accumulate); a lost half is a separate finding."""
    samples, step = recording.samples, _step_v(recording)
    sides = []
    for name, extreme, rail in (("upper", samples.max(), 1), ("lower", samples.min(), 0)):
        if name == "lower" and lost_half:
            continue
        at_rail = False
        if recording.range_v is not None:
            at_rail = bool(abs(extreme - recording.range_v[rail]) <= 1.5 * step)
        mask = np.abs(samples - extreme) < 0.5 * step
        starts, lengths = _runs(mask)
        if (at_rail and (lengths.max() >= 2 or mask.mean() > 0.01)) or _piles_up(samples, float(extreme), step):
            sides.append((name, float(extreme), int(mask.sum()), int(lengths.max()), int(starts[0])))
    if not sides:
        return []
    total, longest = sum(side[2] for side in sides), max(side[3] for side in sides)
    share = total / samples.size
    where = "both rails" if len(sides) == 2 else f"the {sides[0][0]} rail"
    levels = " and ".join(f"{side[1]:.4g} V" for side in sides)
    first = float(recording.times_s(np.array([min(side[4] for side in sides)]))[0])
    return [
        HealthFinding(
            "clipped",
            "error" if share > 0.01 else "warning" if share > 1e-4 else "note",
            f"{total} samples ({100 * share:.2g} %) at {where}, {levels};"
            f" longest run {1e3 * longest / recording.fs:.3g} ms",
            "lower the gain: a larger load capacitor or a divider",
            share,
            "share",
            first,
        )
    ]


def _check_one_sided(recording: Recording, bias: float, noise: float) -> list[HealthFinding]:
    """Without a bias, a converter that starts at 0 V loses negative voltages: the rest level is at the bottom."""
    samples = recording.samples
    up, down = float(samples.max() - bias), float(bias - samples.min())
    small, large = min(up, down), max(up, down)
    step = _step_v(recording)
    if large < 10 * max(noise, step) or small > max(0.05 * large, 1.5 * step):
        return []
    half = "negative" if down < up else "positive"
    return [
        HealthFinding(
            "half-lost",
            "error",
            f"the {half} half is missing: {up:.3g} V up from rest, {down:.3g} V down",
            "bias the input to mid-scale with a divider of two equal resistors",
            small / large,
            "ratio",
        )
    ]


def _check_bias(recording: Recording, bias: float) -> list[HealthFinding]:
    if recording.range_v is None:
        return []
    low, high = recording.range_v
    off = (bias - 0.5 * (low + high)) / (0.5 * (high - low))
    if abs(off) < 0.2:
        return []
    return [
        HealthFinding(
            "bias-off",
            "warning",
            f"the bias, {bias:.4g} V, is {100 * abs(off):.0f} % of half the span off mid-scale: that side clips early",
            "check the bias divider, and that full scale is given right",
            off,
            "share",
        )
    ]


def _check_drift(recording: Recording, noise: float) -> list[HealthFinding]:
    medians = np.median(_windows(recording.samples, recording.fs, 1.0), axis=1)
    if medians.size < 4:
        return []
    span = np.ptp(recording.samples) if recording.range_v is None else recording.range_v[1] - recording.range_v[0]
    starts = np.arange(medians.size) * seconds_to_samples(1.0, recording.fs)
    return bias_drift(medians, recording.times_s(starts), float(span), noise)


def bias_drift(medians: FloatArray, times_s: FloatArray, span_v: float, noise: float) -> list[HealthFinding]:
    """The finding of a drifting bias, from the medians of windows that begin at `times_s`; empty without drift."""
    drift = float(np.ptp(medians))
    if drift < max(0.02 * span_v, 6.0 * noise):
        return []
    first = float(times_s[np.argmax(np.abs(medians - medians[0]) > 0.5 * drift)])
    return [
        HealthFinding(
            "bias-drift",
            "warning",
            f"the bias moves by {drift:.3g} V",
            "look for a loose bias divider, or a floating input",
            drift,
            "V",
            first,
        )
    ]


def _check_stuck(recording: Recording, noise: float) -> list[HealthFinding]:
    """The same value for over 20 ms although the noise exceeds one count: a blocked or repeated reading."""
    step = _step_v(recording)
    if not noise > 0.7 * step:
        return []
    low, high = float(recording.samples.min()), float(recording.samples.max())
    same = (np.diff(recording.samples) == 0) & (recording.samples[1:] > low) & (recording.samples[1:] < high)
    starts, lengths = _runs(same)
    long = lengths >= max(20, seconds_to_samples(0.02, recording.fs))
    if not long.any():
        return []
    worst = float(lengths[long].max() / recording.fs)
    first = float(recording.times_s(starts[long][:1])[0])
    return [
        HealthFinding(
            "stuck",
            "warning",
            f"{int(long.sum())} stretches of one unchanging value, the longest {1e3 * worst:.3g} ms",
            "the reader repeated a value or stopped: check the converter's driver",
            worst,
            "s",
            first,
        )
    ]


def _check_floor(recording: Recording, noise: float, peak: float) -> list[HealthFinding]:
    findings = []
    step = _step_v(recording)
    if recording.range_v is not None and noise > 0.01 * (recording.range_v[1] - recording.range_v[0]):
        findings.append(
            HealthFinding(
                "noisy",
                "note",
                f"even the quietest stretch has {1e3 * noise:.3g} mV, over 1 % of the span",
                "unless the scene is that loud: shield the cable, twist its pair, load the disc with 1 MΩ",
                noise,
                "V",
            )
        )
    if 2.0 * peak < 24.0 * step:
        findings.append(
            HealthFinding(
                "few-counts",
                "warning",
                f"the largest event spans {2.0 * peak / step:.0f} counts of the converter",
                "raise the gain, or use a smaller reference voltage",
                2.0 * peak / step,
                "counts",
            )
        )
    return findings


def _check_lines(recording: Recording, noise: float) -> list[HealthFinding]:
    """A steady spectral line with half of the power of the noise floor: hum near mains multiples, otherwise a tone.

    Steady: over calm blocks of half a second, its amplitude varies by less than 15 % (noise, Rayleigh-distributed:
    52 %) and no other line is beside it. This excludes modes under continuous excitation.
    """
    fs = recording.fs
    blocks = _windows(recording.samples, fs, LINE_BLOCK_S)
    if blocks.shape[0] < 4 or fs < 4.0 * MAINS_HZ[0]:
        return []
    calm = blocks[np.argsort(blocks.std(axis=1))[: max(4, blocks.shape[0] // 4)]]
    window = np.hanning(blocks.shape[1])
    amplitude = 2.0 * np.abs(np.fft.rfft((calm - calm.mean(axis=1, keepdims=True)) * window, axis=1)) / window.sum()
    mean, spread = amplitude.mean(axis=0), amplitude.std(axis=0)
    step_hz = fs / blocks.shape[1]
    candidates = (mean > 1.0 * noise) & (spread < 0.15 * mean)
    candidates[: round(20.0 / step_hz)] = False
    lines: list[tuple[float, float]] = []
    for k in np.flatnonzero(candidates)[np.argsort(-mean[candidates])]:
        beside = [*mean[max(k - 6, 0) : k - 2], *mean[k + 3 : k + 7]]
        if mean[k] >= max(mean[k - 1 : k + 2]) and mean[k] > 6.0 * max(beside, default=0.0) and len(lines) < 5:
            right = mean[k + 1] > mean[k - 1]
            ratio = float(max(mean[k - 1], mean[k + 1]) / mean[k])
            shift = (2.0 * ratio - 1.0) / (ratio + 1.0)  # of a Hann window between two bins
            lines.append(((k + (shift if right else -shift)) * step_hz, float(mean[k])))
    return [_name_line(frequency, height) for frequency, height in lines]


def _name_line(frequency_hz: float, amplitude_v: float) -> HealthFinding:
    for mains in MAINS_HZ:
        multiple = round(frequency_hz / mains)
        if 1 <= multiple <= 6 and abs(frequency_hz - multiple * mains) < 0.7:
            return HealthFinding(
                "hum",
                "warning",
                f"hum at {frequency_hz:.1f} Hz ({multiple} × {mains:g}), {1e3 * amplitude_v:.3g} mV",
                "shield the cable, run the logger from a battery, keep away from chargers",
                frequency_hz,
                "Hz",
            )
    return HealthFinding(
        "tone",
        "note",
        f"a steady tone at {frequency_hz:.1f} Hz, {1e3 * amplitude_v:.3g} mV",
        "find its source (a pump, a switching supply), or record it as a nuisance on purpose",
        frequency_hz,
        "Hz",
    )


def _check_bandwidth(recording: Recording, noise: float) -> list[HealthFinding]:
    """Energy of the loud windows in the top fifth of the band, which indicates aliasing."""
    fs = recording.fs
    windows = _windows(recording.samples, fs, WINDOW_S)
    power = windows.var(axis=1)
    loud = windows[power > 100.0 * noise**2]
    if fs < LOWEST_RATE_HZ or not loud.shape[0] or windows.shape[1] < 20:
        return []
    shape = np.hanning(windows.shape[1])
    spectrum = np.mean(np.abs(np.fft.rfft((loud - loud.mean(axis=1, keepdims=True)) * shape, axis=1)) ** 2, axis=0)
    spectrum = np.maximum(spectrum - noise**2 * np.sum(shape**2), 0.0)
    share = float(spectrum[int(0.8 * spectrum.size) :].sum() / max(spectrum.sum(), 1e-300))
    if share < 0.02:
        return []
    return [
        HealthFinding(
            "band-too-wide",
            "warning",
            f"{100 * share:.1f} % of the loud parts' energy lies in the top fifth of the band:"
            f" at {fs:g} Hz, frequencies above {fs / 2:g} Hz alias",
            "sample faster, or put a low-pass before the converter",
            share,
            "share",
        )
    ]


def _check_response(recording: Recording, bias: float, noise: float, peak: float) -> list[HealthFinding]:
    """Whether anything rises over the noise, and whether the labelled taps do."""
    if peak < 8.0 * noise:
        return [
            HealthFinding(
                "nothing-heard",
                "note",
                f"nothing rises over {peak / noise:.0f} times the noise",
                "tap beside the sensor; if nothing changes, check the wiring",
                peak / noise,
                "x",
            )
        ]
    taps = recording.taps_s
    if taps.size < 2:
        return []
    times = recording.times_s(np.arange(recording.samples.size))
    departures = np.abs(recording.samples - bias)
    heights = []
    for tap in taps:
        start, stop = np.searchsorted(times, [tap - 0.005, tap + 0.05])
        heights.append(float(departures[start:stop].max(initial=0.0)))
    quiet = float(np.mean(np.array(heights) < 6.0 * noise))
    if quiet < 0.8:
        return []
    return [
        HealthFinding(
            "labels-unheard",
            "warning",
            f"{100 * quiet:.0f} % of the labelled taps do not rise over 6 times the noise",
            "check that labels and channel belong together; or the scene masks the taps",
            quiet,
            "share",
        )
    ]
