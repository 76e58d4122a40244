"""Detector variant: a fixed threshold and a dead time, as a simple controller sketch does it."""

from dataclasses import dataclass
from typing import ClassVar

import numba
import numpy as np

from tapsig.detect.base import StreamingDetector
from tapsig.dsp.filters import one_pole_coefficient
from tapsig.records import Detections
from tapsig.units import FloatArray, IntArray, check_positive, check_range, seconds_to_samples


@dataclass(frozen=True, slots=True)
class FixedThreshold:
    """A tap is a sample that departs from the bias by more than `threshold_v`; then nothing for `dead_time_s`.

    Parameters
    ----------
    threshold_v : departure from the bias, in volts.
    dead_time_s : no second tap this soon after one.
    bias_time_s : time constant of the mean that is taken for the bias.
    """

    name: ClassVar[str] = "fixed-threshold"
    threshold_v: float = 0.1
    dead_time_s: float = 0.1
    bias_time_s: float = 0.5

    def __post_init__(self) -> None:
        check_positive("threshold_v", self.threshold_v)
        check_range("dead_time_s", self.dead_time_s, 0.0, 10.0)
        check_range("bias_time_s", self.bias_time_s, 1e-3, 3600.0)

    def build(self, fs: float, *, keep_rejected: bool = False) -> "FixedThresholdDetector":
        """A detector for `fs` Hz; it has no candidates that it rejects."""
        return FixedThresholdDetector(self, fs)


_PUSH = 1 << 16  # samples handed to the kernel at a time, so that they stay in the cache


@numba.njit(cache=True)
def run_threshold(
    samples: FloatArray, first: int, bias: FloatArray, ready: IntArray, share: float, threshold: float, dead: int
) -> tuple[IntArray, FloatArray]:
    """Onsets and departures; `bias` = [mean] and `ready` = [first sample that may be an onset] are updated."""
    room = samples.size // dead + 2
    onsets, departures = np.empty(room, np.int64), np.empty(room)
    found, begin = 0, ready[0]
    mean = samples[0] if first == 0 else bias[0]
    for n in range(samples.size):
        departure = samples[n] - mean
        mean += share * departure
        if abs(departure) > threshold and first + n >= begin:
            onsets[found], departures[found] = first + n, abs(departure)
            found += 1
            begin = first + n + dead
    bias[0], ready[0] = mean, begin
    return onsets[:found].copy(), departures[:found].copy()


class FixedThresholdDetector(StreamingDetector):
    """Runs a `FixedThreshold`; strength is the departure over the threshold in decibels."""

    latency_s = 0.0

    def __init__(self, variant: FixedThreshold, fs: float) -> None:
        super().__init__(fs)
        self._threshold = variant.threshold_v
        self._dead = seconds_to_samples(variant.dead_time_s, self.fs, at_least=1)
        self._share = one_pole_coefficient(variant.bias_time_s, self.fs)
        self._clear()

    def _clear(self) -> None:
        self._bias, self._ready = np.zeros(1), np.zeros(1, dtype=np.int64)

    def _process(self, samples: FloatArray, first: int) -> Detections:
        parts = [self._run(samples[i : i + _PUSH].copy(), first + i) for i in range(0, samples.size, _PUSH)]
        return Detections.concatenate(parts)

    def _run(self, samples: FloatArray, first: int) -> Detections:
        onsets, departures = run_threshold(
            samples, first, self._bias, self._ready, self._share, self._threshold, self._dead
        )
        return Detections(onsets, onsets, 20.0 * np.log10(departures / self._threshold))
