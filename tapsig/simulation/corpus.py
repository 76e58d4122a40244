"""The demo corpus: its recordings, and how each is written with its ground truth, reproducibly to the byte."""

import csv
import io
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy.io import wavfile

from tapsig.errors import ParameterError
from tapsig.loading.curate import COLUMNS
from tapsig.loading.files import replace_file
from tapsig.records import Recording
from tapsig.simulation.excitation import random_stream
from tapsig.simulation.logger import SerialLog, render_log, sample_instants
from tapsig.simulation.scene import LOWEST_RATE_HZ, SCENES, SimulatedScene, simulate_scene
from tapsig.simulation.vehicle import FLEET, POSITIONS, find_vehicle
from tapsig.units import volts_to_counts

MANIFEST_COLUMNS = tuple(column for column in COLUMNS if column != "time_unit")
SUITED_CODES = ("213", "121", "312", "132", "221", "231", "122", "113")  # short enough for a short recording


@dataclass(frozen=True, slots=True)
class Item:
    """Settings of one recording of a corpus; everything else follows from the seed."""

    name: str
    vehicle: str
    scene: str
    seed: int
    positions: tuple[str, ...] = POSITIONS
    taps: str = "entries"
    codes: tuple[str, ...] | None = None
    duration_s: float | None = None  # None: as long as the codes need
    fs: float = 8000.0
    tap_kind: str | None = None
    converter: tuple[tuple[str, float | bool], ...] = ()  # changes to the vehicle's own
    log: SerialLog | None = None  # instead of a WAV file


def demo_items() -> tuple[Item, ...]:
    """All recordings of the demo corpus."""
    return (*_quiet_items(), *_test_items(), *_other_items(), *_unusual_items())


def _quiet_items() -> Iterator[Item]:
    """Each vehicle at rest: practice taps, then two entries, at all four positions.

    The seeds are the first in steps of 100 whose middle tap reaches 12–75 % of full scale at every position.
    """
    seeds = (100, 101, 102, 103, 504, 305)
    codes = (("213", "1211"), ("122", "131"), ("132", "211"), ("312", "121"), ("231", "1212"), ("1211", "123"))
    for vehicle, pair, seed in zip(FLEET, codes, seeds, strict=True):
        yield Item(f"{vehicle}-quiet", vehicle, "quiet", seed, taps="both", codes=pair, tap_kind="knuckle")


def _test_items() -> Iterator[Item]:
    """The test vehicles in every other scene, each with one entry, at all four positions."""
    scenes = [scene for scene in SCENES if scene != "quiet"]
    for offset, vehicle in enumerate(name for name, split in FLEET.items() if split == "test"):
        for index, scene in enumerate(scenes):
            code = SUITED_CODES[(index + 3 * offset) % len(SUITED_CODES)]
            yield Item(f"{vehicle}-{scene}", vehicle, scene, 200 + 20 * offset + index, codes=(code,))


def _other_items() -> Iterator[Item]:
    """The other vehicles in a selection of scenes, one position each; every third has no taps."""
    chosen = {
        "heron": ("driving", "rain", "music", "slam", "whine"),
        "otter": ("driving", "hail", "wind", "rattle", "brush"),
        "lynx": ("truck", "lean", "music", "handling", "rain"),
        "badger": ("driving", "rain", "slam", "music", "wind", "handling"),
    }
    number = 0
    for vehicle, scenes in chosen.items():
        for index, scene in enumerate(scenes):
            names = f"{vehicle}-{scene}", vehicle, scene, 300 + number, (POSITIONS[(number + index) % 4],)
            code = SUITED_CODES[number % len(SUITED_CODES)]
            yield Item(*names, taps="none", duration_s=5.0) if number % 3 == 2 else Item(*names, codes=(code,))
            number += 1


def _unusual_items() -> Iterator[Item]:
    """Other sample rates, converters and kinds of taps, and serial logs."""

    def one(kind: str, vehicle: str, scene: str, seed: int, position: str, code: str, **more: Any) -> Item:
        return Item(f"{vehicle}-{scene}-{kind}", vehicle, scene, seed, (position,), codes=(code,), **more)

    clamped = (("one_sided", True),)
    yield Item("heron-quiet-2k", "heron", "quiet", 601, codes=("1221",), fs=2000.0)
    yield Item("crane-driving-1k", "crane", "driving", 402, codes=("213",), fs=1000.0)
    yield one("2k", "badger", "rain", 403, "frame", "312", fs=2000.0)
    yield one("clamped", "otter", "quiet", 404, "frame", "132", converter=clamped)
    yield one("clamped", "ibex", "slam", 405, "inner-skin", "213", converter=clamped)
    yield one("clamped", "crane", "quiet", 406, "outer-skin", "221", converter=clamped)
    yield one("fingertip", "lynx", "quiet", 607, "frame", "121", tap_kind="fingertip")
    yield one("nail", "crane", "quiet", 3108, "inner-skin", "212", tap_kind="nail", converter=(("bits", 12),))
    yield one("key", "ibex", "quiet", 409, "outer-skin", "113", tap_kind="key", converter=(("bits", 8),))
    log = SerialLog("us,adc", jitter_s=4e-5, gaps=((6.9, 0.35),), dropped=0.004, torn=3)
    yield one("log", "otter", "quiet", 410, "inner-skin", "213", fs=678.0, log=log)
    log = SerialLog("ms,adc", jitter_s=2e-4, gaps=((0.3, 0.12),), dropped=0.006, torn=2, first_us=88_012_000)
    yield one("log", "badger", "driving", 411, "frame", "122", fs=640.0, log=log)
    log = SerialLog("us,adc", jitter_s=3e-5, torn=4, first_us=2**32 - 3_400_000)  # it wraps
    yield one("log", "ibex", "rain", 412, "frame", "121", fs=678.0, log=log)


def simulate_item(item: Item) -> SimulatedScene:
    """The recordings of one item (for a log: before the logger's faults)."""
    vehicle = find_vehicle(item.vehicle)
    converter = replace(vehicle.converter, **dict(item.converter)) if item.converter else None  # type: ignore[arg-type]
    fs = LOWEST_RATE_HZ if item.log else item.fs  # a log has its own sampling instants
    same = ("positions", "duration_s", "seed", "taps", "codes", "tap_kind")
    fields = {name: getattr(item, name) for name in same}
    return simulate_scene(vehicle, item.scene, fs=fs, converter=converter, **fields)


@dataclass(frozen=True, slots=True)
class WrittenFile:
    """A file of a corpus: its path inside the folder, and its bytes."""

    path: str
    content: bytes


Rendered = tuple[list[WrittenFile], list[dict[str, object]]]
"""All files of a scene, and its rows of the manifest."""


def render_item(item: Item) -> Rendered:
    """All files of one item, and its rows of the manifest."""
    return render_scene(item.name, simulate_item(item), split=FLEET.get(item.vehicle, ""), log_of=item)


def render_scene(
    name: str, simulated: SimulatedScene, *, split: str, truth: bool = True, log_of: Item | None = None
) -> Rendered:
    """Files and manifest rows of a scene: recording (a serial log when `log_of` has one), labels, truth tables."""
    first = next(iter(simulated.recordings.values()))
    fs, full_scale_v = first.fs, simulated.converter.full_scale_v
    if log_of is not None and log_of.log is not None:
        path, content = f"recordings/{name}.csv", _render_log(log_of, log_of.log, simulated)
        fs, full_scale_v = log_of.fs, 2.0 * full_scale_v  # a log's counts start at 0 V
    else:
        path, content = f"recordings/{name}.wav", render_wav(list(simulated.recordings.values()))
    files = [WrittenFile(path, content), WrittenFile(f"labels/{name}.csv", render_labels(first))]
    if truth:
        files += render_truth(name, simulated)
    rows: list[dict[str, object]] = []
    for channel, position in enumerate(simulated.recordings):
        mount, circuit = simulated.vehicle.mounts[position], simulated.vehicle.circuits[position]
        rows.append(
            {
                "recording": path,
                "channel": channel if len(simulated.recordings) > 1 else "",
                "labels": f"labels/{name}.csv",
                "vehicle": simulated.vehicle.name,
                "position": position,
                "scene": first.scene,
                "split": split,
                "fs_hz": f"{fs:g}",
                "full_scale_v": f"{full_scale_v:g}",
                "adc_bits": simulated.converter.bits,
                "duration_s": f"{first.duration_s:.3f}",
                "seed": simulated.seed,
                "mount": mount.glue,
                "sensor": f"disc {2e3 * mount.radius_m:g} mm {circuit.corner_hz:.1f} Hz",
                "converter": "clamped" if simulated.converter.one_sided else "biased",
            }
        )
    return files, rows


def render_wav(recordings: Sequence[Recording]) -> bytes:
    """A 16-bit WAV file, one recording a channel; the counts are left-justified, so they are kept exactly."""
    columns = []
    for recording in recordings:
        if recording.fs != round(recording.fs):
            raise ParameterError(f"fs is {recording.fs!r}; a WAV file needs a whole number of hertz")
        if recording.range_v is None or recording.adc_bits is None or recording.adc_bits > 16:
            raise ParameterError(f"{recording.source}: range_v and adc_bits (16 at most) are needed for a WAV file")
        counts = volts_to_counts(recording.samples, recording.range_v, recording.adc_bits)
        columns.append((counts - (1 << (recording.adc_bits - 1))) << (16 - recording.adc_bits))
    buffer = io.BytesIO()
    wavfile.write(buffer, round(recordings[0].fs), np.stack(columns, axis=1).astype(np.int16))
    return buffer.getvalue()


def render_labels(recording: Recording) -> bytes:
    """The labels as `onset_s,kind`, to a tenth of a millisecond; equal rows are written once."""
    rows = ((f"{label.onset_s:.4f}", label.kind) for label in recording.labels or ())
    return _render_rows(("onset_s", "kind"), dict.fromkeys(rows))


def _render_rows(header: Sequence[str], rows: Iterable[Sequence[object]]) -> bytes:
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return buffer.getvalue().encode("utf-8")


def _render_log(item: Item, log: SerialLog, simulated: SimulatedScene) -> bytes:
    """A serial log of the item's first position."""
    recording = next(iter(simulated.recordings.values()))
    converter = simulated.converter
    rng = random_stream(item.seed, item.name, "logger")
    times = sample_instants(recording.duration_s - 0.01, item.fs, log, rng)
    samples = recording.samples[np.floor(times * recording.fs).astype(np.int64)]
    counts = volts_to_counts(samples, converter.range_v, converter.bits)
    full_scale_v = 2.0 * converter.full_scale_v
    preamble = ("ferry depot, piezo on A0", f"adc_bits={converter.bits}", f"full_scale_v={full_scale_v:g}")
    return render_log(times, counts, log, rng, preamble=preamble).encode("utf-8")


def render_truth(name: str, simulated: SimulatedScene) -> list[WrittenFile]:
    """The ground truth as tables: every contact, the modes, and the taps at each position."""
    truth = simulated.truth
    contacts = sorted(
        (float(onset), impacts.kind, float(length), float(force), impacts.places[place])
        for impacts in truth.impacts
        for onset, length, force, place in zip(
            impacts.onset_s, impacts.duration_s, impacts.force_n, impacts.place, strict=True
        )
    )
    tables = {
        "contacts": _render_rows(
            ("onset_s", "kind", "contact_ms", "force_n", "part", "x", "y"),
            (
                (f"{onset:.4f}", kind, f"{1e3 * length:.2f}", f"{force:.3g}", part, f"{x:.2f}", f"{y:.2f}")
                for onset, kind, length, force, (part, x, y) in contacts
            ),
        )
    }
    modes = zip(truth.frequencies_hz, truth.t60_s, truth.loudest_part, strict=True)
    rows: Iterable[Sequence[object]] = ((f"{hz:.1f}", f"{t60:.3g}", part) for hz, t60, part in modes)
    tables["modes"] = _render_rows(("frequency_hz", "t60_s", "part"), rows)
    if truth.taps_s.size:
        header, columns = ["onset_s"], [[f"{onset:.4f}" for onset in truth.taps_s]]
        for position, peaks in truth.tap_peak_v.items():
            header += [f"peak_v {position}", f"tap_to_nuisance_db {position}"]
            columns.append([f"{peak:.3g}" for peak in peaks])
            columns.append([f"{ratio:.1f}" for ratio in truth.tap_to_nuisance_db[position]])
        tables["taps"] = _render_rows(header, zip(*columns, strict=True))
    if truth.codes:
        rows = ((f"{first:.4f}", code) for code, first in truth.codes)
        tables["entries"] = _render_rows(("first_tap_s", "code"), rows)
    return [WrittenFile(f"truth/{name}-{table}.csv", content) for table, content in tables.items()]


def write_rendered(rendered: Iterable[Rendered], folder: Path, *, force: bool = False) -> Iterator[WrittenFile]:
    """Write scenes and then the manifest into `folder`; yields every file once it is written.

    Only one scene is held at a time. Raises ParameterError when a file already exists and `force` is not set.
    """
    manifest: list[dict[str, object]] = []
    _refuse_to_replace(folder / "corpus.csv", force)
    for files, rows in rendered:
        for file in files:
            _refuse_to_replace(folder / file.path, force)
            (folder / file.path).parent.mkdir(parents=True, exist_ok=True)
            replace_file(folder / file.path, file.content)
            yield file
        manifest += rows
    lines = ([row[column] for column in MANIFEST_COLUMNS] for row in manifest)
    table = WrittenFile("corpus.csv", _render_rows(MANIFEST_COLUMNS, lines))
    folder.mkdir(parents=True, exist_ok=True)
    replace_file(folder / table.path, table.content)
    yield table


def _refuse_to_replace(path: Path, force: bool) -> None:
    if path.exists() and not force:
        raise ParameterError(f"--out: {path} exists already; add --force to replace it, or choose another folder")
