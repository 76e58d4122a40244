"""Commands write only files, and only text that the terminal can take; run as a user runs them."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tapsig.cli import main
from tapsig.testing import make_test_signal

FS = 8000.0


def run(*words: object, shell: str = '"$@"', **environment: str) -> "subprocess.CompletedProcess[bytes]":
    """`tapsig` with these words in a process of its own; `shell` says where its streams go."""
    command = ["sh", "-c", shell, "sh", sys.executable, "-m", "tapsig", *map(os.fsencode, words)]
    return subprocess.run(command, capture_output=True, check=False, timeout=60, env={**os.environ, **environment})


def detect(wav: Path, *words: object) -> list[object]:
    return ["detect", wav, "--full-scale-v", "2.5", "--detector", "fixed-threshold", *words]


@pytest.mark.parametrize("what", ["fifo", "device", "folder"])
def test_out_with_force_never_replaces_what_is_no_regular_file(
    what: str, wav: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    place = tmp_path / "place.csv"
    if what == "fifo":
        os.mkfifo(place)
    elif what == "folder":
        place.mkdir()
    else:
        place.symlink_to("/dev/null")
    assert main(list(map(str, detect(wav, "--out", place, "--force")))) == 2
    assert "folder" if what == "folder" else "not a regular file" in capsys.readouterr().err
    assert not place.is_file()
    assert place.is_symlink() == (what == "device")


@pytest.mark.parametrize("option", ["--out", "--plot"])
def test_out_through_a_link_writes_what_the_link_points_to(option: str, wav: Path, tmp_path: Path) -> None:
    ending = "txt" if option == "--out" else "svg"
    real, link = tmp_path / f"real.{ending}", tmp_path / f"link.{ending}"
    real.write_text("old")
    link.symlink_to(real)
    assert main(list(map(str, detect(wav, option, link, "--force")))) == 0
    assert link.is_symlink()
    assert real.read_text() != "old"


def test_out_is_never_what_is_read(tmp_path: Path, wav: Path, capsys: pytest.CaptureFixture[str]) -> None:
    copy, link = tmp_path / "copy.wav", tmp_path / "link.wav"
    copy.write_bytes(wav.read_bytes())
    link.symlink_to(copy)
    for place in (copy, link):
        assert main(list(map(str, detect(copy, "--out", place, "--force")))) == 2
        assert "is an input of the command" in capsys.readouterr().err
    assert copy.read_bytes() == wav.read_bytes()
    manifest = tmp_path / "corpus.csv"
    manifest.write_text("recording\ncopy.wav\n")
    assert main(["health", str(tmp_path), "--out", str(manifest), "--force"]) == 2
    assert manifest.read_text() == "recording\ncopy.wav\n"


@pytest.mark.parametrize(
    "words",
    [
        ["detect", "--list"],
        ["health", "{wav}"],
        ["causes", "--rules"],
        ["risk", "--help"],
        ["agree", "{labels}", "{labels}"],
    ],
)
def test_a_terminal_that_knows_only_ascii_gets_ascii(words: list[str], wav: Path, tmp_path: Path) -> None:
    labels = tmp_path / "labels.csv"
    labels.write_text("onset_s\n1\n")
    done = run(*(word.format(wav=wav, labels=labels) for word in words), PYTHONIOENCODING="ascii")
    assert b"Traceback" not in done.stderr
    assert done.returncode == 0
    assert done.stdout.isascii()


def test_a_closed_stdout_is_said_in_a_sentence_and_a_closed_stderr_is_no_fault(wav: Path, tmp_path: Path) -> None:
    done = run(*detect(wav), shell='"$@" >&-')
    assert done.returncode == 2
    assert b"standard output is closed" in done.stderr.splitlines()[-1]
    assert b"Traceback" not in done.stderr
    assert run(*detect(wav, "--out", tmp_path / "taps.csv"), shell='"$@" >&-').returncode == 0
    quiet = run(*detect(wav, "--format", "csv"), shell='"$@" 2>&-')
    assert quiet.returncode == 0
    assert quiet.stdout == (tmp_path / "taps.csv").read_bytes()  # no note in between


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no device that is always full")
def test_a_full_disk_behind_stdout_is_said_in_a_sentence(wav: Path) -> None:
    done = run(*detect(wav), shell='"$@" >/dev/full')
    assert done.returncode == 1
    assert b"No space left" in done.stderr
    assert b"Traceback" not in done.stderr
    assert b"Exception ignored" not in done.stderr


def test_a_reader_that_goes_away_is_no_fault(wav: Path) -> None:
    for words in (["detect", "--list"], detect(wav)):
        done = run(*words, shell='"$@" | true')
        assert done.stderr.count(b"Traceback") == 0


def test_a_name_that_is_not_utf_8_is_shown_escaped(tmp_path: Path) -> None:
    odd = Path(os.fsdecode(os.fsencode(tmp_path) + b"/qu\xe4y.csv"))
    signal = make_test_signal(FS)
    odd.write_text("time_s,volts\n" + "".join(f"{n / FS:.6f},{volts:.4f}\n" for n, volts in enumerate(signal)))
    for format_ in ("table", "csv", "json"):
        out = tmp_path / f"out.{format_.replace('table', 'txt')}"
        shown = run("health", odd, "--format", format_)
        assert run("health", odd, "--format", format_, "--out", out).returncode == shown.returncode == 0
        assert shown.stdout.decode("utf-8") == out.read_text("utf-8")
        assert format_ == "csv" or "e4y" in out.read_text("utf-8")  # CSV has a row for each finding, and there is none
    pictures = run("detect", odd, "--detector", "fixed-threshold", "--plot", tmp_path / "plot.png")
    assert pictures.returncode == 0, pictures.stderr
    page = run("review", odd, "--out", tmp_path / "page.html")
    assert page.returncode == 0, page.stderr


@pytest.mark.parametrize("format_", ["table", "csv", "json"])
def test_control_characters_of_a_manifest_do_not_reach_the_terminal(
    format_: str, wav: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "bench.wav").write_bytes(wav.read_bytes())
    (tmp_path / "labels.csv").write_text("onset_s\n0.5\n1.4\n")
    (tmp_path / "corpus.csv").write_text(
        "recording,labels,position,scene,full_scale_v\nbench.wav,labels.csv,fra\x1b[2Jme\x9b2J,qui\x07et,2.5\n"
    )
    corpus = str(tmp_path)
    for words in (
        ["health", corpus],
        ["score", corpus, "--detector", "fixed-threshold"],
        ["dead-time", corpus],
        ["ringdown", corpus],
        ["causes", corpus, "--detector", "fixed-threshold"],
        ["health", corpus, "--position", "none"],
    ):
        main([*words, "--format", format_])
        shown = capsys.readouterr()
        for text in (shown.out, shown.err):
            assert not set(text) & {"\x1b", "\x9b", "\x07"}


@pytest.mark.parametrize("kind", ["device", "fifo"])
def test_a_detector_file_that_is_no_file_is_refused_at_once(kind: str, wav: Path, tmp_path: Path) -> None:
    detector = tmp_path / "own.json"
    if kind == "device":
        detector.symlink_to("/dev/zero")
    else:
        os.mkfifo(detector)
    done = run("detect", wav, "--detector", detector)
    assert done.returncode == 2
    assert b"not a regular file" in done.stderr
    assert done.stderr.count(b"\n") == 1
