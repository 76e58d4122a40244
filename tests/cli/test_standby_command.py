"""The standby command: what it prints, what it warns of, what it refuses."""

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tapsig.cli import main
from tapsig.risks.standby import BATTERIES, DutyCycle, compute_days
from tests.fakes import run


def test_json_holds_the_days_of_every_battery_and_the_parts_of_the_current(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "standby", "--format", "json")
    document = json.loads(out)
    assert code == 0
    assert [row["battery"] for row in document["rows"]] == [battery.name for battery in BATTERIES]
    assert document["rows"][0]["days"] == pytest.approx(compute_days(DutyCycle().average_ua, BATTERIES[0]))
    assert sum(document["parts_ua"].values()) == pytest.approx(document["average_ua"])


def test_the_note_reads_as_a_list_of_parts(capsys: pytest.CaptureFixture[str]) -> None:
    _, _, err = run(capsys, "standby", "--false-wakes-per-day", "1000")
    assert "asleep 4.98, awake for wanted events 16, awake for false ones 4000, release" in err


def test_options_reach_the_duty_cycle(capsys: pytest.CaptureFixture[str]) -> None:
    # Arithmetic: 240 Ah at 10 mA last 1000 days.
    words = ["--sleep-ua", "10000", "--wakes-per-day", "0", "--false-wakes-per-day", "0", "--releases-per-day", "0"]
    _, out, _ = run(capsys, "standby", *words, "--capacity-ah", "240", "--format", "json")
    [row] = json.loads(out)["rows"]
    assert row["days"] == pytest.approx(1000.0)


def test_a_starter_battery_comes_with_the_vehicles_own_drain(capsys: pytest.CaptureFixture[str]) -> None:
    _, _, err = run(capsys, "standby")
    low, high = (compute_days(DutyCycle().average_ua + ma * 1e3, BATTERIES[0]) for ma in (50, 25))
    assert f"{low:.0f} to {high:.0f} days" in err
    assert "coin cell" in err  # cannot deliver the release pulse


def test_sensitivity_lists_only_what_moves_the_days(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "standby", "--sensitivity", "--battery", "starter 12 V 60 Ah", "--format", "json")
    rows = json.loads(out)["rows"]
    assert rows[0]["parameter"] in ("usable_share", "self_discharge_per_month")
    assert all(row["days_with_half"] != row["days_with_double"] for row in rows)


@pytest.fixture
def tap_corpus(tmp_path: Path) -> str:
    fs = 8000
    samples = np.zeros(20 * fs)
    samples[10 * fs : 10 * fs + 40] = 0.3  # one tap: 5 ms of 0.3 V
    soundfile.write(tmp_path / "tap.wav", samples, fs, subtype="FLOAT")
    (tmp_path / "labels.csv").write_text("onset_s,kind\n10.0,tap\n", encoding="utf-8")
    (tmp_path / "corpus.csv").write_text(
        "recording,labels,vehicle,position,scene,split,full_scale_v\ntap.wav,labels.csv,heron,frame,quiet,test,1.0\n",
        encoding="utf-8",
    )
    return str(tmp_path)


def test_the_table_fits_a_terminal_and_help_explains_its_columns(
    tap_corpus: str, capsys: pytest.CaptureFixture[str]
) -> None:
    _, rows, _ = run(capsys, "standby", tap_corpus, "--format", "json")
    _, table, _ = run(capsys, "standby", tap_corpus, "--detector", "null")
    assert "first_tap_found" in table
    assert max(map(len, table.splitlines())) <= 130
    with pytest.raises(SystemExit):
        main(["standby", "--help"])
    explained = capsys.readouterr().out
    for name in json.loads(rows)["rows"][0]:
        if name.startswith(("missed", "delay", "peak", "energy", "first", "listened", "false", "awake")):
            assert name in explained


def test_ways_to_wake_up_are_compared_on_a_corpus(tap_corpus: str, capsys: pytest.CaptureFixture[str]) -> None:
    words = [tap_corpus, "--level-v", "0.2", "--level-v", "0.5", "--look-hz", "100", "--format", "json"]
    code, out, _ = run(capsys, "standby", *words)
    missed = {(row["wake_up"], row["level_v"]): row["missed_first_taps"] for row in json.loads(out)["rows"]}
    assert code == 0
    # A look every 10 ms meets a pulse of 5 ms half of the time.
    assert missed == {
        ("comparator", 0.2): 0.0,
        ("comparator", 0.5): 1.0,
        ("sampling 100 Hz", 0.2): 0.5,
        ("sampling 100 Hz", 0.5): 1.0,
        ("always on", None): 0.0,
    }


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        (["--false-wakes-per-day", "3"], "--false-wakes-per-day goes without a corpus"),
        (["--sampling-hz", "3"], "--sampling-hz goes without a corpus"),
        (["--look-hz", "0"], "look_hz is 0.0; it must lie between 0.001 and 10000"),
        (["--look-hz", "20000"], "look_hz is 20000.0; it must lie between 0.001 and 10000"),
    ],
)
def test_what_a_corpus_gives_or_cannot_be_is_refused(
    words: list[str], reason: str, tap_corpus: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = run(capsys, "standby", tap_corpus, *words)
    assert (code, out) == (2, "")
    assert reason in err


def test_a_controller_that_sleeps_between_the_taps_is_compared_too(
    tap_corpus: str, capsys: pytest.CaptureFixture[str]
) -> None:
    # 1 s awake after each of 4 wakes a day, at 8 mA, otherwise 10 µA: 1 - exp(-4 / 86400) of the time.
    words = ["--awake-s", "1", "--level-v", "0.2", "--look-hz", "100", "--releases-per-day", "0", "--format", "json"]
    code, out, _ = run(capsys, "standby", tap_corpus, *words)
    assert code == 0
    share = -np.expm1(-4 / 86400)
    assert json.loads(out)["rows"][0]["average_ua"] == pytest.approx(share * 8000 + (1 - share) * 10)


def test_a_corpus_comes_with_the_cautions_of_its_battery(tap_corpus: str, capsys: pytest.CaptureFixture[str]) -> None:
    _, _, err = run(capsys, "standby", tap_corpus, "--battery", "lithium coin cell 3 V")
    assert "lithium coin cell 3 V delivers about 15 mA at most; 150 mA are drawn" in err
    _, _, err = run(capsys, "standby", tap_corpus)
    assert "a parked vehicle draws up to 25-50 mA itself" in err


def test_a_battery_that_is_never_drained_has_nothing_to_vary(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["--capacity-ah", "1", "--sleep-ua", "0", "--awake-ma", "0", "--release-ma", "0", "--sensitivity"]
    code, _, err = run(capsys, "standby", *words)
    assert code == 0
    assert "no battery is ever drained: nothing to vary" in err
    assert "average 0 µA (nothing)" in err


def test_a_release_longer_than_the_day_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = run(capsys, "standby", "--releases-per-day", "1e6")
    assert code == 2
    assert "releases_per_day is 1000000.0; with 0.25 s a release it can be at most 345600" in err
    code, out, _ = run(capsys, "standby", "--releases-per-day", "300000", "--sensitivity", "--format", "json")
    rows = {row["parameter"]: row for row in json.loads(out)["rows"] if row["battery"] == "4 alkaline AA"}
    # All day at 150 mA, beside the 142 µA of the rest: 2 Ah of it used, less .2 % a month of 2.5 Ah.
    assert rows["releases_per_day"]["days_with_double"] == pytest.approx(2000 / 150.142 / 24, rel=1e-3)
