"""The demo corpus in the repository: what it promises, and that it can be written again."""

import csv
import io
from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tapsig.errors import ParameterError
from tapsig.simulation.corpus import Item, demo_items, render_item, render_wav, write_rendered
from tapsig.simulation.logger import SerialLog, render_log, sample_instants
from tapsig.simulation.scene import SCENES, simulate_scene
from tapsig.simulation.vehicle import FLEET, POSITIONS
from tests.fakes import DEMO


def read_table(path: Path) -> list[dict[str, str]]:
    with open(path, encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


ROWS = read_table(DEMO / "corpus.csv")


def taps_of(labels: str) -> np.ndarray:
    return np.array([float(row["onset_s"]) for row in read_table(DEMO / labels) if row["kind"] == "tap"])


def test_corpus_is_small_enough_to_keep() -> None:
    assert sum(path.stat().st_size for path in DEMO.rglob("*") if path.is_file()) <= 25_000_000


@pytest.mark.parametrize("name", ["heron-quiet-2k", "otter-quiet-log"])
def test_recordings_are_written_again(name: str) -> None:
    # Twice in a row: the same bytes. Against the repository, which another processor may have written: at most a few
    # samples differ, by one count (with plain vector instructions 0.3 % did).
    item = next(item for item in demo_items() if item.name == name)
    files = {file.path: file.content for file in render_item(item)[0]}
    if name == "otter-quiet-log":  # the shorter one
        assert files == {file.path: file.content for file in render_item(item)[0]}
    for path, content in files.items():
        stored = (DEMO / path).read_bytes()
        if path.endswith(".wav"):
            found, kept = (soundfile.read(io.BytesIO(data), dtype="int16")[0].astype(int) for data in (content, stored))
            assert found.shape == kept.shape
            assert np.abs(found - kept).max() <= 1 << (16 - 10)
            assert np.mean(found != kept) < 5e-3
        elif path.startswith("labels"):
            assert content == stored
        else:
            lines, kept_lines = content.decode().splitlines(), stored.decode().splitlines()
            assert len(lines) == len(kept_lines)
            assert sum(a != b for a, b in zip(lines, kept_lines, strict=True)) <= 0.01 * len(lines)


def test_vehicles_are_split_and_never_shared() -> None:
    splits = defaultdict(set)
    for row in ROWS:
        splits[row["vehicle"]].add(row["split"])
    assert {vehicle: split.pop() for vehicle, split in splits.items() if len(split) == 1} == dict(FLEET)


def test_test_vehicles_have_every_scene_at_every_position() -> None:
    found = {(row["vehicle"], row["scene"], row["position"]) for row in ROWS if row["fs_hz"] == "8000"}
    for vehicle, split in FLEET.items():
        scenes = list(SCENES) if split == "test" else ["quiet"]
        assert {(vehicle, scene, position) for scene in scenes for position in POSITIONS} <= found


def test_manifest_agrees_with_the_files() -> None:
    for row in ROWS:
        path = DEMO / row["recording"]
        if path.suffix != ".wav":
            continue
        info = soundfile.info(path)
        assert info.subtype == "PCM_16"
        assert info.samplerate == float(row["fs_hz"])
        assert info.frames / info.samplerate == pytest.approx(float(row["duration_s"]), abs=1e-3)
        assert info.channels == 1 if row["channel"] == "" else int(row["channel"]) < info.channels
        counts = soundfile.read(path, dtype="int16", always_2d=True)[0].astype(int)
        assert np.all(counts % (1 << (16 - int(row["adc_bits"]))) == 0)


def test_every_quiet_recording_holds_practice_and_two_entries() -> None:
    for vehicle in FLEET:
        entries = read_table(DEMO / f"truth/{vehicle}-quiet-entries.csv")
        taps = taps_of(f"labels/{vehicle}-quiet.csv")
        assert len(entries) >= 2
        assert {len(entry["code"]) for entry in entries} <= {3, 4}
        assert np.count_nonzero(taps < float(entries[0]["first_tap_s"])) >= 2


def test_labels_hold_the_codes_of_the_truth() -> None:
    # A pause over 1 s ends a digit, 3 s of silence end an entry (common practice): counted here on the labels alone.
    checked = 0
    for path in sorted((DEMO / "truth").glob("*-entries.csv")):
        taps = taps_of(f"labels/{path.name.removesuffix('-entries.csv')}.csv")
        for entry in read_table(path):
            first = int(np.argmin(np.abs(taps - float(entry["first_tap_s"]))))
            gaps = np.append(np.diff(taps[first:]), np.inf)
            own = gaps[: int(np.flatnonzero(gaps > 3.0)[0]) + 1]
            ends = np.flatnonzero(own > 1.0)
            digits = np.diff(np.concatenate([[-1], ends]))
            assert "".join(map(str, digits)) == entry["code"]
            checked += 1
    assert checked > 50


def test_quiet_taps_stand_out_and_some_others_do_not() -> None:
    ratios = {"quiet": [], "other": []}
    for path in sorted((DEMO / "truth").glob("*-taps.csv")):
        kind = "quiet" if "-quiet" in path.name else "other"
        for row in read_table(path):
            ratios[kind] += [float(value) for name, value in row.items() if name.startswith("tap_to_nuisance_db")]
    assert np.mean(np.array(ratios["quiet"]) > 10.0) >= 0.99
    assert 0.02 < np.mean(np.array(ratios["other"]) < 0.0) < 0.4


def test_kinds_of_input_are_all_there() -> None:
    assert {row["converter"] for row in ROWS} == {"biased", "clamped"}
    assert {8, 10, 12} <= {int(row["adc_bits"]) for row in ROWS}
    assert {"1000", "2000", "8000"} <= {row["fs_hz"] for row in ROWS}
    assert sum(row["recording"].endswith(".csv") for row in ROWS) >= 2


def test_wav_keeps_every_count() -> None:
    recording = simulate_scene("lynx", "rain", duration_s=1.0, seed=1, taps="none").recordings["frame"]
    stored, fs = soundfile.read(io.BytesIO(render_wav([recording])))
    assert fs == 8000
    assert np.array_equal(stored * 2.5, recording.samples)


def test_log_shows_its_faults() -> None:
    rng = np.random.default_rng(3)
    log = SerialLog("us,adc", jitter_s=5e-5, gaps=((1.0, 0.5),), dropped=0.01, torn=2, first_us=2**32 - 500_000)
    times = sample_instants(3.0, 500.0, log, rng)
    assert np.diff(times).max() > 0.5
    assert not np.any((times >= 1.0) & (times < 1.5))
    assert 1200 < times.size < 1250
    lines = render_log(times, np.full(times.size, 512), log, rng).split("\r\n")
    head = lines.index("us,adc")
    whole = [line for line in lines[head + 1 : -1] if line.count(",") == 1 and line.endswith(",512")]
    stamps = [int(line.split(",")[0]) for line in whole]
    drops = np.flatnonzero(np.diff(stamps) < 0)
    assert drops.size == 1  # the counter's wrap at 2**32 µs
    assert (stamps[drops[0] + 1] - stamps[drops[0]]) % 2**32 < 20_000
    torn = [line for line in lines[head + 1 : -1] if line.count(",") != 1 or not line.replace(",", "").isdigit()]
    assert len(torn) == 2


def test_unknown_log_style_is_refused() -> None:
    with pytest.raises(ParameterError, match="style"):
        SerialLog("json")


def test_nothing_is_replaced_without_force(tmp_path: Path) -> None:
    short = Item("lynx-short", "lynx", "quiet", 1, positions=("frame",), taps="none", duration_s=0.5)
    rendered = [render_item(short)]
    written = [file.path for file in write_rendered(rendered, tmp_path)]
    assert written[-1] == "corpus.csv"
    assert all((tmp_path / path).is_file() for path in written)
    with pytest.raises(ParameterError, match="exists already"):
        list(write_rendered(rendered, tmp_path))
    assert [file.path for file in write_rendered(rendered, tmp_path, force=True)] == written
