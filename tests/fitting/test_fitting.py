"""Fitting: labels of candidates, groups, operating points, and honesty about too few data."""

import argparse
import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest

from tapsig.cli import fit as fit_command
from tapsig.cli import main
from tapsig.detect import detect, load_detector, write_detector
from tapsig.detect.fixed_threshold import FixedThreshold
from tapsig.detect.saved import find_fitted
from tapsig.detect.tap import Tap
from tapsig.errors import LabelError, ParameterError
from tapsig.features import FEATURES
from tapsig.records import Label, Recording
from tapsig.simulate import simulate_scene
from tapsig.study.boosting import Boosting
from tapsig.study.candidate_table import CandidateTable, collect_candidates, label_candidates, score_table
from tapsig.study.fitting import calibrate, choose_folds, choose_operation, fit_detector, fit_gate, operate


def table(onset_s: list[float], taps_s: list[float], duration_s: float = 3600.0) -> CandidateTable:
    """Candidates of one recording without features."""
    count = len(onset_s)
    onsets = np.array(onset_s)
    return CandidateTable(
        np.zeros((count, len(FEATURES))), (onsets * 1000).astype(np.int64), onsets,
        label_candidates(onsets, np.array(taps_s)), np.zeros(count, dtype=np.int64), np.array([duration_s]), ("one",),
        (np.array(taps_s),), np.ones(count))


@pytest.fixture(scope="module")
def recordings() -> list[Recording]:
    """Two train vehicles at two positions, 2 kHz, in quiet and in rain: over a hundred taps."""
    found = []
    for vehicle in ("heron", "otter"):
        for scene in ("quiet", "rain"):
            simulated = simulate_scene(vehicle, scene, duration_s=14.0, fs=2000.0, seed=4, taps="practice",
                                       positions=("inner-skin", "frame"))
            found += simulated.recordings.values()
    return found


def test_a_gate_whose_first_sum_finds_all_others_hopeless_can_be_fitted() -> None:
    count = 800
    taps_s = np.arange(count // 2) * 1.0 + 0.2
    found = table(sorted([*taps_s, *(taps_s + 0.5)]), list(taps_s), 400.0)
    found.rows[:, 0] = np.where(found.tap == 1, 20.0, 0.0)
    crossed = fit_gate(found, first=Boosting(trees=200, rate=0.3), second=Boosting(trees=5), seed=0)
    assert (crossed.scores[found.tap == 0] < -5.0).all()
    assert (crossed.gate.probability(crossed.scores[found.tap == 1]) > 0.99).all()


def test_a_table_is_scored_as_the_running_detector_scores_it(recordings: list[Recording]) -> None:
    tap = Tap()
    for recording in recordings:
        found = collect_candidates([recording])
        scores = score_table(found, tap.gate)
        running = detect(tap, recording, keep_rejected=True)
        # What waits for its decision at the end is in the running detector alone.
        np.testing.assert_allclose(running.strength[: scores.size], tap.gate.probability(scores), rtol=1e-12)
        assert (scores < -5.0).any() == np.isnan(running.features["age"]).any()


def test_the_candidate_that_answers_a_tap_is_its_own_and_others_near_it_are_unclear() -> None:
    onsets = np.array([0.97, 0.985, 1.004, 1.03, 1.07, 1.2, 2.03])
    assert label_candidates(onsets, np.array([1.0, 2.0])).tolist() == [0, -1, 1, -1, -1, 0, -1]


def test_two_taps_close_together_each_get_a_candidate() -> None:
    assert label_candidates(np.array([1.001, 1.115]), np.array([1.0, 1.112])).tolist() == [1, 1]


def test_operating_point_counts_by_hand() -> None:
    """Taps at 1, 2, 3 s. Accepted at .5: 1.0 hit; 1.05 lost to the dead time; 2.5 false; 3.01 hit; 2.0 too unlikely."""
    candidates = table([1.0, 1.05, 2.0, 2.5, 3.01], [1.0, 2.0, 3.0])
    point = operate(candidates, np.array([0.9, 0.8, 0.2, 0.6, 0.7]), 0.5, 0.08)
    assert (point.tp, point.fp, point.fn) == (2, 1, 1)
    assert point.f1 == pytest.approx(2 / 3)
    assert point.false_alarms_per_hour == pytest.approx(1.0)


def test_operating_point_keeps_to_the_wanted_false_alarms() -> None:
    onsets = np.arange(200) + 0.5
    taps = onsets[::2]
    probability = np.where(np.arange(200) % 2 == 0, np.linspace(0.3, 0.99, 200), np.linspace(0.2, 0.8, 200))
    candidates = table(onsets.tolist(), taps.tolist())
    best = choose_operation(candidates, probability, dead_time_s=0.08, false_alarms_per_hour=None)
    few = choose_operation(candidates, probability, dead_time_s=0.08, false_alarms_per_hour=2.0)
    assert few.false_alarms_per_hour <= 2.0
    assert best.f1 > few.f1
    assert few.probability > best.probability


def test_calibration_finds_the_curve_that_made_the_labels() -> None:
    """Labels drawn with probability 1/(1 + exp(-(1.5 s - 0.7)))."""
    rng = np.random.default_rng(5)
    scores = rng.normal(0.0, 2.0, 40_000)
    taps = (rng.random(40_000) < 1.0 / (1.0 + np.exp(-(1.5 * scores - 0.7)))).astype(np.int64)
    slope, offset = calibrate(scores, taps, np.ones(40_000))
    assert (slope, offset) == (pytest.approx(1.5, abs=0.05), pytest.approx(-0.7, abs=0.05))


def test_a_vehicle_lies_in_one_fold_whole(recordings: list[Recording]) -> None:
    candidates = collect_candidates(recordings)
    fold = choose_folds(candidates, 4, np.random.default_rng(0))
    for group in (0, 1):
        assert len(set(fold[candidates.group == group])) == 1
    assert len(set(fold)) == 2


def test_another_speed_is_another_rate_with_the_times_of_the_recording(recordings: list[Recording]) -> None:
    """Played 1.25 times as fast, 8 kHz samples are 10 kHz samples of taps that come 1.25 times as fast."""
    recording = recordings[0]
    faster = collect_candidates([recording], speed=1.25)
    labels = tuple(Label(label.onset_s / 1.25, label.kind) for label in recording.labels or ())
    played = collect_candidates([dataclasses.replace(recording, fs=recording.fs * 1.25, labels=labels)])
    assert np.array_equal(faster.rows, played.rows)
    assert np.array_equal(faster.tap, played.tap)
    assert faster.onset_s == pytest.approx(1.25 * played.onset_s)
    assert faster.durations_s == pytest.approx([recording.duration_s])


def test_fitting_gives_a_detector_that_is_no_worse_and_tells_what_stands_against_it(
    recordings: list[Recording],
) -> None:
    fitted = fit_detector(recordings)
    assert fitted.groups == 2
    assert fitted.taps == sum(recording.taps_s.size for recording in recordings)
    assert fitted.expected.f1 >= fitted.before.f1 - 0.02
    assert any("taps" in note for note in fitted.notes)
    again = fit_detector(recordings)
    assert again.variant == fitted.variant


def test_what_an_error_costs_moves_the_second_sum_alone(recordings: list[Recording]) -> None:
    """Where candidates without a tap cost twenty times as much, they are believed less, and the first sum stays."""
    candidates = collect_candidates(recordings)
    costs = np.where((candidates.tap == 0) & (candidates.recording >= 4), 20.0, 1.0)
    small = Boosting(trees=15, leaves=4, least_leaf=5)
    plain, dear = (fit_gate(candidates, first=small, second=small, last_weights=weights) for weights in (None, costs))
    np.testing.assert_array_equal(plain.gate.first.threshold, dear.gate.first.threshold)
    np.testing.assert_array_equal(plain.gate.first.value, dear.gate.first.value)
    dearer = costs > 1
    before, after = (crossed.gate.probability(crossed.scores)[dearer].mean() for crossed in (plain, dear))
    assert after < 0.75 * before


def test_a_wanted_rate_that_short_recordings_cannot_show_is_said(recordings: list[Recording]) -> None:
    fitted = fit_detector(recordings[:4], false_alarms_per_hour=1.0, group_by="vehicle")
    text = " ".join(fitted.notes)
    assert "rule of three" in text
    assert "one group only" in text


def test_too_few_taps_are_refused(recordings: list[Recording]) -> None:
    few = [dataclasses.replace(recordings[0], labels=recordings[0].labels[:3])]
    with pytest.raises(ParameterError, match="20 are needed"):
        fit_detector(few)


def test_a_new_gate_alone_needs_taps_for_it(recordings: list[Recording]) -> None:
    with pytest.raises(ParameterError, match="a new gate needs 400"):
        fit_detector(recordings, refine=False)


def test_a_new_gate_alone_is_made_without_the_shipped_one(recordings: list[Recording],
                                                          monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tapsig.study.fitting.FEW_TAPS", 50)
    assert fit_detector(recordings, refine=False).way == "new"


def test_unlabelled_recordings_are_refused() -> None:
    with pytest.raises(LabelError, match="not labelled"):
        fit_detector([Recording(np.zeros(4000), 2000.0)])


def test_no_recordings_are_refused() -> None:
    with pytest.raises(ParameterError, match="no recordings"):
        fit_detector([])


def test_small_boosting_tells_a_plain_rule() -> None:
    rng = np.random.default_rng(0)
    rows = rng.normal(size=(300, 3))
    taps = (rows[:, 1] > 0).astype(np.int64)
    trees = Boosting(trees=10, leaves=3, rate=0.4, least_leaf=5).grow(rows, taps, np.ones(300))
    assert set(trees.feature[trees.roots].tolist()) == {1}


def write_corpus(folder: Path, recordings: list[Recording]) -> None:
    """A corpus of float WAV files."""
    from tapsig.load import write_labels, write_wav

    lines = ["recording,channel,labels,vehicle,position,scene,split,fs_hz,full_scale_v,adc_bits,duration_s,seed"]
    for number, recording in enumerate(recordings):
        write_wav(folder / f"{number}.wav", recording.samples, recording.fs, full_scale_v=2.5, bits=16)
        write_labels(folder / f"{number}.csv", recording.labels or (Label(0.0),))
        lines.append(f"{number}.wav,,{number}.csv,{recording.vehicle},{recording.position},{recording.scene},train,"
                     f"{recording.fs:g},2.5,16,{recording.duration_s:.3f},0")
    (folder / "corpus.csv").write_text("\n".join(lines) + "\n")


@pytest.fixture
def corpus(tmp_path: Path, recordings: list[Recording]) -> Path:
    names = {"heron": "van", "otter": ""}
    write_corpus(tmp_path, [dataclasses.replace(each, vehicle=names[each.vehicle]) for each in recordings])
    return tmp_path


def test_fit_command_writes_a_detector_that_loads(corpus: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = corpus / "mine.json"
    assert main(["fit", str(corpus), "--out", str(out), "--format", "json"]) == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed["rows"][0]["groups"] == 5  # a vehicle, and four files without one
    variant = load_detector(out)
    assert isinstance(variant, Tap)
    assert {"van", "4.wav", "7.wav"} <= set(variant.gate.fitted_to)
    assert main(["fit", str(corpus), "--out", str(out)]) == 2  # not replaced without --force


def test_scoring_what_a_detector_was_fitted_to_is_told(
    corpus: Path, recordings: list[Recording], capsys: pytest.CaptureFixture[str]
) -> None:
    mine = corpus / "mine.json"
    gate = dataclasses.replace(Tap().gate, fitted_to=("van", "7.wav", "elsewhere"))
    write_detector(dataclasses.replace(Tap(), gate=gate), mine)
    assert main(["score", str(corpus), "--detector", str(mine), "--detector", "tap"]) == 0
    said = [line for line in capsys.readouterr().err.splitlines() if "was fitted to" in line]
    assert len(said) == 1  # the shipped one has heard of none of these
    assert f"{mine} was fitted to recordings of 7.wav, van, which are among these" in said[0]
    assert find_fitted(Tap(), recordings) == ("heron", "otter")
    assert find_fitted(FixedThreshold(), recordings) == ()


def test_fit_command_needs_a_file_to_write() -> None:
    parser = argparse.ArgumentParser(exit_on_error=False)
    fit_command.add_arguments(parser)
    with pytest.raises((argparse.ArgumentError, SystemExit)):
        parser.parse_args(["corpus"])
