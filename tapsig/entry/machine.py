"""From taps to digits to an entry: one small state machine, in whole milliseconds, that runs on a stream.

Taps that follow each other within the digit pause are one digit; a longer pause starts the next digit; silence ends
the entry. Around that: taps that wake the machine, a wait after wrong entries that grows, and a limit of failures.
The machine is the core's (core/entry.c), which also runs on a small controller; here it gets its parameters, and a
record of the taps.

A locked door that does not open can be an emergency: this machine must never be the only way to reach a person or
an animal, and it is no security product.
"""

import math
import operator
from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum
from functools import lru_cache
from typing import Any, SupportsIndex

from tapsig.core import load
from tapsig.errors import ParameterError
from tapsig.units import check_pair, check_positive, check_range, seconds_to_samples

MILLISECONDS = 1000.0  # ticks per second of the machine
MOST_S = 1e12  # further on, milliseconds are lost in a float
_CLOCK = 1 << 32  # the core's clock wraps there; it can tell times apart that lie up to half of it from each other


def to_ms(seconds: float) -> int:
    """Nearest whole millisecond: the machine's only unit of time.

    >>> to_ms(0.0125)
    13
    """
    return seconds_to_samples(seconds, MILLISECONDS)


def check_count(name: str, value: SupportsIndex, low: int, high: int) -> int:
    """Return `value`; raise ParameterError unless it is a whole number between `low` and `high`."""
    try:
        number = operator.index(value)
    except TypeError:
        number = low - 1
    if not low <= number <= high:
        raise ParameterError(f"{name} is {value!r}; it must be a whole number between {low} and {high}")
    return number


@dataclass(frozen=True, slots=True)
class EntryParameters:
    """How taps become an entry. Defaults: common practice, no source, unless said otherwise.

    Parameters
    ----------
    digit_pause_s : taps up to this far apart belong to one digit; a longer pause starts the next.
    entry_silence_s : the entry is over once this time has passed without a tap.
    digit_max : digits run from 1 to this.
    tolerance : 0 = the digit pause is fixed. Otherwise a gap starts a new digit when it is longer than `tolerance`
        times the mean gap between the taps of one digit so far (wake-up taps teach it too), kept within
        `pause_bounds_s`; until such a gap was heard, `digit_pause_s` holds. Useful values are 1.5 to 2.5.
    wake_taps : number of taps in a row that wake the machine; they and the taps right behind them are not part of the
        entry, which starts after a digit pause. 0 = the first tap of an entry wakes it.
    awake_s : the machine falls asleep this long after its last tap.
    free_failures, wait_s, wait_factor, wait_limit_s : after each wrong entry beyond the first `free_failures` in a
        row, taps are ignored for `wait_s`, times `wait_factor` for each further one, at most `wait_limit_s`.
        NIST SP 800-63B-4 section 3.2.2 names waits from 30 s up to an hour.
    failure_limit : after this number of wrong entries in a row the machine stays locked until `reset`; 0 = no limit.
        The same section allows no more than 100.
    release_s : length of the release pulse after a right entry; only reported.
    """

    digit_pause_s: float = 1.0
    entry_silence_s: float = 3.0
    digit_max: int = 9
    tolerance: float = 0.0
    pause_bounds_s: tuple[float, float] = (0.4, 2.0)
    wake_taps: int = 0
    awake_s: float = 60.0
    free_failures: int = 3
    wait_s: float = 30.0
    wait_factor: int = 2
    wait_limit_s: float = 3600.0
    failure_limit: int = 100
    release_s: float = 0.25

    def __post_init__(self) -> None:
        check_range("digit_pause_s", self.digit_pause_s, 0.001, 3600)
        check_range("entry_silence_s", self.entry_silence_s, 0.001, 3600)
        check_range("awake_s", self.awake_s, 0.001, 86400)
        check_count("digit_max", self.digit_max, 1, 255)
        check_count("wake_taps", self.wake_taps, 0, 255)
        check_count("free_failures", self.free_failures, 0, 65535)
        check_count("wait_factor", self.wait_factor, 1, 255)
        check_count("failure_limit", self.failure_limit, 0, 65535)
        check_range("wait_s", self.wait_s, 0, 86400)
        check_range("wait_limit_s", self.wait_limit_s, self.wait_s, 86400)
        check_positive("release_s", self.release_s)
        check_range("tolerance", self.tolerance, 0, 100)
        if 0 < self.tolerance < 1.1:
            raise ParameterError(f"tolerance is {self.tolerance!r}; it must be 0 (fixed digit pause) or at least 1.1")
        low, high = check_pair("pause_bounds_s", self.pause_bounds_s)
        if self.tolerance and not 0.001 <= low <= self.digit_pause_s <= high:
            raise ParameterError(
                f"pause_bounds_s is {self.pause_bounds_s!r}; the digit pause of {self.digit_pause_s:g} s"
                " must lie between the two"
            )
        longest = high if self.tolerance else self.digit_pause_s
        if self.entry_silence_s <= longest:
            raise ParameterError(
                f"entry_silence_s is {self.entry_silence_s!r};"
                f" it must be longer than the longest pause within a digit, {longest:g} s (see digit_pause_s)"
            )
        if self.awake_s < self.entry_silence_s:
            raise ParameterError(
                f"awake_s is {self.awake_s!r}; it must be at least entry_silence_s, {self.entry_silence_s:g}"
            )

    @property
    def memory_s(self) -> float:
        """After so long without a tap the machine is as if there had never been one, failures apart."""
        return self.awake_s if self.wake_taps else self.entry_silence_s

    def compute_longest_s(self, length: int) -> float:
        """The longest that a possible entry of `length` digits takes, from its first tap until it is decided, in s.

        Every digit the highest with the longest pauses within, every gap between digits just short of the silence.

        >>> EntryParameters().compute_longest_s(3)
        33.0
        """
        check_count("length", length, 1, 255)
        within = self.pause_bounds_s[1] if self.tolerance else self.digit_pause_s
        return length * ((self.digit_max - 1) * within + self.entry_silence_s)

    def compute_wait_s(self, failures: int) -> float:
        """The wait after the `failures`-th wrong entry in a row, in seconds.

        >>> [EntryParameters().compute_wait_s(failures) for failures in (3, 4, 5, 6, 20)]
        [0.0, 30.0, 60.0, 120.0, 3600.0]
        """
        waits = failures - self.free_failures
        if waits <= 0 or self.wait_s == 0:
            return 0.0
        # Stops multiplying at the limit: the power itself may be too large for a float.
        wait = float(self.wait_s)
        for _ in range(waits - 1):
            if wait >= self.wait_limit_s or self.wait_factor == 1:
                break
            wait *= self.wait_factor
        return min(wait, float(self.wait_limit_s))


class Verdict(Enum):
    """What an entry came to."""

    UNJUDGED = "unjudged"  # no code was given to the machine
    ACCEPTED = "accepted"
    WRONG = "wrong"  # a possible code, but not the right one: counts as a failure
    VOID = "void"  # another number of digits, or a digit above digit_max: can never open, so it is not a failure


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
    if not all(word.isascii() and word.isdigit() for word in words):
        raise ParameterError(f"code is {text!r}; write whole numbers with hyphens between them, such as 3-1-4")
    return check_code(tuple(int(word) for word in words), digit_max=digit_max)


def check_code(code: Iterable[int], *, digit_max: int) -> tuple[int, ...]:
    """The code as a tuple; raise ParameterError when it is empty or a digit is not from 1 to `digit_max`."""
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


class EntryMachine:
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

    def __init__(self, parameters: EntryParameters | None = None, *, code: Iterable[int] | None = None) -> None:
        self._parameters = parameters = parameters if parameters is not None else EntryParameters()
        if not isinstance(parameters, EntryParameters):
            raise ParameterError(f"parameters is {parameters!r:.80}; it must be EntryParameters")
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
        self._library.tapsig_entry_push(self._core, self._config, tap_ms % _CLOCK)
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
            self._core, self._config, min(now_ms, self._last_ms + _CLOCK // 4) % _CLOCK
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
    code: Iterable[int] | None = None,
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
    code : sequence of int
        The right one, to judge entries by.

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
    entries.extend(machine.finish() if end_s is None else machine.advance(end_s))
    return tuple(entries)
