"""Whether the advice of `tapsig positions` is as certain as it says: `python -m benchmarks.advice`.

At every door of a generator that has several positions, the advice from a few recordings is held against the F1 of the
positions over other recordings of the same door. Simulated: this tests the statistics, not places on a real door.
"""

import itertools
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from benchmarks.sections import Rows, make_parser, publish
from benchmarks.transfer_data import GENERATORS, find_generator, stream
from tapsig.comparison.positions import Ranking, rank_positions
from tapsig.detectors import CATALOGUE
from tapsig.records import Recording
from tapsig.scoring.outcomes import ScoreTable, score

DETECTORS = ("tap", "prominence")
FIRST_DOOR = 4000
POOL, JUDGING, FS, DURATION_S = 30, 70, 2000.0, 15.0
"""Recordings of a door to advise from, and others to judge by."""
ADVISED_FROM = (8, 16, POOL)
DRAWS = 10
"""Advices from each door, number of recordings and detector."""
BANDS = (0.0, 0.5, 0.8, 0.95, 1.01)


@dataclass(frozen=True, slots=True)
class Advice:
    """One advice: what it was given and says, and what the other recordings of the door say.

    Parameters
    ----------
    lost, lost_at_random : F1 of the best position less that of the advised one, and less the mean of all.
    right : whether the advised position is the best one.
    clear : whether it was called better than every other.
    probability_best : of the advised position.
    pairs, wrong_pairs : differences called significant, and those of them with the other sign.
    """

    detector: str
    recordings: int
    lost: float
    lost_at_random: float
    right: bool
    clear: bool
    probability_best: float
    pairs: int
    wrong_pairs: int


def record(generator: str, door: int) -> Iterator[Recording]:
    """All recordings of a door, at every position; their names tell which were made at once."""
    found, rng = find_generator(generator), stream("advice", generator, door)
    for number in range(POOL + JUDGING):
        scene, seed = str(rng.choice(found.scenes)), int(rng.integers(1 << 31))
        at_once = found.simulate(door, scene, fs=FS, duration_s=DURATION_S, taps="entries", seed=seed)
        for recording in at_once.values():
            yield replace(recording, source=f"{number}", vehicle=f"{generator} {door}")


def compare(ranking: Ranking, truth: Ranking) -> Advice:
    """What the advice is worth by the truth."""
    f1 = {place.position: place.estimate.value for place in truth.positions}
    chosen, best = ranking.positions[0], max(f1.values())
    called = [pair for pair in ranking.differences if pair.significant]
    return Advice(
        ranking.detector,
        ranking.recordings,
        best - f1[chosen.position],
        best - float(np.mean(list(f1.values()))),
        f1[chosen.position] == best,
        all(pair in called for pair in ranking.differences if chosen.position in (pair.first, pair.second)),
        chosen.probability_best,
        len(called),
        sum(pair.estimate.value * (f1[pair.first] - f1[pair.second]) < 0 for pair in called),
    )


def try_door(generator: str, door: int) -> list[Advice]:
    """Advices from random recordings of a door, judged by others of it; none for a single position."""
    table = score([CATALOGUE[name] for name in DETECTORS], record(generator, door))
    if len({outcome.position for outcome in table.outcomes}) < 2:
        return []
    rng, advices = np.random.default_rng(door), []
    for name in DETECTORS:
        truth = rank_positions(_part(table, range(POOL, POOL + JUDGING)), name)
        for size in ADVISED_FROM:
            for _ in range(DRAWS if size < POOL else 1):
                chosen = rng.choice(POOL, size, replace=False)
                advices.append(compare(rank_positions(_part(table, chosen), name), truth))
    return advices


def _part(table: ScoreTable, numbers: "range | np.ndarray") -> ScoreTable:
    names = set(map(str, numbers))
    return replace(table, outcomes=tuple(outcome for outcome in table.outcomes if outcome.source in names))


def summarise(advices: list[Advice]) -> tuple[Rows, Rows]:
    """By detector and number of recordings; and by the probability that was given."""
    rows: list[dict[str, object]] = []
    for name in DETECTORS:
        for size in ADVISED_FROM:
            some = [one for one in advices if one.detector == name and one.recordings == size]
            clear = [one for one in some if one.clear]
            pairs = sum(one.pairs for one in some)
            rows.append(
                {
                    "detector": name,
                    "recordings": size,
                    "best advised": np.mean([one.right for one in some]),
                    "F1 lost": np.mean([one.lost for one in some]),
                    "by any": np.mean([one.lost_at_random for one in some]),
                    "called significant": f"{len(clear)}/{len(some)}",
                    "of them correct": np.mean([one.right for one in clear]) if clear else None,
                    "wrong of significant pairs": f"{sum(one.wrong_pairs for one in some)}/{pairs}",
                }
            )
    known = [one for one in advices if not np.isnan(one.probability_best)]
    bands: list[dict[str, object]] = []
    for low, high in itertools.pairwise(BANDS):
        some = [one for one in known if low <= one.probability_best < high]
        if some:
            said, right = (np.mean([getattr(one, name) for one in some]) for name in ("probability_best", "right"))
            band = f"{low:g} to {min(high, 1.0):g}"
            bands.append({"probability given": band, "advices": len(some), "mean": said, "observed": right})
    return rows, bands


def main() -> None:
    """Record, advise, judge, write."""
    parser = make_parser("advice", __doc__, jobs=True)
    parser.add_argument("--doors", type=int, default=6, help="of each generator (default: 6)")
    args = parser.parse_args()
    advices: list[Advice] = []
    doors = range(FIRST_DOOR, FIRST_DOOR + args.doors)
    with ProcessPoolExecutor(args.jobs) as pool:
        for generator in GENERATORS:
            for found in pool.map(partial(try_door, generator), doors):
                advices += found
    rows, bands = summarise(advices)
    publish(
        "Advice on positions",
        "python -m benchmarks.advice",
        f"Advice from recordings of {DURATION_S:g} s at all positions at once, {args.doors} doors of each generator"
        f" ({FS:g} Hz, scenes at random), judged by {JUDGING} other recordings of the same door. `F1 lost`: of the best"
        " position less that of the advised one; `by any`: less the mean of all.",
        rows,
        "The probability of being the best that was given for the advised position, against how often it was:",
        bands,
    )


if __name__ == "__main__":
    main()
