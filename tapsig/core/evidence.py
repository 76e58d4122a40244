"""Run the core's `evidence`: candidates in, entries with their most likely series out."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from tapsig.core import CLOCK, load
from tapsig.core.context import CONTEXT
from tapsig.core.evidence_model import BETWEEN_BINS, TEMPOS, WITHIN_BINS
from tapsig.errors import ParameterError

KEPT = 36
"""Candidates of one entry, and taps of a code, at most (evidence.h)."""
CODE_DIGITS = 16
_NONE = 255
UNREACHED = -(2**15)


@dataclass(frozen=True, slots=True)
class Series:
    """A series of taps among the candidates of an entry.

    Parameters
    ----------
    taps : indices of candidates, ascending.
    digits : how many of them each digit has; () = no taps at all.
    score : log-likelihood against no taps at all, in 1/64 nat; of no taps, their prior; `UNREACHED` = no such series.
    """

    taps: tuple[int, ...]
    digits: tuple[int, ...]
    score: int


class _Kept:
    """A `tapsig_evidence`, its numbers (a `tapsig_evidence_config`), and what these point to; pickled as bytes."""

    def __init__(self, state: Any, config: Any, keeps: Any) -> None:
        self.state, self.config, self.keeps = state, config, keeps

    def __reduce__(self) -> tuple[object, ...]:
        pointers = (self.config.context.nodes, self.config.within, self.config.between, self.config.tempo)
        sizes = (self.config.context.size, WITHIN_BINS, BETWEEN_BINS, TEMPOS)
        buffer = load()[0].buffer
        tables = [bytes(buffer(pointer, size)) for pointer, size in zip(pointers, sizes, strict=True)]
        return _keep, (bytes(buffer(self.state)), bytes(buffer(self.config)), tables)

    def __deepcopy__(self, memo: object) -> "_Kept":  # nothing changes it
        return self


def _keep(state: bytes, config: bytes, tables: Sequence[bytes]) -> _Kept:
    ffi, _ = load()
    made = ffi.new("tapsig_evidence *"), ffi.new("tapsig_evidence_config *")
    for struct, content in zip(made, (state, config), strict=True):
        ffi.memmove(struct, content, len(content))
    keeps = [ffi.from_buffer("uint8_t[]", tables[0]), *(ffi.from_buffer("int8_t[]", one) for one in tables[1:])]
    made[1].context.nodes, made[1].within, made[1].between, made[1].tempo = keeps
    return _Kept(*made, keeps)


@dataclass(frozen=True, slots=True, eq=False)
class Weighed:
    """The candidates of one entry, and the questions that can be asked of them.

    Parameters
    ----------
    onset_ms, score : of each candidate, ascending in time; log-odds in 1/64 nat, rounded down to 1/16 nat.
    end_ms : when the entry was over, on a clock that starts anew at CLOCK.
    no_taps : prior log-odds of no taps at all, in 1/64 nat.
    """

    onset_ms: tuple[int, ...]
    score: tuple[int, ...]
    end_ms: int
    no_taps: int
    _kept: _Kept

    @property
    def _state(self) -> Any:
        return self._kept.state

    @property
    def _config(self) -> Any:
        return self._kept.config

    def list_odds(self) -> tuple[int, ...]:
        """Log-odds of each candidate among the others of the entry, in 1/64 nat (context.h)."""
        _, library = load()
        inside = range(self._state.first, self._state.stop)
        return tuple(int(library.tapsig_context_judge(self._state, self._config, index)) for index in inside)

    def list_context(self) -> npt.NDArray[np.uint8]:
        """What a context model judges by: a row for each candidate, shape (n, len(CONTEXT))."""
        ffi, library = load()
        inside = range(self._state.first, self._state.stop)
        rows = np.zeros((len(inside), len(CONTEXT)), dtype=np.uint8)
        for row, index in zip(rows, inside, strict=True):
            library.tapsig_context_describe(self._state, self._config, index, ffi.from_buffer("uint8_t[]", row))
        return rows

    def compute_ratio(self, code: Sequence[int]) -> int:
        """Log-likelihood of the code's best series against the best other series, in 1/64 nat.

        `UNREACHED` where no series of the code is likelier than no taps at all. Raises ParameterError for a code that
        is too long.
        """
        found = self._compare(check_length(code), 0, TEMPOS, None)
        return UNREACHED if found.code <= self.no_taps else int(found.code) - int(found.other)

    def find_series(self, code: Sequence[int] = ()) -> tuple[Series, Series]:
        """The code's best series and the best other one; without a code the second is the best of all."""
        digits = check_length(code) if code else ()
        found = self._compare(digits, 0, TEMPOS, None)
        own, other = Series((), tuple(digits), UNREACHED), Series((), (), self.no_taps)
        ffi, _ = load()
        trace = ffi.new("tapsig_trace *")
        if digits and found.code != UNREACHED:
            self._compare(digits, found.code_tempo, found.code_tempo + 1, trace)
            taps = _follow(trace, sum(digits) - 1, found.code_end)
            own = Series(taps, tuple(digits), int(found.code))
        if found.other > self.no_taps:
            self._compare(digits, found.other_tempo, found.other_tempo + 1, trace)
            other = _follow_other(trace, digits, found)
        return own, other

    def count_steps(self, code: Sequence[int]) -> int:
        """How many steps the comparison takes a controller, which does one in a millisecond."""
        ffi, library = load()
        digits, comparing = check_length(code), ffi.new("tapsig_comparing *")
        own = ffi.new("tapsig_evidence *", self._state[0])
        library.tapsig_compare_begin(comparing, self.no_taps, 0)
        steps = 1
        while not library.tapsig_compare_step(
            comparing, own, self._config, bytes(digits), len(digits), TEMPOS, ffi.NULL
        ):
            steps += 1
        return steps

    def _compare(self, digits: Sequence[int], first: int, stop: int, trace: Any) -> Any:
        ffi, library = load()
        return library.tapsig_compare_run(
            self._state, self._config, self.no_taps, bytes(digits), len(digits), first, stop, trace or ffi.NULL
        )


def can_hold(code: Sequence[int]) -> bool:
    """Whether the core can compare a code: 1 to CODE_DIGITS digits from 1 on, and at most KEPT taps."""
    return 0 < len(code) <= CODE_DIGITS and sum(code) <= KEPT and min(code) >= 1


def check_length(code: Sequence[int]) -> tuple[int, ...]:
    """The code as a tuple; ParameterError when it has more digits or taps than the core keeps."""
    digits = tuple(code)
    if not can_hold(digits):
        raise ParameterError(
            f"code is {'-'.join(map(str, digits))!r}; the evidence decoder takes 1 to {CODE_DIGITS} digits and at most"
            f" {KEPT} taps, because it keeps {KEPT} candidates: choose a shorter code or the decoder rule"
        )
    return digits


def _follow(trace: Any, row: int, end: int) -> tuple[int, ...]:
    """The taps of a series that agrees with the code, from its last one in `row` back to its first."""
    taps = [int(end)]
    for tap in range(row, 0, -1):
        taps.append(int(trace.came_from[tap][taps[-1]]))
    return tuple(reversed(taps))


def _follow_other(trace: Any, code: Sequence[int], found: Any) -> Series:
    taps: list[int] = []
    starts: list[bool] = []
    at, row, digit = int(found.other_end), int(found.other_row), int(found.other_digits) - 1
    while row == _NONE and at != KEPT:
        taps.append(at)
        back = trace.off[digit][at]
        starts.append(bool(back.is_pause))
        at, row, digit = int(back.candidate), int(back.row), int(back.digit)
    if at != KEPT:
        agreeing = _follow(trace, row, at)
        starts.extend(reversed(_list_starts(code)[: len(agreeing)]))
        taps.extend(reversed(agreeing))
    digits: list[int] = []
    for index, is_start in enumerate(reversed(starts)):
        if is_start or not index:
            digits.append(0)
        digits[-1] += 1
    return Series(tuple(reversed(taps)), tuple(digits), int(found.other))


def _list_starts(code: Sequence[int]) -> list[bool]:
    """For each tap of the code, whether it starts a digit."""
    return [tap == 0 for digit in code for tap in range(digit)]


def weigh(state: Any, config: Any, keeps: Any, no_taps: int) -> Weighed:
    """A copy of the entry that is over in a `tapsig_evidence`; `keeps` is what `config` points to."""
    ffi, library = load()
    kept = ffi.new("tapsig_evidence *")
    ffi.memmove(kept, ffi.addressof(state), ffi.sizeof(kept[0]))
    newest = int(kept.newest)
    inside = [kept.order[i] for i in range(kept.first, kept.stop)]
    return Weighed(
        tuple(newest - ((newest - kept.time[i]) & 0xFFFF) for i in inside),
        tuple(int(library.tapsig_score_of(kept.odds[i])) for i in inside),
        int(kept.last_likely) + int(config.silence_ms),
        no_taps,
        _Kept(kept, config, keeps),
    )


class JudgeCore:
    """One running `tapsig_judge`: candidates in, entries with their verdicts out.

    Parameters
    ----------
    config : its numbers, a `tapsig_judge_config`.
    keeps : what `config` points to.
    """

    def __init__(self, config: Any, keeps: Any) -> None:
        self._ffi, self._library = load()
        self.config, self._keeps = config, keeps
        self._evidence = self._ffi.new("tapsig_evidence_config *")  # a copy, which entries keep
        self._evidence[0] = config.evidence
        self._state = self._ffi.new("tapsig_judge *")
        self._candidate = self._ffi.new("tapsig_candidate *")
        self.reset()

    def reset(self) -> None:
        """Forget everything, wrong entries too."""
        self._library.tapsig_judge_init(self._state)

    @property
    def is_open(self) -> bool:
        """Whether an entry is going on."""
        return bool(self._state.evidence.open)

    @property
    def failures(self) -> int:
        """Wrong entries in a row."""
        return int(self._state.entry.failures)

    def push(self, onset_ms: int, score: int, row: bytes) -> None:
        """Take a candidate, in the order of decision, after `tick`; times are below CLOCK."""
        self._candidate.block, self._candidate.score = onset_ms, score
        self._ffi.memmove(self._candidate.row, row, len(row))
        self._library.tapsig_judge_push(self._state, self.config, self._candidate)

    def tick(self, known_ms: int) -> Iterator[tuple[Weighed, int]]:
        """Say that no candidate before `known_ms` follows; the entries that are over, and their verdicts (entry.h)."""
        while self._library.tapsig_judge_tick(self._state, self.config, known_ms):
            no_taps, verdict = int(self._state.comparing.result.no_taps), 0
            weighed = weigh(self._state.evidence, self._evidence, self._keeps, no_taps)
            while not verdict and self._state.evidence.over:
                verdict = self._library.tapsig_judge_step(self._state, self.config)
            yield weighed, int(verdict)

    def finish(self) -> Iterator[tuple[Weighed, int]]:
        """Say that no candidate follows at all."""
        while self.is_open:
            evidence = self._state.evidence
            yield from self.tick((int(evidence.last_likely) + int(self.config.evidence.silence_ms)) % CLOCK)
