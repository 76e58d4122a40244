"""Fit the model that `tap` ships: `python -m benchmarks.train_tap --kept DIR`. The same result every time.

Fitted to candidates of every source in transfer_data.py, each with the same weight. Which features, how many trees and
which operating point was decided on sources that were left out in turn (transfer.py), never on this fit. `--kept` keeps
the candidates in a folder, because simulating takes most of the time.
"""

import json
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import numpy.typing as npt

from benchmarks.sections import make_parser
from benchmarks.transfer_data import GENERATORS, HITS, SOURCES, TABLE, Part, gather
from tapsig.detectors.model import Source
from tapsig.detectors.saved import render_detector
from tapsig.detectors.tap import Tap
from tapsig.fitting.boosting import Boosting, TreeSum
from tapsig.fitting.candidates import ByteRows, CandidateTable
from tapsig.fitting.cross_fit import NEGATIVES_WEIGHT

DOORS: dict[Part, dict[str, range]] = {
    "train": {**dict.fromkeys(GENERATORS, range(20)), HITS: range(30), TABLE: range(360)},
    "test": {**dict.fromkeys(GENERATORS, range(10)), HITS: range(6), TABLE: range(108)},
}
BOOSTING = Boosting(trees=50, leaves=8, rate=0.1, least_leaf=60)
PROBABILITY, DEAD_TIME_S = 0.33, 0.08
REPLAYED = 6_000
"""Candidates that `tapsig fit` learns again beside an owner's."""
LICENCES = (
    ("simulated doors: benchmarks/generators home, plate, resonators, lumped", "of this project"),
    ("hydrogen-data, lmms-common, freepats", "GPL-2+"),
    ("hydrogen-drumkits", "GPL-2(+) or CC-BY-SA-3.0 by kit"),
    ("timgm6mb-soundfont", "GPL-2"),
    ("avldrums.lv2-soundfont", "CC-BY-SA-3.0"),
    ("fluid-soundfont-gm", "MIT"),
    ("supersonic-scsynth-samples", "CC0-1.0"),
    ("the half 'fit' of benchmarks/generators/measured_sources.csv", "by package, see measured_sources.py"),
)


def balance(table: CandidateTable) -> CandidateTable:
    """Weights: 1 over all taps of a source, NEGATIVES_WEIGHT over all others, 0 for the unclear."""
    taps, others = table.tap == 1, table.tap == 0
    weights = np.where(taps, 1.0 / taps.sum(), np.where(others, NEGATIVES_WEIGHT / others.sum(), 0.0))
    return table.weighted(weights)


def gather_all(part: Part, kept: Path | None) -> dict[str, CandidateTable]:
    """The balanced candidates of every source."""
    return {name: balance(gather(name, part, DOORS[part][name], kept=kept)) for name in SOURCES}


def fit_trees(tables: Mapping[str, CandidateTable], boosting: Boosting = BOOSTING) -> TreeSum:
    """One sum of trees for all tables."""
    table = CandidateTable.join(list(tables.values()))
    return boosting.fit(table.rows, (table.tap == 1).astype(np.int64), table.weights, seed=1)


def draw_replay(tables: Mapping[str, CandidateTable]) -> tuple[ByteRows, npt.NDArray[np.int8]]:
    """Rows and truth of REPLAYED candidates: as many of each source, a third of them taps."""
    rng = np.random.default_rng(2)
    rows, taps = [], []
    for table in tables.values():
        for truth, share in ((1, 1 / 3), (0, 2 / 3)):
            among = np.flatnonzero(table.tap == truth)
            chosen = rng.choice(among, min(among.size, round(REPLAYED * share / len(tables))), replace=False)
            rows.append(table.rows[chosen])
            taps.append(table.tap[chosen])
    return np.concatenate(rows), np.concatenate(taps).astype(np.int8)


def write_model(trees: TreeSum, out: Path) -> None:
    """The shipped detector as JSON, one tree a line."""
    model = trees.to_model(sources=tuple(Source(*pair) for pair in LICENCES))
    text = render_detector(Tap(probability=PROBABILITY, floor_v=0.0, dead_time_s=DEAD_TIME_S, model=model))
    document = json.loads(text)
    document["note"] = (
        "fitted by benchmarks/train_tap.py to simulated doors and real hits; a node is [feature, threshold, value,"
        " left, right]: left where the feature is at most the threshold; values in 1/64 nat of log-odds"
    )
    lines = json.dumps(document, ensure_ascii=False, separators=(",", ":")).replace("]],[", "]],\n[")
    out.write_text(lines + "\n", encoding="utf-8")


def main() -> None:
    """Simulate, fit, write."""
    parser = make_parser("train_tap", __doc__, kept=True)
    parser.add_argument("--package", type=Path, default=Path("tapsig"), help="default: tapsig")
    args = parser.parse_args()
    tables = gather_all("train", args.kept)
    write_model(fit_trees(tables), args.package / "detectors" / "tap_model.json")
    rows, tap = draw_replay(tables)
    np.savez_compressed(args.package / "fitting" / "replay.npz", rows=rows, tap=tap)
    print(f"{sum(table.onset_s.size for table in tables.values())} candidates of {len(tables)} sources")


if __name__ == "__main__":
    main()
