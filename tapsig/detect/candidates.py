"""The core that `innovation` and `tap` share: samples at any rate -> candidates with their features.

Sample by sample: mean over each millisecond, a high-pass of 20 Hz, adaptive prediction of order 32. A candidate is
triggered where the innovation, smoothed over 2 ms, exceeds the highest of the 5–50 ms before, and the quietest of late
by 8 dB; or where the fast power does: the variance within the millisecond, which a short hard blow raises when the
means hardly move. 24 ms later its features are known. All state is in arrays of fixed size, so that any division of the
input into chunks gives equal results.
"""

import math
from typing import NamedTuple

import numba
import numpy as np

from tapsig.dsp.prediction import HISTORY_SIZE, INNER, KERNEL, ORDER, WORKING_RATE_HZ, adapt_and_predict, remember
from tapsig.errors import ParameterError
from tapsig.features import (
    AFTER,
    BLOCKS,
    DB_OF_DOUBLED,
    FEATURES,
    Memory,
    Rings,
    fill_features,
    new_memory,
    new_rings,
)
from tapsig.units import FloatArray, IntArray

LOWEST_FS, HIGHEST_FS = 250.0, 200_000.0
LATENCY_S = 0.037
"""From the onset's block at most 9 ms to the trigger and 24 ms to the decision; the blocks' lengths; the refinement."""

HIGH_PASS = 0.125  # per block: 20 Hz
SMOOTHING = 0.4  # per block: 2 ms
APART = 10  # blocks from one trigger to the next
SETTLING = 100  # blocks before the first trigger
FAINT_DB = 8.0
"""What rises less than this over the quietest of late is noise, no candidate."""
FAST_DB = 6.0
"""What the fast power must rise over the highest of the 5–50 ms before."""
_FAINT = FAINT_DB / DB_OF_DOUBLED
_FAST_RATIO = 10.0 ** (FAST_DB / 10.0)
_MASK = BLOCKS - 1
_MAXIMA = 16  # ring of the highest innovation of every four blocks, a power of two
_WAITING = 4  # triggers less than AFTER blocks old: at most three
_PUSH = 1 << 16  # samples handed to the kernel at a time

# Indices into State.scalars and State.counters.
_SUM, _LEFT, _MEAN, _CONSTANT, _POWER, _GAIN = range(6)
_INNOVATION, _REFERENCE, _HIGHEST, _LONG = range(6, 10)
_SQUARES, _TURNS, _PREVIOUS, _FAST, _TURN = range(10, 15)
_FAST_REFERENCE, _FAST_HIGHEST, _FAST_LONG = range(15, 18)
_SAMPLE, _BLOCK, _POSITION, _LAST, _PENDING = range(5)


class State(NamedTuple):
    """All that a running core remembers."""

    scalars: FloatArray
    counters: IntArray
    weights: FloatArray
    history: FloatArray
    maxima: FloatArray
    fast_maxima: FloatArray
    pending: IntArray
    recent: FloatArray  # the last samples at the full rate, a power of two of them
    rings: Rings
    memory: Memory


def new_state(fs: float) -> State:
    """The state before the first sample."""
    counters = np.zeros(5, dtype=np.int64)
    counters[_POSITION] = HISTORY_SIZE - ORDER - 1
    counters[_LAST] = -APART
    recent = 1 << math.ceil(math.log2((AFTER + 18) * max(fs / WORKING_RATE_HZ, 1.0) + 4))
    return State(np.zeros(18), counters, np.zeros(ORDER), np.zeros(HISTORY_SIZE), np.zeros(_MAXIMA), np.zeros(_MAXIMA),
                 np.zeros(_WAITING, dtype=np.int64), np.zeros(recent), new_rings(), new_memory())


@numba.njit(**INNER)
def _settle(state: State, first: float, per_block: float) -> None:
    """Filters begin in the steady state of the first sample."""
    state.scalars[_LEFT] = per_block
    state.scalars[_MEAN] = first
    state.scalars[_CONSTANT] = first
    state.scalars[_PREVIOUS] = first


@numba.njit(**INNER)
def _follow_usual(usual: FloatArray, innovation: float, fast: float, fresh: bool) -> None:
    """Every 64 blocks: log2 of the highest innovation and fast power of these into the usual levels."""
    if fresh:
        usual[0] = usual[1] = usual[2] = usual[3] = innovation
        usual[4] = fast
    usual[0] += (innovation - usual[0]) / 16.0
    usual[1] += (innovation - usual[1]) / 128.0
    usual[2] = max(innovation, usual[2] - 0.02)
    usual[3] = min(innovation, usual[3] + 0.004)
    usual[4] = min(fast, usual[4] + 0.004)


@numba.njit(**INNER)
def _highest_before(maxima: FloatArray, now: int, floor: float) -> float:
    """The highest of the 44 blocks before the four that were just completed, and of `floor`."""
    highest = floor
    for j in range(1, 12):
        highest = max(highest, maxima[(now - j) & (_MAXIMA - 1)])
    return highest


@numba.njit(**INNER)
def _rises(power: float, mark: float, floor: float, quiet: float) -> bool:
    """Whether `power` exceeds `mark`, and the quietest of late (log2) by FAINT_DB."""
    return power > mark and math.log2(power + floor) - quiet >= _FAINT


@numba.njit(**INNER)
def refine_onset(recent: FloatArray, onset: int, peak: int, per_block: float) -> int:
    """The sample of the onset near block `onset`: the first that departs by a tenth of the candidate's own peak.

    The departure is counted from the mean of the 3 ms before; where these move more than that, their range is the mark.
    """
    mask = recent.size - 1
    begin = max(int((onset - 1) * per_block), 0)
    stop = int((onset + 1) * per_block)
    quiet = max(int((onset - 4) * per_block), 0)
    mean, count = 0.0, 0
    for i in range(quiet, begin):
        mean += recent[i & mask]
        count += 1
    if count == 0:
        return int(onset * per_block)
    mean /= count
    spread, highest = 0.0, 0.0
    for i in range(quiet, begin):
        spread = max(spread, abs(recent[i & mask] - mean))
    for i in range(begin, int((peak + 1) * per_block)):
        highest = max(highest, abs(recent[i & mask] - mean))
    mark = max(0.1 * highest, spread)
    for i in range(begin, stop):
        if abs(recent[i & mask] - mean) > mark:
            return i
    return int(onset * per_block)


@numba.njit(**KERNEL)
def run_core(samples: FloatArray, state: State, per_block: float, step: float, trigger_ratio: float, floor: float,
             triggers: IntArray, onsets: IntArray, decided: IntArray, rows: FloatArray) -> int:
    """Feed `samples`; write what was decided into the four arrays and return how many.

    `per_block` is fs/1000, `trigger_ratio` and `floor` are powers.
    """
    scalars, counters, rings = state.scalars, state.counters, state.rings
    weights, history, maxima, pending = state.weights, state.history, state.maxima, state.pending
    fast_maxima, recent, fs = state.fast_maxima, state.recent, per_block * WORKING_RATE_HZ
    if counters[_SAMPLE] == 0 and samples.size:
        _settle(state, samples[0], per_block)
    total, left, mean = scalars[_SUM], scalars[_LEFT], scalars[_MEAN]
    constant, power, gain = scalars[_CONSTANT], scalars[_POWER], scalars[_GAIN]
    innovation, reference = scalars[_INNOVATION], scalars[_REFERENCE]
    highest, long = scalars[_HIGHEST], scalars[_LONG]
    squares, turns, previous = scalars[_SQUARES], scalars[_TURNS], scalars[_PREVIOUS]
    fast, turn, fast_reference = scalars[_FAST], scalars[_TURN], scalars[_FAST_REFERENCE]
    fast_highest, fast_long = scalars[_FAST_HIGHEST], scalars[_FAST_LONG]
    sample, block, position = counters[_SAMPLE], counters[_BLOCK], counters[_POSITION]
    waiting, last = counters[_PENDING], counters[_LAST]
    found, recent_mask = 0, recent.size - 1
    for index in range(samples.size):
        value = samples[index]
        recent[sample & recent_mask] = value
        sample += 1
        turns += (value - previous) * (value - previous)
        previous = value
        if left > 1.0:  # most samples lie within a block whole
            offset = value - mean
            total += offset
            squares += offset * offset
            left -= 1.0
            continue
        part = 1.0  # of this sample that is not yet in a block
        while left <= part:
            offset = value - mean
            total += offset * left
            squares += offset * offset * left
            part -= left
            left = per_block
            # A block is complete.
            change = total / per_block
            fast += SMOOTHING * (max(squares / per_block - change * change, 0.0) - fast)
            turn += SMOOTHING * (turns / per_block - turn)
            mean += change
            total = squares = turns = 0.0
            signal = mean - constant
            constant += signal * HIGH_PASS
            error = signal - adapt_and_predict(weights, history, position, gain)
            gain = step * error / (ORDER * floor + power)
            power = max(power + signal * signal - history[position + ORDER - 1] ** 2, 0.0)
            position = remember(history, position, signal)
            raw = error * error
            innovation += SMOOTHING * (raw - innovation)
            k = block & _MASK
            rings.signal[k], rings.raw_innovation[k], rings.innovation[k] = signal, raw, innovation
            rings.fast[k], rings.turn[k] = fast, turn
            highest, fast_highest = max(highest, innovation), max(fast_highest, fast)
            if block & 3 == 3:
                now = block >> 2
                maxima[now & (_MAXIMA - 1)], fast_maxima[now & (_MAXIMA - 1)] = highest, fast_highest
                long, fast_long = max(long, highest), max(fast_long, fast_highest)
                highest = fast_highest = 0.0
                reference = _highest_before(maxima, now, floor)
                fast_reference = _highest_before(fast_maxima, now, floor)
                if block & 63 == 63:
                    _follow_usual(state.memory.usual, math.log2(long + floor), math.log2(fast_long + floor), block < 64)
                    long = fast_long = 0.0
            if waiting > 0 and block == pending[0] + AFTER:
                trigger = pending[0]
                waiting -= 1
                for j in range(waiting):
                    pending[j] = pending[j + 1]
                onset = fill_features(rows[found], rings, state.memory, trigger, floor, fs)
                triggers[found] = trigger
                peak = onset + int(rows[found, 7])
                onsets[found] = refine_onset(recent, onset, peak, per_block)
                decided[found] = sample - 1
                found += 1
            if block >= SETTLING and block - last >= APART and (
                _rises(innovation, trigger_ratio * reference, floor, state.memory.usual[3])
                or _rises(fast, _FAST_RATIO * fast_reference, floor, state.memory.usual[4])
            ):
                pending[waiting] = last = block
                waiting += 1
            block += 1
        offset = value - mean
        total += offset * part
        squares += offset * offset * part
        left -= part
    scalars[_SUM], scalars[_LEFT], scalars[_MEAN] = total, left, mean
    scalars[_CONSTANT], scalars[_POWER], scalars[_GAIN] = constant, power, gain
    scalars[_INNOVATION], scalars[_REFERENCE] = innovation, reference
    scalars[_HIGHEST], scalars[_LONG] = highest, long
    scalars[_SQUARES], scalars[_TURNS], scalars[_PREVIOUS] = squares, turns, previous
    scalars[_FAST], scalars[_TURN], scalars[_FAST_REFERENCE] = fast, turn, fast_reference
    scalars[_FAST_HIGHEST], scalars[_FAST_LONG] = fast_highest, fast_long
    counters[_SAMPLE], counters[_BLOCK], counters[_POSITION] = sample, block, position
    counters[_PENDING], counters[_LAST] = waiting, last
    return found


class Candidates(NamedTuple):
    """What the core found: trigger block, onset sample, deciding sample, features (n, len(FEATURES))."""

    triggers: IntArray
    onsets: IntArray
    decided: IntArray
    rows: FloatArray

    @classmethod
    def empty(cls) -> "Candidates":
        """None."""
        none = np.zeros(0, dtype=np.int64)
        return cls(none, none, none, np.zeros((0, len(FEATURES))))

    @classmethod
    def join(cls, parts: "list[Candidates]") -> "Candidates":
        """All, in order."""
        return cls(*(np.concatenate(fields) for fields in zip(*parts, strict=True))) if parts else cls.empty()


class Core:
    """A running core at `fs` Hz.

    `floor_v` and `trigger_db` as in `Innovation`. Raises ParameterError for a rate outside 500–200000 Hz.
    """

    def __init__(self, fs: float, *, step: float, trigger_db: float, floor_v: float) -> None:
        if not LOWEST_FS <= fs <= HIGHEST_FS:
            raise ParameterError(
                f"fs is {fs:g} Hz; this detector works from {LOWEST_FS:g} to {HIGHEST_FS:g} Hz:"
                " record faster, or use another detector"
            )
        self._fs = fs
        self._per_block = fs / WORKING_RATE_HZ
        self._numbers = (step, 10.0 ** (trigger_db / 10.0), floor_v**2)
        self.reset()

    def reset(self) -> None:
        """Forget everything."""
        self._state = new_state(self._fs)

    def push(self, samples: FloatArray) -> Candidates:
        """Candidates that the next samples decide."""
        # Copies, so that the kernel is compiled for one type of array only: read-only ones are another.
        parts = [self._run(samples[start : start + _PUSH].copy()) for start in range(0, samples.size, _PUSH)]
        return Candidates.join([part for part in parts if part.triggers.size])

    def _run(self, samples: FloatArray) -> Candidates:
        room = int(samples.size / self._per_block) // APART + 2 + _WAITING
        triggers, onsets, decided = (np.empty(room, dtype=np.int64) for _ in range(3))
        rows = np.empty((room, len(FEATURES)))
        found = run_core(samples, self._state, self._per_block, *self._numbers, triggers, onsets, decided, rows)
        return Candidates(triggers[:found], onsets[:found], decided[:found], rows[:found])

    def finish(self) -> Candidates:
        """Candidates that are still waiting, as if the last value stayed; none whose trigger lies past the end."""
        counters = self._state.counters
        last = int(counters[_SAMPLE]) - 1
        waiting = int(counters[_PENDING])
        if last < 0 or not waiting:
            return Candidates.empty()
        value = self._state.recent[last & (self._state.recent.size - 1)]
        tail = self.push(np.full(math.ceil((AFTER + 1) * self._per_block) + 1, value))
        kept = tail.triggers.size and tail.triggers < int(counters[_BLOCK]) - AFTER
        fields = [field[:waiting] for field in tail] if kept is not False else list(Candidates.empty())
        tail = Candidates(*fields)
        return tail._replace(decided=np.minimum(tail.decided, last), onsets=np.minimum(tail.onsets, last))
