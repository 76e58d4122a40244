"""The shared core against a plain NumPy re-statement, and the innovation variant's behaviour."""

import numba
import numpy as np
import pytest
from scipy import signal

from tapsig.detect.candidates import AFTER, Core, measure_block
from tapsig.detect.innovation import Innovation
from tapsig.dsp.prediction import compute_innovation, decimate
from tapsig.errors import ParameterError
from tapsig.features import FEATURES
from tapsig.score.matching import match_onsets
from tapsig.simulate import simulate_scene

FLOOR = 3e-4**2


def plain_blocks(samples: np.ndarray, fs: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """High-passed blocks, innovation power, and the same smoothed, by whole-array operations."""
    blocks = decimate(samples, fs)
    # dc += (x - dc)/8 from dc = first sample; the output is x - dc before the update.
    slow = signal.lfilter([0.125], [1.0, -0.875], blocks - samples[0])
    passed = blocks - samples[0] - np.concatenate([[0.0], slow[:-1]])
    raw = compute_innovation(passed, step=0.03, floor_v=3e-4) ** 2
    return passed, raw, signal.lfilter([0.4], [1.0, -0.6], raw)


def plain_fast(samples: np.ndarray, fs: float) -> np.ndarray:
    """Variance within each block, smoothed."""
    per_block = round(fs / 1000.0)
    blocks = samples[: samples.size // per_block * per_block].reshape(-1, per_block)
    return signal.lfilter([0.4], [1.0, -0.6], blocks.var(axis=1))


def plain_quietest(smooth: np.ndarray) -> np.ndarray:
    """log2 of the quietest 64 ms of late; that creeps up by 0.004 every 64 ms."""
    loudest = np.log2(smooth[: smooth.size // 64 * 64].reshape(-1, 64).max(axis=1) + FLOOR)
    quiet = loudest.copy()
    for i in range(1, quiet.size):
        quiet[i] = min(loudest[i], quiet[i - 1] + 0.004)
    return quiet


def plain_triggers(innovation: np.ndarray, fast: np.ndarray) -> list[int]:
    """Blocks where one of the two powers exceeds the highest of eleven four-block maxima, by 1.5 and by 6 dB.

    And its quietest 64 ms of late by 8 dB.
    """
    parts = [(power, rise_db, plain_quietest(power)) for power, rise_db in ((innovation, 1.5), (fast, 6.0))]
    found: list[int] = []
    for block in range(100, innovation.size):
        quads = (block // 4) if block % 4 == 3 else (block // 4) - 1  # complete groups of four so far, less one
        for power, rise_db, quiet in parts:
            reference = max(FLOOR, *(power[4 * q : 4 * q + 4].max() for q in range(quads - 11, quads)))
            heard = np.log2(power[block] + FLOOR) - quiet[(block + 1) // 64 - 1] >= 0.8 * np.log2(10.0)
            above = power[block] > 10.0 ** (rise_db / 10.0) * reference
            if heard and above and (not found or block - found[-1] >= 10):
                found.append(block)
    return found


@pytest.fixture(scope="module")
def tapped() -> np.ndarray:
    """Twelve seconds of taps on the inner skin, 8 kHz."""
    return simulate_scene("badger", duration_s=12.0, seed=3, codes=["213"]).recordings["inner-skin"].samples.copy()


@pytest.mark.parametrize("every", [1, 2, 8])
def test_core_equals_the_plain_statement(tapped: np.ndarray, every: int) -> None:
    fs, samples = 8000.0 / every, tapped[::every]
    found = Core(fs, step=0.03, trigger_db=1.5, floor_v=3e-4).push(samples)
    _, raw, smooth = plain_blocks(samples, fs)
    fast = plain_fast(samples, fs)
    expected = [block for block in plain_triggers(smooth, fast) if block + AFTER < smooth.size]
    assert found.triggers.tolist() == expected
    for trigger, row in zip(found.triggers, found.rows, strict=True):
        peak = smooth[trigger - 2 : trigger + 13].max()
        values = dict(zip(FEATURES, row, strict=True))
        before = smooth[max(trigger - 50, 0) : trigger - 5].max()
        assert values["innovation_rise"] == pytest.approx(10 * np.log10((peak + 1e-12) / (before + 1e-12)), abs=1e-6)
        assert values["level_v_db"] == pytest.approx(10 * np.log10(peak + FLOOR), abs=1e-6)
        sharp = raw[trigger - 3 : trigger + 13].max()
        width = (raw[trigger - 2 : trigger + AFTER + 1] > 0.1 * sharp).sum()
        assert values["innovation_width"] == width
        above = fast[trigger - 2 : trigger + 13].max() + 0.1 * FLOOR
        before = fast[max(trigger - 50, 0) : trigger - 5].max() + 0.1 * FLOOR
        assert values["fast_rise"] == pytest.approx(10 * np.log10(above / before), abs=1e-6)


@numba.njit
def measure(samples: np.ndarray, origin: int, block: int, per_block: float) -> tuple[float, float, float]:
    """From Python, which cannot call what only kernels call."""
    return measure_block(samples, origin, block, per_block)


@pytest.mark.parametrize("fs", [400.0, 700.0, 2000.0, 8000.0, 11025.0, 44100.0])
def test_blocks_share_out_the_samples_on_their_edges(fs: float) -> None:
    samples = 2.5 + np.random.default_rng(1).standard_normal(int(0.2 * fs))
    before = np.concatenate((samples[:1], samples))  # one sample that came earlier
    edges = np.arange(200) * fs / 1000.0
    means, squares = (
        np.diff(np.interp(edges, np.arange(samples.size + 1), np.append(0.0, np.cumsum(values)))) * 1000.0 / fs
        for values in (samples, samples**2)
    )
    begins = np.floor(np.arange(samples.size) * 1000.0 / fs + 1e-9).astype(int)
    turns = np.bincount(begins, np.diff(before) ** 2, means.size)
    for block in range(means.size):
        mean, variance, turn = measure(before, -1, block, fs / 1000.0)
        assert mean == pytest.approx(means[block], abs=1e-9)
        assert variance == pytest.approx(squares[block] - means[block] ** 2, abs=1e-9)
        assert turn == pytest.approx(turns[block] * 1000.0 / fs, abs=1e-6)


@pytest.mark.parametrize("hz", [1500.0, 2500.0, 3300.0])
def test_a_burst_that_the_blocks_average_away_is_heard_with_its_frequency(hz: float) -> None:
    """The mean squared step of a sinusoid of power 1 is 2 - 2 cos(2 pi f / fs): its frequency follows."""
    rng = np.random.default_rng(1)
    time = np.arange(24_000) / 8000.0
    burst = np.where(time > 2.0, np.sin(2 * np.pi * hz * time) * np.exp(-(time - 2.0) / 0.03), 0.0)
    found = Core(8000.0, step=0.03, trigger_db=1.5, floor_v=3e-4).push(burst + 1e-3 * rng.standard_normal(time.size))
    near = np.flatnonzero(np.abs(found.onsets / 8000.0 - 2.0) < 0.01)
    assert near.size
    steps = 2.0 - 2.0 * np.cos(2.0 * np.pi * hz / 8000.0)
    expected = np.log2(np.sqrt(steps) * 8000.0 / (2.0 * np.pi))
    assert found.rows[near[0], FEATURES.index("fast_octave")] == pytest.approx(expected, abs=0.1)
    assert found.rows[near[0], FEATURES.index("fast_rise")] > 20.0


def test_bands_of_a_pure_tone_lie_where_the_tone_does() -> None:
    """A burst of 250 Hz, twelve decibels over the rest: a discrete transform's bin 6 of 24 at 1 kHz."""
    rng = np.random.default_rng(0)
    time = np.arange(24_000) / 8000.0
    burst = np.where((time > 2.0) & (time < 2.2), 0.5 * np.sin(2 * np.pi * 250.0 * time), 0.0)
    found = Core(8000.0, step=0.03, trigger_db=1.5, floor_v=3e-4).push(burst + 1e-3 * rng.standard_normal(time.size))
    first = int(np.argmin(np.abs(found.onsets / 8000.0 - 2.0)))
    values = dict(zip(FEATURES, found.rows[first], strict=True))
    assert values["share_210hz"] > -1.0
    assert max(values["share_40hz"], values["share_125hz"], values["share_330hz"]) < -8.0


@pytest.mark.parametrize("fs", [1000.0, 8000.0, 44_100.0])
def test_a_step_up_of_a_burst_is_timed_within_two_milliseconds(fs: float) -> None:
    rng = np.random.default_rng(1)
    time = np.arange(int(3 * fs)) / fs
    onsets = np.array([1.0, 1.3, 1.75, 2.2])
    samples = 1e-3 * rng.standard_normal(time.size)
    for onset in onsets:
        after = time - onset
        samples += np.where(after >= 0, 0.3 * np.sin(2 * np.pi * 180.0 * after) * np.exp(-after / 0.02), 0.0)
    detector = Innovation().build(fs)
    found = detector.push(samples).onset_samples / fs
    matching = match_onsets(onsets, found, window_s=0.002)
    assert len(matching.pairs) == onsets.size
    assert len(matching.spurious) == 0


def test_second_tap_on_a_ringing_skin_is_found() -> None:
    simulated = simulate_scene("badger", duration_s=14.0, seed=5, codes=["312"], tap_kind="knuckle")
    recording = simulated.recordings["inner-skin"]
    found = Innovation().build(recording.fs).push(recording.samples).onset_samples / recording.fs
    assert len(match_onsets(recording.taps_s, found, window_s=0.025).missed) == 0


def test_a_tap_in_the_last_milliseconds_is_decided_by_flush() -> None:
    samples = 1e-3 * np.random.default_rng(2).standard_normal(8000)
    samples[7900:] += 0.5
    detector = Innovation(rise_db=6.0).build(8000.0)
    assert len(detector.push(samples)) == 0
    last = detector.flush()
    assert len(last) == 1
    assert abs(int(last.onset_samples[0]) - 7900) <= 16
    assert int(last.decided_samples[0]) == 7999


def test_every_rejected_candidate_tells_why(tapped: np.ndarray) -> None:
    found = Innovation().build(8000.0, keep_rejected=True).push(tapped)
    assert set(found.reason) <= {"", "below floor_v", "rise below rise_db", "within dead time"}
    assert len(found.accepted()) < len(found)


@pytest.mark.parametrize("fs", [10.0, 1e6, np.nan])
def test_a_rate_out_of_range_is_refused(fs: float) -> None:
    with pytest.raises(ParameterError, match="fs"):
        Innovation().build(fs)
