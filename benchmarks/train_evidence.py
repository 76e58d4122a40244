"""Fit the model of the decoder `evidence`: `python -m benchmarks.train_evidence --kept DIR`. Repeatable.

Likeness is a table: the share of pairs of taps by how they differ, against pairs of a tap and another candidate. The
other numbers are found by random search: the share of entries that open, at the thresholds that few codes nearby pass.
Sources are the doors that `tap` was not trained on of three generators; the test vehicles of the demo corpus and the
generators `lumped` and `measured` are left for judging (`entries.py`). The threshold is the lowest at which, on
the same doors, codes nearby open no more often than by the rule.
"""

import argparse
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
from sklearn.isotonic import IsotonicRegression

from benchmarks.entry_tables import Heard, list_heard, try_codes
from benchmarks.transfer_data import gather
from tapsig.core.evidence import LIKENESS_BINS, EvidenceModel
from tapsig.detectors.tap import Tap
from tapsig.risks.openings import EntryTrial, TapFreeDecoding, choose_threshold
from tapsig.units import FloatArray

SOURCES = ("home", "plate", "resonators")
DOORS = range(10)
RECORDINGS = 60
"""Of each source, drawn at random: the search takes most of the time."""
NEAR_SHARES = (0.003, 0.006, 0.01, 0.02)
SHAPE = (8, 9, 18, 22)  # evidence.c
LIMITS = {
    "gap_spread": (0.04, 0.25),
    "gap_stray": (1e-3, 0.1),
    "gap_gain": (-1.0, 4.0),
    "gap_prior_spread": (0.2, 1.5),
    "pause_spread": (0.12, 0.6),
    "pause_stray": (1e-3, 0.1),
    "pause_gain": (-3.0, 3.0),
    "calm": (0.0, 1.5),
    "bias": (-2.0, 4.0),
    "weight": (0.5, 4.0),
    "likely": (-1.5, 2.0),
    "highest": (2.0, 7.0),
    "least": (-6.0, -2.0),
}
START = EvidenceModel(
    gap_spread=0.1,
    gap_stray=0.008,
    gap_gain=1.1,
    gap_prior_spread=0.42,
    pause_spread=0.22,
    pause_stray=0.018,
    pause_gain=-0.5,
    calm=0.5,
    bias=1.2,
    weight=1.4,
    likely=0.5,
    highest=3.1,
    least=-4.4,
)
MODEL = Path(__file__).parent.parent / "tapsig" / "entry" / "evidence_model.json"


def fit_likeness(recordings: Sequence[Heard]) -> FloatArray:
    """Log-likelihood ratio by the mean difference of shapes, falling, in nats, shape (32,)."""
    counts = np.full((2, LIKENESS_BINS), 0.5)
    for heard in recordings:
        taps_ms = np.array([time for entry in heard.tapped for time in entry.taps_s]) * 1000.0
        onset_ms = np.array(heard.onset_ms, dtype=np.float64)
        shapes = np.array([[row[k] for k in SHAPE] for row in heard.rows], dtype=np.int64)
        kept = np.array(heard.score) > -4 * 64
        onset_ms, shapes = onset_ms[kept], shapes[kept]
        is_tap = np.abs(onset_ms[:, None] - taps_ms).min(axis=1) < 30.0
        for i in range(onset_ms.size):
            gap_ms = onset_ms[i] - onset_ms[:i]
            others = np.flatnonzero((gap_ms > 90.0) & (gap_ms < 3000.0) & (is_tap[:i] | is_tap[i]))
            unlike = np.minimum(np.abs(shapes[others] - shapes[i]), 32).sum(axis=1) >> 2
            np.add.at(counts, (is_tap[others].astype(int) * int(is_tap[i]), np.minimum(unlike, LIKENESS_BINS - 1)), 1.0)
    smooth = np.array([np.convolve(row, [1, 2, 3, 2, 1], "same") for row in counts])
    ratio = np.log(smooth[1] / smooth[1].sum()) - np.log(smooth[0] / smooth[0].sum())
    falling = IsotonicRegression(increasing=False)
    return np.asarray(
        falling.fit_transform(np.arange(LIKENESS_BINS), ratio, sample_weight=1 / (1 / smooth).sum(axis=0))
    )


def shape_likeness(likeness: FloatArray, gain: float, loss: float, most_loss: float) -> tuple[float, ...]:
    """The table times `gain` where it speaks for and times `loss` where against, to `most_loss` at most.

    Pairs are not independent: one odd blow is unlike both of its neighbours.
    """
    values = np.where(likeness > 0, likeness * gain, np.maximum(likeness * loss, -most_loss))
    return tuple(np.clip(values, -7.0, 7.0).round(3).tolist())


def measure(recordings: Mapping[str, Sequence[Heard]], model: EvidenceModel) -> float:
    """Share of entries that open, over sources and `NEAR_SHARES`."""
    shares = []
    for each in recordings.values():
        tried = [one for heard in each for one in try_codes(heard, model, second=False)]
        right = np.array([one.log_ratio for one in tried])
        wrong = np.sort(np.array([ratio for one in tried for ratio in one.near_ratios[0]]))[::-1]
        for share in NEAR_SHARES:
            place = share * wrong.size
            limits = [max(wrong[min(int(place) + k, wrong.size - 1)], 0.0) for k in (0, 1)]
            opened = [float((right > limit).mean()) for limit in limits]
            shares.append(opened[0] + (opened[1] - opened[0]) * (place - int(place)))
    return float(np.mean(shares))


def search(recordings: Mapping[str, Sequence[Heard]], steps: int) -> EvidenceModel:
    """Random search from `START`, one to three numbers at a time."""
    likeness = fit_likeness([heard for each in recordings.values() for heard in each])
    rng = np.random.default_rng(1)
    scales, model = (0.4, 0.6, 1.5), START
    model = replace(model, likeness=shape_likeness(likeness, *scales))
    best = measure(recordings, model)
    for step in range(steps):
        changed, new_scales = asdict(model), list(scales)
        for name in rng.choice([*LIMITS, "likeness"], rng.integers(1, 4), replace=False).tolist():
            if name == "likeness":
                new_scales = [float(np.clip(value * math.exp(rng.normal(0.0, 0.4)), 0.05, 3.0)) for value in scales]
            else:
                low, high = LIMITS[name]
                changed[name] = float(np.clip(changed[name] + rng.normal(0.0, (high - low) / 8), low, high))
        changed["likeness"] = shape_likeness(likeness, *new_scales)
        candidate = EvidenceModel(**changed)
        found = measure(recordings, candidate)
        if found >= best:
            best, model, scales = found, candidate, (new_scales[0], new_scales[1], new_scales[2])
            print(f"step {step}: {best:.4f}", flush=True)  # progress of a script
    rounded: dict[str, Any] = {k: round(v, 4) if isinstance(v, float) else v for k, v in asdict(model).items()}
    return EvidenceModel(**rounded)


def find_threshold(recordings: Mapping[str, Sequence[Heard]], model: EvidenceModel) -> float:
    """The highest of the sources' thresholds at which codes nearby open no more often than by the rule, in nats."""
    tried: dict[str, list[EntryTrial]] = {
        name: [one for heard in each for one in try_codes(heard, model)] for name, each in recordings.items()
    }
    return max(choose_threshold(each, TapFreeDecoding()) for each in tried.values())


def main() -> None:
    """Fit, and write the model."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kept", type=Path, metavar="DIR", help="keep candidates there, and read them again")
    parser.add_argument("--steps", type=int, default=60, metavar="N", help="of the search; default: 60")
    args = parser.parse_args()
    tap = Tap()
    rng = np.random.default_rng(0)
    recordings = {}
    for name in SOURCES:
        heard = list(
            list_heard(
                gather(name, "test", DOORS, kept=args.kept),
                tap.model,
                probability=tap.probability,
                dead_time_s=tap.dead_time_s,
            )
        )
        recordings[name] = [heard[i] for i in sorted(rng.permutation(len(heard))[:RECORDINGS])]
    model = search(recordings, args.steps)
    threshold = round(find_threshold(recordings, model), 3)
    document = {"threshold": threshold, "fitted_to": list(SOURCES), "model": asdict(model)}
    MODEL.write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")
    print(f"threshold {threshold} nats; wrote {MODEL}")


if __name__ == "__main__":
    main()
