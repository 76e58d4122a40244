"""A corpus of one's own: what is added is there, what is wrong is told, what a fair comparison lacks is told."""

import itertools
import multiprocessing
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tapsig.errors import LabelError, ParameterError, RecordingError, TapsigError
from tapsig.loading import curate
from tapsig.loading.corpus import load_corpus
from tapsig.loading.corpus_check import ENOUGH_TAPS, CorpusCheck, check_corpus
from tapsig.loading.curate import add_recording, init_corpus
from tapsig.loading.read_options import ReadOptions
from tapsig.loading.recording import load_recording
from tapsig.loading.wav_writing import write_wav

FS = 2000.0
POSITIONS = ("inner-skin", "frame")


def make_wav(path: Path, *, seed: int = 0, channels: int = 1, seconds: float = 30.0) -> Path:
    noise = 0.1 * np.random.default_rng(seed).standard_normal((channels, int(seconds * FS)))
    write_wav(path, list(noise) if channels > 1 else noise[0], FS, full_scale_v=1.0)
    return path


def make_labels(path: Path, *, taps: int = 12, first_s: float = 1.0, extra: str = "") -> Path:
    path.write_text("onset_s,kind\n" + "".join(f"{first_s + 0.5 * i},tap\n" for i in range(taps)) + extra)
    return path


@pytest.fixture
def corpus(tmp_path: Path) -> Path:
    """Three vehicles, each recorded at two positions at once: nothing is missing."""
    folder = tmp_path / "mine"
    init_corpus(folder)
    for seed, vehicle in enumerate(("heron", "otter", "lynx")):
        source = make_wav(tmp_path / f"{vehicle}.wav", seed=seed, channels=2)
        labels = make_labels(tmp_path / f"{vehicle}.csv")
        for channel, position in enumerate(POSITIONS):
            split = "test" if vehicle == "lynx" else "train"
            names = {"vehicle": vehicle, "position": position, "channel": channel}
            add(folder, source, **names, labels=labels, full_scale_v=1.0, split=split)
    return folder


def add(folder: Path, source: Path, **given: object) -> dict[str, str]:
    """Add a recording, of the vehicle "marten" unless told otherwise; returns its row."""
    own = {name: given.pop(name) for name in ("split", "mount", "sensor", "converter", "force") if name in given}
    names = {"vehicle": "marten", "position": "frame", "scene": "quiet"}
    return dict(add_recording(folder, source, ReadOptions(**(names | given)), **own).row)  # type: ignore[arg-type]


def told(check: CorpusCheck, weight: str) -> list[str]:
    return [f"{finding.where}: {finding.what}" for finding in check.findings if finding.weight == weight]


def change_row(folder: Path, old: str, new: str) -> None:
    manifest = folder / "corpus.csv"
    text = manifest.read_text()
    assert old in text
    manifest.write_text(text.replace(old, new, 1))


def test_a_row_is_replaced_where_a_cell_holds_a_form_feed(corpus: Path, tmp_path: Path) -> None:
    """str.splitlines cuts there and at U+2028, and the lines of the manifest would be counted wrong."""
    change_row(corpus, "heron", "her\u2028on")
    before = (corpus / "corpus.csv").read_text(encoding="utf-8").split("\n")
    add(corpus, tmp_path / "lynx.wav", vehicle="lynx", scene="rain", channel=1, force=True)
    after = (corpus / "corpus.csv").read_text(encoding="utf-8").split("\n")
    assert after[:-2] == before[:-2]
    assert "rain" in after[-2]


def test_the_unit_of_stamps_is_kept(corpus: Path, tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    counts = 512 + np.random.default_rng(0).integers(-9, 9, 3000)
    log.write_text("time,adc\n" + "".join(f"{5 * i},{count}\n" for i, count in enumerate(counts)))
    add(corpus, log, vehicle="lynx", scene="rain", adc_bits=10, time_unit="ms")
    assert load_corpus(corpus).entries[-1].time_unit == "ms"
    assert load_corpus(corpus).load(load_corpus(corpus).entries[-1]).fs == pytest.approx(200.0)
    change_row(corpus, ",ms,", ",hours,")
    with pytest.raises(RecordingError, match="time_unit is 'hours'; it must be ns, us, ms, s or empty"):
        load_corpus(corpus)


def test_a_complete_corpus_has_nothing_wrong_and_nothing_missing(corpus: Path) -> None:
    check = check_corpus(corpus)
    assert check.findings == ()
    assert check.sound
    assert check.rows == 6
    assert check.taps["heron", "quiet"] == {"inner-skin": 12.0, "frame": 12.0}


def test_what_was_added_loads_with_its_labels(corpus: Path) -> None:
    loaded = load_corpus(corpus)
    assert [(entry.vehicle, entry.position, entry.channel, entry.split) for entry in loaded.entries][-2:] == [
        ("lynx", "inner-skin", 0, "test"),
        ("lynx", "frame", 1, "test"),
    ]
    for recording in loaded:
        assert recording.taps_s.tolist() == [1.0 + 0.5 * i for i in range(12)]
    assert len(list((corpus / "recordings").iterdir())) == 3  # one file for both channels


def test_init_does_not_touch_a_corpus_that_is_there(corpus: Path) -> None:
    before = (corpus / "corpus.csv").read_bytes()
    with pytest.raises(ParameterError, match="exists already"):
        init_corpus(corpus)
    assert (corpus / "corpus.csv").read_bytes() == before


def test_without_a_manifest_the_next_step_is_told(tmp_path: Path) -> None:
    for call in (check_corpus, lambda folder: add(folder, make_wav(tmp_path / "a.wav"))):
        with pytest.raises(RecordingError, match="tapsig corpus init"):
            call(tmp_path)


def test_a_vehicle_keeps_its_split(corpus: Path, tmp_path: Path) -> None:
    source = make_wav(tmp_path / "more.wav", seed=9)
    assert add(corpus, source, vehicle="lynx")["split"] == "test"
    with pytest.raises(ParameterError, match="lynx is in 'test'"):
        add(corpus, make_wav(tmp_path / "again.wav", seed=10), vehicle="lynx", split="train")


def test_a_channel_is_entered_once_unless_forced(corpus: Path, tmp_path: Path) -> None:
    source = make_wav(tmp_path / "more.wav", seed=9)
    add(corpus, source)
    with pytest.raises(ParameterError, match="is in the corpus already"):
        add(corpus, source)
    add(corpus, source, position="latch-bracket", force=True)
    rows = [entry for entry in load_corpus(corpus).entries if entry.vehicle == "marten"]
    assert [entry.position for entry in rows] == ["latch-bracket"]


def test_another_file_of_the_same_name_gets_a_name_of_its_own(corpus: Path, tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    rows = [
        add(corpus, make_wav(folder / "log 1.wav", seed=seed))
        for seed, folder in enumerate((tmp_path, tmp_path / "elsewhere"), 20)
    ]
    assert [row["recording"] for row in rows] == ["recordings/log-1.wav", "recordings/log-1-2.wav"]


def test_comments_and_columns_of_ones_own_stay_as_they_are(corpus: Path, tmp_path: Path) -> None:
    manifest = corpus / "corpus.csv"
    lines = manifest.read_text().splitlines()
    lines = ["# recorded on the quay", lines[0] + ",weather", *(line + ",dry" for line in lines[1:])]
    manifest.write_text("\n".join(lines))  # and no end of line at the end
    source = make_wav(tmp_path / "more.wav", seed=9)
    add(corpus, source)
    add(corpus, source, scene="rain", force=True)
    after = manifest.read_text().splitlines()
    assert after[: len(lines)] == lines
    assert len(after) == len(lines) + 1
    assert load_corpus(corpus).entries[-1].scene == "rain"
    assert load_corpus(corpus).entries[0].extra["weather"] == "dry"


def test_a_detail_for_which_there_is_no_column_is_refused(corpus: Path, tmp_path: Path) -> None:
    change_row(corpus, ",mount,sensor,converter", ",fixing,sensor,converter")
    with pytest.raises(RecordingError, match="no column mount"):
        add(corpus, make_wav(tmp_path / "more.wav"), mount="tape")


@pytest.mark.parametrize(
    ("name", "word"),
    [
        *itertools.product(("vehicle", "position", "scene"), ("", " ", "two\nlines", "#comment", " padded")),
        *itertools.product(("mount", "sensor", "converter"), ("two\nlines",)),
    ],
)
def test_names_that_a_manifest_cannot_hold_are_refused(corpus: Path, tmp_path: Path, name: str, word: str) -> None:
    before = (corpus / "corpus.csv").read_bytes()
    with pytest.raises(ParameterError, match=re.escape(f"{name} is {word!r}")):
        add(corpus, make_wav(tmp_path / "more.wav"), **{name: word})
    assert (corpus / "corpus.csv").read_bytes() == before


def test_labels_after_the_end_are_refused_and_nothing_is_added(corpus: Path, tmp_path: Path) -> None:
    source = make_wav(tmp_path / "short.wav", seconds=2.0)
    before = sorted(path.name for path in corpus.rglob("*"))
    with pytest.raises(LabelError):
        add(corpus, source, labels=make_labels(tmp_path / "late.csv"))
    assert sorted(path.name for path in corpus.rglob("*")) == before


def test_a_missing_file_is_an_error(corpus: Path) -> None:
    (corpus / "recordings" / "otter.wav").unlink()
    check = check_corpus(corpus)
    assert not check.sound
    assert [line.split(":")[0] for line in told(check, "error")] == ["recordings/otter.wav"] * 2


@pytest.mark.parametrize(
    ("old", "new", "error"),
    [
        ("recordings/heron.wav", "../heron.wav", "leaves the corpus folder"),
        ("train,2000,", "train,8000,", "2000 Hz"),
        ("quiet,train", "quiet,test", "heron: it is in test and train"),
    ],
)
def test_a_wrong_row_is_an_error(corpus: Path, old: str, new: str, error: str) -> None:
    change_row(corpus, old, new)
    assert error in told(check_corpus(corpus), "error")[0]


@pytest.mark.parametrize(
    ("file", "change", "error"),
    [
        ("labels/otter.wav-0.csv", Path.unlink, "otter.wav-0.csv"),
        ("labels/heron.wav-0.csv", lambda path: make_labels(path, extra="31.0,tap\n"), "31 s"),
        (
            "recordings/heron.wav",
            lambda path: make_wav(path, channels=2, seconds=25.0),
            "duration_s is 30, the file lasts 25 s",
        ),
    ],
)
def test_a_file_that_is_missing_or_has_changed_is_an_error(
    corpus: Path, file: str, change: Callable[[Path], object], error: str
) -> None:
    change(corpus / file)
    assert error in told(check_corpus(corpus), "error")[0]


def test_labels_of_no_two_recordings_share_a_name(corpus: Path, tmp_path: Path) -> None:
    """Channel 2 of one log.wav and channel 0 of another, quay.wav and quay.csv: three taps here, five there."""
    there = tmp_path / "there"
    there.mkdir()
    few, many = make_labels(tmp_path / "few.csv", taps=3), make_labels(tmp_path / "many.csv", taps=5)
    add(corpus, make_wav(tmp_path / "log.wav", seed=1, channels=3), channel=2, labels=few)
    add(corpus, make_wav(there / "log.wav", seed=2), channel=0, labels=many)
    add(corpus, make_wav(tmp_path / "quay.wav", seed=3), labels=few)
    counts = np.random.default_rng(4).integers(0, 1024, 30_000)
    (tmp_path / "quay.csv").write_text("ms,adc\n" + "".join(f"{i},{count}\n" for i, count in enumerate(counts)))
    add(corpus, tmp_path / "quay.csv", labels=many, adc_bits=10, full_scale_v=5.0)
    added = [entry for entry in load_corpus(corpus).entries if entry.vehicle == "marten"]
    assert len({entry.labels for entry in added}) == 4
    assert [load_corpus(corpus).load(entry).taps_s.size for entry in added] == [3, 5, 3, 5]


def test_labels_entered_by_hand_for_another_recording_are_not_written_over(corpus: Path, tmp_path: Path) -> None:
    manifest, few = corpus / "corpus.csv", make_labels(tmp_path / "few.csv", taps=3)
    make_labels(corpus / "labels" / "more.wav-0.csv", taps=7)
    change_row(corpus, "labels/heron.wav-0.csv", "labels/more.wav-0.csv")
    row = add(corpus, make_wav(tmp_path / "more.wav", seed=9), labels=few)
    assert row["labels"] == "labels/more.wav-0.2.csv"
    assert "labels/more.wav-0.csv" in manifest.read_text()
    assert load_corpus(corpus).load(load_corpus(corpus).entries[0]).taps_s.size == 7


def test_two_recordings_on_one_label_file_are_an_error(corpus: Path) -> None:
    """Channels of one recording may share theirs, also under another spelling of the path."""
    change_row(corpus, "labels/heron.wav-1.csv", "labels/../labels/heron.wav-0.csv".replace("/../labels", "/."))
    assert check_corpus(corpus).sound
    change_row(corpus, "labels/otter.wav-0.csv", "labels/heron.wav-0.csv")
    assert told(check_corpus(corpus), "error") == [
        "labels/heron.wav-0.csv: it is the label file of recordings/heron.wav and of recordings/otter.wav"
    ]


def test_a_forced_row_keeps_its_labels_and_columns_of_ones_own(corpus: Path, tmp_path: Path) -> None:
    change_row(corpus, "sensor,converter", "sensor,converter,weather")
    manifest = corpus / "corpus.csv"
    lines = manifest.read_text().splitlines()
    manifest.write_text("\n".join([lines[0], *(f"{line},dry" for line in lines[1:])]) + "\n")
    add(corpus, tmp_path / "lynx.wav", vehicle="lynx", channel=1, force=True, scene="rain")
    entry = load_corpus(corpus).entries[-1]
    assert (entry.scene, entry.labels, entry.extra["weather"]) == ("rain", "labels/lynx.wav-1.csv", "dry")


def test_six_adders_at_once_lose_no_row_and_mix_no_samples(tmp_path: Path) -> None:
    """18 recordings of one file name, each its own samples, from six processes."""
    folder, context = tmp_path / "mine", multiprocessing.get_context("spawn")
    init_corpus(folder)
    for part in range(6):
        (tmp_path / f"p{part}").mkdir()
        for number in range(3):
            volts = np.full(400, (3 * part + number) / 100)
            (tmp_path / f"p{part}" / f"n{number}").mkdir()
            write_wav(tmp_path / f"p{part}" / f"n{number}" / "log.wav", volts, FS, full_scale_v=1.0)
    workers = [context.Process(target=add_three, args=(folder, tmp_path / f"p{part}", part)) for part in range(6)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    assert [worker.exitcode for worker in workers] == [0] * 6
    corpus = load_corpus(folder)
    levels = {entry.vehicle: float(corpus.load(entry).samples[0]) for entry in corpus.entries}
    assert len(corpus.entries) == 18
    assert levels == pytest.approx({f"v{i}": i / 100 for i in range(18)}, abs=1e-4)


def add_three(folder: Path, source: Path, part: int) -> None:
    for number in range(3):
        add(folder, source / f"n{number}" / "log.wav", vehicle=f"v{3 * part + number}", full_scale_v=1.0)


@pytest.mark.parametrize("step", ["copyfile", "replace_file"])
def test_an_add_that_fails_leaves_nothing_behind(
    corpus: Path, tmp_path: Path, step: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fill(*arguments: object) -> None:
        if step == "copyfile":
            Path(str(arguments[1])).write_bytes(b"half")
        raise OSError(28, "No space left on device")

    source = make_wav(tmp_path / "more.wav", seed=9)
    before = {path: path.read_bytes() for path in corpus.rglob("*") if path.is_file()}
    monkeypatch.setattr(shutil if step == "copyfile" else curate, step, fill)
    with pytest.raises(OSError, match="No space"):
        add(corpus, source, labels=make_labels(tmp_path / "few.csv"))
    assert {path: path.read_bytes() for path in corpus.rglob("*") if path.is_file()} == before


def test_a_recording_that_is_still_written_is_refused(
    corpus: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = make_wav(tmp_path / "more.wav", seed=9)

    def copy_while_writing(of: Path, to: Path, real: object = shutil.copyfile) -> None:
        real(of, to)  # type: ignore[operator]
        with source.open("ab") as file:
            file.write(b"more")

    monkeypatch.setattr(shutil, "copyfile", copy_while_writing)
    with pytest.raises(RecordingError, match="changed while it was read"):
        add(corpus, source)
    assert len(list((corpus / "recordings").iterdir())) == 3


def test_the_same_samples_under_another_name_are_an_error(corpus: Path, tmp_path: Path) -> None:
    """Not the same bytes: another number of channels, the same sound in the first."""
    first = load_recording(corpus / "recordings" / "heron.wav", channel=0)
    write_wav(tmp_path / "copy.wav", first.samples, FS, full_scale_v=1.0)
    add(corpus, tmp_path / "copy.wav", vehicle="lynx", labels=corpus / "labels" / "heron.wav-0.csv", full_scale_v=1.0)
    assert told(check_corpus(corpus), "error") == [
        "recordings/copy.wav: same samples as recordings/heron.wav, across train and test"
    ]


def test_what_is_not_labelled_or_not_decided_is_a_warning(corpus: Path, tmp_path: Path) -> None:
    make_labels(corpus / "labels" / "heron.wav-0.csv", extra="20.0,unsure\n21.0,tap\n21.02,tap\n")
    add(corpus, make_wav(tmp_path / "more.wav", seed=9), vehicle="heron", full_scale_v=1.0)
    check = check_corpus(corpus)
    assert check.taps["heron", "quiet"] == {"inner-skin": 14.0, "frame": 12.0}  # 12 and 2 more; those of more.wav: none
    warnings = told(check, "warning")
    assert "recordings/more.wav: it has no labels" in warnings
    assert "recordings/heron.wav: labels still 'unsure': 1" in warnings
    assert "recordings/heron.wav: taps under 30 ms before another: 1, the first at 21 s" in warnings


def test_what_a_fair_comparison_lacks_is_told(tmp_path: Path) -> None:
    init_corpus(tmp_path / "mine")
    labels = make_labels(tmp_path / "labels.csv")
    for seed, (vehicle, position) in enumerate([("heron", "frame"), ("heron", "inner-skin"), ("otter", "frame")]):
        source = make_wav(tmp_path / f"{seed}.wav", seed=seed)
        add(tmp_path / "mine", source, vehicle=vehicle, position=position, labels=labels, full_scale_v=1.0)
    check = check_corpus(tmp_path / "mine")
    assert check.sound
    assert told(check, "missing") == [
        "otter, quiet: nothing from inner-skin",
        "frame: 24 labelled taps in all",
        "inner-skin: 12 labelled taps in all",
        "vehicles: there are 2",
    ]


def test_the_number_of_taps_asked_for_is_the_one_that_bounds_the_miss_rate() -> None:
    """Exact one-sided bound 1 − 0.05^(1/n), n = 30: 0.0950 (Jovanovic & Levy 1997)."""
    assert abs(1 - 0.05 ** (1 / ENOUGH_TAPS) - 0.0950) < 1e-4


def test_rates_that_differ_are_a_warning(corpus: Path, tmp_path: Path) -> None:
    write_wav(tmp_path / "fast.wav", 0.1 * np.random.default_rng(5).standard_normal(40000), 4000.0, full_scale_v=1.0)
    labels = make_labels(tmp_path / "few.csv", taps=3)
    add(corpus, tmp_path / "fast.wav", vehicle="heron", position="frame", labels=labels)
    assert "rates: recordings have 2000, 4000 Hz" in told(check_corpus(corpus), "warning")


def test_a_manifest_that_is_no_table_is_refused(corpus: Path) -> None:
    (corpus / "corpus.csv").write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(TapsigError, match=r"corpus\.csv"):
        check_corpus(corpus)
