"""A waveform thinned to the lowest and highest value of equal steps of time: few numbers, and no peak is lost."""

import math
from dataclasses import dataclass

import numpy as np

from tapsig.errors import ParameterError
from tapsig.records import Recording
from tapsig.units import FloatArray, check_positive

MAX_SAMPLES = 240_000
"""A trace of at most this many samples (30 s at 8 kHz) holds each of them."""
MAX_STEPS = 120_000
"""Steps of any longer trace: six hours in steps of 0.18 s."""


@dataclass(frozen=True, slots=True)
class Trace:
    """Lowest and highest value in volts of each step of time, shape (n,); nan where nothing was recorded.

    Step k covers `begin_s` + k · `step_s` to `begin_s` + (k + 1) · `step_s`.
    """

    begin_s: float
    step_s: float
    low_v: FloatArray
    high_v: FloatArray

    @property
    def end_s(self) -> float:
        """End of the last step."""
        return self.begin_s + self.low_v.size * self.step_s

    @property
    def peak_v(self) -> float:
        """Greatest magnitude; 0 where nothing was recorded."""
        values = np.concatenate([self.low_v, self.high_v, [0.0]])
        return float(np.nanmax(np.abs(values)))


class TraceBuilder:
    """Takes stretches of samples in any number of pieces; memory depends on the number of steps only.

    `most` steps are made at most; None: each sample a step where there are few, else MAX_STEPS.

    >>> builder = TraceBuilder(0.0, 2.0, fs=4.0, most=2)
    >>> builder.add(np.array([0.0, 3.0, 1.0, -1.0]), 0.0)
    >>> builder.build().high_v
    array([ 3., nan])
    """

    def __init__(self, begin_s: float, span_s: float, *, fs: float, most: int | None = None) -> None:
        self._fs, self._begin_s = check_positive("fs", fs), begin_s
        if not 0.0 <= span_s < math.inf or (most is not None and most < 1):
            raise ParameterError(f"span_s is {span_s!r} and most is {most!r}; give a finite span and one step or more")
        samples = math.ceil(span_s * fs - 1e-6)
        count = max(1, min(samples, most or (MAX_SAMPLES if samples <= MAX_SAMPLES else MAX_STEPS)))
        self._step_s = max(span_s / count, 1.0 / fs)
        self._low, self._high = np.full(count, np.inf), np.full(count, -np.inf)

    def add(self, samples: FloatArray, start_s: float) -> None:
        """Samples (volts, gap-free) whose first stands at `start_s`; what lies outside the span is left out."""
        times = (start_s - self._begin_s + np.arange(samples.size) / self._fs) / self._step_s
        steps = np.floor(times + 1e-6).astype(np.int64)
        first, last = np.searchsorted(steps, [0, self._low.size])
        steps, inside = steps[first:last], samples[first:last]
        if not steps.size:
            return
        begins = np.flatnonzero(np.diff(steps, prepend=-1))
        at = steps[begins]
        self._low[at] = np.minimum(self._low[at], np.minimum.reduceat(inside, begins))
        self._high[at] = np.maximum(self._high[at], np.maximum.reduceat(inside, begins))

    def build(self) -> Trace:
        """The trace of all that was added."""
        empty = self._low > self._high
        low, high = np.where(empty, np.nan, self._low), np.where(empty, np.nan, self._high)
        return Trace(self._begin_s, self._step_s, low, high)


def compute_trace(recording: Recording, *, bias_v: float = 0.0, most: int | None = None) -> Trace:
    """The trace of a recording less `bias_v`."""
    builder = TraceBuilder(recording.start_s, recording.span_s, fs=recording.fs, most=most)
    for start, stop in recording.stretches():
        if stop > start:
            at_s = recording.start_s + float(recording.times_s(np.array(start)))
            builder.add(recording.samples[start:stop] - bias_v, at_s)
    return builder.build()
