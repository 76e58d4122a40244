"""The candidate core in integers: converter counts in, candidates with their features out.

It follows `tapsig.detect.candidates` step by step. Widths, for a converter of b <= 15 bits:

| quantity | format | why it fits |
|---|---|---|
| sample x | Q(15-b) counts, 0..32767 | count·2^(15-b) |
| block mean | the same | mean of samples |
| sum of a block | 32 bits | at most 64 samples of ±2^15: 2^21 |
| squares, squared steps of a block | 36 bits | 64·2^30 |
| constant (high-pass) | Q12 | 2^27 |
| signal | ±32767, 16 bits | difference of two values in 0..32767, saturated |
| power of 32 signals | 36 bits | 32·2^30 |
| weights | Q20, ±2^26 | saturated (±64; real weights reach ±10) |
| prediction | 64-bit sum | 32·2^26·2^15 = 2^46 |
| error | ±65535, 17 bits | saturated; its square fits unsigned 32 bits |
| gain | 28 bits | 2^16·2^11·2^15 >> 15, times a power of two kept apart |
| smoothed powers | Q8, 40 bits | 2^32·2^8 |
"""

import math
from typing import NamedTuple

import numba
import numpy as np

from tapsig.detect.candidates import FAINT_DB, FAST_DB
from tapsig.dsp.prediction import ORDER
from tapsig.export.fixed_point import RECIPROCAL_TABLE, highest_bit, log2_q8, mantissa, saturate, shift_down
from tapsig.export.integer_features import (
    RING,
    IntegerMemory,
    IntegerRings,
    fill_features,
    new_memory,
    new_rings,
)
from tapsig.features import AFTER, FEATURES
from tapsig.units import IntArray

SMOOTHING_Q9 = 205
WEIGHT_BITS = 20
WEIGHT_LIMIT = 1 << 26
ERROR_LIMIT = 65535
SIGNAL_LIMIT = 32767
USUAL_RISE_Q16, USUAL_FALL_Q16 = 262, 1311  # 0.004 and 0.02 in Q16
APART, SETTLING = 10, 100
FAST_Q8 = math.floor(256.0 * 10.0 ** (FAST_DB / 10.0) + 0.5)
"""Ratio of powers."""
FAINT_Q8 = math.floor(FAINT_DB * 256.0 * math.log2(10.0) / 10.0 + 0.5)
_HISTORY_MASK = 63
_RING_MASK = RING - 1
_MAXIMA = 16
_WAITING = 4


class CoreNumbers(NamedTuple):
    """The constants of one export."""

    samples_per_block: int
    reciprocal_q16: int  # of samples_per_block
    count_shift: int  # 15 - bits
    step_q16: int
    trigger_q8: int  # ratio of powers
    floor: int  # power, in units of x squared
    octave_q8: int  # log2 of fs / 2 pi


_SUM, _FILL, _MEAN, _CONSTANT, _POWER, _GAIN, _GAIN_BIT = range(7)
_INNOVATION, _REFERENCE, _HIGHEST, _LONG = range(7, 11)
_SAMPLE, _BLOCK, _LAST, _PENDING = range(11, 15)
_SQUARES, _TURNS, _PREVIOUS, _FAST, _TURN = range(15, 20)
_FAST_REFERENCE, _FAST_HIGHEST, _FAST_LONG = range(20, 23)


class IntegerState(NamedTuple):
    """All that the integer core remembers."""

    scalars: IntArray
    weights: IntArray
    history: IntArray
    maxima: IntArray
    fast_maxima: IntArray
    pending: IntArray
    recent: IntArray
    rings: IntegerRings
    memory: IntegerMemory


def recent_samples(samples_per_block: int) -> int:
    """Samples kept for the onset: a power of two, and at least 48 blocks."""
    return 1 << (AFTER * 2 * samples_per_block - 1).bit_length()


def new_state(numbers: CoreNumbers) -> IntegerState:
    """The state before the first count."""
    scalars = np.zeros(23, dtype=np.int64)
    scalars[_LAST], scalars[_GAIN_BIT] = -APART, 4
    recent = recent_samples(numbers.samples_per_block)
    return IntegerState(
        scalars, np.zeros(ORDER, np.int64), np.zeros(_HISTORY_MASK + 1, np.int64), np.zeros(_MAXIMA, np.int64),
        np.zeros(_MAXIMA, np.int64), np.zeros(_WAITING, np.int64), np.zeros(recent, np.int64), new_rings(),
        new_memory(),
    )  # fmt: skip


@numba.njit(cache=True)
def predict(weights: IntArray, history: IntArray, block: int, gain: int, gain_bit: int) -> int:
    """Apply the update that the last error calls for, then predict the signal of `block`."""
    total = 0
    for i in range(ORDER):
        # gain stands for gain·2^-16·2^-gain_bit; the weight is Q20.
        update = gain * history[(block - 2 - i) & _HISTORY_MASK]
        weight = saturate(weights[i] + shift_down(update, gain_bit - 4), WEIGHT_LIMIT)
        weights[i] = weight
        total += weight * history[(block - 1 - i) & _HISTORY_MASK]
    return saturate(shift_down(total, WEIGHT_BITS), ERROR_LIMIT)


@numba.njit(cache=True)
def _follow_usual(usual: IntArray, innovation: int, fast: int, fresh: bool) -> None:
    """Every 64 blocks; logarithms to base 2 in Q16."""
    if fresh:
        usual[0] = usual[1] = usual[2] = usual[3] = innovation
        usual[4] = fast
    usual[0] += shift_down(innovation - usual[0], 4)
    usual[1] += shift_down(innovation - usual[1], 7)
    usual[2] = max(innovation, usual[2] - USUAL_FALL_Q16)
    usual[3] = min(innovation, usual[3] + USUAL_RISE_Q16)
    usual[4] = min(fast, usual[4] + USUAL_RISE_Q16)


@numba.njit(cache=True)
def _highest_before(maxima: IntArray, now: int, floor: int) -> int:
    """The highest of the 44 blocks before the four that were just completed, and of `floor`."""
    highest = floor
    for j in range(1, 12):
        highest = max(highest, maxima[(now - j) % _MAXIMA])
    return highest


@numba.njit(cache=True)
def _rises(power: int, ratio_q8: int, reference: int, floor: int, quiet: int) -> bool:
    """Whether `power` exceeds so many times `reference`, and the quietest of late (log2 Q16) by FAINT_DB."""
    return (power << 8) > ratio_q8 * reference and log2_q8(power + floor) - shift_down(quiet, 8) >= FAINT_Q8


@numba.njit(cache=True)
def refine_onset(recent: IntArray, onset: int, peak: int, per_block: int) -> int:
    """The sample that first departs by a tenth of the candidate's own peak; all values times the count of the mean."""
    mask = recent.size - 1
    begin, stop = max((onset - 1) * per_block, 0), (onset + 1) * per_block
    quiet = max((onset - 4) * per_block, 0)
    count = begin - quiet
    if count == 0:
        return onset * per_block
    total = 0
    for i in range(quiet, begin):
        total += recent[i & mask]
    spread, highest = 0, 0
    for i in range(quiet, begin):
        spread = max(spread, abs(recent[i & mask] * count - total))
    for i in range(begin, (peak + 1) * per_block):
        highest = max(highest, abs(recent[i & mask] * count - total))
    mark = max(highest, 10 * spread)
    for i in range(begin, stop):
        if 10 * abs(recent[i & mask] * count - total) > mark:
            return i
    return onset * per_block


@numba.njit(cache=True)
def run_core(counts: IntArray, state: IntegerState, numbers: CoreNumbers, triggers: IntArray, onsets: IntArray,
             decided: IntArray, rows: IntArray) -> int:
    """Feed `counts`; write what was decided into the four arrays and return how many."""
    s, rings, maxima, pending = state.scalars, state.rings, state.maxima, state.pending
    recent, history, per_block = state.recent, state.history, numbers.samples_per_block
    fast_maxima, usual = state.fast_maxima, state.memory.usual
    found, recent_mask = 0, recent.size - 1
    for index in range(counts.size):
        value = counts[index] << numbers.count_shift
        if s[_SAMPLE] == 0:
            s[_MEAN] = value
            s[_CONSTANT] = value << 12
            s[_PREVIOUS] = value
        recent[s[_SAMPLE] & recent_mask] = value
        s[_SAMPLE] += 1
        offset, step = value - s[_MEAN], value - s[_PREVIOUS]
        s[_SUM] += offset
        s[_SQUARES] += offset * offset
        s[_TURNS] += step * step
        s[_PREVIOUS] = value
        s[_FILL] += 1
        if s[_FILL] < per_block:
            continue
        s[_FILL] = 0
        block = s[_BLOCK]
        change = shift_down(s[_SUM] * numbers.reciprocal_q16, 16)
        spread = max(shift_down(s[_SQUARES] * numbers.reciprocal_q16, 16) - change * change, 0)
        turns = shift_down(s[_TURNS] * numbers.reciprocal_q16, 16)
        s[_FAST] += shift_down(((spread << 8) - s[_FAST]) * SMOOTHING_Q9, 9)
        s[_TURN] += shift_down(((turns << 8) - s[_TURN]) * SMOOTHING_Q9, 9)
        fast = s[_FAST] >> 8
        s[_MEAN] += change
        s[_SUM] = s[_SQUARES] = s[_TURNS] = 0
        departure = (s[_MEAN] << 12) - s[_CONSTANT]
        signal = saturate(shift_down(departure, 12), SIGNAL_LIMIT)
        s[_CONSTANT] += shift_down(departure, 3)
        error = saturate(signal - predict(state.weights, history, block, s[_GAIN], s[_GAIN_BIT]), ERROR_LIMIT)
        divisor = ORDER * numbers.floor + s[_POWER]
        bit = highest_bit(divisor)
        s[_GAIN] = shift_down(error * numbers.step_q16 * RECIPROCAL_TABLE[mantissa(divisor, bit)], 15)
        s[_GAIN_BIT] = bit
        old = history[(block - ORDER) & _HISTORY_MASK]
        s[_POWER] += signal * signal - old * old
        history[block & _HISTORY_MASK] = signal
        raw = error * error
        s[_INNOVATION] += shift_down(((raw << 8) - s[_INNOVATION]) * SMOOTHING_Q9, 9)
        innovation = s[_INNOVATION] >> 8
        k = block & _RING_MASK
        rings.signal[k], rings.raw_innovation[k], rings.innovation[k] = signal, raw, innovation
        rings.fast[k], rings.turn[k] = fast, s[_TURN] >> 8
        s[_HIGHEST], s[_FAST_HIGHEST] = max(s[_HIGHEST], innovation), max(s[_FAST_HIGHEST], fast)
        if block & 3 == 3:
            now = block >> 2
            maxima[now % _MAXIMA], fast_maxima[now % _MAXIMA] = s[_HIGHEST], s[_FAST_HIGHEST]
            s[_LONG], s[_FAST_LONG] = max(s[_LONG], s[_HIGHEST]), max(s[_FAST_LONG], s[_FAST_HIGHEST])
            s[_HIGHEST] = s[_FAST_HIGHEST] = 0
            s[_REFERENCE] = _highest_before(maxima, now, numbers.floor)
            s[_FAST_REFERENCE] = _highest_before(fast_maxima, now, numbers.floor)
            if block & 63 == 63:
                _follow_usual(usual, log2_q8(s[_LONG] + numbers.floor) << 8,
                              log2_q8(s[_FAST_LONG] + numbers.floor) << 8, block < 64)
                s[_LONG] = s[_FAST_LONG] = 0
        if s[_PENDING] > 0 and block == pending[0] + AFTER:
            trigger = pending[0]
            s[_PENDING] -= 1
            for j in range(s[_PENDING]):
                pending[j] = pending[j + 1]
            onset, peak = fill_features(rows[found], rings, state.memory, trigger, numbers.floor,
                                         numbers.octave_q8)
            triggers[found] = trigger
            onsets[found] = refine_onset(recent, onset, peak, per_block)
            decided[found] = s[_SAMPLE] - 1
            found += 1
        if block >= SETTLING and block - s[_LAST] >= APART and (
            _rises(innovation, numbers.trigger_q8, s[_REFERENCE], numbers.floor, usual[3])
            or _rises(fast, FAST_Q8, s[_FAST_REFERENCE], numbers.floor, usual[4])
        ):
            pending[s[_PENDING]] = block
            s[_PENDING] += 1
            s[_LAST] = block
        s[_BLOCK] = block + 1
    return found


def room_for(counts: int, numbers: CoreNumbers) -> tuple[IntArray, IntArray, IntArray, IntArray]:
    """Arrays that `run_core` can fill from so many counts."""
    room = counts // numbers.samples_per_block // APART + 2 + _WAITING
    triggers, onsets, decided = (np.empty(room, dtype=np.int64) for _ in range(3))
    return triggers, onsets, decided, np.empty((room, len(FEATURES)), dtype=np.int64)
