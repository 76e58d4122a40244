"""What transfers: `tap` trained without one source and judged on it: `python -m benchmarks.transfer --kept DIR`.

Every source (five generators that differ in kind, and composed real hits) is left out in turn. Beside `tap` stand the
plain variants, tuned on recordings of the same training sources, and general libraries' pickers. Recordings are
simulated or composed: figures rank detectors and show what transfers, not what happens on a door.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from benchmarks.peers import PEERS
from benchmarks.train_tap import BOOSTING, fit_trees, gather_all
from benchmarks.transfer_data import SOURCES
from tapsig.detect import CATALOGUE, Variant
from tapsig.fitting.boosting import Boosting
from tapsig.records import Recording
from tapsig.study.scoring import Outcome, score, summarise
from tapsig.study.tuning import tune

PLAIN = ("prominence", "sta-lta", "innovation", "ring-following", "fixed-threshold")
TRIES = 24
SIZES = ((25, 4), (50, 4), (50, 8), (100, 8), (200, 8), (400, 16))
"""Trees and leaves of the curve of size against the worst source."""
Row = dict[str, object]


@dataclass(frozen=True, slots=True)
class Judged:
    """One detector on one source that it was not trained on."""

    source: str
    detector: str
    outcomes: tuple[Outcome, ...]

    def row(self) -> Row:
        """F1, recall of first and later taps, codes opened, false alarms an hour without taps, F1 by rate."""
        total = summarise(self.outcomes)
        free = [outcome for outcome in self.outcomes if not outcome.found]
        hours = sum(outcome.score.duration_s for outcome in free) / 3600.0
        first, first_found = int(str(total["first_taps"])), int(str(total["first_taps_found"]))
        found, taps = int(str(total["tp"])), int(str(total["taps"]))
        return {
            "source": self.source, "detector": self.detector, "f1": total["f1"],
            "first": first_found / max(first, 1), "later": (found - first_found) / max(taps - first, 1),
            "codes": f"{total['entries_opened']}/{total['entries']}",
            "false_per_hour": sum(outcome.score.fp for outcome in free) / hours if hours else float("nan"),
            **{f"{rate} Hz": summarise(part)["f1"] for rate, part in self._by_rate()},
        }  # fmt: skip

    def _by_rate(self) -> Iterator[tuple[str, list[Outcome]]]:
        for rate in ("1000", "2000", "8000", "44100"):
            part = [outcome for outcome in self.outcomes if outcome.scene.endswith(f"|{rate}")]
            if part:
                yield rate, part


def label_rate(recordings: Iterable[Recording]) -> list[Recording]:
    """The recordings, with their rate behind the scene's name, so that outcomes can be told apart by it."""
    return [replace(recording, scene=f"{recording.scene}|{recording.fs:.0f}") for recording in recordings]


def tune_plain(names: Sequence[str], recordings: Sequence[Recording]) -> dict[str, Variant]:
    """The plain variants at their best setting on `recordings`; peers with their defaults."""
    tuned: dict[str, Variant] = {name: tune(CATALOGUE[name], recordings, limit=TRIES).variant for name in names}
    return tuned | {f"{peer.name}, defaults": peer() for peer in PEERS}


def judge_source(source: str, variants: dict[str, Variant], recordings: Sequence[Recording]) -> list[Judged]:
    """Every variant on the test recordings of a source."""
    table = score(variants, recordings)
    return [Judged(source, name, tuple(table.select(name))) for name in table.detectors]


def size_curve(kept: Path | None) -> list[Row]:
    """F1 of the worst source that was left out, for models of several sizes, at the best common threshold."""
    from tapsig.fitting.candidates import evaluate_threshold

    train, test = gather_all("train", kept), gather_all("test", kept)
    steps, rows = np.arange(-2.0, 1.01, 0.5), []
    for trees, leaves in SIZES:
        boosting = replace(BOOSTING, trees=trees, leaves=leaves)
        f1 = np.zeros((len(SOURCES), steps.size))
        for number, source in enumerate(SOURCES):
            model = _without(source, train, boosting)
            scores = model.score(test[source].rows) / 64.0
            f1[number] = [evaluate_threshold(test[source], scores, float(step), 0.08).f1 for step in steps]
        best = int(f1.min(axis=0).argmax())
        rows.append({"trees": trees, "leaves": leaves, "bytes": len(model.pack()), "worst_f1": f1[:, best].min(),
                     "mean_f1": f1[:, best].mean(), "threshold": float(steps[best])})  # fmt: skip
    return rows


def _without(source: str, train: dict, boosting: Boosting = BOOSTING):  # type: ignore[no-untyped-def, type-arg]
    return fit_trees({name: table for name, table in train.items() if name != source}, boosting).to_model()
