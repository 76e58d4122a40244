"""Tests of difference and their adjustment against published examples and independent libraries."""

import itertools
import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.contingency_tables import mcnemar
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.power import NormalIndPower

from tapsig.comparison import statistics as comparison
from tapsig.errors import ParameterError
from tapsig.scoring.criteria import CRITERIA, FIELDS, Criterion, find_criterion
from tapsig.scoring.intervals import UNDEFINED

MEAN = Criterion("mean", "mean", 1, lambda sums: sums[..., 0], lambda _: UNDEFINED)


def count_taps(first: np.ndarray, second: np.ndarray, taps: int) -> tuple[np.ndarray, np.ndarray]:
    """Counts of two detectors in files of `taps` taps each, of which they find `first` and `second`."""
    one, other = (np.column_stack([of, 0 * of, taps - of, *[0 * of] * (len(FIELDS) - 3)]) for of in (first, second))
    return one.astype(float), other.astype(float)


@pytest.mark.parametrize(("b", "c"), [(1, 5), (0, 3), (6, 6), (2, 8), (0, 0)])
def test_swaps_of_single_taps_are_mcnemars_exact_test(b: int, c: int) -> None:
    # statsmodels.stats.contingency_tables.mcnemar; a file is one tap, which one of the two found.
    first, second = np.array([1] * b + [0] * c + [1]), np.array([0] * b + [1] * c + [1])
    ours = comparison.permute_swaps(*count_taps(first, second, 1), CRITERIA["recall"], seed=1)
    assert ours == pytest.approx(mcnemar([[1, b], [c, 0]], exact=True).pvalue, abs=1e-12)


def test_taps_of_one_file_that_share_a_fate_keep_the_level_and_mcnemars_test_does_not() -> None:
    rng = np.random.default_rng(2)
    tries, ours, theirs = 200, 0, 0
    for _ in range(tries):
        first, second = 8 * rng.integers(0, 2, (2, 10))  # eight taps in a file: all found, or none
        ours += comparison.permute_swaps(*count_taps(first, second, 8), CRITERIA["recall"], seed=1) <= 0.05
        b, c = int(np.maximum(first - second, 0).sum()), int(np.maximum(second - first, 0).sum())
        theirs += mcnemar([[0, b], [c, 0]], exact=True).pvalue <= 0.05
    assert ours / tries <= 0.07
    assert theirs / tries > 0.3


def test_holms_adjustment_equals_an_independent_library() -> None:
    # statsmodels.stats.multitest.multipletests(method="holm").
    rng = np.random.default_rng(3)
    for _ in range(50):
        p_values = rng.uniform(0, 0.2, rng.integers(1, 9))
        assert comparison.adjust_holm(p_values.tolist()) == pytest.approx(multipletests(p_values, method="holm")[1])


def permute_all(first: np.ndarray, second: np.ndarray, kind: str) -> float:
    """The exact p-value by scipy.stats.permutation_test, of the difference of sums."""
    found = stats.permutation_test(
        (first, second),
        lambda a, b: abs(a.sum() - b.sum()),
        permutation_type=kind,
        alternative="greater",
        n_resamples=np.inf,
    )
    return float(found.pvalue)


def test_swaps_equal_an_independent_library() -> None:
    # scipy.stats.permutation_test(permutation_type="samples"), exact: sums of nine pairs.
    rng = np.random.default_rng(4)
    first, second = rng.normal(0.4, 1, 9), rng.normal(0, 1, 9)
    ours = comparison.permute_swaps(first[:, None], second[:, None], MEAN, seed=0)
    assert ours == pytest.approx(permute_all(first, second, "samples"), abs=1e-12)


def test_random_swaps_and_labels_come_near_the_exact_tests() -> None:
    # Sign-flip by scipy.stats.permutation_test over all 2^14; labels over all 16!/(8!8!); all 10!/(5!5!) are tried.
    rng = np.random.default_rng(6)
    first, second = rng.normal(0.5, 1, 14), rng.normal(0, 1, 14)
    exact = permute_all(first, second, "samples")
    ours = comparison.permute_swaps(first[:, None], second[:, None], MEAN, seed=1)
    assert ours == pytest.approx(exact, abs=4 * np.sqrt(exact * (1 - exact) / 9999))
    for size, within in ((8, 4 * np.sqrt(0.25 / 9999)), (5, 1e-12)):
        one, two = first[:size], second[:size]
        ours = comparison.permute_labels(one[:, None], two[:, None], MEAN, seed=1)
        assert ours == pytest.approx(permute_all(one, two, "independent"), abs=within)


def test_the_permutation_test_keeps_its_level_when_there_is_no_difference() -> None:
    # Under the null a p-value is at most x with a probability of at most x: 300 trials, three standard errors.
    rng = np.random.default_rng(8)
    p_values = []
    for _ in range(300):
        counts = np.zeros((10, 2, len(FIELDS)))
        counts[:, :, :3] = rng.poisson(4, (10, 2, 3))
        p_values.append(comparison.permute_swaps(counts[:, 0], counts[:, 1], CRITERIA["f1"], seed=0))
    assert np.mean(np.array(p_values) <= 0.05) <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 300)


def test_fewest_recordings_are_those_of_the_smallest_p_value() -> None:
    # 2/2^n, times Holm's first factor, must come under 0.05.
    # Of labels 2·n!·n!/(2n)!.
    smallest = {True: lambda n: 2 / 2**n, False: lambda n: 2 / math.comb(2 * n, n)}
    for comparisons, (paired, p) in itertools.product(range(1, 30), smallest.items()):
        least = comparison.count_min_recordings(comparisons, paired=paired)
        assert comparisons * p(least) <= 0.05 < comparisons * p(least - 1)


def test_recordings_needed_of_each_allow_for_unequal_numbers() -> None:
    # Chow et al., Sample Size Calculations, ch. 3: n of each = (z₀.₉₇₅ + z₀.₈)² (s₁² + s₂²)/d², whatever gave the s.
    rng = np.random.default_rng(1)
    found = [rng.binomial(50, np.clip(rng.normal(mean, 0.15, n), 0, 1)) for mean, n in ((0.6, 8), (0.5, 80))]
    columns = [np.zeros((one.size, len(FIELDS))) for one in found]
    for column, one in zip(columns, found, strict=True):
        column[:, FIELDS.index("tp")], column[:, FIELDS.index("fn")] = one, 50 - one
    recall = CRITERIA["recall"]
    values = np.concatenate([comparison.resample(column[:, None], recall, seed=2) for column in columns], axis=1)
    [pair] = comparison.compare_pairs("ab", columns, values, [(0, 1)], recall, paired=False, seed=3)
    variance = sum(float(np.var(one / 50, ddof=1)) for one in found)
    z = stats.norm.ppf(0.975) + stats.norm.ppf(0.8)
    assert pair.needed == pytest.approx(z**2 * variance / pair.estimate.value**2, rel=0.06)


def test_recordings_needed_equal_an_independent_library() -> None:
    # statsmodels NormalIndPower(ddof=0): effect d/sd, power 0.8, two-sided 5 %. One sample (ratio=0); or two samples of
    # equal size (ratio=1), whose difference has the variance 2·sd²/n.
    count, difference, deviation = 20, 0.05, 0.2
    for samples, paired in ((1, True), (2, False)):
        ours = comparison.estimate_needed(count, difference, deviation * np.sqrt(samples / count), paired=paired)
        theirs = NormalIndPower(ddof=0).solve_power(difference / deviation, alpha=0.05, power=0.8, ratio=samples - 1)
        assert ours == pytest.approx(theirs, rel=1e-3)
    assert comparison.estimate_needed(20, 0.0, 0.1) == np.inf


@pytest.mark.parametrize("count", [8, 50])
def test_resampled_mean_has_the_interval_of_student(count: int) -> None:
    """Of a sum of normal values: n·mean ± t·√n·s, by scipy."""
    values = np.random.default_rng(2).normal(size=(count, 1, 1))
    resampled = comparison.resample(values, MEAN, seed=5)
    low, high = comparison.percentile_interval(resampled)
    theirs = stats.t.interval(0.95, count - 1, count * values.mean(), np.sqrt(count) * values.std(ddof=1))
    assert (low, high) == pytest.approx(theirs, abs=0.12 * (theirs[1] - theirs[0]) / 2)


@pytest.mark.parametrize("files", [2, 3, 5, 6, 12])
def test_intervals_of_differences_hold_the_estimate_and_what_is_possible(files: int) -> None:
    # F1 lies between 0 and 1, so differences between -1 and 1. 2/2^6 is the first p-value under 0.05.
    rng = np.random.default_rng(files)
    for _ in range(30):
        counts = np.zeros((files, 2, len(FIELDS)))
        counts[:, :, :3] = rng.poisson(0.4 * rng.integers(1, 9, (files, 2, 3)))
        columns = [counts[:, 0], counts[:, 1]]
        values = comparison.resample(counts, CRITERIA["f1"], seed=1)
        [pair] = comparison.compare_pairs(["a", "b"], columns, values, [(0, 1)], CRITERIA["f1"], paired=True, seed=1)
        one = pair.estimate
        seen = [2 * tp / (2 * tp + fp + fn) if tp + fp + fn else math.nan for tp, fp, fn in counts.sum(axis=0)[:, :3]]
        assert one.value == pytest.approx(seen[0] - seen[1], nan_ok=True)
        if files < 6 or not np.isfinite(values).all():
            assert np.isnan([one.low, one.high]).all()
        else:
            assert -1 <= one.low <= one.value <= one.high <= 1


def test_one_recording_has_nothing_to_resample() -> None:
    values = np.full((1, 2, 1), 3.0)
    np.testing.assert_array_equal(comparison.resample(values, MEAN, seed=5), np.full((comparison.RESAMPLES, 2), 3.0))


def test_criteria_are_undefined_where_nothing_was_counted() -> None:
    empty = np.zeros(len(FIELDS))
    assert all(np.isnan(criterion.compute(empty)) for criterion in CRITERIA.values())
    with pytest.raises(ParameterError, match="f1, recall"):
        find_criterion("accuracy")
