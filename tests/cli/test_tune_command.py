"""`tapsig tune`: what it prints can be pasted and does what the table says; it says when nothing serves."""

import csv
import io
import json
import re
import shlex
from pathlib import Path

import numpy as np
import pytest

from tapsig.loading import load_labels
from tapsig.scoring.matching import match_onsets
from tests.fakes import DEMO, run

WAV, LABELS = DEMO / "recordings" / "crane-quiet.wav", DEMO / "labels" / "crane-quiet.csv"
CALL = ["tune", WAV, "--full-scale-v", 2.5, "--adc-bits", 10, "--labels", LABELS]


def test_the_command_to_paste_gives_the_taps_of_the_table(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, *CALL, "--detector", "prominence", "--limit", 20, "--format", "json")
    [row] = json.loads(out)["rows"]
    assert row["serves"] is True
    words = shlex.split(row["paste"])
    assert words[0] == "tapsig"
    _, out, _ = run(capsys, *words[1:], "--format", "csv")
    found = [float(line["onset_s"]) for line in csv.DictReader(io.StringIO(out))]
    taps = np.array([label.onset_s for label in load_labels(LABELS) if label.kind == "tap"])
    matching = match_onsets(taps, np.array(found), window_s=0.05)
    assert (len(matching.missed), len(matching.spurious)) == (row["missed"], row["false"])


def test_the_lines_for_a_sketch_hold_the_threshold_in_counts(capsys: pytest.CaptureFixture[str]) -> None:
    _, table, _ = run(capsys, *CALL, "--detector", "fixed-threshold")
    [(counts, volts)] = re.findall(r"THRESHOLD = (\d+);  // counts from rest: ([\d.]+) V at 10 bits", table)
    assert float(volts) / (5.0 / 1024) == pytest.approx(int(counts), abs=0.5)  # ±2.5 V in 10 bits
    assert re.search(r"DEAD_TIME_MS = \d+;", table)


def test_where_no_setting_serves_the_reason_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    choice = ["--vehicle", "badger", "--scene", "driving"]
    code, text, _ = run(capsys, "tune", DEMO, *choice, "--detector", "fixed-threshold")
    assert code == 0
    assert "No setting of these detectors reaches a held-out F1 of 0.9" in text
    assert re.search(r"does not serve: \d+ of its \d+ errors are (false|missed), by ", text)


def test_csv_has_a_row_for_each_detector_and_labels_are_needed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "t.csv"
    detectors = ["--detector", "fixed-threshold", "--detector", "innovation"]
    assert run(capsys, *CALL, *detectors, "--limit", 5, "--out", out)[0] == 0
    rows = list(csv.DictReader(io.StringIO(out.read_text())))
    assert {row["detector"] for row in rows} == {"fixed-threshold", "innovation"}
    assert all(0 <= float(row["f1_held_out_low"]) <= float(row["f1_held_out"]) <= 1 for row in rows)
    empty = tmp_path / "alone.wav"
    empty.write_bytes(WAV.read_bytes())
    code, _, err = run(capsys, "tune", empty)
    assert (code, "needs labels" in err) == (1, True)
