"""Every stage of the core against the oracle, number by number; the oracle's formulas against closed forms."""

import dataclasses
import itertools
import math
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from cffi import FFI
from hypothesis import given
from hypothesis import strategies as st

import oracle
from oracle import Timing
from tapsig.converter import Converter
from tapsig.core import LIBRARY, load
from tapsig.core.plain import FixedThresholdCore, RingFollowingCore
from tapsig.core.rate import Rate
from tapsig.core.tap import TapCore
from tapsig.detectors.features import FEATURES
from tapsig.detectors.fixed_threshold import FixedThreshold
from tapsig.detectors.model import Model
from tapsig.detectors.ring_following import RingFollowing
from tapsig.testing import make_test_signal

RATES_HZ = (334.0, 678.0, 1000.0, 1500.0, 2000.0, 2500.0, 8000.0, 22_050.0, 44_100.0)
_FFI, _LIBRARY = load()
_FIXED = FFI()
_FIXED.cdef("uint8_t tapsig_level(uint32_t power);")  # fixed.h holds inline functions, which cffi does not read
_LEVEL = _FIXED.dlopen(str(LIBRARY)).tapsig_level


def make_counts(what: str, fs: float, bits: int) -> list[int]:
    """Two seconds of counts (three of blows)."""
    size, top, rng = round(2 * fs), (1 << bits) - 1, np.random.default_rng(3)
    kind, _, period = what.partition(" ")
    if kind == "blows":
        return Converter((0.0, 5.0), bits).to_counts(make_test_signal(fs)[: round(3 * fs)]).tolist()  # type: ignore[no-any-return]
    if kind == "square":
        return (np.arange(size) // int(period) % 2 * top).tolist()  # type: ignore[no-any-return]
    if kind == "stuck":
        return [0 if period == "low" else top] * size
    if kind == "step":
        return [0] * (size // 2) + [top] * (size // 2)
    width = top // 2 if kind == "noise" else 2
    return rng.integers(top // 2 - width, top // 2 + width + 1, size).tolist()  # type: ignore[no-any-return]


def make_rate(fs: float, bits: int) -> Any:
    rate = _FFI.new("tapsig_rate *")
    Rate.of(fs, bits).fill(rate)
    return rate


def core_blocks(counts: list[int], rate: Any) -> Iterator[Any]:
    """The core's state after each block."""
    state = _FFI.new("tapsig_blocks *")
    _LIBRARY.tapsig_blocks_init(state)
    completed = _FFI.new("uint8_t *")
    remaining = np.asarray(counts, dtype=np.uint16)
    for size in itertools.cycle((1, 3, 50, 7)):  # however many are offered at a time
        if not remaining.size:
            return
        part = np.ascontiguousarray(remaining[:size])
        taken = _LIBRARY.tapsig_blocks_take(state, rate, _FFI.from_buffer("uint16_t[]", part), part.size, completed)
        remaining = remaining[taken:]
        for _ in range(completed[0]):
            _LIBRARY.tapsig_blocks_next(state, rate)
            yield state


CASES = [(fs, (8, 10, 12, 16)[i % 4]) for i, fs in enumerate(RATES_HZ)]
FEW = [CASES[i] for i in (1, 3, 6, 8)]  # every width; interpolated, whole and averaged samples


def at_rates(*what: str, few: tuple[str, ...]) -> Any:
    """`what` at every rate, the inputs that only arithmetic sees at a few."""
    cases = [(fs, bits, one) for fs, bits in CASES for one in what]
    return pytest.mark.parametrize(("fs", "bits", "what"), cases + [(*case, one) for case in FEW for one in few])


@at_rates(
    "blows", "noise", few=("faint noise", "square 2", "square 37", "square 400", "stuck low", "stuck high", "step")
)
def test_blocks_levels_and_backgrounds(fs: float, bits: int, what: str) -> None:
    counts, timing, rate = make_counts(what, fs, bits), Timing(fs, bits), make_rate(fs, bits)
    expected = oracle.blocks(counts, timing)
    channels = oracle.levels(expected, timing)
    usual = [oracle.backgrounds(channel) for channel in channels[:2]]
    state = _FFI.new("tapsig_levels *")
    _LIBRARY.tapsig_levels_init(state)
    number = 0
    for block in core_blocks(counts, rate):
        signal, steps, size = expected[number]
        assert (block.signal, block.step_power) == (signal, steps), number
        assert timing.interpolated or block.longer == (size > rate.short_fill)
        _LIBRARY.tapsig_levels_push(state, block, rate, 16)
        assert [state.level[c][number % 64] for c in range(3)] == [channel[number] for channel in channels], number
        for c in range(2):
            now = state.background[c]
            assert (now.quietest, now.mean_1s, now.mean_8s, now.fading) == (
                usual[c][number].quietest,
                usual[c][number].mean_1s,
                usual[c][number].mean_8s,
                usual[c][number].fading,
            )
            assert state.reference[c] == oracle.reference(channels[c], number)
        number += 1
    assert number == len(expected) == pytest.approx(len(counts) / fs * 1000.0, abs=1.0)


def run_predictor(signal: list[int], order: int = 16) -> list[int]:
    state = _FFI.new("tapsig_predictor *")
    _LIBRARY.tapsig_predictor_init(state)
    return [_LIBRARY.tapsig_predict(state, value, order) for value in signal]


@pytest.mark.parametrize("amplitude", [1, 40, 1000, 32_767])
@pytest.mark.parametrize("kind", ["noise", "alternating", "ringing", "squares"])
@pytest.mark.parametrize("order", [16, 8, 4])
def test_the_predictor(kind: str, amplitude: int, order: int) -> None:
    rng, times = np.random.default_rng(1), np.arange(2000)
    shape = {
        "noise": rng.uniform(-1, 1, 2000),
        "alternating": (-1.0) ** times,
        "squares": np.sign(np.sin(times / 9)),
        "ringing": np.exp(-(times % 400) / 100) * np.sin(times * 0.7),
    }[kind]
    signal = np.round(amplitude * shape).astype(int).tolist()
    assert run_predictor(signal, order) == oracle.prediction_errors(signal, order)


def test_what_rings_on_is_predicted_and_a_blow_is_not() -> None:
    """A sinusoid follows from two values before it (x_n = 2cos(w)·x_(n-1) - x_(n-2)): 20 dB and more remain of none."""
    times = np.arange(3000)
    signal = np.round(3000 * np.sin(0.7 * times)).astype(int)
    signal[2500:] += np.round(3000 * np.sin(1.9 * (times[2500:] - 2500))).astype(int)
    errors = np.array(run_predictor(signal.tolist()), dtype=float)
    before, after = np.std(errors[2000:2500]), np.abs(errors[2500:2510]).max()
    assert 20 * math.log10(np.std(signal[2000:2500]) / before) > 20
    assert 20 * math.log10(after / before) > 20


@given(st.integers(2, 2**32 - 1))
def test_a_level_is_an_eighth_of_an_octave_of_power(power: int) -> None:
    """log2(1 + m) - m is at most 0.0861 (at m = 1/ln 2 - 1): 0.69 steps; and up to one is rounded down."""
    found = _LEVEL(power)
    assert found == oracle.level(power)
    assert 0 <= 8 * math.log2(power) - found <= 1.69


@pytest.mark.parametrize("power", [0, 1])
def test_no_power_has_level_0(power: int) -> None:
    assert _LEVEL(power) == oracle.level(power) == 0


def make_model(rng: np.random.Generator, trees: int) -> Model:
    def grow(depth: int) -> Any:
        if depth == 0 or rng.random() < 0.2:
            return int(rng.integers(-128, 128))
        name = FEATURES[int(rng.integers(len(FEATURES)))]
        return [name, int(rng.integers(0, 256)), 0, grow(depth - 1), grow(depth - 1)]

    return Model(int(rng.integers(-500, 500)), tuple(grow(4) for _ in range(trees)))


def test_trees_add_up_in_any_parts() -> None:
    rng = np.random.default_rng(8)
    for number in (1, 2, 7, 60):
        model = make_model(rng, number)
        packed = model.pack()
        nodes = _FFI.from_buffer("uint8_t[]", packed)
        trees = _FFI.new("tapsig_trees *", {"nodes": nodes, "size": len(packed), "base": model.base})
        for _ in range(40):
            row = rng.integers(0, 256, len(FEATURES)).tolist()
            position, total, part = _FFI.new("uint16_t *"), 0, int(rng.integers(1, 20))
            while position[0] < len(packed):
                total += _LIBRARY.tapsig_trees_add(trees, row, position, part)
            assert total == sum(oracle.tree_value(tree, row, FEATURES) for tree in model.trees)


def cut_leaves(tree: Any, most: int) -> Any:
    """The tree with at most `most` leaves: what lies deeper becomes a leaf."""
    if not isinstance(tree, list):
        return tree
    return [*tree[:3], cut_leaves(tree[3], most - most // 2), cut_leaves(tree[4], most // 2)] if most > 1 else 7


def test_a_forest_adds_up_to_its_trees_or_is_refused() -> None:
    rng, forest = np.random.default_rng(9), _FFI.new("tapsig_forest *")

    def prepare(trees: list[Any]) -> bool:
        nodes = _FFI.from_buffer("uint8_t[]", packed := Model(0, tuple(trees)).pack())
        return bool(
            _LIBRARY.tapsig_forest_init(forest, _FFI.new("tapsig_trees *", {"nodes": nodes, "size": len(packed)}))
        )

    for number, leaves in ((1, 8), (7, 2), (60, 8), (80, 6)):
        trees = [cut_leaves(tree, leaves) for tree in make_model(rng, number).trees]
        assert prepare(trees)
        for _ in range(40):
            row = rng.integers(0, 256, len(FEATURES)).tolist()
            assert _LIBRARY.tapsig_forest_add(forest, row) == sum(
                oracle.tree_value(tree, row, FEATURES) for tree in trees
            )
    chain = 3
    for place in range(8):
        assert prepare([chain])
        chain = [FEATURES[place], 100, 0, 5, chain]
    assert not prepare([chain])  # nine leaves
    assert forest.trees == 0
    assert prepare([3] * 80)
    assert not prepare([3] * 81)


@at_rates("blows", "step", few=("noise", "faint noise", "square 400"))
def test_candidates_their_onsets_features_and_scores(fs: float, bits: int, what: str) -> None:
    counts, timing = make_counts(what, fs, bits), Timing(fs, bits)
    expected = oracle.candidates(oracle.levels(oracle.blocks(counts, timing), timing))
    model = make_model(np.random.default_rng(2), 20)
    core = TapCore(fs, bits, trees=model.pack(), base=model.base, least_score=0, least_level=0, dead_ms=0)
    judged = core.push(np.array(counts, dtype=np.uint16))
    assert len(judged) <= len(expected) <= len(judged) + 1  # the scores take six blocks more
    assert what not in ("blows", "step") or len(judged)
    for i, candidate in enumerate(expected[: len(judged)]):
        assert tuple(judged.rows[i].tolist()) == candidate.row, i
        total = model.base + sum(oracle.tree_value(tree, candidate.row, FEATURES) for tree in model.trees)
        assert judged.score[i] == total
        assert judged.verdict[i] == (0 if total >= 0 else 1)
        assert abs(judged.onset[i] - (candidate.onset + 0.5) * fs / 1000.0) <= fs / 1000.0 + timing.group + 1


@pytest.mark.parametrize("fs", [1000.0, 8000.0])
def test_what_is_weaker_than_the_floor_is_too_weak_and_nothing_else_is(fs: float) -> None:
    """By the oracle's highest level of the innovation, from 2 blocks before the trigger to 12 after it."""
    counts, timing = make_counts("blows", fs, 12), Timing(fs, 12)
    channels = oracle.levels(oracle.blocks(counts, timing), timing)
    highest = [oracle.describe(channels, one.trigger)[2][0] for one in oracle.candidates(channels)]
    floor = int(np.median(highest))
    everything = Model(0, (1,))
    core = TapCore(fs, 12, trees=everything.pack(), base=0, least_score=0, least_level=floor, dead_ms=0)
    verdicts = core.push(np.array(counts, dtype=np.uint16)).verdict.tolist()
    assert verdicts == [0 if level >= floor else 2 for level in highest[: len(verdicts)]]
    assert {0, 2} <= set(verdicts)


@pytest.mark.parametrize("dead_ms", [0, 5, 80])
def test_no_tap_follows_or_precedes_another_within_the_dead_time(dead_ms: int) -> None:
    """By the dead time's definition, on bursts so close that a later onset may be decided first."""
    rng = np.random.default_rng(5)
    volts = rng.normal(0.0, 1.0, 200_000)
    for start in np.cumsum(rng.integers(40, 400, 700)):
        for burst in start + np.cumsum(rng.integers(8, 40, 4)):
            size = min(60, max(volts.size - burst, 0))
            volts[burst : burst + size] += rng.normal(0.0, 50.0 * 10 ** rng.uniform(0, 1.3), size) * np.exp(
                -np.arange(size) / rng.uniform(3, 20)
            )
    counts = (2048 + volts).clip(0, 4095).astype(np.uint16)
    core = TapCore(2000.0, 12, trees=Model(0, (1,)).pack(), base=0, least_score=0, least_level=0, dead_ms=dead_ms)
    judged = core.push(counts)
    assert (np.diff(judged.block) < 0).any()  # the order does differ
    last = -1000
    for block, verdict in zip(judged.block.tolist(), judged.verdict.tolist(), strict=True):
        near = abs(block - last) < dead_ms
        assert verdict == (3 if near else 0)
        last = last if near else block


@pytest.mark.parametrize("bias_time_s", [0.02, 0.5])
@at_rates("blows", few=("noise", "step", "square 37", "stuck high"))
def test_a_fixed_threshold_against_a_bias_in_real_numbers(fs: float, bits: int, what: str, bias_time_s: float) -> None:
    """Every tap departs by more than the threshold, and nothing that does is passed over, but for the dead time.

    Within four 16-bit steps: one of the sample, and what rounding leaves in the bias.
    """
    counts = make_counts(what, fs, bits)
    variant = FixedThreshold(threshold_v=0.2, dead_time_s=0.05, bias_time_s=bias_time_s)
    core: FixedThresholdCore = variant.build(fs, converter=Converter((0.0, 5.0), bits)).core
    dead, threshold = core.config.dead_samples, core.config.threshold
    assert (dead, threshold) == (math.floor(0.05 * fs + 0.5), math.floor(0.2 / 5.0 * 65_536))
    found = core.push(np.array(counts, dtype=np.uint16), least_gap=dead).decided
    size = np.abs(oracle.departures(counts, fs, bits, bias_time_s=bias_time_s))
    assert (size[found] > threshold - 4).all()
    assert (np.diff(found) >= dead).all()
    deaf = np.zeros(size.size, dtype=bool)
    for tap in found.tolist():
        deaf[tap : tap + dead] = True
    assert size[~deaf].max(initial=0.0) <= threshold + 4


@at_rates("blows", few=("noise", "faint noise", "square 37", "step"))
def test_a_threshold_that_follows_the_ring_down(fs: float, bits: int, what: str) -> None:
    counts = make_counts(what, fs, bits)
    core: RingFollowingCore = RingFollowing().build(fs, converter=Converter((0.0, 5.0), bits)).core
    names = [field.name for field in dataclasses.fields(oracle.RingNumbers)]
    numbers = oracle.RingNumbers(**{name: getattr(core.config, name) for name in names})
    expected = oracle.ring_following(oracle.peak_levels(counts, fs, bits, high_pass_hz=60.0), numbers)
    taps = core.push(np.array(counts, dtype=np.uint16), least_gap=1)
    assert list(zip(taps.decided.tolist(), taps.onset.tolist(), strict=True)) == expected
    assert what != "blows" or len(expected) >= 4


def test_the_numbers_of_a_ring_following_threshold() -> None:
    """A level is 10·lg(2)/8 = 0.37629 dB, and 40 dB/s are 0.040 dB a block.

    0.02 V are 262.1 of 65536 steps of 5 V: 16·log2(262.1) = 128.5 levels.
    """
    variant = RingFollowing(hysteresis_db=3.0, decay_db_s=40.0)
    config = variant.build(8000.0, converter=Converter((0.0, 5.0), 16)).core.config
    assert config.hysteresis == pytest.approx(3.0 / 0.376287 * 65_536, abs=2)
    assert config.decay == pytest.approx(0.040 / 0.376287 * 65_536, abs=1)
    assert config.threshold == 128 * 65_536 - 1
    assert not config.learns
