"""The envelope against the exponential time weighting of sound level meters, and against a plain loop."""

import numpy as np
import pytest

from tapsig.dsp.envelope import ATTACK_S, RELEASE_S, compute_envelope, follow_envelope
from tapsig.dsp.filters import one_pole_coefficient
from tapsig.errors import ParameterError

FS = 8000.0
FAST_S, SLOW_S = 0.125, 1.0  # IEC 61672-1, F and S


def level_db(samples: np.ndarray, time_s: float, fs: float = FS) -> np.ndarray:
    share = one_pole_coefficient(time_s, fs)
    return 10 * np.log10(np.maximum(follow_envelope(samples**2, np.zeros(1), share, share), 1e-24))


# IEC 61672-1, decay after the source stops: 10·lg(e)/τ = 34.7 and 4.34 dB/s (slopes computed from τ).
@pytest.mark.parametrize(("time_s", "slope_db_s"), [(FAST_S, 34.7), (SLOW_S, 4.34)])
def test_free_decay_has_the_slope_of_the_time_weighting(time_s: float, slope_db_s: float) -> None:
    samples = np.concatenate([np.ones(int(6 * FS)), np.zeros(int(0.5 * FS))])
    level = level_db(samples, time_s)[-int(0.4 * FS) :]
    assert (level[0] - level[-1]) / ((level.size - 1) / FS) == pytest.approx(slope_db_s, abs=0.1)


# IEC 61672-1, toneburst response re the steady tone: 10·lg(1 - exp(-T/τ)). The table is from memory, the values were
# computed again from the formula. 4 kHz tone, as in the standard; 48 kHz.
FAST_DB = {1000: 0.0, 500: -0.1, 200: -1.0, 100: -2.6, 50: -4.8, 20: -8.3, 10: -11.1, 5: -14.1, 2: -18.0, 1: -21.0}
SLOW_DB = {1000: -2.0, 200: -7.4, 100: -10.2, 50: -13.1, 20: -17.0, 10: -20.0}
BURSTS = [(time_s, ms, db) for time_s, table in ((FAST_S, FAST_DB), (SLOW_S, SLOW_DB)) for ms, db in table.items()]


@pytest.mark.parametrize(("time_s", "burst_ms", "expected_db"), BURSTS)
def test_tone_bursts_read_as_in_the_table(time_s: float, burst_ms: int, expected_db: float) -> None:
    fs = 48_000.0
    tone = np.sqrt(2.0) * np.sin(2 * np.pi * 4000.0 * np.arange(int(burst_ms * fs / 1000)) / fs)
    highest = level_db(np.concatenate([np.zeros(10), tone, np.zeros(100)]), time_s, fs).max()
    assert highest == pytest.approx(expected_db, abs=0.1)


def test_attack_and_release_have_their_own_times() -> None:
    samples = np.concatenate([np.ones(800), np.zeros(800)])
    envelope = compute_envelope(samples, FS)
    # Closed forms: 1 - exp(-t/attack), then exp(-t/release).
    assert envelope[3] == pytest.approx(1 - np.exp(-4 / FS / ATTACK_S), rel=1e-9)
    assert envelope[1199] / envelope[799] == pytest.approx(np.exp(-400 / FS / RELEASE_S), rel=1e-9)


def test_it_equals_a_plain_loop_in_any_chunks() -> None:
    magnitudes = np.abs(np.random.default_rng(4).standard_normal(1000))
    level, expected = 0.3, []
    for value in magnitudes.tolist():
        level += (0.4 if value > level else 0.01) * (value - level)
        expected.append(level)
    state = np.array([0.3])
    parts = [follow_envelope(magnitudes[start : start + 7], state, 0.4, 0.01) for start in range(0, 1000, 7)]
    assert np.array_equal(np.concatenate(parts), expected)


def test_what_is_not_one_channel_is_refused() -> None:
    with pytest.raises(ParameterError, match=r"\(3, 2\)"):
        compute_envelope(np.zeros((3, 2)), FS)


def test_the_input_is_not_changed() -> None:
    samples = np.array([1.0, -2.0, 3.0])
    samples.flags.writeable = False
    compute_envelope(samples, FS)
    assert samples.tolist() == [1.0, -2.0, 3.0]
