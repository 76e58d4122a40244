"""Run the core's `evidence`: candidates in, entries with their most likely series out."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from tapsig.core import load
from tapsig.core.context import CONTEXT, ContextNode, place_trees, read_node
from tapsig.errors import ParameterError
from tapsig.units import check_range

KEPT = 36
"""Candidates of one entry, and taps of a code, at most (evidence.h)."""
CODE_DIGITS = 16
WITHIN_BINS, BETWEEN_BINS, TEMPOS = 32, 48, 12
NAT = 64  # steps of a score
TABLE_NAT = 16  # steps of a table
BINS_PER_OCTAVE = 16
_BIN = math.log(2.0) / BINS_PER_OCTAVE
_NONE = 255
UNREACHED = -(2**15)


def bin_of(ms: float) -> int:
    """The core's bin of a time: 16 log2(ms), the fraction linear between octaves.

    >>> bin_of(256), bin_of(384)
    (128, 136)
    """
    octave = math.floor(math.log2(ms))
    return BINS_PER_OCTAVE * octave + math.floor((ms / 2.0**octave - 1.0) * BINS_PER_OCTAVE)


@dataclass(frozen=True, slots=True)
class EvidenceModel:
    """Timing of hands, and how candidates are weighed.

    Parameters
    ----------
    gap_s, gap_prior_spread : median of the tempo within digits over hands, and its spread in nats (log-normal).
    gap_spread, pause_s, pause_spread : spread of one hand's gaps around its tempo; median and spread of the pauses
        between digits (log-normal).
    gap_stray, pause_stray : share of gaps that follow no rhythm.
    gap_gain, pause_gain : log-likelihood ratio of a gap right on the tempo, or on the median of pauses, in nats.
    context_base, context : base, in 1/64 nat, and trees that give the log-odds of a candidate among the others of its
        entry (context.h); without trees the detector's log-odds count.
    weight, bias : these log-odds times `weight` plus `bias`, in nats.
    other_length : what a series loses that has another number of digits than the code, in nats.
    likely : log-odds of the detector from which a candidate opens an entry and keeps it open.
    least : candidates below are not kept.
    lead_s : kept from before the candidate that opens an entry.
    least_gap_s : between two taps of one hand.
    least_gain : candidates that would add less to a series are in none, in nats.

    Raises ParameterError for a number out of its range, or a tree that the core cannot hold.
    """

    gap_s: float = 0.29
    gap_prior_spread: float = 0.4
    gap_spread: float = 0.1
    gap_stray: float = 0.01
    gap_gain: float = 1.0
    pause_s: float = 1.6
    pause_spread: float = 0.25
    pause_stray: float = 0.003
    pause_gain: float = 0.0
    context_base: int = 0
    context: tuple[ContextNode, ...] = field(default=(), repr=False)
    weight: float = 1.0
    bias: float = 0.0
    other_length: float = 1.0
    likely: float = 0.0
    least: float = -4.5
    lead_s: float = 3.0
    least_gap_s: float = 0.1
    least_gain: float = -2.0

    def __post_init__(self) -> None:
        limits = {
            "gap_s": (0.05, 1.0),
            "gap_prior_spread": (0.01, 10.0),
            "gap_spread": (0.01, 1.0),
            "gap_stray": (1e-6, 0.5),
            "gap_gain": (-4.0, 4.0),
            "pause_s": (0.2, 3.0),
            "pause_spread": (0.01, 2.0),
            "pause_stray": (1e-6, 0.5),
            "pause_gain": (-4.0, 4.0),
            "context_base": (-(2**14), 2**14),
            "weight": (0.0625, 15.9),
            "bias": (-20.0, 20.0),
            "other_length": (0.0, 20.0),
            "likely": (-5.0, 10.0),
            "least": (-20.0, 20.0),
            "lead_s": (0.0, 30.0),
            "least_gap_s": (0.001, 1.0),
            "least_gain": (-7.9, 0.0),
        }
        for name, (low, high) in limits.items():
            check_range(name, getattr(self, name), low, high)
        object.__setattr__(self, "context", tuple(read_node(tree) for tree in self.context))
        place_trees(self.context)

    def fill(self, config: Any, silence_s: float) -> Any:
        """Write the tables into a `tapsig_evidence_config` of cffi; keep what is returned as long as the struct."""

        def table(values: np.ndarray[Any, Any]) -> Any:
            return new("int8_t[]", np.clip(np.round(values * TABLE_NAT), -127, 127).astype(int).tolist())

        def bell(distance: np.ndarray[Any, Any], spread: float, stray: float) -> np.ndarray[Any, Any]:
            return np.log((1.0 - stray) * np.exp(-0.5 * (distance / spread) ** 2) + stray)

        new = load()[0].new
        first, step = bin_of(140), 3
        config.first_tempo, config.tempo_step, config.first_bin = first, step, bin_of(500)
        within = table(self.gap_gain + bell(np.arange(WITHIN_BINS) * _BIN, self.gap_spread, self.gap_stray))
        pauses = (np.arange(BETWEEN_BINS) + config.first_bin + 0.5 - bin_of(self.pause_s * 1000)) * _BIN
        between = table(self.pause_gain + bell(pauses, self.pause_spread, self.pause_stray))
        tempos = (first + step * np.arange(TEMPOS) - bin_of(self.gap_s * 1000)) * _BIN
        tempo = table(-0.5 * (tempos / self.gap_prior_spread) ** 2)
        config.within, config.between, config.tempo = within, between, tempo
        nodes, config.context.size = place_trees(self.context)
        config.context.nodes, config.context.base = nodes, self.context_base
        config.weight_q4 = round(self.weight * 16)
        config.bias, config.likely_score = round(self.bias * NAT), round(self.likely * TABLE_NAT) * 4
        config.least_score, config.other_length = round(self.least * NAT), round(self.other_length * NAT)
        config.least_gap_ms, config.lead_ms = round(self.least_gap_s * 1000), round(self.lead_s * 1000)
        config.silence_ms, config.least_gain = round(silence_s * 1000), round(self.least_gain * TABLE_NAT)
        return nodes, within, between, tempo


@dataclass(frozen=True, slots=True)
class Series:
    """A series of taps among the candidates of an entry.

    Parameters
    ----------
    taps : indices of candidates, ascending.
    digits : how many of them each digit has; () = no taps at all.
    score : log-likelihood against no taps at all, in 1/64 nat; `UNREACHED` = no such series.
    """

    taps: tuple[int, ...]
    digits: tuple[int, ...]
    score: int


NO_TAPS = Series((), (), 0)


@dataclass(frozen=True, slots=True, eq=False)
class Weighed:
    """The candidates of one entry, and the questions that can be asked of them.

    Parameters
    ----------
    onset_ms, score : of each candidate, ascending in time; log-odds in 1/64 nat, rounded down to 1/16 nat.
    end_ms : when the entry was over.
    """

    onset_ms: tuple[int, ...]
    score: tuple[int, ...]
    end_ms: int
    _state: Any
    _config: Any
    _keeps: Any

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
        return UNREACHED if found.code <= 0 else int(found.code) - int(found.other)

    def find_series(self, code: Sequence[int] = ()) -> tuple[Series, Series]:
        """The code's best series and the best other one; without a code the second is the best of all."""
        digits = check_length(code) if code else ()
        found = self._compare(digits, 0, TEMPOS, None)
        own, other = Series((), tuple(digits), UNREACHED), NO_TAPS
        ffi, _ = load()
        trace = ffi.new("tapsig_trace *")
        if digits and found.code != UNREACHED:
            self._compare(digits, found.code_tempo, found.code_tempo + 1, trace)
            taps = _follow(trace, sum(digits) - 1, found.code_end)
            own = Series(taps, tuple(digits), int(found.code))
        if found.other > 0:
            self._compare(digits, found.other_tempo, found.other_tempo + 1, trace)
            other = _follow_other(trace, digits, found)
        return own, other

    def count_steps(self, code: Sequence[int]) -> int:
        """How many steps the comparison takes a controller, which does one in a millisecond."""
        ffi, library = load()
        digits, comparing = check_length(code), ffi.new("tapsig_comparing *")
        own = ffi.new("tapsig_evidence *", self._state[0])
        library.tapsig_compare_begin(comparing, 0)
        steps = 1
        while not library.tapsig_compare_step(
            comparing, own, self._config, bytes(digits), len(digits), TEMPOS, ffi.NULL
        ):
            steps += 1
        return steps

    def find_digits(self) -> tuple[int, ...]:
        """The digits of the best series of all; () where none is likelier than no taps."""
        return self.find_series()[1].digits

    def _compare(self, digits: Sequence[int], first: int, stop: int, trace: Any) -> Any:
        ffi, library = load()
        return library.tapsig_compare_run(
            self._state, self._config, bytes(digits), len(digits), first, stop, trace or ffi.NULL
        )


def check_length(code: Sequence[int]) -> tuple[int, ...]:
    """The code as a tuple; ParameterError when it has more digits or taps than the core keeps."""
    digits = tuple(code)
    if not digits or len(digits) > CODE_DIGITS or sum(digits) > KEPT or min(digits) < 1:
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


class EvidenceCore:
    """Keeps candidates until an entry is over. Times are milliseconds from 0, at most 2**31 of them."""

    def __init__(self, model: EvidenceModel, silence_s: float) -> None:
        self._ffi, self._library = load()
        self._config = self._ffi.new("tapsig_evidence_config *")
        self._keeps = model.fill(self._config, silence_s)
        self._state = self._ffi.new("tapsig_evidence *")
        self._candidate = self._ffi.new("tapsig_candidate *")
        self.reset()

    def reset(self) -> None:
        """Forget everything."""
        self._library.tapsig_evidence_init(self._state)

    @property
    def config(self) -> Any:
        """Its `tapsig_evidence_config`."""
        return self._config

    @property
    def is_open(self) -> bool:
        """Whether an entry is going on."""
        return bool(self._state.open)

    def push(self, onset_ms: int, score: int, row: bytes) -> None:
        """Take a candidate, in the order of decision."""
        self._candidate.block, self._candidate.score = onset_ms, score
        self._ffi.memmove(self._candidate.row, row, len(row))
        self._library.tapsig_evidence_push(self._state, self._config, self._candidate)

    def tick(self, known_ms: int) -> list[Weighed]:
        """Say that no candidate before `known_ms` follows. Returns the entries that are over."""
        over = []
        while self._library.tapsig_evidence_tick(self._state, self._config, known_ms):
            over.append(weigh(self._state, self._config, self._keeps))
            self._library.tapsig_evidence_next(self._state, self._config)
        return over

    def finish(self) -> list[Weighed]:
        """Say that no candidate follows at all."""
        return self.tick(int(self._state.last_likely) + int(self._config.silence_ms)) if self.is_open else []


def weigh(state: Any, config: Any, keeps: Any) -> Weighed:
    """A copy of the entry that is over in a `tapsig_evidence`; `keeps` is what `config` points to."""
    ffi, library = load()
    kept = ffi.new("tapsig_evidence *")
    ffi.memmove(kept, ffi.addressof(state) if ffi.typeof(state).kind == "struct" else state, ffi.sizeof(kept[0]))
    newest = int(kept.newest)
    inside = [kept.order[i] for i in range(kept.first, kept.stop)]
    return Weighed(
        tuple(newest - ((newest - kept.time[i]) & 0xFFFF) for i in inside),
        tuple(int(library.tapsig_score_of(kept.odds[i])) for i in inside),
        int(kept.last_likely) + int(config.silence_ms),
        kept,
        config,
        keeps,
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
        """Take a candidate, in the order of decision, after `tick`."""
        self._candidate.block, self._candidate.score = onset_ms, score
        self._ffi.memmove(self._candidate.row, row, len(row))
        self._library.tapsig_judge_push(self._state, self.config, self._candidate)

    def tick(self, known_ms: int) -> Iterator[tuple[Weighed, int]]:
        """Say that no candidate before `known_ms` follows; the entries that are over, and their verdicts (entry.h)."""
        while self._library.tapsig_judge_tick(self._state, self.config, known_ms):
            weighed, verdict = weigh(self._state.evidence, self._evidence, self._keeps), 0
            while not verdict and self._state.evidence.over:
                verdict = self._library.tapsig_judge_step(self._state, self.config)
            yield weighed, int(verdict)

    def finish(self) -> Iterator[tuple[Weighed, int]]:
        """Say that no candidate follows at all."""
        if self.is_open:
            evidence = self._state.evidence
            yield from self.tick(int(evidence.last_likely) + int(self.config.evidence.silence_ms))
