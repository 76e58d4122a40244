"""From taps to digits to an entry: one small state machine, in whole milliseconds, that runs on a stream.

Taps that follow each other within the digit pause are one digit; a longer pause starts the next digit; silence ends
the entry. Around that: taps that wake the machine, a wait after wrong entries that grows, and a limit of failures.
The machine is the core's (core/entry.c), which also runs on a small controller; here it gets its parameters, and a
record of the taps.

A locked door that does not open can be an emergency: this machine must never be the only way to reach a person or
an animal, and it is no security product.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum, StrEnum
from functools import lru_cache
from typing import Any

from tapsig.core import CLOCK, load
from tapsig.detectors.guards import NotCopied
from tapsig.entry.parameters import MILLISECONDS, MOST_S, EntryParameters, require_parameters, to_ms
from tapsig.errors import ParameterError
from tapsig.units import check_count, check_range


class Verdict(StrEnum):
    """What an entry came to."""

    UNJUDGED = "unjudged"  # no code was given to the machine
    ACCEPTED = "accepted"
    WRONG = "wrong"  # a possible code, but not the right one: counts as a failure
    VOID = "void"  # not a failure: another number of digits, a digit above digit_max (rule), or in doubt (evidence)


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry: its digits, and the taps they were made of.

    `end_s` is the moment when it was decided: the last tap plus the silence. `failures` (wrong entries in a row) and
    `wait_s` are those in force after it.
    """

    digits: tuple[int, ...]
    start_s: float
    end_s: float
    taps_s: tuple[float, ...]
    verdict: Verdict = Verdict.UNJUDGED
    failures: int = 0
    wait_s: float = 0.0

    @property
    def digits_taps_s(self) -> tuple[tuple[float, ...], ...]:
        """The tap times of each digit."""
        taps = iter(self.taps_s)
        return tuple(tuple(next(taps) for _ in range(digit)) for digit in self.digits)

    def __str__(self) -> str:
        return "-".join(map(str, self.digits))


class State(Enum):
    """What the machine is doing."""

    ASLEEP = "asleep"
    WAKING = "waking"  # hears a row of taps that may wake it
    AWAKE = "awake"  # waits for an entry
    ENTRY = "entry"  # hears an entry
    WAITING = "waiting"  # ignores taps after wrong entries
    LOCKED = "locked"  # the limit of failures is reached


LONGEST_CODE = 255
_STATES = (State.ASLEEP, State.WAKING, State.AWAKE, State.ENTRY, State.WAITING, State.LOCKED)  # as entry.h has them
_VERDICTS = (None, Verdict.UNJUDGED, Verdict.ACCEPTED, Verdict.WRONG, Verdict.VOID)


def parse_code(text: str, *, digit_max: int = 9) -> tuple[int, ...]:
    """A code written as digits with hyphens.

    >>> parse_code("3-1-4")
    (3, 1, 4)

    Raises ParameterError for anything but whole numbers from 1 to `digit_max`.
    """
    words = text.split("-") if isinstance(text, str) else [""]
    if not all(word.isascii() and word.isdigit() and len(word) < 10 for word in words):
        raise ParameterError(f"code is {text!r:.80}; write whole numbers with hyphens between them, such as 3-1-4")
    return check_code(tuple(int(word) for word in words), digit_max=digit_max)


def check_code(code: Iterable[int] | str, *, digit_max: int) -> tuple[int, ...]:
    """The code, as digits or as `parse_code` reads it; ParameterError when empty, or for a digit above `digit_max`."""
    if isinstance(code, str):
        return parse_code(code, digit_max=digit_max)
    try:
        digits = tuple(code)
    except TypeError as error:
        raise ParameterError(f"code is {code!r:.80}; it must be whole numbers, such as (3, 1, 4)") from error
    if not digits:
        raise ParameterError("code is empty; it must have at least one digit")
    return tuple(check_count("a digit of the code", digit, 1, digit_max) for digit in digits)


@lru_cache(maxsize=64)
def entry_config(parameters: EntryParameters, code: tuple[int, ...]) -> tuple[Any, Any]:
    """`parameters` and a code (() = none) as the core's `tapsig_entry_config`, and the digits that it points to.

    cffi frees what no Python object holds: keep both.
    """
    ffi, _ = load()
    config = ffi.new("tapsig_entry_config *")
    digits = ffi.new("uint8_t[]", code or (0,))
    config.code, config.code_length = digits, len(code)
    config.digit_max, config.wake_taps = parameters.digit_max, parameters.wake_taps
    config.free_failures, config.failure_limit = parameters.free_failures, parameters.failure_limit
    config.tolerance_percent = math.floor(parameters.tolerance * 100 + 0.5)
    config.digit_pause_ms, config.silence_ms = to_ms(parameters.digit_pause_s), to_ms(parameters.entry_silence_s)
    # Without a tolerance nobody looks at the bounds, and anything may stand there.
    bounds_s = parameters.pause_bounds_s if parameters.tolerance else (parameters.digit_pause_s,) * 2
    config.least_pause_ms, config.longest_pause_ms = map(to_ms, bounds_s)
    config.awake_ms, config.wait_factor = to_ms(parameters.awake_s), parameters.wait_factor
    config.wait_ms, config.wait_limit_ms = to_ms(parameters.wait_s), to_ms(parameters.wait_limit_s)
    return config, digits


class EntryMachine(NotCopied):
    """Taps in, entries out; one tap at a time, or silence.

    `push(onset_s)` takes the next tap. `advance(time_s)` says that no tap before `time_s` will follow any more: with
    a detector of latency L, that is the time of its last sample less L. Both return the entries that ended. However
    the calls are divided, the same taps give the same entries.

    >>> machine = EntryMachine(code=(2, 1))
    >>> for onset_s in (0.0, 0.4, 1.9):
    ...     assert machine.push(onset_s) == ()
    >>> [entry] = machine.advance(5.0)
    >>> str(entry), entry.verdict.value, entry.end_s
    ('2-1', 'accepted', 4.9)
    """

    def __init__(self, parameters: EntryParameters | None = None, *, code: Iterable[int] | str | None = None) -> None:
        self._parameters = parameters = require_parameters(parameters)
        digits = () if code is None else check_code(code, digit_max=parameters.digit_max)
        if len(digits) > LONGEST_CODE:
            raise ParameterError(f"code has {len(digits)} digits; it may have {LONGEST_CODE}")
        self._config, self._code = entry_config(parameters, digits)
        ffi, self._library = load()
        self._core = ffi.new("tapsig_entry *")
        self.reset()

    def reset(self) -> None:
        """Forget everything: asleep, no failures."""
        self._library.tapsig_entry_init(self._core)
        self._now_ms: int | None = None  # no tap before this can follow
        self._last_ms = 0  # the last tap
        self._clear_entry()

    def _clear_entry(self) -> None:
        self._digits: list[int] = []
        self._taps_ms: list[int] = []

    @property
    def parameters(self) -> EntryParameters:
        """The parameters it runs with."""
        return self._parameters

    @property
    def state(self) -> State:
        """What it is doing after the last call."""
        return _STATES[self._core.state]

    @property
    def failures(self) -> int:
        """Wrong entries in a row so far."""
        return int(self._core.failures)

    @property
    def digits(self) -> tuple[int, ...]:
        """Digits of the entry so far, the last of which may still grow."""
        return tuple(self._digits)

    @property
    def digit_pause_s(self) -> float:
        """The longest gap that now keeps two taps in one digit."""
        return int(self._library.tapsig_entry_pause_ms(self._core, self._config)) / MILLISECONDS

    def push(self, onset_s: float) -> tuple[Entry, ...]:
        """Take the tap at `onset_s` and return the entries that ended before it.

        Raises ParameterError when the tap lies before one already taken, or before the time advanced to.
        """
        tap_ms = self._check_time("onset_s", onset_s)
        ended = self._advance(tap_ms)
        self._library.tapsig_entry_push(self._core, self._config, tap_ms % CLOCK)
        self._last_ms = tap_ms
        if self._core.digit_count > len(self._digits):
            self._digits.append(1)
            self._taps_ms.append(tap_ms)
        elif self._digits:
            self._digits[-1] += 1
            self._taps_ms.append(tap_ms)
        return ended

    def advance(self, time_s: float) -> tuple[Entry, ...]:
        """Say that no tap before `time_s` will follow, and return the entries that ended by then."""
        return self._advance(self._check_time("time_s", time_s))

    def finish(self) -> tuple[Entry, ...]:
        """Say that no tap will follow at all; return the entry that was going on."""
        if self.state is not State.ENTRY:
            return ()
        return self.advance((self._last_ms + self._config.silence_ms) / MILLISECONDS)

    def _check_time(self, name: str, seconds: float) -> int:
        check_range(name, seconds, 0, MOST_S)
        time_ms = to_ms(seconds)
        if self._now_ms is not None and time_ms < self._now_ms:
            raise ParameterError(
                f"{name} is {seconds!r}, before the {self._now_ms / MILLISECONDS:.3f} s already reached;"
                " give taps in order of time"
            )
        return time_ms

    def _advance(self, now_ms: int) -> tuple[Entry, ...]:
        """Let time pass. All that the machine waits for lies within days of its last tap, so two calls are enough."""
        verdict = self._library.tapsig_entry_advance(
            self._core, self._config, min(now_ms, self._last_ms + CLOCK // 4) % CLOCK
        )
        self._now_ms = now_ms
        outcome = _VERDICTS[verdict]
        if outcome is None:
            return ()
        end_ms = self._last_ms + self._config.silence_ms
        taps_s = tuple(tap / MILLISECONDS for tap in self._taps_ms)
        entry = Entry(
            tuple(self._digits),
            taps_s[0],
            end_ms / MILLISECONDS,
            taps_s,
            outcome,
            self.failures,
            self._wait_after(outcome),
        )
        self._clear_entry()
        return (entry,)

    def _wait_after(self, verdict: Verdict) -> float:
        if verdict is not Verdict.WRONG:
            return 0.0
        if self.state is State.LOCKED:
            return math.inf
        return int(self._library.tapsig_entry_wait_ms(self._config, self.failures)) / MILLISECONDS


def decode_taps(
    onsets_s: Iterable[float],
    parameters: EntryParameters | None = None,
    *,
    end_s: float | None = None,
    code: Iterable[int] | str | None = None,
) -> tuple[Entry, ...]:
    """The entries that taps make; runs `EntryMachine` once over them.

    Parameters
    ----------
    onsets_s : array of float
        Times of the taps in seconds, in any order.
    parameters : EntryParameters
        Pauses, limits and the largest digit.
    end_s : float
        When listening stopped: an entry not over by then is left out. None: silence follows the last tap.
    code : str or sequence of int
        The right one, to judge entries by, such as "3-1-4".

    Returns
    -------
    tuple of Entry
        In order of time.

    Raises
    ------
    ParameterError
        For times that are not finite, or an `end_s` before the last tap.

    Examples
    --------
    >>> [str(entry) for entry in decode_taps([0, 0.3, 0.6, 2.0, 3.5, 3.8, 3.9, 4.2, 10.0])]
    ['3-1-4', '1']
    """
    machine = EntryMachine(parameters, code=code)
    entries: list[Entry] = []
    try:
        onsets = list(onsets_s)
    except TypeError as error:
        raise ParameterError(f"onsets_s is {onsets_s!r:.80}; it must be a list of times in seconds") from error
    for onset_s in sorted(check_range(f"onsets_s[{k}]", onset, 0, MOST_S) for k, onset in enumerate(onsets)):
        entries.extend(machine.push(onset_s))
    entries.extend(machine.finish() if end_s is None else machine._advance(machine._check_time("end_s", end_s)))
    return tuple(entries)
