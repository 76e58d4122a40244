"""Detector variant: a threshold on the error of adaptive linear prediction at 1 kHz."""

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import numpy.typing as npt

from tapsig.converter import Converter, require_converter
from tapsig.core.rate import DB_PER_LEVEL
from tapsig.core.tap import Judged
from tapsig.detectors.features import FEATURES, TABLE
from tapsig.detectors.model import Model
from tapsig.detectors.parameters import Parameters
from tapsig.detectors.tap import CandidateDetector
from tapsig.units import FloatArray, check_range

_RISE = FEATURES.index("innovation_rise")


@dataclass(frozen=True, slots=True)
class Innovation(Parameters):
    """A tap is a rise of the prediction error over its recent peaks; it does not distinguish kinds of impact.

    Parameters
    ----------
    rise_db : least rise of the prediction error's peak over the maximum of the 28 ms before, in steps of 0.376 dB.
    floor_v : least rms of the prediction error over 2 ms, in volts; 0 = none.
    dead_time_s : least time between two taps.

    >>> detector = Innovation().build(8000.0)
    >>> detector.latency_s <= 0.040
    True
    """

    name: ClassVar[str] = "innovation"
    takes_converter: ClassVar[bool] = True
    rise_db: float = 12.0
    floor_v: float = 0.002
    dead_time_s: float = 0.08

    def __post_init__(self) -> None:
        check_range("rise_db", self.rise_db, 1.5, 70.0)
        check_range("floor_v", self.floor_v, 0.0, 1e4)
        check_range("dead_time_s", self.dead_time_s, 0.0, 10.0)

    def build(
        self, fs: float, *, converter: Converter | None = None, keep_rejected: bool = False
    ) -> "InnovationDetector":
        """A detector for `fs` Hz and volts of that converter (see `Tap.build`)."""
        return InnovationDetector(self, fs, require_converter(converter), keep_rejected=keep_rejected)


class InnovationDetector(CandidateDetector):
    """Runs an `Innovation`; strength is the rise over `rise_db` in decibels."""

    def __init__(self, variant: Innovation, fs: float, converter: Converter, *, keep_rejected: bool) -> None:
        self._rise_db = variant.rise_db
        least = 64 + math.ceil(variant.rise_db / DB_PER_LEVEL - 1e-9)
        split = Model(0, (["innovation_rise", least - 1, 0, -1, 1],))
        super().__init__(
            fs,
            converter,
            split,
            least_score=1,
            floor_v=variant.floor_v,
            dead_time_s=variant.dead_time_s,
            keep_rejected=keep_rejected,
        )

    def _strength(self, judged: Judged) -> FloatArray:
        return np.asarray(TABLE[_RISE].to_unit(judged.rows[:, _RISE]) - self._rise_db)

    def _reason_unlikely(self, row: npt.NDArray[np.uint8]) -> str:
        return "rise below rise_db"
