"""What was wrong with a file is said once, by every command that uses it; a corpus with one broken file is used."""

from pathlib import Path

import numpy as np
import pytest

from tapsig.cli import main
from tapsig.loading import write_labels, write_wav
from tapsig.records import Label
from tests.fakes import ring_down, run

FS = 1000
TAPS = (0.5, 0.9, 1.7, 2.4)


def signal(seed: int = 0) -> np.ndarray:
    time_s = np.arange(int(3.5 * FS)) / FS
    volts = 0.003 * np.random.default_rng(seed).standard_normal(time_s.size)
    for tap in TAPS:
        volts += 0.6 * ring_down(time_s, tap, 60.0, 0.2)
    return volts


@pytest.fixture(scope="module")
def corpus(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A sound WAV file at two positions, and a log with a malformed line."""
    folder = tmp_path_factory.mktemp("corpus")
    write_wav(folder / "sound.wav", [signal(), signal(1)], FS, full_scale_v=2.5)
    lines = [f"{n / FS:.3f},{volts:.5f}" for n, volts in enumerate(signal(2))]
    lines[3000] = "3.0#0,0.0"
    (folder / "broken.csv").write_text("time_s,volts\n" + "\n".join(lines) + "\n")
    write_labels(folder / "labels.csv", tuple(map(Label, TAPS)))
    (folder / "corpus.csv").write_text(
        "recording,channel,labels,vehicle,position,scene,split,full_scale_v\n"
        "sound.wav,0,labels.csv,heron,frame,quiet,train,2.5\nsound.wav,1,labels.csv,heron,skin,quiet,train,2.5\n"
        "broken.csv,0,labels.csv,heron,skin,quiet,train,\n"
    )
    return folder


PLAIN = ["--detector", "fixed-threshold"]
OF_CORPUS = (
    ["score", *PLAIN],
    ["ringdown"],
    ["dead-time"],
    ["causes", *PLAIN],
    ["positions", *PLAIN],
    ["variants", *PLAIN, "--detector", "null"],
)


@pytest.mark.parametrize("words", OF_CORPUS, ids=lambda words: words[0])
def test_a_corpus_with_one_broken_file_gets_one_line(
    words: list[str], corpus: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, _, err = run(capsys, words[0], corpus, *words[1:])
    lines = [line for line in err.splitlines() if "malformed-line" in line]
    assert code == 0
    assert len(lines) == 1
    assert lines[0].startswith("findings in 1 of 2 files (lost-samples 1, malformed-line 1)")
    assert f"tapsig health {corpus}" in lines[0]


@pytest.fixture(scope="module")
def unreadable(corpus: Path) -> Path:
    """The same corpus with one file more, which is empty."""
    (corpus / "empty.wav").write_bytes(b"")
    folder = corpus / "unreadable"
    folder.mkdir()
    for name in ("sound.wav", "labels.csv", "empty.wav"):
        (folder / name).write_bytes((corpus / name).read_bytes())
    rows = (corpus / "corpus.csv").read_text().splitlines()[:3]
    rows.append("empty.wav,0,labels.csv,heron,frame,quiet,train,2.5")
    (folder / "corpus.csv").write_text("\n".join(rows) + "\n")
    return folder


@pytest.mark.parametrize("words", [*OF_CORPUS, ["fit"], ["risk"], ["standby"], ["report"]], ids=lambda words: words[0])
def test_a_file_that_cannot_be_read_is_named_by_every_command(
    words: list[str], unreadable: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = {"fit": ["--out", str(tmp_path / "own.json")], "report": ["--out", str(tmp_path / "page.html")]}
    assert main([words[0], str(unreadable), *words[1:], *out.get(words[0], [])]) == 1
    shown = capsys.readouterr()
    assert shown.err.count("empty.wav is empty (0 bytes); copy it again from the logger") == 1
    assert "Traceback" not in shown.err
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("command", ["causes", "tune"])
def test_several_recordings_without_labels_are_refused_and_not_called_free_of_errors(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    paths = (tmp_path / "a.wav", tmp_path / "b.wav")
    for path in paths:
        write_wav(path, signal(), FS, full_scale_v=2.5)
    code, out, err = run(capsys, command, *paths, *PLAIN)
    assert (code, out) == (1, "")
    assert "no selected recording has labels" in err


@pytest.mark.parametrize("words", [["health"], ["corpus", "check"]], ids=lambda words: words[0])
def test_what_looks_for_faults_goes_on_after_a_file_that_cannot_be_read(
    words: list[str], unreadable: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([*words, str(unreadable)]) == 1
    out = capsys.readouterr().out
    assert "empty.wav is empty (0 bytes)" in out
    assert "sound skin: 3.5 s" in out or "3 rows" in out


OF_FILES = (["ringdown"], ["dead-time"], ["causes", *PLAIN], ["detect", *PLAIN], ["propose"], ["entry", *PLAIN])


@pytest.mark.parametrize("words", OF_FILES, ids=lambda words: words[0])
def test_each_finding_of_a_file_is_said_once_and_so_is_which_of_several_channels_was_taken(
    words: list[str], corpus: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whether the file is read whole or in parts; and no channel where one is named."""
    options = words[1:] + ([] if words[0] in ("detect", "propose") else ["--labels", str(corpus / "labels.csv")])
    code, _, err = run(capsys, words[0], corpus / "broken.csv", *options)
    assert (code, err.count("[malformed-line]"), "line 3002" in err) == (0, 1, True)
    for large in (1 << 23, 100):
        monkeypatch.setattr("tapsig.loading.parts.LARGE_SAMPLES", large)
        code, _, err = run(capsys, words[0], corpus / "sound.wav", *options)
        assert code == 0
        assert err.count("took channel 0 of the channels 0 to 1: choose another with --channel") == 1
    code, _, err = run(capsys, words[0], corpus / "sound.wav", *options, "--channel", "1")
    assert (code, "took channel" in err) == (0, False)


def test_health_says_it_in_its_report_alone(corpus: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["health", str(corpus)])
    shown = capsys.readouterr()
    assert "malformed-line" in shown.out
    assert "malformed-line" not in shown.err


@pytest.mark.parametrize("words", [["health"], ["corpus", "check"], ["report", "--out"]], ids=lambda words: words[0])
@pytest.mark.parametrize("rows", [1, 2])
def test_what_a_file_of_a_corpus_lacks_is_named_as_a_column_of_its_manifest(
    words: list[str], rows: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = "".join(f"{n},{512 + 200 * volts:.0f}\n" for n, volts in enumerate(signal()))
    row = "{0}.csv,0,,heron,frame,quiet,train,10,{1}\n"
    (tmp_path / "corpus.csv").write_text(
        "recording,channel,labels,vehicle,position,scene,split,adc_bits,fs_hz\n"
        + "".join(row.format(name, FS) for name in "ab"[:rows])
    )
    for name in "ab":
        (tmp_path / f"{name}.csv").write_text("n,adc\n" + lines)
    page = tmp_path / "page.html"
    _, out, err = run(capsys, *words, *([page] if words[0] == "report" else []), tmp_path)
    shown = page.read_text() if page.exists() else out
    assert "the rails are taken as 1 V apart; give full_scale_v in corpus.csv" in shown
    assert "full_scale_v=" not in shown + err
    assert "--full-scale-v" not in shown


def test_the_report_on_a_file_names_options(tmp_path: Path) -> None:
    write_wav(tmp_path / "two.wav", [signal(), signal(1)], FS, full_scale_v=2.5)
    assert main(["report", str(tmp_path / "two.wav"), "--out", str(tmp_path / "page.html")]) == 0
    assert "choose another with --channel<" in (tmp_path / "page.html").read_text()
