"""Positions whose detections are told: who wins, who ties, and when it is too few to tell."""

import json
import math
import shutil
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import stats

from tapsig.cli import main
from tapsig.comparison.advice import advise, compare_detectors, describe_left_out
from tapsig.comparison.channels import measure_delays, summarise_levels
from tapsig.comparison.levels import measure_levels
from tapsig.comparison.positions import PositionStudy, Ranking, rank_positions
from tapsig.errors import ParameterError
from tapsig.records import Label, Recording
from tapsig.scoring.outcomes import Outcome, ScoreTable
from tapsig.scoring.tally import Score
from tests.fakes import DEMO, ring_down

FS = 8000.0


def outcome(source: str, position: str, tp: int, fp: int, fn: int, *, vehicle: str = "heron") -> Outcome:
    score = Score(tp, fp, fn, 60.0, 2, min(tp, 2))
    return Outcome("d", source, vehicle, position, "quiet", score, (), np.zeros(0), np.zeros(0, bool), np.zeros(0))


def counted(
    files: int, found: dict[str, tuple[int, int, int]], prefix: str = "", vehicle: str = "heron"
) -> list[Outcome]:
    """The same counts (tp, fp, fn) at each position in every one of `files` recordings made at all of them."""
    return [
        outcome(f"{prefix}{n}", position, *counts, vehicle=vehicle)
        for n in range(files)
        for position, counts in found.items()
    ]


def rank(outcomes: Iterable[Outcome], **more: str) -> Ranking:
    return rank_positions(ScoreTable(tuple(outcomes), 0.05), "d", **more)


def table(files: int, found: dict[str, tuple[int, int]], *, jitter: int = 1, apart: bool = False) -> list[Outcome]:
    """`files` recordings of ten taps; at each position so many (hits, false detections) on average."""
    rng = np.random.default_rng(1)
    outcomes = []
    for number in range(files):
        for position, (hits, false) in found.items():
            tp = int(np.clip(hits + rng.integers(-jitter, jitter + 1), 0, 10))
            source = f"{number} {position}" if apart else f"{number}"
            outcomes.append(outcome(source, position, tp, false, 10 - tp))
    return outcomes


def test_a_clear_winner_is_ranked_first_and_advised() -> None:
    ranking = rank(table(20, {"skin": (4, 3), "frame": (9, 0), "bracket": (6, 2)}))
    assert [ranked.position for ranked in ranking.positions] == ["frame", "bracket", "skin"]
    assert ranking.positions[0].probability_best == pytest.approx(1.0, abs=1e-3)
    assert all(pair.significant for pair in ranking.differences)
    assert advise(ranking).startswith("Put the sensor on the frame")


def test_values_and_differences_are_those_counted_by_hand() -> None:
    ranking = rank(counted(8, {"a": (8, 2, 2), "b": (5, 5, 5)}))
    assert [ranked.estimate.value for ranked in ranking.positions] == pytest.approx([0.8, 0.5])
    pair = ranking.differences[0]
    assert (pair.first, pair.second, pair.estimate.value) == ("a", "b", pytest.approx(0.3))
    assert pair.p == pytest.approx(2 / 2**8)  # only no swap at all, or all of them, is as extreme


def test_equal_positions_are_not_told_apart() -> None:
    ranking = rank(table(20, {"skin": (7, 1), "frame": (7, 1)}, jitter=2))
    assert not ranking.differences[0].significant
    assert "not significant" in advise(ranking)


def test_three_recordings_are_too_few_to_tell_however_large_the_difference() -> None:
    ranking = rank(table(3, {"skin": (0, 9), "frame": (10, 0)}, jitter=0))
    assert ranking.too_few
    assert advise(ranking).startswith("Too few recordings: 3 recordings made at every")
    assert "at least 3 more" in advise(ranking)  # six pairs are the fewest: 2/2^6 < 0.05 < 2/2^5
    pair = ranking.differences[0]
    assert pair.estimate.value == pytest.approx(1.0)
    assert np.isnan([ranking.positions[0].probability_best, pair.estimate.low, pair.estimate.high, pair.needed]).all()


def test_a_channel_without_a_position_is_not_advised() -> None:
    with pytest.raises(ParameterError, match="without a position; name it"):
        rank(counted(8, {"a": (8, 2, 2), "": (9, 0, 0)}))


def test_only_recordings_made_everywhere_at_once_are_ranked() -> None:
    shared = table(10, {"skin": (5, 1), "frame": (8, 1)})
    every = [*shared, *counted(30, {"skin": (10, 0, 0)}, "x")]
    ranking = rank(every)
    assert (ranking.paired, ranking.recordings, ranking.left_out) == (True, 10, 30)
    assert ranking.positions[0].position == "frame"
    assert describe_left_out(ranking).startswith("30 further recordings were not made at every position")
    assert describe_left_out(rank(shared)) == ""
    for row in PositionStudy((), (), ScoreTable(tuple(every), 0.05), (ranking,)).rows():  # all columns are of these
        assert row["recordings"] == row["recordings_compared"] == 10
        assert row["f1"] == row["value"]
        precision, recall = row["precision"], row["recall"]
        assert row["f1"] == pytest.approx(2 * precision * recall / (precision + recall))  # type: ignore[operator]


def test_recordings_that_share_nothing_are_compared_and_it_is_said() -> None:
    ranking = rank(table(12, {"skin": (3, 1), "frame": (9, 1)}, apart=True))
    assert not ranking.paired
    assert ranking.differences[0].significant
    assert ranking.positions[0].position == "frame"


def test_apart_the_fewest_recordings_are_those_of_the_test_by_labels() -> None:
    # Four positions, six pairs: 6·2/C(8, 4) = 0.17 can never come under 0.05, 6·2/C(10, 5) = 0.048 can.
    found = {"a": (10, 0), "b": (0, 0), "c": (0, 0), "d": (0, 0)}
    few = rank(table(4, found, jitter=0, apart=True))
    assert few.too_few
    assert "16 recordings in all. Between 4 positions, fewer than 5 of each" in advise(few)
    assert "at least 4 more" in advise(few)
    enough = rank(table(5, found, jitter=0, apart=True))
    assert enough.differences[0].p == pytest.approx(2 / 252)
    assert advise(enough).startswith("Put the sensor on the a")


def test_apart_the_recordings_to_make_are_counted_at_every_position() -> None:
    ranking = rank(table(8, {"a": (8, 0), "b": (8, 1)}, jitter=2, apart=True))
    needed = ranking.differences[0].needed  # of each position
    assert 8 < needed < 400
    assert f"About {2 * math.ceil(needed) - 16} more recordings would show the difference from the b" in advise(ranking)


def test_the_recordings_to_make_are_enough_for_every_rival_that_is_named() -> None:
    found = {"a": (8, 1), "b": (7, 1), "c": (7, 2)}
    ranking = rank(table(9, found, jitter=2))
    best, *others = (ranked.position for ranked in ranking.positions)
    needs = {other: ranking.find_difference(best, other).needed for other in others}
    assert not any(ranking.find_difference(best, other).significant for other in others)
    assert len({math.ceil(need) for need in needs.values()}) == 2  # so it matters which is taken
    assert max(needs.values()) < 400
    more = math.ceil(max(needs.values())) - 9
    assert f"About {more} more recordings would show the difference from the {' and '.join(needs)}" in advise(ranking)


@pytest.mark.parametrize(
    ("others", "says"),
    [
        # F1 by hand: 2·tp/(tp + 10) without false detections. Found at frame and skin on the ibex; crane: 9, 2.
        ((9, 8), "on these 2 vehicles its F1 of 0.95 is better than at every other position."),
        ((9, 8), "It ranks first on each vehicle, with the smallest lead on the ibex (frame 0.95, skin 0.89)."),
        (
            (8, 9),
            "The vehicles disagree: on 1 of 2 another position ranks first, most clearly on the ibex (frame 0.89, "
            "skin 0.95).",
        ),
        (None, "Put the sensor on the frame: on the crane its F1 of 0.95"),
    ],
)
def test_the_advice_names_its_vehicles_and_whether_they_agree(others: tuple[int, int] | None, says: str) -> None:
    outcomes = counted(16, {"frame": (9, 0, 1), "skin": (2, 0, 8)}, "crane ", "crane")
    if others is not None:
        found = {place: (tp, 0, 10 - tp) for place, tp in zip(("frame", "skin"), others, strict=True)}
        outcomes += counted(6, found, "ibex ", "ibex")
    assert says in advise(rank(outcomes))


def test_recordings_without_taps_and_detections_do_not_count() -> None:
    # Three files differ, and seven hold nothing that F1 counts: two-sided, swaps of three reach 2/2^3 at least.
    outcomes = counted(3, {"frame": (5, 0, 0), "skin": (1, 0, 4)})
    ranking = rank([*outcomes, *counted(7, dict.fromkeys(("frame", "skin"), (0, 0, 0)), "silent ")])
    assert (ranking.recordings, ranking.undefined, ranking.differences[0].p) == (3, 7, 2 / 2**3)
    assert ranking.too_few
    assert math.isnan(ranking.positions[0].probability_best)
    assert advise(ranking).startswith("Too few recordings: 3 recordings made at every position at once in which F1 is")
    assert "at least 3 more" in advise(ranking)
    assert describe_left_out(ranking).startswith("Not counted: 7 more recordings in which F1 is undefined")
    # They count for false alarms an hour.
    assert sum(one.score.duration_s for one in ranking.outcomes["frame"]) == 600.0


def test_equal_positions_share_the_first_place() -> None:
    text = advise(rank(counted(10, {"bracket": (5, 1, 1), "frame": (5, 1, 1), "skin": (1, 1, 5)})))
    assert text.startswith("The bracket and frame rank equally first")
    assert "better than the skin" in text


def test_a_position_without_detections_has_no_precision_to_compare() -> None:
    ranking = rank(counted(10, {"frame": (5, 1, 0), "skin": (0, 0, 5)}), criterion="precision")
    assert advise(ranking) == "No comparison: precision is undefined at every position but the frame."


def test_a_position_where_nothing_is_defined_is_ranked_last_and_not_compared() -> None:
    outcomes = [*counted(8, {"frame": (9, 0, 1)}, "f"), *counted(8, {"skin": (2, 0, 8)}, "s")]
    ranking = rank([*outcomes, *counted(1, {"roof": (0, 0, 0)}, "r")])  # made apart; F1 is 0/0 on the roof
    assert [(one.position, one.recordings) for one in ranking.positions] == [("frame", 8), ("skin", 8), ("roof", 0)]
    assert math.isnan(ranking.find_difference("frame", "roof").p)
    assert "better than at every other position where it is defined" in advise(ranking)


def test_a_single_recording_has_no_interval_of_its_difference() -> None:
    # The spread between recordings cannot be estimated from one; the exact test by labels stays: 1/C(51, 1).
    pair = rank([outcome("x", "frame", 5, 0, 0), *counted(50, {"skin": (1, 0, 4)})]).differences[0]
    assert pair.p == pytest.approx(1 / 51)
    assert np.isnan([pair.estimate.low, pair.estimate.high]).all()


def test_fewer_false_alarms_are_better_under_that_criterion() -> None:
    ranking = rank(table(10, {"skin": (9, 8), "frame": (5, 1)}), criterion="false-alarms")
    assert ranking.positions[0].position == "frame"
    assert ranking.positions[0].estimate.value == pytest.approx(60.0)  # one in a minute
    assert ranking.positions[0].probability_best == 1.0


def test_entries_opened_on_evidence_rank_positions_where_they_are_known() -> None:
    opened = {"skin": 1, "frame": 2}  # of two entries in each file; by the rule as many everywhere
    plain = table(10, {"skin": (9, 0), "frame": (9, 0)})
    known = [replace(one, opened_on_evidence=opened[one.position]) for one in plain]
    ranking = rank(known, criterion="entries-on-evidence")
    assert [(one.position, one.estimate.value) for one in ranking.positions] == [("frame", 1.0), ("skin", 0.5)]
    with pytest.raises(ParameterError, match=r"entries-on-evidence needs the log-odds .* the detector d does"):
        rank(plain, criterion="entries-on-evidence")


def test_one_position_is_refused() -> None:
    with pytest.raises(ParameterError, match="at least two"):
        rank(table(5, {"skin": (5, 1)}))


def test_it_is_said_when_a_detector_makes_the_position_matter_less() -> None:
    plain, better = (rank(table(10, {"a": (9, 0), "b": other})) for other in ((2, 5), (9, 1)))
    assert "matters much less" in compare_detectors((plain, better))
    assert compare_detectors((plain,)) == ""
    few = rank(table(2, {"a": (9, 0), "b": (2, 5)}))
    assert "matters" not in compare_detectors((few, better))


def test_positions_that_are_all_equal_are_not_said_to_differ() -> None:
    uneven, even = (rank(table(10, {"a": (9, 0), "b": other}, jitter=0)) for other in ((2, 5), (9, 0)))
    assert "with d not at all (" in compare_detectors((uneven, even))
    assert "differs" not in compare_detectors((even, even))


# ---- what a position hears


def ringing(onsets_s: list[float], *, amplitude: float, t60_s: float, noise_v: float = 1e-3) -> Recording:
    t = np.arange(int(12 * FS)) / FS
    volts = noise_v * np.random.default_rng(3).standard_normal(t.size)
    for onset in onsets_s:
        volts += amplitude * ring_down(t, onset, 400.0, t60_s, wave=np.sin)
    return Recording(volts, FS, tuple(Label(onset) for onset in onsets_s), position="frame")


def test_levels_are_those_that_were_put_in() -> None:
    levels = measure_levels(ringing([2.0, 5.0, 8.0], amplitude=0.5, t60_s=0.4))
    # The first crest of 0.5·exp(-6.9078·t/0.4)·sin(2π·400·t), at about 0.625 ms: 20·lg(0.5·e^-0.0108) = -6.1 dB.
    assert levels.tap_db == pytest.approx(-6.1, abs=0.2)
    assert levels.noise_db == pytest.approx(-60.0, abs=0.3)  # 1 mV rms; the 20 Hz high-pass takes 0.02 dB
    assert levels.over_noise_db == pytest.approx(53.9, abs=0.5)
    assert levels.spread_db < 0.1
    assert levels.ringdown_s == pytest.approx(0.4, rel=0.03)
    # Crests of 30 ms of Gaussian noise (240 samples): the 95 % point of their maximum is 3.7 σ (Φ^480 = 0.95).
    assert levels.nuisance_db == pytest.approx(-60 + 20 * np.log10(3.70), abs=0.5)


@pytest.mark.parametrize(("recordings", "spread"), [(1, 1.0), (2, 1.0), (3, 1.0), (6, 1.0), (3, 100.0)])
def test_levels_of_few_recordings_have_students_interval_or_none(recordings: int, spread: float) -> None:
    # scipy.stats.t.interval of the mean; a decay time and an area are not negative.
    rng, base = np.random.default_rng(recordings), measure_levels(ringing([2.0, 5.0], amplitude=0.5, t60_s=0.4))
    values = spread * rng.normal(1.0, 0.3, (recordings, 2))
    levels = [replace(base, noise_db=base.tap_db - over, t60_s=np.array([t60])) for over, t60 in values]
    [line] = summarise_levels(levels, ["frame"])
    for one, of_one, least in ((line.over_noise_db, values[:, 0], -np.inf), (line.ringdown_s, values[:, 1], 0.0)):
        assert one.value == pytest.approx(of_one.mean())
        if recordings < 3:
            assert np.isnan([one.low, one.high]).all()
        else:
            low, high = stats.t.interval(0.95, recordings - 1, of_one.mean(), stats.sem(of_one))
            assert (one.low, one.high) == pytest.approx((max(low, least), high))


def test_noise_is_not_less_than_the_rounding_of_the_converter() -> None:
    silent = Recording(np.zeros(80_000), FS, (Label(2.0),), range_v=(0.0, 5.0), adc_bits=10)
    # LSB/√12 = 4.883 mV/3.464 = 1.4096 mV.
    assert measure_levels(silent).noise_db == pytest.approx(20 * np.log10(1.4096e-3), abs=1e-3)


@pytest.mark.parametrize(("t60_s", "every_s"), [(0.3, 2.0), (1.5, 2.0), (3.0, 2.0), (3.0, 4.0)])
def test_taps_that_still_ring_are_neither_noise_nor_nuisance(t60_s: float, every_s: float) -> None:
    # White noise of 1 mV rms: -60 dB re 1 V. The largest of n values is under x with the chance erf(x/√2)^n.
    time_s = np.arange(int(40 * FS)) / FS
    noise = 1e-3 * np.random.default_rng(1).standard_normal(time_s.size)
    taps_s = np.arange(5.0, 33.0, every_s)
    taps = sum(0.5 * ring_down(time_s, float(at), 120.0, t60_s) for at in taps_s)
    levels = measure_levels(Recording(noise + taps, FS, labels=tuple(Label(float(at)) for at in taps_s)))
    assert levels.noise_db == pytest.approx(-60.0, abs=0.3)
    peak = 1e-3 * float(stats.norm.ppf((1 + 0.95 ** (1 / (0.03 * FS))) / 2))
    assert levels.nuisance_db == pytest.approx(20 * np.log10(peak), abs=1.0)


def test_delay_between_channels_is_that_which_was_put_in() -> None:
    onsets = [2.0, 5.0, 8.0]
    near = ringing(onsets, amplitude=0.5, t60_s=0.05)
    late = ringing([onset + 0.9e-3 for onset in onsets], amplitude=0.4, t60_s=0.05)
    far = Recording(late.samples, FS, near.labels, position="skin")
    (delays,) = measure_delays([near, far])
    assert delays.delays_s == pytest.approx([0.9e-3] * 3, abs=5e-6)
    assert delays.correlations.min() > 0.95


# ---- the command


def make_corpus(folder: Path, *, files: int) -> Path:
    """A few two-channel files: a loud position and one that hears nothing."""
    folder.mkdir()
    rows = ["recording,channel,labels,vehicle,position,scene,split"]
    for number in range(files):
        loud = ringing([2.0, 5.0, 8.0], amplitude=0.5, t60_s=0.05)
        soundfile.write(folder / f"{number}.wav", np.column_stack([loud.samples, 1e-4 * loud.samples]), 8000, "FLOAT")
        (folder / f"{number}.csv").write_text("onset_s,kind\n2.0,tap\n5.0,tap\n8.0,tap\n")
        rows += [
            f"{number}.wav,{channel},{number}.csv,heron,{position},quiet,train"
            for channel, position in enumerate(("frame", "skin"))
        ]
    (folder / "corpus.csv").write_text("\n".join(rows) + "\n")
    return folder


def test_a_corpus_of_three_recordings_gets_too_few_to_tell(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    corpus = make_corpus(tmp_path / "corpus", files=3)
    assert main(["positions", str(corpus), "--detector", "fixed-threshold"]) == 0
    assert "Too few recordings" in capsys.readouterr().out


def test_seven_recordings_of_a_deaf_position_are_enough(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    corpus = make_corpus(tmp_path / "corpus", files=7)
    assert main(["positions", str(corpus), "--detector", "fixed-threshold", "--format", "json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["advice"]["fixed-threshold"].startswith("Put the sensor on the frame")
    assert [row["position"] for row in document["rows"]] == ["frame", "skin"]
    assert document["rows"][0]["f1"] == 1.0
    assert document["rows"][0]["tap_db"] - document["rows"][1]["tap_db"] == pytest.approx(80.0, abs=0.1)
    assert document["differences"][0]["difference"] == pytest.approx(1.0)


def test_on_the_demo_corpus_the_damped_position_wins_for_the_plain_threshold_and_the_gap_closes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # Common practice, no source: a plain threshold does badly on a thin resonant skin, well on a damped or stiff one.
    call = ["positions", str(DEMO), "--split", "test", "--vehicle", "ibex", "--format", "json"]
    assert main(call) == 0
    document = json.loads(capsys.readouterr().out)
    values = {(row["detector"], row["position"]): row["value"] for row in document["rows"]}
    positions = ("outer-skin", "frame", "latch-bracket", "inner-skin")
    ranges = {name: np.ptp([values[name, position] for position in positions]) for name in ("fixed-threshold", "tap")}
    assert values["fixed-threshold", "outer-skin"] > values["fixed-threshold", "inner-skin"]
    assert ranges["tap"] < ranges["fixed-threshold"]
    rows = {row["position"]: row for row in document["rows"]}
    assert document["vehicles"]["tap"] == {"ibex": {place: values["tap", place] for place in positions}}
    assert rows["outer-skin"]["ringdown_s"] < rows["inner-skin"]["ringdown_s"]
    assert rows["outer-skin"]["operating_area_db_ms"] > rows["inner-skin"]["operating_area_db_ms"]


def test_a_vehicle_that_is_not_there_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["positions", str(DEMO), "--vehicle", "herron"]) == 2
    assert "heron" in capsys.readouterr().err


def test_a_corpus_without_labels_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shutil.copy(DEMO / "recordings" / "heron-quiet.wav", tmp_path / "a.wav")
    (tmp_path / "corpus.csv").write_text("recording,position\na.wav,frame\n")
    assert main(["positions", str(tmp_path)]) == 1
    assert "no selected recording has labels" in capsys.readouterr().err
