"""Fit the model of the decoder `evidence`: `python -m benchmarks.train_evidence --kept DIR`. Repeatable.

First the trees of the context model: the log-odds of a candidate among the others of its entry (core/context.h), on the
training doors of three generators. Then the other numbers, by random search on doors that neither `tap` nor the trees
were trained on: the share of entries that open, at the thresholds that few codes nearby pass. The test vehicles of the
demo corpus and the generators `lumped` and `measured` are left for judging (`entries.py`), but for `gap_spread`. The
threshold is the lowest at which, on the doors of the search, codes nearby open no more often than by the rule, plus a
margin.
"""

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from benchmarks.entry_tables import Heard, list_heard, overlaps, try_codes
from benchmarks.sections import make_parser
from benchmarks.transfer_data import Part, gather
from tapsig.core.context import CONTEXT, ContextNode
from tapsig.core.evidence_model import NAT, EvidenceModel
from tapsig.fitting.boosting import Boosting, TreeNode
from tapsig.fitting.candidates import label_candidates
from tapsig.risks.openings import EntryTrial, TapFreeDecoding, choose_threshold
from tapsig.units import FloatArray

SOURCES = ("home", "plate", "resonators")
TRAINING_DOORS, DOORS = range(20), range(10)
BOOSTING = Boosting(trees=60, leaves=6, rate=0.2, least_leaf=60)
NEAR_SHARES = (0.003, 0.006, 0.01, 0.02)
LIMITS = {
    "gap_s": (0.2, 0.4),
    "gap_spread": (0.04, 0.25),
    "gap_stray": (1e-3, 0.1),
    "gap_gain": (-1.0, 4.0),
    "gap_prior_spread": (0.2, 1.5),
    "pause_s": (1.2, 2.0),
    "pause_spread": (0.12, 0.6),
    "pause_stray": (1e-3, 0.1),
    "pause_gain": (-3.0, 3.0),
    "bias": (-2.0, 3.0),
    "weight": (0.5, 2.5),
    "likely": (-2.0, 1.0),
    "least_gain": (-4.0, -0.5),
}
START = EvidenceModel(
    gap_s=0.215,
    gap_prior_spread=1.2,
    gap_spread=0.115,
    gap_stray=0.015,
    gap_gain=1.14,
    pause_s=1.54,
    pause_spread=0.32,
    pause_stray=0.034,
    pause_gain=-0.49,
    weight=0.68,
    bias=-0.015,
    other_length=0.9,
    no_taps=4.0,
    likely=-1.08,
    open_span=2.5,
    least=-4.5,
    least_gain=-1.36,
)
"""Found by such a search; two are kept. More `other_length` opens 2 to 3 % more entries, and twice as many codes that
nobody tapped in hours of rain and driving. What `no_taps` costs and saves: operating_point.py. Without `open_span` as
many entries open, half of those in noise more than 2 s late; 2.0 opens as many, and more codes that false taps enter.
The search gives `gap_spread` 0.1: the gaps of the hands that it meets spread by 4 to 8 %. Those of `lumped` spread by
12 %, and a person in need may be no steadier. With 0.115, chosen by hand, 7 % more of `lumped` open, as many others.
"""
MARGIN = 0.3
"""Nats added to the threshold, because doors of other kinds than the fitted ones need more (0.25 on `lumped`)."""
MODEL = Path(__file__).parent.parent / "tapsig" / "entry" / "evidence_model.json"


def fit_context(recordings: Mapping[str, Sequence[Heard]], model: EvidenceModel) -> EvidenceModel:
    """The model with trees fitted to all candidates of entries; each source has the same weight."""
    rows: list[npt.NDArray[np.uint8]] = []
    truths: list[npt.NDArray[np.int64]] = []
    weights: list[FloatArray] = []
    for each in recordings.values():
        before = len(rows)
        for heard in each:
            taps_s = np.array([time for entry in heard.tapped for time in entry.taps_s])
            for weighed in heard.weigh(model):
                if any(overlaps(weighed, entry) for entry in heard.tapped):
                    rows.append(weighed.list_context())
                    truths.append(label_candidates(np.array(weighed.onset_ms) / 1000.0, taps_s))
        count = sum(len(truth) for truth in truths[before:])
        weights += [np.where(truth >= 0, 1.0 / count, 0.0) for truth in truths[before:]]
    trees = BOOSTING.fit(np.concatenate(rows), np.maximum(np.concatenate(truths), 0), np.concatenate(weights), seed=1)
    return replace(model, context_base=round(trees.base * NAT), context=tuple(map(_to_node, trees.trees)))


def _to_node(tree: TreeNode) -> ContextNode:
    if not isinstance(tree, tuple):
        return max(-128, min(127, round(tree * NAT)))
    column, threshold, _, left, right = tree
    return CONTEXT[column], math.floor(threshold), _to_node(left), _to_node(right)


def measure(recordings: Mapping[str, Sequence[Heard]], model: EvidenceModel) -> float:
    """Share of entries that open, over sources and `NEAR_SHARES`."""
    shares = []
    for each in recordings.values():
        tried = [one for heard in each for one in try_codes(heard, model, second=False)]
        right = np.array([one.log_ratio for one in tried])
        wrong = np.sort(np.array([ratio for one in tried for ratio in one.near_ratios[0]]))[::-1]
        for share in NEAR_SHARES:
            place = share * wrong.size
            limits = [wrong[min(int(place) + k, wrong.size - 1)] for k in (0, 1)]
            opened = [float((right > limit).mean()) for limit in limits]
            shares.append(opened[0] + (opened[1] - opened[0]) * (place - int(place)))
    return float(np.mean(shares))


def search(recordings: Mapping[str, Sequence[Heard]], model: EvidenceModel, steps: int) -> EvidenceModel:
    """Random search, one to three numbers at a time."""
    rng = np.random.default_rng(1)
    best = measure(recordings, model)
    print(f"start: {best:.4f}", flush=True)  # progress of a script
    for step in range(steps):
        changed: dict[str, Any] = {}
        for name in rng.choice(list(LIMITS), rng.integers(1, 4), replace=False).tolist():
            low, high = LIMITS[name]
            value = getattr(model, name) + rng.normal(0.0, (high - low) / 10)
            changed[name] = round(float(np.clip(value, low, high)), 4)
        candidate = replace(model, **changed)
        found = measure(recordings, candidate)
        if found >= best:
            best, model = found, candidate
            print(f"step {step}: {best:.4f}", flush=True)
    return model


def find_threshold(recordings: Mapping[str, Sequence[Heard]], model: EvidenceModel) -> float:
    """The highest of the sources' thresholds at which codes nearby open no more often than by the rule, in nats."""
    tried: dict[str, list[EntryTrial]] = {
        name: [one for heard in each for one in try_codes(heard, model)] for name, each in recordings.items()
    }
    return max(choose_threshold(each, TapFreeDecoding()) for each in tried.values())


def read_heard(part: Part, doors: range, kept: Path | None) -> dict[str, list[Heard]]:
    """Recordings with entries, of every source."""
    return {name: list(list_heard(gather(name, part, doors, kept=kept))) for name in SOURCES}


def draw(recordings: Mapping[str, Sequence[Heard]], most: int | None) -> dict[str, list[Heard]]:
    """A random draw of recordings of each source, limited in number."""
    rng = np.random.default_rng(0)
    return {
        name: [each[i] for i in sorted(rng.permutation(len(each))[:most].tolist())] for name, each in recordings.items()
    }


def main() -> None:
    """Fit, and write the model."""
    parser = make_parser("train_evidence", __doc__, kept=True)
    parser.add_argument("--steps", type=int, default=40, metavar="N", help="of the search; default: 40")
    parser.add_argument("--recordings", type=int, metavar="N", help="of each source, at most; default: all")
    args = parser.parse_args()
    model = fit_context(read_heard("train", TRAINING_DOORS, args.kept), START)
    recordings = read_heard("test", DOORS, args.kept)
    model = search(draw(recordings, args.recordings), model, args.steps)
    threshold = round(find_threshold(recordings, model) + MARGIN, 3)
    document = {"threshold": threshold, "fitted_to": list(SOURCES), "model": asdict(model)}
    MODEL.write_text(render(document) + "\n", encoding="utf-8")
    print(f"threshold {threshold} nats; wrote {MODEL}")


def render(document: Mapping[str, Any]) -> str:
    """JSON with a tree a line."""
    plain = {**document["model"], "context": "TREES"}
    trees = ",\n".join(json.dumps(tree, separators=(",", ":")) for tree in document["model"]["context"])
    return json.dumps({**document, "model": plain}, indent=1).replace('"TREES"', f"[\n{trees}\n]")


if __name__ == "__main__":
    main()
