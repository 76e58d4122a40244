"""Detector variant, the default: candidates of the core, each judged by itself by a small sum of trees.

It ships fitted to several kinds of simulated doors and to real hits; `tapsig fit` adjusts it to recordings of your own.
"""

import json
from abc import abstractmethod
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt

from tapsig.converter import Converter, CountArray, require_converter
from tapsig.core.rate import HIGHEST_FS, LOWEST_FS
from tapsig.core.tap import DECISION_MS, HIGHEST_ORDER, LOWEST_ORDER, Judged, TapCore, Verdict
from tapsig.detections import Detections
from tapsig.detectors.base import CountDetector
from tapsig.detectors.features import in_units
from tapsig.detectors.model import Model, to_probability, to_score
from tapsig.detectors.parameters import Parameters
from tapsig.units import FloatArray, check_count, check_range, require_kind

MODEL_FILE = "tap_model.json"


@cache
def _shipped() -> dict[str, Any]:
    text = resources.files("tapsig.detectors").joinpath(MODEL_FILE).read_text(encoding="utf-8")
    parameters = json.loads(text)["parameters"]
    return {**parameters, "model": Model.from_json(parameters["model"])}


def shipped_model() -> Model:
    """The model that tapsig ships; `benchmarks/train_tap.py` fits it."""
    model: Model = _shipped()["model"]
    return model


@dataclass(frozen=True, slots=True)
class Tap(Parameters):
    """A tap is a candidate that the model finds likely enough, whatever came before it; the default.

    Parameters
    ----------
    probability : a candidate is a tap from this probability on, in (0, 1).
    floor_v : rms of the prediction error over 2 ms that a tap must reach, in volts; 0 = none.
    dead_time_s : no second tap this soon after one.
    order : values, one a millisecond, from which the prediction is made, 4 to 16. With 4 the prediction takes a
        quarter of its time, and the whole load of a controller at 1 kHz falls by about a quarter.
    model : the sum of trees that judges a candidate.

    >>> detector = Tap().build(8000.0)
    >>> detector.latency_s <= 0.040
    True
    """

    name: ClassVar[str] = "tap"
    takes_converter: ClassVar[bool] = True
    probability: float = field(default_factory=lambda: _shipped()["probability"])
    floor_v: float = field(default_factory=lambda: _shipped()["floor_v"])
    dead_time_s: float = field(default_factory=lambda: _shipped()["dead_time_s"])
    order: int = HIGHEST_ORDER
    model: Model = field(default_factory=shipped_model)

    def __post_init__(self) -> None:
        check_range("probability", self.probability, 1e-9, 1.0 - 1e-9)
        check_range("floor_v", self.floor_v, 0.0, 1e4)
        check_range("dead_time_s", self.dead_time_s, 0.0, 10.0)
        check_count("order", self.order, LOWEST_ORDER, HIGHEST_ORDER)
        require_kind("model", self.model, Model, "that of a detector which tapsig.load_detector reads")

    def build(self, fs: float, *, converter: Converter | None = None, keep_rejected: bool = False) -> "TapDetector":
        """A detector for `fs` Hz and volts of that converter; None: 16 bits from -5 to 5 V.

        Raises ParameterError for a rate under 334 Hz or above 200 kHz.
        """
        return TapDetector(self, fs, require_converter(converter), keep_rejected=keep_rejected)


class CandidateDetector(CountDetector):
    """Runs the core's candidates through a model; what their strength is, and why one is rejected, say subclasses."""

    def __init__(
        self,
        fs: float,
        converter: Converter,
        model: Model,
        *,
        least_score: int,
        floor_v: float,
        dead_time_s: float,
        keep_rejected: bool,
        order: int = HIGHEST_ORDER,
    ) -> None:
        super().__init__(check_range("fs", fs, LOWEST_FS, HIGHEST_FS), converter)
        self._keep_rejected = keep_rejected
        self._scale = converter.scale()
        self.core = TapCore(
            self.fs,
            converter.adc_bits,
            trees=model.pack(),
            base=model.base,
            least_score=least_score,
            least_level=converter.level_of(floor_v),
            dead_ms=round(dead_time_s * 1000.0),
            order=order,
        )
        self.latency_s = DECISION_MS / 1000.0 + 1.0 / self.fs

    def _clear(self) -> None:
        self.core.reset()

    def _decide(self, counts: CountArray) -> Detections:
        return self.report(self.core.push(counts))

    def _decide_volts(self, samples: FloatArray) -> Detections:
        return self.report(self.core.push_volts(samples, self._scale))

    def _finish(self, consumed: int) -> Detections:
        return self.report(self.core.finish())

    def judge(self, chunk: npt.ArrayLike) -> Judged:
        """All candidates that the next samples decide, taps or not; takes what `push` takes, instead of it."""
        with self.in_use:
            samples = self._take(chunk)
            counted = samples.dtype == np.uint16
            return self.core.push(samples) if counted else self.core.push_volts(samples, self._scale)

    def judge_rest(self) -> Judged:
        """The candidates that are left at the end of the samples; instead of `flush`."""
        with self.in_use:
            self._refuse_after_flush()
            self._flushed = True
            return self.core.finish()

    def report(self, judged: Judged) -> Detections:
        """What `push` returns for these candidates; indices count from the last reset."""
        if len(judged) and not self._keep_rejected:
            judged = judged.select(judged.verdict == Verdict.TAP)
        if not len(judged):
            return Detections.empty()
        reasons = [""] * len(judged)
        for i in np.flatnonzero(judged.verdict != Verdict.TAP).tolist():
            reasons[i] = self._reason(Verdict(judged.verdict[i]), judged.rows[i])
        return Detections(judged.onset, judged.decided, self._strength(judged), in_units(judged.rows), tuple(reasons))

    def _reason(self, verdict: Verdict, row: npt.NDArray[np.uint8]) -> str:
        """Why a candidate was rejected."""
        if verdict == Verdict.UNLIKELY:
            return self._reason_unlikely(row)
        return "below floor_v" if verdict == Verdict.TOO_WEAK else "within dead time"

    @abstractmethod
    def _strength(self, judged: Judged) -> FloatArray:
        """How strongly each candidate stood out, shape (n,)."""

    @abstractmethod
    def _reason_unlikely(self, row: npt.NDArray[np.uint8]) -> str:
        """Why the model rejected a candidate."""


class TapDetector(CandidateDetector):
    """Runs a `Tap`; strength is the probability."""

    def __init__(self, variant: Tap, fs: float, converter: Converter, *, keep_rejected: bool) -> None:
        self._model = variant.model
        super().__init__(
            fs,
            converter,
            variant.model,
            least_score=to_score(variant.probability),
            floor_v=variant.floor_v,
            dead_time_s=variant.dead_time_s,
            keep_rejected=keep_rejected,
            order=variant.order,
        )

    def _strength(self, judged: Judged) -> FloatArray:
        return to_probability(judged.score)

    def _reason_unlikely(self, row: npt.NDArray[np.uint8]) -> str:
        return self._model.reason(row.astype(np.int64))
