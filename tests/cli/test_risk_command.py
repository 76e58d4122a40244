"""The risk command's tables that need no corpus, and its refusals."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tapsig.cli import main
from tests.fakes import run


def test_guessing_needs_no_corpus_and_cites_the_guideline(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, "risk", "--table", "guessing", "--format", "json")
    rows = {row["who"]: row for row in json.loads(out)["rows"]}
    assert code == 0
    assert rows["stranger"]["codes_left"] == 729
    assert rows["stranger"]["before_the_lock"] == pytest.approx(100 / 729)
    assert rows["counted all taps together"]["codes_left"] is None  # depends on the code
    assert "SP 800-63B-4" in err
    assert "only way to reach a person" in err


def test_a_code_sets_the_length(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "risk", "--table", "guessing", "--code", "1-2-3-4", "--format", "json")
    assert json.loads(out)["rows"][0]["codes_left"] == 9**4


def test_digits_may_be_given_as_a_range(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "risk", "--table", "guessing", "--code-length", "3", "--digits", "1-4", "--format", "json")
    assert json.loads(out)["rows"][0]["codes_left"] == 4**3
    with pytest.raises(SystemExit):
        main(["risk", "--table", "guessing", "--digits", "2-4"])
    assert "write it as 1-9" in capsys.readouterr().err


def test_codes_of_equal_strength_are_ranked_by_success(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "risk", "--table", "codes", "--format", "json")
    rows = json.loads(out)["rows"]
    assert all(row["keyspace"] >= 729 for row in rows)
    assert [row["success"] for row in rows] == sorted((row["success"] for row in rows), reverse=True)


def test_few_taps_are_entered_by_chance_and_many_are_not(capsys: pytest.CaptureFixture[str]) -> None:
    # Leading term for rare taps of rate r: r**3 * 2 s * 2 s for 1-1-1; at 1 an hour over 8766 h that is .00271.
    _, out, _ = run(capsys, "risk", "--table", "false-taps", "--code", "3-1-4", "--format", "json")
    rows = {row["false_taps_per_h"]: row for row in json.loads(out)["rows"]}
    assert rows[1]["1-1-1"] == pytest.approx(8766 * 3600 * 4 / 3600**3, rel=5e-3)
    for row in rows.values():
        assert row["9-9-9"] < row["3-1-4"] < row["1-1-1"]
    _, out, _ = run(capsys, "risk", "--table", "false-taps", "--wake-taps", "3", "--format", "json")
    woken = {row["false_taps_per_h"]: row for row in json.loads(out)["rows"]}
    assert woken[30]["random_code"] < 1e-3 * rows[30]["random_code"]


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        (["no-such-folder", "--table", "guessing"], "--table guessing needs no recordings; leave out no-such-folder"),
        (["--table", "codes", "--speed", "50"], "--speed needs a table from a corpus: --table summary"),
        (
            ["--table", "guessing", "--confidence", "0.9"],
            "--confidence needs a table from a corpus: --table summary or scenes or decoders",
        ),
        (
            ["--table", "false-taps", "--scene", "rain"],
            "--scene needs a table from a corpus: --table summary or scenes or decoders",
        ),
        (["x", "--table", "scenes", "--parked", "rain=3"], "--parked needs a table from a corpus: --table summary"),
        (
            ["x", "--table", "decoders", "--wake-level-v", "1"],
            "--wake-level-v needs a table from a corpus: --table summary",
        ),
        (["--table", "codes", "--false-taps-per-hour", "-3"], "false_taps_per_hour is -3.0; it must lie between 0 and"),
        (["--table", "codes", "--digit-max", "1"], "digit_max is 1; for --table codes it must be 2 to 255"),
    ],
)
def test_what_a_table_does_not_use_is_refused(
    words: list[str], reason: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = run(capsys, "risk", *words)
    assert (code, out) == (2, "")
    assert reason in err


FS = 8000
TAPS_S = (4.0, 4.4, 6.0, 7.6)  # 2-1-1


def write_corpus(folder: Path) -> Path:
    """Two train and two test recordings: clean bursts on the frame; on the inner skin a third one that nobody made."""
    burst = np.sin(2 * np.pi * 300 * np.arange(200) / FS) * np.exp(-np.arange(200) / 40)
    lines = ["recording,labels,vehicle,position,scene,split,full_scale_v"]
    (folder / "labels.csv").write_text("onset_s,kind\n" + "".join(f"{tap},tap\n" for tap in TAPS_S), encoding="utf-8")
    for split in ("train", "test"):
        for position, extra in (("frame", ()), ("inner-skin", (4.8, 14.0))):
            samples = np.random.default_rng(1).normal(0, 1e-4, 20 * FS)
            for onset in (*TAPS_S, *extra):
                samples[int(onset * FS) : int(onset * FS) + burst.size] += 0.5 * burst
            name = f"{position}-{split}.wav"
            soundfile.write(folder / name, samples, FS, subtype="FLOAT")
            lines.append(f"{name},labels.csv,heron,{position},quiet,{split},1.0")
    (folder / "corpus.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


def test_summary_of_a_corpus_tells_the_positions_apart(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = [str(write_corpus(tmp_path)), "--detector", "fixed-threshold", "--split", "test", "--format", "json"]
    code, out, err = run(capsys, "risk", *words)
    rows = {row["position"]: row for row in json.loads(out)["rows"]}
    assert code == 0
    assert {position: (row["entries"], row["success"]) for position, row in rows.items()} == {
        "frame": (1, 1.0),
        "inner-skin": (1, 0.0),
    }
    # Bursts peak below 0.5 V: the highest level of the grid that hears them is 0.2 V; 6 dB below that is 0.1 V.
    assert {row["wake_level_v"] for row in rows.values()} == {0.1}
    # Listened: 20 s less 0.1 s before to 1.5 s after each tap; one second of it holds the burst at 14 s.
    assert rows["inner-skin"]["false_wakes_per_day"] == pytest.approx(86400 / (20 - 0.1 - 0.4 - 3 * 1.5 - 2 * 0.1))
    assert rows["frame"]["false_wakes_per_day"] == 0.0
    assert rows["frame"]["wrong_per_1000_km_bound"] is None  # nobody drove
    # A code of three digits up to 9 may take 33 s, after 3 s of silence: these recordings of 20 s bound nothing.
    assert rows["frame"]["exposure_h"] == 0.0
    assert rows["frame"]["wrong_per_year_bound"] is None
    assert "too briefly" in err
    assert "more than 36 s" in err
    assert rows["frame"]["uncovered_h"] == 8766.0  # a year of 365.25 days
    assert "no source" in err


@pytest.mark.parametrize("table", ["summary", "scenes"])
def test_a_table_fits_a_terminal(table: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "risk", str(write_corpus(tmp_path)), "--detector", "fixed-threshold", "--table", table)
    assert code == 0
    assert "inner-skin" in out
    assert max(map(len, out.splitlines())) <= 130


def test_scenes_of_several_corpora_are_taken_together(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = str(write_corpus(tmp_path))
    words = [folder, folder, "--table", "scenes", "--detector", "fixed-threshold", "--position", "frame"]
    code, out, _ = run(capsys, "risk", *words, "--format", "csv")
    [row] = csv.DictReader(out.splitlines())
    assert code == 0
    assert (row["scene"], row["entries"], row["opened"]) == ("quiet", "4", "4")


def test_a_corpus_without_labels_is_the_datas_fault(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = write_corpus(tmp_path)
    manifest = folder / "corpus.csv"
    manifest.write_text(manifest.read_text(encoding="utf-8").replace("labels.csv", ""), encoding="utf-8")
    for command in ("risk", "standby"):
        assert main([command, str(folder)]) == 1
        assert "no selected recording has labels" in capsys.readouterr().err


def test_the_wake_level_is_learnt_on_other_vehicles_than_the_one_chosen(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    manifest = write_corpus(tmp_path) / "corpus.csv"
    rows = manifest.read_text(encoding="utf-8").splitlines()
    manifest.write_text(
        "\n".join(row.replace("heron", "otter") if row.endswith("test,1.0") else row for row in rows), encoding="utf-8"
    )
    words = [str(tmp_path), "--detector", "fixed-threshold", "--vehicle", "otter", "--format", "json"]
    code, out, _ = run(capsys, "risk", *words)
    assert code == 0
    assert [(row["entries"], row["wake_level_v"]) for row in json.loads(out)["rows"]] == [(1, 0.1), (1, 0.1)]


def test_scenes_and_summary_show_both_decoders_where_the_detector_gives_log_odds(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = [str(write_corpus(tmp_path)), "--position", "frame", "--detector", "tap", "--detector", "sta-lta"]
    for table in ("scenes", "summary"):
        code, out, err = run(capsys, "risk", *words, "--table", table, "--format", "csv")
        rows = {(row["detector"], row["decoder"]): row for row in csv.DictReader(out.splitlines())}
        assert code == 0
        assert set(rows) == {("tap", "rule"), ("tap", "evidence"), ("sta-lta", "rule")}
        # Clean bursts, as tapped: both decoders open all.
        assert {rows["tap", decoder]["success"] for decoder in ("rule", "evidence")} == {"1.0"}
        assert "evidence: at its default threshold" in err
    assert "assumed hours a year" in err
    _, _, err = run(capsys, "risk", words[0], "--detector", "tap,probability=0.9")
    assert "tap,probability=0.9: evidence weighs all candidates, whatever probability" in err
    _, _, err = run(capsys, "risk", *words, "--table", "scenes", "--digit-pause-s", "0.9", "--code", "2-1-1")
    assert "tap: by the rule alone: evidence does not use digit_pause_s" in err
    assert "assumed hours a year" not in err  # each scene is as if it lasted all year
    assert "seen and bound are of a code drawn at random, whatever --code is" in err


def test_undefined_figures_are_dashes_with_a_reason(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = write_corpus(tmp_path)
    manifest = folder / "corpus.csv"
    rows = manifest.read_text(encoding="utf-8").replace(",train,", ",test,")
    manifest.write_text(rows, encoding="utf-8")
    (folder / "labels.csv").write_text("onset_s,kind\n", encoding="utf-8")
    _, out, err = run(capsys, "risk", str(folder), "--detector", "tap")
    assert "–––" not in out
    assert "days: no wake-up level for frame, inner-skin" in err
    assert "starter 12 V 60 Ah without the vehicle's own drain" in err  # tapsig standby warns of 25-50 mA
    _, out, err = run(capsys, "risk", str(folder), "--table", "decoders")
    assert "nan" not in out
    assert "needs a tap-free stretch of more than 36 s" in err


def test_hours_that_were_not_recorded_are_named_and_quiet_has_the_rest(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """An hour of rain without a tap: 500 of 8766 hours; nothing else was recorded."""
    soundfile.write(tmp_path / "rain.wav", np.zeros(3600 * 400), 400, subtype="FLOAT")
    (tmp_path / "labels.csv").write_text("onset_s,kind\n", encoding="utf-8")
    (tmp_path / "corpus.csv").write_text(
        "recording,labels,vehicle,position,scene,split,full_scale_v\nrain.wav,labels.csv,heron,frame,rain,test,1.0\n",
        encoding="utf-8",
    )
    words = ["risk", str(tmp_path), "--detector", "null"]
    code, _, err = run(capsys, *words)
    assert code == 0
    assert "caution: scenes of 8266 of the 8766 hours of a year (uncovered_h) were not recorded" in err
    _, _, err = run(capsys, *words, "--parked", "rain=8766", *(f"--parked={scene}=0" for scene in OTHERS))
    assert "uncovered_h" not in err
    code, _, err = run(capsys, *words, "--parked", "quiet=3")
    assert code == 2
    assert "--parked names quiet, which has the hours that the other scenes leave" in err


OTHERS = ("hail", "wind", "slam", "music", "rattle", "whine", "brush", "lean", "truck", "handling")


@pytest.mark.parametrize("command", [["risk"], ["risk", "--table", "decoders"], ["standby"]])
def test_a_file_of_a_rate_that_the_detector_does_not_take_is_named(
    command: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = write_corpus(tmp_path)
    soundfile.write(folder / "frame-test.wav", np.zeros(4000), 200, subtype="FLOAT")
    code, _, err = run(capsys, *command, str(folder), "--detector", "tap")
    assert code == 1
    assert "frame-test.wav: fs is 200.0; it must lie between 334 and 200000" in err


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        (["--wake-level-v", "0"], "wake_level_v is 0.0; it must be a finite number above 0"),
        (["--speed", "-1"], "speed is -1.0; it must be a finite number above 0"),
        (["--parked", "rain=9000"], "together at most 8766"),
        (["--parked", "driving=3"], "--parked names driving, which has figures of its own, per 1000 km"),
        (["--parked", "moon=3"], "there are: brush, hail, handling, lean, music, rain, rattle, slam, truck, whine"),
    ],
)
def test_a_value_out_of_range_is_refused_before_anything_is_observed(
    words: list[str], reason: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tapsig.risks.entries.observe_recordings", None)  # not callable
    code, _, err = run(capsys, "risk", str(write_corpus(tmp_path)), *words)
    assert code == 2
    assert reason in err


def test_entries_too_short_to_be_counted_are_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = write_corpus(tmp_path)
    (folder / "labels.csv").write_text("onset_s,kind\n4.0,tap\n4.4,tap\n6.0,tap\n", encoding="utf-8")  # 2-1
    words = ["risk", str(folder), "--detector", "fixed-threshold", "--table", "scenes", "--format", "json"]
    _, out, err = run(capsys, *words, "--code", "2-1")
    assert {row["entries"] for row in json.loads(out)["rows"]} == {0}
    assert "entries counts those of 3 digits and more: shorter ones are taken for practice" in err
    assert "practice" not in run(capsys, *words)[2]


def test_the_hours_that_a_bound_of_one_a_year_needs_are_never_none(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # Garwood 1936: 2.9957 is the one-sided 95 % limit of a Poisson mean at a count of 0.
    words = ["risk", str(write_corpus(tmp_path)), "--detector", "fixed-threshold", "--table", "scenes"]
    for length in (3, 8):
        _, _, err = run(capsys, *words, "--code-length", str(length))
        assert f"{2.9957 * 8766 / 9**length:.3g}" in err.split(" hours of exposure without")[0].split()[-1]
