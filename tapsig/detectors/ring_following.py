"""Detector variant: after a tap the threshold starts above the tap's peak and falls with the panel's ring-down.

The level is the logarithm of the peak of the high-passed signal in each millisecond. An exponential ring-down is then a
straight line, and a threshold that follows it needs one subtraction a millisecond. The core runs it.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import ClassVar

from tapsig.converter import Converter, CountArray, require_converter
from tapsig.core.plain import RingFollowingCore
from tapsig.core.rate import DB_PER_LEVEL
from tapsig.core.share import fill_share, high_pass_time_s, one_pole_coefficient
from tapsig.detections import Detections
from tapsig.detectors.base import CountDetector
from tapsig.detectors.parameters import Parameters
from tapsig.errors import ParameterError
from tapsig.records import LARGEST_V
from tapsig.units import check_pair, check_positive, check_range

BLOCK_HZ = 1000.0
LOWEST_FS, HIGHEST_FS = 4.0, 1e7
_LEVEL = 1 << 16  # fixed-point levels of the core
_HIGHEST_DECAY = 1 << 22  # 24 dB a millisecond; faster decays need no limit


@dataclass(frozen=True, slots=True)
class RingFollowing(Parameters):
    """A tap exceeds the highest of three thresholds: `threshold_v`, one over the background, one over the ring-down.

    Parameters
    ----------
    threshold_v : least level of a tap, in volts.
    over_background_db : least level over the running mean of the level.
    over_ring_db : the ring-down threshold starts this far over a tap's peak and falls at `decay_fraction` of the
        panel's decay rate.
    decay_db_s : the panel's decay rate; 0 = estimated from ring-downs, within `decay_limits_db_s`.
    hysteresis_db : the level must fall this far below the last tap's peak before the next tap.
    dead_time_s : least time between two taps; real knocking has intervals down to 112 ms.
    high_pass_hz : cutoff of the first-order high-pass.
    """

    name: ClassVar[str] = "ring-following"
    takes_converter: ClassVar[bool] = True
    former_names: ClassVar[Mapping[str, str]] = MappingProxyType(
        {"over_usual_db": "over_background_db", "decay_share": "decay_fraction"}
    )
    threshold_v: float = 0.02
    over_background_db: float = 20.0
    over_ring_db: float = 4.0
    decay_db_s: float = 0.0
    decay_fraction: float = 0.4
    decay_limits_db_s: tuple[float, float] = (40.0, 600.0)
    hysteresis_db: float = 3.0
    dead_time_s: float = 0.08
    high_pass_hz: float = 60.0

    def __post_init__(self) -> None:
        check_range("threshold_v", check_positive("threshold_v", self.threshold_v), 0.0, LARGEST_V)
        for name in ("over_background_db", "over_ring_db", "hysteresis_db"):
            check_range(name, getattr(self, name), 0.0, 60.0)
        check_range("dead_time_s", self.dead_time_s, 0.001, 1.0)
        check_range("decay_db_s", self.decay_db_s, 0.0, 1e5)
        check_range("decay_fraction", self.decay_fraction, 0.0, 2.0)
        check_positive("high_pass_hz", self.high_pass_hz)
        low, high = check_pair("decay_limits_db_s", self.decay_limits_db_s)
        if not 0 < low <= high <= 1e5:
            raise ParameterError(f"decay_limits_db_s is {self.decay_limits_db_s!r}; give two rates, 0 < low <= high")

    def build(
        self, fs: float, *, converter: Converter | None = None, keep_rejected: bool = False
    ) -> "RingFollowingDetector":
        """A detector for `fs` Hz and volts of that converter; None: 16 bits from -5 to 5 V.

        It has no rejected candidates. Raises ParameterError for a high-pass at half the rate or above.
        """
        return RingFollowingDetector(self, fs, require_converter(converter))


def _levels(db: float) -> int:
    return round(db / DB_PER_LEVEL * _LEVEL)


def _decay(db_s: float) -> int:
    return min(max(_levels(db_s / BLOCK_HZ), 1), _HIGHEST_DECAY)


class RingFollowingDetector(CountDetector):
    """Runs a `RingFollowing`; strength is the level over the threshold in decibels."""

    def __init__(self, variant: RingFollowing, fs: float, converter: Converter) -> None:
        super().__init__(fs, converter)
        self._given_db_s = variant.decay_db_s
        self.latency_s = 1.0 / BLOCK_HZ + 1.0 / self.fs
        high_pass_s = high_pass_time_s(variant.high_pass_hz, self.fs, name="high_pass_hz")
        check_range("fs", self.fs, LOWEST_FS, HIGHEST_FS)
        low, high = variant.decay_limits_db_s
        self.core = RingFollowingCore()
        config = self.core.config
        config.step_q24 = round(2**24 * BLOCK_HZ / self.fs)
        config.threshold = converter.level_of(variant.threshold_v) * _LEVEL - 1  # at this level or above
        config.over_background, config.over_ring = _levels(variant.over_background_db), _levels(variant.over_ring_db)
        config.hysteresis = _levels(variant.hysteresis_db)
        config.decay = _decay(variant.decay_db_s or math.sqrt(low * high))
        config.least_decay, config.highest_decay = _decay(low), _decay(high)
        config.decay_fraction_q8 = round(variant.decay_fraction * 256.0)
        config.dead_blocks = max(round(variant.dead_time_s * BLOCK_HZ), 1)
        config.count_shift = 16 - converter.adc_bits
        config.learns = variant.decay_db_s == 0.0
        fill_share(config.high_pass, "high_pass_hz", one_pole_coefficient(high_pass_s, self.fs))
        self._least_gap = max(math.floor((config.dead_blocks - 1) * self.fs / BLOCK_HZ), 1)

    @property
    def decay_db_s(self) -> float:
        """The panel's decay rate in decibels a second, as given or as estimated so far."""
        decay = self.core.state.decay if self.core.state.started else self.core.config.decay
        return self._given_db_s or decay / _LEVEL * DB_PER_LEVEL * BLOCK_HZ

    def _clear(self) -> None:
        self.core.reset()

    def _decide(self, counts: CountArray) -> Detections:
        taps = self.core.push(counts, least_gap=self._least_gap)
        return Detections(taps.onset, taps.decided, taps.over / _LEVEL * DB_PER_LEVEL)
