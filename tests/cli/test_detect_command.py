"""`tapsig detect`: rows, labels, options, and what it says when the call is at fault."""

import csv
import io
import json
from pathlib import Path

import numpy as np
import pytest

from tapsig.cli import main
from tapsig.detectors import detect
from tapsig.loading import load_labels, load_recording, write_wav
from tests.fakes import run, write_log

FS = 8000.0  # of the fixture `wav`
KNOCKS_S = (0.5, 0.68, 1.4, 1.51, 2.3, 2.45, 3.5)  # as `make_test_signal` tells


def detect_with(
    capsys: pytest.CaptureFixture[str], wav: Path, detector: str, *words: object, code: int = 0
) -> tuple[str, str]:
    """What `tapsig detect` prints and notes about `wav` with this detector."""
    found, out, err = run(capsys, "detect", wav, "--full-scale-v", 2.5, "--detector", detector, *words)
    assert found == code, err
    return out, err


def test_it_prints_the_taps_and_says_how_many(wav: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out, err = detect_with(capsys, wav, "ring-following")
    assert out.splitlines()[0].split() == ["onset_s", "kind", "gap_s", "strength", "decided_after_ms"]
    assert f"{len(out.splitlines()) - 2} taps in 4.0 s" in err


def test_a_table_shows_times_to_a_tenth_of_a_millisecond_however_late(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    samples = np.zeros(1_300_000)
    samples[[50_000, 1_234_567]] = 0.5
    write_wav(tmp_path / "long.wav", samples, 1000.0, full_scale_v=1.0)
    _, out, _ = run(capsys, "detect", tmp_path / "long.wav", "--detector", "fixed-threshold")
    assert [line.split()[0] for line in out.splitlines()[2:]] == ["50.0000", "1234.5670"]


def test_the_ending_of_the_file_tells_the_format(wav: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("found.json", "found.csv", "found.txt"):
        detect_with(capsys, wav, "fixed-threshold", "--out", tmp_path / name)
    count = len(json.loads((tmp_path / "found.json").read_text(encoding="utf-8"))["rows"])
    assert len(load_labels(tmp_path / "found.csv")) == count > 0
    assert (tmp_path / "found.txt").read_text(encoding="utf-8").startswith("onset_s  kind")
    code, _, err = run(capsys, "detect", "missing.wav", "--out", tmp_path / "found.csv")
    assert code == 2  # before anything is read
    assert "found.csv exists already; add --force" in err


def test_csv_is_a_label_file(wav: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    detect_with(capsys, wav, "ring-following", "--out", tmp_path / "found.csv")
    labels = load_labels(tmp_path / "found.csv")
    expected = detect("ring-following", load_recording(wav, full_scale_v=2.5)).onset_samples / FS
    np.testing.assert_allclose([label.onset_s for label in labels], expected, atol=1e-5)  # written to 10 µs
    assert {round(label.onset_s, 1) for label in labels} <= {round(knock, 1) for knock in KNOCKS_S}
    assert {label.kind for label in labels} == {"tap"}


def test_json_tells_detector_parameters_and_rows_and_a_higher_threshold_finds_less(
    wav: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    counts = []
    for threshold_v in (0.1, 0.6, 2.4):
        setting = ("--set", f"threshold_v={threshold_v}")
        document = json.loads(detect_with(capsys, wav, "fixed-threshold", *setting, "--format", "json")[0])
        assert (document["detector"], document["fs_hz"], document["span_s"]) == ("fixed-threshold", FS, 4.0)
        assert document["parameters"]["threshold_v"] == threshold_v
        assert document["taps"] == len(document["rows"])
        counts.append(document["taps"])
    assert counts[0] > counts[1] > counts[2] == 0


def test_rejected_candidates_come_with_their_reasons(wav: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out, _ = detect_with(capsys, wav, "innovation", "--rejected", "--format", "csv")
    rows = list(csv.DictReader(io.StringIO(out)))
    rejected = [row for row in rows if row["kind"] == "rejected"]
    assert rejected
    assert all(row["reason"] for row in rejected)
    assert not any(row["reason"] for row in rows if row["kind"] == "tap")


def test_a_long_file_is_read_in_blocks_with_the_same_result(
    wav: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    words = (capsys, wav, "prominence", "--format", "csv")
    whole, _ = detect_with(*words)
    assert len(whole.splitlines()) > 3
    monkeypatch.setattr("tapsig.loading.parts.LARGE_SAMPLES", 1000)
    monkeypatch.setattr("tapsig.cli.detect.MOST_DRAWN", 1000)
    monkeypatch.setattr("tapsig.loading.recording.read_recording", None)  # must not be used
    assert detect_with(*words)[0] == detect_with(*words, "--fs", FS)[0] == whole
    assert f"--fs is 4000; {wav} has {FS:g} Hz" in detect_with(*words, "--fs", 4000, code=2)[1]
    _, err = detect_with(*words, "--plot", tmp_path / "x.png", code=2)
    assert "holds 32000 samples; up to 1000 can be drawn: choose a part with --from and --to" in err


def test_a_figure_shows_the_waveform_and_what_was_found(
    wav: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    figure = tmp_path / "bench.svg"
    detect_with(capsys, wav, "ring-following", "--plot", figure)
    drawn = figure.read_text(encoding="utf-8")
    assert "bench.wav · ring-following" in drawn
    assert "detected" in drawn
    assert "other labels" not in drawn  # there are none
    assert "exists already" in detect_with(capsys, wav, "ring-following", "--plot", figure, code=2)[1]


def test_the_detectors_are_listed_without_a_file(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as caught:
        main(["detect", "--list"])
    assert caught.value.code == 0
    shown = capsys.readouterr().out
    assert "fixed-threshold" in shown
    assert "threshold_v=" in shown


def test_a_file_at_fault_ends_with_1_and_names_options(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "none.wav" in detect_with(capsys, tmp_path / "none.wav", "sta-lta", code=1)[1]
    code, _, err = run(capsys, "detect", write_log(tmp_path, "time,adc\n1,2\n2,3\n3,2\n"))
    assert code == 1
    assert "say --time-unit 'us', 'ms' or 's'" in err


def test_what_was_wrong_with_a_log_is_noted(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = [f"{i * 1000},{512 + (300 if i in (500, 501) else 0)}" for i in range(1000) if not 700 <= i < 760]
    log = write_log(tmp_path, ["us,adc", *lines])
    words = ("--adc-bits", 10, "--full-scale-v", 5, "--detector", "fixed-threshold", "--format", "csv")
    code, out, err = run(capsys, "detect", log, *words)
    assert code == 0
    assert out.splitlines()[1].startswith("0.5,tap")
    assert "gap" in err
