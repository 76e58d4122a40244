"""`tapsig detect -`: what comes through a pipe gives the taps of the file, each as it is decided."""

import io
import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tapsig.cli.live import Meter, TextLines
from tapsig.converter import Converter
from tapsig.detectors import detect
from tapsig.detectors.tap import Tap
from tapsig.loading import load_labels, load_recording
from tapsig.testing import make_test_signal
from tests.fakes import run

FS = 8000.0


class Pipe:
    """A standard input that hands out its bytes in small pieces, as a pipe does."""

    def __init__(self, data: bytes, piece: int) -> None:
        self.buffer, self._file, self._piece = self, io.BytesIO(data), piece

    def read1(self, size: int) -> bytes:
        return self._file.read(min(size, self._piece))


Call = Callable[..., tuple[int, str, str]]


@pytest.fixture
def pipe(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Call:
    """Calls `tapsig detect -` with bytes at its standard input; returns what `run` does."""

    def call(data: bytes, *words: object, piece: int = 999) -> tuple[int, str, str]:
        monkeypatch.setattr("sys.stdin", Pipe(data, piece))
        return run(capsys, "detect", "-", *words)

    return call


def read_events(text: str) -> list[float]:
    return [json.loads(line)["onset_s"] for line in text.splitlines()]


def raw_samples(wav: Path) -> bytes:
    return wav.read_bytes()[44:]  # after the header of a plain PCM file (RIFF, Multimedia Programming Interface 1.0)


@pytest.mark.parametrize("piece", [1, 999, 65536])
def test_raw_samples_give_the_taps_of_the_file(wav: Path, pipe: Call, piece: int) -> None:
    data = raw_samples(wav)[: 2 * 8000] if piece == 1 else raw_samples(wav)
    options = ("--stdin", "s16le", "--fs", FS, "--full-scale-v", 2.5, "--events", "jsonl")
    code, out, _ = pipe(data, *options, piece=piece)
    expected = detect(load_recording(wav, full_scale_v=2.5)[: len(data) / 2 / FS])
    assert code == 0
    assert read_events(out) == pytest.approx(expected.onset_s.tolist(), abs=1e-5)


def test_counts_in_text_give_the_taps_of_their_volts(pipe: Call) -> None:
    converter = Converter((0.0, 5.0), 10)
    counts = converter.to_counts(np.clip(make_test_signal(FS), 0, 5))
    text = "".join(f"{k},{count}\r\n" for k, count in enumerate(counts)).encode()  # a time, then the count
    _, out, _ = pipe(text, "--fs", FS, "--adc-bits", 10, "--full-scale-v", 5, "--events", "jsonl")
    running = Tap().build(FS, converter=converter)
    parts = [running.push(converter.to_volts(counts)), running.flush()]
    expected = np.concatenate([part.onset_s for part in parts])
    assert expected.size > 3
    assert read_events(out) == pytest.approx(expected.tolist(), abs=1e-5)


def test_a_tap_is_printed_before_the_input_ends(wav: Path) -> None:
    words = [sys.executable, "-m", "tapsig", "detect", "-", "--stdin", "s16le", "--fs", "8000", "--full-scale-v", "2.5"]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write(raw_samples(wav)[: 2 * 8000])  # the first second holds a knock at 0.5 s
        process.stdin.flush()
        header, first = process.stdout.readline(), process.stdout.readline()  # waits here if it were kept back
        process.stdin.close()
        process.wait()
    assert header.split()[0] == b"onset_s"
    assert float(first.split()[0]) == pytest.approx(0.5, abs=0.01)


def test_csv_from_a_pipe_is_a_label_file(wav: Path, tmp_path: Path, pipe: Call) -> None:
    words = ("--stdin", "s16le", "--fs", FS, "--full-scale-v", 2.5, "--format", "csv")
    (tmp_path / "found.csv").write_text(pipe(raw_samples(wav), *words)[1])
    assert len(load_labels(tmp_path / "found.csv")) == len(detect(load_recording(wav, full_scale_v=2.5)))


@pytest.mark.parametrize(
    ("data", "words", "message"),
    [
        (b"", (), "--fs is missing"),
        (b"1024\n", ("--fs", 1000, "--adc-bits", 10), "whole numbers from 0 to 1023"),
        (b"0.1\n", ("--fs", 1000, "--out", "x.csv"), "--out does not go with standard input"),
        (b"0.1\n", ("--fs", 1000, "--from", 1), "--from does not go with standard input"),
        (b"0.1\n", ("door.wav", "--fs", 1000), "give it alone"),
        (b"0.1\n", ("--fs", 1000, "--full-scale-v", 5), "--full-scale-v goes with counts"),
        (b"0.1\n", ("--fs", 1000, "--detector", "spectral-flux"), "decides at the end"),
        (b"x" * 20_000, ("--fs", 1000), "--stdin s16le"),
        (b"0.1\n0,512\n", ("--fs", 1000), "line 2: '0,512' may be one number with a decimal comma"),
        (b"t;volts\n0,5;2,512\n", ("--fs", 1000), "line 2: '0,5;2,512' may be one number with a decimal comma"),
        (b"513\n" * 100, ("--fs", 1000), "standard input holds whole numbers, such as 513; counts need --adc-bits"),
        (("513\n" * 100).encode("utf-16"), ("--fs", 1000, "--adc-bits", 10), "send a number a line in UTF-8"),
        (b"512mV\nch1\n", ("--fs", 1000), "2 of 2 lines hold no number alone, the first is line 1, '512mV'"),
        (b"RIFF\x24\0\0\0WAVE", ("--fs", 1000, "--stdin", "s16le"), "is a WAV file"),
        (
            b"5000\n6\n7000\n",
            ("--fs", FS, "--adc-bits", 10),
            "holds 5000 and other numbers (2 of 3) that are no counts",
        ),
    ],
)
def test_a_wrong_call_is_refused_with_the_remedy(
    data: bytes, words: tuple[object, ...], message: str, pipe: Call
) -> None:
    code, _, err = pipe(data, *words)
    assert code == 2
    assert message in err


@pytest.mark.parametrize(
    ("data", "words", "message"),
    [
        (b"0.1\nready\n0.2\n\nnan\n", (), "2 lines without a number were skipped, the first is line 2"),
        (b"\0\0\0", ("--stdin", "s16le"), "half a sample"),
        (
            b"".join(b"adc:%d high:1023\n" % (512 + k % 5) for k in range(200)),
            ("--adc-bits", 10, "--full-scale-v", 5),
            "every line gives 1023; of several numbers in a line the last is taken",
        ),
    ],
)
def test_what_is_odd_about_the_input_is_said(data: bytes, words: tuple[object, ...], message: str, pipe: Call) -> None:
    code, _, err = pipe(data, "--fs", 1000, *words)
    assert code == 0
    assert message in err


def test_a_number_in_text_stands_alone() -> None:
    """A name such as ch1 holds none; 0x1FF is 511, as in C."""
    lines = TextLines(None)
    assert [*lines.push(b"0.5 ch1\n0x1FF\na0:-.25\nt=7 v=2e-1\n")] == [0.5, 511.0, -0.25, 0.2]


def test_a_number_cut_by_the_pipe_is_put_together() -> None:
    lines = TextLines(None)
    assert [*lines.push(b"1.2"), *lines.push(b"5\n-3e"), *lines.push(b"-1\n"), *lines.finish()] == [1.25, -0.3]


def test_the_meter_shows_the_level_on_a_terminal_only(monkeypatch: pytest.MonkeyPatch) -> None:
    sine = np.sin(2 * np.pi * 50 * np.arange(1000) / 1000.0)
    for terminal in (True, False):
        shown = io.StringIO()
        monkeypatch.setattr(shown, "isatty", lambda terminal=terminal: terminal, raising=False)
        monkeypatch.setattr("sys.stderr", shown)
        Meter(1000.0, 2.0).push(sine, 3)
        assert ("-6.0 dB" in shown.getvalue()) is terminal  # amplitude 1 of 2 V: 20 lg(1/2) = -6.02 dB


@pytest.mark.parametrize("garbled", [b"5125", b"-3", b"12.5"])
def test_a_line_that_is_no_count_is_skipped_and_counted(garbled: bytes, pipe: Call) -> None:
    """Counts of 10 bits are 0 to 1023: the taps before and after such a line are those of the counts alone."""
    counts = Converter((0.0, 5.0), 10).to_counts(np.clip(make_test_signal(FS), 0, 5))
    lines = [str(count).encode() for count in counts]
    options = ("--fs", FS, "--adc-bits", 10, "--full-scale-v", 5, "--events", "jsonl")
    expected = read_events(pipe(b"\n".join(lines) + b"\n", *options)[1])
    lines.insert(9000, garbled)
    code, out, err = pipe(b"\n".join(lines) + b"\n", *options)
    assert code == 0
    assert len(expected) > 3
    assert read_events(out) == expected
    assert "1 lines without a count were skipped, the first is line 9001" in err
