"""The decoder `evidence` against exhaustive search, closed forms, the rule's machine, and itself on a stream."""

import itertools
import math
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pytest

from tapsig.converter import Converter
from tapsig.core.evidence import KEPT, NO_TAPS, TEMPOS, UNREACHED, EvidenceCore, EvidenceModel, Weighed, bin_of
from tapsig.detectors.features import FEATURES
from tapsig.detectors.tap import Tap
from tapsig.entry import EntryMachine, EntryParameters
from tapsig.entry.evidence import (
    Candidate,
    EntryListener,
    Evidence,
    EvidenceEntry,
    EvidenceMachine,
    decode_recording,
    explain,
)
from tapsig.errors import ParameterError
from tapsig.records import Recording
from tapsig.simulation import simulate_scene

SHAPE = (8, 9, 18, 22)  # the bytes that evidence.c compares
ALIKE = bytes([100] * len(FEATURES))


def weigh(times_ms: Sequence[int], scores: Sequence[int], rows: Sequence[bytes], model: EvidenceModel) -> Weighed:
    core = EvidenceCore(model, 3.0)
    for candidate in zip(times_ms, scores, rows, strict=True):
        core.push(*candidate)
    [weighed] = core.finish()
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


def add_up(
    weighed: Weighed, taps: Sequence[int], digits: Sequence[int], rows: Sequence[bytes], tempo: int
) -> int | None:
    """The score of one series at one tempo, by the definition in evidence.h; None where it is not allowed."""
    config, calm = weighed._config, weighed._state.calm
    starts = set(itertools.accumulate(digits, initial=0))
    total = config.tempo[tempo] * 4
    for place, tap in enumerate(taps):
        total += (min(weighed.score[tap], config.highest_score) * config.weight_q4 >> 4) + config.bias
        if place == 0:
            continue
        gap = weighed.onset_ms[tap] - weighed.onset_ms[taps[place - 1]]
        if not config.least_gap_ms <= gap < config.silence_ms:
            return None
        one, other = rows[tap], rows[taps[place - 1]]
        unlike = sum(min(abs(one[k] - other[k]), config.difference_cap) for k in SHAPE) >> 2
        if place in starts:
            timing = config.between[min(max(bin_of(gap) - config.first_bin, 0), 47)]
        else:
            timing = config.within[min(abs(bin_of(gap) - config.first_tempo - tempo * config.tempo_step), 31)]
        total += 4 * (timing + config.likeness[min(unlike, 31)]) + calm
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
    model = EvidenceModel(likeness=tuple(np.linspace(2.0, -2.0, 32)), least=-4.0, likely=-3.9)
    weighed = weigh(times, scores, rows, model)
    rows = rows[: len(weighed.onset_ms)]
    best: dict[tuple[int, ...], int] = {}
    for taps, digits in list_all_series(len(weighed.onset_ms)):
        for tempo in range(TEMPOS):
            score = add_up(weighed, taps, digits, rows, tempo)
            if score is not None:
                best[digits] = max(best.get(digits, -(2**15)), score)
    most = max(best.values())
    assert weighed.find_series()[1].score == max(most, 0)
    for code in [*best, (1, 1, 9)]:
        own, other = weighed.find_series(code)
        rest = max((score for digits, score in best.items() if digits != code), default=0)
        assert own.score == best.get(code, UNREACHED)
        assert other.score == max(rest, 0)
        for series in (own, other):  # the series that is told has the score that is told
            if series.taps:
                told = [add_up(weighed, series.taps, series.digits, rows, tempo) for tempo in range(TEMPOS)]
                assert series.score == max(score for score in told if score is not None)


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


def test_a_strong_candidate_is_not_passed_over_for_free() -> None:
    """The code 3-1-4 leaves one tap of 3-1-5 out: its ratio falls as that tap's log-odds rise, one nat for a nat."""

    def ratio(log_odds: float) -> float:
        heard = [candidate(time, log_odds if index == 8 else 3.0) for index, time in enumerate(tap_code((3, 1, 5)))]
        [entry] = run_machine(EvidenceMachine(evidence=Evidence(1.0, EvidenceModel(likely=-3.0))), heard)
        return entry.compute_log_ratio((3, 1, 4))

    assert ratio(2.0) - ratio(3.0) == pytest.approx(1.0, abs=1 / 64)
    assert ratio(3.0) < 0.0


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


def test_the_memory_holds_the_likeliest_64_candidates() -> None:
    core = EvidenceCore(EvidenceModel(), 3.0)
    scores = np.random.default_rng(1).permutation(100) - 30
    for index, score in enumerate([*scores.tolist(), 200]):
        core.push(1000 + 120 * index, score, ALIKE)
    [weighed] = core.finish()
    assert sorted(weighed.score) == [*range(7, 70), 200]
    assert list(weighed.onset_ms) == sorted(weighed.onset_ms)


def test_nothing_is_decided_of_an_entry_that_the_end_cuts(recording: Recording) -> None:
    cut = Recording(recording.samples[: int(recording.fs * 5)], recording.fs, range_v=recording.range_v)
    assert decode_recording(cut, decoder="evidence", until_end=True) == ()
    assert decode_recording(cut, decoder="evidence")


def test_the_runner_up_has_other_digits() -> None:
    [entry] = run_machine(EvidenceMachine(), [candidate(time) for time in tap_code((2, 1))])
    own, other = explain(entry, None)
    assert own.digits == (2, 1) == entry.digits
    assert other.digits != (2, 1)
    assert entry.log_ratio == (own.score - other.score) / 64


def test_no_candidate_makes_no_entry() -> None:
    assert run_machine(EvidenceMachine(), []) == []
    assert NO_TAPS.score == 0


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: Candidate(100, 90, 1.0, ALIKE), "decided_ms 90"),
        (lambda: Candidate(100, 120, math.inf, ALIKE), "log_odds is inf"),
        (lambda: Candidate(100, 120, math.nan, ALIKE), "log_odds is nan"),
        (lambda: Candidate(100, 120, 1.0, b"12"), "row has 2 bytes"),
        (lambda: EvidenceMachine(code=(9,) * 8), f"at most {KEPT} taps"),
        (lambda: EvidenceMachine(code=(1,) * 17), "1 to 16 digits"),
        (lambda: Evidence(0.0), "threshold is 0.0"),
        (lambda: EvidenceModel(gap_spread=0.0), "gap_spread is 0.0"),
        (lambda: EvidenceModel(likeness=(1.0,)), "likeness"),
        (lambda: decode_recording(Recording(np.zeros(800), 8000.0), "sta-lta", decoder="evidence"), "detector sta-lta"),
        (lambda: decode_recording(Recording(np.zeros(800), 8000.0), decoder="vote"), "decoder is 'vote'"),  # type: ignore[arg-type]
    ],
)
def test_what_cannot_be_used_is_refused_by_name(make: object, words: str) -> None:
    with pytest.raises(ParameterError, match=words):
        make()  # type: ignore[operator]


def test_candidates_out_of_order_are_refused() -> None:
    machine = EvidenceMachine()
    machine.push(candidate(5000))
    with pytest.raises(ParameterError, match="onset_ms is 4000, before the 4994 ms"):
        machine.push(candidate(4000))


def test_the_core_needs_no_more_than_c99(tmp_path: Path) -> None:
    import shutil
    import subprocess

    compiler = shutil.which("gcc") or shutil.which("cc")
    if compiler is None:
        pytest.skip("no C compiler")
    source = Path(__file__).parents[2] / "tapsig" / "core" / "evidence.c"
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
            str(source),
            "-o",
            str(tmp_path / "evidence.o"),
        ],
        check=True,
    )
