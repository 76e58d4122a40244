"""Intervals against published tables and an independent library."""

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from tapsig.errors import ParameterError
from tapsig.score.intervals import (
    bootstrap_interval,
    clopper_pearson_interval,
    poisson_rate_interval,
    wilson_interval,
)

# Newcombe, Statistics in Medicine 17 (1998) 857-872, Table I (the four examples; printed values from memory,
# recomputed): successes, trials, exact, score.
NEWCOMBE = [
    (81, 263, (0.2527, 0.3676), (0.2553, 0.3662)),
    (15, 148, (0.0578, 0.1617), (0.0624, 0.1605)),
    (0, 20, (0.0, 0.1684), (0.0, 0.1611)),
    (1, 29, (0.0009, 0.1776), (0.0061, 0.1718)),
]


@pytest.mark.parametrize(("successes", "trials", "exact", "score"), NEWCOMBE)
def test_share_intervals_are_those_of_newcombes_table(
    successes: int, trials: int, exact: tuple[float, float], score: tuple[float, float]
) -> None:
    assert clopper_pearson_interval(successes, trials) == pytest.approx(exact, abs=5e-5)
    assert wilson_interval(successes, trials) == pytest.approx(score, abs=5e-5)


@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.99])
@pytest.mark.parametrize("trials", [1, 7, 40, 1000])
def test_share_intervals_equal_an_independent_library(trials: int, confidence: float) -> None:
    # statsmodels.stats.proportion.proportion_confint, methods "wilson" and "beta".
    for successes in {0, 1, trials // 3, trials}:
        ours = wilson_interval(successes, trials, confidence=confidence)
        theirs = proportion_confint(successes, trials, alpha=1 - confidence, method="wilson")
        assert ours == pytest.approx(theirs, abs=1e-10)
        ours = clopper_pearson_interval(successes, trials, confidence=confidence)
        theirs = proportion_confint(successes, trials, alpha=1 - confidence, method="beta")
        assert ours == pytest.approx(theirs, abs=1e-10)


@pytest.mark.parametrize(("trials", "upper"), [(30, 0.0950), (100, 0.02951), (300, 0.00994)])
def test_no_successes_bound_the_share_by_about_three_over_n(trials: int, upper: float) -> None:
    # Jovanovic & Levy, The American Statistician 51 (1997) 137: one-sided 95 % bound 1 - 0.05^(1/n).
    assert clopper_pearson_interval(0, trials, confidence=0.9)[1] == pytest.approx(upper, abs=1e-4)


# Garwood, Biometrika 28 (1936) 437: exact 95 % limits of a Poisson count (seen in part, recomputed).
GARWOOD = [
    (0, 0.0, 3.689), (1, 0.0253, 5.572), (2, 0.2422, 7.225), (3, 0.619, 8.767), (5, 1.623, 11.668),
    (10, 4.795, 18.390), (20, 12.217, 30.888), (100, 81.364, 121.627),
]  # fmt: skip


@pytest.mark.parametrize(("events", "low", "high"), GARWOOD)
def test_rate_interval_is_garwoods(events: int, low: float, high: float) -> None:
    assert poisson_rate_interval(events, 1.0) == pytest.approx((low, high), abs=1e-3)
    assert poisson_rate_interval(events, 4.0) == pytest.approx((low / 4, high / 4), abs=1e-3)


def test_one_sided_rate_bound_without_events_is_about_three() -> None:
    assert poisson_rate_interval(0, 1.0, confidence=0.9)[1] == pytest.approx(2.9957, abs=1e-4)  # -ln 0.05


def test_nothing_observed_has_no_interval() -> None:
    for interval in (wilson_interval(0, 0), clopper_pearson_interval(0, 0), poisson_rate_interval(0, 0.0)):
        assert all(map(math.isnan, interval))


def test_impossible_counts_are_refused() -> None:
    for bad in ((3, 2), (-1, 2)):
        with pytest.raises(ParameterError, match="successes"):
            wilson_interval(*bad)
    with pytest.raises(ParameterError, match="events"):
        poisson_rate_interval(-1, 1.0)
    with pytest.raises(ParameterError, match="confidence"):
        wilson_interval(1, 2, confidence=95)


def test_bootstrap_of_a_mean_agrees_with_an_independent_library() -> None:
    # scipy.stats.bootstrap, percentile method; both are random, so within a tenth of its standard error.
    values = np.random.default_rng(1).gamma(2.0, 1.0, 60)
    counts = np.column_stack([values, np.ones_like(values)])
    rng = np.random.default_rng(2)
    ours = bootstrap_interval(counts, lambda sums: sums[:, 0] / sums[:, 1], rng=rng, resamples=20_000)
    theirs = stats.bootstrap(
        (values,), np.mean, n_resamples=20_000, method="percentile", rng=np.random.default_rng(3)
    )
    assert ours == pytest.approx(tuple(theirs.confidence_interval), abs=0.1 * theirs.standard_error)


def test_bootstrap_is_the_same_for_the_same_seed_and_undefined_for_one_recording() -> None:
    counts = np.array([[3.0, 1.0], [2.0, 4.0], [9.0, 2.0]])

    def interval(rows: np.ndarray) -> tuple[float, float]:
        return bootstrap_interval(rows, lambda sums: sums[:, 0] / sums.sum(axis=1), rng=np.random.default_rng(7))

    assert interval(counts) == interval(counts)
    assert all(map(math.isnan, interval(counts[:1])))
