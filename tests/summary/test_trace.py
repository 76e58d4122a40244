"""A thinned waveform against lowest and highest values found one by one, in any pieces, with gaps left open."""

import numpy as np
import pytest

from tapsig.errors import ParameterError
from tapsig.records import Gap, Recording
from tapsig.summary.trace import Trace, TraceBuilder, compute_trace

FS = 1000.0


def extremes(samples: np.ndarray, steps: int) -> tuple[list[float], list[float]]:
    """One by one, by the definition: sample k lies in step floor(k · steps / n)."""
    low, high = [np.inf] * steps, [-np.inf] * steps
    for k, value in enumerate(samples):
        step = k * steps // samples.size
        low[step], high[step] = min(low[step], value), max(high[step], value)
    return low, high


@pytest.mark.parametrize(("size", "steps"), [(1000, 100), (1003, 17), (999, 999), (50, 7)])
def test_each_step_holds_its_lowest_and_highest_value(size: int, steps: int) -> None:
    samples = np.random.default_rng(size).standard_normal(size)
    trace = compute_trace(Recording(samples, FS), most=steps)
    low, high = extremes(samples, steps)
    np.testing.assert_array_equal(trace.low_v, low)
    np.testing.assert_array_equal(trace.high_v, high)


@pytest.mark.parametrize("chunk", [1, 7, 17, 509, 2000])
def test_pieces_do_not_matter(chunk: int) -> None:
    samples = np.random.default_rng(1).standard_normal(2000)
    whole = compute_trace(Recording(samples, FS, start_s=5.0), most=333)
    builder = TraceBuilder(5.0, 2.0, fs=FS, most=333)
    for start in range(0, 2000, chunk):
        builder.add(samples[start : start + chunk], 5.0 + start / FS)
    made = builder.build()
    np.testing.assert_array_equal(made.low_v, whole.low_v)
    np.testing.assert_array_equal(made.high_v, whole.high_v)
    assert made.end_s == pytest.approx(7.0)


def test_a_gap_stays_open_and_what_lies_outside_is_left_out() -> None:
    recording = Recording(np.ones(2000), FS, gaps=(Gap(1000, 1.0),))
    trace = compute_trace(recording, bias_v=0.25, most=6)
    np.testing.assert_array_equal(trace.high_v, [0.75, 0.75, np.nan, np.nan, 0.75, 0.75])
    builder = TraceBuilder(1.0, 1.0, fs=FS, most=2)
    builder.add(np.arange(3000.0), 0.0)
    np.testing.assert_array_equal(builder.build().low_v, [1000.0, 1500.0])
    assert Trace(0.0, 1.0, np.array([np.nan, -3.0]), np.array([np.nan, 2.0])).peak_v == 3.0


def test_an_endless_span_is_refused() -> None:
    with pytest.raises(ParameterError, match="span_s is inf"):
        TraceBuilder(0.0, np.inf, fs=FS)
