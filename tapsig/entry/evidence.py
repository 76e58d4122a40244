"""Entries decided on evidence: which digits were tapped, and was it this code, from all candidates of an entry.

The rule (`tapsig.entry.machine`) counts accepted taps: one missed or false tap spoils a code. The decoder `evidence`
waits for the same silence, and then looks for the most likely series of taps among all candidates, by their log-odds,
rhythm and likeness (core/compare.h has the method and its sources). It accepts a code when the code's best series is
likelier than the best other series by a threshold.

A locked door that does not open can be an emergency: this must never be the only way to reach a person or an animal,
and it is no security product.
"""

import json
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from importlib import resources
from typing import Any

from tapsig.core import CLOCK, load
from tapsig.core.evidence import UNREACHED, JudgeCore, Series, Weighed, can_hold, check_length
from tapsig.core.evidence_model import NAT, EvidenceModel
from tapsig.core.tap import DECISION_MS, Judged
from tapsig.detectors.features import FEATURES
from tapsig.detectors.guards import NotCopied
from tapsig.entry.machine import Entry, Verdict, check_code, entry_config
from tapsig.entry.parameters import MILLISECONDS, MOST_S, EntryParameters, require_parameters, to_ms
from tapsig.errors import ParameterError
from tapsig.units import check_range, require_kind

MODEL_FILE = "evidence_model.json"
LATEST_MS = to_ms(MOST_S)
VERDICTS = (Verdict.VOID, Verdict.UNJUDGED, Verdict.ACCEPTED, Verdict.WRONG, Verdict.VOID)  # by entry.h; 0 is none


@lru_cache(maxsize=1)
def _shipped() -> dict[str, object]:
    text = resources.files("tapsig.entry").joinpath(MODEL_FILE).read_text(encoding="utf-8")
    document: dict[str, object] = json.loads(text)
    return document


@lru_cache(maxsize=1)
def shipped_model() -> EvidenceModel:
    """The model that tapsig ships; `benchmarks/train_evidence.py` fits it."""
    return EvidenceModel(**_shipped()["model"])  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True)
class Evidence:
    """How an entry is judged on evidence.

    Parameters
    ----------
    threshold : a code is accepted when the log of its likelihood ratio is at least this, in nats. It may lie below 0,
        because a person is more likely to tap the code than one that differs from it by a tap.
    model : timing, likeness and weights.

    Raises ParameterError for a threshold out of its range.
    """

    threshold: float = field(default_factory=lambda: float(str(_shipped()["threshold"])))
    model: EvidenceModel = field(default_factory=shipped_model)

    def __post_init__(self) -> None:
        check_range("threshold", self.threshold, -20.0, 400.0)

    @property
    def least_ratio(self) -> int:
        """The threshold in 1/64 nat, as the core has it."""
        return math.ceil(self.threshold * NAT - 1e-9)


@dataclass(frozen=True, slots=True)
class Candidate:
    """One candidate of the detector `tap`.

    Parameters
    ----------
    onset_ms, decided_ms : whole milliseconds; it is decided at most 38 ms after its onset.
    log_odds : that it is a tap, in nats.
    row : the detector's features, as bytes.

    Raises ParameterError for times out of order, log-odds that are not finite, or a row of another length.
    """

    onset_ms: int
    decided_ms: int
    log_odds: float
    row: bytes

    def __post_init__(self) -> None:
        if not 0 <= self.onset_ms <= self.decided_ms <= min(self.onset_ms + DECISION_MS, LATEST_MS):
            raise ParameterError(
                f"onset_ms is {self.onset_ms!r} and decided_ms {self.decided_ms!r}; a candidate is decided 0 to"
                f" {DECISION_MS} ms after its onset, and times reach from 0 to {LATEST_MS} ms"
            )
        if not math.isfinite(self.log_odds):
            raise ParameterError(f"log_odds is {self.log_odds!r}; it must be a finite number of nats")
        if len(self.row) != len(FEATURES):
            raise ParameterError(f"row has {len(self.row)} bytes; a candidate of tap has {len(FEATURES)}")

    @property
    def score(self) -> int:
        """The log-odds in 1/64 nat, within 16 bits."""
        return max(min(math.floor(self.log_odds * NAT + 0.5), 2**15 - 1), -(2**15) + 1)


@dataclass(frozen=True, slots=True)
class EvidenceEntry(Entry):
    """An entry with what speaks for it.

    `digits` and `taps_s` are those of the accepted code, or else of the best series. `log_ratio` is the log of the
    likelihood ratio, in nats: of the machine's code, or without one of `digits`, against the best other series; -inf
    where the candidates hold no series of the code that is likelier than no taps at all, or `digits` are more than a
    code may have. `taken` says which of the candidates in `weighed` are the taps.
    """

    log_ratio: float = -math.inf
    weighed: Weighed | None = field(default=None, repr=False, compare=False)
    taken: tuple[int, ...] = field(default=(), repr=False, compare=False)

    def compute_log_ratio(self, code: Sequence[int]) -> float:
        """The log-likelihood ratio of any code against the best other series, in nats."""
        assert self.weighed is not None
        return _to_nats(self.weighed.compute_ratio(code))


def _to_nats(ratio: int) -> float:
    return -math.inf if ratio == UNREACHED else ratio / NAT


def judge_config(parameters: EntryParameters, code: tuple[int, ...], evidence: Evidence) -> tuple[Any, tuple[Any, ...]]:
    """The core's `tapsig_judge_config` for a code (() = none), and what it points to: keep both."""
    ffi, _ = load()
    entry, keeps = entry_config(parameters, ())
    config = ffi.new("tapsig_judge_config *")
    config.entry = entry[0]
    nodes = evidence.model.fill(config.evidence, parameters.entry_silence_s)
    digits = ffi.new("uint8_t[]", code or (0,))
    config.code, config.code_length, config.least_ratio = digits, len(code), evidence.least_ratio
    return config, (entry, keeps, digits, nodes)


class EvidenceMachine(NotCopied):
    """Candidates in, entries out; the evidence counterpart of `EntryMachine`, with the same waits and limits.

    `push` takes the next candidate, in the order of decision. `advance(known_s)` says that no candidate with an onset
    before that time follows any more. A wake-up row, where one is asked for, is made of likely candidates and is no
    part of the entry. An entry whose best series is the code, but in doubt, is void: it is no failure.

    Raises ParameterError for a code that is longer than what is kept, and for parameters that only the rule uses.
    """

    def __init__(
        self,
        parameters: EntryParameters | None = None,
        *,
        code: Iterable[int] | str | None = None,
        evidence: Evidence | None = None,
    ) -> None:
        self._parameters = parameters = require_parameters(parameters)
        parameters.check_for_evidence()
        if evidence is None:
            evidence = Evidence()
        require_kind("evidence", evidence, Evidence, "tapsig.entry.evidence.Evidence(threshold)")
        self._code = () if code is None else check_length(check_code(code, digit_max=parameters.digit_max))
        config, keeps = judge_config(parameters, self._code, evidence)
        self._core = JudgeCore(config, keeps)
        self.reset()

    def reset(self) -> None:
        """Forget everything."""
        self._core.reset()
        self._known_ms = 0

    @property
    def failures(self) -> int:
        """Wrong entries in a row so far."""
        return self._core.failures

    @property
    def is_open(self) -> bool:
        """Whether an entry is going on."""
        return self._core.is_open

    def push(self, candidate: Candidate) -> tuple[EvidenceEntry, ...]:
        """Take a candidate; return the entries that ended before it.

        Raises ParameterError when it lies before the time that is already known.
        """
        if candidate.onset_ms < self._known_ms:
            raise ParameterError(
                f"onset_ms is {candidate.onset_ms}, before the {self._known_ms} ms already reached; give candidates in"
                " the order of decision"
            )
        ended = self._tick(max(candidate.decided_ms - DECISION_MS, self._known_ms))
        self._core.push(candidate.onset_ms % CLOCK, candidate.score, candidate.row)
        return ended

    def push_judged(self, judged: Judged, *, start_ms: int = 0) -> tuple[EvidenceEntry, ...]:
        """Take what a running `tap` decided; its first block lies at `start_ms`."""
        ended: list[EvidenceEntry] = []
        columns = (judged.block.tolist(), judged.decided_block.tolist(), judged.score.tolist(), judged.rows)
        for block, decided, score, row in zip(*columns, strict=True):
            ended += self.push(Candidate(start_ms + block, start_ms + decided, score / NAT, row.tobytes()))
        return tuple(ended)

    def advance(self, known_s: float) -> tuple[EvidenceEntry, ...]:
        """Say that no candidate before `known_s` follows, and return the entries that ended by then."""
        known_ms = to_ms(check_range("known_s", known_s, 0.0, MOST_S))
        return self._tick(max(known_ms, self._known_ms))

    def finish(self) -> tuple[EvidenceEntry, ...]:
        """Say that no candidate follows at all; return the entry that was going on."""
        return tuple(self._describe(*over) for over in self._core.finish() if over[1])

    def _tick(self, known_ms: int) -> tuple[EvidenceEntry, ...]:
        """Let time pass. All that the machine waits for lies within days of its last tap, so two steps are enough."""
        entries: list[EvidenceEntry] = []
        for now_ms in sorted({min(known_ms, self._known_ms + CLOCK // 4), known_ms}):
            self._known_ms = now_ms
            entries += [self._describe(*over) for over in self._core.tick(now_ms % CLOCK) if over[1]]
        return tuple(entries)

    def _unwrap(self, weighed: Weighed) -> Weighed:
        """The same with the times that lie nearest to what is known, and not on the core's clock."""
        later_ms = (weighed.end_ms - self._known_ms + CLOCK // 2) % CLOCK - CLOCK // 2
        shift_ms = self._known_ms + later_ms - weighed.end_ms
        onset_ms = tuple(onset + shift_ms for onset in weighed.onset_ms)
        return replace(weighed, onset_ms=onset_ms, end_ms=weighed.end_ms + shift_ms)

    def _describe(self, over: Weighed, code_of_verdict: int) -> EvidenceEntry:
        weighed = self._unwrap(over)
        verdict = VERDICTS[code_of_verdict]
        own, best = weighed.find_series(self._code)
        if self._code:
            ratio = own.score - best.score if own.score > weighed.no_taps else UNREACHED
        else:
            ratio = weighed.compute_ratio(best.digits) if can_hold(best.digits) else UNREACHED
        chosen = own if verdict is Verdict.ACCEPTED or (self._code and ratio > 0) else best
        wait_s = 0.0
        if verdict is Verdict.WRONG:
            is_last = self.failures == self._parameters.failure_limit
            wait_s = math.inf if is_last else self._parameters.compute_wait_s(self.failures)
        taps_s = tuple(weighed.onset_ms[index] / MILLISECONDS for index in chosen.taps)
        return EvidenceEntry(
            chosen.digits,
            taps_s[0],
            weighed.end_ms / MILLISECONDS,
            taps_s,
            verdict,
            self.failures,
            wait_s,
            log_ratio=_to_nats(ratio),
            weighed=weighed,
            taken=chosen.taps,
        )


def explain(entry: EvidenceEntry, code: Sequence[int] | None) -> tuple[Series, Series]:
    """The chosen series and its runner-up, as indices of the entry's candidates."""
    assert entry.weighed is not None
    wanted = tuple(code) if code else entry.digits
    if code or can_hold(wanted):
        return entry.weighed.find_series(wanted)
    return entry.weighed.find_series()[1], Series((), (), entry.weighed.no_taps)  # too long to be compared with others
