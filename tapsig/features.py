"""One candidate -> named features, all causal: from the past seconds to 25 ms after the trigger.

Time is counted in blocks of one millisecond (`prediction.WORKING_RATE_HZ`). Levels are powers; features that compare
two of them are in decibels, so that none but "level" depends on the sensor's gain.
"""

import math
from typing import NamedTuple

import numba
import numpy as np

from tapsig.dsp.prediction import INNER, ONCE
from tapsig.units import FloatArray, IntArray

FAMILIES: dict[str, tuple[str, ...]] = {
    # The innovation: what prediction did not foresee.
    "innovation": (
        "innovation_rise",  # its peak over the highest of the 50 ms before, dB
        "innovation_rise_100ms",  # … of the 100 ms before
        "innovation_over_mean",  # … over the mean of the 60 ms before
        "innovation_crest",  # peak over the mean from the onset on
        "innovation_fall_early",  # first 6 ms over the next 6 ms
        "innovation_fall_late",  # first 6 ms over the last
        "innovation_width",  # blocks above a tenth of the peak's power
        "innovation_peak_ms",  # onset to peak
    ),
    "bands": (
        "share_40hz", "share_125hz", "share_210hz", "share_330hz",  # of the power after the onset, dB
        "rise_40hz", "rise_125hz", "rise_210hz", "rise_330hz",  # after over before, dB
    ),
    # The fast power: variance within a block, what lies above 1 kHz.
    "fast": (
        "fast_share",  # its peak over the highest power of the blocks' means, dB: a hard, short contact has much
        "fast_rise",  # … over the highest of the 50 ms before
        "fast_over_mean",  # … over the mean of the 60 ms before
        "fast_over_quiet",  # … over its quietest of late
        "fast_fall_early",  # first 6 ms over the next 6 ms
        "fast_fall_late",  # first 6 ms over the last
        "fast_octave", "fast_octave_middle", "fast_octave_late",  # log2 of its mean frequency in hertz: in the first
        # 6 ms, the next 6 ms, the rest
    ),
    "level": (
        "level_over_noise",  # peak of the innovation over its quietest of late, dB
        "level_v_db",  # peak of the innovation, dB re 1 V
    ),
    "context": (
        "since_any",  # log2 of ms since the candidate before
        "since_loud",  # … since one within 6 dB of this one, or louder
        "step_up",  # level over the candidate before, dB
        "over_loudest",  # level over the loudest of 5 s
        "count_1s", "count_5s",  # candidates before
        "loud_1s", "loud_5s",  # … within 6 dB of this one, or louder
        "over_usual_1s", "over_usual_10s",  # innovation's peak over the usual 64 ms peak of late, dB
        "over_fading_peak",  # … over the highest of late, less 1 dB a second
    ),
}  # fmt: skip
FEATURES: tuple[str, ...] = tuple(name for names in FAMILIES.values() for name in names)

BLOCKS = 512  # length of the rings, a power of two
AFTER = 24  # blocks from the trigger to the decision
KEPT = 32  # candidates that the context looks back on
BANDS = 4
_WINDOW = 24  # blocks of the band analysis
_MASK = BLOCKS - 1
_TINY = 1e-12
DB_OF_DOUBLED = 10.0 / math.log2(10.0)  # decibels of a doubled power


def _band_tables() -> tuple[FloatArray, FloatArray]:
    """Cosines and sines of the bins 1 to 12 of a 24-point transform, under a Hann window."""
    time = np.arange(_WINDOW)
    angle = 2.0 * np.pi * np.arange(1, 13)[:, None] * time / _WINDOW
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * (time + 1) / (_WINDOW + 1))
    scale = np.where(np.arange(1, 13) == 12, math.sqrt(0.5), 1.0)[:, None]
    return scale * np.cos(angle) * window, scale * np.sin(angle) * window


COSINES, SINES = _band_tables()
BAND_OF_BIN = np.array([0, 0, 1, 1, 2, 2, 2, 3, 3, 3, 3, 3])  # 42–83, 125–167, 208–292, 333–500 Hz


class Rings(NamedTuple):
    """The last 512 blocks, each at index block mod 512.

    signal: high-passed volts; innovation: its power, smoothed over about 2 ms; raw_innovation: the same, not smoothed;
    fast: variance of the samples within the block, smoothed; turn: mean squared step between samples, smoothed.
    """

    signal: FloatArray
    raw_innovation: FloatArray
    innovation: FloatArray
    fast: FloatArray
    turn: FloatArray


class Memory(NamedTuple):
    """Candidates of late: block and level (dB) of each at index seen mod 32; usual levels in log2 of power.

    usual: innovation over 1 s and 10 s, fading peak, quiet floor; quiet floor of the fast power.
    """

    block: IntArray
    level: FloatArray
    usual: FloatArray
    seen: IntArray


def new_rings() -> Rings:
    """Rings full of silence."""
    return Rings(*(np.zeros(BLOCKS) for _ in range(5)))


def new_memory() -> Memory:
    """A memory of nothing."""
    return Memory(np.full(KEPT, -(1 << 40), dtype=np.int64), np.zeros(KEPT), np.zeros(5), np.zeros(1, dtype=np.int64))


@numba.njit(**INNER)
def _ratio_db(power: float, reference: float) -> float:
    return 10.0 * math.log10((power + _TINY) / (reference + _TINY))


@numba.njit(**INNER)
def _mean(ring: FloatArray, first: int, stop: int) -> float:
    total = 0.0
    for i in range(first, stop):
        total += ring[i & _MASK]
    return total / max(stop - first, 1)


@numba.njit(**INNER)
def _highest(ring: FloatArray, first: int, stop: int) -> float:
    highest = 0.0
    for i in range(first, stop):
        highest = max(highest, ring[i & _MASK])
    return highest


@numba.njit(**INNER)
def find_peak(rings: Rings, trigger: int) -> int:
    """The block of the innovation's peak, from 3 ms before to 12 ms after the trigger."""
    peak = trigger - 3
    for i in range(trigger - 3, trigger + 13):
        if rings.raw_innovation[i & _MASK] > rings.raw_innovation[peak & _MASK]:
            peak = i
    return peak


@numba.njit(**INNER)
def find_onset(rings: Rings, trigger: int, peak: int) -> int:
    """The first block, at most 9 ms before the trigger, whose innovation exceeds a tenth of its peak (amplitude).

    Where the innovation before was louder than that, twice its power is the mark, up to half the peak's amplitude.
    """
    highest = rings.raw_innovation[peak & _MASK]
    before = _highest(rings.raw_innovation, trigger - 50, trigger - 5)
    mark = max(0.01 * highest, min(2.0 * before, 0.25 * highest))
    onset, gap, i = peak, 0, peak - 1
    while i > trigger - 10 and i >= peak - 14 and gap < 4:
        if rings.raw_innovation[i & _MASK] >= mark:
            onset, gap = i, 0
        else:
            gap += 1
        i -= 1
    return onset


@numba.njit(**INNER)
def _bands(signal: FloatArray, first: int, row: FloatArray, column: int) -> None:
    """Power of 24 blocks of `signal` in four bands, into `row` from `column` on."""
    for j in range(BANDS):
        row[column + j] = 0.0
    for k in range(BAND_OF_BIN.size):
        real, imaginary = 0.0, 0.0
        for i in range(_WINDOW):
            value = signal[(first + i) & _MASK]
            real += value * COSINES[k, i]
            imaginary += value * SINES[k, i]
        row[column + BAND_OF_BIN[k]] += real * real + imaginary * imaginary


@numba.njit(**INNER)
def fill_features(row: FloatArray, rings: Rings, memory: Memory, trigger: int, floor: float, fs: float) -> int:
    """Write the features of the candidate whose trigger was `AFTER` blocks ago; remember it; return its onset block.

    `row` has shape (len(FEATURES),); `floor` is a power; `fs` the samples' rate.
    """
    peak = find_peak(rings, trigger)
    onset = find_onset(rings, trigger, peak)
    stop = trigger + AFTER + 1
    column = _fill_shape(row, rings, trigger, peak, onset, stop)
    column = _fill_bands(row, column, rings, onset, stop, floor)
    column = _fill_fast(row, column, rings, memory, trigger, onset, stop, floor, fs)
    _fill_context(row, column, rings, memory, trigger, floor)
    return onset


@numba.njit(**ONCE)
def _fill_shape(row: FloatArray, rings: Rings, trigger: int, peak: int, onset: int, stop: int) -> int:
    smooth, raw = rings.innovation, rings.raw_innovation
    highest = _highest(smooth, trigger - 2, trigger + 13)
    row[0] = _ratio_db(highest, _highest(smooth, trigger - 50, trigger - 5))
    row[1] = _ratio_db(highest, _highest(smooth, trigger - 100, trigger - 8))
    row[2] = _ratio_db(highest, _mean(smooth, trigger - 60, trigger - 6))
    sharp = raw[peak & _MASK]
    after = _mean(raw, onset, stop)
    row[3] = _ratio_db(sharp, after)
    first = _mean(raw, onset, onset + 6)
    row[4] = _ratio_db(first, _mean(raw, onset + 6, onset + 12))
    row[5] = _ratio_db(first, _mean(raw, onset + 12, stop))
    width = 0
    for i in range(trigger - 2, stop):
        if raw[i & _MASK] > 0.1 * sharp:
            width += 1
    row[6] = width
    row[7] = peak - onset
    return 8


@numba.njit(**ONCE)
def _fill_bands(row: FloatArray, column: int, rings: Rings, onset: int, stop: int, floor: float) -> int:
    for half in range(2):  # one call: two with columns of other types would be compiled twice
        first = onset - 2 - _WINDOW if half else stop - _WINDOW - 2
        _bands(rings.signal, first, row, column + half * BANDS)
    total = row[column] + row[column + 1] + row[column + 2] + row[column + 3]
    for j in range(BANDS):
        after, before = row[column + j], row[column + BANDS + j]
        row[column + j] = _ratio_db(after, total)
        row[column + BANDS + j] = _ratio_db(after + floor, before + floor)
    return column + 2 * BANDS


@numba.njit(**ONCE)
def _fill_fast(row: FloatArray, column: int, rings: Rings, memory: Memory, trigger: int, onset: int, stop: int,
               floor: float, fs: float) -> int:
    highest, before, top, earlier = 0.0, 0.0, 0.0, 0.0
    early, middle, late = 0.0, 0.0, 0.0
    turn_early, turn_middle, turn_late = 0.0, 0.0, 0.0
    for i in range(trigger - 60, stop):  # one loop: eight would be compiled at the first start
        fast = rings.fast[i & _MASK]
        if trigger - 50 <= i < trigger - 5:
            before = max(before, fast)
        if trigger - 2 <= i < trigger + 13:
            highest = max(highest, fast)
        if i < trigger - 6:
            earlier += fast
        if i >= onset:
            top = max(top, rings.signal[i & _MASK] ** 2)
            turn = rings.turn[i & _MASK]
            if i < onset + 6:
                early += fast
                turn_early += turn
            elif i < onset + 12:
                middle += fast
                turn_middle += turn
            else:
                late += fast
                turn_late += turn
    least = 0.1 * floor
    rest = stop - onset - 12
    first, second, third = early / 6.0 + least, middle / 6.0 + least, late / rest + least
    row[column] = _ratio_db(highest + least, top + least)
    row[column + 1] = _ratio_db(highest + least, before + least)
    row[column + 2] = _ratio_db(highest + least, earlier / 54.0 + least)
    row[column + 3] = DB_OF_DOUBLED * (math.log2(highest + least) - memory.usual[4])
    row[column + 4] = _ratio_db(first, second)
    row[column + 5] = _ratio_db(first, third)
    # A sinusoid's steps have 2 - 2 cos(2 pi f / fs) of its power: at most 4, and (2 pi f / fs) squared where f is low.
    octave = math.log2(fs / (2.0 * math.pi))
    row[column + 6] = octave + 0.5 * math.log2(min((turn_early / 6.0 + least) / first, 4.0))
    row[column + 7] = octave + 0.5 * math.log2(min((turn_middle / 6.0 + least) / second, 4.0))
    row[column + 8] = octave + 0.5 * math.log2(min((turn_late / rest + least) / third, 4.0))
    return column + 9


@numba.njit(**ONCE)
def _fill_context(row: FloatArray, column: int, rings: Rings, memory: Memory, trigger: int, floor: float) -> None:
    level = DB_OF_DOUBLED * math.log2(_highest(rings.innovation, trigger - 2, trigger + 13) + floor)
    row[column] = level - DB_OF_DOUBLED * memory.usual[3]
    row[column + 1] = level
    since, since_loud, before, loudest = 8000, 8000, level, level - 60.0
    any_1s, any_5s, loud_1s, loud_5s = 0, 0, 0, 0
    count = memory.seen[0]
    for j in range(min(count, KEPT)):
        k = (count - 1 - j) % KEPT
        age, other = trigger - memory.block[k], memory.level[k]
        if j == 0:
            since, before = min(age, 8000), other
        loud = other >= level - 6.0
        if loud:
            since_loud = min(since_loud, age)
        if age < 5000:
            any_5s += 1
            loud_5s += loud
            loudest = max(loudest, other)
            if age < 1000:
                any_1s += 1
                loud_1s += loud
    row[column + 2], row[column + 3] = math.log2(since + 1.0), math.log2(since_loud + 1.0)
    row[column + 4], row[column + 5] = level - before, level - loudest
    row[column + 6], row[column + 7], row[column + 8], row[column + 9] = any_1s, any_5s, loud_1s, loud_5s
    row[column + 10] = level - DB_OF_DOUBLED * memory.usual[0]
    row[column + 11] = level - DB_OF_DOUBLED * memory.usual[1]
    row[column + 12] = level - DB_OF_DOUBLED * memory.usual[2]
    memory.block[count % KEPT], memory.level[count % KEPT] = trigger, level
    memory.seen[0] = count + 1
