"""Matching against independent libraries: the most pairs, the least error among these, window edge included."""

import mir_eval
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import maximum_bipartite_matching

from tapsig.errors import ParameterError
from tapsig.scoring.matching import EDGE_SLACK_S, match_onsets


def random_times(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, float]:
    """Crowded times on a grid that hits the window's edge often, in no order."""
    grid = 0.01 if rng.random() < 0.5 else 1e-5
    span = float(rng.choice([0.3, 2.0]))
    times = [np.round(rng.uniform(0, span, rng.integers(0, 25)) / grid) * grid for _ in range(2)]
    return times[0], times[1], float(rng.choice([0.02, 0.05, 0.1]))


def test_pairs_are_as_many_as_the_reference_librarys_in_3000_random_cases() -> None:
    # mir_eval.util.match_events: maximum bipartite matching (Hopcroft-Karp), edge included.
    rng = np.random.default_rng(20260101)
    for _ in range(3000):
        reference, detected, window = random_times(rng)
        matching = match_onsets(reference, detected, window_s=window)
        expected = mir_eval.util.match_events(np.sort(reference), np.sort(detected), window + EDGE_SLACK_S)
        assert len(matching.pairs) == len(expected)


def test_f1_precision_recall_equal_the_reference_library() -> None:
    # mir_eval.onset.f_measure, which wants sorted times.
    rng = np.random.default_rng(5)
    for _ in range(1000):
        reference, detected, window = random_times(rng)
        if not reference.size or not detected.size:
            continue  # the library scores these as 0 where here the ratio is undefined
        tp = len(match_onsets(reference, detected, window_s=window).pairs)
        edge = window + EDGE_SLACK_S
        _, precision, recall = mir_eval.onset.f_measure(np.sort(reference), np.sort(detected), window=edge)
        assert tp / detected.size == pytest.approx(precision, abs=1e-12)
        assert tp / reference.size == pytest.approx(recall, abs=1e-12)


times_s = st.lists(st.integers(0, 60), max_size=14).map(lambda values: np.array(values) / 64)  # exact in binary


@given(times_s, times_s, st.integers(1, 12))
@settings(max_examples=400)  # small sets of times: ties and chains are rare among them
def test_most_pairs_first_then_the_least_error(reference: np.ndarray, detected: np.ndarray, width: int) -> None:
    # scipy.sparse.csgraph.maximum_bipartite_matching for the number; scipy.optimize.linear_sum_assignment, with a
    # price for every pair outside the window, for the sum of errors.
    window = width / 64
    matching = match_onsets(reference, detected, window_s=window)
    distance = np.abs(np.subtract.outer(reference, detected))
    if not distance.size:
        assert not len(matching.pairs)
        return
    inside = csr_matrix(distance <= window)
    assert len(matching.pairs) == int((maximum_bipartite_matching(inside, perm_type="column") >= 0).sum())
    rows, columns = linear_sum_assignment(np.where(distance <= window, distance, 1000.0))
    least = sum(d for d in distance[rows, columns] if d <= window)
    errors = distance[matching.pairs[:, 0], matching.pairs[:, 1]]
    assert errors.sum() == pytest.approx(least, abs=1e-12)


@given(times_s, times_s)
def test_every_event_is_used_once_or_listed_as_left_over(reference: np.ndarray, detected: np.ndarray) -> None:
    matching = match_onsets(reference, detected, window_s=0.05)
    used = [*matching.pairs[:, 0], *matching.missed]
    heard = [*matching.pairs[:, 1], *matching.spurious]
    assert sorted(used) == list(range(reference.size))
    assert sorted(heard) == list(range(detected.size))


def test_an_error_of_exactly_the_window_is_inside_whatever_the_rounding() -> None:
    # Times in whole milliseconds, as label files have them: exact arithmetic puts every pair on the edge.
    for milliseconds in range(1, 3000):
        onset, later = milliseconds / 1000, (milliseconds + 50) / 1000
        assert len(match_onsets([onset], [later], window_s=0.05).pairs) == 1
        assert len(match_onsets([later], [onset], window_s=0.05).pairs) == 1
        assert not len(match_onsets([onset], [later + 1e-6], window_s=0.05).pairs)


@pytest.mark.parametrize(
    ("bad", "told"),
    [
        ([0.5, np.nan], r"detected_s\[1\] is nan"),
        ([np.inf], r"detected_s\[0\] is inf"),
        ([[1.0]], r"detected_s has the shape \(1, 1\)"),
    ],
)
def test_times_that_are_not_finite_or_not_a_list_are_refused(bad: list[float], told: str) -> None:
    with pytest.raises(ParameterError, match=told):
        match_onsets([1.0], bad)


@pytest.mark.parametrize("window_s", [0.0, -0.05, np.nan])
def test_a_window_that_is_not_above_zero_is_refused(window_s: float) -> None:
    with pytest.raises(ParameterError, match="window_s"):
        match_onsets([1.0], [1.0], window_s=window_s)
