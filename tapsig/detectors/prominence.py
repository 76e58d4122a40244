"""Detector variant: a threshold on the causal prominence of peaks of the envelope."""

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from tapsig.core import load
from tapsig.core.arrays import pointer
from tapsig.detections import Detections
from tapsig.detectors.base import StreamingDetector
from tapsig.detectors.parameters import Parameters
from tapsig.dsp.filters import high_pass_time_s, one_pole_coefficient
from tapsig.dsp.prominence import follow_prominence
from tapsig.units import FloatArray, IntArray, check_positive, check_range, seconds_to_samples

STEP_S = 0.002


@dataclass(frozen=True, slots=True)
class Prominence(Parameters):
    """A tap is a peak whose level has a causal prominence of at least `rise_db` within `window_s`.

    Parameters
    ----------
    rise_db : least causal prominence.
    window_s : longest time from the minimum before the peak to the peak.
    floor_v : added to the envelope, to limit prominence after silence.
    dead_time_s : least time between two taps.
    high_pass_hz, attack_s, release_s : of the envelope.
    """

    name: ClassVar[str] = "prominence"
    rise_db: float = 9.0
    window_s: float = 0.1
    floor_v: float = 0.01
    dead_time_s: float = 0.08
    high_pass_hz: float = 60.0
    attack_s: float = 0.001
    release_s: float = 0.01

    def __post_init__(self) -> None:
        check_range("rise_db", self.rise_db, 0.1, 120.0)
        check_range("window_s", self.window_s, STEP_S, 10.0)
        check_range("dead_time_s", self.dead_time_s, 0.0, 10.0)
        for name in ("floor_v", "high_pass_hz", "attack_s", "release_s"):
            check_positive(name, getattr(self, name))

    def build(self, fs: float, *, keep_rejected: bool = False) -> "ProminenceDetector":
        """A detector for `fs` Hz; it has no rejected candidates."""
        return ProminenceDetector(self, fs)


class ProminenceDetector(StreamingDetector):
    """Runs a `Prominence`; strength is the prominence over `rise_db` in decibels."""

    def __init__(self, variant: Prominence, fs: float) -> None:
        super().__init__(fs)
        self._variant = variant
        self._step = seconds_to_samples(STEP_S, self.fs, at_least=1)
        self._dead = seconds_to_samples(variant.dead_time_s, self.fs, at_least=1)
        self.latency_s = self._step / self.fs
        high_pass_s = high_pass_time_s(variant.high_pass_hz, self.fs, name="high_pass_hz")
        times_s = high_pass_s, variant.attack_s, variant.release_s
        self._smoothing = tuple(one_pole_coefficient(time_s, self.fs) for time_s in times_s)
        self._clear()

    def _clear(self) -> None:
        steps = max(1, seconds_to_samples(self._variant.window_s, self.fs / self._step))
        self._state, self._ring = np.zeros(2), np.full(steps, np.nan)  # mean and envelope; the levels of the window
        self._position = np.zeros(1, dtype=np.int64)
        self._ready = seconds_to_samples(self._variant.window_s, self.fs)

    def _sample_levels(self, samples: FloatArray, first: int) -> tuple[IntArray, FloatArray]:
        """Sample and level (dB) of the envelope at every `_step`-th sample."""
        step, envelopes = self._step, np.empty(samples.size // self._step + 1)
        if first == 0:
            self._state[0] = samples[0]
        found = load()[1].tapsig_sample_envelope(
            pointer(self._state), pointer(samples), samples.size, first, step, *self._smoothing, pointer(envelopes)
        )
        at = first + (step - 1 - first) % step + step * np.arange(found)
        return at, np.asarray(20.0 * np.log10(envelopes[:found] + self._variant.floor_v))

    def _process(self, samples: FloatArray, first: int) -> Detections:
        at, levels = self._sample_levels(samples, first)
        over = follow_prominence(levels, self._ring, self._position) - self._variant.rise_db
        kept = []
        for index in np.flatnonzero(over > 0.0):
            if at[index] >= self._ready:
                kept.append(index)
                self._ready = at[index] + self._dead
        picked = np.array(kept, dtype=np.int64)
        onsets = np.maximum(at[picked] - self._step + 1, 0)
        return Detections(onsets, at[picked], over[picked])
