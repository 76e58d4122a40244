"""How often taps that nobody made open the lock: the entry machine under random false taps, solved exactly.

A gap between two false taps does one of four things: it keeps them in one digit, starts the next digit, ends the
entry, or lets the machine fall asleep. With independent gaps, the machine seen at its taps is a Markov chain of a few
states, and the rate of any entry follows from the chain's stationary distribution:

    P(entry = d1 … dL | an entry starts) = within**(sum(d) - L) * between**(L - 1) * (ending + sleeping)

For Poisson taps of rate r, within = 1 - exp(-r digit_pause), and so on.
"""

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from tapsig.entry import Entry, EntryMachine, EntryParameters, Verdict, check_code, decode_taps, to_ms
from tapsig.errors import ParameterError
from tapsig.records import Recording
from tapsig.units import FloatArray, check_positive, check_range

YEAR_HOURS = 8766.0  # 365.25 days
BEFORE_S, AFTER_S = 0.1, 1.5  # around a deliberate tap nothing is a false one: there the panel rings with it


@dataclass(frozen=True, slots=True)
class GapModel:
    """Shares of what the gaps between false taps do, and how many taps there are a second.

    The four shares add up to 1: `within` a digit, `between` digits, `ending` the entry while the machine stays awake,
    `sleeping` = so long that it falls asleep.
    """

    taps_per_s: float
    within: float
    between: float
    ending: float
    sleeping: float

    def __post_init__(self) -> None:
        check_range("taps_per_s", self.taps_per_s, 0, 1e6)
        shares = [self.within, self.between, self.ending, self.sleeping]
        if min(shares) < 0 or not math.isclose(math.fsum(shares), 1.0, abs_tol=1e-9):
            raise ParameterError(f"the shares of gaps are {shares!r}; they must be 0 or above and add up to 1")


def build_poisson_gaps(taps_per_s: float, parameters: EntryParameters) -> GapModel:
    """Gaps of a Poisson process: nothing about one false tap tells when the next comes.

    Raises ParameterError for a tolerance, with which the digit pause depends on the gaps before: simulate it instead.
    """
    _refuse_tolerance(parameters)
    rate = check_range("taps_per_s", taps_per_s, 0, 1e6)
    pause, silence, awake = parameters.digit_pause_s, parameters.entry_silence_s, parameters.awake_s
    return GapModel(  # as products, so that rare taps keep their digits
        rate,
        within=-math.expm1(-rate * pause),
        between=math.exp(-rate * pause) * -math.expm1(-rate * (silence - pause)),
        ending=math.exp(-rate * silence) * -math.expm1(-rate * (awake - silence)),
        sleeping=math.exp(-rate * awake),
    )


def fit_gaps(stretches_s: Sequence[Sequence[float]], duration_s: float, parameters: EntryParameters) -> GapModel:
    """Gaps as measured: `stretches_s` are the times of false taps, one ascending list a stretch of listening.

    The time behind a stretch's last tap is unknown and counts as a gap that ends the entry. Unlike the Poisson model
    this keeps bursts and rhythms, of which music and rattling parts are full.
    """
    _refuse_tolerance(parameters)
    taps = sum(len(stretch) for stretch in stretches_s)
    check_positive("duration_s", duration_s)
    if not taps:
        return GapModel(0.0, 0.0, 0.0, 0.0, 1.0)
    edges = [to_ms(parameters.digit_pause_s), to_ms(parameters.entry_silence_s), to_ms(parameters.awake_s)]
    counts = [0, 0, 0, 0]
    for stretch in stretches_s:
        for before, after in itertools.pairwise(map(to_ms, stretch)):
            gap = after - before
            counts[0 if gap <= edges[0] else 1 if gap < edges[1] else 2 if gap < edges[2] else 3] += 1
        counts[2] += bool(stretch)
    return GapModel(taps / duration_s, *(count / taps for count in counts))


def _refuse_tolerance(parameters: EntryParameters) -> None:
    if parameters.tolerance:
        raise ParameterError(
            f"tolerance is {parameters.tolerance!r}; the exact rate needs a fixed digit pause (tolerance 0),"
            " use simulate_openings instead"
        )


def compute_starts_per_s(gaps: GapModel, parameters: EntryParameters) -> float:
    """How many entries false taps start a second, wake-up taps included in the reckoning."""
    wakes = parameters.wake_taps
    # States at a tap: 0 … wakes - 1 = the wake-up row has that many taps more than one, then start of an entry,
    # then a later tap of an entry.
    start, later = wakes, wakes + 1
    step = np.zeros((wakes + 2, wakes + 2))
    out = 0 if wakes else start  # where a tap finds the machine asleep
    for row in range(wakes):
        awake = row == wakes - 1
        step[row, row if awake else row + 1] += gaps.within
        step[row, start if awake else out] += gaps.between + gaps.ending
        step[row, out] += gaps.sleeping
    for row in (start, later):
        step[row, later] += gaps.within + gaps.between
        step[row, start] += gaps.ending
        step[row, out] += gaps.sleeping
    return gaps.taps_per_s * float(_solve_stationary(step)[start])


def _solve_stationary(step: FloatArray) -> FloatArray:
    """The stationary distribution p = p step of a Markov chain, by elimination without subtraction.

    The algorithm of Grassmann, Taksar and Heyman (Operations Research 33, 1985): it keeps the relative accuracy of
    probabilities however small they are. State 0 must be reached from every state.
    """
    work = step.copy()
    size = len(work)
    for last in range(size - 1, 0, -1):
        leaving = work[last, :last].sum()
        if leaving > 0:
            work[:last, last] /= leaving
            work[:last, :last] += np.outer(work[:last, last], work[last, :last])
    shares = np.zeros(size)
    shares[0] = 1.0
    for state in range(1, size):
        shares[state] = shares[:state] @ work[:state, state]
    return shares / shares.sum()


def compute_openings_per_s(gaps: GapModel, code: Iterable[int], parameters: EntryParameters) -> float:
    """Rate at which false taps enter `code`, in entries per second.

    Waits after wrong entries are left out: they can only lower it.

    >>> parameters = EntryParameters()
    >>> gaps = build_poisson_gaps(0.1, parameters)
    >>> hourly = 3600 * compute_openings_per_s(gaps, (3, 1, 4), parameters)
    >>> round(hourly, 6)
    4.1e-05
    """
    digits = check_code(code, digit_max=parameters.digit_max)
    rate = compute_starts_per_s(gaps, parameters) * gaps.between ** (len(digits) - 1)
    return rate * gaps.within ** (sum(digits) - len(digits)) * (gaps.ending + gaps.sleeping)


def compute_possible_per_s(gaps: GapModel, length: int, parameters: EntryParameters) -> float:
    """Rate at which false taps enter anything that could be a code of `length` digits: each counts as a failure.

    Divided by the keyspace it is the rate of wrong openings for a code drawn at random.
    """
    digit = math.fsum(gaps.within**taps for taps in range(parameters.digit_max))
    rate = compute_starts_per_s(gaps, parameters) * gaps.between ** (length - 1)
    return rate * digit**length * (gaps.ending + gaps.sleeping)


@dataclass(frozen=True, slots=True)
class NuisanceCount:
    """What was entered during `hours` of listening to false taps."""

    hours: float
    taps: int
    entries: int
    possible: int
    opened: int


def count_openings(
    onsets_s: Iterable[float],
    duration_s: float,
    parameters: EntryParameters,
    *,
    length: int,
    code: Sequence[int] | None = None,
) -> NuisanceCount:
    """Run the machine over false taps and count what it makes of them; silence follows the last one.

    With a code the machine judges, waits and locks as it would. Without one, every entry is heard.
    """
    machine = EntryMachine(parameters, code=code)
    taps = 0
    entries: list[Entry] = []
    for onset_s in onsets_s:
        entries.extend(machine.push(float(onset_s)))
        taps += 1
    entries.extend(machine.finish())
    possible = sum(_is_possible(entry, length, parameters) for entry in entries)
    opened = sum(entry.verdict is Verdict.ACCEPTED for entry in entries)
    return NuisanceCount(duration_s / 3600, taps, len(entries), possible, opened)


def _is_possible(entry: Entry, length: int, parameters: EntryParameters) -> bool:
    return len(entry.digits) == length and max(entry.digits) <= parameters.digit_max


def simulate_openings(
    taps_per_s: float, code: Sequence[int], parameters: EntryParameters, *, hours: float, rng: np.random.Generator
) -> NuisanceCount:
    """Monte Carlo: Poisson false taps for `hours` through the machine itself, waits and locking included."""
    duration_s = check_positive("hours", hours) * 3600
    count = int(rng.poisson(check_positive("taps_per_s", taps_per_s) * duration_s))
    onsets: FloatArray = np.sort(rng.uniform(0, duration_s, count))
    return count_openings(onsets, duration_s, parameters, length=len(code), code=code)


@dataclass(frozen=True, slots=True)
class Lull:
    """Listening without a break or a deliberate tap; `onsets_s` are the false taps, in s from its start, ascending.

    `start_s` is where it begins in its recording.
    """

    onsets_s: FloatArray
    duration_s: float
    start_s: float = 0.0


def split_between_taps(recording: Recording, detected_s: FloatArray) -> list[Lull]:
    """The stretches of `recording` in which no deliberate tap can have caused what was detected at `detected_s`.

    Left out are its gaps, and all from `BEFORE_S` before to `AFTER_S` after each labelled tap.
    """
    lulls: list[Lull] = []
    taps_s = recording.taps_s
    for first, last in recording.stretches():
        start = float(recording.times_s(np.array(first)))
        end = start + (last - first) / recording.fs
        near_s = taps_s[(taps_s > start - AFTER_S) & (taps_s < end + BEFORE_S)]
        for tap_s in [*near_s.tolist(), math.inf]:
            stop = min(tap_s - BEFORE_S, end)
            if stop > start:
                inside = detected_s[(detected_s >= start) & (detected_s < stop)]
                lulls.append(Lull(np.sort(inside) - start, stop - start, start))
            start = max(start, tap_s + AFTER_S)
    return lulls


@dataclass(frozen=True, slots=True)
class Watch:
    """For `hours` every possible code that began would have been seen whole; `possible` ones were.

    `lulls` are those that were long enough.
    """

    hours: float
    possible: int
    lulls: tuple[Lull, ...]


def compute_least_s(parameters: EntryParameters, length: int) -> float:
    """How long a stretch must be, in seconds, before any of it counts in `watch_lulls`."""
    return parameters.memory_s + parameters.compute_longest_s(length)


def watch_lulls(lulls: Iterable[Lull], parameters: EntryParameters, *, length: int) -> Watch:
    """The possible codes of `length` digits that false taps entered, and the time in which they could.

    Counted are codes that begin once what was before the stretch is forgotten, and early enough for the longest code
    to end within it. So a code's length in time does not bear on whether it counts, and count over time is an unbiased
    rate; with less left out at the end, long codes would be lost and short stretches seem safe.
    """
    begin_s = parameters.memory_s
    seconds, possible, long_enough = 0.0, 0, []
    for lull in lulls:
        end_s = lull.duration_s - parameters.compute_longest_s(length)
        if end_s <= begin_s:
            continue
        long_enough.append(lull)
        seconds += end_s - begin_s
        possible += sum(
            begin_s <= entry.start_s < end_s and _is_possible(entry, length, parameters)
            for entry in decode_taps(lull.onsets_s, parameters)
        )
    return Watch(seconds / 3600, possible, tuple(long_enough))
