"""Detector variant: a blow is what adaptive linear prediction at 1 kHz did not foresee."""

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from tapsig.detect.base import StreamingDetector
from tapsig.detect.candidates import LATENCY_S, Candidates, Core
from tapsig.features import FEATURES
from tapsig.records import Detections
from tapsig.units import FloatArray, check_positive, check_range, seconds_to_samples

_RISE = FEATURES.index("innovation_rise")
_LEVEL = FEATURES.index("level_v_db")


@dataclass(frozen=True, slots=True)
class Innovation:
    """A tap is where the innovation rises over what it was of late; short and causal, but blind to what struck.

    Parameters
    ----------
    rise_db : the innovation's peak over the highest of the 50 ms before, at least.
    floor_v : the innovation's rms over 2 ms at its peak, at least.
    dead_time_s : no second tap this soon after one.
    step : of the predictor's update (NLMS), in (0, 2).

    >>> detector = Innovation().build(8000.0)
    >>> detector.latency_s <= 0.040
    True
    """

    name: ClassVar[str] = "innovation"
    rise_db: float = 12.0
    floor_v: float = 0.002
    dead_time_s: float = 0.08
    step: float = 0.03

    def __post_init__(self) -> None:
        check_range("rise_db", self.rise_db, 0.5, 80.0)
        check_positive("floor_v", self.floor_v)
        check_range("dead_time_s", self.dead_time_s, 0.0, 10.0)
        check_range("step", self.step, 1e-6, 1.999)

    def build(self, fs: float, *, keep_rejected: bool = False) -> "InnovationDetector":
        """A detector for `fs` Hz."""
        return InnovationDetector(self, fs, keep_rejected=keep_rejected)


class InnovationDetector(StreamingDetector):
    """Runs an `Innovation`; strength is the rise over `rise_db` in decibels."""

    def __init__(self, variant: Innovation, fs: float, *, keep_rejected: bool) -> None:
        super().__init__(fs)
        self._variant = variant
        self._keep_rejected = keep_rejected
        self._core = Core(self.fs, step=variant.step, trigger_db=min(1.5, variant.rise_db), floor_v=3e-4)
        self.latency_s = LATENCY_S + 1.0 / self.fs
        self._clear()

    def _clear(self) -> None:
        self._core.reset()
        self._last = -(1 << 60)

    def _process(self, samples: FloatArray, first: int) -> Detections:
        return self._judge(self._core.push(samples))

    def _finish(self, consumed: int) -> Detections:
        return self._judge(self._core.finish())

    def _judge(self, candidates: Candidates) -> Detections:
        if not candidates.onsets.size:
            return Detections.empty()
        rise, level = candidates.rows[:, _RISE], candidates.rows[:, _LEVEL]
        floor_db = 20.0 * float(np.log10(self._variant.floor_v))
        dead = seconds_to_samples(self._variant.dead_time_s, self.fs)
        reasons = []
        for onset, up, high in zip(candidates.onsets.tolist(), rise.tolist(), level.tolist(), strict=True):
            if high < floor_db:
                reasons.append("below floor_v")
            elif up < self._variant.rise_db:
                reasons.append("rise below rise_db")
            elif onset - self._last < dead:
                reasons.append("within dead time")
            else:
                reasons.append("")
                self._last = onset
        found = Detections(candidates.onsets, candidates.decided, rise - self._variant.rise_db,
                           dict(zip(FEATURES, candidates.rows.T, strict=True)), tuple(reasons))
        found = found if self._keep_rejected else found.accepted()
        return found if len(found) else Detections.empty()
