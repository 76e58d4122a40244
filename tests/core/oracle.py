"""What each stage of the core computes, from formulas, in whole numbers: readable, not fast, and in no package.

Python's integers do not overflow and `//` rounds down, as the core's arithmetic shifts do. A stage takes the whole
signal and gives the whole answer; the core's files say how the same comes out count by count in small widths.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
INNOVATION, FAST, SIGNAL = range(3)


def saturate(value: int, low: int = -32767, high: int = 32767) -> int:
    """`value` within low and high; the core keeps 16-bit numbers symmetric."""
    return min(max(value, low), high)


def level(power: int) -> int:
    """8·log2(power), where log2(1 + m) is taken as m, rounded down; 0 below 2."""
    if power < 2:
        return 0
    octave = power.bit_length() - 1
    return 8 * octave + (8 * (power - 2**octave)) // 2**octave


# ---- counts to blocks of a millisecond ----


@dataclass(frozen=True)
class Timing:
    """How samples become blocks at a rate: from the definition, not from tapsig.core.rate."""

    fs: float
    bits: int

    @property
    def group(self) -> int:
        """Samples averaged into one, so that at most 16,000 a second are left."""
        return math.ceil(self.fs / 16_000.0)

    @property
    def step_q24(self) -> int:
        """Blocks a grouped sample, in 2^-24."""
        return round(2**24 * 1000.0 * self.group / self.fs)

    @property
    def interpolated(self) -> bool:
        """Below 2 kHz."""
        return self.fs < 2000.0


def grouped(counts: Sequence[int], timing: Timing) -> list[int]:
    """16-bit samples: counts moved up, the mean of each full group rounded down."""
    samples = [count * 2 ** (16 - timing.bits) for count in counts]
    whole = len(samples) - len(samples) % timing.group
    return [sum(samples[i : i + timing.group]) // timing.group for i in range(0, whole, timing.group)]


def blocks(counts: Sequence[int], timing: Timing) -> list[tuple[int, int, int]]:
    """(signal, step power, samples) of each completed block.

    Signal: mean of the samples (or the sample interpolated at the block's end) less a level that follows it by an
    eighth; step power: sum of squared steps (below 2 kHz: the largest since the block before).
    """
    samples = grouped(counts, timing)
    return interpolated_blocks(samples, timing) if timing.interpolated else averaged_blocks(samples, timing)


def averaged_blocks(samples: list[int], timing: Timing) -> list[tuple[int, int, int]]:
    """Block k ends with the first sample i for which (i + 1)·step >= k + 1."""
    out, start, level_q8 = [], 0, samples[0] * 256
    ends = [i + 1 for i in range(len(samples)) if (i + 1) * timing.step_q24 // 2**24 > i * timing.step_q24 // 2**24]
    for end in ends:
        size = end - start
        total = sum(saturate(sample - level_q8 // 256) for sample in samples[start:end])
        signal = saturate(total * round(2**15 / size) // 2**15)
        steps = sum(saturate(samples[i] - samples[max(i - 1, 0)]) ** 2 for i in range(start, end))
        out.append((signal, min(steps, 2**32 - 1), size))
        level_q8 += 32 * signal
        start = end
    return out


def interpolated_blocks(samples: list[int], timing: Timing) -> list[tuple[int, int, int]]:
    """Block k ends where i·step = k + 1, at a share of the way back from the sample that follows it."""
    out: list[tuple[int, int, int]] = []
    level_q8, done, steps = samples[0] * 256, 0, 0
    per_block_q14 = round(timing.fs / 1000.0 * 2**14)
    for i, sample in enumerate(samples):
        before = samples[max(i - 1, 0)]
        steps = max(steps, saturate(sample - before) ** 2)
        completed = (i + 1) * timing.step_q24 // 2**24
        for k in range(done, completed):
            left_q14 = ((i + 1) * timing.step_q24 - (k + 1) * 2**24) // 2**10
            share_q14 = left_q14 * per_block_q14 // 2**14
            value = sample - (sample - before) * share_q14 // 2**14
            signal = saturate(value - level_q8 // 256)
            out.append((signal, steps, 1))
            level_q8 += 32 * signal
        if completed > done:
            steps = 0
        done = completed
    return out


# ---- adaptive prediction ----


def prediction_errors(signal: Sequence[int], order: int = 16) -> list[int]:
    """Errors of a normalised-LMS predictor.

    weight += error·history / (32·2^k), with 2^k from the power in the history (floor(h²/16) summed, and 64), rounded
    up to a power of two. Weights are in 2^-20 within ±8; they predict with 12 bits of them.
    """
    weights, history, errors = [0] * order, [0] * order, []
    for value in signal:
        total = sum((w // 256) * h for w, h in zip(weights, history, strict=True))
        whole = saturate(total // 2**16, -2048, 2047)  # of the prediction, in 16
        error = saturate(value - saturate(16 * whole + total % 2**16 // 2**12))
        power = sum(h * h // 16 for h in history) + 64
        shift = power.bit_length() - 11  # 20 bits of the weights, less 5 of the step and 4 of the power, less k
        late = 0 if shift < 4 else 8 if shift < 12 else 16  # bits dropped after the product, the others before it
        gain = error // 2 ** (shift - late) if shift >= late else saturate(error * 2 ** (late - shift))
        weights = [
            saturate(w + gain * h // 2**late, -(2**23), 2**23 - 1) for w, h in zip(weights, history, strict=True)
        ]
        history = [value, *history[:-1]]
        errors.append(error)
    return errors


# ---- levels ----


def levels(blocked: Sequence[tuple[int, int, int]], timing: Timing) -> list[list[int]]:
    """Three levels a block: of the smoothed powers of the prediction error, of the steps, and of the signal."""
    least = max(16 * (15 - timing.bits), 0)  # of a quarter of a squared count
    errors = prediction_errors([signal for signal, _, _ in blocked])
    offsets = [0 if timing.interpolated else round(8 * math.log2(size)) for _, _, size in blocked]
    none = [0] * len(blocked)
    return [
        smooth_levels([error**2 for error in errors], none, least),
        smooth_levels([steps for _, steps, _ in blocked], offsets, least),
        smooth_levels([signal**2 for signal, _, _ in blocked], none, least),
    ]


def smooth_levels(powers: Sequence[int], offsets: Sequence[int], least: int) -> list[int]:
    """Half of the smoothed power before and half of the new one; the level of it less an offset, at least `least`."""
    smoothed, out = 0, []
    for power, offset in zip(powers, offsets, strict=True):
        smoothed = smoothed // 2 + power // 2
        out.append(max(level(smoothed) - offset, least))
    return out


@dataclass(frozen=True)
class Background:
    """What is usual, in 1/256 level, after a block."""

    quietest: int
    mean_1s: int
    mean_8s: int
    fading: int


def backgrounds(channel: Sequence[int]) -> list[Background]:
    """Of the highest level in each 64 blocks, after every block; before 48 blocks, of the highest so far."""
    out, now, highest = [], Background(0, 0, 0, 0), 0
    for block, value in enumerate(channel):
        highest = max(highest, value)
        if block % 4 == 3 and block < 48:
            now = Background(*[256 * highest] * 4)
        elif block % 64 == 63:
            now, highest = follow(now, 256 * highest), 0
        out.append(now)
    return out


def follow(before: Background, highest: int) -> Background:
    """Means over 16 and 128 steps; 41/256 level a step is 1 dB a second, 8/256 is 0.18 dB."""
    return Background(
        min(highest, before.quietest + 8),
        before.mean_1s + (highest - before.mean_1s) // 16,
        before.mean_8s + (highest - before.mean_8s) // 128,
        max(highest, before.fading - 41),
    )


def reference(channel: Sequence[int], block: int) -> int:
    """Highest level of the 44 blocks before the last four that were completed together by `block`."""
    stop = (block + 1) // 4 * 4 - 4
    return max(channel[max(stop - 44, 0) : max(stop, 0)], default=0)


# ---- candidates and their features ----


@dataclass(frozen=True)
class Candidate:
    """Block of the trigger and of the onset, and the features."""

    trigger: int
    onset: int
    row: tuple[int, ...]


def triggers(channels: Sequence[Sequence[int]]) -> list[int]:
    """Blocks that rise by 1.5 dB (innovation) or 6 dB (fast) over the reference, and 8 dB over the quietest.

    At least 10 apart, none before 48 blocks.
    """
    quietest = [[now.quietest // 256 for now in backgrounds(channel)] for channel in channels[:2]]
    found: list[int] = []
    for block in range(47, len(channels[0])):
        if found and block < found[-1] + 10:
            continue
        if any(
            channels[c][block] >= reference(channels[c], block) + rise and channels[c][block] >= quietest[c][block] + 21
            for c, rise in ((INNOVATION, 4), (FAST, 16))
        ):
            found.append(block)
    return found


def candidates(channels: Sequence[Sequence[int]]) -> list[Candidate]:
    """All candidates whose features are complete: the last of them look at the 23rd block after the trigger."""
    usual = [backgrounds(channel) for channel in channels[:2]]
    out: list[Candidate] = []
    busy, counted, last = 0, 0, None
    for trigger in triggers(channels):
        now = trigger + 23
        if now >= len(channels[0]):
            break
        for _ in range((now + 1) // 64 - counted):  # 64 blocks each
            busy -= busy // 64
        counted = (now + 1) // 64
        row, onset, highest = describe(channels, trigger)
        for c in (INNOVATION, FAST):
            for value in (usual[c][now].quietest, usual[c][now].mean_1s, usual[c][now].mean_8s, usual[c][now].fading):
                row.append(difference(highest[c], value // 256))
        row += [255, 255] if last is None else [level(trigger - last[0]), difference(highest[0], last[1])]
        row.append(busy // 256)
        busy += (65535 - busy) // 16
        last = (trigger, highest[0])
        out.append(Candidate(trigger, onset, tuple(row)))
    return out


def difference(one: int, other: int) -> int:
    """A ratio as a byte: 64 added to the difference of levels."""
    return saturate(one - other + 64, 0, 255)


def describe(channels: Sequence[Sequence[int]], trigger: int) -> tuple[list[int], int, list[int]]:
    """The three channels' features, the onset's block, and the highest level of each channel."""

    def top(channel: Sequence[int], first: int, stop: int) -> int:
        return max(channel[trigger + first : trigger + stop])

    def mean(channel: Sequence[int], first: int, size: int) -> int:
        return sum(channel[trigger + first : trigger + first + size]) // size

    onset = find_onset(channels, trigger)
    row: list[int] = []
    for channel in channels:
        peak = top(channel, -2, 13)
        others = (
            top(channel, -34, -6),
            mean(channel, -37, 32),
            mean(channel, onset - trigger + 6, 4),
            mean(channel, 13, 8),
            top(channel, 13, 21),
        )
        row += [difference(peak, other) for other in others]
        row.append(difference(mean(channel, -13, 8), mean(channel, -37, 16)))
    return row, onset, [top(channel, -2, 13) for channel in channels]


def find_onset(channels: Sequence[Sequence[int]], trigger: int) -> int:
    """Back from the peak of the channel that rises most, over gaps of up to three blocks, to what lies above a mark.

    The mark lies 8 levels over the 26 blocks before, but 16 to 53 levels under the peak.
    """
    rises = [max(c[trigger - 2 : trigger + 13]) - max(c[trigger - 34 : trigger - 6]) for c in channels[:2]]
    channel = channels[int(np.argmax(rises))]
    peak = trigger - 2 + int(np.argmax(channel[trigger - 2 : trigger + 13]))
    before = max(channel[trigger - 34 : trigger - 8]) + 8
    mark = max(min(before, channel[peak] - 16), channel[peak] - 53)
    onset = peak
    for block in range(peak - 1, trigger - 9, -1):
        if channel[block] >= mark:
            onset = block
        elif onset - block == 4:
            break
    return onset


# ---- trees ----


def tree_value(node: object, row: Sequence[int], names: Sequence[str]) -> int:
    """The leaf of a tree as JSON holds it: [feature, threshold, mean, left, right], left up to the threshold."""
    while isinstance(node, list):
        node = node[3] if row[names.index(node[0])] <= node[1] else node[4]
    assert isinstance(node, int)
    return node


# ---- the plain detectors ----


def departures(counts: Sequence[int], fs: float, bits: int, *, bias_time_s: float) -> npt.NDArray[np.float64]:
    """Departures of the 16-bit samples from their bias, in real numbers.

    The bias is a first-order low-pass, moved once a millisecond by the mean departure of it, saturated to 16 bits.
    """
    group = max(round(fs / 1000.0), 1)
    share = 1.0 - math.exp(-group / (bias_time_s * fs))
    samples = [count * 2 ** (16 - bits) for count in counts]
    bias, total, out = float(samples[0]), 0.0, np.empty(len(samples))
    for i, sample in enumerate(samples):
        out[i] = sample - bias
        total += min(max(out[i], -32767.0), 32767.0)
        if i % group == group - 1:
            bias += share * total / group
            total = 0.0
    return out


def peak_levels(counts: Sequence[int], fs: float, bits: int, *, high_pass_hz: float) -> list[tuple[int, int, int]]:
    """(level, index of the peak, index of the last sample) of each millisecond after a first-order high-pass.

    The mean follows by a share of the departure, rounded to 2^-16; below 1 kHz a sample stands for several blocks.
    """
    share = 1.0 - math.exp(-2.0 * math.pi * high_pass_hz / fs)
    shift = max(math.ceil(-math.log2(share)) - 1, 0)
    share_q15 = min(round(share * 2.0 ** (15 + shift)), 32767)
    step_q24 = round(2**24 * 1000.0 / fs)
    samples = [count * 2 ** (16 - bits) for count in counts]
    mean_q16, peak, at, out = samples[0] * 2**16, 0, 0, []
    for i, sample in enumerate(samples):
        departure = saturate(sample - mean_q16 // 2**16)
        half = 2**shift // 4
        mean_q16 += (2 * departure * share_q15 + 2 * half) // 2**shift
        if abs(departure) > peak:
            peak, at = abs(departure), i
        ended = (i + 1) * step_q24 // 2**24 - i * step_q24 // 2**24
        out += [(level(peak**2), at, i)] * ended
        if ended:
            peak, at = 0, i + 1
    return out


@dataclass(frozen=True)
class RingNumbers:
    """Numbers of `ring-following`: levels and decays a block in 2^-16, the rest as it is."""

    threshold: int
    over_background: int
    over_ring: int
    hysteresis: int
    decay: int
    least_decay: int
    highest_decay: int
    decay_fraction_q8: int
    dead_blocks: int


def ring_following(blocked: Sequence[tuple[int, int, int]], numbers: RingNumbers) -> list[tuple[int, int]]:
    """(deciding sample, peak's sample) of the taps: a level over the highest of three marks.

    The marks: a threshold; the slow mean of the level; from each tap's peak (its first 25 blocks) on, a line that falls
    with a share of the decay. The decay is learnt from the fall between the highest levels of successive 32 blocks.
    """
    found: list[tuple[int, int]] = []
    usual, mark, last_peak, frame, frame_before, decay = 2**16 * blocked[0][0], 0, 0, 0, 0, numbers.decay
    since, fill, armed = 10**9, 0, True
    for value, at, now in blocked:
        height = 2**16 * value
        mark = max(mark - decay * numbers.decay_fraction_q8 // 256, 0)
        armed = armed or height < last_peak - numbers.hysteresis
        over = height > max(numbers.threshold, usual + numbers.over_background, mark)
        if over and armed and since >= numbers.dead_blocks:
            found.append((now, at))
            since, fill, armed, last_peak, frame, frame_before = 0, 0, False, height, 0, 0
        if since < 25:
            last_peak, mark = max(last_peak, height), max(mark, height + numbers.over_ring)
        usual += (height - usual) // (1024 if height > usual else 64)
        frame, fill = max(frame, height), fill + 1
        if fill == 32:
            if frame_before > usual + numbers.over_background and since >= 25 + 64:
                fall = saturate((frame_before - frame) // 32, numbers.least_decay, numbers.highest_decay)
                decay += (fall - decay) // 4
            frame, frame_before, fill = 0, frame, 0
        since += 1
    return found
