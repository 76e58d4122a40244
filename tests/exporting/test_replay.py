"""The replay program reads a log as a person would, or says which line it cannot read."""

from pathlib import Path

import numpy as np
import pytest

from compiling import SANITIZE, compile_package, run_on_text
from tapsig.converter import Converter
from tapsig.detectors import CATALOGUE
from tapsig.exporting import prepare, render_package

COUNTS = [512] * 50 + [900, 100] * 3 + [512] * 50
READ = {
    "alone": "{c}",
    "comma": "{i},{c}",
    "semicolon": "{i};{c}",
    "tab": "{i}\t{c}",
    "blanks": "  {i}   {c}  ",
    "quotes": '"{i}","{c}"',
    "last cell empty": "{i},{c},",
    "carriage returns": "{i},{c}\r",
    "clock": "12:00:07 -> {c}",
    "date": "2026-01-02T03:04:05Z,{c}",
    "words": "t={i} adc:{c}",
    "other columns": "7,{i},0.5,{c}",
    "decimal comma before": "{i},5;{c}",
}
REFUSED = {
    "volts": "2.5123",
    "whole volts": "{c}.0",
    "decimal comma": "{i};2,51",
    "negative": "{i},-{c}",
    "over": "{i},1024",
    "long": "{i},99999999999999999999",
    "exponent": "{i},5e2",
    "a clock": "12:00:07",
    "a date": "02-01-2026",
    "unit": "{i},{c} mV",
    "one line without end": "1," * 1000,
}


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    files = render_package(prepare(CATALOGUE["fixed-threshold"], 2000.0, Converter((-2.5, 2.5), 10)))
    return compile_package(files, tmp_path_factory.mktemp("replay"), compiler="gcc", flags=("-O1", *SANITIZE))


def lay_out(pattern: str, *, header: str = "") -> str:
    return header + "".join(pattern.format(i=i, c=count) + "\n" for i, count in enumerate(COUNTS))


@pytest.mark.parametrize("header", ["", "# fs: 2000\n\ntime_ms,adc0\n"], ids=["", "header"])
@pytest.mark.parametrize("name", READ)
def test_the_last_number_of_a_line_is_the_count(name: str, header: str, program: Path) -> None:
    code, events, told = run_on_text(program, lay_out(READ[name], header=header))
    assert (code, told) == (0, "replay: 106 samples, 0.053 s\n")
    assert events == "event,sample,onset_sample\ntap,50,50\n"


@pytest.mark.parametrize("name", REFUSED)
def test_a_line_without_a_count_is_named(name: str, program: Path) -> None:
    code, _, told = run_on_text(program, lay_out(REFUSED[name]))
    assert code == 1
    assert "line 1: " in told or "holds no count" in told
    code, _, told = run_on_text(program, lay_out("{c}") + REFUSED[name].format(i=0, c=512) + "\n")
    assert code == 1
    assert "line 107: " in told


@pytest.mark.parametrize("text", ["", "\n\n", "time,adc\n", "# nothing\n"])
def test_a_log_without_counts_is_a_failure(text: str, program: Path) -> None:
    code, events, told = run_on_text(program, text)
    assert (code, events) == (1, "event,sample,onset_sample\n")
    assert told.endswith("log.csv holds no count\n")


def test_other_encodings_are_refused(program: Path) -> None:
    code, _, told = run_on_text(program, lay_out("{c}").encode("utf-16"))
    assert code == 1
    assert "line 1: too long, or not plain text" in told


@pytest.mark.parametrize("content", [b"0,512\n1,513\n", np.array([512, 1024], "<u2").tobytes(), b"\x00\x02\x00"])
def test_raw_counts_of_another_kind_are_refused(content: bytes, program: Path) -> None:
    code, _, told = run_on_text(program, content, "--raw")
    assert code == 1
    assert "no 16-bit count of this converter" in told


def test_a_log_without_probes_cannot_be_checked(program: Path) -> None:
    code, _, told = run_on_text(program, lay_out("{i};{c}"), "--check")
    assert code == 1
    assert "line 1: it must be probe,count" in told
