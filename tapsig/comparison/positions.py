"""Mounting positions compared on recordings: a ranking, with differences and their significance."""

import itertools
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tapsig.comparison import statistics as comparison
from tapsig.comparison.channels import ChannelDelay, PositionLevels, measure_corpus, summarise_delays, summarise_levels
from tapsig.comparison.statistics import Difference
from tapsig.detectors.base import Variant
from tapsig.errors import ParameterError
from tapsig.loading.corpus import Corpus
from tapsig.results import Result
from tapsig.scoring.cache import ResultCache
from tapsig.scoring.criteria import Criterion, Estimate, find_criterion, require_counts
from tapsig.scoring.matching import MATCH_WINDOW_S
from tapsig.scoring.outcomes import Outcome, ScoreTable, count_by_file, score, summarise

SEED = 20_260_102


@dataclass(frozen=True, slots=True)
class Ranked:
    """One position: its value, and the probability that it is the best one."""

    position: str
    estimate: Estimate
    probability_best: float
    recordings: int


@dataclass(frozen=True, slots=True)
class Ranking:
    """Positions under one detector and one criterion, the best first.

    `paired`: the comparison uses the `recordings` that were made at every position at once, and leaves `left_out`
    others out; recordings in which the criterion is undefined at every position do not count. Otherwise there are no
    such recordings, and each position has its own.
    `vehicles`: the value at each position on each named vehicle, over the same recordings. `outcomes`: the compared
    outcomes of each position.
    """

    detector: str
    criterion: Criterion
    positions: tuple[Ranked, ...]
    differences: tuple[Difference, ...]
    paired: bool
    recordings: int
    left_out: int
    vehicles: Mapping[str, Mapping[str, float]]
    outcomes: Mapping[str, tuple[Outcome, ...]]

    @property
    def range(self) -> float:
        """Difference between the best and the worst position."""
        values = [ranked.estimate.value for ranked in self.positions]
        return abs(values[0] - values[-1])

    @property
    def undefined(self) -> int:
        """Number of recordings made at every position at once in which the criterion is undefined at each."""
        made = {outcome.source for at in self.outcomes.values() for outcome in at}
        return len(made) - self.recordings if self.paired else 0

    @property
    def too_few(self) -> bool:
        """Whether the recordings are too few for any difference to be significant."""
        sizes = itertools.combinations([ranked.recordings for ranked in self.positions], 2)
        least = min(comparison.compute_min_p(*of_two, paired=self.paired) for of_two in sizes)
        return least * len(self.differences) > comparison.SIGNIFICANCE

    def find_difference(self, first: str, second: str) -> Difference:
        """The difference of two positions, in either order."""
        return next(pair for pair in self.differences if {pair.first, pair.second} == {first, second})

    def count_more(self, needed: float) -> int:
        """How many recordings are missing to `needed` (of each position when unpaired); at least 1."""
        there = [self.recordings] if self.paired else [ranked.recordings for ranked in self.positions]
        return max(1, sum(max(0, math.ceil(needed) - recordings) for recordings in there))


def rank_positions(table: ScoreTable, detector: str, *, criterion: str = "f1") -> Ranking:
    """Rank the positions under `detector`.

    With too few recordings, the results of the bootstrap are nan: the probability of being best, the intervals of
    differences, and the recordings needed.

    Raises ParameterError for a detector without outcomes, fewer than two positions, one without a name, or an unknown
    criterion.
    """
    chosen = find_criterion(criterion)
    names = sorted({outcome.position for outcome in table.select(detector)})
    if len(names) < 2:
        raise ParameterError(
            f"{detector}: there are recordings of {len(names)} position(s); to compare, name at least two in the"
            " column 'position' of corpus.csv"
        )
    if "" in names:
        source = next(outcome.source for outcome in table.select(detector) if not outcome.position)
        raise ParameterError(
            f"{source} has a channel without a position; name it in the column 'position' of corpus.csv, or choose the"
            " positions to compare (--position)"
        )
    files = [count_by_file(table.select(detector, name)) for name in names]
    everywhere = [source for source in files[0] if all(source in at for at in files)]
    sources = [everywhere or list(at) for at in files]
    columns = [np.array([at[source] for source in of]) for at, of in zip(files, sources, strict=True)]
    for column in columns:
        require_counts(chosen, detector, column)
    if everywhere:
        compared = comparison.drop_undefined(columns, chosen)
        values = comparison.resample(np.stack(compared, axis=1), chosen, seed=SEED)
    else:
        compared = [comparison.drop_undefined([column], chosen)[0] for column in columns]
        parts = [comparison.resample(c[:, None], chosen, seed=SEED + k) for k, c in enumerate(compared)]
        values = np.concatenate(parts, axis=1)
    best = comparison.compute_probability_best(values, chosen.sign)
    ranked = [
        Ranked(name, chosen.estimate(column), float(probability), len(column))
        for name, column, probability in zip(names, compared, best, strict=True)
    ]
    seen = [place.estimate.value for place in ranked]
    order = sorted(range(len(names)), key=lambda k: (math.isnan(seen[k]), -chosen.sign * seen[k]))
    recordings = len(set().union(*files))
    vehicle_of = {outcome.source: outcome.vehicle for outcome in table.select(detector)}
    vehicles = {
        vehicle: {
            name: float(chosen.compute(column[[vehicle_of[source] == vehicle for source in of]].sum(axis=0)))
            for name, column, of in zip(names, columns, sources, strict=True)
        }
        for vehicle in sorted({vehicle_of[source] for of in sources for source in of} - {""})
    }
    pairs = list(itertools.combinations(order, 2))
    ranking = Ranking(
        detector,
        chosen,
        tuple(ranked[k] for k in order),
        comparison.compare_pairs(names, compared, values, pairs, chosen, paired=bool(everywhere), seed=SEED),
        bool(everywhere),
        len(compared[0]) if everywhere else recordings,
        recordings - len(everywhere) if everywhere else 0,
        vehicles,
        {
            name: tuple(outcome for outcome in table.select(detector, name) if outcome.source in of)
            for name, of in zip(names, sources, strict=True)
        },
    )
    if not ranking.too_few:
        return ranking
    places = tuple(replace(place, probability_best=math.nan) for place in ranking.positions)
    return replace(ranking, positions=places)


@dataclass(frozen=True, slots=True, repr=False, eq=False)
class PositionStudy(Result):
    """Levels and delays at the positions, the scores of detectors there, and a ranking for each detector."""

    levels: tuple[PositionLevels, ...]
    delays: tuple[ChannelDelay, ...]
    table: ScoreTable
    rankings: tuple[Ranking, ...]

    def rows(self) -> list[dict[str, object]]:
        """One row for each detector and position, the best first: ranking, scores of the recordings ranked, levels."""
        levels = {level.position: level.to_dict() for level in self.levels}
        rows: list[dict[str, object]] = []
        for ranking in self.rankings:
            for place, ranked in enumerate(ranking.positions, 1):
                names: dict[str, object] = {
                    "detector": ranking.detector,
                    "position": ranked.position,
                    "rank": place,
                    "probability_best": ranked.probability_best,
                    "criterion": ranking.criterion.name,
                    "recordings_compared": ranked.recordings,
                }
                scores = summarise(ranking.outcomes[ranked.position])
                rows.append(names | ranked.estimate.to_dict("value") | scores | levels.get(ranked.position, {}))
        return rows

    def __iter__(self) -> Iterator[dict[str, object]]:
        return iter(self.rows())

    def _describe(self) -> str:
        return "; ".join(
            f"{ranking.detector}: {', '.join(ranked.position for ranked in ranking.positions)}"
            for ranking in self.rankings
        )

    def difference_rows(self) -> list[dict[str, object]]:
        """One row for each detector and pair of positions."""
        return [
            {
                "detector": ranking.detector,
                "first": pair.first,
                "second": pair.second,
                **pair.to_dict(ranking.recordings),
            }
            for ranking in self.rankings
            for pair in ranking.differences
        ]


def study_positions(
    variants: Mapping[str, Variant | str] | Sequence[Variant | str],
    corpus: Corpus,
    *,
    criterion: str = "f1",
    window_s: float = MATCH_WINDOW_S,
    jobs: int = 1,
    cluster: str | None = None,
    cache: ResultCache | None = None,
    progress: Callable[[int], None] | None = None,
) -> PositionStudy:
    """Score, measure and rank the mounting positions of a labelled corpus.

    Parameters
    ----------
    variants : list or dict of Variant or str
        The detectors, as in `score`.
    corpus : Corpus
        Labelled recordings at two positions or more.
    criterion : str
        Criterion of the ranking: "f1", "precision", "recall", "false-alarms", "entries" or "entries-on-evidence".
    window_s : float
        A detection counts when it is at most this far from a tap's onset.
    jobs : int
        Processes on this machine; the result does not depend on them.
    cluster : str
        Address of a Dask scheduler, in place of `jobs`.
    cache : ResultCache
        Stores detections, so that an interrupted scoring can continue.
    progress : callable
        Called with the number of steps done, up to twice the number of recordings.

    Returns
    -------
    PositionStudy
        A ranking for each detector, with levels, delays and scores of each position.

    Raises
    ------
    ParameterError
        For fewer than two positions, or one without a name.
    LabelError
        For a recording without labels.
    """
    table = score(variants, corpus, window_s=window_s, jobs=jobs, cluster=cluster, cache=cache, progress=progress)
    rankings = tuple(rank_positions(table, name, criterion=criterion) for name in table.detectors)
    order = [ranked.position for ranked in rankings[-1].positions]
    after = None if progress is None else lambda done: progress(len(corpus) + done)
    levels, delays = measure_corpus(corpus, jobs=jobs, cluster=cluster, progress=after)
    return PositionStudy(summarise_levels(levels, order), summarise_delays(delays, order), table, rankings)
