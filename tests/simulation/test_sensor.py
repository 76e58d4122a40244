"""Piezo, load, clamp and converter against closed forms."""

import math
from dataclasses import replace

import numpy as np
import pytest

from tapsig.errors import ParameterError
from tapsig.simulation.sensor import Circuit, Mount, SimulatedConverter

QUIET = SimulatedConverter(10, 2.5, noise_v=0.0)
RNG = np.random.default_rng(0)


@pytest.mark.parametrize(("nanofarad", "corner"), [(10, 15.9), (16, 9.95), (20, 7.96), (30, 5.31)])
def test_corner_of_a_disc_into_a_megohm(nanofarad: float, corner: float) -> None:
    # f = 1/(2πRC).
    assert Circuit(nanofarad * 1e-9, 1e6, 0.0).corner_hz == pytest.approx(corner, rel=1e-3)


def test_high_pass_falls_as_a_first_order_does() -> None:
    # |H| = (f/fc)/√(1 + (f/fc)²).
    circuit, fs = Circuit(16e-9, 1e6, 0.0), 8000.0
    t = np.arange(int(8 * fs)) / fs
    for hz in (2.0, 9.947, 30.0, 200.0):
        found = circuit.respond(np.sin(2 * np.pi * hz * t), fs)[int(4 * fs) :]
        gain = 2 * np.abs(np.mean(found * np.exp(-2j * np.pi * hz * t[int(4 * fs) :])))
        ratio = hz / circuit.corner_hz
        assert gain == pytest.approx(ratio / math.hypot(1, ratio), rel=0.01)


def test_half_sine_through_the_load_peaks_and_undershoots() -> None:
    # 3 ms half-sine through 16 nF and 1 MΩ: peak .944, undershoot −.109 (computed from the convolution integral).
    fs = 200_000.0
    pulse = np.zeros(int(0.02 * fs))
    t = np.arange(int(3e-3 * fs)) / fs
    pulse[: t.size] = np.sin(np.pi * t / 3e-3)
    found = Circuit(16e-9, 1e6, 0.0).respond(pulse, fs)
    assert found.max() == pytest.approx(0.944, rel=0.01)
    assert found.min() == pytest.approx(-0.109, rel=0.01)


@pytest.mark.parametrize("bits", [8, 10, 12])
def test_quantisation_noise_of_a_full_scale_sine(bits: int) -> None:
    # SNR = 6.02 N + 1.76 dB; noise LSB/√12.
    converter = replace(QUIET, bits=bits)
    t = np.arange(400_000) / 8000.0
    signal = 2.4999 * np.sin(2 * np.pi * 313.7 * t)
    error = converter.convert(signal, 8000.0, RNG) - signal
    error = error[np.abs(signal) < 2.5 - 2 * converter.step_v]
    assert error.std() == pytest.approx(converter.step_v / math.sqrt(12), rel=0.02)
    assert 20 * np.log10(2.5 / math.sqrt(2) / error.std()) == pytest.approx(6.02 * bits + 1.76, abs=0.15)


@pytest.mark.parametrize(("bits", "span", "step"), [(10, 5.0, 4.883e-3), (12, 3.3, 0.806e-3)])
def test_one_count_in_volts(bits: int, span: float, step: float) -> None:
    assert SimulatedConverter(bits, span / 2).step_v == pytest.approx(step, rel=1e-3)


def test_clamped_input_has_the_harmonics_of_a_half_wave() -> None:
    # A sine without its negative half: mean A/π, fundamental A/2, second harmonic 2A/(3π) = .2122 A, rms A/2.
    converter, fs, amplitude = SimulatedConverter(16, 2.5, one_sided=True, noise_v=0.0), 8000.0, 2.0
    t = np.arange(80_000) / fs
    seen = converter.convert(amplitude * np.sin(2 * np.pi * 50.0 * t), fs, RNG) + 2.5  # it rests on the lower rail
    assert seen.mean() == pytest.approx(amplitude / math.pi, rel=1e-3)
    assert math.sqrt(np.square(seen).mean()) == pytest.approx(amplitude / 2, rel=1e-3)
    for order, expected in ((1, 0.5), (2, 0.2122)):
        line = 2 * np.abs(np.mean(seen * np.exp(-2j * np.pi * 50.0 * order * t)))
        assert line == pytest.approx(expected * amplitude, rel=1e-3)


def test_rails_hold() -> None:
    seen = QUIET.convert(np.array([-9.0, 9.0]), 8000.0, RNG)
    assert seen.tolist() == [-2.5, 2.5 - QUIET.step_v]


def test_converter_noise_is_the_stated_rms() -> None:
    converter = SimulatedConverter(16, 2.5, noise_v=0.01)
    assert converter.convert(np.zeros(100_000), 8000.0, RNG).std() == pytest.approx(0.01, rel=0.02)


def test_glue_resonates_where_it_says() -> None:
    # Second-order low-pass: gain 1 far below, Q at the resonance.
    mount, fs = Mount("tape", 0.01, 2000.0, 3.0, -1.0), 16000.0
    t = np.arange(int(0.5 * fs)) / fs
    for hz, expected in ((50.0, 1.0), (2000.0, 3.0)):
        found = mount.transmit(np.sin(2 * np.pi * hz * t), fs)[4000:]
        assert 2 * np.abs(np.mean(found * np.exp(-2j * np.pi * hz * t[4000:]))) == pytest.approx(expected, rel=0.02)
    assert mount.transmit(np.ones(4000), fs)[-1] == pytest.approx(-1.0, rel=1e-6)  # polarity


def test_gain_follows_the_temperature() -> None:
    circuit = Circuit(16e-9, 1e6, 0.003)
    warm = circuit.respond(np.ones(4), 8000.0, temperature_c=30.0)
    assert warm / circuit.respond(np.ones(4), 8000.0) == pytest.approx(np.full(4, 1.03))


@pytest.mark.parametrize("bad", [{"bits": 4}, {"bits": 30}, {"full_scale_v": 0.0}])
def test_impossible_converters_are_refused(bad: dict[str, float]) -> None:
    with pytest.raises(ParameterError, match=next(iter(bad))):
        replace(QUIET, **bad)
