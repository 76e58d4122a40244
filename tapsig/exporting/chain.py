"""A detector as it is exported: its numbers, and one count after another through detector, clock and entry machine."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from tapsig.converter import Converter
from tapsig.core import load
from tapsig.core.evidence import check_length
from tapsig.core.evidence_model import SLOW_WORK_A_STEP, WORK_A_STEP
from tapsig.core.tap import DECISION_MS
from tapsig.detectors.base import Variant
from tapsig.detectors.fixed_threshold import FixedThreshold
from tapsig.detectors.ring_following import RingFollowing
from tapsig.detectors.tap import Tap
from tapsig.entry.decoding import Decoder, choose_decoder
from tapsig.entry.evidence import Evidence, judge_config
from tapsig.entry.machine import Verdict, check_code, entry_config
from tapsig.entry.parameters import EntryParameters, require_parameters, to_ms
from tapsig.errors import ExportError
from tapsig.units import check_range

EXPORTED: dict[type, str] = {FixedThreshold: "fixed_threshold", RingFollowing: "ring_following", Tap: "tap"}
"""Variants that the core runs, with their names in C."""
CLOCK_HZ = 16_000_000
"""Of the 8-bit controller that `--firmware` is for; LOWEST_CLOCK_HZ bears half the sample rate."""
LOWEST_CLOCK_HZ = 8_000_000
LOWEST_FS, HIGHEST_FS = 4.0, 200_000.0
"""Rates in Hz that the clock of an export can count."""
_VERDICTS = ("", Verdict.UNJUDGED.value, Verdict.ACCEPTED.value, Verdict.WRONG.value, Verdict.VOID.value)


@dataclass(frozen=True, slots=True)
class Prepared:
    """All that an export needs of a detector: cffi's structs of numbers, which the core has run with."""

    variant: Variant
    name: str
    fs: float
    converter: Converter
    detector: Any
    code: tuple[int, ...]
    entry: Any
    clock: Any
    judge: Any
    """A `tapsig_judge_config` where the decoder is evidence, else None."""
    keeps: Any
    """What the structs point to."""
    parameters: EntryParameters
    evidence: Evidence
    clock_hz: int

    @property
    def config(self) -> Any:
        """The detector's `tapsig_NAME_config`."""
        return self.detector.core.config


def prepare(
    variant: Variant,
    fs: float,
    converter: Converter,
    *,
    code: Sequence[int] | str | None = None,
    entry: EntryParameters | None = None,
    decoder: Decoder | None = None,
    evidence: Evidence | None = None,
    clock_hz: int = CLOCK_HZ,
) -> Prepared:
    """`variant` at `fs` Hz behind `converter`, with the entry machine (or the judge of evidence) when `code` is given.

    Without a `decoder` it is the one by which `decode` decides, or evidence where `evidence` is given. `entry` and
    `evidence` are the parameters of the two; None: the defaults. A slower clock than CLOCK_HZ cuts the work on a
    verdict on evidence into shorter steps, so that it comes later.

    Raises ExportError for a detector that the core does not run, ParameterError for numbers that it does not take.
    """
    name = EXPORTED.get(type(variant))
    if name is None:
        known = ", ".join(str(kind.name) for kind in EXPORTED)  # type: ignore[attr-defined]
        given, other = repr(variant.name), "these can"
        if isinstance(variant, tuple(EXPORTED)):
            given, other = type(variant).__name__, "these can, but no subclass of theirs"
        raise ExportError(f"the detector {given} cannot be exported; {other}: {known}")
    check_range("fs", fs, LOWEST_FS, HIGHEST_FS)
    check_range("clock_hz", clock_hz, LOWEST_CLOCK_HZ, 1e9)
    detector: Any = variant.build(fs, converter=converter)  # type: ignore[call-arg]
    ffi, _ = load()
    if decoder is None and (code is None or evidence is not None):
        decoder = "rule" if evidence is None else "evidence"
    entry, evidence = require_parameters(entry), evidence or Evidence()
    digits = () if code is None else check_code(code, digit_max=entry.digit_max)
    numbers, keeps = entry_config(entry, digits)
    clock = ffi.new("tapsig_clock_config *")
    clock.step_q24 = round(2**24 * 1000.0 / fs)
    clock.latency_ms = to_ms(detector.latency_s) + 1
    judge = None
    if choose_decoder(decoder, variant, entry, digits) == "evidence":
        if not digits:
            raise ExportError("the decoder evidence is exported with a code; give one")
        entry.check_for_evidence()
        judge, judge_keeps = judge_config(entry, check_length(digits), evidence)
        judge.evidence.work_a_step = WORK_A_STEP if clock_hz >= CLOCK_HZ else SLOW_WORK_A_STEP
        keeps = (keeps, judge_keeps)
    return Prepared(
        variant, name, fs, converter, detector, digits, numbers, clock, judge, keeps, entry, evidence, clock_hz
    )


class Chain:
    """One running export: what tapsig.c computes, by the same core."""

    def __init__(self, prepared: Prepared) -> None:
        self._prepared = prepared
        self._ffi, self._library = load()
        self._push = getattr(self._library, f"tapsig_{prepared.name}_push")
        self._state = self._ffi.new(f"tapsig_{prepared.name} *")
        getattr(self._library, f"tapsig_{prepared.name}_init")(self._state)
        self._age = self._ffi.new("uint16_t *")
        self._clock = self._ffi.new("tapsig_clock *")
        self._entry = self._ffi.new("tapsig_entry *")
        self._library.tapsig_clock_init(self._clock)
        self._library.tapsig_entry_init(self._entry)
        self._judge = self._ffi.new("tapsig_judge *")
        self._library.tapsig_judge_init(self._judge)

    def push(self, count: int) -> tuple[bool, int, str]:
        """Whether the next count decides a tap, how many counts ago its onset was, and the verdict or ""."""
        if self._prepared.judge is not None:
            return self._push_judge(count)
        tap, age = self._push_core(count)
        if not self._prepared.code:
            return tap, age, ""
        verdict = 0
        if tap:
            onset_ms = self._library.tapsig_clock_moment(self._clock, self._prepared.clock, age)
            verdict = self._library.tapsig_entry_push(self._entry, self._prepared.entry, onset_ms)
        settled_ms = (self._clock.now_ms - self._prepared.clock.latency_ms) % 2**32
        if self._library.tapsig_clock_tick(self._clock, self._prepared.clock) and not tap:
            verdict = self._library.tapsig_entry_advance(self._entry, self._prepared.entry, settled_ms)
        return tap, age, _VERDICTS[verdict]

    @property
    def is_deciding(self) -> bool:
        """Whether an entry is over and its verdict is being worked out."""
        return bool(self._judge.evidence.over)

    def _push_judge(self, count: int) -> tuple[bool, int, str]:
        library, config, before = self._library, self._prepared.judge, self._state.levels.block
        decided = self._push(self._state, self._prepared.config, count)
        tap, verdict = decided == library.TAPSIG_IS_TAP, 0
        age = library.tapsig_tap_onset_age(self._state, self._prepared.config) if tap else 0
        if self._state.levels.block == before:
            return tap, age, ""
        candidate = self._state.candidate
        if decided != library.TAPSIG_NOTHING:
            library.tapsig_judge_tick(self._judge, config, max(candidate.block + candidate.age - DECISION_MS, 0))
            library.tapsig_judge_push(self._judge, config, self._ffi.addressof(candidate))
        elif library.tapsig_tap_has_time(self._state) and not library.tapsig_judge_rests(self._state.levels.block):
            settled = max(self._state.levels.block - DECISION_MS, 0)
            if library.tapsig_judge_tick(self._judge, config, settled):
                verdict = library.tapsig_judge_step(self._judge, config)
        return tap, age, _VERDICTS[verdict]

    def _push_core(self, count: int) -> tuple[bool, int]:
        config = self._prepared.config
        if self._prepared.name == "tap":
            tap = self._push(self._state, config, count) == self._library.TAPSIG_IS_TAP
            return tap, self._library.tapsig_tap_onset_age(self._state, config) if tap else 0
        if self._prepared.name == "ring_following":
            tap = self._push(self._state, config, count, self._age)
            return tap, self._age[0] if tap else 0
        return self._push(self._state, config, count), 0

    def probe(self) -> int:
        """The intermediate value that test vectors hold, as tapsig_probe gives it."""
        state = self._state
        if self._prepared.name == "fixed_threshold":
            return int(state.bias_q16 >> 1)
        if self._prepared.name == "ring_following":
            return int(state.mark)
        last, levels = (state.levels.block - 1) % len(state.levels.level[0]), state.levels.level
        return int.from_bytes(bytes(levels[channel][last] for channel in range(len(levels))), "big")

    def lines(self, counts: npt.ArrayLike) -> Iterator[str]:
        """The lines that the replay program prints: `tap,sample,onset_sample` and `verdict,sample,`."""
        for sample, count in enumerate(np.asarray(counts).tolist()):
            tap, age, verdict = self.push(count)
            if tap:
                yield f"tap,{sample},{sample - age}"
            if verdict:
                yield f"{verdict},{sample},"
