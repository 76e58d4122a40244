"""Two detectors on the same recordings, against counts by hand and an independent library's average precision."""

import json

import numpy as np
import pytest
from sklearn.metrics import average_precision_score, precision_recall_curve
from statsmodels.stats.multitest import multipletests

from tapsig.cli import main
from tapsig.comparison.advice import describe_pair
from tapsig.comparison.detectors import compare_variants, compute_curve
from tapsig.errors import ParameterError
from tapsig.scoring.outcomes import Outcome, ScoreTable
from tapsig.scoring.tally import Score
from tests.fakes import DEMO


def outcome(detector: str, source: str, found: list[int], hits: list[int], strengths: list[float]) -> Outcome:
    tp, fp = sum(hits), len(hits) - sum(hits)
    score, taps = Score(tp, fp, len(found) - tp, 1800.0), tuple(map(bool, found))
    names = (detector, source, "heron", "frame", "quiet")
    return Outcome(*names, score, taps, np.zeros(tp), np.array(hits, bool), np.array(strengths, float))


def test_average_precision_is_scikit_learns() -> None:
    # scikit-learn's own example: y = 0, 0, 1, 1 and scores .1, .4, .35, .8 give 0.8333.
    curve = compute_curve("d", [outcome("d", "a", [1, 1], [0, 0, 1, 1], [0.1, 0.4, 0.35, 0.8])])
    assert curve.average_precision == pytest.approx(0.8333, abs=1e-4)
    rng = np.random.default_rng(1)
    for _ in range(50):
        hits, strengths = rng.integers(0, 2, 30), rng.integers(0, 12, 30) / 3  # with ties
        missed = int(rng.integers(0, 5))
        if not hits.sum():
            continue
        found = [1] * int(hits.sum()) + [0] * missed
        curve = compute_curve("d", [outcome("d", "a", found, hits.tolist(), strengths.tolist())])
        theirs = average_precision_score(hits, strengths) * hits.sum() / len(found)
        assert curve.average_precision == pytest.approx(theirs, abs=1e-12)


def test_curve_is_scikit_learns() -> None:
    rng = np.random.default_rng(2)
    hits, strengths = rng.integers(0, 2, 40), np.round(rng.normal(size=40), 1)
    curve = compute_curve("d", [outcome("d", "a", [1] * int(hits.sum()), hits.tolist(), strengths.tolist())])
    precision, recall, _ = precision_recall_curve(hits, strengths)
    keep = slice(None, -1)  # its last point, (1, 0), is a convention
    assert curve.precision[::-1] == pytest.approx(precision[keep])
    assert curve.recall[::-1] == pytest.approx(recall[keep])


def test_a_detector_that_finds_nothing_has_average_precision_0_and_one_without_taps_has_none() -> None:
    # By definition: the sum over steps in recall, of which there are none; without taps, recall is 0/0.
    nothing = compute_curve("d", [outcome("d", "a", [0, 0], [], [])])
    assert (nothing.average_precision, nothing.recall_at(10.0)) == (0.0, 0.0)
    tapless = compute_curve("d", [outcome("d", "a", [], [0, 0], [2.0, 1.0])])
    assert np.isnan([tapless.average_precision, tapless.recall_at(10.0)]).all()


def test_silent_recordings_do_not_make_a_comparison_of_detectors_larger() -> None:
    outcomes = [
        *(
            outcome(name, str(n), [name == "x"] * 4, [1] * 4 * (name == "x"), [1.0] * 4 * (name == "x"))
            for name in "xy"
            for n in range(3)
        ),
        *(outcome(name, f"silent {n}", [], [], []) for name in "xy" for n in range(7)),
    ]
    [pair] = compare_variants(ScoreTable(tuple(outcomes), 0.05), "x", "y")
    assert (pair.recordings, pair.difference.p) == (3, 2 / 2**3)  # as in Fisher's test of three pairs
    assert np.isnan([pair.difference.estimate.low, pair.difference.estimate.high]).all()


def test_recall_at_a_rate_of_false_alarms_is_counted_by_hand() -> None:
    # Two half hours. By strength: hit, false, hit, hit, false, hit.
    recordings = [
        outcome("d", "a", [1, 1], [1, 0, 1], [9.0, 8.0, 7.0]),
        outcome("d", "b", [1, 1], [1, 0, 1], [6.0, 5.0, 4.0]),
    ]
    curve = compute_curve("d", recordings)
    assert curve.recall_at(1.0) == 0.75
    assert curve.recall_at(2.0) == 1.0
    assert np.isnan(curve.recall_at(0.5))  # one hour cannot tell of one alarm in two


def test_no_taps_make_no_curve() -> None:
    curve = compute_curve("d", [outcome("d", "a", [], [0], [1.0])])
    assert np.isnan(curve.average_precision)


def pair_table() -> ScoreTable:
    firsts = [outcome("a", str(n), [1, 1, 1, 0], [1, 1, 1], [1, 1, 1]) for n in range(8)]
    seconds = [outcome("b", str(n), [1, 0, 0, 1], [1, 1, 0], [1, 1, 1]) for n in range(8)]
    return ScoreTable((*firsts, *seconds), 0.05)


def test_paired_counts_are_those_counted_by_hand() -> None:
    (result,) = compare_variants(pair_table(), "a", "b")
    # F1: a 2·3/(2·3 + 0 + 1) = 6/7, b 2·2/(2·2 + 1 + 2) = 4/7.
    assert result.difference.estimate.value == pytest.approx(2 / 7)
    assert (result.both, result.only_first, result.only_second, result.neither) == (8, 16, 8, 0)
    assert result.difference.p == pytest.approx(2 / 2**8)
    assert result.p_taps == pytest.approx(2 / 2**8)  # the first finds one tap more in each of eight files
    (mirrored,) = compare_variants(pair_table(), "b", "a")
    assert mirrored.difference.estimate.value == -result.difference.estimate.value
    assert mirrored.p_taps == result.p_taps


def test_several_comparisons_are_adjusted_for_their_number() -> None:
    # statsmodels.stats.multitest.multipletests(method="holm").
    rng = np.random.default_rng(3)
    table = ScoreTable(
        tuple(
            outcome(name, str(n), [1] * 10, [1] * int(rng.binomial(10, share)), [])
            for name, share in (("a", 0.8), ("b", 0.75), ("c", 0.6), ("d", 0.55))
            for n in range(9)
        ),
        0.05,
    )
    together = compare_variants(table, "a", "b", "c", "d")
    p_values = [pair.difference.p for pair in together]
    expected = multipletests(p_values, method="holm")[1]
    assert [pair.difference.p_adjusted for pair in together] == pytest.approx(expected)
    assert sum(expected) > sum(p_values)  # so the adjustment shows
    for pair in together:  # a stricter level takes more recordings
        (alone,) = compare_variants(table, "a", pair.second)
        assert (alone.difference.p, alone.difference.p_adjusted) == (pair.difference.p, pair.difference.p)
        assert pair.difference.needed > alone.difference.needed


def test_the_verdict_names_the_better_one_whichever_comes_first() -> None:
    for names in (("a", "b"), ("b", "a")):
        (pair,) = compare_variants(pair_table(), *names)
        assert describe_pair(pair).startswith("a is better than b: F1 differs by 0.286 (p = 0.0078 after Holm, 8")
    few = ScoreTable(tuple(one for one in pair_table().outcomes if one.source < "4"), 0.05)
    (pair,) = compare_variants(few, "a", "b")
    assert describe_pair(pair).startswith("The difference between a and b is not significant")


def test_too_few_recordings_and_an_undefined_criterion_do_not_say_how_many_are_needed() -> None:
    # Fisher's test of two pairs has p >= 2/2^2; two recordings do not show the scatter that a sample size rests on.
    two = ScoreTable(tuple(one for one in pair_table().outcomes if one.source < "2"), 0.05)
    (pair,) = compare_variants(two, "a", "b")
    assert np.isnan(pair.difference.needed)
    assert describe_pair(pair).endswith("2 recordings); these are too few to show any.")
    silent = [
        outcome(name, str(n), [1] * 4, hits, [1.0] * len(hits))
        for name, hits in (("a", [1]), ("b", []))
        for n in range(9)
    ]
    (pair,) = compare_variants(ScoreTable(tuple(silent), 0.05), "a", "b", criterion="precision")
    assert describe_pair(pair) == "No comparison of a and b: precision of b is undefined."


def test_unknown_detectors_and_one_against_itself_are_refused() -> None:
    with pytest.raises(ParameterError, match="not scored"):
        compare_variants(pair_table(), "a", "c")
    for others in (("a",), ("b", "a"), ()):
        with pytest.raises(ParameterError, match="cannot be compared"):
            compare_variants(pair_table(), "a", *others)


def test_the_command_compares_on_the_demo_corpus(capsys: pytest.CaptureFixture[str]) -> None:
    call = ["variants", str(DEMO), "--split", "validation", "--detector", "sta-lta", "--detector", "null"]
    assert main([*call, "--format", "json"]) == 0
    document = json.loads(capsys.readouterr().out)
    row = document["rows"][0]
    assert row["difference"] == pytest.approx(row["value_first"] - row["value_second"])
    assert row["taps_only_second"] == row["taps_both"] == 0  # null finds nothing
    assert {curve["detector"] for curve in document["curves"]} == {"sta-lta", "null"}
    assert main(call) == 0
    out = capsys.readouterr().out
    assert "F1 on the same 12 channels of 9 recordings" in out
    assert out.startswith("sta-lta is better than null: F1 differs by ")
    assert max(map(len, out.splitlines())) <= 120


def test_one_detector_is_told_to_be_too_few(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["variants", str(DEMO), "--detector", "tap", "--detector", "tap"]) == 2
    assert "needs two" in capsys.readouterr().err
