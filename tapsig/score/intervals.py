"""Confidence intervals of counts: Wilson and Clopper–Pearson for shares, Garwood for rates, bootstrap for the rest."""

import math
from collections.abc import Callable

import numpy as np

from tapsig.errors import ParameterError
from tapsig.units import FloatArray, check_positive, check_range

UNDEFINED = (math.nan, math.nan)
_MOST_WEIGHTS = 1_000_000


def _check_share(successes: int, trials: int) -> None:
    if not 0 <= successes <= trials:
        raise ParameterError(f"successes is {successes}, trials {trials}; give 0 <= successes <= trials")


def wilson_interval(successes: int, trials: int, *, confidence: float = 0.95) -> tuple[float, float]:
    """Wilson's score interval of a share (Wilson 1927; Newcombe 1998, method 3); nan without trials.

    >>> [round(edge, 4) for edge in wilson_interval(81, 263)]
    [0.2553, 0.3662]
    """
    from scipy.special import ndtri  # heavy

    _check_share(successes, trials)
    check_range("confidence", confidence, 0.5, 0.999999)
    if trials == 0:
        return UNDEFINED
    z = float(ndtri(0.5 + confidence / 2))
    share = successes / trials
    centre = share + z * z / (2 * trials)
    half = z * math.sqrt(share * (1 - share) / trials + z * z / (4 * trials * trials))
    scale = 1 + z * z / trials
    low = 0.0 if successes == 0 else (centre - half) / scale
    high = 1.0 if successes == trials else (centre + half) / scale
    return low, high


def clopper_pearson_interval(successes: int, trials: int, *, confidence: float = 0.95) -> tuple[float, float]:
    """The exact interval of a share (Clopper & Pearson 1934); nan without trials.

    >>> [round(edge, 4) for edge in clopper_pearson_interval(0, 20)]
    [0.0, 0.1684]
    """
    from scipy.special import betaincinv  # heavy

    _check_share(successes, trials)
    check_range("confidence", confidence, 0.5, 0.999999)
    if trials == 0:
        return UNDEFINED
    tail = (1 - confidence) / 2
    low = 0.0 if successes == 0 else float(betaincinv(successes, trials - successes + 1, tail))
    high = 1.0 if successes == trials else float(betaincinv(successes + 1, trials - successes, 1 - tail))
    return low, high


def poisson_rate_interval(events: int, exposure: float, *, confidence: float = 0.95) -> tuple[float, float]:
    """The exact interval of a Poisson rate, events per unit of `exposure` (Garwood 1936); nan without exposure.

    >>> [round(edge, 3) for edge in poisson_rate_interval(2, 1.0)]
    [0.242, 7.225]
    """
    from scipy.special import gammaincinv  # heavy

    if events < 0:
        raise ParameterError(f"events is {events}; it must be 0 or above")
    check_range("confidence", confidence, 0.5, 0.999999)
    if not exposure > 0:
        return UNDEFINED
    tail = (1 - confidence) / 2
    low = 0.0 if events == 0 else float(gammaincinv(events, tail))
    return low / exposure, float(gammaincinv(events + 1, 1 - tail)) / exposure


def bootstrap_interval(
    counts: FloatArray, statistic: Callable[[FloatArray], FloatArray], *, rng: np.random.Generator,
    resamples: int = 2000, confidence: float = 0.95,
) -> tuple[float, float]:  # fmt: skip
    """Percentile bootstrap over recordings (Efron & Tibshirani 1993, ch. 13); nan for fewer than two of them.

    Parameters
    ----------
    counts : shape (recordings, k): the counts of each recording.
    statistic : of summed counts, shape (resamples, k) -> (resamples,).
    """
    check_positive("resamples", resamples)
    if len(counts) < 2:
        return UNDEFINED
    counts = np.asarray(counts, dtype=np.float64)
    shares = np.full(len(counts), 1.0 / len(counts))
    step = max(1, _MOST_WEIGHTS // len(counts))  # in batches, so that memory does not grow with the recordings
    batches = [min(step, resamples - done) for done in range(0, resamples, step)]
    values = np.concatenate([statistic(rng.multinomial(len(counts), shares, size=size) @ counts) for size in batches])
    values = values[np.isfinite(values)]
    if not values.size:
        return UNDEFINED
    low, high = np.quantile(values, [(1 - confidence) / 2, (1 + confidence) / 2])
    return float(low), float(high)
