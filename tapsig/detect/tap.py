"""Detector variant, the default: candidates by adaptive prediction, then a gate on their features and on the past.

It ships fitted to simulated vehicles and real hits; `tapsig fit` fits it to labelled recordings of your own.
"""

import json
from dataclasses import dataclass, field
from functools import lru_cache
from importlib import resources
from typing import ClassVar

import numpy as np

from tapsig.detect.base import StreamingDetector
from tapsig.detect.candidates import LATENCY_S, Candidates, Core
from tapsig.detect.gate import ALL_FEATURES, Gate, judge
from tapsig.detect.history import new_history
from tapsig.features import FEATURES
from tapsig.records import Detections
from tapsig.units import FloatArray, check_positive, check_range, seconds_to_samples

TRIGGER_DB = 1.5
CORE_FLOOR_V = 3e-4
STEP = 0.03
MODEL_FILE = "tap_model.json"
_LEVEL = FEATURES.index("level_v_db")


@lru_cache(maxsize=1)
def _shipped() -> dict[str, object]:
    text = resources.files("tapsig.detect").joinpath(MODEL_FILE).read_text(encoding="utf-8")
    parameters: dict[str, object] = json.loads(text)["parameters"]
    return parameters


@lru_cache(maxsize=1)
def shipped_gate() -> Gate:
    """The gate that tapsig ships; `benchmarks/train_gate.py` fits it."""
    return Gate.from_json(_shipped()["gate"])


def _shipped_number(name: str) -> float:
    return float(str(_shipped()[name]))


@dataclass(frozen=True, slots=True)
class Tap:
    """A tap is a candidate of the innovation that a fitted gate judges likely enough; the default.

    Parameters
    ----------
    probability : a candidate is a tap from this calibrated probability on, in (0, 1).
    floor_v : rms of the innovation over 2 ms that a tap must reach, in volts.
    dead_time_s : no second tap this soon after one.
    gate : what judges a candidate.

    >>> detector = Tap().build(8000.0)
    >>> detector.latency_s <= 0.040
    True
    """

    name: ClassVar[str] = "tap"
    probability: float = field(default_factory=lambda: _shipped_number("probability"))
    floor_v: float = field(default_factory=lambda: _shipped_number("floor_v"))
    dead_time_s: float = field(default_factory=lambda: _shipped_number("dead_time_s"))
    gate: Gate = field(default_factory=shipped_gate)

    def __post_init__(self) -> None:
        check_range("probability", self.probability, 1e-9, 1.0 - 1e-9)
        check_positive("floor_v", self.floor_v)
        check_range("dead_time_s", self.dead_time_s, 0.0, 10.0)

    def build(self, fs: float, *, keep_rejected: bool = False) -> "TapDetector":
        """A detector for `fs` Hz."""
        return TapDetector(self, fs, keep_rejected=keep_rejected)


class TapDetector(StreamingDetector):
    """Runs a `Tap`; strength is the calibrated probability."""

    def __init__(self, variant: Tap, fs: float, *, keep_rejected: bool) -> None:
        super().__init__(fs)
        self._variant = variant
        self._keep_rejected = keep_rejected
        self._core = Core(self.fs, step=STEP, trigger_db=TRIGGER_DB, floor_v=CORE_FLOOR_V)
        self.latency_s = LATENCY_S + 1.0 / self.fs
        self._floor_db = 20.0 * float(np.log10(variant.floor_v))
        self._dead = seconds_to_samples(variant.dead_time_s, self.fs)
        self._clear()

    def _clear(self) -> None:
        self._core.reset()
        self._history = new_history()
        self._last = -(1 << 60)

    def _process(self, samples: FloatArray, first: int) -> Detections:
        return self._judge(self._core.push(samples))

    def _finish(self, consumed: int) -> Detections:
        return self._judge(self._core.finish())

    def compile_gate(self) -> None:
        """Compile what judges candidates, or find it in the cache, before there are any."""
        self._score(Candidates.empty())

    def _score(self, candidates: Candidates) -> tuple[FloatArray, FloatArray]:
        gate, count = self._variant.gate, candidates.onsets.size
        full, scores = np.empty((count, len(ALL_FEATURES))), np.empty(count)
        judge(candidates.triggers, candidates.rows, gate.first, gate.second, gate.remember_lower, self._history, full,
              scores)
        return full, scores

    def _judge(self, candidates: Candidates) -> Detections:
        count = candidates.onsets.size
        if not count:
            return Detections.empty()
        full, scores = self._score(candidates)
        probability = self._variant.gate.probability(scores)
        likely = np.flatnonzero(probability >= self._variant.probability)
        kept = np.arange(count) if self._keep_rejected else likely
        reasons = [self._decide(i, candidates, full, float(probability[i])) for i in kept.tolist()]
        if not self._keep_rejected:
            kept = kept[[not reason for reason in reasons]]
            reasons = [""] * kept.size
        if not kept.size:
            return Detections.empty()
        return Detections(
            candidates.onsets[kept], candidates.decided[kept], probability[kept],
            {name: full[kept, column] for column, name in enumerate(ALL_FEATURES)}, tuple(reasons),
        )  # fmt: skip

    def _decide(self, i: int, candidates: Candidates, full: FloatArray, probability: float) -> str:
        """Why candidate `i` is rejected, "" for a tap; to be asked in order, because of the dead time."""
        variant, onset = self._variant, int(candidates.onsets[i])
        if candidates.rows[i, _LEVEL] < self._floor_db:
            return "below floor_v"
        if probability < variant.probability:
            return variant.gate.reason(full[i])
        if onset - self._last < self._dead:
            return "within dead time"
        self._last = onset
        return ""
