"""The features of `tapsig.features` in integers: logarithms to base 2 in Q8 for decibels, blocks for milliseconds.

Powers are in units of x squared (see `integer_core`). Sums run over at most 128 blocks of 32-bit powers: 2^39.
"""

import math
from typing import NamedTuple

import numba
import numpy as np

from tapsig.export.fixed_point import log2_q8, shift_down
from tapsig.features import BAND_OF_BIN, BANDS, KEPT
from tapsig.units import IntArray

SIX_DB = 510  # 6 dB of power as log2 in Q8: 256·6/(10·lg 2)
SIXTY_DB = 5102
TENFOLD = 850  # log2 of 10 in Q8
FOURFOLD = 512
RING = 128
"""Blocks kept: the features look back 100 blocks from a trigger that is 24 blocks old."""

_MASK = RING - 1
WINDOW = 24
BINS = 12
SINE_Q14: IntArray = np.array([math.floor(2**14 * math.sin(2 * math.pi * i / 24) + 0.5) for i in range(24)])
WINDOW_Q14: IntArray = np.array(
    [math.floor(2**14 * (0.5 - 0.5 * math.cos(2 * math.pi * (i + 1) / 25)) + 0.5) for i in range(24)]
)


class IntegerRings(NamedTuple):
    """The last 128 blocks; see `tapsig.features.Rings`."""

    signal: IntArray
    raw_innovation: IntArray
    innovation: IntArray
    fast: IntArray
    turn: IntArray


class IntegerMemory(NamedTuple):
    """See `tapsig.features.Memory`; levels in log2 Q8, usual levels in log2 Q16."""

    block: IntArray
    level: IntArray
    usual: IntArray
    seen: IntArray


def new_rings() -> IntegerRings:
    """Rings full of silence."""
    return IntegerRings(*(np.zeros(RING, np.int64) for _ in range(5)))


def new_memory() -> IntegerMemory:
    """A memory of nothing."""
    blocks, levels = np.zeros(KEPT, np.int64), np.zeros(KEPT, np.int64)
    return IntegerMemory(blocks, levels, np.zeros(5, np.int64), np.zeros(1, np.int64))


@numba.njit(cache=True)
def _total(ring: IntArray, first: int, stop: int) -> int:
    total = 0
    for i in range(first, stop):
        total += ring[i & _MASK]
    return total


@numba.njit(cache=True)
def _log_mean(ring: IntArray, first: int, stop: int) -> int:
    return log2_q8(_total(ring, first, stop)) - log2_q8(max(stop - first, 1))


@numba.njit(cache=True)
def _highest(ring: IntArray, first: int, stop: int) -> int:
    highest = 0
    for i in range(first, stop):
        highest = max(highest, ring[i & _MASK])
    return highest


@numba.njit(cache=True)
def find_peak(raw: IntArray, trigger: int) -> int:
    """The block of the innovation's peak, from 3 before to 12 after the trigger."""
    peak = trigger - 3
    for i in range(trigger - 3, trigger + 13):
        if raw[i & _MASK] > raw[peak & _MASK]:
            peak = i
    return peak


@numba.njit(cache=True)
def find_onset(raw: IntArray, trigger: int, peak: int) -> int:
    """The first block whose innovation exceeds the mark; hundredths of the peak's power."""
    highest = raw[peak & _MASK]
    before = _highest(raw, trigger - 50, trigger - 5)
    mark = max(highest, min(200 * before, 25 * highest))
    onset, gap, i = peak, 0, peak - 1
    while i > trigger - 10 and i >= peak - 14 and gap < 4:
        if 100 * raw[i & _MASK] >= mark:
            onset, gap = i, 0
        else:
            gap += 1
        i -= 1
    return onset


@numba.njit(cache=True)
def _bands(signal: IntArray, first: int, powers: IntArray) -> None:
    """Power of 24 blocks of `signal` in four bands: bins 1 to 12 of a windowed 24-point transform, the last halved."""
    windowed = np.empty(WINDOW, np.int64)
    for i in range(WINDOW):
        windowed[i] = shift_down(signal[(first + i) & _MASK] * WINDOW_Q14[i], 14)
    powers[:] = 0
    for k in range(1, BINS + 1):
        real, imaginary = 0, 0
        for i in range(WINDOW):
            angle = (k * i) % WINDOW
            real += windowed[i] * SINE_Q14[(angle + 6) % WINDOW]
            imaginary += windowed[i] * SINE_Q14[angle]
        real, imaginary = shift_down(real, 14), shift_down(imaginary, 14)
        power = real * real + imaginary * imaginary
        powers[BAND_OF_BIN[k - 1]] += power >> 1 if k == BINS else power


@numba.njit(cache=True)
def fill_features(row: IntArray, rings: IntegerRings, memory: IntegerMemory, trigger: int, floor: int,
                  octave_q8: int) -> tuple[int, int]:
    """Write the features of the candidate triggered `AFTER` blocks ago; remember it; return onset and peak block."""
    peak = find_peak(rings.raw_innovation, trigger)
    onset = find_onset(rings.raw_innovation, trigger, peak)
    stop = trigger + 25
    column = _fill_shape(row, rings, trigger, peak, onset, stop)
    column = _fill_bands(row, column, rings, onset, stop, floor)
    column = _fill_fast(row, column, rings, memory, trigger, onset, stop, floor, octave_q8)
    _fill_context(row, column, rings, memory, trigger, floor)
    return onset, peak


@numba.njit(cache=True)
def _fill_shape(row: IntArray, rings: IntegerRings, trigger: int, peak: int, onset: int, stop: int) -> int:
    smooth, raw = rings.innovation, rings.raw_innovation
    highest = log2_q8(_highest(smooth, trigger - 2, trigger + 13))
    row[0] = highest - log2_q8(_highest(smooth, trigger - 50, trigger - 5))
    row[1] = highest - log2_q8(_highest(smooth, trigger - 100, trigger - 8))
    row[2] = highest - _log_mean(smooth, trigger - 60, trigger - 6)
    sharp = raw[peak & _MASK]
    after = _log_mean(raw, onset, stop)
    row[3] = log2_q8(sharp) - after
    first = _log_mean(raw, onset, onset + 6)
    row[4] = first - _log_mean(raw, onset + 6, onset + 12)
    row[5] = first - _log_mean(raw, onset + 12, stop)
    width = 0
    for i in range(trigger - 2, stop):
        if 10 * raw[i & _MASK] > sharp:
            width += 1
    row[6] = width
    row[7] = peak - onset
    return 8


@numba.njit(cache=True)
def _fill_bands(row: IntArray, column: int, rings: IntegerRings, onset: int, stop: int, floor: int) -> int:
    before, after = np.empty(BANDS, np.int64), np.empty(BANDS, np.int64)
    _bands(rings.signal, onset - 2 - WINDOW, before)
    _bands(rings.signal, stop - WINDOW - 2, after)
    total = log2_q8(after.sum())
    for j in range(BANDS):
        row[column + j] = log2_q8(after[j]) - total
        row[column + BANDS + j] = log2_q8(after[j] + floor) - log2_q8(before[j] + floor)
    return column + 2 * BANDS


@numba.njit(cache=True)
def _log_mean_tenfold(ring: IntArray, first: int, stop: int, floor: int) -> int:
    """log2 of ten times the mean, and `floor`."""
    count = stop - first
    return log2_q8(10 * _total(ring, first, stop) + count * floor) - log2_q8(count)


@numba.njit(cache=True)
def _fill_fast(row: IntArray, column: int, rings: IntegerRings, memory: IntegerMemory, trigger: int, onset: int,
               stop: int, floor: int, octave_q8: int) -> int:
    fast, top = rings.fast, 0
    for i in range(onset, stop):
        top = max(top, rings.signal[i & _MASK] * rings.signal[i & _MASK])
    highest = log2_q8(10 * _highest(fast, trigger - 2, trigger + 13) + floor)
    row[column] = highest - log2_q8(10 * top + floor)
    row[column + 1] = highest - log2_q8(10 * _highest(fast, trigger - 50, trigger - 5) + floor)
    row[column + 2] = highest - _log_mean_tenfold(fast, trigger - 60, trigger - 6, floor)
    row[column + 3] = highest - TENFOLD - shift_down(memory.usual[4], 8)
    first = 0
    for j in range(3):
        begin, end = onset + 6 * j, onset + 6 * j + 6 if j < 2 else stop
        power = _log_mean_tenfold(fast, begin, end, floor)
        if j == 0:
            first = power
        else:
            row[column + 3 + j] = first - power
        turn = _log_mean_tenfold(rings.turn, begin, end, floor) - power
        row[column + 6 + j] = shift_down(min(turn, FOURFOLD), 1) + octave_q8
    return column + 9


@numba.njit(cache=True)
def _fill_context(row: IntArray, column: int, rings: IntegerRings, memory: IntegerMemory, trigger: int,
                  floor: int) -> None:
    level = log2_q8(_highest(rings.innovation, trigger - 2, trigger + 13) + floor)
    row[column] = level - shift_down(memory.usual[3], 8)
    row[column + 1] = level
    since, since_loud, before, loudest = 8000, 8000, level, level - SIXTY_DB
    any_1s, any_5s, loud_1s, loud_5s = 0, 0, 0, 0
    count = memory.seen[0]
    for j in range(min(count, KEPT)):
        k = (count - 1 - j) % KEPT
        age, other = trigger - memory.block[k], memory.level[k]
        if j == 0:
            since, before = min(age, 8000), other
        loud = other >= level - SIX_DB
        if loud:
            since_loud = min(since_loud, age)
        if age < 5000:
            any_5s += 1
            loud_5s += loud
            loudest = max(loudest, other)
            if age < 1000:
                any_1s += 1
                loud_1s += loud
    row[column + 2], row[column + 3] = log2_q8(since + 1), log2_q8(since_loud + 1)
    row[column + 4], row[column + 5] = level - before, level - loudest
    row[column + 6], row[column + 7], row[column + 8], row[column + 9] = any_1s, any_5s, loud_1s, loud_5s
    row[column + 10] = level - shift_down(memory.usual[0], 8)
    row[column + 11] = level - shift_down(memory.usual[1], 8)
    row[column + 12] = level - shift_down(memory.usual[2], 8)
    memory.block[count % KEPT], memory.level[count % KEPT] = trigger, level
    memory.seen[0] = count + 1
