"""Integer forms as variants: they quantise volts to converter counts and then use integers only.

What is scored through them is what the C source computes, bit for bit.
"""

import math
from dataclasses import dataclass, field
from typing import ClassVar, NamedTuple, Protocol

import numpy as np

from tapsig.detect.base import StreamingDetector, Variant
from tapsig.detect.candidates import LATENCY_S
from tapsig.detect.fixed_threshold import FixedThreshold
from tapsig.detect.gate import ALL_FEATURES
from tapsig.detect.ring_following import BLOCK_HZ, LEAST_V, RingFollowing
from tapsig.detect.tap import CORE_FLOOR_V, STEP, TRIGGER_DB, Tap
from tapsig.dsp.filters import high_pass_time_s, one_pole_coefficient
from tapsig.export.converter import Converter, samples_per_block, whole
from tapsig.export.fixed_point import log2_q8
from tapsig.export.integer_core import CoreNumbers, new_state, room_for, run_core
from tapsig.export.integer_gate import GateNumbers, gate_numbers, judge, new_history, to_floats
from tapsig.export.integer_plain import (
    MARK,
    RingNumbers,
    ThresholdNumbers,
    new_ring_state,
    new_threshold_state,
    run_ring_following,
    run_threshold,
)
from tapsig.records import Detections
from tapsig.units import FloatArray, IntArray, seconds_to_samples, volts_to_counts

LEVEL = ALL_FEATURES.index("level_v_db")
OCTAVE_DB = 20.0 * math.log10(2.0)


class IntegerRun(Protocol):
    """A running integer detector: counts in; onset, deciding index (both within the counts), strength out."""

    def __call__(self, counts: IntArray) -> tuple[IntArray, IntArray, FloatArray]:
        """Feed the next counts; an onset may lie before them (a negative index)."""
        ...

    def probe(self) -> int:
        """The intermediate value that test vectors show after each count."""
        ...


class IntegerVariant(Variant, Protocol):
    """What the export needs of an integer variant beyond running it."""

    @property
    def source(self) -> Variant:
        """The float variant that it stands for."""
        ...

    @property
    def converter(self) -> Converter:
        """The controller's converter."""
        ...

    def start(self, fs: float) -> IntegerRun:
        """A fresh run at `fs` Hz."""
        ...

    def latency_s(self, fs: float) -> float:
        """Latest decision after an onset."""
        ...


class IntegerDetector(StreamingDetector):
    """Volts -> counts -> integers."""

    def __init__(self, variant: IntegerVariant, fs: float) -> None:
        super().__init__(fs)
        self._variant = variant
        self.latency_s = variant.latency_s(self.fs)
        self._clear()

    def _clear(self) -> None:
        self._run = self._variant.start(self.fs)

    def _process(self, samples: FloatArray, first: int) -> Detections:
        converter = self._variant.converter
        counts = volts_to_counts(samples, converter.range_v, converter.bits)
        onsets, decided, strength = self._run(counts)
        return Detections(np.maximum(onsets + first, 0), decided + first, strength)


class ThresholdRun:
    """A running fixed threshold; the probe is the mean in Q16 counts."""

    def __init__(self, numbers: ThresholdNumbers) -> None:
        self._numbers, self._state = numbers, new_threshold_state()

    def __call__(self, counts: IntArray) -> tuple[IntArray, IntArray, FloatArray]:
        onsets = np.empty(counts.size // self._numbers.dead_samples + 1, dtype=np.int64)
        found = onsets[: run_threshold(counts, self._state, self._numbers, onsets)]
        return found, found, np.ones(found.size)

    def probe(self) -> int:
        """The mean in Q16 counts."""
        return int(self._state[0])


class RingRun:
    """A running ring-following threshold; the probe is the ring mark in log2 Q16."""

    def __init__(self, numbers: RingNumbers) -> None:
        self._numbers, self._state = numbers, new_ring_state(numbers)

    def __call__(self, counts: IntArray) -> tuple[IntArray, IntArray, FloatArray]:
        room = counts.size // (self._numbers.samples_per_block * self._numbers.dead_blocks) + 2
        ages, decided = np.empty(room, dtype=np.int64), np.empty(room, dtype=np.int64)
        found = run_ring_following(counts, self._state, self._numbers, ages, decided)
        return decided[:found] - ages[:found], decided[:found], np.ones(found)

    def probe(self) -> int:
        """The ring mark in log2 Q16."""
        return int(self._state[MARK])


@dataclass(frozen=True, slots=True)
class IntegerFixedThreshold:
    """`fixed-threshold` in integers."""

    name: ClassVar[str] = "fixed-threshold-integer"
    source: FixedThreshold = field(default_factory=FixedThreshold)
    converter: Converter = field(default_factory=Converter)

    def numbers(self, fs: float) -> ThresholdNumbers:
        """Its constants at `fs` Hz."""
        return ThresholdNumbers(
            whole("threshold", self.source.threshold_v / self.converter.count_v * 256, 1, 2**23 - 1),
            whole("dead time in samples", seconds_to_samples(self.source.dead_time_s, fs, at_least=1), 1, 2**31 - 1),
            whole("bias shift", math.log2(max(self.source.bias_time_s * fs, 1.0)), 0, 24),
        )

    def latency_s(self, fs: float) -> float:
        """None: a sample is judged by itself."""
        return 0.0

    def start(self, fs: float) -> IntegerRun:
        """A fresh run."""
        return ThresholdRun(self.numbers(fs))

    def build(self, fs: float, *, keep_rejected: bool = False) -> IntegerDetector:
        """A detector for `fs` Hz; like the float form it has no candidates that it could reject."""
        return IntegerDetector(self, fs)


@dataclass(frozen=True, slots=True)
class IntegerRingFollowing:
    """`ring-following` in integers."""

    name: ClassVar[str] = "ring-following-integer"
    source: RingFollowing = field(default_factory=RingFollowing)
    converter: Converter = field(default_factory=Converter)

    def numbers(self, fs: float) -> RingNumbers:
        """Its constants at `fs` Hz. Raises ExportError for a rate that does not fit."""
        source, unit_q4 = self.source, self.converter.unit_v / 16
        octave_q16 = 65536 / OCTAVE_DB
        per_block = octave_q16 / BLOCK_HZ
        low, high = source.decay_limits_db_s
        least = whole("least level", LEAST_V / unit_q4, 0, 1 << 20) or 1
        threshold = log2_q8(whole("threshold", source.threshold_v / unit_q4, 1, 1 << 19) + least) << 8
        return RingNumbers(
            samples_per_block(fs), self.converter.shift,
            whole("high-pass", one_pole_coefficient(high_pass_time_s(source.high_pass_hz, fs), fs) * 65536, 1, 65536),
            least, threshold, whole("over_usual_db", source.over_usual_db * octave_q16, 0, 1 << 23),
            whole("over_ring_db", source.over_ring_db * octave_q16, 0, 1 << 23),
            whole("decay_share", source.decay_share * 256, 0, 512),
            whole("decay", (source.decay_db_s or math.sqrt(low * high)) * per_block, 0, 1 << 22),
            whole("lowest decay", low * per_block, 0, 1 << 22), whole("highest decay", high * per_block, 0, 1 << 22),
            whole("hysteresis_db", source.hysteresis_db * octave_q16, 0, 1 << 23), int(source.decay_db_s == 0.0),
            whole("dead time in ms", seconds_to_samples(source.dead_time_s, BLOCK_HZ, at_least=1), 1, 65535),
        )  # fmt: skip

    def latency_s(self, fs: float) -> float:
        """One block."""
        return 1.0 / BLOCK_HZ

    def start(self, fs: float) -> IntegerRun:
        """A fresh run."""
        return RingRun(self.numbers(fs))

    def build(self, fs: float, *, keep_rejected: bool = False) -> IntegerDetector:
        """A detector for `fs` Hz; like the float form it has no candidates that it could reject."""
        return IntegerDetector(self, fs)


FAINT, UNLIKELY, DEAD = "below floor_v", "unlikely", "within dead time"


class Judged(NamedTuple):
    """Candidates in order: onset, deciding index, score (Q10), features (integers), "" for a tap or why not."""

    onsets: IntArray
    decided: IntArray
    scores: IntArray
    features: IntArray
    reasons: list[str]


class TapRun:
    """A running `tap`; the probe is the last candidate's score in Q10."""

    def __init__(self, core: CoreNumbers, gate: GateNumbers) -> None:
        self._core, self._gate = core, gate
        self._state, self._history = new_state(core), new_history()
        self._last = -(1 << 60)
        self._consumed = 0
        self._score = 0

    def judge(self, counts: IntArray) -> Judged:
        """Every candidate that the next counts decide; indices within them."""
        triggers, onsets, decided, rows = room_for(counts.size, self._core)
        found = run_core(counts, self._state, self._core, triggers, onsets, decided, rows)
        full, scores = np.zeros((found, len(ALL_FEATURES)), np.int64), np.zeros(found, np.int64)
        gate, reasons = self._gate, []
        judge(triggers[:found], rows[:found], gate.first, gate.second, gate.remember_lower, self._history, full, scores)
        for i in range(found):
            self._score = int(scores[i])
            if full[i, LEVEL] < gate.least_level:
                reasons.append(FAINT)
            elif self._score < gate.least_score:
                reasons.append(UNLIKELY)
            elif onsets[i] - self._last < gate.dead_samples:
                reasons.append(DEAD)
            else:
                reasons.append("")
                self._last = int(onsets[i])
        first, self._consumed = self._consumed, self._consumed + counts.size
        return Judged(onsets[:found] - first, decided[:found] - first, scores, full, reasons)

    def __call__(self, counts: IntArray) -> tuple[IntArray, IntArray, FloatArray]:
        judged = self.judge(counts)
        kept = [i for i, reason in enumerate(judged.reasons) if not reason]
        return judged.onsets[kept], judged.decided[kept], judged.scores[kept] / 1024.0

    def probe(self) -> int:
        """The last candidate's score in Q10."""
        return self._score


@dataclass(frozen=True, slots=True)
class IntegerTap:
    """`tap` in integers: the whole of it, prediction, features, history and gate."""

    name: ClassVar[str] = "tap-integer"
    source: Tap = field(default_factory=Tap)
    converter: Converter = field(default_factory=Converter)

    def core_numbers(self, fs: float) -> CoreNumbers:
        """Constants of the candidate core. Raises ExportError for a rate that does not fit."""
        per_block = samples_per_block(fs)
        return CoreNumbers(
            per_block, whole("reciprocal", 65536 / per_block, 1, 65536), self.converter.shift,
            whole("step", STEP * 65536, 1, 16384), whole("trigger", 256 * 10 ** (TRIGGER_DB / 10), 256, 65535),
            max(1, whole("floor", (CORE_FLOOR_V / self.converter.unit_v) ** 2, 0, 1 << 30)),
            math.floor(256 * math.log2(1000 * per_block / (2 * math.pi)) + 0.5),
        )  # fmt: skip

    def gate_numbers(self, fs: float) -> GateNumbers:
        """Constants of the gate."""
        dead = seconds_to_samples(self.source.dead_time_s, fs)
        return gate_numbers(
            self.source.gate, probability=self.source.probability, floor_v=self.source.floor_v, dead_samples=dead,
            unit_v=self.converter.unit_v,
        )  # fmt: skip

    def latency_s(self, fs: float) -> float:
        """As the float form."""
        return LATENCY_S + 1.0 / fs

    def start(self, fs: float) -> TapRun:
        """A fresh run."""
        return TapRun(self.core_numbers(fs), self.gate_numbers(fs))

    def build(self, fs: float, *, keep_rejected: bool = False) -> "IntegerTapDetector":
        """A detector for `fs` Hz."""
        return IntegerTapDetector(self, fs, keep_rejected=keep_rejected)


class IntegerTapDetector(StreamingDetector):
    """Volts -> counts -> an `IntegerTap`; strength is the score, features are in the units of the float form."""

    def __init__(self, variant: IntegerTap, fs: float, *, keep_rejected: bool) -> None:
        super().__init__(fs)
        self._variant, self._keep_rejected = variant, keep_rejected
        self.latency_s = variant.latency_s(self.fs)
        self._clear()

    def _clear(self) -> None:
        self._run = self._variant.start(self.fs)

    def _process(self, samples: FloatArray, first: int) -> Detections:
        variant = self._variant
        converter, gate = variant.converter, variant.source.gate
        found = self._run.judge(volts_to_counts(samples, converter.range_v, converter.bits))
        rows = to_floats(found.features, converter.unit_v)
        reasons = [
            gate.reason(row) if reason == UNLIKELY and self._keep_rejected else reason
            for row, reason in zip(rows, found.reasons, strict=True)
        ]
        detections = Detections(
            np.maximum(found.onsets + first, 0), found.decided + first, found.scores / 1024.0,
            {name: rows[:, column] for column, name in enumerate(ALL_FEATURES)}, tuple(reasons),
        )  # fmt: skip
        return detections if self._keep_rejected else detections.accepted()
