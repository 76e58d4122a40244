"""Modes against damped sinusoids of known frequency and damping, and the closed forms of damping."""

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from tapsig.dsp.modes import Mode, _correlate, _low_pass, _plan, _shift_to_zero, compute_modes, least_samples
from tapsig.errors import ParameterError

FS = 4000.0
TRUTH = (
    (38.0, 0.02, 1.0),
    (52.0, 0.015, 0.7),
    (71.0, 0.01, 0.5),
    (120.0, 0.012, 0.6),
    (124.0, 0.012, 0.4),
    (310.0, 0.008, 0.5),
    (655.0, 0.01, 0.3),
    (1210.0, 0.006, 0.2),
)


def ringdowns(
    count: int,
    snr_db: float,
    seed: int,
    truth: tuple[tuple[float, float, float], ...] = TRUTH,
    fs: float = FS,
    length_s: float = 0.5,
) -> list[np.ndarray]:
    rng = np.random.default_rng(seed)
    time_s = np.arange(int(length_s * fs)) / fs
    out = []
    for _ in range(count):
        signal = np.zeros(time_s.size)
        for frequency, damping, amplitude in truth:  # undamped angular frequency ω0 = ω / √(1 − ζ²)
            rate = 2 * np.pi * frequency * damping / math.sqrt(1 - damping**2)
            phase = 2 * np.pi * frequency * time_s + rng.uniform(0, 2 * np.pi)
            signal += rng.uniform(0.5, 1) * amplitude * np.exp(-rate * time_s) * np.cos(phase)
        out.append(signal + rng.standard_normal(time_s.size) * np.sqrt(np.mean(signal**2)) * 10 ** (-snr_db / 20))
    return out


def nearest(modes: tuple[Mode, ...], frequency_hz: float) -> Mode:
    return min(modes, key=lambda mode: abs(mode.frequency_hz - frequency_hz))


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("count", [1, 5])
def test_frequency_within_half_a_percent_and_damping_within_a_tenth_at_30_db(count: int, seed: int) -> None:
    modes = compute_modes(ringdowns(count, 30.0, seed), FS)
    for frequency, damping, _ in TRUTH[:7]:
        mode = nearest(modes, frequency)
        assert_allclose(mode.frequency_hz, frequency, rtol=0.005)
        assert_allclose(mode.damping, damping, rtol=0.10)


def test_the_number_of_modes_comes_from_the_data() -> None:
    strong = [mode for mode in compute_modes(ringdowns(5, 40.0, 7), FS) if mode.energy_share >= 1e-3]
    assert sorted(round(mode.frequency_hz) for mode in strong) == [round(f) for f, _, _ in TRUTH]
    noise = [np.random.default_rng(seed).standard_normal(2000) for seed in range(5)]
    assert len(compute_modes(noise, FS)) <= 3  # of 18 bands


def test_standard_errors_hold_the_truth() -> None:
    # A 95 % interval by normal theory, ±1.96 standard errors, from 6 ring-downs a little less: most must hold it.
    inside = total = 0
    for seed in range(6):
        modes = compute_modes(ringdowns(6, 20.0, seed), FS, highest_hz=400.0)
        for frequency, damping, _ in TRUTH[:6]:
            mode = nearest(modes, frequency)
            inside += abs(mode.frequency_hz - frequency) < 2 * mode.frequency_se_hz
            inside += abs(mode.damping - damping) < 2 * mode.damping_se
            total += 2
    assert 0.75 * total < inside < total


def test_amplitude_and_energy_refer_to_the_start() -> None:
    # Closed form: a mode's energy is a²/4α to within the phase, so shares follow a²/α.
    modes = compute_modes(ringdowns(1, 60.0, 2, ((80.0, 0.02, 1.0), (400.0, 0.01, 0.5))), FS)
    one, two = nearest(modes, 80.0), nearest(modes, 400.0)
    rng = np.random.default_rng(2)
    expected = []
    for amplitude in (1.0, 0.5):  # the draws of ringdowns(): phase, then amplitude
        rng.uniform(0, 2 * np.pi)
        expected.append(rng.uniform(0.5, 1) * amplitude)
    assert_allclose([one.amplitude, two.amplitude], expected, rtol=0.05)
    ratio = (expected[0] / expected[1]) ** 2 * two.decay_rate_per_s / one.decay_rate_per_s
    assert_allclose(one.energy_share / two.energy_share, ratio, rtol=0.1)


@pytest.mark.parametrize("count", [1, 5])
def test_a_mode_that_rings_far_longer_than_it_was_recorded_is_kept(count: int) -> None:
    # T60 = 3 ln 10/α: 4 s at 150 Hz, of which 0.3 s are given, alone and beside a short mode.
    slow, fast = 3 * math.log(10) / 4.0, 3 * math.log(10) / 0.3
    one = (150.0, slow / math.hypot(slow, 2 * math.pi * 150.0), 1.0)
    other = (420.0, fast / math.hypot(fast, 2 * math.pi * 420.0), 1.0)
    for truth in ((one,), (one, other)):
        modes = compute_modes(ringdowns(count, 80.0, 3, truth, length_s=0.3), FS, highest_hz=1000.0)
        assert len([mode for mode in modes if mode.energy_share > 1e-3]) == len(truth)
        assert_allclose([modes[0].frequency_hz, modes[0].t60_s], [150.0, 4.0], rtol=0.01)
    # Closed form of the energies within 0.3 s: (1 - exp(-2αT))/α of each.
    within = [-math.expm1(-0.6 * rate) / rate for rate in (slow, fast)]
    if count == 1:  # of several, the amplitudes differ from one to the next
        shares = [nearest(modes, hz).energy_share / nearest(modes, hz).amplitude ** 2 for hz in (150.0, 420.0)]
        assert_allclose(shares[0] / shares[1], within[0] / within[1], rtol=0.02)


@pytest.mark.parametrize("count", [1, 2, 5])
def test_hum_is_no_mode(count: int) -> None:
    rng, time_s = np.random.default_rng(4), np.arange(1200) / FS
    given = [
        ringdown + 0.1 * np.cos(2 * np.pi * 50.0 * time_s + rng.uniform(0, 6))
        for ringdown in ringdowns(count, 40.0, 5, ((420.0, 0.01, 1.0),), length_s=0.3)
    ]
    assert [round(mode.frequency_hz) for mode in compute_modes(given, FS) if mode.energy_share >= 1e-2] == [420]


def test_damping_closed_forms() -> None:
    # Logarithmic decrement 2πζ/√(1−ζ²) = 0.062835 and Q = 50 at ζ = 0.01; T60·f0 = 109.94 (textbook identities).
    mode = Mode(100.0 * math.sqrt(1 - 1e-4), 0.01, 1.0, 1.0)
    assert_allclose(mode.decay_rate_per_s / mode.frequency_hz, 0.062835, rtol=1e-5)
    assert_allclose(mode.q, 50.0)
    assert_allclose(mode.t60_s * 100.0, 109.94, rtol=1e-4)


@pytest.mark.parametrize("fs", [500.0, 1000.0, 16000.0])
def test_other_rates_find_the_same_mode(fs: float) -> None:
    modes = compute_modes(ringdowns(3, 40.0, 1, ((110.0, 0.01, 1.0),), fs=fs), fs, highest_hz=200.0)
    assert_allclose(modes[0].frequency_hz, 110.0, rtol=1e-3)
    assert_allclose(modes[0].damping, 0.01, rtol=0.03)


@pytest.mark.parametrize("fs", [300.0, 2000.0, 44100.0])
def test_bands_are_shifted_filtered_and_thinned_as_one_sample_at_a_time(fs: float) -> None:
    # Oracle: the definition, each band on its own: shift, full convolution, every thin-th sample.
    values = np.random.default_rng(0).standard_normal(least_samples(fs) + 500)
    thin, _ = _plan(fs)
    for centre, band in zip((50.0, 90.0), _shift_to_zero(values, fs, np.array([50.0, 90.0])), strict=True):
        shifted = values * np.exp(-2j * np.pi * centre / fs * np.arange(values.size))
        expected = 2.0 * np.convolve(shifted, _low_pass(fs), mode="valid")[::thin]
        assert_allclose(band, expected, atol=1e-12)


def test_correlations_are_the_products_of_hankel_matrices() -> None:
    # Oracle: the definition. The second band falls by 260 dB, as a ring-down may.
    real, imaginary = np.random.default_rng(2).standard_normal((2, 2, 220))
    signals = (real + 1j * imaginary) * np.stack([np.ones(220), np.exp(-np.arange(220) / 7.0)])
    for signal, found in zip(signals, _correlate(signals, 80), strict=True):
        hankel = np.stack([signal[row : row + 141] for row in range(80)])
        expected = hankel @ hankel.conj().T
        assert_allclose(found, expected, atol=1e-13 * np.trace(expected).real)


def test_silence_has_no_modes() -> None:
    assert compute_modes([np.zeros(2000)], FS) == ()


def test_bad_input_is_refused() -> None:
    with pytest.raises(ParameterError, match="samples; at 4000 Hz at least"):
        compute_modes([np.ones(least_samples(FS) - 1)], FS)
    with pytest.raises(ParameterError, match=r"ringdowns\[1\]\[0\] is nan"):
        compute_modes([np.ones(2000), np.full(2000, np.nan)], FS)
    with pytest.raises(ParameterError, match="lowest_hz"):
        compute_modes([np.ones(2000)], FS, lowest_hz=5000.0)
    with pytest.raises(ParameterError, match="empty"):
        compute_modes([], FS)
