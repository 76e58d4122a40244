"""Long files read in parts: what is found is what the whole holds, and memory does not grow with the length."""

import tracemalloc
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tapsig.analysis.health import check_health
from tapsig.analysis.long_health import check_health_of_file
from tapsig.cli import main
from tapsig.detectors import CATALOGUE, detect, files
from tapsig.detectors.files import detect_wav
from tapsig.errors import RecordingError
from tapsig.labelling.proposal import propose_in_file, propose_onsets
from tapsig.loading import parts, read_recording, write_wav
from tapsig.loading.findings import FindingList
from tapsig.loading.parts import Part, read_wav_parts, read_wav_span
from tapsig.records import Label, Recording

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


def check_parts(made: list[Part], whole: Recording, labels: tuple[Label, ...]) -> None:
    """Samples, times and labels of the parts are those of the whole recording."""
    own = [part.recording.samples[part.first : part.stop] for part in made]
    np.testing.assert_array_equal(np.concatenate(own), whole.samples)
    own_s = [part.start / FS + part.recording.times_s(np.arange(part.first, part.stop)) for part in made]
    np.testing.assert_allclose(np.concatenate(own_s), whole.times_s(np.arange(whole.samples.size)), atol=1e-9)
    for part in made:
        for label in part.recording.labels:
            assert min(abs(label.onset_s + part.start / FS - one.onset_s) for one in labels) < 1e-9


def test_parts_joined_are_the_recording(long_wav: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = read_recording(long_wav)[0]
    labels = (Label(0.0), Label(70.0), Label(179.9995))
    for part_s, overlap_s in ((60.0, 0.0), (60.0, 5.0), (59.3, 1.0), (1000.0, 5.0)):
        monkeypatch.setattr(parts, "PART_S", part_s)
        made = list(read_wav_parts(long_wav, labels=labels, overlap_s=overlap_s))
        check_parts(made, whole, labels)
        for part in made:
            span = slice(part.start, part.start + part.recording.samples.size)
            np.testing.assert_array_equal(part.recording.samples, whole.samples[span])
        assert sum(len(part.recording.labels) for part in made) >= len(labels)


def test_proposals_of_a_file_in_parts_are_those_of_the_whole(long_wav: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Candidates near the least rise may differ, because the predictor's blocks lie elsewhere; likely taps may not."""
    monkeypatch.setattr(parts, "PART_S", 61.7)
    whole = [one for one in propose_onsets(read_recording(long_wav)[0]) if one.confidence > 0.5]
    in_parts = [one for one in propose_in_file(long_wav) if one.confidence > 0.5]
    assert len(whole) >= 60
    np.testing.assert_allclose([one.onset_s for one in in_parts], [one.onset_s for one in whole], atol=1e-3)


def test_faults_of_a_file_in_parts_are_those_of_the_whole(long_wav: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parts, "PART_S", 60.0)
    whole = check_health(read_recording(long_wav)[0])
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


@pytest.mark.parametrize("volts", [0.25, 1.5])  # a constant; one beyond full scale, so that there are no rails
def test_a_float_file_without_rails_or_noise_has_no_effective_bits(tmp_path: Path, volts: float) -> None:
    soundfile.write(tmp_path / "x.wav", np.full(4000, volts), FS, subtype="FLOAT")
    report = check_health_of_file(tmp_path / "x.wav").report
    assert np.isnan(report.effective_bits)
    assert report.codes()[0] == "constant"


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


UNDEFINED = (
    slice(0, 300),
    slice(8_000, 8_001),
    slice(119_900, 120_500),
    slice(230_000, 300_000),
    slice(359_990, 360_000),
)
"""Samples of `broken_wav`: at the start, one alone, over the edge of two parts, a whole part, at the end."""


@pytest.fixture
def broken_wav(long_wav: Path) -> Path:
    """The taps of `long_wav` as floats, with undefined samples in five places, one sample beyond full scale."""
    volts, _ = soundfile.read(long_wav)
    for where, value in zip(UNDEFINED, (np.nan, np.inf, np.nan, np.nan, -np.inf), strict=True):
        volts[where] = value
    volts[20_000] = 1.5
    path = long_wav.with_name("broken.wav")
    soundfile.write(path, volts, FS, subtype="FLOAT")
    return path


def test_undefined_samples_leave_the_same_gaps_in_parts(broken_wav: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole, report = read_recording(broken_wav)
    labels = (Label(1.0), Label(70.0), Label(119.0))
    for part_s, overlap_s in ((60.0, 0.0), (60.0, 5.0), (7.3, 1.0), (1000.0, 5.0)):
        monkeypatch.setattr(parts, "PART_S", part_s)
        found = FindingList()
        made = list(read_wav_parts(broken_wav, labels=labels, overlap_s=overlap_s, findings=found))
        check_parts(made, whole, labels)
        undefined = next(one for one in found if one.code == "undefined-samples")
        assert undefined == report.find("undefined-samples")


@pytest.mark.parametrize(("start_s", "stop_s"), [(0.0, 5.0), (3.99, 61.0), (114.9, 160.0), (170.0, np.inf)])
def test_a_span_with_undefined_samples_is_that_of_the_whole(broken_wav: Path, start_s: float, stop_s: float) -> None:
    labels = (Label(1.0), Label(60.0), Label(119.0))
    whole = replace(read_recording(broken_wav)[0], labels=labels)
    expected = whole[start_s : None if np.isinf(stop_s) else stop_s]
    span = read_wav_span(broken_wav, start_s, stop_s, labels=labels)
    assert "undefined-samples" in [finding.code for finding in span.findings]
    np.testing.assert_array_equal(span.samples, expected.samples)
    indices = np.arange(span.samples.size)
    np.testing.assert_allclose(
        span.start_s + span.times_s(indices), expected.start_s + expected.times_s(indices), atol=1e-9
    )
    np.testing.assert_allclose(span.taps_s, expected.taps_s, atol=1e-9)


def test_health_and_proposals_take_undefined_samples_as_gaps(broken_wav: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parts, "PART_S", 60.0)
    report = check_health_of_file(broken_wav).report
    assert {"undefined-samples", "beyond-full-scale"} <= set(report.codes())
    found: FindingList = FindingList()
    whole = [one for one in propose_onsets(read_recording(broken_wav)[0]) if one.confidence > 0.5]
    in_parts = [one for one in propose_in_file(broken_wav, findings=found) if one.confidence > 0.5]
    assert len(whole) >= 40
    np.testing.assert_allclose([one.onset_s for one in in_parts], [one.onset_s for one in whole], atol=1e-3)
    assert "undefined-samples" in [one.code for one in found]


@pytest.mark.parametrize("name", ["tap", "fixed-threshold", "sta-lta"])
def test_detection_in_blocks_starts_anew_after_undefined_samples(
    name: str, broken_wav: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(files, "BLOCK_SAMPLES", 1001)
    whole = detect(name, read_recording(broken_wav)[0])
    found = detect_wav(CATALOGUE[name], broken_wav)
    assert len(whole) > 30
    assert np.array_equal(found.onset_samples, whole.onset_samples)
    np.testing.assert_allclose(found.onset_s, whole.onset_s, atol=1e-9)


def test_a_file_without_any_defined_sample_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "none.wav"
    soundfile.write(path, np.full(4000, np.nan), FS, subtype="FLOAT")
    for work in (check_health_of_file, propose_in_file, lambda path: detect_wav(CATALOGUE["tap"], path)):
        with pytest.raises(RecordingError, match="every sample is nan or infinite"):
            work(path)


def test_health_of_a_corpus_reads_a_long_file_in_parts(
    long_wav: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(parts, "LARGE_SAMPLES", 100_000)
    monkeypatch.setattr(parts, "PART_S", 60.0)
    (long_wav.parent / "corpus.csv").write_text(
        "recording,channel,vehicle,position,scene,split,full_scale_v,fs_hz\nlong.wav,0,heron,frame,quiet,train,2.5,1000\n"
    )
    assert main(["health", str(long_wav.parent)]) in (0, 1)
    out = capsys.readouterr().out
    assert out.startswith("long frame: 180.0 s, 2000 Hz")
    assert "in 1 of 3 parts" in out
    assert "the header says 2000 Hz, not 1000 Hz" in out
