"""What transfers: `tap` trained without one source and judged on it: `python -m benchmarks.transfer --kept DIR`.

Every source (five generators of doors that differ in kind, and composed real hits) is left out in turn. Beside it stand
the shipped model, which was trained on other doors of all sources, and the rise of the prediction error alone
(`innovation`), its threshold tuned on the training sources. Recordings are simulated or composed: figures rank
detectors and show what transfers, not what happens on a door.
"""

import argparse
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from benchmarks.sections import write_section
from benchmarks.train_tap import BOOSTING, PROBABILITY, fit_trees, gather_all
from benchmarks.transfer_data import SOURCES
from tapsig.detectors.features import FEATURES
from tapsig.detectors.model import SCALE, Model, to_score
from tapsig.detectors.tap import shipped_model
from tapsig.entry import decode_taps
from tapsig.fitting.boosting import Boosting
from tapsig.fitting.candidates import CandidateTable, evaluate_threshold
from tapsig.scoring.matching import MATCH_WINDOW_S, match_onsets
from tapsig.scoring.outcomes import count_opened, find_first_taps
from tapsig.units import BoolArray, FloatArray, IntArray

DEAD_TIME_S, WINDOW_S = 0.08, MATCH_WINDOW_S
SIZES = ((10, 4), (25, 4), (50, 4), (50, 8), (100, 8), (200, 8))
"""Trees and leaves of the curve of size against the worst source."""
STEPS = np.arange(-2.0, 1.01, 0.5)
RISES = np.arange(64, 180, 8)


@dataclass(slots=True)
class Tally:
    """Counts over the recordings of a source."""

    tp: int = 0
    fp: int = 0
    fn: int = 0
    first: int = 0
    first_found: int = 0
    entries: int = 0
    opened: int = 0
    free_false: int = 0
    free_s: float = 0.0

    @property
    def f1(self) -> float:
        """2·tp / (2·tp + fp + fn); nan without taps and detections."""
        total = 2 * self.tp + self.fp + self.fn
        return 2 * self.tp / total if total else math.nan

    def cells(self) -> list[object]:
        """F1, recall of first and of later taps, codes opened, false alarms an hour on recordings without taps."""
        later = self.tp + self.fn - self.first
        return [
            self.f1,
            self.first_found / max(self.first, 1),
            (self.tp - self.first_found) / max(later, 1),
            f"{self.opened}/{self.entries}",
            round(self.free_false / max(self.free_s, 1e-9) * 3600.0),
        ]


def accept(onset_s: FloatArray, likely: BoolArray) -> FloatArray:
    """Onsets of the likely candidates, less those within the dead time of one accepted before."""
    accepted, last = [], -np.inf
    for onset in onset_s[likely].tolist():
        if onset - last >= DEAD_TIME_S:
            accepted.append(onset)
            last = onset
    return np.array(accepted)


def each_recording(table: CandidateTable) -> Iterator[tuple[int, slice]]:
    """Number and candidates of each recording."""
    edges = np.searchsorted(table.recording, np.arange(table.durations_s.size + 1))
    for number in range(table.durations_s.size):
        yield number, slice(int(edges[number]), int(edges[number + 1]))


def judge(table: CandidateTable, scores: FloatArray | IntArray, least: float, *, rate: str | None = None) -> Tally:
    """What accepting from `least` on gives on a source, at one rate or (None) at all."""
    tally = Tally()
    for number, part in each_recording(table):
        if rate is not None and table.groups[number].split("|")[3] != rate:
            continue
        taps_s, found_s = table.taps_s[number], accept(table.onset_s[part], scores[part] >= least)
        matching = match_onsets(taps_s, found_s, window_s=WINDOW_S)
        met = np.zeros(taps_s.size, dtype=bool)
        met[matching.pairs[:, 0]] = True
        first = find_first_taps(taps_s)
        tally.tp += int(met.sum())
        tally.fn += int((~met).sum())
        tally.fp += len(matching.spurious)
        tally.first += int(first.sum())
        tally.first_found += int((met & first).sum())
        made, opened = count_opened(decode_taps(taps_s), decode_taps(found_s))
        tally.entries += made
        tally.opened += opened
        if not taps_s.size:
            tally.free_false += found_s.size
            tally.free_s += float(table.durations_s[number])
    return tally


def train_without(source: str, train: Mapping[str, CandidateTable], boosting: Boosting = BOOSTING) -> Model:
    """A model that has met every source but one."""
    return fit_trees({name: table for name, table in train.items() if name != source}, boosting).to_model()


def tune_rise(tables: Sequence[CandidateTable]) -> float:
    """The rise of the prediction error, in the core's bytes, that gives the best mean F1 over `tables`."""
    column = FEATURES.index("innovation_rise")
    rises = [table.rows[:, column].astype(np.int64) for table in tables]
    f1 = [
        np.mean(
            [
                evaluate_threshold(table, values, float(rise), DEAD_TIME_S).f1
                for table, values in zip(tables, rises, strict=True)
            ]
        )
        for rise in RISES
    ]
    return float(RISES[int(np.argmax(f1))])


def compare(
    train: Mapping[str, CandidateTable], test: Mapping[str, CandidateTable]
) -> tuple[list[list[object]], list[list[object]]]:
    """Lines of the table of sources, and of F1 by rate for the model that did not meet the source."""
    lines, by_rate = [], []
    least, column = to_score(PROBABILITY), FEATURES.index("innovation_rise")
    for source in SOURCES:
        table, without = test[source], train_without(source, train)
        others = [train[name] for name in SOURCES if name != source]
        scores = without.score(table.rows)
        lines.append([source, "tap, trained without it", *judge(table, scores, least).cells()])
        lines.append([source, "tap, as shipped", *judge(table, shipped_model().score(table.rows), least).cells()])
        rise = judge(table, table.rows[:, column].astype(np.int64), tune_rise(others))
        lines.append([source, "innovation, tuned without it", *rise.cells()])
        by_rate.append(
            [source, *(judge(table, scores, least, rate=rate).f1 for rate in ("1000", "2000", "8000", "44100"))]
        )
    return lines, by_rate


def size_curve(train: Mapping[str, CandidateTable], test: Mapping[str, CandidateTable]) -> list[list[object]]:
    """F1 of the worst left-out source, at the common threshold that is best for it, for models of several sizes."""
    lines: list[list[object]] = []
    for trees, leaves in SIZES:
        boosting = replace(BOOSTING, trees=trees, leaves=leaves)
        models = {source: train_without(source, train, boosting) for source in SOURCES}
        f1 = np.array(
            [
                [
                    evaluate_threshold(
                        test[source], model.score(test[source].rows) / SCALE, float(step), DEAD_TIME_S
                    ).f1
                    for step in STEPS
                ]
                for source, model in models.items()
            ]
        )
        best = int(f1.min(axis=0).argmax())
        size = max(len(model.pack()) for model in models.values())
        lines.append([f"{trees} × {leaves}", size, float(f1[:, best].min()), float(f1[:, best].mean())])
    return lines


def render(
    lines: Sequence[Sequence[object]], by_rate: Sequence[Sequence[object]], sizes: Sequence[Sequence[object]]
) -> str:
    """The section of benchmarks/README.md."""

    def show(header: Sequence[str], body: Sequence[Sequence[object]]) -> list[str]:
        cells = [
            [("–" if math.isnan(cell) else f"{cell:.3f}") if isinstance(cell, float) else str(cell) for cell in line]
            for line in body
        ]
        return ["| " + " | ".join(line) + " |" for line in (header, ["---"] * len(header), *cells)]

    return (
        "\n".join(
            [
                "Simulated doors of five generators that differ in kind, and composed real hits; no model met"
                " these doors and kits."
                f" Match within ±50 ms, probability {PROBABILITY:g}."
                " First taps come over a second after the tap before.",
                "",
                *show(
                    ["source", "detector", "F1", "first taps", "later taps", "codes opened", "false/h, no taps"], lines
                ),
                "",
                "F1 of the model that was trained without the source, by sample rate in Hz:",
                "",
                *show(["source", "1000", "2000", "8000", "44100"], by_rate),
                "",
                "Size of the model (trees × leaves) against the worst left-out source, at one threshold for all:",
                "",
                *show(["trees × leaves", "bytes", "F1, worst source", "F1, mean"], sizes),
            ]
        )
        + "\n"
    )


def main() -> None:
    """Train without each source, judge, write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kept", type=Path, metavar="DIR", help="keep candidates there, and read them again")
    args = parser.parse_args()
    train, test = gather_all("train", args.kept), gather_all("test", args.kept)
    lines, by_rate = compare(train, test)
    text = render(lines, by_rate, size_curve(train, test))
    write_section("What transfers", text, "python -m benchmarks.transfer --kept DIR")
    print(text)


if __name__ == "__main__":
    main()
