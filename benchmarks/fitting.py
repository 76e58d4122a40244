"""What `tapsig fit` gains on doors never met, from what an owner can record: `python -m benchmarks.fitting --kept DIR`.

Every generator of doors is left out in turn: the detector that is adjusted, and the training data that it learns again,
come from the other sources (train_tap.py). An owner of each door records taps in quiet and, without taps, what else
happens at it. The fitted detector is judged on other recordings of that position: in quiet, and in the same scenes.
Beside it stands one fitted to labelled taps in those scenes too, which no owner has: an upper bound. Doors from 2000 on
served to choose the settings of the fit; these are others. Simulated: figures compare, and are no promise for a door.
"""

import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from benchmarks.generators import TapPlan
from benchmarks.sections import Rows, make_parser, publish
from benchmarks.train_tap import BOOSTING, DEAD_TIME_S, PROBABILITY, draw_replay, gather_all
from benchmarks.transfer import judge as count
from benchmarks.transfer import train_without
from benchmarks.transfer_data import GENERATORS, find_generator, others_than, simulate, stream
from tapsig.detectors.model import SCALE, Model, to_score
from tapsig.detectors.tap import Tap
from tapsig.fitting.candidates import CandidateTable, collect_candidates
from tapsig.fitting.cross_fit import ADJUSTED, SHIPPED, CrossFit, choose_strategy, to_replay
from tapsig.fitting.fit import MIN_TAPS
from tapsig.records import Recording
from tapsig.scoring.tally import Score

FIRST_DOOR = 3000
"""Neither trained on nor tested with elsewhere."""
SCENES, FS, RECORD_S, TEST_S = 7, 2000.0, 60.0, 30.0
CASES = ("left out", "fitted", "labelled")
THRESHOLDS = np.arange(-4.0, 3.01, 0.25) * SCALE


@dataclass(frozen=True, slots=True)
class Start:
    """The detector that is adjusted, and the training data that it learns again: neither met the generator."""

    source: str
    detector: Tap
    replay: CandidateTable


@dataclass(frozen=True, slots=True)
class Outcome:
    """Counts of one detector on the test recordings of a door, on the quiet one, and the F1 at the best threshold."""

    every: Score
    quiet: Score
    best_f1: float


@dataclass(frozen=True, slots=True)
class Door:
    """What came of one door, by case."""

    outcomes: dict[str, Outcome]
    kept: bool
    seconds: float


def record_door(source: str, number: int) -> tuple[list[Recording], list[Recording], list[Recording]]:
    """One position of a door: what its owner records, the same scenes with taps, and the test recordings."""
    (quiet, *others), rng = find_generator(source).scenes, stream("fitting", source, number)
    scenes = [str(scene) for scene in rng.choice(others, SCENES, replace=False)]
    pick = int(rng.integers(1 << 16))

    def record(scene: str, taps: TapPlan, duration_s: float) -> Recording:
        seed = int(rng.integers(1 << 31))
        found = simulate(source, "test", number, scene, fs=FS, duration_s=duration_s, taps=taps, seed=seed)
        return found[pick % len(found)]

    own = [record(quiet, "entries", RECORD_S), *(record(scene, "none", RECORD_S) for scene in scenes)]
    labelled = [record(scene, "entries", RECORD_S) for scene in scenes]
    return own, labelled, [record(scene, "entries", TEST_S) for scene in (quiet, *scenes)]


def judge(model: Model, test: CandidateTable) -> Outcome:
    """At the shipped threshold, and at the best."""
    scores = model.score(test.rows)
    every = count(test, scores, to_score(PROBABILITY)).score
    first = test.select(np.arange(test.durations_s.size) == 0)
    quiet = count(first, scores[test.recording == 0], to_score(PROBABILITY)).score
    return Outcome(every, quiet, max(count(test, scores, float(least)).score.f1 for least in THRESHOLDS))


def try_door(start: Start, number: int) -> Door | None:
    """Fit and judge; None where the owner's recording has too few taps to fit to."""
    own, labelled, test = record_door(start.source, number)
    if own[0].taps_s.size < MIN_TAPS:
        return None
    begin = time.perf_counter()
    fit = CrossFit.prepare(own, start.detector, replay=start.replay)
    scores, points = fit.compare()
    strategy = choose_strategy(points)
    fitted = fit.finish(strategy, scores)
    seconds = time.perf_counter() - begin
    bound = CrossFit.prepare(own + labelled, start.detector, replay=start.replay).finish(ADJUSTED, {})
    table = collect_candidates(test)
    models = (start.detector.model, fitted.model, bound.model)
    outcomes = {case: judge(model, table) for case, model in zip(CASES, models, strict=True)}
    return Door(outcomes, strategy == SHIPPED, seconds)


def prepare_starts(kept: Path | None) -> Iterator[Start]:
    """One for each generator of doors."""
    train = gather_all("train", kept)
    for source in GENERATORS:
        model = train_without(source, train, BOOSTING)
        replay = to_replay(*draw_replay({name: train[name] for name in others_than(source)}))
        yield Start(source, Tap(probability=PROBABILITY, dead_time_s=DEAD_TIME_S, model=model), replay)


def summarise(source: str, doors: list[Door]) -> Rows:
    """A row for each case."""
    rows = []
    before = np.array([door.outcomes[CASES[0]].every.f1 for door in doors])
    for case in CASES:
        found = [door.outcomes[case] for door in doors]
        change = np.array([outcome.every.f1 for outcome in found]) - before
        quiet, every = (sum((getattr(outcome, name) for outcome in found), Score()) for name in ("quiet", "every"))
        rows.append(
            {
                "source": source,
                "detector": case,
                "doors": len(doors),
                "mean F1": (before + change).mean(),
                "worst change": change.min(),
                "best change": change.max(),
                "at best threshold": np.mean([outcome.best_f1 for outcome in found]),
                "first taps, quiet": quiet.first_taps_found / max(quiet.first_taps, 1),
                "codes": f"{every.entries_opened}/{every.entries}",
            }
        )
    return rows


def main() -> None:
    """Train, simulate, fit, judge, write."""
    parser = make_parser("fitting", __doc__, kept=True, jobs=True)
    parser.add_argument("--doors", type=int, default=10, help="of each generator (default: 10)")
    args = parser.parse_args()
    by_source: dict[str, list[Door]] = {}
    with ProcessPoolExecutor(args.jobs) as pool:
        for start in prepare_starts(args.kept):
            numbers = range(FIRST_DOOR, FIRST_DOOR + args.doors)
            tried = pool.map(try_door, [start] * args.doors, numbers)
            by_source[start.source] = [door for door in tried if door is not None]
    everything = [door for doors in by_source.values() for door in doors]
    publish(
        "Fit",
        "python -m benchmarks.fitting --kept DIR",
        f"Doors of a generator that the detector has not met (`left out`), {FS:g} Hz, one position each; fitted to"
        f" {RECORD_S:g} s of taps in quiet and {RECORD_S:g} s without taps in each of {SCENES} scenes, judged on other"
        " recordings in quiet and in those scenes. `labelled`: trained on labelled taps in those scenes as well, which"
        " no owner has. `at best threshold`: mean F1 where each door had the threshold that suits its test recordings"
        f" best. The detector was left as it was on {sum(door.kept for door in everything)} of {len(everything)}"
        f" doors. A fit took {np.median([door.seconds for door in everything]):.0f} s (median), at most"
        f" {max(door.seconds for door in everything):.0f} s.",
        [row for source, doors in {**by_source, "all": everything}.items() for row in summarise(source, doors)],
    )


if __name__ == "__main__":
    main()
