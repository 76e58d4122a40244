"""Detector variant: recursive short-term over long-term average of the power (STA/LTA)."""

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from tapsig.core import load
from tapsig.core.arrays import pointer
from tapsig.detections import Detections
from tapsig.detectors.base import StreamingDetector
from tapsig.detectors.parameters import Parameters
from tapsig.dsp.filters import high_pass_time_s, one_pole_coefficient
from tapsig.errors import ParameterError
from tapsig.units import FloatArray, IntArray, check_range, seconds_to_samples


@dataclass(frozen=True, slots=True)
class StaLta(Parameters):
    """A tap is where STA/LTA of the high-passed signal exceeds `on`, after it was below `off`.

    There is no decision in the first `lta_s`, while the long-term average settles.

    Parameters
    ----------
    sta_s, lta_s : time constants of the two averages.
    on, off : ratios of power.
    floor_v : added to the long-term average (as power), to avoid a ratio of silence.
    dead_time_s : least time between two taps.
    high_pass_hz : cutoff of the first-order high-pass; 0 = none.
    """

    name: ClassVar[str] = "sta-lta"
    sta_s: float = 0.005
    lta_s: float = 0.3
    on: float = 5.0
    off: float = 2.5
    floor_v: float = 0.005
    dead_time_s: float = 0.08
    high_pass_hz: float = 60.0

    def __post_init__(self) -> None:
        check_range("sta_s", self.sta_s, 1e-6, 60.0)
        check_range("lta_s", self.lta_s, 1e-6, 3600.0)
        if not self.lta_s > self.sta_s:
            raise ParameterError(f"lta_s is {self.lta_s!r}; it must be above sta_s, {self.sta_s:g}")
        check_range("on", self.on, 1.0, 1e6)
        check_range("off", self.off, 0.0, self.on)
        check_range("floor_v", self.floor_v, 0.0, 1e3)
        check_range("dead_time_s", self.dead_time_s, 0.0, 10.0)
        check_range("high_pass_hz", self.high_pass_hz, 0.0, 1e5)

    def build(self, fs: float, *, keep_rejected: bool = False) -> "StaLtaDetector":
        """A detector for `fs` Hz; it has no rejected candidates."""
        return StaLtaDetector(self, fs)


def run_sta_lta(samples: FloatArray, first: int, state: Any, config: Any) -> tuple[IntArray, FloatArray]:
    """Onsets and ratios of `samples`, the first of which has the index `first`; updates `state` (core/series.h)."""
    samples = np.ascontiguousarray(samples, dtype=np.float64)
    onsets, ratios = np.empty(samples.size, np.int64), np.empty(samples.size)
    found = load()[1].tapsig_sta_lta_run(
        state, config, pointer(samples), samples.size, first, pointer(onsets), pointer(ratios)
    )
    return onsets[:found].copy(), ratios[:found].copy()


class StaLtaDetector(StreamingDetector):
    """Runs a `StaLta`; strength is the ratio over `on` in decibels of power."""

    latency_s = 0.0

    def __init__(self, variant: StaLta, fs: float) -> None:
        super().__init__(fs)
        self._variant = variant
        cutoff_hz = variant.high_pass_hz
        mean_s = high_pass_time_s(cutoff_hz, self.fs, name="high_pass_hz") if cutoff_hz else 0.0
        self._ffi, _ = load()
        # The coefficients are 1/N, as in the recursion's source, not 1 - exp(-1/N).
        self._config = self._ffi.new(
            "tapsig_sta_lta_config *",
            {
                "high_pass": one_pole_coefficient(mean_s, self.fs) if mean_s else 0.0,
                "sta": 1.0 / max(variant.sta_s * self.fs, 1.0),
                "lta": 1.0 / max(variant.lta_s * self.fs, 2.0),
                "on": variant.on,
                "off": variant.off,
                "floor_power": variant.floor_v**2,
                "dead": seconds_to_samples(variant.dead_time_s, self.fs),
            },
        )
        self._clear()

    def _clear(self) -> None:
        settled = seconds_to_samples(self._variant.lta_s, self.fs)
        self._state = self._ffi.new("tapsig_sta_lta *", {"ready": settled})

    def _process(self, samples: FloatArray, first: int) -> Detections:
        if first == 0 and samples.size and self._variant.high_pass_hz:
            self._state.mean = float(samples[0])
        onsets, ratios = run_sta_lta(samples, first, self._state, self._config)
        return Detections(onsets, onsets, 10.0 * np.log10(ratios / self._variant.on))
