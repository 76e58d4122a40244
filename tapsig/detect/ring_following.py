"""Detector variant: after a tap the threshold starts at the tap's own level and falls as the panel rings down.

The level is the peak of the high-passed signal over each millisecond, as a logarithm, so that an exponential
ring-down is a straight line and a threshold that follows it needs one subtraction a millisecond.
"""

import math
from dataclasses import dataclass
from typing import ClassVar

import numba
import numpy as np

from tapsig.detect.base import StreamingDetector
from tapsig.dsp.filters import high_pass_time_s, one_pole_coefficient
from tapsig.errors import ParameterError
from tapsig.records import Detections
from tapsig.units import FloatArray, IntArray, check_pair, check_positive, check_range, seconds_to_samples

BLOCK_HZ = 1000.0
HOLD_BLOCKS = 25  # a tap's own rise on a skin: its peak lies 10–15 ms after contact
FRAME_BLOCKS = 32  # over which one fall of the ring-down is measured
LEAST_V = 1e-5
_PUSH = 1 << 16  # samples handed to the kernel at a time, so that they stay in the cache


@dataclass(frozen=True, slots=True)
class RingFollowing:
    """A tap is a level over the highest of three marks: `threshold_v`, the usual level, and the ring-down before.

    Parameters
    ----------
    threshold_v : the least level of a tap, in volts.
    over_usual_db : over the slow mean of the level.
    over_ring_db : the ring mark starts so far over a tap's peak and falls with `decay_share` of the panel's decay.
    decay_db_s : the panel's decay; 0 = learnt from the ring-downs heard, within `decay_limits_db_s`.
    hysteresis_db : the level must fall so far under the last tap's peak before the next tap.
    dead_time_s : no second tap this soon after one; real knocking goes down to 112 ms.
    high_pass_hz : of the signal, first order.
    """

    name: ClassVar[str] = "ring-following"
    threshold_v: float = 0.02
    over_usual_db: float = 20.0
    over_ring_db: float = 4.0
    decay_db_s: float = 0.0
    decay_share: float = 0.4
    decay_limits_db_s: tuple[float, float] = (40.0, 600.0)
    hysteresis_db: float = 3.0
    dead_time_s: float = 0.08
    high_pass_hz: float = 60.0

    def __post_init__(self) -> None:
        check_positive("threshold_v", self.threshold_v)
        for name in ("over_usual_db", "over_ring_db", "hysteresis_db"):
            check_range(name, getattr(self, name), 0.0, 60.0)
        check_range("dead_time_s", self.dead_time_s, 0.001, 1.0)
        check_range("decay_db_s", self.decay_db_s, 0.0, 1e5)
        check_range("decay_share", self.decay_share, 0.0, 2.0)
        check_positive("high_pass_hz", self.high_pass_hz)
        low, high = check_pair("decay_limits_db_s", self.decay_limits_db_s)
        if not 0 < low <= high <= 1e5:
            raise ParameterError(f"decay_limits_db_s is {self.decay_limits_db_s!r}; give two rates, 0 < low <= high")

    def build(self, fs: float, *, keep_rejected: bool = False) -> "RingFollowingDetector":
        """A detector for `fs` Hz; it has no candidates that it rejects."""
        return RingFollowingDetector(self, fs)


_MEAN, _PEAK, _USUAL, _MARK, _LAST_PEAK, _RATE, _FRAME, _FRAME_BEFORE = range(8)
_PEAK_AT, _BLOCK, _SINCE, _ARMED, _FRAME_FILL = range(5)
_THRESHOLD, _OVER_USUAL, _OVER_RING, _SHARE, _LOW, _HIGH, _HYSTERESIS, _LEARN, _HIGH_PASS = range(9)


@numba.njit(cache=True)
def _learn(state: FloatArray, counts: IntArray, level: float, numbers: FloatArray) -> None:
    """Measure the fall from one frame's highest level to the next, while a tap rings and nothing else is heard."""
    state[_FRAME] = max(state[_FRAME], level)
    counts[_FRAME_FILL] += 1
    if counts[_FRAME_FILL] < FRAME_BLOCKS:
        return
    heard = state[_FRAME_BEFORE] > state[_USUAL] + numbers[_OVER_USUAL]
    if numbers[_LEARN] > 0.0 and heard and counts[_SINCE] >= HOLD_BLOCKS + 2 * FRAME_BLOCKS:
        fall = (state[_FRAME_BEFORE] - state[_FRAME]) / FRAME_BLOCKS
        state[_RATE] += (min(max(fall, numbers[_LOW]), numbers[_HIGH]) - state[_RATE]) / 4.0
    state[_FRAME_BEFORE], state[_FRAME] = state[_FRAME], -100.0
    counts[_FRAME_FILL] = 0


@numba.njit(cache=True)
def _judge_block(state: FloatArray, counts: IntArray, level: float, numbers: FloatArray, dead: int) -> float:
    """How far `level` lies over the threshold, as log2; 0 where there is no tap."""
    state[_MARK] -= numbers[_SHARE] * state[_RATE]
    threshold = max(numbers[_THRESHOLD], state[_USUAL] + numbers[_OVER_USUAL], state[_MARK])
    over = 0.0
    if level < state[_LAST_PEAK] - numbers[_HYSTERESIS]:
        counts[_ARMED] = 1
    if level > threshold and counts[_SINCE] >= dead and counts[_ARMED] == 1:
        over = level - threshold
        counts[_SINCE] = counts[_ARMED] = counts[_FRAME_FILL] = 0
        state[_LAST_PEAK], state[_FRAME], state[_FRAME_BEFORE] = level, -100.0, -100.0
    if counts[_SINCE] < HOLD_BLOCKS:
        state[_LAST_PEAK] = max(state[_LAST_PEAK], level)
        state[_MARK] = max(state[_MARK], level + numbers[_OVER_RING])
    state[_USUAL] += (level - state[_USUAL]) / (1024.0 if level > state[_USUAL] else 64.0)
    _learn(state, counts, level, numbers)
    counts[_SINCE] += 1
    return over


@numba.njit(cache=True)
def run_ring_following(
    samples: FloatArray, first: int, state: FloatArray, counts: IntArray, numbers: FloatArray, dead: int, fs: float,
    onsets: IntArray, decided: IntArray, strength: FloatArray,
) -> int:  # fmt: skip
    """Feed `samples`; write what was found and return how many."""
    found, share = 0, numbers[_HIGH_PASS]
    if first == 0 and samples.size:
        state[_MEAN] = samples[0]
    mean, peak, peak_at, block_end = state[_MEAN], state[_PEAK], counts[_PEAK_AT], (counts[_BLOCK] + 1) * fs
    for n in range(samples.size):
        departure = samples[n] - mean
        mean += share * departure
        if abs(departure) > peak:
            peak, peak_at = abs(departure), first + n
        # Block b ends with the first sample at or after (b + 1) ms; rates under 1 kHz have one sample a block.
        if (first + n + 1) * BLOCK_HZ < block_end:
            continue
        counts[_BLOCK] = max(counts[_BLOCK] + 1, int((first + n + 1) * BLOCK_HZ / fs))
        block_end = (counts[_BLOCK] + 1) * fs
        level = math.log2(peak + LEAST_V)
        if counts[_BLOCK] == 1:
            state[_USUAL] = level
        over = _judge_block(state, counts, level, numbers, dead)
        if over > 0.0:
            onsets[found], decided[found], strength[found] = peak_at, first + n, over
            found += 1
        peak, peak_at = 0.0, first + n + 1
    state[_MEAN], state[_PEAK], counts[_PEAK_AT] = mean, peak, peak_at
    return found


class RingFollowingDetector(StreamingDetector):
    """Runs a `RingFollowing`; strength is the level over the threshold in decibels."""

    def __init__(self, variant: RingFollowing, fs: float) -> None:
        super().__init__(fs)
        self.latency_s = 1.0 / BLOCK_HZ + 1.0 / self.fs
        octave_db = 20.0 * math.log10(2.0)
        per_block = octave_db * min(BLOCK_HZ, self.fs)
        self._per_block = per_block
        low, high = variant.decay_limits_db_s
        learn = variant.decay_db_s == 0.0
        self._rate = (variant.decay_db_s or math.sqrt(low * high)) / per_block
        self._dead = seconds_to_samples(variant.dead_time_s, min(BLOCK_HZ, self.fs), at_least=1)
        self._numbers = np.array([
            math.log2(variant.threshold_v + LEAST_V), variant.over_usual_db / octave_db,
            variant.over_ring_db / octave_db, variant.decay_share, low / per_block, high / per_block,
            variant.hysteresis_db / octave_db, float(learn),
            one_pole_coefficient(high_pass_time_s(variant.high_pass_hz, self.fs), self.fs),
        ])  # fmt: skip
        self._clear()

    @property
    def decay_db_s(self) -> float:
        """The panel's decay as given, or as learnt so far, in decibels a second."""
        return float(self._state[_RATE]) * self._per_block

    def _clear(self) -> None:
        self._state = np.array([0.0, 0.0, 0.0, -100.0, -100.0, self._rate, -100.0, -100.0])
        self._counts = np.array([0, 0, self._dead, 1, 0], dtype=np.int64)

    def _process(self, samples: FloatArray, first: int) -> Detections:
        parts = [self._run(samples[i : i + _PUSH].copy(), first + i) for i in range(0, samples.size, _PUSH)]
        return Detections.concatenate(parts)

    def _run(self, samples: FloatArray, first: int) -> Detections:
        room = int(samples.size / max(self.fs / BLOCK_HZ, 1.0)) // self._dead + 2
        onsets, decided, strength = np.empty(room, np.int64), np.empty(room, np.int64), np.empty(room)
        found = run_ring_following(
            samples, first, self._state, self._counts, self._numbers, self._dead, self.fs,
            onsets, decided, strength,
        )  # fmt: skip
        octave_db = 20.0 * math.log10(2.0)
        return Detections(onsets[:found], decided[:found], strength[:found] * octave_db)
