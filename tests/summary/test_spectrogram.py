"""The spectrogram of tones whose frequency and level are known, and of a recording with a gap."""

import math

import numpy as np
import pytest

from tapsig.errors import ParameterError
from tapsig.records import Gap, Recording
from tapsig.summary.spectrogram import Spectrogram, SpectrogramBuilder, compute_spectrogram

FS = 8000.0


def row_of(spectrum: Spectrogram, hertz: float) -> int:
    rows = spectrum.level_db.shape[0]
    return int(rows * math.log(hertz / spectrum.low_hz) / math.log(spectrum.high_hz / spectrum.low_hz))


@pytest.mark.parametrize("hertz", [63.0, 500.0, 1250.0, 3000.0])
def test_a_tone_stands_at_its_frequency_and_a_weaker_one_as_many_decibels_lower(hertz: float) -> None:
    time_s = np.arange(4 * int(FS)) / FS
    strong, weak = np.sin(2 * np.pi * hertz * time_s), 0.1 * np.sin(2 * np.pi * hertz / 1.7 * time_s)
    spectrum = compute_spectrogram(Recording(1.0 + strong + weak, FS), columns=200)
    middle = spectrum.level_db[:, 100]
    assert abs(int(np.argmax(middle)) - row_of(spectrum, hertz)) <= 1
    near = middle[row_of(spectrum, hertz / 1.7) - 1 : row_of(spectrum, hertz / 1.7) + 2]
    assert near.max() == pytest.approx(-20.0, abs=1.0)  # 20 · lg 0.1, less what a Hann window loses between bins
    assert np.nanmax(spectrum.level_db) == 0.0


def test_a_short_blow_is_in_its_column_however_wide_columns_are() -> None:
    samples = np.zeros(60 * 2000)
    samples[2000 * 42] = 1.0
    for columns in (30, 300):
        level = compute_spectrogram(Recording(samples, 2000.0), columns=columns).level_db
        assert int(np.argmax(level.max(axis=0))) in (columns * 42 // 60 - 1, columns * 42 // 60)


def test_a_gap_is_left_blank() -> None:
    noise = np.random.default_rng(0).standard_normal(8 * 2000)
    recording = Recording(noise, 2000.0, gaps=(Gap(4 * 2000, 8.0),))
    level = compute_spectrogram(recording, columns=160).level_db
    blank = np.isnan(level).all(axis=0)
    assert blank[42:118].all()  # 4 s to 12 s of 16 s
    assert not blank[:39].any()
    assert not blank[121:].any()


def test_what_has_no_spectrum_is_refused() -> None:
    with pytest.raises(ParameterError, match="too few"):
        compute_spectrogram(Recording(np.ones(20), FS))
    with pytest.raises(ParameterError, match="too slow"):
        compute_spectrogram(Recording(np.ones(2000), 60.0))
    with pytest.raises(ParameterError, match="constant"):
        compute_spectrogram(Recording(np.ones(20000), FS))


def test_a_click_is_seen_wherever_it_lies_in_a_column_of_many_windows() -> None:
    for at_s in (10.0, 10.3, 17.77, 29.9):
        samples = np.zeros(3600 * 1000)
        samples[round(at_s * 1000)] = 1.0
        level = compute_spectrogram(Recording(samples, 1000.0), columns=90).level_db  # 40 s each
        # Windows that overlap by half leave no sample out; levels are relative to the highest.
        assert level[:, 0].max() == 0.0
        assert level[:, 1:].max() == pytest.approx(-200.0)  # the floor: nothing


def test_pieces_give_the_spectrogram_of_the_whole() -> None:
    samples = np.random.default_rng(0).standard_normal(600 * 1000)
    whole = compute_spectrogram(Recording(samples, 1000.0), columns=60)
    builder = SpectrogramBuilder(5.0, 600.0, fs=1000.0, columns=60)
    for start in range(0, samples.size, 90_000):
        builder.add(samples[start : start + 90_000] - np.median(samples), 5.0 + start / 1000.0)
    pieces = builder.build()
    np.testing.assert_allclose(pieces.level_db, whole.level_db, atol=3.0)  # windows at the seams lie elsewhere
    assert np.median(np.abs(pieces.level_db - whole.level_db)) < 1e-6
    assert (pieces.begin_s, pieces.end_s) == (5.0, 605.0)
