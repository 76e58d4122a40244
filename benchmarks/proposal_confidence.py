"""Fit the confidence of `tapsig propose`, and show what it is worth on recordings of a kind it has not met.

    python -m benchmarks.proposal_confidence --kept DIR            # report: writes its section of benchmarks/README.md
    python -m benchmarks.proposal_confidence --kept DIR --write    # first replaces labelling/proposal_confidence.json

Sources are the generators of doors and composed real hits (transfer_data.py). Each is left out in turn; the file that
ships is fitted to all of them, by the same settings. `--kept` keeps the candidates, because simulating takes most time.
"""

import dataclasses
import json
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np
from sklearn.metrics import average_precision_score

from benchmarks.generators import TapPlan
from benchmarks.sections import make_parser, publish
from benchmarks.train_tap import LICENCES
from benchmarks.transfer_data import GENERATORS, TABLE, Part, find_generator, record_source, simulate, stream
from tapsig.fitting.boosting import Boosting, TreeSum
from tapsig.labelling.confidence import FEATURES, compute_confidence
from tapsig.labelling.proposal import compute_candidates
from tapsig.records import Recording
from tapsig.units import FloatArray, IntArray

TARGET = Path(__file__).parent.parent / "tapsig" / "labelling" / "proposal_confidence.json"
SOURCES = (*GENERATORS, TABLE)
DOORS: dict[Part, int] = {"train": 8, "test": 5}
FIRST_DOOR: dict[Part, int] = {"train": 5000, "test": 6000}
SCENES: dict[Part, int] = {"train": 5, "test": 7}
"""Besides quiet, of each door."""
TABLE_SETS, TABLE_SET = 3, 40
RATES_HZ, SHARES, DURATION_S, WITHOUT_TAPS = (1000.0, 2000.0, 8000.0), (0.2, 0.4, 0.4), 40.0, 0.12
BOOSTING = Boosting(trees=120, leaves=16, rate=0.1, least_leaf=40)
NEAR_S = 0.025
SURE, LIKELY, DOUBTFUL = 0.8, 0.5, 0.1


@dataclasses.dataclass(frozen=True, slots=True)
class Proposed:
    """Candidates of a source: features (n, 12), whether each is a tap (n,), recordings, and all their taps."""

    features: FloatArray
    is_tap: IntArray
    recordings: int
    taps: int

    @classmethod
    def join(cls, parts: Sequence["Proposed"]) -> "Proposed":
        """All of them."""
        features, is_tap = (np.concatenate([getattr(part, name) for part in parts]) for name in ("features", "is_tap"))
        return cls(features, is_tap, sum(part.recordings for part in parts), sum(part.taps for part in parts))


def describe(recording: Recording) -> Proposed:
    """The candidates of a recording; of those near a tap, the nearest is one."""
    onsets_s, features = compute_candidates(recording)
    is_tap = np.zeros(onsets_s.size, dtype=np.int64)
    for tap in recording.taps_s if onsets_s.size else ():
        nearest = int(np.argmin(np.abs(onsets_s - tap)))
        is_tap[nearest] |= abs(onsets_s[nearest] - tap) < NEAR_S
    return Proposed(features, is_tap, 1, recording.taps_s.size)


def record(source: str, part: Part, number: int) -> Iterator[Recording]:
    """All positions of a door in quiet and in scenes drawn at random; or a set of composed real hits."""
    if source == TABLE:
        yield from record_source(TABLE, part, range(number * TABLE_SET, (number + 1) * TABLE_SET))
        return
    (quiet, *others), rng = find_generator(source).scenes, stream("proposal", source, part, number)
    for scene in (quiet, *map(str, rng.choice(others, SCENES[part], replace=False))):
        fs = float(rng.choice(RATES_HZ, p=SHARES))
        taps: TapPlan = "none" if rng.random() < WITHOUT_TAPS else "entries"
        seed, door = int(rng.integers(1 << 31)), FIRST_DOOR[part] + number
        yield from simulate(source, part, door, scene, fs=fs, duration_s=DURATION_S, taps=taps, seed=seed)


def gather(kept: Path | None, job: tuple[str, Part, int]) -> Proposed:
    """The candidates of a door or a set, from `kept` if they are there."""
    source, part, number = job
    path = kept / f"proposals-{source}-{part}-{number}.npz" if kept else None
    if path is not None and path.exists():
        with np.load(path) as read:
            return Proposed(read["features"], read["is_tap"], int(read["recordings"]), int(read["taps"]))
    found = Proposed.join([describe(recording) for recording in record(source, part, number)])
    if path is not None:
        path.parent.mkdir(parents=True, exist_ok=True)
        np.savez(path, **dataclasses.asdict(found))
    return found


def gather_all(part: Part, kept: Path | None, jobs: int) -> dict[str, Proposed]:
    """The candidates of every source."""
    numbers = {source: range(TABLE_SETS if source == TABLE else DOORS[part]) for source in SOURCES}
    with ProcessPoolExecutor(jobs) as pool:
        found = {
            source: pool.map(partial(gather, kept), [(source, part, number) for number in numbers[source]])
            for source in SOURCES
        }
        return {source: Proposed.join(list(parts)) for source, parts in found.items()}


def fit(parts: Mapping[str, Proposed]) -> TreeSum:
    """One sum of trees; every source has the same weight."""
    whole = Proposed.join(list(parts.values()))
    weights = np.concatenate([np.full(part.is_tap.size, 1e4 / part.is_tap.size) for part in parts.values()])
    return BOOSTING.fit(whole.features, whole.is_tap, weights)


def judge(source: str, words: str, trees: TreeSum, test: Proposed) -> dict[str, object]:
    """One row: what the confidence is worth on the candidates of a source."""
    confidence = compute_confidence(test.features, trees)
    sure, likely = confidence >= SURE, confidence >= LIKELY
    hits = test.is_tap[likely].sum()
    return {
        "source": source,
        "fitted": words,
        "average precision": average_precision_score(test.is_tap, confidence),
        "mean confidence": confidence[sure].mean(),
        "observed": test.is_tap[sure].mean(),
        "of all taps": test.is_tap[sure].sum() / test.taps,
        "F1 at .5": 2 * hits / (np.count_nonzero(likely) + test.taps),
        "doubtful": np.count_nonzero((confidence >= DOUBTFUL) & ~sure) / test.recordings,
    }


def main() -> None:
    """Gather, fit, judge, write."""
    parser = make_parser("proposal_confidence", __doc__, kept=True, jobs=True)
    parser.add_argument("--write", action="store_true", help="replace the file that ships")
    args = parser.parse_args()
    train, test = gather_all("train", args.kept, args.jobs), gather_all("test", args.kept, args.jobs)
    if args.write:
        document = {"sources": [list(pair) for pair in LICENCES], **fit(train).to_json(FEATURES)}
        TARGET.write_text(json.dumps(document) + "\n", encoding="utf-8")
    shipped = TreeSum.from_json(json.loads(TARGET.read_text("utf-8")), FEATURES)
    rows = []
    for source in SOURCES:
        left_out = fit({name: part for name, part in train.items() if name != source})
        rows.append(judge(source, "without it", left_out, test[source]))
        rows.append(judge(source, "as shipped", shipped, test[source]))
    publish(
        "Proposals",
        "python -m benchmarks.proposal_confidence --kept DIR",
        "The confidence of `tapsig propose` on doors and hits that it has not met: fitted without the source, and"
        f" as shipped (to other doors of all). `sure`: proposals of {SURE:g} and more, with their mean confidence and"
        f" the observed share of taps. `doubtful`: those from {DOUBTFUL:g} to {SURE:g} in a recording, which a person"
        " should look at.",
        rows,
    )


if __name__ == "__main__":
    main()
