"""The tap detector, its gate in JSON, and its trees against scikit-learn's own evaluation."""

import json

import numba
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.ensemble import HistGradientBoostingClassifier

from tapsig.detect import load_detector, write_detector
from tapsig.detect.candidates import HIGHEST_FS, LOWEST_FS
from tapsig.detect.gate import ALL_FAMILIES, ALL_FEATURES, Gate, Trees, judge
from tapsig.detect.history import HISTORY, LIKENESS, fill_history, new_history, remember
from tapsig.detect.tap import Tap, shipped_gate
from tapsig.errors import ParameterError
from tapsig.features import FAMILIES, FEATURES
from tapsig.records import Detections
from tapsig.score.matching import match_onsets
from tapsig.simulate import FLEET, simulate_scene
from tapsig.study.boosting import Boosting, join_sums
from tapsig.study.candidate_table import score_rows

RNG = np.random.default_rng(11)


def walk(node: object, row: dict[str, float]) -> float:
    """Evaluate a tree as the JSON has it, by the rule that the file states."""
    while isinstance(node, list):
        name, threshold, _, left, right = node
        node = left if row[name] <= threshold else right
    assert isinstance(node, (int, float))
    return float(node)


def test_every_feature_belongs_to_one_family() -> None:
    names = [name for members in ALL_FAMILIES.values() for name in members]
    assert names == list(ALL_FEATURES)
    assert len(set(names)) == len(names)
    assert [name for members in FAMILIES.values() for name in members] == list(FEATURES)


def test_shipped_gate_scores_as_its_json_reads() -> None:
    document = json.loads(json.dumps(shipped_gate().to_json()))
    for part, names in (("first", FEATURES), ("second", ALL_FEATURES)):
        trees = Trees.from_json(document[part], names)
        for row in RNG.normal(5.0, 15.0, (50, len(names))):
            named = dict(zip(names, row.tolist(), strict=True))
            expected = document[part]["base"] + sum(walk(tree, named) for tree in document[part]["trees"])
            assert score_rows(trees, row[None]) == pytest.approx(expected, abs=1e-9)


def test_a_grown_sum_scores_as_scikit_learns_boosting_does() -> None:
    rows = RNG.normal(size=(600, 6)).astype(np.float32).astype(np.float64)
    taps = (rows[:, 0] + rows[:, 1] * rows[:, 2] > 0.3).astype(np.int64)
    weights = np.where(rows[:, 3] > 1.5, 0.0, RNG.uniform(0.5, 2.0, 600))
    trees = Boosting(trees=12, leaves=5, rate=0.3, least_leaf=5).grow(rows, taps, weights, seed=3)
    model = HistGradientBoostingClassifier(
        max_iter=12, max_leaf_nodes=5, learning_rate=0.3, min_samples_leaf=5, l2_regularization=2.0, max_bins=128,
        early_stopping=False, random_state=3)
    used = weights > 0
    model.fit(rows[used].astype(np.float32), taps[used], sample_weight=weights[used])
    np.testing.assert_allclose(score_rows(trees, rows), model.decision_function(rows.astype(np.float32)), atol=1e-6)


def test_mending_improves_a_sum_that_is_wrong() -> None:
    rows = RNG.normal(size=(600, 6))
    taps = (rows[:, 0] > 0.3).astype(np.int64)
    start = -2.0 * rows[:, 1]
    trees = Boosting(trees=40, leaves=4, least_leaf=5).mend(rows, taps, np.ones(600), start, seed=1)
    mended = start + score_rows(trees, rows)
    assert ((start > 0) == (taps == 1)).mean() < 0.6
    assert ((mended > 0) == (taps == 1)).mean() > 0.8


def test_joined_sums_add_up() -> None:
    rows = RNG.normal(size=(200, 4))
    taps = (rows[:, 0] > 0).astype(np.int64)
    grow = Boosting(trees=5, leaves=4, least_leaf=5)
    one, two = (grow.grow(rows, labels, np.ones(200)) for labels in (taps, 1 - taps))
    both = join_sums(one, two)
    np.testing.assert_allclose(score_rows(both, rows), score_rows(one, rows) + score_rows(two, rows), atol=1e-9)


def test_contributions_of_a_path_sum_to_the_score() -> None:
    gate = shipped_gate()
    row = RNG.normal(5.0, 15.0, len(FEATURES))
    means = gate.first.base + sum(gate.first.value[root] for root in gate.first.roots)
    assert means + gate.first.contributions(row).sum() == pytest.approx(score_rows(gate.first, row[None])[0], abs=1e-4)


@settings(max_examples=60, deadline=None)
@given(st.recursive(st.none() | st.booleans() | st.floats() | st.text(max_size=5),
                    lambda inner: st.lists(inner, max_size=5) | st.dictionaries(st.text(max_size=6), inner, max_size=4),
                    max_leaves=12))
def test_anything_else_than_a_gate_is_refused(document: object) -> None:
    with pytest.raises(ParameterError):
        Gate.from_json(document)


@pytest.mark.parametrize("node", [["no_such_feature", 0.0, 0.0, 1.0, 2.0], ["innovation_rise", 0.0, 0.0, 1.0],
                                  ["innovation_rise", float("nan"), 0.0, 1.0, 2.0], "1.0", [1, 2, 3, 4, 5],
                                  10**400, ["innovation_rise", 10**400, 0.0, 1.0, 2.0],
                                  [["innovation_rise"], 0.0, 0.0, 1.0, 2.0]])
def test_a_wrong_node_is_refused(node: object) -> None:
    document = shipped_gate().to_json()
    document["first"] = {"base": 0.0, "trees": [node]}
    with pytest.raises(ParameterError):
        Gate.from_json(document)


@pytest.mark.parametrize(("key", "value", "says"), [("slope", 10**400, "must be a finite number"),
                                                    ("fitted_to", [3], "must be a list of names"),
                                                    ("first", {"base": 0.0, "trees": []}, "at least one")])
def test_a_gate_that_cannot_judge_is_refused(key: str, value: object, says: str) -> None:
    with pytest.raises(ParameterError, match=says):
        Gate.from_json(shipped_gate().to_json() | {key: value})


def test_a_gate_that_does_not_say_what_it_was_fitted_to_is_read() -> None:
    document = shipped_gate().to_json()
    assert document.pop("fitted_to") == sorted(name for name, split in FLEET.items() if split == "train")
    assert Gate.from_json(document).fitted_to == ()


def test_history_sees_a_steady_group_before_a_tap() -> None:
    """Four like candidates 250 ms apart, each judged a sure tap; the fifth sees them."""
    history, out = new_history(), np.empty(len(HISTORY))
    fill, keep = numba.njit(lambda *of: fill_history(*of)), numba.njit(lambda *of: remember(*of))
    row = np.zeros(len(FEATURES))
    row[FEATURES.index("level_v_db")], row[FEATURES.index("level_over_noise")] = -20.0, 30.0
    for trigger in (1000, 1250, 1500, 1750):
        keep(row, trigger, 5.0, history)
    row[FEATURES.index("level_v_db")], row[FEATURES.index("level_over_noise")] = -17.0, 33.0
    fill(out, row, 2000, -1.0, history)
    seen = dict(zip(HISTORY, out, strict=True))
    sure = 1.0 / (1.0 + np.exp(-5.0))
    assert seen["score"] == -1.0
    assert seen["best_700ms"] == 5.0
    assert seen["best_since"] == pytest.approx(np.log2(250))
    assert seen["best_step"] == pytest.approx(3.0)
    assert seen["taps_4s"] == pytest.approx(4 * sure)
    assert seen["others_4s"] == pytest.approx(4 * (1 - sure))
    assert seen["level_4s"] == pytest.approx(3.0)
    assert seen["beat"] == pytest.approx(0.0)
    odds = np.log2((4 * sure + 0.01) / (4 * (1 - sure) + 0.01))  # they differ in level alone, which is no likeness
    assert (seen["alike"], seen["alike_closely"]) == pytest.approx((odds, odds))
    assert (seen["nearest"], seen["best_unlike"]) == (0.0, 0.0)
    assert all(seen[f"off_{name}"] == pytest.approx(0.0) for name in LIKENESS)


def test_history_compares_a_candidate_with_the_taps_before_it() -> None:
    """Three taps, one other; the candidate differs from each by a known share of what LIKENESS counts as one."""
    history, out = new_history(), np.empty(len(HISTORY))
    fill, keep = numba.njit(lambda *of: fill_history(*of)), numba.njit(lambda *of: remember(*of))

    def row_of(units: float) -> np.ndarray:
        row = np.zeros(len(FEATURES))
        for name, unit in LIKENESS.items():
            row[FEATURES.index(name)] = units * unit
        return row

    past = [(1000, 0.2, 40.0), (1300, 0.4, 40.0), (1600, -0.1, -40.0), (1900, 0.3, 40.0)]
    for trigger, units, score in past:
        keep(row_of(units), trigger, score, history)
    fill(out, row_of(0.0), 2200, 0.0, history)
    seen = dict(zip(HISTORY, out, strict=True))
    taps, others = [units for _, units, score in past if score > 0], [units for _, units, score in past if score < 0]
    for name, reach in (("alike", 1.0), ("alike_closely", 0.5)):
        near, far = (sum(max(0.0, 1 - abs(units) / reach) ** 2 for units in those) for those in (taps, others))
        assert seen[name] == pytest.approx(np.log2((near + 0.01) / (far + 0.01)), abs=1e-6)
    assert seen["nearest"] == pytest.approx(0.2)
    assert seen["best_unlike"] == pytest.approx(0.3)
    for name in LIKENESS:
        assert seen[f"off_{name}"] == pytest.approx(-sum(taps) / 3.3, abs=1e-6)


@pytest.mark.parametrize(("last", "lower", "remembered"), [(-2.0, False, 1.0), (-2.0, True, -2.0), (3.0, True, 1.0)])
def test_a_raised_score_is_never_remembered(last: float, lower: bool, remembered: float) -> None:
    first, second = ({"base": 0.0, "trees": [score]} for score in (1.0, last))
    gate = Gate.from_json({"first": first, "second": second, "slope": 1.0,
                           "offset": 0.0, "remember_lower": lower})  # fmt: skip
    full, scores = np.empty((2, len(ALL_FEATURES))), np.empty(2)
    judge(np.array([1000, 1250]), np.zeros((2, len(FEATURES))), gate.first, gate.second, gate.remember_lower,
          new_history(), full, scores)
    assert scores.tolist() == [last, last]
    assert full[1, ALL_FEATURES.index("best_700ms")] == remembered


@pytest.mark.parametrize("position", ["inner-skin", "outer-skin", "frame", "latch-bracket"])
def test_taps_of_a_quiet_entry_are_found_within_25_ms(position: str) -> None:
    simulated = simulate_scene("badger", duration_s=14.0, seed=5, codes=["312"], tap_kind="knuckle")
    recording = simulated.recordings[position]
    found = Tap().build(recording.fs).push(recording.samples).onset_samples / recording.fs
    matching = match_onsets(recording.taps_s, found, window_s=0.025)
    assert (len(matching.missed), len(matching.spurious)) == (0, 0)


def test_rejected_candidates_name_the_feature_that_spoke_against_them() -> None:
    recording = simulate_scene("badger", "rain", duration_s=8.0, seed=5, taps="none").recordings["outer-skin"]
    found = Tap().build(recording.fs, keep_rejected=True).push(recording.samples)
    reasons = {reason.split(": ")[0] for reason in found.reason if reason not in ("below floor_v", "within dead time")}
    assert reasons <= {"", *ALL_FAMILIES}
    assert len(found) > len(found.accepted())


def test_probability_moves_the_operating_point_one_way() -> None:
    recording = simulate_scene("badger", "music", duration_s=10.0, seed=5, taps="practice").recordings["frame"]

    def run(probability: float) -> Detections:
        return Tap(probability=probability, dead_time_s=0.0).build(recording.fs).push(recording.samples)

    few, many = run(0.97), run(0.03)
    assert set(few.onset_samples) <= set(many.onset_samples)
    assert len(few) < len(many)


def test_a_saved_tap_detector_reads_back_equal(tmp_path: "pytest.TempPathFactory") -> None:
    path = tmp_path / "tap.json"  # type: ignore[operator]
    variant = Tap(probability=0.7, floor_v=0.004)
    write_detector(variant, path)
    assert load_detector(path) == variant


@pytest.mark.parametrize(("name", "value"), [("probability", 0.0), ("probability", 1.0), ("floor_v", 0.0),
                                             ("dead_time_s", -1.0)])
def test_a_parameter_out_of_range_is_refused(name: str, value: float) -> None:
    with pytest.raises(ParameterError, match=name):
        Tap(**{name: value})


@pytest.mark.parametrize("fs", [LOWEST_FS, 1000.0, 8000.0, 48_000.0, HIGHEST_FS])
def test_every_decision_comes_within_40_ms(fs: float) -> None:
    samples = np.random.default_rng(2).standard_normal(int(4 * fs)) * 1e-3
    for second in (1, 2, 3):
        ring = np.exp(-np.arange(int(0.2 * fs)) / (0.02 * fs)) * np.sin(2 * np.pi * 120 * np.arange(int(0.2 * fs)) / fs)
        samples[int(second * fs) : int(second * fs) + ring.size] += 0.3 * ring
    detector = Tap().build(fs, keep_rejected=True)
    assert detector.latency_s <= 0.040 + 1e-9
    found = detector.push(samples)
    assert len(found) >= 3
    assert np.all(found.decided_samples - found.onset_samples <= detector.latency_s * fs)
