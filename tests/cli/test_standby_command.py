"""The standby command: what it prints, what it warns of, what it refuses."""

import json

import pytest

from tapsig.cli import main
from tapsig.standby import BATTERIES, DutyCycle, compute_days


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = main(["standby", *words])
    out, err = capsys.readouterr()
    return code, out, err


def test_json_holds_the_days_of_every_battery_and_the_parts_of_the_current(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "--format", "json")
    document = json.loads(out)
    assert code == 0
    assert [row["battery"] for row in document["rows"]] == [battery.name for battery in BATTERIES]
    assert document["rows"][0]["days"] == pytest.approx(compute_days(DutyCycle().average_ua, BATTERIES[0]))
    assert sum(document["parts_ua"].values()) == pytest.approx(document["average_ua"])


def test_options_reach_the_duty_cycle(capsys: pytest.CaptureFixture[str]) -> None:
    # Arithmetic: 240 Ah at 10 mA last 1000 days.
    words = ["--sleep-ua", "10000", "--wakes-per-day", "0", "--false-wakes-per-day", "0", "--releases-per-day", "0"]
    _, out, _ = run(capsys, *words, "--capacity-ah", "240", "--format", "json")
    [row] = json.loads(out)["rows"]
    assert row["days"] == pytest.approx(1000.0)


def test_a_starter_battery_comes_with_the_vehicles_own_drain(capsys: pytest.CaptureFixture[str]) -> None:
    _, _, err = run(capsys)
    low, high = (compute_days(DutyCycle().average_ua + ma * 1e3, BATTERIES[0]) for ma in (50, 25))
    assert f"{high:.0f} to {low:.0f} days" in err
    assert "coin cell" in err  # cannot deliver the release pulse


def test_sensitivity_lists_only_what_moves_the_days(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "--sensitivity", "--battery", "starter 12 V 60 Ah", "--format", "json")
    rows = json.loads(out)["rows"]
    assert rows[0]["number"] in ("usable_share", "self_discharge_per_month")
    assert all(row["days_with_half"] != row["days_with_double"] for row in rows)


@pytest.mark.parametrize(
    ("words", "what"),
    [
        (["--battery", "tin can"], "--battery"),
        (["--battery", "starter 12 V 60 Ah", "--capacity-ah", "7"], "--capacity-ah"),
        (["--usable-share", "2"], "usable_share"),
        (["--awake-ma", "-1"], "awake_ma"),
        (["corpus_demo", "--sensitivity"], "--sensitivity"),
    ],
)
def test_a_call_at_fault_is_refused_by_name(words: list[str], what: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, *words)
    assert (code, out) == (2, "")
    assert what in err
