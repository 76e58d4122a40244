"""Measured sounds: what is fetched is what was meant, the halves share nothing; doors made of them keep the rules."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pyroomacoustics.experimental import measure_rt60
from scipy import signal

from benchmarks import open_sources
from benchmarks.generators import measured, measured_scenes, measured_sources
from benchmarks.generators.measured import GENERATOR, convert, high_pass, make_door
from benchmarks.open_sources import RegistryOutOfReachError, Source
from tapsig.units import FloatArray

simulate = GENERATOR.simulate


def sources_of(half: str) -> list[Source]:
    return [source for source in measured_sources.list_sources() if source.half == half]


def test_halves_share_no_kit_and_no_file() -> None:
    fit, unseen = sources_of("fit"), sources_of("unseen")
    assert len(fit) + len(unseen) == len(measured_sources.list_sources())
    assert not {source.kit for source in fit} & {source.kit for source in unseen}
    assert not {source.path for source in fit} & {source.path for source in unseen}
    used = {source.package for source in (*open_sources.list_sources(), *measured_sources.list_sources())}
    assert used == open_sources.PACKAGES.keys()


@pytest.mark.network
def test_every_listed_file_holds_sound() -> None:
    for source in measured_sources.list_sources():
        samples, fs = open_sources.load_sound(source)
        assert np.isfinite(samples).all(), source.path
        assert 0.01 < np.abs(samples).max() < 4.0, source.path  # a lossy code may overshoot full scale
        assert 0.01 < samples.size / fs < 70.0, source.path


@pytest.mark.network
def test_no_recording_of_one_half_comes_again_in_the_other() -> None:
    """Two sounds whose first 300 ms correlate fully are one recording; taps of both lists are compared as well."""
    spectra = {half: np.fft.rfft(np.array(first_300_ms(half)), 4096, axis=1) for half in ("fit", "unseen")}
    for spectrum in spectra["unseen"]:
        likeness = np.abs(np.fft.irfft(spectra["fit"] * np.conj(spectrum), 4096, axis=1))
        assert likeness.max() < 0.99


def first_300_ms(half: str) -> list[FloatArray]:
    """Starts of all sounds of a half at 4 kHz, of power 1."""
    hits = [source for source in open_sources.list_sources() if source.half == half and source.kind == "tap"]
    starts = []
    for source in (*sources_of(half), *hits):
        start = measured_sources.sound(source, 4000.0, 13)[:1200]
        starts.append(np.pad(start, (0, 1200 - start.size)) / np.linalg.norm(start))
    return starts


@pytest.mark.network
def test_the_sports_hall_rings_as_long_as_its_package_says() -> None:
    """T30 by octaves as in tests/test_room.py of acoustics 0.2.6, against pyroomacoustics; 15 % for the filters."""
    (source,) = (source for source in measured_sources.list_sources() if source.kit == "sports hall")
    samples, fs = open_sources.load_sound(source)
    for centre_hz, t30_s in ((500.0, 6.795), (1000.0, 6.518)):
        band = signal.butter(4, (centre_hz / 2**0.5, centre_hz * 2**0.5), "bandpass", fs=fs, output="sos")
        assert measure_rt60(signal.sosfilt(band, samples), int(fs), decay_db=30) == pytest.approx(t30_s, rel=0.15)


def test_the_high_pass_droops_like_a_capacitor_into_a_resistor() -> None:
    """3 ms half-sine through 16 nF and 1 megohm (9.947 Hz): peak 0.944, undershoot -0.109; from the circuit."""
    pulse = np.zeros(48000)
    pulse[:144] = np.sin(np.pi * np.arange(144) / 144)
    out = high_pass(pulse, 48000.0, corner_hz=1 / (2 * np.pi * 16e-9 * 1e6))
    assert (out.max(), out.min()) == pytest.approx((0.944, -0.109), abs=2e-3)


PLAIN = replace(
    make_door(1, "fit"), range_v=(0.0, 5.0), half_lost=False, noise_share=0.0, hum_share=0.0, highpass_hz=1e-6, sign=1.0
)
"""A door whose electronics only take counts."""


@pytest.mark.parametrize("bits", [8, 10, 12, 16])
def test_the_converter_has_the_noise_of_its_bits(bits: int) -> None:
    """A full-scale sine has a signal-to-noise ratio of 6.02 N + 1.76 dB; textbook."""
    door = replace(PLAIN, adc_bits=bits, full_scale_share=0.98)
    sine = np.sin(2 * np.pi * 97.3 * np.arange(16000) / 8000.0)
    error = convert(door, sine, 8000.0, 1, np.random.default_rng(0)) - (2.5 + 2.5 * 0.98 * sine)
    assert 10 * np.log10(2.5**2 / 2 / error.var()) == pytest.approx(6.02 * bits + 1.76, abs=0.3)


def test_a_lost_half_leaves_the_mean_of_a_half_wave() -> None:
    """The mean of a half-wave rectified sine is A/pi; closed form."""
    door = replace(PLAIN, adc_bits=16, half_lost=True, full_scale_share=1.0)
    sine = np.sin(2 * np.pi * 100.0 * np.arange(8000) / 8000.0)
    assert convert(door, sine, 8000.0, 1, np.random.default_rng(0)).mean() == pytest.approx(2.5 / np.pi, rel=1e-3)


def test_doors_spread_in_level_bits_and_positions() -> None:
    doors = [make_door(number, "fit") for number in range(200)]
    shares = np.array([door.full_scale_share for door in doors])
    assert 20 * np.log10(shares.max() / shares.min()) > 40.0
    assert {door.adc_bits for door in doors} == {8, 10, 12, 16}
    assert {len(door.positions) for door in doors} == {3, 4}
    assert any(door.half_lost for door in doors)
    for door in doors:
        assert np.all(np.diff([position.decay_s for position in door.positions]) < 0)  # from the skin to the frame


def test_registries_out_of_reach_are_reported(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("TAPSIG_OPEN_CACHE", str(tmp_path))
    monkeypatch.setenv("PATH", "")
    caches = measured_sources.sound, measured_sources.tapped_objects, measured_sources.load_start
    for kept in caches:
        kept.cache_clear()
    with pytest.raises(RegistryOutOfReachError):
        simulate(1, "quiet", fs=2000.0, duration_s=5.0, taps="single", seed=1)


@pytest.mark.network
@pytest.mark.parametrize("half", ["fit", "unseen"])
def test_recordings_of_all_scenes_are_of_one_half(half: str, monkeypatch: pytest.MonkeyPatch) -> None:
    used = set()

    def sound(source: Source, rate_hz: float, step: int) -> FloatArray:
        used.add(source)
        return measured_sources.sound(source, rate_hz, step)

    monkeypatch.setattr(measured, "sound", sound)
    monkeypatch.setattr(measured_scenes, "sound", sound)
    for door, scene in enumerate(GENERATOR.scenes):
        found = simulate(door, scene, fs=1000.0, duration_s=8.0, taps="entries", seed=4, half=half)
        assert all(recording.taps_s.size for recording in found.values())
    assert len(used) > 50
    assert {source.half for source in used} == {half}
