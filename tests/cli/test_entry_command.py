"""The entry command on tables of taps and on a recording."""

import importlib
import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import soundfile

import tapsig
from tapsig.cli import main
from tapsig.detectors.tap import Tap
from tapsig.loading import write_wav
from tests.fakes import DEMO, run

RIGHT = [1.0, 1.4, 1.8, 3.4, 5.0, 5.4, 5.8, 6.2]  # 3-1-4
WHINE = [str(DEMO / "recordings" / "crane-whine.wav"), "--full-scale-v", "2.5", "--channel", "2", "--code", "1-1-3"]


def table(folder: Path, taps_s: list[float], name: str = "taps.csv") -> str:
    path = folder / name
    path.write_text("onset_s,kind\n" + "".join(f"{tap:.4f},tap\n" for tap in taps_s), encoding="utf-8")
    return str(path)


def write_bursts(path: Path, taps_s: Sequence[float], span_s: int) -> str:
    fs = 8000
    samples = np.random.default_rng(0).normal(0, 1e-4, span_s * fs)
    burst = np.sin(2 * np.pi * 300 * np.arange(200) / fs) * np.exp(-np.arange(200) / 40)
    for tap in taps_s:
        samples[int(tap * fs) : int(tap * fs) + burst.size] += 0.5 * burst
    soundfile.write(path, samples, fs, subtype="FLOAT")
    return str(path)


def test_the_right_code_is_accepted_and_the_pulse_reported(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, "entry", table(tmp_path, RIGHT), "--code", "3-1-4", "--format", "json")
    document = json.loads(out)
    [entry] = document["entries"]
    assert code == 0
    assert (entry["digits"], entry["verdict"], entry["release_s"]) == ("3-1-4", "accepted", 0.25)
    assert entry["faults"] == []
    assert [row["taken_for"] for row in document["rows"]] == ["digit 1"] * 3 + ["digit 2"] + ["digit 3"] * 4
    assert "only way to reach a person" in err


def test_a_lost_tap_is_pointed_at(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lost = table(tmp_path, [tap for tap in RIGHT if tap != 5.4])
    _, out, _ = run(capsys, "entry", lost, "--code", "3-1-4")
    assert "digit 3: 3 taps, the code has 4" in out
    assert "between 5.000 and 5.800 s (0.800 s) there is room for one more tap" in out
    _, out, _ = run(capsys, "entry", lost, "--code", "3-1-4", "--labels", table(tmp_path, RIGHT, "labels.csv"))
    assert "missed tap at 5.400 s" in out


def test_without_a_code_nothing_is_judged(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "entry", table(tmp_path, [1.0, 5.0]), "--format", "json")
    assert [entry["verdict"] for entry in json.loads(out)["entries"]] == ["unjudged", "unjudged"]


def test_taps_in_a_wait_are_shown_as_ignored(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    taps = [1.0, 10.0, 20.0, 21.0]
    words = ["--code", "2", "--free-failures", "0", "--wait-s", "8", "--format", "csv"]
    _, out, _ = run(capsys, "entry", table(tmp_path, taps), *words)
    assert [line.split(",")[2] for line in out.splitlines()[1:]] == [
        "digit 1",
        "ignored (waiting)",
        "digit 1",
        "digit 1",
    ]


def test_it_says_how_to_judge_all_of_a_test_log(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    taps = [start + tap for start in np.arange(8) * 12.0 for tap in (1.0, 3.0)]  # 1-1, eight times
    log = table(tmp_path, taps)
    _, out, err = run(capsys, "entry", log, "--code", "2-2", "--format", "json")
    assert len(json.loads(out)["entries"]) < 8
    ignored = sum("ignored" in row["taken_for"] for row in json.loads(out)["rows"])
    assert f"{ignored} of 16 taps were ignored" in err
    _, out, err = run(
        capsys, "entry", log, "--code", "2-2", "--format", "json", *err.split("test log: ")[1].split()[:4]
    )
    assert [entry["verdict"] for entry in json.loads(out)["entries"]] == ["wrong"] * 8
    assert "ignored" not in err


def test_times_late_in_a_recording_are_shown_to_the_millisecond(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, out, _ = run(capsys, "entry", table(tmp_path, [19520.124, 19521.0, 19526.5]), "--code", "2")
    assert "19520.124" in out
    assert "19521.000" in out
    assert "19520.124  19524.000" in out  # the entry's start and end
    _, out, _ = run(capsys, "entry", table(tmp_path, [19520.0, 19520.4, 19520.8, 19521.6]), "--code", "5")
    assert "between 19520.800 and 19521.600 s" in out


def test_options_reach_the_machine(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "entry", table(tmp_path, RIGHT), "--digit-pause-s", "0.3", "--format", "json")
    assert json.loads(out)["entries"][0]["digits"] == "1-1-1-1-1-1-1-1"


def test_no_taps_give_a_note(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = run(capsys, "entry", table(tmp_path, []))
    assert code == 0
    assert "no entry" in err


def test_taps_in_a_recording_are_detected_first(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write_bursts(tmp_path / "taps.wav", RIGHT, 10)
    words = ["--detector", "fixed-threshold", "--code", "3-1-4", "--format", "json"]
    _, out, _ = run(capsys, "entry", path, *words)
    assert [entry["verdict"] for entry in json.loads(out)["entries"]] == ["accepted"]
    _, out, _ = run(capsys, "entry", path, *words, "--until-end")
    assert len(json.loads(out)["entries"]) == 1  # 3.8 s of silence follow the last tap
    table(tmp_path, [*RIGHT, 6.6], "taps.labels.csv")
    _, out, err = run(capsys, "entry", path, *words[:2], "--code", "3-1-5", "--from", "0.2")
    assert "9 labels taken from" in err
    assert "missed tap at 6.600 s" in out


@pytest.mark.parametrize(("decoder", "has_note"), [("rule", True), ("evidence", False)])
def test_the_rule_says_what_evidence_would_accept(
    decoder: str, has_note: bool, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    build, runs = Tap.build, []
    monkeypatch.setattr(Tap, "build", lambda *words, **options: runs.append(1) or build(*words, **options))
    assert main(["entry", *WHINE, "--decoder", decoder]) == 0
    out, err = capsys.readouterr()
    assert ("accepted" in out) is not has_note
    assert ("the rule accepts 0 of 1 entries; on evidence it would be 1: --decoder evidence" in err) is has_note
    assert len(runs) == 1


def test_what_the_rule_says_of_evidence_can_be_done(capsys: pytest.CaptureFixture[str]) -> None:
    _, _, err = run(capsys, "entry", *WHINE, "--digit-pause-s", "0.9")
    assert "on evidence it would be 1: --decoder evidence without --digit-pause-s, and --explain N" in err
    assert run(capsys, "entry", *WHINE, "--digit-pause-s", "0.9", "--decoder", "evidence")[0] == 2
    assert run(capsys, "entry", *WHINE, "--decoder", "evidence", "--explain", "1")[0] == 0


@pytest.mark.parametrize(
    ("words", "decoder", "reason"),
    [
        ([], "evidence", ""),
        (["--threshold", "1"], "evidence", ""),
        (["--digit-pause-s", "1"], "rule", "--digit-pause-s is not used on evidence"),
        (["--digit-pause-s", "1", "--wake-taps", "2"], "evidence", ""),
        (["--detector", "sta-lta"], "rule", "the detector sta-lta gives no log-odds"),
        (["--code", "9-9-9-9-9"], "rule", "evidence keeps 36 candidates"),
    ],
)
def test_evidence_decides_unless_only_the_rule_can(
    words: list[str], decoder: str, reason: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = run(capsys, "entry", *WHINE, *words, "--format", "json")
    assert code == 0
    assert {entry["decoder"] for entry in json.loads(out)["entries"]} <= {decoder}
    assert ("decided by the rule" in err) is (decoder == "rule")
    assert reason in err


def test_a_table_of_taps_or_a_long_file_is_decided_by_the_rule(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    _, out, err = run(capsys, "entry", table(tmp_path, RIGHT), "--code", "3-1-4", "--format", "json")
    assert [entry["decoder"] for entry in json.loads(out)["entries"]] == ["rule"]
    assert "decided by the rule" not in err  # what else
    monkeypatch.setattr("tapsig.loading.parts.LARGE_SAMPLES", 1000)
    _, out, err = run(capsys, "entry", *WHINE, "--format", "json")
    assert {entry["decoder"] for entry in json.loads(out)["entries"]} == {"rule"}
    assert "crane-whine.wav is long and read in parts; --decoder evidence reads all of it" in err
    _, out, _ = run(capsys, "entry", *WHINE, "--from", "0", "--format", "json")
    assert {entry["decoder"] for entry in json.loads(out)["entries"]} == {"evidence"}


@pytest.mark.parametrize("table_first", [True, False])
def test_of_a_table_and_a_recording_the_note_says_the_same_in_either_order(
    table_first: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files = [table(tmp_path, RIGHT), WHINE[0]]
    code, out, err = run(capsys, "entry", *(files if table_first else files[::-1]), *WHINE[1:], "--format", "json")
    assert code == 0
    assert {entry["decoder"] for entry in json.loads(out)["entries"]} == {"rule"}
    assert f"decided by the rule: {files[0]} is a table of taps" in err


@pytest.mark.parametrize("decoder", ["rule", "evidence"])
def test_a_detector_is_loaded_and_each_head_is_read_once(
    decoder: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[object] = []
    for name in (
        "tapsig.cli.entry.is_tap_table",
        "tapsig.cli.entry_rule.is_tap_table",
        "tapsig.detectors.load_detector",
    ):
        module, function = name.rsplit(".", 1)
        real = getattr(importlib.import_module(module), function)
        monkeypatch.setattr(name, lambda what, real=real: seen.append(what) or real(what))
    tapsig.save_detector("tap", tmp_path / "mine.json")
    given = [] if decoder == "evidence" else ["--digit-pause-s", "0.9"]
    code, _, err = run(capsys, "entry", *WHINE, "--detector", str(tmp_path / "mine.json"), *given)
    assert code == 0, err
    assert seen == [Path(WHINE[0]), str(tmp_path / "mine.json")]


def test_on_evidence_labels_name_what_was_missed_left_out_or_false(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The taps that evidence takes, without the first; one where nothing is, and one where a candidate was left out."""
    call = ["entry", *WHINE[:-1], "2-1-3"]
    _, out, _ = run(capsys, *call, "--format", "json")
    rows = json.loads(out)["rows"]
    taken = [row["time_s"] for row in rows if row["taken_for"]]
    others = [
        row["time_s"] for row in rows if not row["taken_for"] and min(abs(row["time_s"] - t) for t in taken) > 0.1
    ]
    silent = next(t / 100 for t in range(60, 900) if min(abs(t / 100 - row["time_s"]) for row in rows) > 0.1)
    labels = table(tmp_path, [*taken[1:], silent, others[0]], "labels.csv")
    _, out, _ = run(capsys, *call, "--labels", labels)
    assert "entry 1: digit 1: 1 tap, the code has 2" in out
    assert f"entry 1: missed tap at {silent:.3f} s" in out
    assert f"entry 1: left-out tap at {others[0]:.3f} s" in out
    assert f"entry 1: false tap at {taken[0]:.3f} s" in out


@pytest.mark.parametrize("words", [[], ["--code", "4-4"], ["--explain", "1"], ["--explain", "1", "--code", "4-4"]])
def test_an_entry_of_more_digits_than_a_code_may_have_is_shown(
    words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write_bursts(tmp_path / "many.wav", [1 + 2.5 * tap for tap in range(17)], 48)
    code, out, err = run(capsys, "entry", path, *words)
    assert code == 0, err
    assert "-".join(["1"] * 17) in out
    assert "digit 17" in out


def test_a_candidate_beside_the_chosen_one_is_not_taken_too(capsys: pytest.CaptureFixture[str]) -> None:
    """Two candidates of one blow may have one onset; an entry of 1-1-3 has five taps."""
    _, out, _ = run(capsys, "entry", *WHINE, "--format", "json")
    assert [row["taken_for"] for row in json.loads(out)["rows"] if row["taken_for"]] == [
        f"digit {digit}" for digit in (1, 2, 3, 3, 3)
    ]


@pytest.mark.parametrize(
    ("words", "what"),
    [
        (["--wait-s", "5000"], "wait_limit_s is 3600.0; it must be at least wait_s, 5000, and at most 86400"),
        (["--code", "3-1-x"], "code"),
        (["--digit-max", "0"], "digit_max"),
        (["--wait-s", "-1"], "wait_s"),
    ],
)
def test_a_call_at_fault_is_refused_by_name(
    words: list[str], what: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = run(capsys, "entry", table(tmp_path, RIGHT), *words)
    assert (code, out) == (2, "")
    assert what in err


@pytest.mark.parametrize("words", [["--digit-pause-s", "1"], ["--tolerance", "2"]])
def test_evidence_refuses_what_only_the_rule_uses(
    words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_wav(tmp_path / "still.wav", np.zeros(800), 8000, full_scale_v=1.0)
    call = ["entry", str(tmp_path / "still.wav"), "--decoder", "evidence", *words]
    code, out, err = run(capsys, *call)
    assert (code, out) == (2, "")
    assert f"{words[0]} is of the decoder rule" in err
    assert run(capsys, *call, "--wake-taps", "2")[0] == 0


@pytest.mark.parametrize("decoder", ["evidence", "rule"])
def test_a_rate_that_the_detector_does_not_take_is_the_datas_fault(
    decoder: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_wav(tmp_path / "slow.wav", np.zeros(200), 100, full_scale_v=1.0)
    code, _, err = run(capsys, "entry", str(tmp_path / "slow.wav"), "--decoder", decoder)
    assert code == 1
    assert "slow.wav: fs is 100.0; it must lie between 334 and 200000; the detector cannot run at that rate" in err


def test_a_file_that_is_not_there_is_the_datas_fault(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = run(capsys, "entry", str(tmp_path / "none.csv"))
    assert code == 1
    assert "none.csv: there is no such recording; check the name and the folder" in err


# Label files that `tapsig.loading.load_labels` documents: remarks, other orders, marks of Unicode.
@pytest.mark.parametrize(
    ("head", "line", "encoding"),
    [
        ("# by hand\n\nonset_s,kind\n", "{:.4f},tap\n", "utf-8"),
        ("kind,onset_s\n", "tap,{:.4f}\n", "utf-8-sig"),
        ('Onset_S;"kind"\r\n', "{:.4f};tap\r\n", "utf-16"),
    ],
)
def test_every_label_file_is_a_table_of_taps(
    head: str, line: str, encoding: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "taps.txt"
    path.write_text(head + "".join(line.format(tap) for tap in RIGHT), encoding=encoding, newline="")
    code, out, err = run(capsys, "entry", str(path), "--code", "3-1-4", "--format", "json")
    assert code == 0, err
    assert [entry["verdict"] for entry in json.loads(out)["entries"]] == ["accepted"]


def test_what_is_wrong_with_a_log_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "log.csv"
    rows = [f"{index / 1000:.3f},0.0\n" for index in range(3000)]
    path.write_text("time_s,volts\n" + "".join(rows[:1000]) + "1.0,x\n" + "".join(rows[1000:]), encoding="utf-8")
    code, _, err = run(capsys, "entry", str(path), "--detector", "null")
    assert code == 0
    assert f"{path}: line 1002" in err


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        (["--channel", "1"], "--channel is about a recording"),
        (["--fs", "2000"], "--fs is about a recording"),
        (["--until-end"], "--until-end is about a recording's end"),
        (["--from", "1"], "--from and --to cut a recording"),
    ],
)
def test_what_a_table_of_taps_would_ignore_is_refused(
    words: list[str], reason: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = run(capsys, "entry", table(tmp_path, RIGHT), *words)
    assert (code, out) == (2, "")
    assert reason in err
    assert "taps.csv is a table of taps" in err


@pytest.mark.parametrize("decoder", ["rule", "evidence"])
@pytest.mark.parametrize(("span_s", "is_cut"), [(9, True), (10, False)])
def test_an_entry_cut_by_the_end_is_left_out_with_a_note(
    decoder: str, span_s: int, is_cut: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The last tap lies at 6.2 s, and the silence ends at 9.2 s."""
    path = write_bursts(tmp_path / "taps.wav", RIGHT, span_s)
    words = ["--code", "3-1-4", "--decoder", decoder, "--until-end", "--format", "json"]
    _, out, err = run(capsys, "entry", path, *words)
    assert len(json.loads(out)["entries"]) == (not is_cut)
    assert ("taps.wav ends within an entry, which is left undecided" in err) is is_cut
    assert "no entry" not in err


def test_on_evidence_too_it_says_how_to_judge_all_of_a_test_log(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """1-1-1, eight times; from the fourth wrong entry on, a wait of 30 s and more swallows the next."""
    taps = [start + tap for start in np.arange(8) * 12.0 for tap in (1.0, 2.6, 4.2)]
    path = write_bursts(tmp_path / "log.wav", taps, 100)
    words = ["entry", path, "--code", "2-2-2", "--format", "json"]
    _, out, err = run(capsys, *words)
    assert len(json.loads(out)["entries"]) < 8
    assert "after wrong entries taps in a wait, or locked, were ignored" in err
    _, out, err = run(capsys, *words, *err.split("test log: ")[1].split()[:4])
    assert [entry["verdict"] for entry in json.loads(out)["entries"]] == ["wrong"] * 8
    assert "ignored" not in err


@pytest.mark.parametrize("decoder", ["rule", "evidence"])
def test_taps_that_woke_the_machine_were_not_missed(
    decoder: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write_bursts(tmp_path / "taps.wav", [1.0, 1.4, 1.8, *(tap + 2.4 for tap in RIGHT[:-1])], 14)
    table(tmp_path, [1.0, 1.4, 1.8, *(tap + 2.4 for tap in RIGHT)], "taps.labels.csv")
    _, out, _ = run(capsys, "entry", path, "--code", "3-1-4", "--wake-taps", "3", "--decoder", decoder)
    assert "entry 1: digit 3: 3 taps, the code has 4" in out
    assert "entry 1: missed tap at 8.600 s" in out


@pytest.mark.parametrize("decoder", ["rule", "evidence"])
def test_labels_beside_the_recording_are_not_named_where_others_are_given(
    decoder: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write_bursts(tmp_path / "taps.wav", RIGHT, 10)
    table(tmp_path, [1.0], "taps.labels.csv")
    given = table(tmp_path, RIGHT, "mine.csv")
    code, out, err = run(capsys, "entry", path, "--code", "3-1-5", "--decoder", decoder, "--labels", given)
    assert code == 0
    assert "taps.labels.csv" not in err
    assert "false tap" not in out


def test_rows_of_a_table_that_are_no_taps_are_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "mixed.csv"
    path.write_text("onset_s,kind\n1.0,tap\n1.4,slam\n2.0,knock\n", encoding="utf-8")
    code, _, err = run(capsys, "entry", str(path))
    assert code == 0
    assert f"{path}: rows that are no taps are left out (kind knock, slam)" in err


def test_a_right_code_in_doubt_is_void_with_its_reason(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write_bursts(tmp_path / "taps.wav", RIGHT, 10)
    _, out, _ = run(capsys, "entry", path, "--code", "3-1-4", "--threshold", "400", "--format", "json")
    [entry] = json.loads(out)["entries"]
    assert (entry["digits"], entry["verdict"]) == ("3-1-4", "void")
    assert entry["faults"] == [
        f"the code, but in doubt: log_ratio is {entry['log_ratio']:.2f}, below the threshold 400.00"
    ]


def test_settings_of_the_detector_that_evidence_does_not_use_are_named(capsys: pytest.CaptureFixture[str]) -> None:
    said = "evidence weighs all candidates, whatever probability, floor_v, dead_time_s is"
    words = [*WHINE, "--format", "json", "--detector"]
    _, usual, err = run(capsys, "entry", *words, "tap,order=16")
    assert "evidence weighs" not in err
    _, out, err = run(capsys, "entry", *words, "tap,probability=0.99,floor_v=0.2,dead_time_s=0.3")
    assert out == usual
    assert said in err
    assert (
        said
        not in run(capsys, "entry", *words, "tap,probability=0.99,floor_v=0.2,dead_time_s=0.3", "--decoder", "rule")[2]
    )
