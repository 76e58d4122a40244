"""Agreement of two labellers: counts, F1, differences in time, and what they differ on."""

import math

import mir_eval
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapsig.errors import ParameterError
from tapsig.labelling.agreement import compare_labels
from tapsig.records import Label

times = st.lists(st.integers(0, 400).map(lambda n: n / 100), max_size=25, unique=True).map(sorted)


@given(times, times)
def test_f1_is_that_of_an_independent_library_whichever_is_the_reference(a: list[float], b: list[float]) -> None:
    # mir_eval.onset.f_measure: maximum matching, window edge included; it gives 0 where nothing is defined.
    one, two = [Label(t) for t in a], [Label(t) for t in b]
    expected = mir_eval.onset.f_measure(np.array(a), np.array(b), window=0.0501)[0] if a and b else 0.0
    for agreement in (compare_labels(one, two, window_s=0.0501), compare_labels(two, one, window_s=0.0501)):
        if a or b:
            assert agreement.f1 == pytest.approx(expected, abs=1e-12)
        else:
            assert math.isnan(agreement.f1)


def test_equal_files_agree_whole() -> None:
    labels = [Label(1.0), Label(2.0), Label(2.5, "rain")]
    agreement = compare_labels(labels, labels)
    assert agreement.f1 == 1.0
    assert agreement.disagreements == ()
    assert set(agreement.percentiles_s().values()) == {0.0}


def test_differences_are_b_minus_a_and_their_percentiles_those_of_numpy() -> None:
    shifts = np.linspace(-0.02, 0.03, 11)
    a = [Label(float(i)) for i in range(1, 11)]
    b = [Label(i + float(shifts[i])) for i in range(1, 11)]
    agreement = compare_labels(a, b)
    np.testing.assert_allclose(agreement.differences_s, shifts[1:], atol=1e-12)
    assert agreement.percentiles_s()[50] == pytest.approx(float(np.median(shifts[1:])))
    assert agreement.percentiles_s()[5] == pytest.approx(float(np.percentile(shifts[1:], 5)))


def test_what_one_calls_otherwise_and_what_one_lacks_is_listed_in_order_of_time() -> None:
    a = [Label(1.0), Label(2.0), Label(3.0, "slam"), Label(5.0, "rain")]
    b = [Label(1.0), Label(2.01, "thump"), Label(3.02), Label(4.0)]
    listed = compare_labels(a, b).disagreements
    assert [(item.time_s, item.kind_a, item.kind_b) for item in listed] == [
        (2.0, "tap", "thump"),
        (3.02, "slam", "tap"),
        (4.0, "", "tap"),
    ]
    assert listed[0].difference_s == pytest.approx(0.01)
    assert listed[1].difference_s == pytest.approx(0.02)
    assert math.isnan(listed[2].difference_s)


def test_swapping_the_files_swaps_the_answer() -> None:
    a = [Label(1.0), Label(2.0), Label(3.0, "slam")]
    b = [Label(1.01), Label(3.02), Label(4.0)]
    one, two = compare_labels(a, b), compare_labels(b, a)
    np.testing.assert_allclose(one.differences_s, -two.differences_s)
    assert [(item.kind_a, item.kind_b) for item in one.disagreements] == [
        (item.kind_b, item.kind_a) for item in two.disagreements
    ]


def test_without_pairs_the_differences_are_undefined() -> None:
    agreement = compare_labels([Label(1.0)], [Label(2.0)])
    assert agreement.f1 == 0.0
    assert all(math.isnan(value) for value in agreement.percentiles_s().values())


@pytest.mark.parametrize("window_s", [-0.1, 2.0, float("nan")])
def test_a_window_out_of_range_is_refused(window_s: float) -> None:
    with pytest.raises(ParameterError, match="window_s"):
        compare_labels([], [], window_s=window_s)
