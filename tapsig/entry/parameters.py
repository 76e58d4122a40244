"""Pauses, limits and waits of an entry, in seconds; the machines count whole milliseconds."""

from dataclasses import dataclass, replace

from tapsig.errors import ParameterError
from tapsig.units import check_count, check_pair, check_positive, check_range, seconds_to_samples

MILLISECONDS = 1000.0  # ticks per second of the machine
MOST_S = 1e12  # further on, milliseconds are lost in a float


def to_ms(seconds: float) -> int:
    """Nearest whole millisecond: the machine's only unit of time.

    >>> to_ms(0.0125)
    13
    """
    return seconds_to_samples(seconds, MILLISECONDS)


@dataclass(frozen=True, slots=True)
class EntryParameters:
    """How taps become an entry. Defaults: common practice, no source, unless said otherwise.

    On evidence the pauses within and between digits come from its model: `digit_pause_s`, `tolerance` and
    `pause_bounds_s` then only say where a row of wake-up taps ends.

    Parameters
    ----------
    digit_pause_s : taps up to this far apart belong to one digit; a longer pause starts the next.
    entry_silence_s : the entry is over once this time has passed without a tap.
    digit_max : digits run from 1 to this. An entry with a higher one is void by the rule, and wrong on evidence.
    tolerance : 0 = the digit pause is fixed. Otherwise a gap starts a new digit when it is longer than `tolerance`
        times the mean gap between the taps of one digit so far (wake-up taps teach it too), kept within
        `pause_bounds_s`; until such a gap was heard, `digit_pause_s` holds. Useful values are 1.5 to 2.5.
    wake_taps : number of taps in a row that wake the machine; they and the taps right behind them are not part of the
        entry, which starts after a digit pause. 0 = the first tap of an entry wakes it.
    awake_s : time from the last tap until the machine goes to sleep.
    free_failures, wait_s, wait_factor, wait_limit_s : after each wrong entry beyond the first `free_failures` in a
        row, taps are ignored for `wait_s`, times `wait_factor` for each further one, at most `wait_limit_s`; evidence
        also asks for plainer taps then, until the right code is entered.
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
        check_range("wait_limit_s", self.wait_limit_s, 0, 86400)
        if self.wait_limit_s < self.wait_s:
            raise ParameterError(
                f"wait_limit_s is {self.wait_limit_s!r}; it must be at least wait_s, {self.wait_s:g}, and at most 86400"
            )
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

    def list_unused_on_evidence(self) -> tuple[str, ...]:
        """Parameters that would change nothing where the decoder evidence decides.

        The digit pause is not listed beside a silence that allows no other.

        >>> EntryParameters(wake_taps=2).list_unused_on_evidence()
        ()
        """
        if self.wake_taps:
            return ()
        forced = self.entry_silence_s <= _DEFAULT.digit_pause_s
        return ("tolerance", "pause_bounds_s") if forced else ("tolerance", "pause_bounds_s", "digit_pause_s")

    def list_only_by_rule(self) -> tuple[str, ...]:
        """Parameters that are not the default, and that the decoder evidence does not use."""
        return tuple(name for name in self.list_unused_on_evidence() if getattr(self, name) != getattr(_DEFAULT, name))

    def check_for_evidence(self) -> None:
        """Raise ParameterError for a parameter that is not the default, and that the decoder evidence does not use."""
        if names := self.list_only_by_rule():
            name = names[0]
            raise ParameterError(
                f"{name} is {getattr(self, name)!r}; the decoder evidence takes the pauses of a code from its model"
                f" and uses {name} after wake-up taps alone: leave it out, give wake_taps, or use the decoder rule"
            )

    def for_evidence(self) -> "EntryParameters":
        """The same, with the defaults of what the decoder evidence does not use: to compare the two decoders."""
        return replace(self, **{name: getattr(_DEFAULT, name) for name in self.list_unused_on_evidence()})

    @property
    def memory_s(self) -> float:
        """Time without a tap, in seconds, after which earlier taps no longer matter (failures and waits stay)."""
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


_DEFAULT = EntryParameters()


def require_parameters(given: EntryParameters | None) -> EntryParameters:
    """The parameters that were given, None for the defaults; ParameterError for anything else."""
    if given is None:
        return EntryParameters()
    if not isinstance(given, EntryParameters):
        raise ParameterError(f"parameters is {given!r:.80}; it must be tapsig.EntryParameters(...)")
    return given
