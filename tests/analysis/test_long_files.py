"""Long files read in parts: what is found is what the whole holds, and memory does not grow with the length."""

import tracemalloc
from pathlib import Path

import numpy as np
import pytest

from tapsig.analysis.health import check_health
from tapsig.analysis.long_health import check_health_of_file
from tapsig.labelling.proposal import propose_in_file, propose_onsets
from tapsig.loading import load_recording, parts, write_wav
from tapsig.loading.parts import read_wav_parts
from tapsig.records import Label

FS = 2000
TAPS_S = np.concatenate([np.arange(3.0, 58.0, 2.5) + start for start in (0.0, 60.0, 120.0)])


@pytest.fixture
def long_wav(tmp_path: Path) -> Path:
    """Three minutes of taps on a panel of two modes; the second minute is clipped at the start, the third stuck."""
    rng = np.random.default_rng(0)
    time_s = np.arange(180 * FS) / FS
    volts = 0.004 * rng.standard_normal(time_s.size)
    for tap in TAPS_S:
        since = time_s[int(tap * FS) : int(tap * FS) + FS] - tap
        wave = np.sin(2 * np.pi * 140 * since) + 0.5 * np.sin(2 * np.pi * 410 * since)
        volts[int(tap * FS) : int(tap * FS) + FS] += 0.5 * np.exp(-since / 0.06) * wave
    volts[61 * FS : 61 * FS + 400] = 0.999
    volts[150 * FS : 150 * FS + 200] = volts[150 * FS]
    path = tmp_path / "long.wav"
    write_wav(path, volts, FS, full_scale_v=1.0)
    return path


def test_parts_joined_are_the_recording(long_wav: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = load_recording(long_wav)
    labels = (Label(0.0), Label(70.0), Label(179.9995))
    for part_s, overlap_s in ((60.0, 0.0), (60.0, 5.0), (59.3, 1.0), (1000.0, 5.0)):
        monkeypatch.setattr(parts, "PART_S", part_s)
        made = list(read_wav_parts(long_wav, labels=labels, overlap_s=overlap_s))
        own = [part.recording.samples[part.first : part.stop] for part in made]
        np.testing.assert_array_equal(np.concatenate(own), whole.samples)
        for part in made:
            span = slice(part.start, part.start + part.recording.samples.size)
            np.testing.assert_array_equal(part.recording.samples, whole.samples[span])
            for label in part.recording.labels:
                assert min(abs(label.onset_s + part.start / FS - one.onset_s) for one in labels) < 1e-9
        assert sum(len(part.recording.labels) for part in made) >= len(labels)


def test_proposals_of_a_file_in_parts_are_those_of_the_whole(long_wav: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Candidates near the least rise may differ, because the predictor's blocks lie elsewhere; likely taps may not."""
    monkeypatch.setattr(parts, "PART_S", 61.7)
    whole = [one for one in propose_onsets(load_recording(long_wav)) if one.confidence > 0.5]
    in_parts = [one for one in propose_in_file(long_wav) if one.confidence > 0.5]
    assert len(whole) >= 60
    np.testing.assert_allclose([one.onset_s for one in in_parts], [one.onset_s for one in whole], atol=1e-3)


def test_faults_of_a_file_in_parts_are_those_of_the_whole(long_wav: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parts, "PART_S", 60.0)
    whole = check_health(load_recording(long_wav))
    report = check_health_of_file(long_wav).report
    assert {"clipped", "stuck"} <= set(whole.codes())
    assert set(report.codes()) == set(whole.codes())
    for code in ("clipped", "stuck"):
        one, other = (next(found for found in each.findings if found.code == code) for each in (report, whole))
        assert one.first_s == pytest.approx(other.first_s, abs=1e-6)
        assert "in 1 of 3 parts" in one.message
    assert report.duration_s == whole.duration_s
    assert report.noise_v == pytest.approx(whole.noise_v, rel=0.1)
    assert report.bias_v == pytest.approx(whole.bias_v, abs=1e-4)
    assert report.peak_v == pytest.approx(whole.peak_v, abs=1e-3)


@pytest.mark.parametrize("work", [check_health_of_file, propose_in_file])
def test_memory_does_not_grow_with_the_length(tmp_path: Path, work: object, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ten parts take hardly more than two: per candidate some 2 kB stay."""
    monkeypatch.setattr(parts, "PART_S", 30.0)
    rng, peaks = np.random.default_rng(1), []
    for count in (2, 10):
        path = tmp_path / f"{count}.wav"
        write_wav(path, 0.01 * rng.standard_normal(count * 30 * FS), FS, full_scale_v=1.0)
        tracemalloc.start()
        work(path)  # type: ignore[operator]
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.5 * peaks[0]
