"""The decoder `evidence` against exhaustive search, closed forms, the rule's machine, and itself on a stream."""

import copy
import dataclasses
import itertools
import math
import pickle
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tapsig.converter import Converter
from tapsig.core.context import CONTEXT
from tapsig.core.evidence import KEPT, UNREACHED, JudgeCore, Weighed
from tapsig.core.evidence_model import TEMPOS, EvidenceModel, bin_of
from tapsig.detectors.base import run_detector
from tapsig.detectors.features import FEATURES
from tapsig.detectors.tap import Tap
from tapsig.entry import Entry, EntryMachine, EntryParameters
from tapsig.entry.decoding import EntryListener, decode, decode_recording, listen
from tapsig.entry.evidence import (
    Candidate,
    Evidence,
    EvidenceEntry,
    EvidenceMachine,
    explain,
    judge_config,
    shipped_model,
)
from tapsig.errors import ParameterError
from tapsig.loading import load_recording
from tapsig.records import Gap, Recording
from tapsig.simulation import simulate_scene
from tests.fakes import DEMO

SHAPE = (2, 3, 8, 9, 14, 15, 18, 22)  # the bytes that evidence.c compares
ALIKE = bytes([100] * len(FEATURES))
TREES = (("like_likely", 90, -40, ("score", 90, ("nearest", 30, 55, -20), 64)), ("interval", 75, 12, -12))


def start(model: EvidenceModel) -> JudgeCore:
    """Without a code, so that all entries are only decoded."""
    return JudgeCore(*judge_config(EntryParameters(), (), Evidence(model=model)))


def weigh(times_ms: Sequence[int], scores: Sequence[int], rows: Sequence[bytes], model: EvidenceModel) -> Weighed:
    core = start(model)
    for candidate in zip(times_ms, scores, rows, strict=True):
        core.push(*candidate)
    (weighed, _), *_ = core.finish()
    return weighed


def list_all_series(size: int) -> Iterator[tuple[tuple[int, ...], tuple[int, ...]]]:
    """Every choice of candidates with every way to divide it into digits."""
    for count in range(1, size + 1):
        for taps in itertools.combinations(range(size), count):
            for pauses in itertools.product((False, True), repeat=count - 1):
                digits = [1]
                for is_pause in pauses:
                    if is_pause:
                        digits.append(1)
                    else:
                        digits[-1] += 1
                yield taps, tuple(digits)


def find_level(power: float) -> int:
    """8 log2, linear between octaves (fixed.h)."""
    octave = math.floor(math.log2(power)) if power >= 1 else 0
    return min(math.floor(8 * (octave + power / 2.0**octave - 1)), 255) if power >= 1 else 0


def describe(weighed: Weighed, rows: Sequence[bytes], index: int) -> dict[str, int]:
    """A candidate among the others, by the definition in context.h."""
    times, scores = weighed.onset_ms, weighed.score
    kernel = [int(64 * math.exp(-(step + 0.5) / 3) + 0.5) for step in range(41)]
    others = [j for j in range(len(times)) if abs(times[j] - times[index]) > 80]
    weight = {j: min(max((scores[j] + 192) // 32, 0), 12) for j in others}
    unlike = {j: sum(min(abs(rows[j][k] - rows[index][k]), 40) for k in SHAPE) for j in others}
    nearest = sorted([unlike[j] for j in others if weight[j] >= 3] + [320] * 3)[:3]
    return {
        "score": min(max((scores[index] + 320) // 4, 0), 255),
        "highest": min(max((max([scores[j] for j in others], default=-320) + 320) // 4, 0), 255),
        "likely": find_level(sum(weight.values())),
        "likely_near": find_level(sum(weight[j] for j in others if abs(times[j] - times[index]) < 1024)),
        "interval": find_level((times[-1] - times[0] + 3000) // len(times)),
        "like_likely": find_level(sum(weight[j] * kernel[unlike[j] // 8] for j in others)),
        "like_unlikely": find_level(sum((12 - weight[j]) * kernel[unlike[j] // 8] for j in others)),
        "nearest": sum(nearest) // 4,
    }


def walk(node: object, row: dict[str, int]) -> int:
    while isinstance(node, tuple):
        node = node[2] if row[node[0]] <= node[1] else node[3]
    assert isinstance(node, int)
    return node


def add_up(weighed: Weighed, odds: Sequence[int], taps: Sequence[int], digits: Sequence[int], tempo: int) -> int | None:
    """The score of one series at one tempo, by the definition in evidence.h; None where it is not allowed."""
    config = weighed._config
    starts = set(itertools.accumulate(digits, initial=0))
    total = config.tempo[tempo] * 4
    for place, tap in enumerate(taps):
        gain = min(max(((odds[tap] * config.weight_q4 >> 4) + config.bias + 2) // 4, -127), 127)
        if gain < config.least_gain:
            return None
        total += 4 * gain
        if place == 0:
            continue
        gap = weighed.onset_ms[tap] - weighed.onset_ms[taps[place - 1]]
        if not config.least_gap_ms <= gap < config.silence_ms:
            return None
        if place in starts:
            timing = config.between[min(max(bin_of(gap) - config.first_bin, 0), 47)]
        else:
            timing = config.within[min(abs(bin_of(gap) - config.first_tempo - tempo * config.tempo_step), 31)]
        total += 4 * timing
    return int(total)


@pytest.mark.parametrize("seed", range(12))
def test_series_are_the_best_of_all_that_exhaustive_search_finds(seed: int) -> None:
    rng = np.random.default_rng(seed)
    size = int(rng.integers(3, 8))
    gaps = rng.choice([40, 150, 280, 310, 900, 1500, 1700, 2999, 3000], size)
    times = (1000 + np.cumsum(gaps)).tolist()
    scores = rng.integers(-150, 300, size).tolist()
    scores[0] = 200  # opens the entry
    rows = [bytes(rng.integers(90, 110, len(FEATURES)).tolist()) for _ in range(size)]
    context = TREES if seed % 3 else ()
    model = EvidenceModel(
        least=-4.0,
        likely=-3.9,
        other_length=0.5,
        context_base=20,
        context=context,
        weight=1.25,
        no_taps=2.0 * (seed % 4),
    )
    prior = 128 * (seed % 4)
    weighed = weigh(times, scores, rows, model)
    described = [describe(weighed, rows, index) for index in range(len(weighed.onset_ms))]
    assert [dict(zip(CONTEXT, row, strict=True)) for row in weighed.list_context().tolist()] == described
    odds = [20 + sum(walk(tree, row) for tree in TREES) for row in described] if context else list(weighed.score)
    assert list(weighed.list_odds()) == odds
    best: dict[tuple[int, ...], int] = {}
    for taps, digits in list_all_series(len(weighed.onset_ms)):
        for tempo in range(TEMPOS):
            score = add_up(weighed, odds, taps, digits, tempo)
            if score is not None:
                best[digits] = max(best.get(digits, -(2**15)), score)
    assert weighed.find_series()[1].score == max(*best.values(), prior)
    for code in [*best, (1, 1, 9)]:
        own, other = weighed.find_series(code)
        fair = {digits: score - 32 * (len(digits) != len(code)) for digits, score in best.items() if digits != code}
        assert own.score == best.get(code, UNREACHED)
        assert other.score == max([prior, *fair.values()])
        assert weighed.compute_ratio(code) == (own.score - other.score if own.score > prior else UNREACHED)
        for series in (own, other):  # the taps of a series give its score
            if series.taps:
                sums = [add_up(weighed, odds, series.taps, series.digits, tempo) for tempo in range(TEMPOS)]
                length = 32 * (len(series.digits) != len(code))
                assert series.score == max(score for score in sums if score is not None) - length


def tap_code(code: Sequence[int], *, start_ms: int = 1000, gap_ms: int = 300, pause_ms: int = 1600) -> list[int]:
    times, now = [], start_ms
    for digit in code:
        times += [now + gap_ms * tap for tap in range(digit)]
        now = times[-1] + pause_ms
    return times


def candidate(onset_ms: int, log_odds: float = 3.0, row: bytes = ALIKE) -> Candidate:
    return Candidate(onset_ms, onset_ms + 30, log_odds, row)


def run_machine(machine: EvidenceMachine, candidates: Sequence[Candidate]) -> list[EvidenceEntry]:
    entries = [entry for each in candidates for entry in machine.push(each)]
    return [*entries, *machine.finish()]


def test_a_doubtful_tap_does_not_spoil_a_code_that_its_rhythm_completes() -> None:
    times = tap_code((3, 1, 4))
    heard = [candidate(time, -0.5 if index == 1 else 3.0) for index, time in enumerate(times)]
    [entry] = run_machine(EvidenceMachine(code=(3, 1, 4)), heard)
    assert (entry.digits, entry.verdict.value) == ((3, 1, 4), "accepted")
    assert entry.taps_s == tuple(time / 1000 for time in times)
    assert entry.end_s == times[-1] / 1000 + 3.0


@pytest.mark.parametrize("days", [24.8, 24.9, 49.71, 49.7103, 60.0, 4000.0])
@pytest.mark.parametrize("idle_from_start", [True, False])
def test_a_machine_runs_for_any_number_of_days(days: float, idle_from_start: bool) -> None:
    """2**31 ms are 24.86 days and 2**32 ms, where the core's clock starts anew, 49.7103: it decides as on day one."""

    def enter(machine: EvidenceMachine, start_ms: int) -> list[EvidenceEntry]:
        heard = [*tap_code((3, 1, 4), start_ms=start_ms), *tap_code((3, 1, 5), start_ms=start_ms + 20_000)]
        return run_machine(machine, list(map(candidate, heard)))

    start_ms = int(days * 86_400_000) // 1000 * 1000
    machine = EvidenceMachine(code=(3, 1, 4))
    if idle_from_start:
        assert machine.advance(start_ms / 1000 - 1) == ()
    else:
        for day in range(int(days)):
            assert machine.advance(day * 86_400.0) == ()
    for late, early in zip(enter(machine, start_ms), enter(EvidenceMachine(code=(3, 1, 4)), 1000), strict=True):
        assert (late.digits, late.verdict, late.log_ratio) == (early.digits, early.verdict, early.log_ratio)
        moved = start_ms / 1000 - 1.0
        assert (late.start_s, late.end_s) == pytest.approx((early.start_s + moved, early.end_s + moved), abs=1e-6)
        assert late.taps_s == pytest.approx([tap_s + moved for tap_s in early.taps_s], abs=1e-6)


def test_an_entry_ends_before_a_gap_of_any_length() -> None:
    machine = EvidenceMachine(code=(3, 1, 4))
    for time in tap_code((3, 1, 4)):
        assert machine.push(candidate(time)) == ()
    [entry] = machine.advance(1e9)  # 31 years
    assert (entry.digits, entry.verdict.value, entry.start_s) == ((3, 1, 4), "accepted", 1.0)


def test_a_strong_candidate_is_not_passed_over_for_free() -> None:
    """The code 3-1-4 leaves one tap of 3-1-5 out: its ratio falls as that tap's log-odds rise, one nat for a nat."""

    def ratio(log_odds: float) -> float:
        heard = [candidate(time, log_odds if index == 8 else 3.0) for index, time in enumerate(tap_code((3, 1, 5)))]
        [entry] = run_machine(EvidenceMachine(evidence=Evidence(1.0, EvidenceModel(likely=-3.0))), heard)
        return entry.compute_log_ratio((3, 1, 4))

    assert ratio(2.0) - ratio(3.0) == pytest.approx(1.0, abs=1 / 64)
    assert ratio(3.0) < 0.0


def test_more_digits_than_the_code_cost_what_the_model_says_and_no_more() -> None:
    """A single doubtful candidate a pause after 3-1-4 would be a fourth digit: a code of three is then likelier."""
    times = [*tap_code((3, 1, 4)), tap_code((3, 1, 4))[-1] + 1600]
    heard = [candidate(time, 3.0 if time < times[-1] else 1.0) for time in times]

    def ratio(other_length: float) -> float:
        model = EvidenceModel(likely=-3.0, other_length=other_length)
        [entry] = run_machine(EvidenceMachine(evidence=Evidence(1.0, model)), heard)
        return entry.compute_log_ratio((3, 1, 4))

    assert ratio(0.0) == pytest.approx(-1.0, abs=0.1)
    assert ratio(0.75) - ratio(0.0) == pytest.approx(0.75, abs=1 / 64)


def test_a_code_less_likely_than_no_taps_is_not_accepted_however_low_the_threshold() -> None:
    model = EvidenceModel(likely=-3.0, bias=-20.0)
    heard = [candidate(time, 1.0) for time in tap_code((2, 1, 1))]
    assert run_machine(EvidenceMachine(code=(2, 1, 1), evidence=Evidence(-20.0, model)), heard) == []
    [entry] = run_machine(EvidenceMachine(code=(2, 1, 1), evidence=Evidence(-20.0, EvidenceModel(likely=-3.0))), heard)
    assert entry.verdict.value == "accepted"


def test_a_blow_among_its_likes_gains_and_an_odd_one_loses() -> None:
    """The shipped context model on nine candidates of equal log-odds, one of them unlike the others."""
    odd = bytes([60] * len(FEATURES))
    core = start(shipped_model())
    for index, time in enumerate(tap_code((4, 1, 4))):
        core.push(time, 64, odd if index == 4 else ALIKE)
    [(weighed, _)] = core.finish()
    odds = weighed.list_odds()
    assert max(odds[:4] + odds[5:]) > 64 > odds[4]


def test_waits_and_locking_are_those_of_the_rule() -> None:
    parameters = EntryParameters(free_failures=1, wait_s=5.0, failure_limit=4)
    evidence, rule = EvidenceMachine(parameters, code=(3, 1, 4)), EntryMachine(parameters, code=(3, 1, 4))
    starts = [1000 + 12_000 * number for number in range(12)]
    codes = [(3, 1, 3), (2, 1, 4), (3, 1, 4), (3, 1, 4), (3, 2, 4), (4, 1, 4), (2, 2), *[(2, 1, 4)] * 5]
    times = [time for start, code in zip(starts, codes, strict=True) for time in tap_code(code, start_ms=start)]
    judged = run_machine(evidence, [candidate(time) for time in times])
    ruled = [entry for time in times for entry in rule.push(time / 1000)] + list(rule.finish())
    assert [(e.verdict, e.start_s, e.end_s, e.failures, e.wait_s) for e in judged] == [
        (e.verdict, e.start_s, e.end_s, e.failures, e.wait_s) for e in ruled
    ]
    assert math.inf in [entry.wait_s for entry in judged]


def test_a_wake_up_row_is_no_part_of_the_entry() -> None:
    times = [1000, 1300, 1600, *tap_code((2, 2), start_ms=3500)]
    [entry] = run_machine(EvidenceMachine(EntryParameters(wake_taps=3), code=(2, 2)), [candidate(t) for t in times])
    assert (entry.digits, entry.verdict.value) == ((2, 2), "accepted")


def test_the_digit_pause_is_refused_only_where_it_changes_nothing() -> None:
    """With wake-up taps it says where their row ends; and a short silence (EntryParameters) allows no longer pause."""
    times = [1000, 1300, 1600, *tap_code((2, 2), start_ms=2300)]
    long, short = (EntryParameters(wake_taps=3, digit_pause_s=pause_s) for pause_s in (1.0, 0.4))
    assert run_machine(EvidenceMachine(long, code=(2, 2)), [candidate(t) for t in times]) != run_machine(
        EvidenceMachine(short, code=(2, 2)), [candidate(t) for t in times]
    )
    assert EvidenceMachine(EntryParameters(digit_pause_s=0.4, entry_silence_s=0.9)).failures == 0
    rule = EntryParameters(tolerance=2.0, digit_pause_s=0.8, wait_s=5.0)
    assert rule.for_evidence() == EntryParameters(wait_s=5.0)


@pytest.fixture(scope="module")
def recording() -> Recording:
    simulated = simulate_scene("heron", "rain", duration_s=24.0, seed=3, codes=["213", "121"], positions=["frame"])
    return simulated.recordings["frame"]


@pytest.mark.parametrize("size", [1, 7, 17, 509])
def test_a_stream_gives_the_entries_of_the_file(recording: Recording, size: int) -> None:
    whole = decode_recording(recording, decoder="evidence")
    machine = EvidenceMachine()
    listener = EntryListener(machine, Tap(), recording.fs, Converter.of(recording))
    samples = recording.samples if size > 1 else recording.samples[:80_000]
    if size == 1:
        short = Recording(samples, recording.fs, range_v=recording.range_v, adc_bits=recording.adc_bits)
        whole = decode_recording(short, decoder="evidence")
    entries = [entry for at in range(0, samples.size, size) for entry in listener.push(samples[at : at + size])]
    entries += [*listener.flush(), *machine.finish()]
    assert tuple(entries) == whole
    assert whole


def test_time_goes_on_behind_a_gap(recording: Recording) -> None:
    whole, at = decode_recording(recording, decoder="evidence"), round(11.0 * recording.fs)
    samples = np.concatenate([recording.samples[:at], recording.samples])  # the same entries again, 30 s later
    facts = {"range_v": recording.range_v, "adc_bits": recording.adc_bits}
    gap = Gap(at, 30.0 - at / recording.fs)
    again = decode_recording(Recording(samples, recording.fs, gaps=[gap], **facts), decoder="evidence")
    later = [entry for entry in again if entry.start_s >= 30.0]
    assert [entry.digits for entry in later] == [entry.digits for entry in whole]
    assert [entry.start_s - 30.0 for entry in later] == pytest.approx([entry.start_s for entry in whole], abs=0.002)


def test_listening_also_gives_the_taps_that_the_detector_finds(recording: Recording) -> None:
    holed = dataclasses.replace(recording, gaps=(Gap(round(11.0 * recording.fs), 0.5),), labels=None)
    _, taps = listen(EvidenceMachine(), Tap(), holed)
    expected = run_detector(Tap(), holed)
    assert len(taps) > 5
    assert taps.gaps == holed.gaps
    for name in ("onset_s", "decided_samples", "strength"):
        np.testing.assert_array_equal(getattr(taps, name), getattr(expected, name))


def test_the_memory_holds_the_likeliest_36_candidates() -> None:
    core = start(EvidenceModel())
    scores = 4 * (np.random.default_rng(1).permutation(60) - 30)
    for index, score in enumerate([*scores.tolist(), 200]):
        core.push(1000 + 120 * index, score, ALIKE)
    [(weighed, _)] = core.finish()
    assert KEPT == 36
    assert sorted(weighed.score) == [*range(4 * -5, 4 * 30, 4), 200]
    assert list(weighed.onset_ms) == sorted(weighed.onset_ms)


def split(times: Sequence[int], scores: Sequence[int], model: EvidenceModel) -> list[list[int]]:
    """Times of each entry's candidates, by the definition in evidence.h; the detector's log-odds are in 1/64 nat."""
    entries: list[list[int]] = []
    place = 0
    while (first := next((i for i in range(place, len(times)) if scores[i] >= 64 * model.likely), len(times))) < len(
        times
    ):
        last, highest = times[first], scores[first]
        for time, score in list(zip(times, scores, strict=True))[first:]:
            if score < 64 * model.likely:
                continue
            if time - last >= 3000:
                break
            highest = max(highest, score)
            last = time if highest - score <= 64 * model.open_span else last
        stop = next((i for i in range(first, len(times)) if times[i] >= last + 3000), len(times))
        entries.append([time for time in times[place:stop] if times[first] - time <= 1000 * model.lead_s])
        place = stop
    return entries


@pytest.mark.parametrize("seed", range(30))
def test_an_entry_ends_with_a_silence_of_likely_candidates_not_far_below_its_best(seed: int) -> None:
    rng = np.random.default_rng(seed)
    size = int(rng.integers(3, KEPT))
    times = (1000 + np.cumsum(rng.choice([150, 900, 1700, 2900, 3000, 3300], size))).tolist()
    scores = (4 * rng.integers(-60, 60, size)).tolist()
    model = EvidenceModel(likely=-1.0, open_span=float(rng.choice([0.0, 1.0, 2.5, 15.9])))
    core, found = start(model), []
    for time, score in zip(times, scores, strict=True):
        found += core.tick(max(time - 38, 0))
        core.push(time, score, ALIKE)
    found += core.finish()
    assert [list(weighed.onset_ms) for weighed, _ in found] == split(times, scores, model)


def test_a_code_in_rain_is_judged_3_s_after_its_last_tap() -> None:
    """A doubtful candidate each second: those of the rain are 3.5 nats below the taps."""
    code = tap_code((2, 1, 2), start_ms=6_100)
    heard = sorted(
        [candidate(time) for time in code] + [candidate(time, -0.5) for time in range(1000, 30_000, 1000)],
        key=lambda one: one.onset_ms,
    )
    ends = {}
    for span in (2.5, 15.9):
        model = dataclasses.replace(shipped_model(), open_span=span)
        judged = run_machine(EvidenceMachine(code=(2, 1, 2), evidence=Evidence(model=model)), heard)
        [ends[span]] = [entry.end_s for entry in judged if entry.verdict.value == "accepted"]
    assert ends[2.5] == code[-1] / 1000 + 3.0
    assert ends[15.9] == 29.0 + 3.0


def test_nothing_is_decided_of_an_entry_that_the_end_cuts(recording: Recording) -> None:
    cut = Recording(recording.samples[: int(recording.fs * 5)], recording.fs, range_v=recording.range_v)
    assert decode_recording(cut, decoder="evidence", until_end=True) == ()
    assert decode_recording(cut, decoder="evidence")


def test_the_runner_up_has_other_digits() -> None:
    [entry] = run_machine(EvidenceMachine(), [candidate(time) for time in tap_code((3, 2))])
    own, other = explain(entry, None)
    assert own.digits == (3, 2) == entry.digits
    assert other.digits != (3, 2)
    assert entry.log_ratio == (own.score - other.score) / 64


def test_a_listener_takes_what_push_takes_and_refuses_the_rest() -> None:
    listener = EntryListener(EvidenceMachine(), Tap(), 1000.0, Converter((0.0, 5.0), 10))
    for chunk in ([2.5] * 100, np.full((100, 1), 2.5), np.full(100, 512, dtype=np.uint16), []):
        assert listener.push(chunk) == ()
    for bad in (np.zeros((100, 2)), np.full(5, np.nan), np.full(5, 1024), "x"):
        with pytest.raises(ParameterError, match=r"chunk|finite"):
            listener.push(bad)
    listener.flush()
    with pytest.raises(ParameterError, match="flush was called"):
        listener.push([2.5])
    listener.start(10.0)
    assert listener.push([2.5]) == ()


def test_a_copy_of_an_entry_answers_as_the_entry_does() -> None:
    """As an entry that another process found; the context's trees and the tables go with it."""
    [entry] = run_machine(EvidenceMachine(code=(1, 2, 1)), [candidate(time) for time in tap_code((1, 2, 1))])
    for same in (pickle.loads(pickle.dumps(entry)), copy.deepcopy(entry)):  # noqa: S301
        assert same == entry
        assert entry.weighed is not None
        assert same.weighed.list_odds() == entry.weighed.list_odds()
        for code in ((1, 2, 1), (2, 1, 1), (4,)):
            assert same.compute_log_ratio(code) == entry.compute_log_ratio(code)
    assert dataclasses.asdict(entry)["digits"] == (1, 2, 1)


def test_no_candidate_makes_no_entry() -> None:
    assert run_machine(EvidenceMachine(), []) == []


def test_a_series_that_is_no_likelier_than_no_taps_is_no_entry_and_no_failure() -> None:
    """By Bayes' rule: the log-likelihood ratio of the series must exceed the prior log-odds of no taps."""
    times = tap_code((1, 2, 1))
    [entry] = run_machine(EvidenceMachine(code=(1, 2, 1)), [candidate(time) for time in times])
    assert entry.weighed is not None
    own, _ = entry.weighed.find_series((1, 2, 1))
    just_enough = own.score / 64 - entry.log_ratio
    for prior, verdicts in ((own.score / 64, []), (own.score / 64 - 1 / 64, ["void"]), (just_enough, ["accepted"])):
        evidence = Evidence(model=dataclasses.replace(shipped_model(), no_taps=prior))
        for code in ((1, 2, 1), None):
            machine = EvidenceMachine(code=code, evidence=evidence)
            found = run_machine(machine, [candidate(time) for time in times])
            assert [entry.verdict.value for entry in found] == (verdicts if code else ["unjudged"] * len(verdicts))
        other = EvidenceMachine(code=(5, 5, 5), evidence=evidence)
        assert len(run_machine(other, [candidate(time) for time in times])) == other.failures == len(verdicts)


@pytest.mark.parametrize("failures", range(8))
def test_wrong_entries_beyond_the_free_ones_raise_the_prior_of_no_taps(failures: int) -> None:
    """Prior odds times the likelihood ratio: the prior doubles, trebles and quadruples (judge.c)."""
    heard = [candidate(time, 1.5) for time in tap_code((1, 2, 1))]
    [alone] = run_machine(EvidenceMachine(code=(1, 2, 1)), heard)
    assert alone.weighed is not None
    own, _ = alone.weighed.find_series((1, 2, 1))
    prior = own.score / 64 / 2.5
    evidence = Evidence(threshold=0.1, model=dataclasses.replace(shipped_model(), no_taps=prior))
    machine = EvidenceMachine(EntryParameters(wait_s=0, wait_limit_s=0), code=(1, 2, 1), evidence=evidence)
    for number in range(failures):
        wrong = [candidate(time, 6.0) for time in tap_code((4, 4, 4), start_ms=1000 + 30_000 * number)]
        assert [entry.verdict.value for entry in run_machine(machine, wrong)] == ["wrong"]
    assert machine.failures == failures
    now = 1000 + 30_000 * failures
    found = run_machine(machine, [candidate(time, 1.5) for time in tap_code((1, 2, 1), start_ms=now)])
    assert [entry.verdict.value for entry in found] == (["accepted"] if 1 + max(failures - 3, 0) < 2.5 else [])
    assert machine.failures == (0 if found else failures)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: Candidate(100, 90, 1.0, ALIKE), "decided_ms 90"),
        (lambda: Candidate(100, 120, math.inf, ALIKE), "log_odds is inf"),
        (lambda: Candidate(100, 120, math.nan, ALIKE), "log_odds is nan"),
        (lambda: Candidate(100, 120, 1.0, b"12"), "row has 2 bytes"),
        (lambda: EvidenceMachine(code=(9,) * 8), f"at most {KEPT} taps"),
        (lambda: EvidenceMachine(code=(1,) * 17), "1 to 16 digits"),
        (lambda: Evidence(-21.0), "threshold is -21.0"),
        (lambda: EvidenceModel(context=(("loud", 3, 1, 2),)), "compares 'loud'"),
        (lambda: EvidenceModel(context=(("score", 300, 1, 2),)), "with 300"),
        (lambda: EvidenceModel(context=(200,)), "node of the context model is '200'"),
        (lambda: EvidenceModel(gap_spread=0.0), "gap_spread is 0.0"),
        (lambda: EvidenceModel(other_length=-1.0), "other_length is -1.0"),
        (lambda: decode_recording(Recording(np.zeros(800), 8000.0), "sta-lta", decoder="evidence"), "detector sta-lta"),
        (lambda: decode_recording(Recording(np.zeros(800), 8000.0), decoder="vote"), "decoder is 'vote'"),  # type: ignore[arg-type]
        (lambda: decode([1.0, 2.0], decoder="evidence"), "decoder is 'evidence'; onsets are decoded by the rule alone"),
        (lambda: EvidenceMachine(EntryParameters(tolerance=2.0)), "tolerance is 2.0; the decoder evidence"),
        (lambda: EvidenceMachine(EntryParameters(digit_pause_s=0.8)), "digit_pause_s is 0.8; the decoder evidence"),
    ],
)
def test_what_cannot_be_used_is_refused_by_name(make: object, words: str) -> None:
    with pytest.raises(ParameterError, match=words):
        make()  # type: ignore[operator]


def test_candidates_out_of_order_are_refused() -> None:
    machine = EvidenceMachine()
    machine.push(candidate(5000))
    with pytest.raises(ParameterError, match="onset_ms is 4000, before the 4992 ms"):
        machine.push(candidate(4000))


def test_the_core_needs_no_more_than_c99(tmp_path: Path) -> None:
    import shutil
    import subprocess

    compiler = shutil.which("gcc") or shutil.which("cc")
    if compiler is None:
        pytest.skip("no C compiler")
    core = Path(__file__).parents[2] / "tapsig" / "core"
    subprocess.run(
        [
            compiler,
            "-std=c99",
            "-Wall",
            "-Wextra",
            "-Wconversion",
            "-pedantic",
            "-Werror",
            "-c",
            *(str(core / name) for name in ("evidence.c", "context.c", "judge.c")),
        ],
        check=True,
        cwd=tmp_path,
    )


@pytest.mark.parametrize(
    ("options", "kind"),
    [
        ({}, EvidenceEntry),
        ({"code": "9-9-9-9"}, EvidenceEntry),
        ({"code": "9-9-9-9-9"}, Entry),
        ({"parameters": EntryParameters(digit_pause_s=0.9)}, Entry),
        ({"parameters": EntryParameters(wait_s=0.0)}, EvidenceEntry),
        ({"detector": "ring-following"}, Entry),
        ({"decoder": "rule"}, Entry),
    ],
    ids=str,
)
def test_evidence_decides_a_recording_unless_only_the_rule_can(options: dict[str, Any], kind: type) -> None:
    recording = load_recording(DEMO / "recordings" / "crane-quiet.wav", channel=0, full_scale_v=2.5)
    entries = decode(recording, **options)
    assert entries
    assert {type(entry) for entry in entries} == {kind}
    assert {type(entry) for entry in decode([1.0, 5.0])} == {Entry}
