"""Scoring recordings whose detections are told, so that every number can be counted by hand."""

import json
import math
import os
import signal
import subprocess
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from tapsig.cli import main
from tapsig.detectors import CATALOGUE
from tapsig.detectors.tap import Tap
from tapsig.errors import LabelError, ParameterError, RecordingError
from tapsig.loading import load_corpus
from tapsig.records import Gap, Label, Recording
from tapsig.scoring.cache import ResultCache, describe_variant
from tapsig.scoring.intervals import wilson_interval
from tapsig.scoring.outcomes import score, score_recording, summarise
from tapsig.simulation import POSITIONS
from tests.fakes import DEMO, UnitSamples

FS = 1000.0


def record(
    taps_s: list[float] | None,
    heard_s: list[float],
    *,
    seconds: float = 60.0,
    position: str = "frame",
    scene: str = "quiet",
    source: str = "",
    gaps: tuple[Gap, ...] = (),
) -> Recording:
    samples = np.zeros(int(seconds * FS))
    samples[np.round(np.array(heard_s, dtype=float) * FS).astype(int)] = 1.0
    labels = None if taps_s is None else tuple(Label(tap) for tap in taps_s)
    return Recording(samples, FS, labels, position=position, scene=scene, source=source, gaps=gaps)


def test_counts_rates_and_timing_are_those_counted_by_hand() -> None:
    recording = record([1.0, 2.0, 3.0, 4.0], [1.002, 2.004, 3.2, 50.0])
    row = score([UnitSamples()], [recording]).rows()[0]
    assert (row["taps"], row["tp"], row["fp"], row["fn"]) == (4, 2, 2, 2)
    assert (row["precision"], row["recall"], row["f1"]) == (0.5, 0.5, 0.5)
    assert row["false_alarms_per_hour"] == pytest.approx(120.0)
    assert row["median_error_ms"] == pytest.approx(3.0)


def test_one_detector_needs_no_list() -> None:
    recording = record([1.0, 2.0], [1.002, 3.2])
    assert score(UnitSamples(), [recording]).rows() == score([UnitSamples()], [recording]).rows()
    assert score("null", [recording]).rows()[0]["fn"] == 2


def test_there_is_a_row_for_every_position_and_scene_and_for_all_of_them() -> None:
    recordings = [record([1.0], [1.0]), record([1.0], [], position="skin", scene="rain")]
    rows = score([UnitSamples()], recordings).rows()
    assert [(row["position"], row["scene"], row["recall"]) for row in rows] == [
        ("all", "all", 0.5),
        ("all", "quiet", 1.0),
        ("all", "rain", 0.0),
        ("frame", "all", 1.0),
        ("frame", "quiet", 1.0),
        ("skin", "all", 0.0),
        ("skin", "rain", 0.0),
    ]


def test_a_first_tap_comes_over_a_second_after_the_one_before() -> None:
    # Gaps of 0.5, 1 and 1.125 s, exact in binary: the first tap of all and the last one are first taps.
    row = score([UnitSamples()], [record([1.0, 1.5, 2.5, 3.625], [1.5, 2.5, 3.625])]).rows()[0]
    assert (row["tp"], row["first_taps"], row["first_taps_found"]) == (3, 2, 1)


CODE_S = [5.0, 5.3, 7.0, 8.5]  # 2-1-1


@pytest.mark.parametrize(
    ("heard_s", "opened"),
    [
        (CODE_S, 1),
        (CODE_S[:-1], 0),  # a digit is lost
        ([*CODE_S, 9.0], 0),  # the last digit is 2
        ([tap + 0.04 for tap in CODE_S], 1),
        ([tap + 20 for tap in CODE_S], 0),  # the same digits, but at another time
        ([tap + 6.375 for tap in CODE_S], 1),  # the entry lasts until 11.5 s: 8.5 s and 3 s of silence
        ([tap + 6.5 for tap in CODE_S], 0),
        ([*CODE_S, 30.0], 1),  # a stray tap elsewhere does not close what opened
    ],
)
def test_an_entry_opens_when_an_overlapping_one_has_the_same_digits(heard_s: list[float], opened: int) -> None:
    result = score_recording("told", UnitSamples(), record(CODE_S, heard_s)).score
    assert (result.entries, result.entries_opened) == (1, opened)


def test_groups_of_fewer_than_three_digits_are_no_code_entry() -> None:
    assert score_recording("told", UnitSamples(), record([1.0, 1.3, 3.0], [])).score.entries == 0


def test_a_gap_moves_later_detections_and_is_no_time_listened() -> None:
    recording = record([1.0, 7.0], [1.0, 2.0], seconds=60, gaps=(Gap(1500, 5.0),))
    result = score_recording("told", UnitSamples(), recording).score
    assert (result.tp, result.fp, result.fn, result.duration_s) == (2, 0, 0, 60.0)


@pytest.mark.parametrize("name", ["position", "scene"])
def test_a_recording_called_all_is_refused(name: str) -> None:
    # Its taps would count twice in the rows of every position or scene.
    recording = Recording(np.zeros(8000), 8000.0, labels=(), source="a.wav", **{name: "all"})  # type: ignore[arg-type]
    with pytest.raises(RecordingError, match=f"a.wav: its {name} is 'all'"):
        score("null", [recording])


def test_a_recording_that_is_not_labelled_is_refused_and_one_without_taps_is_not() -> None:
    with pytest.raises(LabelError, match="needs labels"):
        score([UnitSamples()], [record(None, [1.0])])
    row = score([UnitSamples()], [record([], [1.0])]).rows()[0]
    assert row["fp"] == 1
    assert math.isnan(float(str(row["recall"])))


def test_no_outcomes_sum_up_to_nothing_and_undefined_rates() -> None:
    row = summarise([])
    assert (row["taps"], row["recordings"]) == (0, 0)
    rates = ("precision", "recall", "f1", "false_alarms_per_hour")
    assert all(math.isnan(float(str(row[f"{name}{edge}"]))) for name in rates for edge in ("", "_low", "_high"))


def test_entries_opened_on_evidence_are_counted_where_the_detector_gives_log_odds() -> None:
    corpus = load_corpus(DEMO).select(vehicle="crane", scene="whine", position="frame")
    table = score({"tap": CATALOGUE["tap"], "plain": CATALOGUE["sta-lta"]}, corpus)
    counts = {(row["detector"], row["entries_opened_evidence"]) for row in table if row["position"] == "all"}
    assert counts == {("tap", 1), ("plain", None)}
    f1 = {row["detector"]: row["f1"] for row in table if row["position"] == "all"}
    assert f"F1 {f1['tap']:.2f} tap, {f1['plain']:.2f} plain" in repr(table)


def test_channels_of_one_file_are_one_unit_and_recordings_without_a_file_one_each() -> None:
    # Two files of four channels: one hears all, the other nothing. Kish's effect of clusters of four alike is 4, times
    # 2/(2 - 1) for the divisor; Student's quantile with one degree of freedom is 12.7062, the normal one 1.95996.
    heard = [*([[1.0]] * 4), *([[]] * 4)]
    files = [record([1.0], times, source="ab"[n // 4], position=str(n)) for n, times in enumerate(heard)]
    row = score([UnitSamples()], files).rows()[0]
    worth = 8 / (4 * 2 * (12.7062 / 1.95996) ** 2)
    assert (row["recall_low"], row["recall_high"]) == pytest.approx(wilson_interval(worth / 2, worth), abs=1e-4)
    row = score([UnitSamples()], [record([1.0], times) for times in heard]).rows()[0]
    worth = 8 / (8 / 7 * (2.36462 / 1.95996) ** 2)  # eight units, seven degrees of freedom
    assert (row["recall_low"], row["recall_high"]) == pytest.approx(wilson_interval(worth / 2, worth), abs=1e-4)


def test_the_number_of_processes_does_not_change_any_number() -> None:
    corpus = load_corpus(DEMO).select(split="train", scene=("quiet", "music"))
    variants = {name: CATALOGUE[name] for name in ("prominence", "sta-lta")}
    one, two = (score(variants, corpus, jobs=jobs).rows() for jobs in (1, 2))
    assert json.dumps(one) == json.dumps(two)  # as text, since nan is not equal to itself


# ---- results kept on disk


def test_kept_results_are_used_and_equal_those_computed(tmp_path: Path) -> None:
    variant, cache = UnitSamples(), ResultCache(tmp_path / "kept")
    recordings = [record([1.0, 2.0], [1.0, 5.0]), record([1.0], [1.01])]
    variant.runs.clear()
    first = score([variant], recordings, cache=cache)
    assert len(variant.runs) == 2
    again = score([variant], recordings, cache=cache)
    assert len(variant.runs) == 2
    assert json.dumps(first.rows()) == json.dumps(again.rows())
    relabelled = score([variant], [replace(recording, labels=()) for recording in recordings], cache=cache)
    assert len(variant.runs) == 2  # labels are no reason to run a detector again
    assert relabelled.rows()[0]["fp"] == 3


def test_another_parameter_sample_or_rate_is_another_result(tmp_path: Path) -> None:
    cache, heard = ResultCache(tmp_path), record([1.0], [1.0])
    places = {
        cache.open(heard).locate(UnitSamples()),
        cache.open(heard).locate(UnitSamples(0.6)),
        cache.open(record([1.0], [1.001])).locate(UnitSamples()),
        cache.open(Recording(heard.samples, 2000.0)).locate(UnitSamples()),
        cache.open(Recording(heard.samples, FS, gaps=(Gap(5, 1.0),))).locate(UnitSamples()),
    }
    assert len(places) == 5
    assert cache.open(heard).locate(CATALOGUE["sta-lta"]) != cache.open(heard).locate(CATALOGUE["prominence"])


@pytest.mark.parametrize("damage", [b"", b"half", b"\xff\xfe"])
def test_a_damaged_result_is_computed_anew(tmp_path: Path, damage: bytes) -> None:
    variant, cache, recording = UnitSamples(), ResultCache(tmp_path), record([1.0], [1.0])
    score([variant], [recording], cache=cache)
    kept = cache.open(recording).locate(variant)
    whole = kept.read_bytes()
    kept.write_bytes(damage)
    assert score([variant], [recording], cache=cache).rows()[0]["tp"] == 1
    assert kept.read_bytes() == whole


def test_parameters_that_cannot_be_told_apart_are_refused() -> None:
    @dataclass(frozen=True)
    class Odd(UnitSamples):
        what: object = None

    with pytest.raises(ParameterError, match="cannot tell"):
        describe_variant(Odd(what=object()))
    assert len(set(map(describe_variant, CATALOGUE.values()))) == len(CATALOGUE)


def test_tap_runs_once_for_both_decoders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    built = []
    build = Tap.build
    monkeypatch.setattr(
        Tap, "build", lambda self, *args, **options: built.append(self) or build(self, *args, **options)
    )
    recording = load_corpus(DEMO).load(load_corpus(DEMO).entries[0])
    rows = [score(["tap"], [recording], cache=cache).rows() for cache in (None, ResultCache(tmp_path))]
    assert len(built) == 2
    assert rows[0] == rows[1]


def test_a_scoring_that_is_killed_goes_on_from_there_to_the_same_rows(tmp_path: Path) -> None:
    cache = tmp_path / "kept"
    words = f"-m tapsig score {DEMO} --split train --detector sta-lta --format json --cache {cache}"
    command = [sys.executable, *words.split()]
    victim = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    for _ in range(3000):
        if len(list(cache.rglob("*.json"))) >= 5 or victim.poll() is not None:
            break
        time.sleep(0.01)
    os.kill(victim.pid, signal.SIGKILL)
    victim.wait()
    kept = {path: path.stat().st_mtime_ns for path in cache.rglob("*.json")}
    assert len(kept) >= 5
    resumed = subprocess.run(command, capture_output=True, check=True, text=True)
    assert all(path.stat().st_mtime_ns == kept[path] for path in kept)  # none was computed again
    fresh = subprocess.run(command[:-2], capture_output=True, check=True, text=True)
    assert resumed.stdout == fresh.stdout


# ---- the command


def test_the_command_has_the_documented_rows(capsys: pytest.CaptureFixture[str]) -> None:
    call = ["score", str(DEMO), "--split", "train", "--detector", "fixed-threshold", "--detector", "null"]
    assert main([*call, "--format", "json"]) == 0
    document = json.loads(capsys.readouterr().out)
    rows = {(row["detector"], row["position"], row["scene"]): row for row in document["rows"]}
    rates = ("precision", "recall", "f1", "false_alarms_per_hour")
    needed = {f"{name}{edge}" for name in rates for edge in ("", "_low", "_high")}
    needed |= {"detector", "position", "scene", "taps", "tp", "fp", "fn"}
    needed |= {"entries", "entries_opened", "median_error_ms"}
    assert all(needed <= set(row) for row in document["rows"])
    total = rows["fixed-threshold", "all", "all"]
    assert total["taps"] == sum(rows["fixed-threshold", position, "all"]["taps"] for position in POSITIONS)
    assert rows["null", "all", "all"]["precision"] is None
    assert rows["null", "all", "all"]["recall"] == 0.0


def test_the_table_fits_120_columns_and_shows_what_is_undefined_as_a_dash(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["score", str(DEMO), "--split", "validation", "--detector", "null", "--detector", "sta-lta"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= 120
    assert "–" in next(line for line in lines if line.startswith("null"))


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["nowhere"], 1, "not a folder"),
        ([str(DEMO), "--jobs", "0"], 2, "jobs"),
        ([str(DEMO), "--window", "0"], 2, "window"),
        ([str(DEMO), "--vehicle", "gull"], 2, "badger, crane, heron, ibex, lynx, otter"),
        ([str(DEMO), "--detector", "fixed-treshold"], 2, "did you mean 'fixed-threshold'"),
    ],
)
def test_faults_are_told_and_have_their_code(
    words: list[str], code: int, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["score", *words]) == code
    assert said in capsys.readouterr().err


@pytest.mark.slow
def test_a_cluster_of_two_workers_gives_equal_results() -> None:
    distributed = pytest.importorskip("distributed")
    corpus = load_corpus(DEMO).select(split="train", scene=("quiet", "music"))
    variants = {"sta-lta": CATALOGUE["sta-lta"]}
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        there = score(variants, corpus, cluster=cluster.scheduler_address).rows()
    assert json.dumps(there) == json.dumps(score(variants, corpus).rows())
