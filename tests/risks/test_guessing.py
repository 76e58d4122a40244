"""Guessing: counted by brute force over every code, and by driving the machine itself."""

import itertools
import math
from collections import Counter

import pytest

from tapsig.entry import EntryMachine, EntryParameters, State
from tapsig.errors import ParameterError
from tapsig.risks.guessing import (
    NIST_FAILURE_LIMIT,
    compute_code_shapes,
    compute_expected_s,
    compute_guessing,
    compute_keyspace,
    compute_trying_s,
    count_codes_by_taps,
)


@pytest.mark.parametrize(("length", "values", "bits"), [(4, 10, 13.288), (6, 10, 19.932)])
def test_bits_of_random_digits(length: int, values: int, bits: float) -> None:
    # Arithmetic: 4 and 6 random decimal digits hold 13.288 and 19.932 bits.
    stranger = compute_guessing(length, EntryParameters(digit_max=values), try_s=10.0)[0]
    assert stranger.bits == pytest.approx(bits, abs=5e-4)
    assert stranger.codes_left == values**length


def test_a_hundred_failures_leave_a_stranger_a_hundred_codes() -> None:
    # NIST SP 800-63B-4 section 3.2.2: no more than 100 consecutive failed attempts. P = attempts / keyspace.
    assert EntryParameters().failure_limit == NIST_FAILURE_LIMIT == 100
    stranger = compute_guessing(3, EntryParameters(), try_s=10.0)[0]
    assert stranger.first_try == pytest.approx(1 / 729)
    assert stranger.before_the_lock == pytest.approx(100 / 729)
    assert compute_guessing(3, EntryParameters(failure_limit=0), try_s=10.0)[0].before_the_lock == 1.0


@pytest.mark.parametrize(("length", "digit_max"), [(1, 5), (2, 9), (3, 4), (4, 3)])
def test_codes_by_taps_equal_counting_every_code(length: int, digit_max: int) -> None:
    every = Counter(sum(code) for code in itertools.product(range(1, digit_max + 1), repeat=length))
    assert count_codes_by_taps(length, digit_max) == dict(every)
    assert sum(every.values()) == compute_keyspace(length, digit_max)


def test_an_observer_of_the_total_gains_what_counting_every_code_says() -> None:
    parameters = EntryParameters(digit_max=4, failure_limit=5, free_failures=2)
    codes = list(itertools.product(range(1, 5), repeat=3))
    groups = Counter(map(sum, codes))
    row = compute_guessing(3, parameters, try_s=10.0)[1]
    assert row.bits == pytest.approx(sum(math.log2(groups[sum(code)]) for code in codes) / len(codes))
    # A code that is the n-th of its group in some order is reached by n tries.
    ranks: Counter[int] = Counter()
    reached = []
    for code in codes:
        ranks[sum(code)] += 1
        reached.append(ranks[sum(code)])
    assert row.first_try == pytest.approx(sum(rank <= 1 for rank in reached) / len(codes))
    assert row.before_a_wait == pytest.approx(sum(rank <= 3 for rank in reached) / len(codes))
    assert row.before_the_lock == pytest.approx(sum(rank <= 5 for rank in reached) / len(codes))


def test_a_lock_before_the_first_wait_leaves_no_more_tries_than_it_allows() -> None:
    # Driven on the machine itself: it locks after two failures, so a wait after the fourth never comes.
    parameters = EntryParameters(free_failures=3, failure_limit=2)
    machine = EntryMachine(parameters, code=(2,))
    for tries in (1, 2):
        machine.push(100.0 * tries)
        machine.finish()
        assert (machine.state is State.LOCKED) == (tries == 2)
    for row in compute_guessing(3, parameters, try_s=10.0):
        assert row.before_a_wait == row.before_the_lock
    assert compute_guessing(3, parameters, try_s=10.0)[0].before_a_wait == pytest.approx(2 / 729)


def test_without_waits_nothing_comes_before_the_lock() -> None:
    # Driven on the machine itself: no wrong entry makes it wait.
    parameters = EntryParameters(wait_s=0.0)
    machine = EntryMachine(parameters, code=(2,))
    for tries in range(1, 100):
        machine.push(10.0 * tries)
        assert [entry.wait_s for entry in machine.finish()] == [0.0]
    for row in compute_guessing(3, parameters, try_s=10.0):
        assert row.before_a_wait == row.before_the_lock


def drive(tries: int, parameters: EntryParameters) -> float:
    """Time that the machine itself takes for `tries` wrong one-tap entries, each as early as it listens again."""
    machine = EntryMachine(parameters, code=(2,))
    now = 0.0
    for _ in range(tries):
        machine.push(now)
        [entry] = machine.finish()
        end = entry.end_s
        now = end + entry.wait_s
        machine.advance(now)
        assert machine.state is not State.WAITING
    return end


@pytest.mark.parametrize(
    "parameters",
    [
        EntryParameters(failure_limit=0),
        EntryParameters(failure_limit=0, free_failures=0, wait_s=10.0, wait_factor=3, wait_limit_s=100.0),
        EntryParameters(failure_limit=0, wait_s=0.0),
        EntryParameters(failure_limit=0, wait_factor=1),
    ],
)
@pytest.mark.parametrize("tries", [1, 2, 3, 4, 5, 6, 11, 30])
def test_time_of_trying_equals_driving_the_machine(parameters: EntryParameters, tries: int) -> None:
    assert compute_trying_s(tries, parameters, try_s=3.0) == pytest.approx(drive(tries, parameters))
    mean = sum(drive(count, parameters) for count in range(1, tries + 1)) / tries
    assert compute_expected_s(tries, parameters, try_s=3.0) == pytest.approx(mean)


def test_counted_digits_leave_the_others() -> None:
    rows = {row.who: row for row in compute_guessing(4, EntryParameters(digit_max=5), try_s=10.0)}
    assert rows["counted 3 of 4 digits"].codes_left == 5
    assert rows["counted 1 of 4 digits"].codes_left == 125
    single = [row.who for row in compute_guessing(1, EntryParameters(), try_s=10.0)]
    assert single == ["stranger", "counted every digit to within one tap"]


@pytest.mark.parametrize(("length", "digit_max"), [(1, 9), (2, 9), (3, 3), (3, 2), (4, 5), (2, 1)])
def test_an_observer_within_one_tap_is_left_what_listing_the_near_codes_says(length: int, digit_max: int) -> None:
    codes = list(itertools.product(range(1, digit_max + 1), repeat=length))
    left = [
        sum(all(abs(one - other) <= 1 for one, other in zip(code, near, strict=True)) for near in codes)
        for code in codes
    ]
    parameters = EntryParameters(digit_max=digit_max, failure_limit=5, free_failures=2)
    row = compute_guessing(length, parameters, try_s=10.0)[-1]
    assert row.who == "counted every digit to within one tap"
    assert row.bits == pytest.approx(sum(map(math.log2, left)) / len(codes))
    for tries, share in ((1, row.first_try), (3, row.before_a_wait), (5, row.before_the_lock)):
        assert share == pytest.approx(sum(min(tries, size) / size for size in left) / len(codes))
    assert row.codes_left == left[0] if len(set(left)) == 1 else math.isnan(row.codes_left)
    # Each place of the right code among the tries is as likely as another; those after the lock do not open.
    times = [
        (compute_trying_s(n, parameters, try_s=10.0), 1 / size) for size in left for n in range(1, min(size, 5) + 1)
    ]
    mean_s = sum(time * weight for time, weight in times) / sum(weight for _, weight in times)
    assert row.hours_if_it_opens == pytest.approx(mean_s / 3600)


def test_success_of_a_code_shape_is_the_mean_over_every_code() -> None:
    [shape] = [shape for shape in compute_code_shapes(math.log2(64), 0.9) if shape.length == 3]
    codes = list(itertools.product(range(1, 5), repeat=3))
    assert (shape.digit_max, shape.keyspace) == (4, 64)
    assert shape.success == pytest.approx(sum(0.9 ** sum(code) for code in codes) / 64)
    assert shape.mean_taps == pytest.approx(sum(map(sum, codes)) / 64)


def test_values_outside_their_range_are_refused() -> None:
    with pytest.raises(ParameterError, match="tap_recall"):
        compute_code_shapes(10, 1.1)
    with pytest.raises(ParameterError, match="length"):
        compute_keyspace(0, 9)
    with pytest.raises(ParameterError, match="try_s"):
        compute_trying_s(3, EntryParameters(), try_s=0.0)
