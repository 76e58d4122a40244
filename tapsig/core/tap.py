"""Run the core's `tap` on counts."""

from dataclasses import dataclass
from enum import IntEnum
from typing import Any

import numpy as np
import numpy.typing as npt

from tapsig.core import load
from tapsig.core.rate import Rate
from tapsig.units import BoolArray, IntArray

CountArray = npt.NDArray[np.uint16]

DECISION_MS = 38
"""From the block of an onset to its decision, at most (tap.h)."""
LOWEST_ORDER, HIGHEST_ORDER = 4, 16
"""Of the prediction: the core's weights."""
_PUSH = 1 << 20  # counts handed to the core at a time


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
        return Judged(*(getattr(self, name)[chosen] for name in Judged.__slots__))


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
        self._config.least_score = least_score
        self._config.least_level = least_level
        self._config.dead_ms = dead_ms
        self._config.order = order
        self._state = self._ffi.new("tapsig_tap *")
        self._per_block = fs / 1000.0
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
        counts = np.ascontiguousarray(counts, dtype=np.uint16)
        parts = [self._run(counts[start : start + _PUSH]) for start in range(0, max(counts.size, 1), _PUSH)]
        return (
            parts[0]
            if len(parts) == 1
            else Judged(
                *(
                    np.concatenate(columns)
                    for columns in zip(
                        *([getattr(part, name) for name in Judged.__slots__] for part in parts), strict=True
                    )
                )
            )
        )

    def _run(self, counts: CountArray) -> Judged:
        if counts.size:
            self._last = int(counts[-1])
        room = int(counts.size / self._per_block) // 10 + 3
        judged = np.zeros(room, dtype=self._dtype)
        found = self._library.tapsig_tap_run(
            self._state,
            self._config,
            self._ffi.from_buffer("uint16_t[]", counts),
            counts.size,
            self._ffi.cast("tapsig_judged *", self._ffi.from_buffer(judged)),
        )
        judged = judged[:found]
        decided = judged["decided"].astype(np.int64) + self._fed
        onset = np.maximum(decided - judged["onset_age"], 0)
        self._fed += counts.size
        block = judged["block"].astype(np.int64)
        return Judged(
            onset,
            decided,
            judged["score"].astype(np.int64),
            judged["verdict"],
            judged["row"],
            block,
            block + judged["age"],
        )

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
