"""The risk command's tables that need no corpus, and its refusals."""

import json

import pytest

from tapsig.cli import main


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = main(["risk", *words])
    out, err = capsys.readouterr()
    return code, out, err


def test_guessing_needs_no_corpus_and_cites_the_guideline(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, "--table", "guessing", "--format", "json")
    rows = {row["who"]: row for row in json.loads(out)["rows"]}
    assert code == 0
    assert rows["stranger"]["codes_left"] == 729
    assert rows["stranger"]["before_the_lock"] == pytest.approx(100 / 729)
    assert rows["counted all taps together"]["codes_left"] is None  # depends on the code
    assert "SP 800-63B-4" in err
    assert "only way to reach a person" in err


def test_a_code_sets_the_length(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "--table", "guessing", "--code", "1-2-3-4", "--format", "json")
    assert json.loads(out)["rows"][0]["codes_left"] == 9**4


def test_codes_of_equal_strength_are_ranked_by_success(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "--table", "codes", "--format", "json")
    rows = json.loads(out)["rows"]
    assert all(row["keyspace"] >= 729 for row in rows)
    assert [row["success"] for row in rows] == sorted((row["success"] for row in rows), reverse=True)


def test_few_taps_are_entered_by_chance_and_many_are_not(capsys: pytest.CaptureFixture[str]) -> None:
    # Leading term for rare taps of rate r: r**3 * 2 s * 2 s for 1-1-1; at 1 an hour over 8766 h that is .00271.
    _, out, _ = run(capsys, "--table", "false-taps", "--code", "3-1-4", "--format", "json")
    rows = {row["false_taps_per_h"]: row for row in json.loads(out)["rows"]}
    assert rows[1]["1-1-1"] == pytest.approx(8766 * 3600 * 4 / 3600**3, rel=5e-3)
    for row in rows.values():
        assert row["9-9-9"] < row["3-1-4"] < row["1-1-1"]
    _, out, _ = run(capsys, "--table", "false-taps", "--wake-taps", "3", "--format", "json")
    woken = {row["false_taps_per_h"]: row for row in json.loads(out)["rows"]}
    assert woken[30]["random_code"] < 1e-3 * rows[30]["random_code"]


@pytest.mark.parametrize(
    ("words", "what"),
    [
        ([], "needs a corpus"),
        (["--table", "guessing", "--code", "1-10"], "code"),
        (["--table", "guessing", "--code-length", "0"], "length"),
        (["--table", "guessing", "--digit-max", "0"], "digit_max"),
        (["--table", "codes", "--tap-recall", "2"], "tap_recall"),
        (["--table", "false-taps", "--tolerance", "2"], "tolerance"),
    ],
)
def test_a_call_at_fault_is_refused_by_name(words: list[str], what: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, *words)
    assert (code, out) == (2, "")
    assert what in err
