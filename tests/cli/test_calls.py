"""Calls that cannot be meant as written are refused with a remedy; faults of files name the file."""

import gzip
import re
import shlex
import shutil
import subprocess
import zipfile
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tapsig.loading import load_recording, write_wav
from tests.fakes import run


def test_detect_goes_on_after_a_file_that_cannot_be_read(
    first: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    door, broken = first / "door.wav", tmp_path / "broken.wav"
    broken.write_bytes(b"RIFF")
    _, alone, _ = run(capsys, "detect", door, "--format", "csv")
    code, both, said = run(capsys, "detect", broken, door, "--format", "csv")
    assert code == 1
    assert f"left out: {broken} is not a WAV file" in said
    assert [line.partition(",")[2] for line in both.splitlines()] == alone.splitlines()


def test_a_file_at_a_rate_that_no_detector_takes_is_at_fault_itself(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_wav(tmp_path / "slow.wav", np.zeros(100), 1.0, full_scale_v=1.0)
    code, _, said = run(capsys, "detect", tmp_path / "slow.wav")
    assert code == 1
    assert "slow.wav: fs is 1" in said


@pytest.mark.parametrize("call", ["score", "positions", "causes", "fit --out f.json", "risk --table decoders"])
def test_of_a_corpus_the_file_is_named_whose_rate_no_detector_takes(
    call: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    write_wav(Path("slow.wav"), np.zeros(4000), 200.0, full_scale_v=1.0)
    Path("taps.csv").write_text("onset_s,label\n1.0,tap\n2.0,tap\n", encoding="utf-8")
    run(capsys, "corpus", "init", "mine")
    about = shlex.split("--labels taps.csv --vehicle ibex --position frame --scene quiet --full-scale-v 1")
    run(capsys, "corpus", "add", "mine", "slow.wav", *about)
    name, *words = call.split()
    code, _, said = run(capsys, name, "mine", *words)
    assert code == 1
    assert "mine/recordings/slow.wav: fs is 200.0; it must lie between 334 and 200000" in said


@pytest.mark.parametrize(("form", "name"), [("FLAC", "a FLAC file"), ("W64", "a Wave64 (W64) file")])
@pytest.mark.parametrize("ending", ["own", "csv"])
def test_other_kinds_of_sound_file_are_named_whatever_their_ending(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], form: str, name: str, ending: str
) -> None:
    """Files that libsndfile writes."""
    path = tmp_path / f"x.{form.lower() if ending == 'own' else ending}"
    soundfile.write(path, np.random.default_rng(1).normal(0, 0.1, 4000), 8000, format=form, subtype="PCM_16")
    code, _, said = run(capsys, "health", path)
    assert code == 1
    assert said.endswith(f"{path} is {name}; convert it to WAV\n")  # both codes are lossless


def test_a_workbook_is_to_be_exported_not_to_be_converted_to_wav(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Office Open XML is a zip archive (ECMA-376, part 2); the older format is a compound file (MS-CFB, 2.2)."""
    with zipfile.ZipFile(tmp_path / "log.xlsx", "w") as workbook:
        workbook.writestr("[Content_Types].xml", "<Types/>")
    (tmp_path / "log.xls").write_bytes(bytes.fromhex("D0CF11E0A1B11AE1") + bytes(504))
    (tmp_path / "log.csv.gz").write_bytes(gzip.compress(b"512\n" * 400))
    for name, remedy in (
        ("log.xlsx", "export the sheet as CSV"),
        ("log.xls", "export the sheet"),
        ("log.csv.gz", "unpack"),
    ):
        code, _, said = run(capsys, "health", tmp_path / name, "--fs", 2000)
        assert code == 1
        assert f"{name} is a " in said
        assert remedy in said
        assert "WAV" not in said


def test_bytes_that_are_no_text_are_not_quoted(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "x.csv").write_bytes(np.random.default_rng(2).bytes(4000))
    code, _, said = run(capsys, "detect", tmp_path / "x.csv")
    assert code == 1
    assert "which are no text" in said
    assert "\\" not in said.replace(str(tmp_path), "")


def test_a_log_whose_header_starts_as_another_file_is_a_log(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    path.write_text("ID3,volts\n" + "".join(f"{k},{0.1 * (k % 3)}\n" for k in range(500)))
    assert load_recording(path, fs=1000.0, column="volts").samples.size == 500


def test_a_detector_that_finds_nothing_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_wav(tmp_path / "silent.wav", np.zeros(16_000), 8000.0, full_scale_v=1.0)
    code, _, said = run(capsys, "ringdown", tmp_path / "silent.wav", "--detector", "tap")
    assert code == 1
    assert "silent.wav: tap finds no taps" in said


def test_findings_of_health_name_options_and_no_corpus_where_there_is_none(
    first: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = tmp_path / "log.csv"
    log.write_text("us,adc\n" + "".join(f"{1000 * k},{500 + k % 7}\n" for k in range(1000)))
    code, out, _ = run(capsys, "health", first / "door.wav", log)
    assert code == 1
    assert "give --adc-bits and --full-scale-v" in out
    assert "adc_bits= " not in out
    assert "corpus.csv" not in out


def test_a_recording_added_without_labels_says_so(
    first: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("door.wav", "door.labels.csv"):
        shutil.copy(first / name, tmp_path / name)
    words = ("corpus", "add", tmp_path / "c", tmp_path / "door.wav", "--vehicle", "v", "--position", "frame")
    options = ("--scene", "quiet", "--split", "test", "--channel", "1")
    run(capsys, "corpus", "init", tmp_path / "c")
    (tmp_path / "door.labels.csv").rename(tmp_path / "elsewhere.csv")
    code, _, said = run(capsys, *words, *options)
    assert code == 0
    assert "no labels found beside it; add --labels FILE" in said


@pytest.mark.parametrize("command", ["report", "positions", "variants", "score"])
def test_a_corpus_without_taps_has_a_page(
    command: str, first: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, _, err = run(capsys, command, first, "--scene", "rain", "--out", tmp_path / "page.html")
    assert code == 0, err
    assert "</html>" in (tmp_path / "page.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("dead-time first --step-db 0", "--step-db is 0.0; it must lie between 0.05 and 6"),
        ("dead-time first --step-db 100", "--step-db is 100.0; it must lie between 0.05 and 6"),
        ("health first --full-scale-v 5", "--full-scale-v applies to one recording; corpus.csv says it of a corpus"),
        ("report first --channel 1 --out x.html", "--channel applies to one recording"),
        ("detect first/door.wav --events jsonl --format csv", "--events jsonl and --format csv contradict each other"),
        ("review first/door.wav --save x.csv --out x.html", "--save goes with --serve"),
        ("review first/door.wav --port 80 --out x.html", "--port goes with --serve"),
        ("risk --table false-taps --false-taps-per-hour 60", "--false-taps-per-hour goes with --table codes"),
        ("risk --table guessing --tap-recall 0.9", "--tap-recall goes with --table codes"),
        ("risk --table false-taps --code 3-1-4 --code-length 4", "--code 3-1-4 has 3 digits, and --code-length is 4"),
        ("risk --table codes --parked rain=900", "--parked needs a table from a corpus"),
        ("risk first --detector null --parked rian=900", "the scene 'rian'; there are: .*rain"),
        ("standby --level-v 0.05", "--level-v needs a corpus"),
        ("standby --start-up-s 0.1", "--start-up-s needs a corpus"),
        ("export tap --fs 2000 --channel 5 --out x", "--channel is of the recording of --simulate"),
        ("export tap --fs 2000 --out first/door.wav", "door.wav is a file; name a folder"),
        ("export tap --fs 2000 --decoder evidence --out x", "give --code"),
        ("export spectral-flux --fs 2000 --out x", "cannot be exported"),
        ("export --logger --fs 50000 --out x", "fs is 50000"),
        ("detect first/door.wav --stdin text", "--stdin says what standard input holds"),
        ("entry first/door.wav --digit-max 4 --digits 1-6", "--digit-max and --digits say 4 and 6"),
        ("health first/door.wav --out h.png", "it must end in .csv, .json, .txt"),
        ("health first/door.wav --out h.html", "it must end in .csv, .json, .txt"),
        ("health first/door.wav --out -", "it must end in .csv, .json, .txt"),
        ("health first/door.wav --format csv --out h.json", "--format csv and --out h.json contradict each other"),
        ("detect first/door.wav --out x.jsonl", "it must end in .csv, .json, .txt"),
        ("detect first/door.wav --events jsonl --out x.csv", "it must end in .jsonl, .txt"),
        ("score first --format json --out s.html", "--format json and --out s.html contradict each other"),
        ("detect first/door.wav --detector knock", "there is no detector 'knock'"),
        ("detect first/door.wav --detector sta-lta --set gain=3", "The parameters of sta-lta: sta_s"),
        ("detect first/door.wav --detector sta-lta --set on=0.1", "on is 0.1"),
        ("detect first/door.wav --channel 3", "channel is 3"),
        ("detect first/door.wav --from 5 --to 5", "the first must be the earlier"),
        ("detect first/door.wav --from -1", "0 or above"),
        ("health first --from 1", "cut one recording"),
        ("propose first/door.wav --keep 2", "--keep is 2"),
        ("propose first/door.wav --keep nan", "--keep is nan"),
        ("propose first/door.wav --doubtful-below -1", "doubtful_below is -1"),
        ("propose first/door.wav --channel -1", "channel is -1"),
        ("review first/door.wav --out x.txt", "x.txt is a page, whose name must end in .html"),
        ("review first/door.wav", "give either --out PAGE.html or --serve"),
        ("review first/door.wav --out x.html --serve", "give either --out PAGE.html or --serve"),
        ("review first/door.wav --blank --labels x.csv --out x.html", "--blank and --labels exclude each other"),
        ("review first/door.wav --serve --port 70000", "--port is 70000"),
        ("causes first/door.wav first/rain.wav --labels x.csv", "--labels are of one recording, and 2 are given"),
        ("detect first/door.wav first/door.wav", "is given twice"),
        ("health first/door.wav first", "is a corpus; give it alone"),
        ("entry first/door.wav first/rain.wav --decoder evidence --explain 1", "--explain N is of one recording"),
        ("ringdown first --vehicle otter", "no recording with vehicle otter; there is vehicle: heron"),
        ("risk first --position roof", "position roof; there is position: frame, inner-skin"),
        ("standby first --position roof", "position roof; there is position: frame, inner-skin"),
        ("fit first --position roof --out own.json", "position roof; there is position: frame, inner-skin"),
        ("risk first --scene hail --split test", "scene hail, split test; there is scene: quiet, rain; split: none"),
        ("dead-time first --labels x.csv", "applies to one recording"),
        ("health first/door.wav --scene rain", "selects from a corpus"),
        ("ringdown first --modes 0", "--modes is 0"),
        ("ringdown first --plot a.bmp", "must end in"),
        ("risk", "needs a corpus"),
        ("risk --table guessing --code 1-10", "a digit of the code is 10"),
        ("risk --table guessing --code-length 0", "length is 0"),
        ("risk --table guessing --digit-max 0", "digit_max is 0"),
        ("risk --table codes --tap-recall 2", "tap_recall is 2"),
        ("risk --table codes --code-length 99", "--code-length is 99; no code of the table has as many bits"),
        ("risk --table false-taps --tolerance 2", "tolerance is 2"),
        ("standby --battery 'tin can'", "--battery is 'tin can'"),
        ("standby --battery 'starter 12 V 60 Ah' --capacity-ah 7", "--battery and --capacity-ah are two batteries"),
        ("standby --usable-share 2", "usable_share is 2"),
        ("standby --awake-ma -1", "awake_ma is -1"),
        ("standby first --sensitivity", "--sensitivity and a corpus give two tables"),
    ],
)
def test_what_would_do_nothing_or_something_else_is_refused(
    first: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], words: str, said: str
) -> None:
    monkeypatch.chdir(first.parent)
    before = sorted(first.parent.iterdir())
    code, out, err = run(capsys, *shlex.split(words))
    assert code == 2
    assert re.search(said, err)
    assert not out
    assert sorted(first.parent.iterdir()) == before


@pytest.mark.parametrize("words", [["quickstart"], ["corpus", "init"]], ids=lambda words: words[0])
def test_a_folder_that_is_a_file_is_refused(
    words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "x").touch()
    for folder in (tmp_path / "x", tmp_path / "x" / "y"):
        code, _, said = run(capsys, *words, folder)
        assert code == 2
        assert said == f"tapsig: {folder} cannot be a folder: {tmp_path / 'x'} is a file; choose another name\n"


def test_the_next_step_of_the_quickstart_can_be_typed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, _, said = run(capsys, "quickstart", tmp_path / "my door")
    step = re.search("next: (cd .*), then", said)[1]  # type: ignore[index]
    assert subprocess.run(["sh", "-c", f"{step} && pwd"], capture_output=True, text=True).stdout.endswith("/my door\n")
    _, _, said = run(capsys, "quickstart", tmp_path / "my door")
    assert said == f"tapsig: DIR: {tmp_path / 'my door' / 'door.wav'} exists already; add --force to replace it\n"
