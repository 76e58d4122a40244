"""Run the core's plain detectors, `fixed-threshold` and `ring-following`, on counts."""

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt

from tapsig.core import load
from tapsig.units import IntArray

CountArray = npt.NDArray[np.uint16]
_PUSH = 1 << 20  # counts per call of the core


@dataclass(frozen=True, slots=True)
class PlainTaps:
    """Taps in the order of decision: indices of counts since the last reset, and `over` (host.h), shape (n,)."""

    onset: IntArray
    decided: IntArray
    over: IntArray


class PlainCore:
    """One running plain detector of the core. The caller fills in `config` before the first push."""

    name: ClassVar[str]

    def __init__(self) -> None:
        self._ffi, self._library = load()
        self.config: Any = self._ffi.new(f"tapsig_{self.name}_config *")
        self.state: Any = self._ffi.new(f"tapsig_{self.name} *")
        self._init = getattr(self._library, f"tapsig_{self.name}_init")
        self._run = getattr(self._library, f"tapsig_{self.name}_run")
        self._dtype = np.dtype(
            {
                "names": ["decided", "onset_age", "over"],
                "formats": ["<u4", "<u2", "<i4"],
                "offsets": [self._ffi.offsetof("tapsig_plain_tap", name) for name in ("decided", "onset_age", "over")],
                "itemsize": self._ffi.sizeof("tapsig_plain_tap"),
            }
        )
        self.reset()

    def reset(self) -> None:
        """Return to the initial state."""
        self._init(self.state)
        self._fed = 0

    def push(self, counts: CountArray, *, least_gap: int) -> PlainTaps:
        """Take the next counts and return the decided taps, which are at least `least_gap` counts apart."""
        counts = np.ascontiguousarray(counts, dtype=np.uint16)
        parts = []
        for start in range(0, counts.size, _PUSH):
            part = counts[start : start + _PUSH]
            taps = np.zeros(part.size // least_gap + 2, dtype=self._dtype)
            found = self._run(
                self.state,
                self.config,
                self._ffi.from_buffer("uint16_t[]", part),
                part.size,
                self._ffi.cast("tapsig_plain_tap *", self._ffi.from_buffer(taps)),
            )
            parts.append(taps[:found])
            parts[-1]["decided"] += np.uint32(start)
        taps = np.concatenate(parts) if parts else np.zeros(0, dtype=self._dtype)
        decided = taps["decided"].astype(np.int64) + self._fed
        self._fed += counts.size
        return PlainTaps(decided - taps["onset_age"], decided, taps["over"].astype(np.int64))


class FixedThresholdCore(PlainCore):
    """The core's `fixed-threshold`; `over` is the deviation from the bias, in 16-bit samples."""

    name = "fixed_threshold"


class RingFollowingCore(PlainCore):
    """The core's `ring-following`; `over` is the level over the threshold, in 1/65536 level."""

    name = "ring_following"
