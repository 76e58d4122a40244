"""How often false taps open the lock: the entry machine under random false taps, solved exactly.

A gap between two false taps does one of four things: it keeps them in one digit, starts the next digit, ends the
entry, or lets the machine fall asleep. With independent gaps, the state of the machine at successive taps is a Markov
chain of a few states. The rate of any entry follows from its stationary distribution:

    P(entry = d1 … dL | an entry starts) = within**(sum(d) - L) * between**(L - 1) * (ending + sleeping)

For Poisson taps of rate r, within = 1 - exp(-r digit_pause), and so on.
"""

import itertools
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from tapsig.entry import Entry, EntryMachine, EntryParameters, Verdict, check_code, decode_taps, to_ms
from tapsig.errors import ParameterError
from tapsig.records import Recording
from tapsig.scoring.intervals import clustered_rate_limit
from tapsig.units import FloatArray, check_positive, check_range

YEAR_HOURS = 8766.0  # 365.25 days
BEFORE_S, AFTER_S = 0.1, 1.5  # around a deliberate tap: the panel rings, so detections there are not false taps


@dataclass(frozen=True, slots=True)
class GapModel:
    """Rate of false taps, and the probabilities of the four effects that the gap after a tap can have.

    They add up to 1: `within` a digit, `between` digits, `ending` the entry while the machine stays awake, and
    `sleeping`, after which it falls asleep.
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
            raise ParameterError(f"the probabilities of gaps are {shares!r}; they must be 0 or above and add up to 1")


def build_poisson_gaps(taps_per_s: float, parameters: EntryParameters) -> GapModel:
    """Gaps of a Poisson process: false taps are independent of each other.

    Raises ParameterError for a tolerance, with which the digit pause depends on the gaps before: simulate it instead.
    """
    _refuse_tolerance(parameters)
    rate = check_range("taps_per_s", taps_per_s, 0, 1e6)
    pause, silence, awake = parameters.digit_pause_s, parameters.entry_silence_s, parameters.awake_s
    return GapModel(  # as products, which stay accurate at low rates
        rate,
        within=-math.expm1(-rate * pause),
        between=math.exp(-rate * pause) * -math.expm1(-rate * (silence - pause)),
        ending=math.exp(-rate * silence) * -math.expm1(-rate * (awake - silence)),
        sleeping=math.exp(-rate * awake),
    )


def _refuse_tolerance(parameters: EntryParameters) -> None:
    if parameters.tolerance:
        raise ParameterError(
            f"tolerance is {parameters.tolerance!r}; the exact rate needs a fixed digit pause, tolerance 0: with"
            " another one count on recordings (tapsig risk CORPUS), or on any onsets (count_openings)"
        )


def compute_starts_per_s(gaps: GapModel, parameters: EntryParameters) -> float:
    """Rate at which false taps start entries, per second; wake-up taps are taken into account.

    The states at a tap are: the first … the last wake-up tap in a row, the first tap of an entry, a later one. The
    flows between them balance, which gives the share of first taps in sums and products alone: these keep the relative
    accuracy of probabilities however small they are.
    """
    over = gaps.ending + gaps.sleeping  # an entry
    if not parameters.wake_taps:
        return gaps.taps_per_s * over
    starting = gaps.between + gaps.ending  # of an entry, after the last wake-up tap
    waking = math.fsum(gaps.within**taps for taps in range(parameters.wake_taps - 1)) * (starting + gaps.sleeping)
    woken = gaps.within ** (parameters.wake_taps - 1)
    total = gaps.sleeping * (waking + woken) + woken * starting
    return gaps.taps_per_s * woken * starting * over / total if total else 0.0


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
    """Rate at which false taps enter any possible code of `length` digits; each counts as a failure.

    Divided by the keyspace it is the rate of wrong openings for a code drawn at random.
    """
    digit = math.fsum(gaps.within**taps for taps in range(parameters.digit_max))
    rate = compute_starts_per_s(gaps, parameters) * gaps.between ** (length - 1)
    return rate * digit**length * (gaps.ending + gaps.sleeping)


@dataclass(frozen=True, slots=True)
class NuisanceCount:
    """Entries decoded from the false taps of `hours`."""

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
    """Run the entry machine over false taps and count its entries; silence follows the last tap.

    With a code, the machine checks entries, waits and locks as in use. Without one, it decodes every entry.
    """
    machine = EntryMachine(parameters, code=code)
    taps = 0
    entries: list[Entry] = []
    for onset_s in onsets_s:
        entries.extend(machine.push(float(onset_s)))
        taps += 1
    entries.extend(machine.finish())
    possible = sum(is_possible(entry, length, parameters) for entry in entries)
    opened = sum(entry.verdict is Verdict.ACCEPTED for entry in entries)
    return NuisanceCount(duration_s / 3600, taps, len(entries), possible, opened)


def is_possible(entry: Entry, length: int, parameters: EntryParameters) -> bool:
    """Whether an entry could be a code of this length."""
    return len(entry.digits) == length and max(entry.digits) <= parameters.digit_max


@dataclass(frozen=True, slots=True)
class TapFreeSegment:
    """A continuous segment without deliberate taps; `onsets_s` are its false taps, in s from its start, ascending.

    It begins at `start_s` in its recording, whose file is `source`.
    """

    onsets_s: FloatArray
    duration_s: float
    start_s: float = 0.0
    source: str = ""


def fit_gaps(segments: Sequence[TapFreeSegment], parameters: EntryParameters) -> GapModel:
    """Measured gaps between the false taps of each segment.

    The gap after a segment's last tap is known only to last until the segment's end; it is split like the longer gaps
    (Kaplan and Meier, J. Am. Stat. Assoc. 53 (1958) 457), and lets the machine fall asleep where there are none. Unlike
    the Poisson model, this keeps the bursts and rhythms of music and rattling parts.
    """
    _refuse_tolerance(parameters)
    duration_s = check_positive("duration_s", math.fsum(segment.duration_s for segment in segments))
    gaps: list[tuple[int, bool]] = []  # in ms, and whether it is cut off by the end
    for segment in segments:
        times = [to_ms(onset_s) for onset_s in segment.onsets_s.tolist()]
        gaps += [(after - before, False) for before, after in itertools.pairwise(times)]
        gaps += [(max(0, to_ms(segment.duration_s) - last), True) for last in times[-1:]]
    if not gaps:
        return GapModel(0.0, 0.0, 0.0, 0.0, 1.0)
    lasts = np.ones(len(gaps) + 1)  # the share of gaps that last longer than the first k
    gaps.sort()
    for k, (_, cut) in enumerate(gaps):
        lasts[k + 1] = lasts[k] if cut else lasts[k] * (1.0 - 1.0 / (len(gaps) - k))
    edges = [to_ms(parameters.digit_pause_s) + 1, to_ms(parameters.entry_silence_s), to_ms(parameters.awake_s)]
    longer = lasts[np.searchsorted([gap for gap, _ in gaps], edges)]  # at least as long as each edge
    shares = -np.diff([1.0, *longer, 0.0])
    return GapModel(len(gaps) / duration_s, *shares.tolist())


def split_between_taps(recording: Recording, detected_s: FloatArray) -> list[TapFreeSegment]:
    """The tap-free segments of `recording`, with the detections `detected_s` in them.

    Excluded are its gaps, and the time from `BEFORE_S` before to `AFTER_S` after each labelled tap.
    """
    segments: list[TapFreeSegment] = []
    taps_s = recording.taps_s
    for first, last in recording.stretches():
        start = float(recording.times_s(np.array(first)))
        end = start + (last - first) / recording.fs
        near_s = taps_s[(taps_s > start - AFTER_S) & (taps_s < end + BEFORE_S)]
        for tap_s in [*near_s.tolist(), math.inf]:
            stop = min(tap_s - BEFORE_S, end)
            if stop > start:
                inside = detected_s[(detected_s >= start) & (detected_s < stop)]
                segments.append(TapFreeSegment(np.sort(inside) - start, stop - start, start, recording.source))
            start = max(start, tap_s + AFTER_S)
    return segments


@dataclass(frozen=True, slots=True)
class PossibleEntries:
    """Possible codes that began during exposure, in which even the longest code would have been complete.

    `segments` are those that were long enough; `hours_of` and `possible_of` (n,) are the exposure and codes of each.
    """

    segments: tuple[TapFreeSegment, ...]
    hours_of: FloatArray
    possible_of: FloatArray

    @property
    def hours(self) -> float:
        """Exposure of all segments."""
        return float(self.hours_of.sum())

    @property
    def possible(self) -> int:
        """Codes in all segments."""
        return int(self.possible_of.sum())

    def compute_upper(self, confidence: float) -> float:
        """One-sided upper limit of the codes an hour: exact for Poisson counts, and wider by how segments differ, or
        files.
        """
        files = [segment.source for segment in self.segments]
        return clustered_rate_limit(self.possible_of, self.hours_of, confidence, files=files)


def list_exposures(
    segments: Iterable[TapFreeSegment], parameters: EntryParameters, length: int
) -> Iterator[tuple[TapFreeSegment, float, float]]:
    """The segments in which the longest code of `length` digits fits, and from when to when one may begin there, in s.

    It begins after the machine's memory of the time before the segment has expired, and early enough to end within it.
    """
    for segment in segments:
        end_s = segment.duration_s - parameters.compute_longest_s(length)
        if end_s > parameters.memory_s:
            yield segment, parameters.memory_s, end_s


def count_possible_entries(
    segments: Iterable[TapFreeSegment], parameters: EntryParameters, *, length: int
) -> PossibleEntries:
    """Count the possible codes of `length` digits that false taps entered, and the time in which they could begin.

    Whether a code counts (`list_exposures`) does not depend on its duration: count over time is an unbiased rate. With
    less excluded at the end, long codes would be missed and short segments would seem safe.
    """
    seconds, possible, long_enough = [], [], []
    for segment, begin_s, end_s in list_exposures(segments, parameters, length):
        long_enough.append(segment)
        seconds.append(end_s - begin_s)
        entries = decode_taps(segment.onsets_s, parameters)
        inside = [entry for entry in entries if begin_s <= entry.start_s < end_s]
        possible.append(sum(is_possible(entry, length, parameters) for entry in inside))
    return PossibleEntries(tuple(long_enough), np.array(seconds) / 3600, np.array(possible, dtype=np.float64))
