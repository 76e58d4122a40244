"""Run the core's `tap` on counts."""

from dataclasses import dataclass
from enum import IntEnum
from typing import Any

import numpy as np
import numpy.typing as npt

from tapsig.core import load
from tapsig.core.rate import Rate
from tapsig.errors import ParameterError
from tapsig.units import BoolArray, FloatArray, IntArray

CountArray = npt.NDArray[np.uint16]

DECISION_MS = 38
"""From the block of an onset to its decision, at most (tap.h)."""
LOWEST_ORDER, HIGHEST_ORDER = 4, 16
"""Of the prediction: the core's weights."""
_PUSH = 1 << 22  # samples handed to the core at a time


class Verdict(IntEnum):
    """How a candidate was judged (tap.h)."""

    TAP = 0
    UNLIKELY = 1
    TOO_WEAK = 2
    IN_DEAD_TIME = 3


@dataclass(frozen=True, slots=True)
class Judged:
    """Candidates in the order of decision.

    Parameters
    ----------
    onset, decided : indices of counts since the last reset, shape (n,).
    score : log-odds in 1/64 nat.
    verdict : see `Verdict`.
    rows : features, uint8, shape (n, len(FEATURES)).
    block, decided_block : milliseconds since the last reset, as the core counts them.
    """

    onset: IntArray
    decided: IntArray
    score: IntArray
    verdict: npt.NDArray[np.uint8]
    rows: npt.NDArray[np.uint8]
    block: IntArray
    decided_block: IntArray

    def __len__(self) -> int:
        return int(self.onset.size)

    def select(self, chosen: BoolArray) -> "Judged":
        """The candidates that `chosen` (n,) marks."""
        places = np.flatnonzero(chosen)
        return Judged(*(getattr(self, name)[places] for name in Judged.__slots__))


def _judged_dtype(ffi: Any) -> np.dtype[np.void]:
    """The memory of a `tapsig_judged` as numpy sees it."""

    def offset(*path: str) -> int:
        return int(ffi.offsetof("tapsig_judged", *path))

    features = ffi.sizeof("tapsig_candidate") and ffi.typeof("tapsig_candidate").fields
    width = dict(features)["row"].type.length
    return np.dtype(
        {
            "names": ["block", "age", "score", "row", "verdict", "onset_age", "decided"],
            "formats": ["<u4", "u1", "<i2", ("u1", (width,)), "u1", "<u2", "<u4"],
            "offsets": [
                *(offset("candidate", name) for name in ("block", "age", "score", "row")),
                offset("verdict"),
                offset("onset_age"),
                offset("decided"),
            ],
            "itemsize": ffi.sizeof("tapsig_judged"),
        }
    )


def _cut(samples: npt.NDArray[Any]) -> list[npt.NDArray[Any]]:
    """Parts of what one call of the core takes, at least one."""
    return [samples[start : start + _PUSH] for start in range(0, max(samples.size, 1), _PUSH)]


def _join(parts: list[Judged]) -> Judged:
    if len(parts) == 1:
        return parts[0]
    columns = zip(*([getattr(part, name) for name in Judged.__slots__] for part in parts), strict=True)
    return Judged(*(np.concatenate(column) for column in columns))


class _NotFinite(Exception):
    def __init__(self, index: int) -> None:
        self.index = index


class TapCore:
    """One running `tap` of the core: counts in, judged candidates out. One detector, one thread."""

    def __init__(
        self,
        fs: float,
        adc_bits: int,
        *,
        trees: bytes,
        base: int,
        least_score: int,
        least_level: int,
        dead_ms: int,
        order: int = HIGHEST_ORDER,
    ) -> None:
        self._ffi, self._library = load()
        self._dtype = _judged_dtype(self._ffi)
        self._trees = trees  # the core points into it
        self._config = self._ffi.new("tapsig_tap_config *")
        Rate.of(fs, adc_bits).fill(self._config.rate)
        self._config.trees.nodes = self._ffi.from_buffer("uint8_t[]", self._trees)
        self._config.trees.size = len(trees)
        self._config.trees.base = base
        self._config.trees_a_stage = min(-(-_count_trees(trees) // self._library.TAPSIG_TREE_STAGES), 255)
        self._forest = self._ffi.new("tapsig_forest *")
        self._library.tapsig_forest_init(self._forest, self._ffi.addressof(self._config.trees))
        self._config.least_score = least_score
        self._config.least_level = least_level
        self._config.dead_ms = dead_ms
        self._config.order = order
        self._state = self._ffi.new("tapsig_tap *")
        self._per_block = fs / 1000.0
        self._nothing: Judged | None = None
        self.reset()

    @property
    def config(self) -> Any:
        """cffi's `tapsig_tap_config *` that it runs with."""
        return self._config

    def reset(self) -> None:
        """Forget everything."""
        self._library.tapsig_tap_init(self._state)
        self._fed, self._last = 0, 0

    def push(self, counts: CountArray) -> Judged:
        """The candidates that the next counts decide."""
        return _join([self._run(part) for part in _cut(np.ascontiguousarray(counts, dtype=np.uint16))])

    def push_volts(self, samples: FloatArray, scale: Any) -> Judged:
        """`push` of the counts of `samples` (volts, finite) for a converter's `tapsig_scale *`, in one pass.

        Raises ParameterError for nan or inf; nothing of `samples` is taken then.
        """
        samples = np.ascontiguousarray(samples, dtype=np.float64)
        state, fed, last = self._ffi.new("tapsig_tap *", self._state[0]), self._fed, self._last
        try:
            return _join([self._run(part, scale) for part in _cut(samples)])
        except _NotFinite as error:
            first = self._fed - fed + error.index
            self._state[0], self._fed, self._last = state[0], fed, last
            raise ParameterError(f"samples[{first}] is {samples[first]}; every sample must be finite") from None

    def _run(self, part: npt.NDArray[Any], scale: Any = None) -> Judged:
        """Candidates in one part, in volts if there is a `scale`."""
        ffi, size = self._ffi, part.size
        judged = np.empty(int(size / self._per_block) // 10 + 3, dtype=self._dtype)
        output = ffi.cast("tapsig_judged *", ffi.from_buffer(judged))
        if scale is None:
            counts = ffi.from_buffer("uint16_t[]", part)
            found = self._library.tapsig_tap_run(self._state, self._config, self._forest, counts, size, output)
        else:
            volts, number, counts = ffi.from_buffer("double[]", part), ffi.new("uint32_t *"), ffi.new("uint16_t[1]")
            done = self._library.tapsig_tap_run_volts(
                self._state, self._config, self._forest, scale, volts, size, output, number
            )
            if done < size:
                raise _NotFinite(done)
            found = number[0]
            self._library.tapsig_quantise(volts + max(size - 1, 0), min(size, 1), scale, counts)
        if size:
            self._last = int(counts[size - 1 if scale is None else 0])
        if not found and self._nothing is not None:  # as after most pushes of a stream
            self._fed += size
            return self._nothing
        judged = judged[:found]
        decided = judged["decided"].astype(np.int64) + self._fed
        onset = np.maximum(decided - judged["onset_age"], 0)
        self._fed += size
        block = judged["block"].astype(np.int64)
        answer = Judged(
            onset,
            decided,
            judged["score"].astype(np.int64),
            judged["verdict"],
            judged["row"],
            block,
            block + judged["age"],
        )
        if not found:
            self._nothing = answer
        return answer

    def finish(self) -> Judged:
        """The candidates that are still waiting, as if the last count stayed; none that begin past the end."""
        waiting, end = int(self._state.pending_count), self._fed
        if not waiting:
            return self._run(np.empty(0, dtype=np.uint16))
        tail = self._run(np.full(int((DECISION_MS + 12) * self._per_block) + 2, self._last, dtype=np.uint16))
        last = end - 1
        return Judged(
            np.minimum(tail.onset[:waiting], last),
            np.minimum(tail.decided[:waiting], last),
            tail.score[:waiting],
            tail.verdict[:waiting],
            tail.rows[:waiting],
            tail.block[:waiting],
            tail.decided_block[:waiting],
        )


def _count_trees(trees: bytes) -> int:
    count = position = 0
    while position < len(trees):
        position += 1 + trees[position]
        count += 1
    return count
