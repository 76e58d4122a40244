"""Several recordings at once: each row names its recording, and says what it says of that recording alone."""

import csv
import io
import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from tapsig.loading import write_labels, write_wav
from tapsig.records import Label
from tests.fakes import run

OPTIONS = {
    "detect": [],
    "propose": [],
    "entry": ["--code", "3-1-4"],
    "health": [],
    "ringdown": ["--detector", "ring-following"],
    "dead-time": ["--step-db", "6"],
    "causes": ["--errors", "--detector", "null"],
}


@pytest.fixture(scope="module")
def pair(first: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    """Two recordings with taps, with equal names in two folders; labels beside them."""
    folder = tmp_path_factory.mktemp("several")
    for name in ("a", "b"):
        (folder / name).mkdir()
        for ending in ("wav", "labels.csv"):
            shutil.copy(first / f"door.{ending}", folder / name)
    return str(folder / "a" / "door.wav"), str(folder / "b" / "door.wav")


def read_rows(capsys: pytest.CaptureFixture[str], *words: str) -> list[dict[str, str]]:
    _, out, _ = run(capsys, *words, "--channel", "1", "--format", "csv")
    return list(csv.DictReader(io.StringIO(out)))


@pytest.mark.parametrize("command", OPTIONS)
def test_the_rows_of_two_are_the_rows_of_each(
    command: str, pair: tuple[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    options = [*OPTIONS[command], "--from", "3", "--to", "14"]
    both = read_rows(capsys, command, *pair, *options)
    apart = [read_rows(capsys, command, path, *options) for path in pair]
    name = "map" if command == "dead-time" else "recording"
    for rows in (both, *apart):
        names = [row.pop(name, None) for row in rows]
        if rows is both:
            assert all(
                Path(str(said)).parts[-2:-1] == (folder,)
                for said, folder in zip(names, ["a"] * len(apart[0]) + ["b"] * len(apart[1]), strict=True)
            )
    assert both == apart[0] + apart[1]
    assert both


@pytest.mark.parametrize("command", OPTIONS)
def test_json_of_two_is_one_document(command: str, pair: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, command, *pair, *OPTIONS[command], "--format", "json")
    document = json.loads(out)
    assert document["rows"]
    if command == "detect":
        assert [one["recording"] for one in document["files"]] == list(pair)
    if command in ("detect", "propose", "entry", "health"):
        assert {Path(row["recording"].split(" channel")[0]).parts[-2] for row in document["rows"]} == {"a", "b"}


def test_entries_of_two_stand_under_their_names(pair: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "entry", *pair, "--channel", "1", "--code", "3-1-4", "--decoder", "rule")
    lines = out.splitlines()
    assert [line for line in lines if line.endswith(".wav")] == list(pair)
    assert out.count("accepted") == 2


def test_one_setting_is_tuned_on_the_taps_of_both(pair: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    words = ("--detector", "fixed-threshold", "--limit", "12")
    [row] = read_rows(capsys, "tune", *pair, *words)
    [alone] = read_rows(capsys, "tune", pair[0], *words)
    assert int(row["taps"]) == 2 * int(alone["taps"])


def test_health_compares_channels_of_one_file_and_not_those_of_two(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    noise = 0.01 * np.random.default_rng(0).standard_normal((2, 8000))
    write_wav(tmp_path / "same.wav", [noise[0], noise[0]], 2000.0, full_scale_v=1.0)
    write_wav(tmp_path / "other.wav", [noise[0], noise[1]], 2000.0, full_scale_v=1.0)
    (tmp_path / "broken.wav").write_bytes(b"RIFF")
    files = [str(tmp_path / name) for name in ("same.wav", "other.wav", "broken.wav")]
    code, out, err = run(capsys, "health", *files, "--format", "json")
    found = [(row["recording"], row["code"]) for row in json.loads(out)["rows"]]
    assert ("same channel 0", "channels-same") in found
    assert not any(name.startswith("other") and code == "channels-same" for name, code in found)
    assert ("broken", "unreadable") in found
    assert code == 1
    assert "5 checked" in err
    assert run(capsys, "health", files[2])[0] == 1  # alone, it is an error as always


def test_pictures_of_two_have_names_of_their_own(
    pair: tuple[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, _, _ = run(capsys, "detect", *pair, "--plot", str(tmp_path / "taps.png"))
    assert code == 0
    assert len(list(tmp_path.glob("taps-*a-door.wav.png")) + list(tmp_path.glob("taps-*b-door.wav.png"))) == 2


def test_each_of_two_has_a_report_of_its_own(
    pair: tuple[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["report", *pair, "--channel", "1", "--detector", "fixed-threshold", "--out", str(tmp_path / "page.html")]
    assert run(capsys, *words)[0] == 0
    pages = sorted(tmp_path.iterdir())
    assert [("-a-" in page.name, "-b-" in page.name) for page in pages] == [(True, False), (False, True)]
    for page, path in zip(pages, pair, strict=True):
        text = page.read_text(encoding="utf-8")
        assert f"tapsig report {path}" in text
        assert f"--out {page}" in text
    code, _, err = run(capsys, *words)
    assert code == 2  # before anything is computed: both are there
    assert "exists" in err


def test_a_recording_without_taps_is_left_out_and_named(
    pair: tuple[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_wav(tmp_path / "calm.wav", 0.01 * np.random.default_rng(0).standard_normal(8000), 2000.0, full_scale_v=1.0)
    write_labels(tmp_path / "calm.labels.csv", (Label(1.0, "slam"),))
    code, out, err = run(capsys, "ringdown", pair[0], str(tmp_path / "calm.wav"))
    assert code == 0
    assert "octave Hz" in out
    assert "left out: " in err
    assert "calm.wav" in err
