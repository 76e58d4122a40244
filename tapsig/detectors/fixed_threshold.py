"""Detector variant: a fixed threshold and a dead time, the simplest detector for a controller; run by the core."""

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from tapsig.converter import Converter, CountArray, require_converter
from tapsig.core.plain import FixedThresholdCore
from tapsig.core.share import fill_share, one_pole_coefficient
from tapsig.detections import Detections
from tapsig.detectors.base import CountDetector
from tapsig.detectors.parameters import Parameters
from tapsig.records import LARGEST_V
from tapsig.units import check_positive, check_range, seconds_to_samples


@dataclass(frozen=True, slots=True)
class FixedThreshold(Parameters):
    """A tap is a sample that deviates from the bias by more than `threshold_v`; a dead time follows.

    Parameters
    ----------
    threshold_v : deviation from the bias, in volts.
    dead_time_s : least time between two taps.
    bias_time_s : time constant of the mean that estimates the bias.
    """

    name: ClassVar[str] = "fixed-threshold"
    takes_converter: ClassVar[bool] = True
    threshold_v: float = 0.1
    dead_time_s: float = 0.1
    bias_time_s: float = 0.5

    def __post_init__(self) -> None:
        check_range("threshold_v", check_positive("threshold_v", self.threshold_v), 0.0, LARGEST_V)
        check_range("dead_time_s", self.dead_time_s, 0.0, 10.0)
        check_range("bias_time_s", self.bias_time_s, 1e-3, 3600.0)

    def build(
        self, fs: float, *, converter: Converter | None = None, keep_rejected: bool = False
    ) -> "FixedThresholdDetector":
        """A detector for `fs` Hz and volts of that converter; None: 16 bits from -5 to 5 V.

        It has no rejected candidates.
        """
        return FixedThresholdDetector(self, fs, require_converter(converter))


class FixedThresholdDetector(CountDetector):
    """Runs a `FixedThreshold`; strength is the deviation over the threshold in decibels."""

    latency_s = 0.0

    def __init__(self, variant: FixedThreshold, fs: float, converter: Converter) -> None:
        super().__init__(fs, converter)
        self._threshold = variant.threshold_v / converter.count_v * (1 << (16 - converter.adc_bits))  # 16-bit samples
        self._dead = min(seconds_to_samples(variant.dead_time_s, self.fs, at_least=1), 2**32 - 1)
        group = min(max(round(self.fs / 1000.0), 1), 255)
        self.core = FixedThresholdCore()
        config = self.core.config
        config.dead_samples = self._dead
        config.threshold = min(math.floor(self._threshold), 2**16 - 1)
        config.group, config.reciprocal_q15 = group, min(round(2**15 / group), 2**15 - 1)
        config.count_shift = 16 - converter.adc_bits
        fill_share(config.bias, "bias_time_s", one_pole_coefficient(variant.bias_time_s, self.fs / group))

    def _clear(self) -> None:
        self.core.reset()

    def _decide(self, counts: CountArray) -> Detections:
        taps = self.core.push(counts, least_gap=self._dead)
        return Detections(taps.onset, taps.decided, 20.0 * np.log10(taps.over / self._threshold))
