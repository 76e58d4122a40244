"""health, ringdown, dead-time and causes on files and on a corpus, with their figures, formats and refusals."""

import csv
import io
import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from tapsig.cli import main
from tapsig.loading import read_wav_info, write_labels, write_wav
from tapsig.records import Label
from tests.fakes import ring_down, run

FS = 2000
TAPS = (0.5, 0.9, 1.7, 2.4)


def ring(t60_s: float, seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    time_s = np.arange(int(3.5 * FS)) / FS
    samples = 0.003 * rng.standard_normal(time_s.size)
    for tap in TAPS:
        samples += 0.6 * ring_down(time_s, tap, 140.0, t60_s)
    return samples


@pytest.fixture(scope="module")
def corpus(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two channels: a skin that rings for 1.5 s, a frame that rings for 0.15 s. alone.wav is in no manifest."""
    folder = tmp_path_factory.mktemp("corpus")
    for name in ("heron-quiet.wav", "alone.wav"):
        write_wav(folder / name, [ring(1.5), ring(0.15, 1)], FS, full_scale_v=2.5)
    write_labels(folder / "taps.csv", tuple(map(Label, TAPS)))
    rows = ["recording,channel,labels,vehicle,position,scene,split,fs_hz,full_scale_v,adc_bits,duration_s,seed"]
    rows += [
        f"heron-quiet.wav,{k},taps.csv,heron,{name},quiet,train,{FS},2.5,16,3.5,"
        for k, name in enumerate(("inner-skin", "frame"))
    ]
    (folder / "corpus.csv").write_text("\n".join(rows) + "\n")
    return folder


def test_health_is_quiet_on_sound_channels(corpus: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, "health", corpus / "heron-quiet.wav", "--full-scale-v", 2.5)
    assert code == 0
    assert len(out.splitlines()) == 2
    assert "2 checked: 0 with warnings, 0 with errors" in err
    code, out, _ = run(capsys, "health", corpus, "--position", "frame", "--format", "json")
    assert (code, json.loads(out)["rows"]) == (0, [])


def test_health_looks_at_all_channels_of_a_wav_file_of_any_name(
    corpus: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copy(corpus / "heron-quiet.wav", tmp_path / "heron")
    code, out, _ = run(capsys, "health", tmp_path / "heron", "--full-scale-v", 2.5)
    assert (code, out.count("heron channel ")) == (0, read_wav_info(tmp_path / "heron").channels)


def test_health_names_faults_with_exit_code_1(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "one.wav"
    write_wav(path, [np.clip(ring(0.3) * 6, -1, 1), np.zeros(7000)], FS, full_scale_v=1.0)
    code, out, _ = run(capsys, "health", path, "--format", "json", "--plot", tmp_path / "h.png")
    rows = json.loads(out)["rows"]
    assert code == 1
    assert {"clipped", "constant", "channel-silent"} <= {row["code"] for row in rows}
    assert all(row["advice"] for row in rows)
    assert sorted(figure.name for figure in tmp_path.glob("*.png")) == ["h-one-channel-0.png", "h-one-channel-1.png"]
    code, out, _ = run(capsys, "health", path, "--channel", 1)
    assert code == 1
    assert "error: every sample is 0 V" in out


def test_ringdown_tells_the_skin_from_the_frame(
    corpus: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = run(capsys, "ringdown", corpus, "--format", "json")
    results = json.loads(out)["results"]
    assert code == 0
    assert results["heron-quiet inner-skin"]["t60_s"] == pytest.approx(1.5, rel=0.05)
    assert results["heron-quiet frame"]["t60_s"] == pytest.approx(0.15, rel=0.05)
    words = ("--labels", corpus / "taps.csv", "--plot", tmp_path / "r.png", "--spectrogram", tmp_path / "s.svg")
    code, out, _ = run(capsys, "ringdown", corpus / "heron-quiet.wav", *words)
    assert code == 0
    assert "T60 s" in out
    assert "octave Hz" in out
    assert (tmp_path / "r.png").stat().st_size > 10_000
    assert "140 Hz" in (tmp_path / "s.svg").read_text()


def test_ringdown_takes_taps_from_a_detector_or_the_labels_of_a_manifest(
    corpus: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(capsys, "ringdown", corpus / "heron-quiet.wav", "--channel", 1)[0] == 0
    path = corpus / "alone.wav"
    code, out, _ = run(capsys, "ringdown", path, "--channel", 1, "--detector", "fixed-threshold", "--format", "csv")
    rows = list(csv.DictReader(io.StringIO(out)))
    assert code == 0
    assert float(rows[0]["frequency_hz"]) == pytest.approx(140, abs=0.7)
    code, _, err = run(capsys, "ringdown", path)
    assert code == 1
    assert "no taps" in err


def test_dead_time_room_is_wide_on_the_frame(corpus: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(
        capsys, "dead-time", corpus, "--format", "json", "--plot", tmp_path / "d.png", "--waveform", tmp_path / "w.png"
    )
    rooms = {row["recording"]: row["operating_area_db_ms"] for row in json.loads(out)["rows"]}
    assert code == 0
    assert rooms["heron-quiet frame"] > 3 * rooms["heron-quiet inner-skin"]
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "d-heron-quiet-frame.png",
        "d-heron-quiet-inner-skin.png",
        "w-heron-quiet-frame.png",
        "w-heron-quiet-inner-skin.png",
    ]
    _, out, _ = run(capsys, "dead-time", corpus, "--by", "all", "--format", "csv")
    cells = list(csv.DictReader(io.StringIO(out)))
    assert {cell["map"] for cell in cells} == {"all"}
    assert len(cells) == 61 * 77


def test_causes_count_and_list_the_same_errors(
    corpus: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = run(capsys, "causes", corpus, "--detector", "fixed-threshold", "--plot", tmp_path / "c.png")
    assert code == 0
    assert "ring-down" in out
    assert "8 of 8 taps found" in err
    assert "in 2 channels of 1 recording" in err
    _, listed, _ = run(capsys, "causes", corpus, "--detector", "fixed-threshold", "--format", "csv")
    errors = list(csv.DictReader(io.StringIO(listed)))
    _, out, _ = run(capsys, "causes", corpus, "--detector", "fixed-threshold", "--format", "json", "--by", "both")
    document = json.loads(out)
    rows = document["rows"]
    assert sum(row["count"] for row in rows) == len(errors) > 0
    assert document["first_taps_found"] == document["first_taps"] > 0  # all taps were found
    assert {error["position"] for error in errors} == {"inner-skin"}
    assert (tmp_path / "c.png").exists()


def test_causes_by_both_are_rows_so_that_the_table_fits_a_terminal_and_of_one_recording_they_have_no_position(
    corpus: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ("--detector", "fixed-threshold")
    _, out, _ = run(capsys, "causes", corpus, *words, "--by", "both")
    header, _, *lines = out.splitlines()
    assert header.split() == ["error", "cause", "position", "scene", "count"]
    assert all("inner-skin  quiet" in line for line in lines)
    _, out, err = run(capsys, "causes", corpus / "heron-quiet.wav", "--labels", corpus / "taps.csv", *words)
    assert out.splitlines()[0].split() == ["error", "cause", "all"]
    assert err.endswith("in 1 recording\n")


def test_causes_draw_features_of_a_detector_that_has_them(
    corpus: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, _, _ = run(capsys, "causes", corpus, "--detector", "innovation", "--features", tmp_path / "f.svg")
    assert code == 0
    drawn = (tmp_path / "f.svg").read_text()
    assert "peak of the prediction error" in drawn
    assert "innovation_" not in drawn
    code, out, err = run(capsys, "causes", corpus, "--detector", "fixed-threshold", "--features", tmp_path / "g.png")
    assert (code, out) == (2, "")  # told before anything is shown
    assert "no features" in err


def test_rules_are_printed_without_a_file(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        main(["causes", "--rules"])
    assert stop.value.code == 0
    out = capsys.readouterr().out
    assert "`unexplained`" in out
    assert "neighbours: busy" in out


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("dead-time", "{}/alone.wav"), "needs labels"),
        (("causes", "{}/alone.wav"), "needs labels"),
        (("causes", "{}/alone.wav", "--features", "a.png"), "needs labels"),
        (("health", "{}/none.wav"), "none.wav"),
        (("detect", "{}/alone.wav", "--from", "500"), "it lasts 3.5"),
    ],
)
def test_files_at_fault_are_named(
    corpus: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], message: str
) -> None:
    code, _, err = run(capsys, *(word.format(corpus) for word in words))
    assert (code, message in err) == (1, True), err
