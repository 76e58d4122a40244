"""Intervals against a published table and an independent library."""

import math
from collections.abc import Callable

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from tapsig.errors import ParameterError
from tapsig.scoring.criteria import CRITERIA, FIELDS
from tapsig.scoring.intervals import (
    clustered_rate_interval,
    clustered_share_interval,
    poisson_rate_interval,
    wilson_interval,
)
from tapsig.units import FloatArray, IntArray


@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.99])
@pytest.mark.parametrize("trials", [1, 7, 40, 1000])
def test_share_intervals_equal_an_independent_library(trials: int, confidence: float) -> None:
    # statsmodels.stats.proportion.proportion_confint, method "wilson".
    for successes in {0, 1, trials // 3, trials}:
        ours = wilson_interval(successes, trials, confidence=confidence)
        theirs = proportion_confint(successes, trials, alpha=1 - confidence, method="wilson")
        assert ours == pytest.approx(theirs, abs=1e-10)


# Garwood, Biometrika 28 (1936) 437: exact 95 % limits of a Poisson count (seen in part, recomputed).
GARWOOD = [
    (0, 0.0, 3.689),
    (1, 0.0253, 5.572),
    (2, 0.2422, 7.225),
    (3, 0.619, 8.767),
    (5, 1.623, 11.668),
    (10, 4.795, 18.390),
    (20, 12.217, 30.888),
    (100, 81.364, 121.627),
]


@pytest.mark.parametrize(("events", "low", "high"), GARWOOD)
def test_rate_interval_is_garwoods(events: int, low: float, high: float) -> None:
    assert poisson_rate_interval(events, 1.0) == pytest.approx((low, high), abs=1e-3)
    assert poisson_rate_interval(events, 4.0) == pytest.approx((low / 4, high / 4), abs=1e-3)


def test_one_sided_rate_bound_without_events_is_about_three() -> None:
    assert poisson_rate_interval(0, 1.0, confidence=0.9)[1] == pytest.approx(2.9957, abs=1e-4)  # -ln 0.05


def test_nothing_observed_has_no_interval() -> None:
    for interval in (wilson_interval(0, 0), poisson_rate_interval(0, 0.0)):
        assert all(map(math.isnan, interval))


def test_impossible_counts_are_refused() -> None:
    for bad in ((3, 2), (-1, 2)):
        with pytest.raises(ParameterError, match="successes"):
            wilson_interval(*bad)
    with pytest.raises(ParameterError, match="events"):
        poisson_rate_interval(-1, 1.0)
    with pytest.raises(ParameterError, match="confidence"):
        wilson_interval(1, 2, confidence=95)


# ---- files as units

Z, T_9 = 1.95996, 2.26216  # 97.5 % points of the normal and of Student's distribution with 9 degrees of freedom


def test_a_file_in_which_all_taps_share_one_fate_counts_as_one_tap() -> None:
    # Kish, Survey Sampling (1965), ch. 5: clusters of k alike have the design effect 1 + (k - 1)·1 = k. The variance of
    # ten has the divisor nine, and Student's quantile goes with it.
    found, taps = np.array([4.0] * 7 + [0.0] * 3), np.full(10, 4.0)
    worth = 9 / 10 * (Z / T_9) ** 2
    assert clustered_share_interval(found, taps) == pytest.approx(wilson_interval(7 * worth, 10 * worth), abs=1e-5)


def test_variance_between_files_is_that_of_an_independent_library() -> None:
    # The delete-one jackknife (Cochran, Sampling Techniques, ch. 6): the estimate without each file, by statsmodels'
    # binomial and Poisson models. Student's quantile by scipy, its degrees of freedom from Kish's effective number.
    rng = np.random.default_rng(5)
    taps = rng.integers(3, 12, 10)
    found = rng.binomial(taps, rng.beta(3, 1, 10))
    hours = rng.uniform(0.1, 0.4, 10)
    false = rng.poisson(hours * rng.gamma(1.0, 100.0, 10))

    def relative_variance(fit: Callable[[IntArray], float], wholes: FloatArray | IntArray) -> float:
        every = np.arange(10)
        without = [fit(np.delete(every, k)) / fit(every) - 1 for k in every]
        student = stats.t.ppf(0.975, wholes.sum() ** 2 / (wholes**2).sum() - 1)
        return 9 / 10 * float(np.square(without).sum()) * (student / Z) ** 2

    def fit_share(files: IntArray) -> float:
        pairs = np.column_stack([found, taps - found])[files]
        return float(sm.GLM(pairs, np.ones(files.size), family=sm.families.Binomial()).fit().fittedvalues[0])

    def fit_rate(files: IntArray) -> float:
        model = sm.GLM(false[files], np.ones(files.size), family=sm.families.Poisson(), exposure=hours[files])
        return float(np.exp(model.fit().params[0]))

    share, rate = (fit(np.arange(10)) for fit in (fit_share, fit_rate))
    n = (1 - share) / share / relative_variance(fit_share, taps)
    ours = clustered_share_interval(found.astype(float), taps.astype(float))
    assert ours == pytest.approx(wilson_interval(share * n, n), abs=1e-5)
    events = 1 / relative_variance(fit_rate, hours)  # a Poisson count has a relative variance of 1/count
    ours = clustered_rate_interval(false.astype(float), hours)
    assert ours == pytest.approx(poisson_rate_interval(events, events / rate), rel=1e-4)


@pytest.mark.parametrize("files", [4, 6, 10])
def test_intervals_hold_the_truth_where_few_files_hold_most_of_the_taps(files: int) -> None:
    # 4, 10, 40 or 100 taps in a file, found with a chance that is Beta(2, 2) over files. Without the jackknife and
    # with Student's quantile of the number of files, 84 to 88 % hold 0.5.
    rng, tries, held = np.random.default_rng(3), 800, 0
    for _ in range(tries):
        taps = rng.choice([4, 10, 40, 100], files)
        low, high = clustered_share_interval(1.0 * rng.binomial(taps, rng.beta(2.0, 2.0, files)), 1.0 * taps)
        held += low <= 0.5 <= high
    assert held / tries >= 0.93


def test_one_file_and_files_that_differ_less_than_chance_have_the_plain_intervals() -> None:
    for files in (1, 5):
        found, taps, hours = np.full(files, 7.0), np.full(files, 9.0), np.full(files, 0.5)
        assert clustered_share_interval(found, taps) == wilson_interval(7 * files, 9 * files)
        assert clustered_rate_interval(found, hours) == poisson_rate_interval(7 * files, 0.5 * files)


def test_a_file_without_taps_tells_nothing_of_recall() -> None:
    found, taps = np.array([3.0, 9.0, 1.0]), np.array([9.0, 9.0, 9.0])
    more = clustered_share_interval(np.append(found, [0.0] * 5), np.append(taps, [0.0] * 5))
    assert more == clustered_share_interval(found, taps)


def test_perfect_files_have_an_interval_of_f1_and_not_a_point() -> None:
    # Six of six, in two files of three with the design effect 1 + (3 - 1)/4 (Kish): Wilson's lower edge is n/(n + z²);
    # F1 = 2J/(1 + J).
    counts = np.zeros((2, len(FIELDS)))
    counts[:, 0] = 3
    low = 4 / (4 + Z**2)
    assert CRITERIA["f1"].interval(counts) == pytest.approx((2 * low / (1 + low), 1.0), abs=1e-5)


@pytest.mark.parametrize("files", [10, 30])
def test_intervals_hold_the_truth_as_often_as_they_say_where_files_differ(files: int) -> None:
    # Recall of a file: Beta(5.4, 0.6), so 0.9 on average; false alarms: Poisson of a Gamma(2)-distributed mean of 1;
    # 4 to 11 taps, 7.5 on average; a tenth of an hour. The ratios of the expected counts follow.
    found = 0.9 * 7.5
    truth = {"recall": 0.9, "precision": found / (found + 1), "f1": 2 * found / (found + 7.5 + 1), "false-alarms": 10.0}
    rng, tries = np.random.default_rng(11), 1000
    held = dict.fromkeys(truth, 0)
    independent = 0
    for _ in range(tries):
        taps = rng.integers(4, 12, files)
        tp, fp = rng.binomial(taps, rng.beta(5.4, 0.6, files)), rng.poisson(rng.gamma(2.0, 0.5, files))
        counts = np.column_stack([tp, fp, taps - tp, 0 * tp, 0 * tp, np.full(files, 360.0)])
        for name, value in truth.items():
            low, high = CRITERIA[name].interval(counts)
            held[name] += low <= value <= high
        low, high = wilson_interval(tp.sum(), taps.sum())
        independent += low <= 0.9 <= high
    assert all(0.925 <= count / tries <= 0.98 for count in held.values()), held
    assert independent / tries < 0.85  # of taps taken as independent


@pytest.mark.parametrize("files", [10, 20])
@pytest.mark.parametrize("mean", [0.97, 0.99])
def test_intervals_near_1_hold_the_truth_where_few_files_have_misses(files: int, mean: float) -> None:
    # Recall of a file: Beta with a + b = 3, so a correlation of 1/(a + b + 1) = 0.25 within files; 20 taps each.
    rng, tries, held = np.random.default_rng(7), 800, 0
    taps = np.full(files, 20.0)
    for _ in range(tries):
        found = rng.binomial(20, rng.beta(3 * mean, 3 * (1 - mean), files)).astype(float)
        low, high = clustered_share_interval(found, taps)
        held += low <= mean <= high
    assert held / tries >= 0.93


def test_all_found_in_ten_files_is_not_worth_two_hundred_independent_taps() -> None:
    # n/(n + z²) with n = 200/(1 + 19/4) instead of 200: 0.90 and not 0.981. Failures alike, mirrored.
    taps = np.full(10, 20.0)
    n = 200 / (1 + 19 / 4)
    assert clustered_share_interval(taps, taps) == pytest.approx((n / (n + Z**2), 1.0), abs=1e-5)
    assert clustered_share_interval(0 * taps, taps) == pytest.approx((0.0, Z**2 / (n + Z**2)), abs=1e-5)
