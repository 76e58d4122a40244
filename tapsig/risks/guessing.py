"""How hard a code is to guess, for a stranger and for an observer who counted some of the taps."""

import itertools
import math
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from tapsig.entry import EntryParameters
from tapsig.errors import ParameterError
from tapsig.units import check_count, check_positive

NIST_FAILURE_LIMIT = 100
"""NIST SP 800-63B-4 section 3.2.2: no more than 100 consecutive failed attempts on one account."""


def compute_keyspace(length: int, digit_max: int) -> int:
    """Number of codes of `length` digits from 1 to `digit_max`.

    >>> compute_keyspace(3, 9), compute_keyspace(6, 4)
    (729, 4096)
    """
    return check_count("digit_max", digit_max, 1, 255) ** check_count("length", length, 1, 64)


def count_codes_by_taps(length: int, digit_max: int) -> dict[int, int]:
    """Number of codes by their total number of taps (the sum of the digits), by repeated convolution.

    >>> count_codes_by_taps(2, 3)
    {2: 1, 3: 2, 4: 3, 5: 2, 6: 1}
    """
    compute_keyspace(length, digit_max)
    counts = [1]
    for _ in range(length):  # sums over `digit_max` neighbours are differences of running sums
        sums = list(itertools.accumulate(counts + [0] * (digit_max - 1)))
        counts = [upto - before for upto, before in zip(sums, [0] * digit_max + sums, strict=False)]
    return dict(enumerate(counts, start=length))


@dataclass(frozen=True, slots=True)
class GuessingRisk:
    """Chances and times of an attacker who tries code after code.

    `codes_left` is the number of codes left to try (nan where it depends on the code), `bits` the missing information.
    `first_try`, `before_a_wait` and `before_the_lock` are the chances of success at the first try, before the first
    waiting time, and before the machine locks. `hours_if_it_opens` is the mean time to success, given that it comes
    before the lock; `hours_for_all` is the time for all codes left, without a lock.
    """

    who: str
    codes_left: float
    bits: float
    first_try: float
    before_a_wait: float
    before_the_lock: float
    hours_if_it_opens: float
    hours_for_all: float


def compute_trying_s(tries: int, parameters: EntryParameters, *, try_s: float) -> float:
    """Time for `tries` wrong entries in a row, with the waits between them but not the one after the last.

    >>> compute_trying_s(5, EntryParameters(), try_s=10.0)  # five entries, and 30 s after the fourth
    80.0
    """
    check_positive("try_s", try_s)
    return tries * try_s + _sum_waits(tries, parameters, lambda first, last: last - first + 1)


def compute_expected_s(tries: int, parameters: EntryParameters, *, try_s: float) -> float:
    """Mean time until the right one of `tries` equally likely codes is entered, in random order."""
    check_positive("try_s", try_s)

    def weigh(first: int, last: int) -> int:  # the wait after failure f delays the tries - f codes after it
        return (2 * tries - first - last) * (last - first + 1) // 2

    return (tries + 1) / 2 * try_s + _sum_waits(tries, parameters, weigh) / tries


def _sum_waits(tries: int, parameters: EntryParameters, weigh: Callable[[int, int], int]) -> float:
    """Weighted sum of the waits after failures 1 … tries - 1; `weigh(first, last)` weights a run of equal waits."""
    total, failure = 0.0, parameters.free_failures + 1
    while failure < tries:
        wait = parameters.compute_wait_s(failure)
        grows = parameters.compute_wait_s(failure + 1) > wait
        last = failure if grows else tries - 1
        total += wait * weigh(failure, last)
        failure = last + 1
    return total


def count_codes_within_one_tap(length: int, digit_max: int) -> dict[int, int]:
    """Number of codes by how many codes have no digit that differs from theirs by more than one tap.

    >>> count_codes_within_one_tap(1, 9)  # 1 and 9 have one neighbour, the others two
    {2: 2, 3: 7}
    """
    compute_keyspace(length, digit_max)
    near = Counter(min(digit + 1, digit_max) - max(digit - 1, 1) + 1 for digit in range(1, digit_max + 1))
    codes = Counter({1: 1})
    for _ in range(length):
        longer: Counter[int] = Counter()
        for size, number in codes.items():
            for candidates, digits in near.items():
                longer[size * candidates] += number * digits
        codes = longer
    return dict(codes)


def _assess(who: str, codes_of: Mapping[int, int], parameters: EntryParameters, try_s: float) -> GuessingRisk:
    """The risk from an attacker who has narrowed the code down to some that are equally likely.

    `codes_of`: by how many are left, how many codes leave that many. Chances and times are means over all codes.
    """
    codes = sum(codes_of.values())
    limit = parameters.failure_limit or codes
    unhindered = parameters.free_failures + 1 if parameters.wait_s else limit

    def chance(tries: int) -> float:
        return math.fsum(number / codes * (min(tries, left) / left) for left, number in codes_of.items())

    expected = (
        number / codes * (min(limit, left) / left) * compute_expected_s(min(limit, left), parameters, try_s=try_s)
        for left, number in codes_of.items()
    )
    return GuessingRisk(
        who,
        float(max(codes_of)) if len(codes_of) == 1 else math.nan,
        math.fsum(number / codes * math.log2(left) for left, number in codes_of.items()),
        chance(1),
        chance(min(limit, unhindered)),
        chance(limit),
        math.fsum(expected) / chance(limit) / 3600,
        compute_trying_s(max(codes_of), parameters, try_s=try_s) / 3600,
    )


def compute_guessing(length: int, parameters: EntryParameters, *, try_s: float) -> tuple[GuessingRisk, ...]:
    """Guessing by a stranger and by observers, for a code drawn at random from all codes of `length` digits.

    `try_s` is the duration of an entry with its closing silence. Codes that people choose are far from random, so their
    true figures are worse.
    """
    keyspace = compute_keyspace(length, parameters.digit_max)
    codes_of = {"stranger": {keyspace: keyspace}}
    if length > 1:
        sums: Counter[int] = Counter()
        for left in count_codes_by_taps(length, parameters.digit_max).values():
            sums[left] += left
        codes_of["counted all taps together"] = sums
    for known in range(1, length):
        left = compute_keyspace(length - known, parameters.digit_max)
        codes_of[f"counted {known} of {length} digits"] = {left: keyspace}
    codes_of["counted every digit to within one tap"] = count_codes_within_one_tap(length, parameters.digit_max)
    return tuple(_assess(who, sizes, parameters, try_s) for who, sizes in codes_of.items())


@dataclass(frozen=True, slots=True)
class CodeShape:
    """One choice of length and highest digit: its keyspace and the owner's chance of success."""

    length: int
    digit_max: int
    keyspace: int
    bits: float
    mean_taps: float
    success: float


def compute_code_shapes(minimum_bits: float, tap_recall: float) -> tuple[CodeShape, ...]:
    """For each length up to 12, the smallest highest digit that reaches `minimum_bits`; best chance of success first.

    `success` is the chance that all taps of a random code are detected, each independently with `tap_recall`:
    (mean of recall**d over the digits d)**length.

    >>> [(shape.length, shape.digit_max, round(shape.success, 3)) for shape in compute_code_shapes(9.5, 0.95)][:2]
    [(6, 3, 0.543), (5, 4, 0.531)]
    """
    if not 0 <= tap_recall <= 1:
        raise ParameterError(f"tap_recall is {tap_recall!r}; it must lie between 0 and 1")
    check_positive("minimum_bits", minimum_bits)
    shapes = []
    for length in range(1, 13):
        digit_max = next((top for top in range(2, 256) if top**length >= 2**minimum_bits), None)
        if digit_max is None:
            continue
        mean = math.fsum(tap_recall**digit for digit in range(1, digit_max + 1)) / digit_max
        shapes.append(
            CodeShape(
                length,
                digit_max,
                digit_max**length,
                length * math.log2(digit_max),
                length * (digit_max + 1) / 2,
                mean**length,
            )
        )
    return tuple(sorted(shapes, key=lambda shape: -shape.success))
