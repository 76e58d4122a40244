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
from tapsig.testing import make_test_signal

FS = 8000.0
KNOCKS_S = (0.5, 0.68, 1.4, 1.51, 2.3, 2.45, 3.5)  # as `make_test_signal` tells


@pytest.fixture
def wav(tmp_path: Path) -> Path:
    path = tmp_path / "bench.wav"
    write_wav(path, make_test_signal(FS) - 2.5, FS, full_scale_v=2.5)
    return path


def call(*words: object) -> int:
    return main(["detect", *map(str, words)])


def test_it_prints_the_taps_and_says_how_many(wav: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call(wav, "--full-scale-v", 2.5, "--detector", "ring-following") == 0
    shown = capsys.readouterr()
    assert shown.out.splitlines()[0].split() == ["onset_s", "kind", "gap_s", "strength", "decided_after_ms"]
    assert f"{len(shown.out.splitlines()) - 2} taps in 4.0 s" in shown.err


def test_a_table_shows_times_to_a_tenth_of_a_millisecond_however_late(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "long.wav"
    samples = np.zeros(1_300_000)
    samples[[50_000, 1_234_567]] = 0.5
    write_wav(path, samples, 1000.0, full_scale_v=1.0)
    call(path, "--detector", "fixed-threshold")
    assert [line.split()[0] for line in capsys.readouterr().out.splitlines()[2:]] == ["50.0000", "1234.5670"]


def test_the_ending_of_the_file_tells_the_format(wav: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = (wav, "--full-scale-v", 2.5, "--detector", "fixed-threshold")
    for name in ("found.json", "found.csv", "found.txt"):
        assert call(*words, "--out", tmp_path / name) == 0
    count = len(json.loads((tmp_path / "found.json").read_text(encoding="utf-8"))["rows"])
    assert len(load_labels(tmp_path / "found.csv")) == count > 0
    assert (tmp_path / "found.txt").read_text(encoding="utf-8").startswith("onset_s  kind")
    capsys.readouterr()
    assert call("missing.wav", "--out", tmp_path / "found.csv") == 2  # before anything is read
    assert "found.csv exists already; add --force" in capsys.readouterr().err


def test_errors_name_options_and_not_arguments(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "log.csv").write_text("time,adc\n1,2\n2,3\n3,2\n")
    assert call(tmp_path / "log.csv") == 1
    assert "say --time-unit 'us', 'ms' or 's'" in capsys.readouterr().err


def test_csv_is_a_label_file(wav: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "found.csv"
    assert call(wav, "--full-scale-v", 2.5, "--detector", "ring-following", "--format", "csv", "--out", out) == 0
    labels = load_labels(out)
    expected = detect("ring-following", load_recording(wav, full_scale_v=2.5)).onset_samples / FS
    np.testing.assert_allclose([label.onset_s for label in labels], expected, atol=1e-5)  # written to 10 µs
    assert {round(label.onset_s, 1) for label in labels} <= {round(knock, 1) for knock in KNOCKS_S}
    assert {label.kind for label in labels} == {"tap"}


def test_json_tells_detector_parameters_and_rows(wav: Path, capsys: pytest.CaptureFixture[str]) -> None:
    call(wav, "--full-scale-v", 2.5, "--detector", "fixed-threshold", "--set", "threshold_v=0.25", "--format", "json")
    document = json.loads(capsys.readouterr().out)
    assert document["detector"] == "fixed-threshold"
    assert document["parameters"]["threshold_v"] == 0.25
    assert document["taps"] == len(document["rows"])
    assert document["fs_hz"] == FS
    assert document["span_s"] == 4.0


def test_a_higher_threshold_finds_less(wav: Path, capsys: pytest.CaptureFixture[str]) -> None:
    counts = []
    for threshold_v in (0.1, 0.6, 2.4):
        call(
            wav,
            "--full-scale-v",
            2.5,
            "--detector",
            "fixed-threshold",
            "--set",
            f"threshold_v={threshold_v}",
            "--format",
            "json",
        )
        counts.append(json.loads(capsys.readouterr().out)["taps"])
    assert counts[0] > counts[1] > counts[2] == 0


def test_rejected_candidates_come_with_their_reasons(wav: Path, capsys: pytest.CaptureFixture[str]) -> None:
    call(wav, "--full-scale-v", 2.5, "--detector", "innovation", "--rejected", "--format", "csv")
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    rejected = [row for row in rows if row["kind"] == "rejected"]
    assert rejected
    assert all(row["reason"] for row in rejected)
    assert not any(row["reason"] for row in rows if row["kind"] == "tap")


def test_a_long_file_is_read_in_blocks_with_the_same_result(
    wav: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    words = (wav, "--full-scale-v", 2.5, "--detector", "prominence", "--format", "csv")
    call(*words)
    whole = capsys.readouterr().out
    monkeypatch.setattr("tapsig.loading.parts.LARGE_SAMPLES", 1000)
    monkeypatch.setattr("tapsig.cli.detect.MOST_DRAWN", 1000)
    monkeypatch.setattr("tapsig.loading.recording.read_recording", None)  # must not be used
    call(*words)
    assert capsys.readouterr().out == whole
    assert len(whole.splitlines()) > 3
    assert call(*words, "--fs", FS) == 0
    assert capsys.readouterr().out == whole
    assert call(*words, "--fs", 4000) == 2
    assert f"--fs is 4000; {wav} has {FS:g} Hz" in capsys.readouterr().err
    assert call(*words, "--plot", wav.with_suffix(".png")) == 2
    assert "holds 32000 samples; up to 1000 can be drawn: choose a part with --from and --to" in capsys.readouterr().err


def test_a_figure_shows_the_waveform_and_what_was_found(wav: Path, capsys: pytest.CaptureFixture[str]) -> None:
    figure = wav.with_suffix(".svg")
    words = (wav, "--full-scale-v", 2.5, "--detector", "ring-following", "--plot", figure)
    assert call(*words) == 0
    drawn = figure.read_text(encoding="utf-8")
    assert "bench.wav · ring-following" in drawn
    assert "detected" in drawn
    assert "other labels" not in drawn  # there are none
    capsys.readouterr()
    assert call(*words) == 2
    assert "exists already" in capsys.readouterr().err


def test_the_detectors_are_listed_without_a_file(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as caught:
        call("--list")
    assert caught.value.code == 0
    shown = capsys.readouterr().out
    assert "fixed-threshold" in shown
    assert "threshold_v=" in shown


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--detector", "knock"), "there is no detector 'knock'"),
        (("--detector", "sta-lta", "--set", "gain=3"), "The parameters of sta-lta: sta_s"),
        (("--detector", "sta-lta", "--set", "on=0.1"), "on is 0.1"),
        (("--detector", "sta-lta", "--channel", 3), "channel is 3"),
    ],
)
def test_a_call_at_fault_ends_with_2_and_says_why(
    wav: Path, words: tuple[object, ...], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call(wav, *words) == 2
    assert says in capsys.readouterr().err


def test_a_missing_file_ends_with_1(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call(tmp_path / "none.wav", "--detector", "sta-lta") == 1
    assert "none.wav" in capsys.readouterr().err


def test_what_was_wrong_with_a_log_is_noted(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "log.csv"
    lines = [f"{i * 1000},{512 + (300 if i in (500, 501) else 0)}" for i in range(1000) if not 700 <= i < 760]
    path.write_text("us,adc\n" + "\n".join(lines) + "\n")
    code = call(path, "--adc-bits", 10, "--full-scale-v", 5, "--detector", "fixed-threshold", "--format", "csv")
    shown = capsys.readouterr()
    assert code == 0
    assert shown.out.splitlines()[1].startswith("0.5,tap")
    assert "gap" in shown.err
