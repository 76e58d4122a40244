"""The tap detector: its model as JSON and as bytes, its decisions, and taps that come first after silence."""

import itertools
import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapsig.converter import Converter
from tapsig.core.rate import HIGHEST_FS, LOWEST_FS
from tapsig.core.tap import TapCore
from tapsig.detections import Detections
from tapsig.detectors import run_detector
from tapsig.detectors.features import FEATURES, TABLE
from tapsig.detectors.innovation import Innovation
from tapsig.detectors.model import Model, to_probability, to_score
from tapsig.detectors.tap import Tap, shipped_model
from tapsig.errors import ParameterError
from tapsig.records import Label, Recording
from tapsig.scoring.matching import match_onsets
from tapsig.simulation import simulate_scene
from tapsig.testing import make_test_signal
from tapsig.units import FloatArray

RNG = np.random.default_rng(11)


def walk(node: object, row: dict[str, int]) -> int:
    """Evaluate a tree as the JSON has it, by the rule that the file states."""
    while isinstance(node, list):
        name, threshold, _, left, right = node
        node = left if row[name] <= threshold else right
    assert isinstance(node, int)
    return node


def knocks(
    times_s: list[float], fs: float, *, duration_s: float, peak_v: float = 0.3, noise_v: float = 1e-3
) -> FloatArray:
    """Decaying 240 Hz tones that begin with a contact of 2 ms, in white noise: no model of anything."""
    time = np.arange(int(duration_s * fs)) / fs
    samples = noise_v * np.random.default_rng(5).standard_normal(time.size)
    for onset in times_s:
        after = time - onset
        rise = np.sin(np.pi * np.clip(after / 0.002, 0.0, 1.0) / 2.0)
        samples += np.where(after >= 0, peak_v * rise * np.exp(-after / 0.03) * np.sin(2 * np.pi * 240.0 * after), 0.0)
    return samples


def test_every_feature_belongs_to_one_family_and_fits_a_byte() -> None:
    families = [family for family, _ in itertools.groupby(TABLE, lambda feature: feature.family)]
    assert len(set(families)) == len(families)
    assert len(set(FEATURES)) == len(FEATURES) == 29
    for feature in TABLE:
        assert feature.meaning
        assert feature.to_unit(np.array([0, 64, 254])).shape == (3,)


def test_a_difference_of_levels_is_shown_in_decibels() -> None:
    """Eight levels an octave of power: 64 + 8 stands for 10·lg 2 = 3.0103 dB."""
    rise = TABLE[FEATURES.index("innovation_rise")]
    np.testing.assert_allclose(rise.to_unit(np.array([64, 72])), [0.0, 3.0103], atol=1e-4)


def test_shipped_model_scores_as_its_json_reads() -> None:
    document = json.loads(json.dumps(shipped_model().to_json()))
    rows = RNG.integers(0, 256, (40, len(FEATURES))).astype(np.uint8)
    expected = [
        document["base"] + sum(walk(tree, dict(zip(FEATURES, row.tolist(), strict=True))) for tree in document["trees"])
        for row in rows
    ]
    assert shipped_model().score(rows).tolist() == expected


def test_shipped_model_fits_a_small_controller_and_names_what_it_learnt_from() -> None:
    assert len(shipped_model().pack()) <= 8192
    assert all(source.name and source.licence for source in shipped_model().sources)
    assert len(shipped_model().sources) >= 2


def test_the_core_scores_as_the_model_does() -> None:
    recording = simulate_scene("badger", "music", duration_s=8.0, seed=5, taps="practice").recordings["frame"]
    converter, model = Converter.of(recording), shipped_model()
    core = TapCore(
        recording.fs, converter.adc_bits, trees=model.pack(), base=model.base, least_score=0, least_level=0, dead_ms=0
    )
    judged = core.push(converter.to_counts(recording.samples))
    assert len(judged) > 20
    assert judged.score.tolist() == model.score(judged.rows).tolist()


def test_what_features_add_sums_to_the_score() -> None:
    """The values along a path add up to the leaf, so the parts add up to the score less the roots' values."""
    model = shipped_model()
    row = RNG.integers(0, 256, len(FEATURES)).astype(np.uint8)
    roots = sum(int(str(tree[2])) for tree in model.trees if isinstance(tree, list))
    total = model.score(row[None])[0] - model.base - roots
    assert model.explain(row.astype(np.int64)).sum() * 64 == pytest.approx(total, abs=1e-6)


NODES = ("x", None, 0.5, 128, [], ["busy", 1, 0, 1], ["busy", 256, 0, 1, 1], ["busy", 1.5, 0, 1, 1])
NO_MODELS: list[object] = [
    *(None, [], {}, {"base": 1}, {"base": 0, "trees": []}, {"base": "x", "trees": [1]}, {"base": 0.5, "trees": [1]}),
    {"base": 0, "trees": [1], "sources": "x"},
    {"base": 0, "trees": [1], "fitted_to": [1]},
    *({"base": 0, "trees": [node]} for node in (*NODES, ["nothing", 1, 0, 1, 1], ["busy", 1, "x", 1, 1])),
]


@pytest.mark.parametrize("document", NO_MODELS)
def test_anything_else_than_a_model_is_refused(document: object) -> None:
    with pytest.raises(ParameterError, match=r"model|node|leaf|threshold"):
        Model.from_json(document)


def test_a_tree_too_large_for_the_core_is_refused() -> None:
    node: object = 1
    for _ in range(60):
        node = ["busy", 1, 0, node, 1]
    with pytest.raises(ParameterError, match="255"):
        Model(0, (node,))  # type: ignore[arg-type]


@given(st.floats(1e-6, 1 - 1e-6))
def test_the_score_of_a_probability_is_the_least_that_reaches_it(probability: float) -> None:
    score = to_score(probability)
    assert to_probability(np.array([score]))[0] >= probability - 1e-9
    assert to_probability(np.array([score - 1]))[0] < probability


@pytest.mark.parametrize("position", ["inner-skin", "outer-skin", "frame", "latch-bracket"])
def test_taps_of_a_quiet_entry_are_found_within_25_ms(position: str) -> None:
    simulated = simulate_scene("badger", duration_s=14.0, seed=5, codes=["312"], tap_kind="knuckle")
    recording = simulated.recordings[position]
    found = run_detector(Tap(), recording).onset_samples / recording.fs
    matching = match_onsets(recording.taps_s, found, window_s=0.025)
    assert (len(matching.missed), len(matching.spurious)) == (0, 0)


@pytest.mark.parametrize("fs", [678.0, 1000.0, 2000.0, 8000.0, 44_100.0])
@pytest.mark.parametrize("bits", [8, 10, 16])
def test_the_first_tap_after_silence_is_found_as_any_other(fs: float, bits: int) -> None:
    """A cold start: a tap 0.2 s after the start, one alone after 5 s of silence, and a quick pair."""
    times = [0.2, 5.2, 5.5, 7.0]
    samples = knocks(times, fs, duration_s=9.0, noise_v=0.002)
    recording = Recording(samples, fs, labels=tuple(map(Label, times)), range_v=(-2.5, 2.5), adc_bits=bits)
    found = run_detector(Tap(), recording).onset_samples / fs
    matching = match_onsets(recording.taps_s, found, window_s=0.025)
    assert (len(matching.missed), len(matching.spurious)) == (0, 0)


@pytest.mark.parametrize("gain", [0.02, 1.0, 20.0])
def test_gain_changes_no_decision_while_the_converter_holds(gain: float) -> None:
    times = [0.5, 1.5, 1.8, 4.0]
    samples = knocks(times, 4000.0, duration_s=5.0, peak_v=0.08)
    found = Tap().build(4000.0, converter=Converter((-2.5, 2.5), 16)).push(gain * samples)
    assert len(found) == len(times)


def test_rejected_candidates_name_the_feature_that_spoke_against_them() -> None:
    recording = simulate_scene("badger", "rain", duration_s=8.0, seed=5, taps="none").recordings["outer-skin"]
    found = run_detector(Tap(), recording, keep_rejected=True)
    reasons = {reason.split(": ")[0] for reason in found.reason if reason not in ("below floor_v", "within dead time")}
    assert reasons <= {"", *(feature.family for feature in TABLE)}
    assert len(found) > len(found.accepted())


def test_the_reason_is_the_feature_whose_path_lost_most() -> None:
    """Worked by hand: `busy` goes from a mean of -25 to the leaf -30 (-5), `innovation_rise` from 0 to -20 (-20).

    The lowest leaf is that of `busy`, the greatest loss is the other's: -20/64 nat = -0.3125.
    """
    model = Model(0, (["busy", 100, -25, 5, -30], ["innovation_rise", 50, 0, -20, 3]))
    row = np.zeros(len(FEATURES), dtype=np.int64)
    row[FEATURES.index("busy")] = 200
    parts = dict(zip(FEATURES, model.explain(row).tolist(), strict=True))
    assert (parts["busy"], parts["innovation_rise"]) == (-5 / 64, -0.3125)
    assert model.reason(row) == "innovation: innovation_rise"


def test_probability_moves_the_operating_point_one_way() -> None:
    recording = simulate_scene("badger", "music", duration_s=10.0, seed=5, taps="practice").recordings["frame"]

    def run(probability: float) -> Detections:
        return run_detector(Tap(probability=probability, dead_time_s=0.0), recording)

    few, many = run(0.9), run(0.03)
    assert set(few.onset_samples) <= set(many.onset_samples)
    assert len(few) < len(many)


def test_a_floor_rejects_what_is_weaker() -> None:
    samples = knocks([1.0, 2.0], 4000.0, duration_s=3.0, peak_v=0.05)
    found = Tap(floor_v=0.5).build(4000.0, keep_rejected=True).push(samples)
    assert len(found.accepted()) == 0
    assert "below floor_v" in found.reason


def test_innovation_accepts_from_its_rise_on() -> None:
    samples = knocks([1.0, 2.0, 3.0], 4000.0, duration_s=4.0)
    assert len(Innovation(rise_db=12.0).build(4000.0).push(samples)) == 3
    found = Innovation(rise_db=60.0).build(4000.0, keep_rejected=True).push(samples)
    assert set(found.reason) <= {"rise below rise_db", "below floor_v"}
    assert (found.strength < 0).all()


@pytest.mark.parametrize("fs", [LOWEST_FS - 1.0, HIGHEST_FS + 1.0])
def test_a_rate_that_the_core_does_not_take_is_refused(fs: float) -> None:
    with pytest.raises(ParameterError, match="fs"):
        Tap().build(fs)


@pytest.mark.parametrize("fs", [LOWEST_FS, 678.4, 1000.0, 1500.0, 2500.0, 8000.0, 48_000.0, HIGHEST_FS])
def test_every_decision_comes_within_38_ms_and_a_sample(fs: float) -> None:
    samples = knocks([1.0, 2.0, 3.0], fs, duration_s=4.0)
    detector = Tap().build(fs, keep_rejected=True)
    assert detector.latency_s <= 0.038 + 1.0 / fs + 1e-9
    found = detector.push(samples)
    assert len(found) >= 3
    assert np.all(found.decided_samples - found.onset_samples <= detector.latency_s * fs)


@settings(max_examples=20)  # each is a whole recording, twice
@given(st.lists(st.integers(1, 3000), min_size=1, max_size=12), st.sampled_from([500.0, 1300.0, 2000.0, 22_050.0]))
def test_any_division_into_chunks_gives_the_same(sizes: list[int], fs: float) -> None:
    samples = knocks([0.3, 0.6, 0.9], fs, duration_s=1.2)
    whole = Tap().build(fs, keep_rejected=True)
    expected = Detections.concatenate([whole.push(samples), whole.flush()])
    parts, start, chunked = [], 0, Tap().build(fs, keep_rejected=True)
    for size in [*sizes, samples.size]:
        parts.append(chunked.push(samples[start : start + size]))
        start += size
    found = Detections.concatenate([*parts, chunked.flush()])
    assert found.onset_samples.tolist() == expected.onset_samples.tolist()
    assert found.strength.tolist() == expected.strength.tolist()


def test_a_chunk_that_is_refused_leaves_the_detector_as_it_was() -> None:
    """A million samples and more are handed to the core in parts: those before the undefined sample do not count."""
    samples = np.tile(make_test_signal(8000.0) - 2.5, 40)
    bad = samples.copy()
    bad[-1] = np.nan
    detector, other = Tap().build(8000.0), Tap().build(8000.0)
    start = detector.push(samples[:9000])
    with pytest.raises(ParameterError, match=rf"sample {9000 + bad.size - 1}"):
        detector.push(bad)
    parts = [start, detector.push(samples[9000:]), detector.flush()]
    whole = [other.push(samples), other.flush()]
    assert bad.size > 1 << 20
    assert len(whole[0]) > 100
    assert Detections.concatenate(parts).onset_samples.tolist() == Detections.concatenate(whole).onset_samples.tolist()
