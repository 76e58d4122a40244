"""The candidate core in integers: converter counts in, candidates with their features out.

It follows `tapsig.detect.candidates` step by step. Widths, for a converter of b <= 15 bits:

| quantity | format | why it fits |
|---|---|---|
| sample x | Q(15-b) counts, 0..32767 | count·2^(15-b) |
| block mean | the same | mean of samples |
| sum of a block | 32 bits | at most 64 samples of ±2^15: 2^21 |
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

from tapsig.detect.candidates import FAINT_DB
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


_SUM, _FILL, _MEAN, _CONSTANT, _POWER, _GAIN, _GAIN_BIT = range(7)
_INNOVATION, _REFERENCE, _HIGHEST, _LONG = range(7, 11)
_SAMPLE, _BLOCK, _LAST, _PENDING = range(11, 15)


class IntegerState(NamedTuple):
    """All that the integer core remembers."""

    scalars: IntArray
    weights: IntArray
    history: IntArray
    maxima: IntArray
    pending: IntArray
    recent: IntArray
    rings: IntegerRings
    memory: IntegerMemory


def recent_samples(samples_per_block: int) -> int:
    """Samples kept for the onset: a power of two, and at least 48 blocks."""
    return 1 << (AFTER * 2 * samples_per_block - 1).bit_length()


def new_state(numbers: CoreNumbers) -> IntegerState:
    """The state before the first count."""
    scalars = np.zeros(15, dtype=np.int64)
    scalars[_LAST], scalars[_GAIN_BIT] = -APART, 4
    recent = recent_samples(numbers.samples_per_block)
    return IntegerState(
        scalars, np.zeros(ORDER, np.int64), np.zeros(_HISTORY_MASK + 1, np.int64), np.zeros(_MAXIMA, np.int64),
        np.zeros(_WAITING, np.int64), np.zeros(recent, np.int64), new_rings(), new_memory(),
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
def _follow_usual(usual: IntArray, innovation: int, fresh: bool) -> None:
    """Every 64 blocks; logarithms to base 2 in Q16."""
    if fresh:
        usual[0] = usual[1] = usual[2] = usual[3] = innovation
    usual[0] += shift_down(innovation - usual[0], 4)
    usual[1] += shift_down(innovation - usual[1], 7)
    usual[2] = max(innovation, usual[2] - USUAL_FALL_Q16)
    usual[3] = min(innovation, usual[3] + USUAL_RISE_Q16)


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
    found, recent_mask = 0, recent.size - 1
    for index in range(counts.size):
        value = counts[index] << numbers.count_shift
        if s[_SAMPLE] == 0:
            s[_MEAN] = value
            s[_CONSTANT] = value << 12
            s[_REFERENCE] = 1 << 40
        recent[s[_SAMPLE] & recent_mask] = value
        s[_SAMPLE] += 1
        s[_SUM] += value - s[_MEAN]
        s[_FILL] += 1
        if s[_FILL] < per_block:
            continue
        s[_FILL] = 0
        block = s[_BLOCK]
        change = shift_down(s[_SUM] * numbers.reciprocal_q16, 16)
        s[_MEAN] += change
        s[_SUM] = 0
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
        s[_HIGHEST] = max(s[_HIGHEST], innovation)
        if block & 3 == 3:
            now = block >> 2
            maxima[now % _MAXIMA] = s[_HIGHEST]
            s[_LONG], s[_HIGHEST] = max(s[_LONG], s[_HIGHEST]), 0
            s[_REFERENCE] = numbers.floor
            for j in range(1, 12):
                s[_REFERENCE] = max(s[_REFERENCE], maxima[(now - j) % _MAXIMA])
            if block & 63 == 63:
                _follow_usual(state.memory.usual, log2_q8(s[_LONG] + numbers.floor) << 8, block < 64)
                s[_LONG] = 0
        if s[_PENDING] > 0 and block == pending[0] + AFTER:
            trigger = pending[0]
            s[_PENDING] -= 1
            for j in range(s[_PENDING]):
                pending[j] = pending[j + 1]
            onset, peak = fill_features(rows[found], rings, state.memory, trigger, numbers.floor)
            triggers[found] = trigger
            onsets[found] = refine_onset(recent, onset, peak, per_block)
            decided[found] = s[_SAMPLE] - 1
            found += 1
        rises = (innovation << 8) > numbers.trigger_q8 * s[_REFERENCE] and block >= SETTLING
        rises = rises and block - s[_LAST] >= APART
        if rises and log2_q8(innovation + numbers.floor) - shift_down(state.memory.usual[3], 8) >= FAINT_Q8:
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
