"""Levels and ring-down at each position of a corpus, and delays between the channels of one file."""

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from tapsig.comparison.levels import Levels, measure_levels
from tapsig.dsp.delay import compute_delay
from tapsig.loading.corpus import Corpus
from tapsig.records import Recording
from tapsig.scoring.criteria import Estimate, list_estimates
from tapsig.scoring.intervals import CONFIDENCE
from tapsig.scoring.parallel import run_tasks
from tapsig.units import FloatArray, seconds_to_samples

MIN_RECORDINGS = 3
"""Fewer give no interval: two agree by chance too often."""
NOT_NEGATIVE = ("spread_db", "ringdown_s", "operating_area_db_ms")
BEFORE_S, AFTER_S, MAX_LAG_S = 0.01, 0.03, 0.01


@dataclass(frozen=True, slots=True)
class PositionLevels:
    """One position: means over its recordings (levels in dB re 1 V above 20 Hz; T60 in s; operating area in dB × ms).

    Intervals: Student's, mean ± t·s/√n over n recordings; nan for fewer than three. `spread_db` is the standard
    deviation of single taps.
    """

    position: str
    recordings: int
    taps: int
    tap_db: Estimate
    spread_db: Estimate
    over_noise_db: Estimate
    over_nuisance_db: Estimate
    ringdown_s: Estimate
    operating_area_db_ms: Estimate

    def to_dict(self) -> dict[str, object]:
        return list_estimates(self)

    def describe(self) -> list[str]:
        """The estimates in words, in the order of the fields."""
        levels = (self.tap_db, self.spread_db, self.over_noise_db, self.over_nuisance_db)
        texts = [level.describe(digits) for level, digits in zip(levels, (1, 1, 0, 0), strict=True)]
        return [*texts, self.ringdown_s.describe(2), self.operating_area_db_ms.describe(0)]


@dataclass(frozen=True, slots=True)
class TapDelays:
    """Delays of each tap between two channels of one file, in s, and the correlations; shape (taps,)."""

    first: str
    second: str
    delays_s: FloatArray
    correlations: FloatArray


@dataclass(frozen=True, slots=True)
class ChannelDelay:
    """Delay of taps at `second` relative to `first`: median and quartiles in ms, and the median correlation."""

    first: str
    second: str
    taps: int
    median_ms: float
    lower_ms: float
    upper_ms: float
    correlation: float


def measure_delays(recordings: Sequence[Recording]) -> list[TapDelays]:
    """Delays between all pairs of `recordings`, which are the channels of one file."""
    found = []
    for one, two in itertools.combinations(sorted(recordings, key=lambda recording: recording.position), 2):
        fs = one.fs
        if two.samples.size != one.samples.size or two.fs != fs or one.gaps:
            continue
        before, after = seconds_to_samples(BEFORE_S, fs), seconds_to_samples(AFTER_S, fs)
        pairs = []
        for tap_s in one.taps_s:
            tap = seconds_to_samples(float(tap_s), fs)
            if before <= tap <= one.samples.size - after:
                window = slice(tap - before, tap + after)
                delay = compute_delay(one.samples[window], two.samples[window], fs, max_lag_s=MAX_LAG_S)
                if delay is not None:
                    pairs.append(delay)
        values = np.array(pairs).reshape(-1, 2)
        found.append(TapDelays(one.position, two.position, values[:, 0], values[:, 1]))
    return found


def _measure_file(corpus: Corpus) -> tuple[list[Levels], list[TapDelays]]:
    recordings = list(corpus)
    return [measure_levels(recording) for recording in recordings], measure_delays(recordings)


def measure_corpus(
    corpus: Corpus, *, jobs: int = 1, cluster: str | None = None, progress: Callable[[int], None] | None = None
) -> tuple[list[Levels], list[TapDelays]]:
    """Levels of every recording, and delays between the channels of every file.

    `progress` is called with the number of recordings done.
    """
    files = itertools.groupby(sorted(corpus.entries, key=lambda entry: entry.recording), lambda entry: entry.recording)
    tasks = (replace(corpus, entries=tuple(entries)) for _, entries in files)
    levels: list[Levels] = []
    delays: list[TapDelays] = []
    for of_file, between in run_tasks(_measure_file, tasks, jobs=jobs, cluster=cluster):
        levels += of_file
        delays += between
        if progress is not None:
            progress(len(levels))
    return levels, delays


def _estimate_mean(values: list[float], least: float) -> Estimate:
    """The mean with Student's interval, of a quantity that is at least `least`."""
    from scipy.special import stdtrit  # heavy

    known = np.array([value for value in values if math.isfinite(value)])
    mean = float(known.mean()) if known.size else math.nan
    if known.size < MIN_RECORDINGS:
        return Estimate(mean)
    half = float(stdtrit(known.size - 1, 0.5 + CONFIDENCE / 2) * known.std(ddof=1)) / math.sqrt(known.size)
    return Estimate(mean, max(least, mean - half), mean + half)


def summarise_levels(levels: Sequence[Levels], order: Sequence[str]) -> tuple[PositionLevels, ...]:
    """Means and intervals for each position, in the given order."""
    lines = []
    limits = {field.name: 0.0 if field.name in NOT_NEGATIVE else -math.inf for field in fields(PositionLevels)[3:]}
    for position in order:
        of_position = [level for level in levels if level.position == position]
        taps = sum(level.taps_db.size for level in of_position)
        estimates = [
            _estimate_mean([getattr(level, name) for level in of_position], least) for name, least in limits.items()
        ]
        lines.append(PositionLevels(position, len(of_position), taps, *estimates))
    return tuple(lines)


def summarise_delays(delays: Sequence[TapDelays], order: Sequence[str]) -> tuple[ChannelDelay, ...]:
    """Median delay for each pair of positions that share a file."""
    lines = []
    for first, second in itertools.combinations(sorted(order), 2):
        chosen = [delay for delay in delays if (delay.first, delay.second) == (first, second)]
        times_ms = 1e3 * np.concatenate([np.zeros(0), *(delay.delays_s for delay in chosen)])
        if times_ms.size:
            lower, median, upper = np.quantile(times_ms, [0.25, 0.5, 0.75]).tolist()
            correlation = float(np.median(np.abs(np.concatenate([delay.correlations for delay in chosen]))))
            lines.append(ChannelDelay(first, second, times_ms.size, median, lower, upper, correlation))
    return tuple(lines)
