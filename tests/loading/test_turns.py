"""Two channels in turn, read as one signal: a finding says so, and no single signal raises it.

Signals are closed forms: damped sinusoids (a plate's ring-down), a pulse train, and tones by the sampling theorem.
"""

from pathlib import Path

import numpy as np
import pytest

from tapsig.loading import ReadOptions, load_corpus, read_recording, read_wav_info, write_wav
from tapsig.loading.findings import FindingList
from tapsig.loading.parts import read_wav_parts, read_wav_span
from tapsig.units import FloatArray
from tests.fakes import DEMO, write_log

FS = 1000.0
TIMES_S = np.arange(8000) / FS


def ring(frequency_hz: float, delay_s: float = 0.0) -> FloatArray:
    """A tap each second, by one mode, in counts around 512 with a noise of one count."""
    since_s = (TIMES_S - delay_s) % 1.0
    noise = np.random.default_rng(int(frequency_hz)).normal(0.0, 1.0, TIMES_S.size)
    return 512.0 + 200.0 * np.exp(-6.0 * since_s) * np.sin(2.0 * np.pi * frequency_hz * since_s) + noise


def in_turn(first: FloatArray, second: FloatArray) -> FloatArray:
    return np.column_stack([first, second]).ravel()


TONE = np.cos(2.0 * np.pi * 499.9 * TIMES_S)
PULSES = np.where(np.arange(TIMES_S.size) % 20 == 0, 300.0, 0.0)  # 50 Hz: equal lines at all multiples
SINGLE = {
    "ring-down": ring(90.0),
    "ring-down near half the rate": ring(470.0),
    "noise": 512.0 + np.random.default_rng(0).normal(0.0, 3.0, TIMES_S.size),
    "tone near half the rate": 512.0 + 100.0 * TONE,
    "mains pulses": 512.0 + PULSES + np.random.default_rng(1).normal(0.0, 1.0, TIMES_S.size),
    "each value twice": np.repeat(ring(90.0), 2),
    "constant": np.full(TIMES_S.size, 512.0),
}
ALTERNATE = {
    "two discs at one bias": in_turn(ring(90.0), ring(130.0, 0.003)),
    "one disc and a quiet input": in_turn(ring(90.0), np.full(TIMES_S.size, 512.0)),
    "two quiet inputs at two levels": in_turn(SINGLE["noise"], SINGLE["noise"][::-1] - 200.0),
    "two inputs without noise": in_turn(SINGLE["constant"], SINGLE["constant"] - 2.0),
}


def codes_of(folder: Path, values: FloatArray) -> tuple[str, ...]:
    log = write_log(folder, ["adc", *(f"{value:.0f}" for value in values)])
    return read_recording(log, ReadOptions(fs=2000.0, adc_bits=10, full_scale_v=5.0))[1].codes()


@pytest.mark.parametrize("name", ALTERNATE)
def test_lines_of_two_channels_in_turn_are_a_finding(tmp_path: Path, name: str) -> None:
    assert codes_of(tmp_path, ALTERNATE[name]) == ("channels-alternate",)


@pytest.mark.parametrize("name", SINGLE)
def test_a_single_signal_is_none_of_two_channels(tmp_path: Path, name: str) -> None:
    assert codes_of(tmp_path, SINGLE[name]) == ()


def test_wav_of_two_channels_whose_header_says_one_is_a_finding_however_it_is_read(tmp_path: Path) -> None:
    path = tmp_path / "door.wav"
    write_wav(path, ALTERNATE["two discs at one bias"] - 512.0, 2000, full_scale_v=512.0)
    assert read_wav_info(path).channels == 1
    assert "channels-alternate" in read_recording(path)[1].codes()
    findings = FindingList()
    list(read_wav_parts(path, findings=findings))
    assert [finding.code for finding in findings] == ["channels-alternate"]
    assert "channels-alternate" in [finding.code for finding in read_wav_span(path, 1.0, 7.0).findings]


def test_positions_of_the_demo_corpus_are_told_from_two_of_them_in_turn(tmp_path: Path) -> None:
    quiet = list(load_corpus(DEMO).select(scene="quiet", vehicle="crane"))
    assert len(quiet) > 3
    assert not [one for one in quiet for finding in one.findings if finding.code == "channels-alternate"]
    first, second = (one.samples for one in quiet[:2])
    path = tmp_path / "door.wav"
    write_wav(path, in_turn(first[:60_000], second[:60_000]), 16_000, full_scale_v=2.5)
    assert "channels-alternate" in read_recording(path)[1].codes()
