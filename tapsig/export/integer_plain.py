"""The plain detectors in integers: `fixed-threshold` and `ring-following`, step by step as their float forms.

| quantity | format | why it fits |
|---|---|---|
| count | 0..2^15-1 | the converter's bits, at most 15 |
| fixed threshold: mean | Q16 counts, 31 bits | 2^15·2^16 |
| … departure | Q8 counts, 24 bits | 2^15·2^8, either sign |
| ring-following: mean, departure | Q12 of 15-bit samples, 28 bits | 2^15·2^12 |
| … peak | Q4, 20 bits | departure >> 8 |
| … logarithms | Q16, 22 bits | log2 of at most 2^20, times 2^16; SILENT is -100 in Q16 |

The bias tracker's share is the power of two nearest to 1/(bias_time_s·fs), so that it is a shift.
"""

from typing import NamedTuple

import numba
import numpy as np

from tapsig.detect.ring_following import FRAME_BLOCKS, HOLD_BLOCKS
from tapsig.export.fixed_point import log2_q8, shift_down
from tapsig.units import IntArray

SILENT = -100 << 16
LARGEST_SINCE = 65535


class ThresholdNumbers(NamedTuple):
    """The constants of one fixed threshold."""

    threshold_q8: int  # counts
    dead_samples: int
    bias_shift: int


def new_threshold_state() -> IntArray:
    """[mean Q16, samples still to wait, begun]."""
    return np.zeros(3, dtype=np.int64)


@numba.njit(cache=True)
def run_threshold(counts: IntArray, state: IntArray, numbers: ThresholdNumbers, onsets: IntArray) -> int:
    """Indices of the onsets within `counts`; returns how many."""
    found = 0
    for n in range(counts.size):
        value = counts[n] << 8
        if state[2] == 0:
            state[0], state[2] = value << 8, 1
        departure = value - (state[0] >> 8)
        state[0] += shift_down(departure << 8, numbers.bias_shift)
        if state[1] > 0:
            state[1] -= 1
        elif abs(departure) > numbers.threshold_q8:
            state[1] = numbers.dead_samples - 1
            onsets[found] = n
            found += 1
    return found


class RingNumbers(NamedTuple):
    """The constants of one ring-following threshold; logarithms in Q16."""

    samples_per_block: int
    count_shift: int
    high_pass_q16: int
    least: int
    threshold: int
    over_usual: int
    over_ring: int
    decay_share_q8: int
    rate: int
    rate_low: int
    rate_high: int
    hysteresis: int
    learn: int
    dead_blocks: int


_MEAN, _PEAK, _PEAK_AGE, _FILL, _STARTED, _USUAL_KNOWN, _ARMED, _FRAME_FILL, _SINCE = range(9)
_USUAL, MARK, _LAST_PEAK, _RATE, _FRAME, _FRAME_BEFORE = range(9, 15)


def new_ring_state(numbers: RingNumbers) -> IntArray:
    """The state before the first count."""
    state = np.zeros(15, dtype=np.int64)
    state[_ARMED], state[_SINCE], state[_RATE], state[_PEAK_AGE] = 1, numbers.dead_blocks, numbers.rate, -1
    state[MARK] = state[_LAST_PEAK] = state[_FRAME] = state[_FRAME_BEFORE] = SILENT
    return state


@numba.njit(cache=True)
def _learn_decay(s: IntArray, level: int, numbers: RingNumbers) -> None:
    s[_FRAME] = max(s[_FRAME], level)
    s[_FRAME_FILL] += 1
    if s[_FRAME_FILL] < FRAME_BLOCKS:
        return
    heard = s[_FRAME_BEFORE] > s[_USUAL] + numbers.over_usual
    if numbers.learn and heard and s[_SINCE] >= HOLD_BLOCKS + 2 * FRAME_BLOCKS:
        fall = min(max(shift_down(s[_FRAME_BEFORE] - s[_FRAME], 5), numbers.rate_low), numbers.rate_high)
        s[_RATE] += shift_down(fall - s[_RATE], 2)
    s[_FRAME_BEFORE], s[_FRAME], s[_FRAME_FILL] = s[_FRAME], SILENT, 0


@numba.njit(cache=True)
def _judge_block(s: IntArray, level: int, numbers: RingNumbers) -> bool:
    tap = False
    s[MARK] = max(s[MARK] - shift_down(s[_RATE] * numbers.decay_share_q8, 8), SILENT)
    threshold = max(numbers.threshold, s[_USUAL] + numbers.over_usual, s[MARK])
    if level < s[_LAST_PEAK] - numbers.hysteresis:
        s[_ARMED] = 1
    if level > threshold and s[_SINCE] >= numbers.dead_blocks and s[_ARMED] == 1:
        tap = True
        s[_SINCE] = s[_ARMED] = s[_FRAME_FILL] = 0
        s[_LAST_PEAK], s[_FRAME], s[_FRAME_BEFORE] = level, SILENT, SILENT
    if s[_SINCE] < HOLD_BLOCKS:
        s[_LAST_PEAK] = max(s[_LAST_PEAK], level)
        s[MARK] = max(s[MARK], level + numbers.over_ring)
    s[_USUAL] += shift_down(level - s[_USUAL], 10 if level > s[_USUAL] else 6)
    _learn_decay(s, level, numbers)
    s[_SINCE] = min(s[_SINCE] + 1, LARGEST_SINCE)
    return tap


@numba.njit(cache=True)
def run_ring_following(
    counts: IntArray, s: IntArray, numbers: RingNumbers, onset_ages: IntArray, decided: IntArray
) -> int:
    """Index of the deciding count and age of the onset for each tap; returns how many."""
    found = 0
    for n in range(counts.size):
        value = counts[n] << (numbers.count_shift + 12)
        if s[_STARTED] == 0:
            s[_STARTED], s[_MEAN] = 1, value
        departure = value - s[_MEAN]
        s[_MEAN] += shift_down(departure * numbers.high_pass_q16, 16)
        magnitude = abs(shift_down(departure, 8))
        s[_PEAK_AGE] += 1
        if magnitude > s[_PEAK]:
            s[_PEAK], s[_PEAK_AGE] = magnitude, 0
        s[_FILL] += 1
        if s[_FILL] < numbers.samples_per_block:
            continue
        level = log2_q8(s[_PEAK] + numbers.least) << 8
        if s[_USUAL_KNOWN] == 0:
            s[_USUAL_KNOWN], s[_USUAL] = 1, level
        if _judge_block(s, level, numbers):
            onset_ages[found], decided[found] = s[_PEAK_AGE], n
            found += 1
        s[_FILL] = s[_PEAK] = 0
        s[_PEAK_AGE] = -1
    return found
