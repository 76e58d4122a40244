"""--from and --to: a part of a recording, with the times of the whole file."""

import csv
import io
import json
from pathlib import Path

import numpy as np
import pytest

from tapsig.cli import main
from tapsig.detectors import detect
from tapsig.loading import ReadOptions, load_recording, write_wav
from tapsig.loading.parts import read_wav_span
from tapsig.report.figures import plot_detections
from tests.fakes import DEMO, run

WAV = str(DEMO / "recordings" / "crane-quiet.wav")
LABELS = str(DEMO / "labels" / "crane-quiet.csv")


def run_rows(capsys: pytest.CaptureFixture[str], *words: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(run(capsys, *words, "--format", "csv")[1])))


def test_detect_prints_times_of_the_whole_file(capsys: pytest.CaptureFixture[str]) -> None:
    whole = run_rows(capsys, "detect", WAV, "--detector", "fixed-threshold")
    part = run_rows(capsys, "detect", WAV, "--detector", "fixed-threshold", "--from", "6", "--to", "12")
    expected = [row["onset_s"] for row in whole if 6.5 <= float(row["onset_s"]) < 12]  # the bias settles in 0.5 s
    assert expected
    assert [row["onset_s"] for row in part if float(row["onset_s"]) >= 6.5] == expected


@pytest.mark.parametrize("command", ["propose", "causes", "entry"])
def test_other_commands_print_times_of_the_whole_file(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    extra = {"causes": ("--labels", LABELS, "--detector", "random")}.get(command, ())
    rows = run_rows(capsys, command, WAV, *extra, "--from", "6", "--to", "12")
    times = [float(row.get("onset_s") or row["time_s"]) for row in rows]
    assert times
    assert all(6 <= time_s < 12 for time_s in times)


def test_health_says_where_in_the_whole_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    samples = 0.01 * np.random.default_rng(0).standard_normal(10_000)
    samples[7000:7050] = 1.0  # clipped at 7 s
    write_wav(tmp_path / "clipped.wav", samples, 1000.0, full_scale_v=1.0)
    _, out, _ = run(capsys, "health", tmp_path / "clipped.wav", "--from", 5, "--format", "json")
    rows = json.loads(out)["rows"]
    assert 7.0 in [round(row["first_s"], 2) for row in rows if row["first_s"] is not None]


def test_a_span_of_a_long_file_equals_the_part_of_the_whole() -> None:
    part, whole = read_wav_span(WAV, 3.0, 4.5, ReadOptions(channel=0)), load_recording(WAV, channel=0)[3.0:4.5]
    np.testing.assert_array_equal(part.samples, whole.samples)
    assert (part.start_s, part.fs, part.adc_bits) == (whole.start_s, whole.fs, whole.adc_bits)


def test_pictures_of_a_part_show_the_times_of_the_whole_file() -> None:
    part = load_recording(WAV, channel=2, labels=False)[6.0:12.0]
    ax = plot_detections(part, detect(part))
    assert ax.get_xlim() == (6.0, 12.0)
    times = ax.lines[0].get_xdata()
    assert (min(times), max(times)) == pytest.approx((6.0, 12.0), abs=1e-3)


def test_the_review_page_of_a_part_is_small_and_keeps_all_labels(tmp_path: Path) -> None:
    pages = [tmp_path / "whole.html", tmp_path / "part.html"]
    for page, words in zip(pages, ([], ["--from", "6", "--to", "8"]), strict=True):
        assert main(["review", WAV, "--labels", LABELS, "--out", str(page), *words]) == 0
    whole, part = (page.read_text(encoding="utf-8") for page in pages)
    assert len(part) < len(whole) / 2
    assert part.count('"onset_s"') == whole.count('"onset_s"')
    assert '"gaps": [[0, 6.0]]' in part  # time 0 of the page is that of the file


COMMANDS = {
    "detect": ("--detector", "fixed-threshold"),
    "health": (),
    "propose": (),
    "entry": ("--detector", "fixed-threshold"),
    "ringdown": ("--detector", "ring-following"),
    "dead-time": ("--labels", LABELS),
    "causes": ("--labels", LABELS, "--detector", "fixed-threshold"),
    "tune": ("--labels", LABELS, "--detector", "fixed-threshold", "--limit", "4"),
    "report": ("--labels", LABELS, "--detector", "fixed-threshold", "--out", "{folder}/report.html"),
    "review": ("--labels", LABELS, "--out", "{folder}/review.html"),
}


@pytest.mark.parametrize("command", COMMANDS)
def test_of_a_long_file_only_the_span_is_read(
    command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """With fewer samples than a file of hours, which is as long here as it is said to be."""
    monkeypatch.setattr("tapsig.loading.parts.LARGE_SAMPLES", 100_000)
    monkeypatch.setattr("tapsig.loading.recording.read_recording", None)  # which would read the whole
    words = [word.format(folder=tmp_path) for word in COMMANDS[command]]
    code, _, err = run(capsys, command, WAV, *words, "--channel", 0, "--from", 2, "--to", 14)
    assert code == 0, err


def test_a_page_of_hours_to_review_is_refused_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("tapsig.loading.parts.LARGE_SAMPLES", 100_000)
    for words, what in ((("review", "--out", "x.html"), "for one page"), (("health", "--plot", "x.png"), "to draw")):
        code, _, err = run(capsys, words[0], WAV, words[1], tmp_path / words[2])
        assert code == 2
        assert f"too long {what}; choose a part with --from and --to" in err
