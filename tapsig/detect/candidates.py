"""The core that `innovation` and `tap` share: samples at any rate -> candidates with their features.

Millisecond by millisecond: the samples' mean, a high-pass of 20 Hz, adaptive prediction of order 32. A candidate is
triggered where the innovation, smoothed over 2 ms, exceeds the highest of the 5–50 ms before, and the quietest of late
by 8 dB; or where the fast power does: the variance within the millisecond, which a short hard blow raises when the
means hardly move. 24 ms later its features are known. Only whole milliseconds are worked on, and the samples of a begun
one wait for its end, so that any division of the input into chunks gives equal results. All state is of fixed size.
"""

import math
from typing import NamedTuple

import numba
import numpy as np

from tapsig.dsp.prediction import (
    HISTORY_SIZE,
    INNER,
    KERNEL,
    ORDER,
    REORDERED,
    WORKING_RATE_HZ,
    adapt_and_predict,
    remember,
)
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

LOWEST_FS, HIGHEST_FS = 334.0, 200_000.0  # from the lowest on, LATENCY_S and one sample are at most 40 ms
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
_LOOK_BACK = AFTER + 18  # blocks of samples that are kept: an onset is sought to 10 before the trigger, its quiet to 14

# Indices into State.scalars and State.counters.
_CONSTANT, _POWER, _GAIN = range(3)
_INNOVATION, _REFERENCE, _HIGHEST, _LONG = range(3, 7)
_FAST, _TURN, _FAST_REFERENCE, _FAST_HIGHEST, _FAST_LONG = range(7, 12)
_BLOCK, _POSITION, _LAST, _PENDING = range(4)


class State(NamedTuple):
    """All that a running core remembers."""

    scalars: FloatArray
    counters: IntArray
    weights: FloatArray
    history: FloatArray
    maxima: FloatArray
    fast_maxima: FloatArray
    pending: IntArray
    rings: Rings
    memory: Memory


def new_state() -> State:
    """The state before the first sample."""
    scalars, counters = np.zeros(12), np.zeros(4, dtype=np.int64)
    counters[_POSITION] = HISTORY_SIZE - ORDER - 1
    counters[_LAST] = -APART
    return State(scalars, counters, np.zeros(ORDER), np.zeros(HISTORY_SIZE), np.zeros(_MAXIMA), np.zeros(_MAXIMA),
                 np.zeros(_WAITING, dtype=np.int64), new_rings(), new_memory())


@numba.njit(**INNER, fastmath=REORDERED, forceinline=True)
def measure_block(samples: FloatArray, origin: int, block: int, per_block: float) -> tuple[float, float, float]:
    """Mean and variance of the samples of `block`, and the mean squared step from sample to sample.

    A sample on an edge is shared out; the step to a sample counts where the sample begins. A block may lie within one.
    """
    first, stop = block * per_block, (block + 1) * per_block
    begin, end = math.ceil(first), int(stop)  # of the samples that lie within it whole
    i, whole = np.uint64(begin - origin), max(end - begin, 0)
    before = samples[i - np.uint64(1)]  # offsets are from here, so that no block waits for another's mean
    total, squares, turns = 0.0, 0.0, 0.0
    for _ in range(whole):
        offset, turn = samples[i] - before, samples[i] - samples[i - np.uint64(1)]
        total += offset
        squares += offset * offset
        turns += turn * turn
        i += np.uint64(1)
    # The sample before has no offset from itself, whatever its share.
    if stop > end >= begin:
        offset, turn, share = samples[i] - before, samples[i] - samples[i - np.uint64(1)], stop - end
        total += offset * share
        squares += offset * offset * share
        turns += turn * turn
    part = 1.0 / per_block
    change = total * part
    return before + change, max(squares * part - change * change, 0.0), turns * part


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
def refine_onset(samples: FloatArray, origin: int, onset: int, peak: int, per_block: float) -> int:
    """The sample of the onset near block `onset`: the first that departs by a tenth of the candidate's own peak.

    The departure is counted from the mean of the 3 ms before; where these move more than that, their range is the mark.
    `origin` is the number of samples[0] in the recording.
    """
    begin = max(int((onset - 1) * per_block), 0)
    stop = int((onset + 1) * per_block)
    quiet = max(int((onset - 4) * per_block), 0)
    mean, count = 0.0, 0
    for i in range(quiet, begin):
        mean += samples[i - origin]
        count += 1
    if count == 0:
        return int(onset * per_block)
    mean /= count
    spread, highest = 0.0, 0.0
    for i in range(quiet, begin):
        spread = max(spread, abs(samples[i - origin] - mean))
    for i in range(begin, int((peak + 1) * per_block)):
        highest = max(highest, abs(samples[i - origin] - mean))
    mark = max(0.1 * highest, spread)
    for i in range(begin, stop):
        if abs(samples[i - origin] - mean) > mark:
            return i
    return int(onset * per_block)


@numba.njit(**KERNEL)
def run_core(samples: FloatArray, origin: int, state: State, per_block: float, step: float, trigger_ratio: float,
             floor: float, triggers: IntArray, onsets: IntArray, decided: IntArray, rows: FloatArray) -> int:
    """Feed the blocks that `samples` completes; write what was decided into the four arrays and return how many.

    `origin` is the number of samples[0] in the recording: before the next block lie _LOOK_BACK blocks that were fed.
    `per_block` is fs/1000, `trigger_ratio` and `floor` are powers.
    """
    scalars, counters, rings = state.scalars, state.counters, state.rings
    weights, history, maxima, pending = state.weights, state.history, state.maxima, state.pending
    fast_maxima, fs = state.fast_maxima, per_block * WORKING_RATE_HZ
    constant, power, gain = scalars[_CONSTANT], scalars[_POWER], scalars[_GAIN]
    innovation, reference = scalars[_INNOVATION], scalars[_REFERENCE]
    highest, long = scalars[_HIGHEST], scalars[_LONG]
    fast, turn, fast_reference = scalars[_FAST], scalars[_TURN], scalars[_FAST_REFERENCE]
    fast_highest, fast_long = scalars[_FAST_HIGHEST], scalars[_FAST_LONG]
    block, position = counters[_BLOCK], counters[_POSITION]
    waiting, last, found = counters[_PENDING], counters[_LAST], 0
    end = origin + samples.size
    while (block + 1) * per_block <= end:
        mean, variance, turns = measure_block(samples, origin, block, per_block)
        fast += SMOOTHING * (variance - fast)
        turn += SMOOTHING * (turns - turn)
        signal = mean - constant
        constant += signal * HIGH_PASS
        pace = step / (ORDER * floor + power)  # divided before the error is known, and need not be waited for
        error = signal - adapt_and_predict(weights, history, position, gain)
        gain = pace * error
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
            onsets[found] = refine_onset(samples, origin, onset, peak, per_block)
            decided[found] = math.ceil((block + 1) * per_block) - 1
            found += 1
        if block >= SETTLING and block - last >= APART and (
            _rises(innovation, trigger_ratio * reference, floor, state.memory.usual[3])
            or _rises(fast, _FAST_RATIO * fast_reference, floor, state.memory.usual[4])
        ):
            pending[waiting] = last = block
            waiting += 1
        block += 1
    scalars[_CONSTANT], scalars[_POWER], scalars[_GAIN] = constant, power, gain
    scalars[_INNOVATION], scalars[_REFERENCE] = innovation, reference
    scalars[_HIGHEST], scalars[_LONG] = highest, long
    scalars[_FAST], scalars[_TURN], scalars[_FAST_REFERENCE] = fast, turn, fast_reference
    scalars[_FAST_HIGHEST], scalars[_FAST_LONG] = fast_highest, fast_long
    counters[_BLOCK], counters[_POSITION] = block, position
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

    `floor_v` and `trigger_db` as in `Innovation`. Raises ParameterError for a rate outside LOWEST_FS to HIGHEST_FS.
    """

    def __init__(self, fs: float, *, step: float, trigger_db: float, floor_v: float) -> None:
        if not LOWEST_FS <= fs <= HIGHEST_FS:
            raise ParameterError(
                f"fs is {fs:g} Hz; this detector works from {LOWEST_FS:g} to {HIGHEST_FS:g} Hz:"
                " record faster, or use another detector"
            )
        self._per_block = fs / WORKING_RATE_HZ
        self._numbers = (step, 10.0 ** (trigger_db / 10.0), floor_v**2)
        self._kept = math.ceil((_LOOK_BACK + 1) * self._per_block) + 4
        self._buffer = np.empty(self._kept + _PUSH)  # the samples kept, and after them the next ones
        self.reset()

    def reset(self) -> None:
        """Forget everything."""
        self._state = new_state()
        self._fed = 0

    def push(self, samples: FloatArray) -> Candidates:
        """Candidates that the next samples decide."""
        parts = [self._run(samples[start : start + _PUSH]) for start in range(0, samples.size, _PUSH)]
        return Candidates.join([part for part in parts if part.triggers.size])

    def _run(self, samples: FloatArray) -> Candidates:
        kept, size = self._kept, samples.size
        if not self._fed:
            self._buffer[:kept] = self._state.scalars[_CONSTANT] = samples[0]  # as if that value had stood for ever
        self._buffer[kept : kept + size] = samples
        room = int(size / self._per_block) // APART + 2 + _WAITING
        triggers, onsets, decided = (np.empty(room, dtype=np.int64) for _ in range(3))
        rows = np.empty((room, len(FEATURES)))
        found = run_core(self._buffer[: kept + size], self._fed - kept, self._state, self._per_block, *self._numbers,
                         triggers, onsets, decided, rows)
        self._fed += size
        self._buffer[:kept] = self._buffer[size : size + kept]
        return Candidates(triggers[:found], onsets[:found], decided[:found], rows[:found])

    def finish(self) -> Candidates:
        """Candidates that are still waiting, as if the last value stayed; none whose trigger lies past the end."""
        last = self._fed - 1
        waiting = int(self._state.counters[_PENDING])
        if last < 0 or not waiting:
            return Candidates.empty()
        tail = self.push(np.full(math.ceil((AFTER + 1) * self._per_block) + 1, self._buffer[self._kept - 1]))
        return Candidates(tail.triggers[:waiting], np.minimum(tail.onsets[:waiting], last),
                          np.minimum(tail.decided[:waiting], last), tail.rows[:waiting])
