"""propose, review, agree and corpus on real files: outputs, exit codes, and nothing overwritten unasked."""

import csv
import io
import json
import os
import re
import signal
import subprocess
import sys
import urllib.request
from pathlib import Path

import pytest

from tapsig.cli import main
from tapsig.loading.corpus import load_corpus
from tapsig.loading.labels import load_labels, write_labels
from tapsig.loading.wav_writing import write_wav
from tapsig.quickstart import write_quickstart
from tapsig.records import Label
from tapsig.simulation import simulate_scene
from tests.fakes import run


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Half a minute of taps on the frame, and its true labels beside it."""
    folder = tmp_path_factory.mktemp("logs")
    simulated = simulate_scene("heron", "quiet", duration_s=30.0, fs=8000.0, seed=4, positions=("frame",))
    recording = simulated.recordings["frame"]
    assert recording.range_v is not None
    write_wav(folder / "log.wav", recording.samples, recording.fs, full_scale_v=recording.range_v[1])
    write_labels(folder / "truth.csv", recording.labels or ())
    return folder / "log.wav"


def test_propose_writes_labels_that_the_loader_reads_and_says_the_same_as_table_csv_and_json(
    log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "proposed.csv"
    code, _, err = run(capsys, "propose", log, "--out", out)
    assert code == 0
    assert re.search(r"^\d+ sure, \d+ doubtful; \d+ left out$", err, re.MULTILINE)
    said = {style: run(capsys, "propose", log, "--format", style)[1] for style in ("table", "csv", "json")}
    assert out.read_text(encoding="utf-8") == said["csv"]
    read = list(csv.DictReader(io.StringIO(said["csv"])))
    assert list(read[0]) == ["onset_s", "kind", "confidence"]
    assert {row["kind"] for row in read} <= {"tap", "unsure"}
    rows = json.loads(said["json"])["rows"]
    assert [{key: str(value) for key, value in row.items()} for row in rows] == read
    assert len(load_labels(out)) == len(rows) == len(said["table"].splitlines()) - 2
    code, _, err = run(capsys, "propose", log, "--out", out)
    assert code == 2
    assert "--force" in err


def test_a_proposal_agrees_with_the_truth(log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "proposed.csv"
    assert run(capsys, "propose", log, "--out", out)[0] == 0
    said = json.loads(run(capsys, "agree", log.with_name("truth.csv"), out, "--format", "json")[1])
    # Truth: the simulator's own contact times. Every tap is proposed, the faint ones for a person to look at.
    assert said["summary"]["f1"] >= 0.9
    taps = [label.onset_s for label in load_labels(log.with_name("truth.csv")) if label.kind == "tap"]
    proposed = load_labels(out)
    assert all(min(abs(label.onset_s - tap) for label in proposed) <= 0.01 for tap in taps)
    sure = [label.onset_s for label in proposed if label.kind == "tap"]
    assert all(min(abs(onset_s - tap) for tap in taps) <= 0.01 for onset_s in sure)
    assert abs(said["summary"]["difference_p50_ms"]) <= 5.0


def test_agree_lists_each_disagreement(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ("agree", tmp_path / "a.csv", tmp_path / "b.csv")
    write_labels(words[1], [Label(1.0), Label(2.0), Label(3.0)])
    write_labels(words[2], [Label(1.01), Label(2.0, "thump")])
    code, table, _ = run(capsys, *words)
    assert code == 0
    assert re.search(r"^2\.000 +tap +thump +0$", table, re.MULTILINE)
    assert re.search(r"^3\.000 +tap +– +–$", table, re.MULTILINE)
    said = json.loads(run(capsys, *words, "--format", "json")[1])
    # 2·1 / (3 + 1), by hand
    assert said["summary"] | {"f1": 0.5, "both": 1} == said["summary"]
    assert said["disagreements"][1] == {"time_s": 3.0, "in_a": "tap", "in_b": None, "difference_ms": None}
    _, narrow, _ = run(capsys, *words, "--window", "0.001", "--format", "json")
    assert json.loads(narrow)["summary"]["both"] < said["summary"]["both"]
    assert run(capsys, *words[:2], tmp_path / "nowhere.csv")[0] == 1


def test_review_writes_one_page_that_refers_to_nothing_outside(
    log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page = tmp_path / "page.html"
    assert main(["review", str(log), "--out", str(page)]) == 0
    html = page.read_text(encoding="utf-8")
    assert re.findall(r"""(?:src|href)\s*=\s*["']?[^"'\s>]+""", html.split('id="page-samples"')[0]) == []
    assert "http://" not in html
    assert "https://" not in html
    assert main(["review", str(log), "--out", str(page)]) == 2
    assert page.read_text(encoding="utf-8") == html


@pytest.mark.parametrize(
    ("words", "heading"), [((), "Labels"), (("--labels", "found.csv"), "Proposed labels"), (("--blank",), "Labels")]
)
def test_the_review_page_names_channel_and_position_and_says_what_is_proposed_and_simulated(
    words: tuple[str, ...], heading: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_quickstart(tmp_path)
    monkeypatch.chdir(tmp_path)
    assert main(["propose", "door.wav", "--channel", "1", "--out", "found.csv"]) == 0
    assert main(["review", "door.wav", "--channel", "1", *words, "--out", "page.html"]) == 0
    html = Path("page.html").read_text(encoding="utf-8")
    assert f"<title>{heading} of door.wav, channel 1 (frame)</title>" in html
    assert "These recordings are simulated: computed from physics, not made on a vehicle." in html
    Path("corpus.csv").unlink()
    assert main(["review", "door.wav", "--channel", "1", *words, "--out", "page.html", "--force"]) == 0
    html = Path("page.html").read_text(encoding="utf-8")
    assert f"<title>{heading} of door.wav, channel 1</title>" in html
    assert "simulated" not in html.split('id="page-data"')[0].split("</style>")[1]


@pytest.mark.parametrize(("words", "shown"), [((), 3), (("--blank",), 0), (("--labels", "other.csv"), 1)])
def test_review_shows_the_labels_that_the_manifest_names(
    words: tuple[str, ...], shown: int, log: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "log.wav").write_bytes(log.read_bytes())
    write_labels(tmp_path / "log.labels.csv", [Label(1.0), Label(2.0)])
    write_labels(tmp_path / "named.csv", [Label(1.0), Label(2.0), Label(3.0)])
    write_labels(tmp_path / "other.csv", [Label(4.0)])
    (tmp_path / "corpus.csv").write_text("recording,labels\nlog.wav,named.csv\n")
    assert main(["review", "log.wav", *words, "--out", "page.html"]) == 0
    assert Path("page.html").read_text(encoding="utf-8").count('"onset_s":') == shown


def test_review_refuses_the_labels_of_another_recording(log: Path, tmp_path: Path) -> None:
    write_labels(tmp_path / "late.csv", [Label(500.0)])
    assert main(["review", str(log), "--labels", str(tmp_path / "late.csv"), "--out", str(tmp_path / "p.html")]) == 1
    assert not (tmp_path / "p.html").exists()


def test_review_serves_to_loopback_saves_and_ends_on_interrupt(log: Path, tmp_path: Path) -> None:
    save = tmp_path / "labels.csv"
    command = [sys.executable, "-m", "tapsig", "review", str(log), "--blank", "--serve", "--save", str(save)]
    # A shell starts what it runs in the background with interrupts ignored, and children inherit that.
    heed = lambda: signal.signal(signal.SIGINT, signal.default_int_handler)  # noqa: E731
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True, env=os.environ, preexec_fn=heed) as process:
        try:
            assert process.stderr is not None
            url = process.stderr.readline().removeprefix("open ").strip()
            assert url.startswith("http://127.0.0.1:")
            with urllib.request.urlopen(url) as answer:
                assert b"<title>Labels of log.wav</title>" in answer.read()
            with urllib.request.urlopen(url + "labels", data=b"onset_s,kind\n1.5,tap\n") as answer:
                assert answer.read() == b"Saved labels.csv."
            assert load_labels(save) == (Label(1.5),)
            process.send_signal(signal.SIGINT)
            assert process.wait(20) == 0
        finally:
            process.kill()


def test_a_corpus_is_built_and_checked_from_the_command_line(
    log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "mine"
    assert main(["corpus", "init", str(folder)]) == 0
    call = ["corpus", "add", str(folder), str(log), "--vehicle", "marten", "--position", "frame", "--scene", "quiet"]
    assert main([*call, "--labels", str(log.with_name("truth.csv")), "--mount", "epoxy"]) == 0
    assert main(call) == 2  # entered already
    assert load_corpus(folder).entries[0].extra["mount"] == "epoxy"
    capsys.readouterr()
    code, table, _ = run(capsys, "corpus", "check", folder)
    assert code == 0
    assert "it is the only position" in table
    assert re.search(r"^marten +quiet +\d+$", table, re.MULTILINE)
    (folder / "recordings" / "log.wav").unlink()
    code, document, _ = run(capsys, "corpus", "check", folder, "--format", "json")
    assert (code, json.loads(document)["sound"]) == (1, False)
