"""Statistics of a comparison: bootstrap, permutation tests, Holm's adjustment, sample size.

The unit is the recording (one file), since taps within one are not independent. `counts` has shape
(recordings, k, fields), for k things compared on the same recordings, with the fields of `tapsig.scoring.criteria`.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tapsig.scoring.criteria import Criterion, Estimate
from tapsig.scoring.intervals import CONFIDENCE, widen_to_student
from tapsig.units import FloatArray

RESAMPLES = 4000
SIGNIFICANCE = 0.05
POWER = 0.8
SHUFFLES = 9999
"""Permutations of the recordings: all of them up to this number, otherwise this number of random ones."""


def drop_undefined(columns: Sequence[FloatArray], criterion: Criterion) -> list[FloatArray]:
    """The columns (recordings, fields) without recordings in which the criterion is undefined in every one.

    They add nothing to any sum, such as a silent recording without taps to F1, and show nothing of a difference.
    """
    defined = np.isfinite(criterion.compute(np.stack(columns))).any(axis=0)
    return [column[defined] for column in columns]


def resample(counts: FloatArray, criterion: Criterion, *, seed: int) -> FloatArray:
    """Values of the criterion over bootstrap samples of recordings, shape (RESAMPLES, k).

    All k share each sample, so differences between columns are paired. Samples of n - 1 recordings have the variance of
    the estimate (Rao & Wu, J. Am. Stat. Assoc. 83 (1988) 231), those of n too little; and since few recordings give an
    uncertain variance, departures from the observed value are widened from the normal to Student's 97.5 % quantile.
    """
    recordings, k, fields = counts.shape
    observed = criterion.compute(counts.sum(axis=0))
    if recordings < 2:
        return np.repeat(observed[None], RESAMPLES, axis=0)
    shares = np.full(recordings, 1.0 / recordings)
    drawn = np.random.default_rng(seed).multinomial(recordings - 1, shares, size=RESAMPLES)
    weights = drawn * (recordings / (recordings - 1))
    values = criterion.compute((weights @ counts.reshape(recordings, k * fields)).reshape(RESAMPLES, k, fields))
    return observed + (values - observed) * widen_to_student(recordings)


def percentile_interval(values: FloatArray) -> tuple[float, float]:
    """95 % percentile interval of resampled values, all finite (Efron & Tibshirani 1993, ch. 13)."""
    low, high = np.quantile(values, [(1 - CONFIDENCE) / 2, (1 + CONFIDENCE) / 2]).tolist()
    return low, high


def compute_probability_best(values: FloatArray, sign: int) -> FloatArray:
    """Share of the resamples, shape (resamples, k), in which each column is the best; ties are shared.

    >>> compute_probability_best(np.array([[0.9, 0.5], [0.8, 0.8], [0.7, 0.1], [0.2, 0.3]]), 1).tolist()
    [0.625, 0.375]
    """
    finite = values[np.isfinite(values).all(axis=1)] * sign
    if not len(finite):
        return np.full(values.shape[1], np.nan)
    best = finite == finite.max(axis=1, keepdims=True)
    return np.asarray((best / best.sum(axis=1, keepdims=True)).mean(axis=0))


def permute_swaps(first: FloatArray, second: FloatArray, criterion: Criterion, *, seed: int) -> float:
    """Two-sided permutation test of paired recordings, shape (n, fields) each: p-value.

    Under the null hypothesis, swapping the two within a recording does not change the distribution (Fisher's
    randomisation test). Up to SHUFFLES, all 2^n swaps are used; otherwise as many random ones and the observed one.
    """
    count = len(first)
    if 2**count <= SHUFFLES:
        swaps = np.array(list(itertools.product([0.0, 1.0], repeat=count)))
    else:
        random = np.random.default_rng(seed).integers(0, 2, (SHUFFLES, count)).astype(np.float64)
        swaps = np.concatenate([np.zeros((1, count)), random])
    return _compare_to_first((1 - swaps) @ first + swaps @ second, (1 - swaps) @ second + swaps @ first, criterion)


def permute_labels(first: FloatArray, second: FloatArray, criterion: Criterion, *, seed: int) -> float:
    """Two-sided permutation test of unpaired recordings, shape (n, fields) and (m, fields): p-value.

    All labellings are used, or random ones, as in `permute_swaps`.
    """
    pooled, count = np.concatenate([first, second]), len(first)
    if math.comb(len(pooled), count) <= SHUFFLES:
        chosen = np.array(list(itertools.combinations(range(len(pooled)), count)), dtype=np.int64)  # or none of any
    else:
        rng = np.random.default_rng(seed)
        shuffled = [rng.permutation(len(pooled))[:count] for _ in range(SHUFFLES)]
        chosen = np.array([np.arange(count), *shuffled])
    masks = np.zeros((len(chosen), len(pooled)))
    np.put_along_axis(masks, chosen, 1.0, axis=1)
    return _compare_to_first(masks @ pooled, (1 - masks) @ pooled, criterion)


def _compare_to_first(one: FloatArray, other: FloatArray, criterion: Criterion) -> float:
    """Share of the rows whose difference is at least as large as that of the first row, the observed one."""
    difference = np.abs(criterion.compute(one) - criterion.compute(other))
    if not np.isfinite(difference[0]):
        return math.nan
    return float(np.mean(difference[np.isfinite(difference)] >= difference[0] - 1e-12))


def adjust_holm(p_values: Sequence[float]) -> list[float]:
    """p-values adjusted for their number, step-down (Holm, Scand. J. Statist. 6 (1979) 65); nan stays nan.

    >>> [round(p, 3) for p in adjust_holm([0.01, 0.04, 0.03])]
    [0.03, 0.06, 0.06]
    """
    known = sorted((p, index) for index, p in enumerate(p_values) if not math.isnan(p))
    adjusted, largest = [math.nan] * len(p_values), 0.0
    for rank, (p, index) in enumerate(known):
        largest = max(largest, min(1.0, p * (len(known) - rank)))
        adjusted[index] = largest
    return adjusted


def compute_min_p(first: int, second: int, *, paired: bool) -> float:
    """The smallest p-value possible with these numbers of recordings: 2/2^n by swaps, 2/C(2n, n) by labels.

    Labels of unequal numbers have no mirror image, hence 1/C(n + m, n).
    """
    if paired:
        return 2 / 2**first
    return (2 if first == second else 1) / math.comb(first + second, first)


def count_min_recordings(comparisons: int, *, paired: bool = True) -> int:
    """Recordings (of each, when unpaired) below which no difference can reach 5 % after Holm's adjustment.

    >>> count_min_recordings(1), count_min_recordings(6), count_min_recordings(6, paired=False)
    (6, 8, 5)
    """
    numbers = itertools.count(1)
    return next(n for n in numbers if max(1, comparisons) * compute_min_p(n, n, paired=paired) <= SIGNIFICANCE)


def estimate_needed(
    recordings: int, difference: float, standard_error: float, *, comparisons: int = 1, paired: bool = True
) -> float:
    """Recordings (of each, when unpaired) that show `difference` with a power of 80 %: n·((z₁₋ₐ + z₀.₈)·se/d)².

    `standard_error` is that of `recordings`; the two-sided level is 5 % over the number of comparisons. inf for no
    difference. The usual formula for a sample size (such as Chow et al., Sample Size Calculations, ch. 3).
    """
    from scipy.special import ndtri  # heavy

    if not (math.isfinite(difference) and math.isfinite(standard_error)):
        return math.nan
    if difference == 0:
        return math.inf
    z = float(ndtri(1 - SIGNIFICANCE / (2 * max(1, comparisons))) + ndtri(POWER))
    least = float(count_min_recordings(comparisons, paired=paired))
    return max(least, recordings * (z * standard_error / difference) ** 2)


@dataclass(frozen=True, slots=True)
class Difference:
    """Value of `first` less that of `second`, with a percentile interval (nan: see `compare_pairs`).

    `p` is that of a permutation test, `p_adjusted` after Holm's adjustment for all pairs. `needed` is the number of
    recordings (of each, when unpaired) that would show the difference, if it is as large as observed.
    """

    first: str
    second: str
    estimate: Estimate
    p: float
    p_adjusted: float
    needed: float

    @property
    def significant(self) -> bool:
        """Whether the difference is significant (5 %, adjusted)."""
        return self.p_adjusted < SIGNIFICANCE

    def to_dict(self, recordings: int) -> dict[str, object]:
        """Plain values by name, with the number of recordings that were compared."""
        tested = {"p": self.p, "p_holm": self.p_adjusted, "recordings": recordings, "recordings_needed": self.needed}
        return self.estimate.to_dict("difference") | tested


def _compute_spread(resampled: FloatArray, recordings: int) -> float:
    """Standard deviation that a single recording would give; nan where undefined in all resamples."""
    if not np.isfinite(resampled).any():
        return math.nan
    return float(np.nanstd(resampled)) / widen_to_student(recordings) * math.sqrt(recordings)


def _limit_interval(seen: float, resampled: FloatArray, most: float) -> Estimate:
    """The difference with its percentile interval, within ±`most`: widened departures may exceed what is possible."""
    if not np.isfinite(resampled).all():
        return Estimate(seen)
    low, high = percentile_interval(np.clip(resampled, -most, most))
    return Estimate(seen, min(seen, low), max(seen, high))


def compare_pairs(
    names: Sequence[str],
    columns: Sequence[FloatArray],
    values: FloatArray,
    pairs: Sequence[tuple[int, int]],
    criterion: Criterion,
    *,
    paired: bool,
    seed: int,
) -> tuple[Difference, ...]:
    """The differences of `pairs` of columns (recordings, fields), whose resampled `values` have the shape (r, k).

    There is no interval where the recordings are too few for any difference to be significant, where one of a pair has
    a single one, or where the criterion is undefined in some of the resamples. Where they are too few for any pair, the
    recordings needed are nan too.
    """
    permute = permute_swaps if paired else permute_labels
    least_p = [compute_min_p(len(columns[a]), len(columns[b]), paired=paired) * len(pairs) for a, b in pairs]
    p_values = [permute(columns[a], columns[b], criterion, seed=seed) for a, b in pairs]
    differences = []
    for (a, b), p, adjusted, possible in zip(pairs, p_values, adjust_holm(p_values), least_p, strict=True):
        seen = float(criterion.compute(columns[a].sum(axis=0)) - criterion.compute(columns[b].sum(axis=0)))
        resampled = values[:, a] - values[:, b]
        size = min(len(columns[a]), len(columns[b]))
        spread = (
            _compute_spread(resampled, size)
            if paired
            else math.hypot(*(_compute_spread(values[:, k], len(columns[k])) for k in (a, b)))
        )
        needed = estimate_needed(1, seen, spread, comparisons=len(pairs), paired=paired)
        needed = needed if min(least_p) <= SIGNIFICANCE else math.nan
        enough = possible <= SIGNIFICANCE and size > 1
        estimate = _limit_interval(seen, resampled, criterion.most) if enough else Estimate(seen)
        differences.append(Difference(names[a], names[b], estimate, p, adjusted, needed))
    return tuple(differences)
