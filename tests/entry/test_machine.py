"""Taps to digits to a verdict: every small case, any division of time, waits and limits."""

import dataclasses
import itertools
import math
from collections.abc import Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapsig.entry import Entry, EntryMachine, EntryParameters, State, Verdict, decode_taps, parse_code
from tapsig.entry.decoding import decode
from tapsig.errors import ParameterError

# The gaps of the first column mean what the second says: a pause over 1 s ends a digit, 3 s of silence end the entry
# (common practice, no source).
GAPS = {"": 1.0, "-": 1.001, " ": 3.0}


@pytest.mark.parametrize("code", ["3-1-4", (3, 1, 4), [3, 1, 4]])
def test_a_code_is_digits_or_a_text(code: str | Sequence[int]) -> None:
    taps_s = (0.0, 0.3, 0.6, 2.0, 3.5, 3.8, 4.1, 4.4)
    for entries in (decode_taps(taps_s, code=code), decode(taps_s, code=code)):
        assert [entry.verdict for entry in entries] == [Verdict.ACCEPTED]
    for bad in ("3.1.4", "", "9" * 5000, "3-1-10"):
        with pytest.raises(ParameterError, match="code"):
            EntryMachine(code=bad)


@pytest.mark.parametrize("taps", range(1, 8))
def test_every_order_of_the_three_gaps_decodes_as_its_text_splits(taps: int) -> None:
    for gaps in itertools.product(GAPS, repeat=taps - 1):
        times, text = [10.0], "i"
        for gap in gaps:
            times.append(times[-1] + GAPS[gap])
            text += gap + "i"
        expected = [tuple(len(digit) for digit in entry.split("-")) for entry in text.split(" ")]
        entries = decode_taps(times)
        assert [entry.digits for entry in entries] == expected
        assert [tap for entry in entries for tap in entry.taps_s] == pytest.approx(times, abs=5e-4)
        assert all(entry.end_s == pytest.approx(entry.taps_s[-1] + 3.0, abs=1e-9) for entry in entries)


def test_taps_of_a_digit_are_given_back_with_it() -> None:
    [entry] = decode_taps([0.0, 0.5, 2.0, 3.5, 3.75])
    assert entry.digits_taps_s == ((0.0, 0.5), (2.0,), (3.5, 3.75))


def test_an_entry_still_open_when_listening_stopped_is_left_out() -> None:
    assert decode_taps([0.0, 0.5], end_s=3.499) == ()
    assert [str(entry) for entry in decode_taps([0.0, 0.5], end_s=3.5)] == ["2"]


def test_no_taps_give_no_entries() -> None:
    assert decode_taps([]) == ()
    assert decode_taps([], end_s=100.0) == ()


parameter_sets = st.sampled_from(
    [
        EntryParameters(),
        EntryParameters(tolerance=1.8),
        EntryParameters(wake_taps=2, awake_s=5.0),
        EntryParameters(wake_taps=3, awake_s=8.0, tolerance=2.0, free_failures=0, wait_s=4.0, wait_limit_s=9.0),
        EntryParameters(free_failures=1, wait_s=2.0, failure_limit=3, digit_max=3),
    ]
)
TICK_S = 0.1


def run_by_countdown(taps: list[int], ticks: int, code: tuple[int, ...]) -> list[tuple[tuple[int, ...], str, int]]:
    """The rules again as a sketch would have them: a loop over ticks with timers that count down, no deadlines.

    Two wake-up taps, awake for 8 s, digit pause 1 s, silence 3 s; from the first wrong entry on a wait of 4 s that
    doubles up to 10 s.
    """
    ended = []
    awake = silence = wait = since = 0
    row, failures = 0, 0
    digits: list[int] = []
    for tick in range(ticks):
        awake, silence, wait, since = max(awake - 1, 0), max(silence - 1, 0), max(wait - 1, 0), since + 1
        if digits and not silence:
            possible = len(digits) == len(code) and max(digits) <= 9
            verdict = "accepted" if tuple(digits) == code else "wrong" if possible else "void"
            failures = 0 if verdict == "accepted" else failures + (verdict == "wrong")
            wait = min(40 * 2 ** (failures - 1), 100) if verdict == "wrong" else 0
            ended.append((tuple(digits), verdict, failures))
            digits = []
        for _ in range(taps.count(tick)):
            listening = awake and not (row and since <= 10)  # a row of wake-up taps goes on within the digit pause
            if wait:
                wait = max(wait, 30)
            elif digits:
                digits = [*digits, 1] if since > 10 else [*digits[:-1], digits[-1] + 1]
            elif listening:
                digits, row = [1], 0
            else:
                row = row + 1 if row and since <= 10 else 1
            silence, since = 30, 0
            if digits or wait or row >= 2 or awake:
                awake = 80
    return ended


@settings(max_examples=400)  # the rule again, of which every branch is wanted
@given(gaps=st.lists(st.one_of(st.integers(0, 12), st.integers(25, 35), st.integers(0, 90)), max_size=30))
def test_the_machine_equals_a_loop_with_timers(gaps: list[int]) -> None:
    parameters = EntryParameters(wake_taps=2, awake_s=8.0, free_failures=0, wait_s=4.0, wait_limit_s=10.0)
    taps = list(itertools.accumulate(gaps))
    ticks = (taps[-1] if taps else 0) + 40
    entries = decode_taps([tap * TICK_S for tap in taps], parameters, code=(1, 2))
    assert [(entry.digits, entry.verdict.value, entry.failures) for entry in entries] == run_by_countdown(
        taps, ticks, (1, 2)
    )


gap_lists = st.lists(
    st.one_of(st.integers(0, 1200), st.integers(900, 1100), st.integers(2900, 3100), st.integers(0, 9000)), max_size=40
)


@given(parameters=parameter_sets, gaps=gap_lists, cuts=st.lists(st.integers(0, 60000), max_size=30))
def test_any_division_of_time_gives_the_same_entries(
    parameters: EntryParameters, gaps: list[int], cuts: list[int]
) -> None:
    taps = list(itertools.accumulate(gaps))
    end = (taps[-1] if taps else 0) + 4000

    def run(cuts: list[int]) -> tuple[list[Entry], list[State], int]:
        machine = EntryMachine(parameters, code=(1, 2))
        # At the same time, a cut comes before the tap: advance promises only that no earlier tap follows.
        events = sorted([(cut, 0) for cut in cuts if cut <= end] + [(tap, 1) for tap in taps])
        entries: list[Entry] = []
        states = []
        for time_ms, is_tap in events:
            if is_tap:
                entries += machine.push(time_ms / 1000)
                states.append(machine.state)
            else:
                entries += machine.advance(time_ms / 1000)
        entries += machine.advance(end / 1000)
        return entries, [*states, machine.state], machine.failures

    assert run(cuts) == run([])


@given(gaps=gap_lists)
def test_every_tap_lands_in_exactly_one_entry(gaps: list[int]) -> None:
    taps = [tap / 1000 for tap in itertools.accumulate(gaps)]
    entries = decode_taps(taps)
    assert [tap for entry in entries for tap in entry.taps_s] == taps
    assert all(sum(entry.digits) == len(entry.taps_s) for entry in entries)


@given(gaps=gap_lists, shift=st.integers(0, 10**9))
def test_entries_do_not_depend_on_when_the_clock_started(gaps: list[int], shift: int) -> None:
    taps = list(itertools.accumulate(gaps))
    at_zero = decode_taps([tap / 1000 for tap in taps])
    later = decode_taps([(tap + shift) / 1000 for tap in taps])
    assert [entry.digits for entry in at_zero] == [entry.digits for entry in later]


def test_reset_equals_a_new_machine() -> None:
    machine = EntryMachine(EntryParameters(free_failures=0), code=(2,))
    machine.push(5.0)
    machine.advance(9.0)
    assert machine.state is State.WAITING
    machine.reset()
    assert (machine.state, machine.failures, machine.digits) == (State.ASLEEP, 0, ())
    assert machine.push(0.0) == ()  # the clock starts anew as well


def enter(machine: EntryMachine, digit: int, at_s: float) -> Entry:
    """Tap one digit at `at_s` and let the silence pass."""
    for tap in range(digit):
        machine.push(at_s + tap * 0.25)
    [entry] = machine.finish()
    return entry


def test_waits_double_from_half_a_minute_to_an_hour_and_the_hundredth_failure_locks() -> None:
    # NIST SP 800-63B-4 section 3.2.2: waits of 30 s up to an hour; no more than 100 consecutive failed attempts.
    machine = EntryMachine(code=(2,))
    now, waits = 0.0, []
    while machine.state is not State.LOCKED:
        entry = enter(machine, 1, now)
        assert entry.verdict is Verdict.WRONG
        waits.append(entry.wait_s)
        now = entry.end_s + (entry.wait_s if math.isfinite(entry.wait_s) else 0)
    assert len(waits) == 100
    assert waits[:12] == [0, 0, 0, 30, 60, 120, 240, 480, 960, 1920, 3600, 3600]
    assert waits[-1] == math.inf
    machine.push(now + 1e5)
    machine.push(now + 1e5 + 0.2)
    assert machine.advance(now + 2e5) == ()  # the right code does not open a locked machine
    assert machine.state is State.LOCKED


def test_a_right_entry_sets_the_failures_back() -> None:
    machine = EntryMachine(code=(2,))
    assert [enter(machine, 1, at_s).failures for at_s in (0.0, 10.0, 20.0)] == [1, 2, 3]
    right = enter(machine, 2, 30.0)
    assert (right.verdict, right.failures) == (Verdict.ACCEPTED, 0)
    assert enter(machine, 1, 40.0).failures == 1


@pytest.mark.parametrize(
    ("taps", "verdict"),
    [
        ([0.0, 2.0], "accepted"),
        ([0.0, 2.0, 2.5], "wrong"),
        ([0.0], "void"),
        ([0.0, 2.0, 4.0], "void"),
        ([0.0, 0.1, 0.2, 0.3, 2.0], "void"),
    ],
)
def test_what_can_never_open_is_void_and_no_failure(taps: list[float], verdict: str) -> None:
    [entry] = decode_taps(taps, EntryParameters(digit_max=3), code=(1, 1))
    assert entry.verdict is Verdict(verdict)
    assert entry.failures == (1 if verdict == "wrong" else 0)


def test_taps_in_a_wait_are_ignored_and_half_an_entry_is_not_judged() -> None:
    machine = EntryMachine(EntryParameters(free_failures=0, wait_s=10.0), code=(2,))
    enter(machine, 1, 0.0)  # ends at 3 s, wait until 13 s
    for tap_s in (4.0, 12.0, 12.5, 13.2):  # the last one is past the wait, but belongs to a hand that is tapping
        assert machine.push(tap_s) == ()
        assert machine.state is State.WAITING
    assert enter(machine, 2, 16.2).verdict is Verdict.ACCEPTED


def test_wake_up_taps_are_no_part_of_the_entry() -> None:
    parameters = EntryParameters(wake_taps=3)
    for count in (3, 4, 5):  # one tap too many while waking must not become a digit
        wake = [tap * 0.3 for tap in range(count)]
        [entry] = decode_taps([*wake, 5.0, 5.3, 7.0], parameters)
        assert entry.digits == (2, 1)
    assert decode_taps([0.0, 0.3, 5.0, 5.3, 7.0], parameters) == ()  # two taps do not wake it


def test_the_machine_sleeps_after_its_awake_time() -> None:
    parameters = EntryParameters(wake_taps=2, awake_s=60.0)
    wake = [0.0, 0.4]
    assert len(decode_taps([*wake, 60.399], parameters)) == 1
    assert decode_taps([*wake, 60.4], parameters) == ()  # one lone tap while asleep
    # An entry keeps it awake for another 60 s from its last tap.
    assert len(decode_taps([*wake, 50.0, 105.0], parameters)) == 2


def test_tolerance_follows_slow_and_fast_hands() -> None:
    parameters = EntryParameters(tolerance=2.0)
    fast = [0.0, 0.2, 0.4, 1.0, 1.6, 1.8, 2.0, 2.2]  # 3-1-4 with pauses of 0.6 s
    slow = [0.0, 1.0, 2.0, 4.5, 7.0, 8.1, 9.1, 10.0]  # 3-1-4 with taps a second apart
    assert [str(entry) for entry in decode_taps(fast)] == ["8"]
    assert [str(entry) for entry in decode_taps(slow)] == ["3-1-1-3"]
    assert [str(entry) for entry in decode_taps(fast, parameters)] == ["3-1-4"]
    assert [str(entry) for entry in decode_taps(slow, parameters)] == ["3-1-4"]


def test_wake_up_taps_teach_the_rhythm() -> None:
    parameters = EntryParameters(tolerance=2.0, wake_taps=3)
    wake = [0.0, 0.2, 0.4]
    fast = [1.4, 2.0, 2.6, 2.8]  # 1-1-2 in the rhythm of the wake-up taps
    assert [str(entry) for entry in decode_taps(wake + fast, parameters)] == ["1-1-2"]
    assert [str(entry) for entry in decode_taps(fast, EntryParameters(tolerance=2.0))] == ["4"]


@pytest.mark.parametrize("before", [[0.0, 0.2], [0.0, 0.2, 0.4]])
def test_a_rhythm_is_forgotten_in_sleep(before: list[float]) -> None:
    """After too few quick wake-up taps, or an entry that never came, only the slow wake-up taps that follow count.

    They are 0.5 s apart, so twice the mean gap is 1 s: two taps 0.9 s apart are one digit. With the quick ones it would
    be less than 0.9 s.
    """
    parameters = EntryParameters(tolerance=2.0, wake_taps=3, awake_s=10.0)
    assert [str(entry) for entry in decode_taps([*before, 100.0, 100.5, 101.0, 103.0, 103.9], parameters)] == ["2"]


@pytest.mark.parametrize("parameters", [EntryParameters(digit_max=3), EntryParameters(digit_max=2, tolerance=2.0)])
def test_no_possible_entry_lasts_longer_than_the_longest(parameters: EntryParameters) -> None:
    # Brute force over gaps about every edge of the machine: the longest lacks at most 1 ms a pause of being reached.
    low, high = parameters.pause_bounds_s
    edges = (low, parameters.digit_pause_s, high, parameters.entry_silence_s - 0.001)
    ended = [
        entry.end_s - entry.start_s
        for taps in range(2, 2 * parameters.digit_max + 1)
        for gaps in itertools.product((0.001, *edges), repeat=taps - 1)
        for entry in decode_taps(itertools.accumulate(gaps, initial=0.0), parameters)
        if len(entry.digits) == 2 and max(entry.digits) <= parameters.digit_max
    ]
    longest_s = parameters.compute_longest_s(2)
    assert max(ended) <= longest_s
    if not parameters.tolerance:
        assert max(ended) == pytest.approx(longest_s, abs=0.0011)


@pytest.mark.parametrize("wake_taps", [0, 2])
def test_a_tap_is_forgotten_after_the_memory_and_not_before(wake_taps: int) -> None:
    parameters = EntryParameters(wake_taps=wake_taps)
    before, after = [0.0, 0.2, 2.0], [0.0, 0.3, 2.0, 3.7]
    alone = [entry.digits for entry in decode_taps(after, parameters)]
    for silence_s, forgotten in ((parameters.memory_s, True), (parameters.memory_s - 0.001, False)):
        shifted = [before[-1] + silence_s + tap for tap in after]
        heard = [entry.digits for entry in decode_taps([*before, *shifted], parameters) if entry.start_s >= shifted[0]]
        assert (heard == alone) == forgotten


def test_the_adapted_pause_stays_within_its_bounds() -> None:
    machine = EntryMachine(EntryParameters(tolerance=2.0, pause_bounds_s=(0.4, 1.5)))
    machine.push(0.0)
    assert machine.digit_pause_s == 1.0
    machine.push(0.1)
    assert machine.digit_pause_s == 0.4
    machine = EntryMachine(EntryParameters(tolerance=2.0, pause_bounds_s=(0.4, 1.5)))
    machine.push(0.0)
    machine.push(0.9)
    assert machine.digit_pause_s == 1.5


def test_taps_before_the_time_reached_are_refused() -> None:
    machine = EntryMachine()
    machine.push(2.0)
    machine.push(2.0)  # two onsets in one millisecond are two taps
    assert machine.digits == (2,)
    with pytest.raises(ParameterError, match=r"onset_s is 1\.9, before the 2\.000 s already reached"):
        machine.push(1.9)
    with pytest.raises(ParameterError, match="end_s is 4"):
        decode_taps([5.0], end_s=4.0)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -0.001])
def test_times_that_are_no_times_are_refused(bad: float) -> None:
    with pytest.raises(ParameterError, match="onset_s is"):
        EntryMachine().push(bad)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("digit_pause_s", 0.0),
        ("digit_pause_s", 3.0),
        ("entry_silence_s", 0.9),
        ("digit_max", 0),
        ("digit_max", 2.5),
        ("digit_max", 256),
        ("tolerance", 1.0),
        ("tolerance", -1.0),
        ("awake_s", 2.0),
        ("wait_s", -1.0),
        ("wait_limit_s", 10.0),
        ("wait_factor", 0),
        ("failure_limit", -1),
        ("release_s", 0.0),
        ("wake_taps", math.nan),
    ],
)
def test_parameters_outside_their_range_are_refused_by_name(field: str, value: object) -> None:
    with pytest.raises(ParameterError, match=field.removesuffix("_s")):
        dataclasses.replace(EntryParameters(), **{field: value})  # type: ignore[arg-type]


def test_the_bounds_of_an_adapted_pause_must_hold_the_fixed_one() -> None:
    with pytest.raises(ParameterError, match="pause_bounds_s"):
        EntryParameters(tolerance=2.0, pause_bounds_s=(1.2, 2.0))
    assert EntryParameters(pause_bounds_s=(1.2, 2.0)).tolerance == 0  # no tolerance, no bounds
    edges = EntryParameters(tolerance=2.0, pause_bounds_s=(0.001, 1.0))  # a millisecond, and the fixed pause itself
    assert edges.pause_bounds_s == (0.001, 1.0)
    with pytest.raises(ParameterError, match="pause_bounds_s"):
        EntryParameters(tolerance=2.0, pause_bounds_s=(0.0009, 1.0))


@pytest.mark.parametrize("text", ["", "3-", "3--4", "a-b", "3 1 4", "-1", "٣-1", "3-0", "3-10"])
def test_codes_that_are_no_codes_are_refused(text: str) -> None:
    with pytest.raises(ParameterError, match="code"):
        parse_code(text)


def test_a_wrong_digit_in_the_middle_is_seen() -> None:
    [entry] = decode_taps([0.0, 2.0, 2.2, 4.0], EntryParameters(), code=(1, 1, 1))
    assert (entry.digits, entry.verdict) == ((1, 2, 1), Verdict.WRONG)


def test_a_verdict_equals_its_word() -> None:
    """As in `if entry.verdict == "accepted"`, which would otherwise be false for ever."""
    (entry,) = decode_taps([1.0, 1.3], code="2")
    assert entry.verdict == "accepted"
    assert f"{entry.verdict}" == "accepted"
