"""Logs as loggers leave them: read, read with a named finding, or refused with what to do."""

import os
from pathlib import Path

import numpy as np
import pytest

import tapsig
from tapsig.errors import ParameterError, RecordingError
from tapsig.loading import ReadOptions, load_recording, logtext, read_recording, write_wav
from tapsig.loading.findings import ASSUMED
from tapsig.records import Gap
from tapsig.units import counts_to_volts
from tests.fakes import put, read_columns, read_log
from tests.loading.messy_logs import COUNTS, LOGS

VOLTS = counts_to_volts(COUNTS, (0.0, 5.0), 10)
MICROSECONDS = 1000 * np.arange(COUNTS.size)
READ = [name for name, log in LOGS.items() if log.refusal is None]
REFUSED = [name for name, log in LOGS.items() if log.refusal is not None]


def put_log(folder: Path, name: str) -> tuple[Path, dict]:
    path = put(folder / "log.csv", LOGS[name].content)
    return path, {"adc_bits": 10, "full_scale_v": 5.0, **LOGS[name].arguments}


@pytest.mark.parametrize("name", READ)
def test_log_gives_its_sound_samples_and_names_what_it_left_out(tmp_path: Path, name: str) -> None:
    log = LOGS[name]
    path, arguments = put_log(tmp_path, name)
    recording, report = read_recording(path, ReadOptions(**arguments))
    expected = VOLTS if log.kept is None else VOLTS[log.kept]
    if "lost-samples" in log.codes:  # single lines; a straight line stands for each
        assert log.kept is not None
        expected = np.interp(np.arange(log.kept[-1] + 1), log.kept, expected)
    np.testing.assert_allclose(recording.samples, expected, atol=1e-6)
    assert report.codes() == log.codes
    if log.line is not None:
        assert report.findings[0].line == log.line
    slow = name == "millisecond stamps at 8 kHz"
    assert recording.fs == pytest.approx(8000.0 if slow else 1000.0, rel=0.02 if slow else 0.006)


@pytest.mark.parametrize("name", READ)
def test_strict_refuses_every_finding_and_nothing_else(tmp_path: Path, name: str) -> None:
    path, arguments = put_log(tmp_path, name)
    faults = [code for code in LOGS[name].codes if code not in ASSUMED]
    if faults:
        with pytest.raises(RecordingError, match=faults[0]):
            load_recording(path, strict=True, **arguments)
    else:
        read_recording(path, ReadOptions(strict=True, **arguments))


@pytest.mark.parametrize("name", READ)
@pytest.mark.parametrize("block_bytes", [1 << 12, 5000])
def test_where_blocks_are_cut_changes_nothing(
    tmp_path: Path, name: str, block_bytes: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The head, by which the layout is found, is a block too: 4096 bytes hold it in every one of these logs."""
    path, arguments = put_log(tmp_path, name)
    recording, report = read_recording(path, ReadOptions(**arguments))
    monkeypatch.setattr(logtext, "BLOCK_BYTES", block_bytes)
    again, report_again = read_recording(path, ReadOptions(**arguments))
    np.testing.assert_array_equal(again.samples, recording.samples)
    assert again.gaps == recording.gaps
    assert report_again.findings == report.findings


@pytest.mark.parametrize("name", REFUSED)
def test_log_that_cannot_be_read_is_refused_with_the_next_step(tmp_path: Path, name: str) -> None:
    path, arguments = put_log(tmp_path, name)
    with pytest.raises(RecordingError, match=LOGS[name].refusal):
        load_recording(path, **arguments)


def test_second_channel_has_its_own_stamps_and_values(tmp_path: Path) -> None:
    path, arguments = put_log(tmp_path, "two channels with own stamps, first")
    recording = load_recording(path, **{**arguments, "channel": 1})
    np.testing.assert_array_equal(recording.samples, counts_to_volts(1023 - COUNTS, (0.0, 5.0), 10))
    with pytest.raises(ParameterError, match="channel is 2"):
        load_recording(path, **{**arguments, "channel": 2})


@pytest.mark.parametrize(("rest", "highest_share"), [(0, 0.6), (99, 0.05)])
def test_signed_counts_are_centred_on_no_volts(tmp_path: Path, rest: int, highest_share: float) -> None:
    """Two's complement of 10 bits, as outer converters give it: 1024 counts from rail to rail, 0 in the middle.

    Where the input rests above 0, the lowest swings alone are negative.
    """
    counts = COUNTS - 512 + rest
    assert 0 < np.count_nonzero(counts < 0) < highest_share * counts.size
    recording, report = read_columns(tmp_path, "us,adc", MICROSECONDS, counts)
    np.testing.assert_allclose(recording.samples, VOLTS - 2.5 + rest * 5 / 1024, atol=1e-9)
    assert recording.range_v == (-2.5, 2.5)
    assert report.codes() == ("signed-counts",)


def test_one_spoilt_line_among_signed_counts_costs_only_itself(tmp_path: Path) -> None:
    counts = COUNTS - 512
    counts[100] = 5000
    recording, report = read_columns(tmp_path, "us,adc", MICROSECONDS, counts)
    kept = np.delete(np.arange(VOLTS.size), 100)
    np.testing.assert_allclose(recording.samples, np.interp(np.arange(VOLTS.size), kept, VOLTS[kept] - 2.5), atol=1e-9)
    assert report.codes() == ("signed-counts", "out-of-range", "lost-samples")


def test_what_a_sound_log_does_not_say_is_no_fault(tmp_path: Path) -> None:
    """It is assumed with a finding, which `strict` lets pass."""
    lines = (f"-0,{512 + count}" for count in COUNTS)
    recording, report = read_log(tmp_path, lines, ReadOptions(fs=1000.0, strict=True))
    np.testing.assert_allclose(recording.samples[:2], [-0.1024, -float(f"0.{512 + COUNTS[1]}")])
    assert report.codes() == ("decimal-comma", "volts-assumed")


def test_days_between_two_stamps_are_a_gap(tmp_path: Path) -> None:
    stamps = [f"2024-02-{28 if i < 200 else 29}T12:00:00.{i:03}" for i in range(COUNTS.size)]
    recording, _ = read_columns(tmp_path, "timestamp,adc", stamps, COUNTS)
    assert [gap.sample for gap in recording.gaps] == [200]
    assert recording.gaps[0].duration_s == pytest.approx(86400.0, abs=1e-3)


def test_values_without_a_unit_are_volts_and_a_finding_says_so(tmp_path: Path) -> None:
    recording, report = read_columns(tmp_path, "us,value", MICROSECONDS, VOLTS.round(5), options=ReadOptions())
    np.testing.assert_allclose(recording.samples, VOLTS, atol=1e-5)
    assert report.codes() == ("volts-assumed",)


def test_faults_among_many_blocks_cost_only_their_own_lines(tmp_path: Path) -> None:
    """A log of several blocks that lacks 10 s, has two lines merged into one, and is cut in its last line."""
    index = np.arange(60_000)
    counts = 512 + index % 100
    lines = [f"{5_000_000 + 1000 * i},{count}" for i, count in zip(index, counts, strict=True)]
    lines[40_000:40_002] = [lines[40_000] + lines[40_001]]
    del lines[20_000:30_000]
    recording, report = read_log(tmp_path, "us,adc\n" + "\n".join(lines)[:-1])
    there = np.delete(index[:-1], slice(20_000, 30_000))
    kept = there[(there != 40_000) & (there != 40_001)]
    expected = np.interp(there, kept, counts[kept])
    np.testing.assert_allclose(recording.samples, counts_to_volts(expected, (0.0, 5.0), 10), atol=1e-12)
    assert {finding.code: finding.line for finding in report.findings} == {
        "malformed-line": 30_002,
        "lost-samples": 30_003,
        "cut-end": len(lines) + 1,
        "gap": 20_002,
    }
    assert recording.gaps == (Gap(20_000, pytest.approx(10.0, abs=1e-6)),)


def test_numbers_are_read_to_the_last_bit(tmp_path: Path) -> None:
    """Against Python's float, which rounds correctly."""
    rng = np.random.default_rng(0)
    texts = [
        f"{value:.{digits}f}" for value, digits in zip(rng.uniform(-3, 3, 3000), rng.integers(1, 17, 3000), strict=True)
    ]
    texts += ["1e-3", "-2.5E+1", "+0.5", ".25", "1.", "00012", "0.1234567890123456789", "123456789.0123456", "-0"]
    recording, report = read_log(tmp_path, ["volts", *texts], ReadOptions(fs=100.0))
    assert report.clean
    np.testing.assert_array_equal(recording.samples, [float(text) for text in texts])


def test_value_lines_lost_in_a_log_without_stamps_leave_a_gap_of_their_length(tmp_path: Path) -> None:
    lines = ["volts", *["0.5"] * 500, *["nan"] * 50, *["0.25"] * 500]
    recording, report = read_log(tmp_path, lines, ReadOptions(fs=1000.0))
    assert report.codes() == ("undefined-value", "gap")
    assert recording.gaps == (Gap(500, pytest.approx(0.05)),)
    assert recording.fs == pytest.approx(1000.0)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("missing.csv", "no such recording"),
        (".", "is a folder"),
        ("empty.csv", "is empty"),
        ("a\0b.csv", "cannot be|no such"),
    ],
)
def test_path_that_is_no_file_says_so(tmp_path: Path, name: str, words: str) -> None:
    (tmp_path / "empty.csv").touch()
    with pytest.raises(RecordingError, match=words):
        load_recording(tmp_path / name)


BAD_ARGUMENTS = {
    "channel": (-1, True, "x"),
    "fs": (0.0, float("nan"), "x"),
    "adc_bits": (0, 33, "x"),
    "full_scale_v": (-1.0, "x"),
    "time_unit": ("min", ["s"]),
    "labels": (1,),
}


@pytest.mark.parametrize("name", BAD_ARGUMENTS)
def test_argument_of_a_wrong_type_or_outside_its_range_is_refused_by_name(tmp_path: Path, name: str) -> None:
    path, arguments = put_log(tmp_path, "clean")
    for bad in BAD_ARGUMENTS[name]:
        with pytest.raises(ParameterError, match=name):
            load_recording(path, **{**arguments, name: bad})


def test_loading_warns_of_what_it_found_and_the_recording_keeps_it(tmp_path: Path) -> None:
    path, arguments = put_log(tmp_path, "a gap")
    with pytest.warns(tapsig.RecordingWarning, match=r"log\.csv: line 102: 0.1 s were not recorded.*\[gap\]"):
        recording = tapsig.load_recording(path, **arguments)
    assert [finding.code for finding in recording.findings] == ["gap"]
    path, arguments = put_log(tmp_path, "clean")
    assert tapsig.load_recording(path, **arguments).findings == ()  # a warning would fail the test


def test_a_name_that_is_not_utf8_is_read_and_can_be_printed(tmp_path: Path) -> None:
    for ending in (b".csv", b".wav"):
        path = Path(os.fsdecode(os.fsencode(tmp_path) + b"/quay-\xe4" + ending))
        if ending == b".csv":
            path.write_bytes(LOGS["clean"].content)
        else:
            write_wav(tmp_path / "x.wav", VOLTS, 1000, full_scale_v=5.0)
            (tmp_path / "x.wav").rename(path)
        recording = load_recording(path, adc_bits=10, full_scale_v=5.0)
        np.testing.assert_allclose(recording.samples, VOLTS, atol=1e-3)
        recording.source.encode("utf-8")
        assert recording.source.endswith(f"quay-\\xe4{ending.decode()}")
