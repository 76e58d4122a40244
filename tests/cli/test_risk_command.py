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


@pytest.mark.parametrize(
    ("words", "what"),
    [
        ([], "needs a corpus"),
        (["--table", "guessing", "--code", "1-10"], "code"),
        (["--table", "guessing", "--code-length", "0"], "length"),
        (["--table", "guessing", "--digit-max", "0"], "digit_max"),
        (["--table", "codes", "--tap-recall", "2"], "tap_recall"),
    ],
)
def test_a_call_at_fault_is_refused_by_name(words: list[str], what: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, *words)
    assert (code, out) == (2, "")
    assert what in err
