"""A whole device in an instruction-set simulator does what `tapsig entry` does on the same counts, bit for bit."""

from operator import attrgetter
from pathlib import Path

import numpy as np
import pytest

from simulating import CONVERTER, build, make_entries, need_simulator, to_recording
from tapsig.cli import main
from tapsig.converter import CountArray
from tapsig.detectors import CATALOGUE
from tapsig.entry import decode_taps
from tapsig.entry.decoding import decode_recording
from tapsig.errors import ExportError
from tapsig.exporting import prepare, render_firmware, simulated
from tapsig.exporting.chain import Prepared
from tapsig.loading import load_recording, write_wav
from tests.fakes import DEMO

CASES = [("crane-quiet.wav", 2000.0, 0), ("lynx-handling.wav", 1000.0, 0), ("ibex-rain.wav", 2000.0, 1)]
LISTENED_S = 13.0


def require_equal(run: simulated.SimulatedRun, prepared: Prepared, counts: CountArray) -> None:
    """The device sends what the core gives here, decides as `tapsig entry`, and opens at least once."""
    taps, verdicts = simulated.decide_entries(prepared, counts)
    assert run.lines == ("boot,1,0", *simulated.expect_lines(prepared, counts))
    assert [line for line in run.lines if line.startswith("tap")] == taps
    assert list(run.verdicts) == verdicts
    assert verdicts.count("accepted") == len(run.pulses) >= 1


@pytest.mark.parametrize(("name", "fs", "channel"), CASES)
def test_the_device_decides_as_the_library_on_demo_recordings(
    name: str, fs: float, channel: int, simulator: Path, tmp_path: Path
) -> None:
    variant = CATALOGUE["tap"]
    recording = load_recording(DEMO / "recordings" / name, channel=channel, full_scale_v=2.5)
    counts = simulated.to_device_counts(recording, fs, CONVERTER)[: round(LISTENED_S * fs)]
    counts = np.concatenate([counts, np.full(round(4 * fs), counts[-1])])
    heard = [
        int(line.split(",")[2]) / fs
        for line in simulated.decide_entries(prepare(variant, fs, CONVERTER, code=(1,), decoder="rule"), counts)[0]
    ]
    code = decode_taps(heard)[0].digits  # whatever was decoded first becomes the code, so that a release is seen
    firmware = build(variant, fs, tmp_path, code=code)
    run = simulated.run_simulator(simulator, firmware, counts, fs)
    require_equal(run, prepare(variant, fs, CONVERTER, code=code, decoder="rule"), counts)
    opened = [int(line.split(",")[1]) for line in run.lines if line.startswith("accepted")]
    for at, (begun, ended) in zip(opened, run.pulses, strict=True):
        assert 0 < begun - at <= 2 + fs / 1000  # a count is worked on while the next ones are taken
        assert ended - begun == pytest.approx(0.25 * fs, abs=2 + fs / 1000)
    load = simulated.measure_load(firmware, run)
    assert load.flash < 20 * 1024
    assert load.ram + load.stack < 1536
    assert 0 < load.mean_cycles < load.cycles / 2
    assert load.mean_cycles < load.worst_cycles < load.cycles
    assert fs != 2000.0 or load.worst_cycles < load.cycles / 2


def test_the_device_decides_on_evidence_as_the_library(simulator: Path, tmp_path: Path) -> None:
    variant = CATALOGUE["tap"]
    recording = load_recording(DEMO / "recordings" / "crane-quiet.wav", channel=0, full_scale_v=2.5)
    counts = simulated.to_device_counts(recording, 2000.0, CONVERTER)
    heard = decode_recording(to_recording(counts, 2000.0), decoder="evidence")
    code = max(heard, key=attrgetter("log_ratio")).digits
    firmware = build(variant, 2000.0, tmp_path, code=code, decoder="evidence")
    prepared = prepare(variant, 2000.0, CONVERTER, code=code, decoder="evidence")
    counts = simulated.await_verdict(prepared, counts)
    run = simulated.run_simulator(simulator, firmware, counts, 2000.0)
    require_equal(run, prepared, counts)
    load = simulated.measure_load(firmware, run)
    assert load.flash <= 20 * 1024
    assert load.ram + load.stack <= 1536
    assert load.worst_cycles < load.cycles / 2


def test_the_command_runs_the_device_and_prints_its_release(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    need_simulator()
    wav = tmp_path / "entry.wav"
    counts = make_entries([(1.0, (2, 1))], 2000.0, 8.0)
    write_wav(wav, CONVERTER.to_volts(counts), 2000.0, full_scale_v=2.5, bits=16)
    words = ["export", "fixed-threshold", "--fs", "2000", "--code", "2-1", "--firmware", "--out", str(tmp_path / "out")]
    assert main([*words, "--simulate", str(wav)]) == 0
    out, err = capsys.readouterr()
    assert "RELEASE   pulse of 0.250 s" in out
    assert "cycles a ms, worst" in out
    assert "equal to `tapsig entry` on the same counts: 3 taps, 1 verdicts" in err
    assert (tmp_path / "out" / "device" / "board.h").exists()


def test_missing_tools_are_named_with_the_remedy(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(ExportError, match=r"avr-gcc.*apt install gcc-avr avr-libc"):
        simulated.check_tools()


def test_firmware_files_come_beside_the_export() -> None:
    files = render_firmware(prepare(CATALOGUE["fixed-threshold"], 1000.0, CONVERTER, code=(2, 1)))
    assert {"Makefile", "wiring.svg", "device/board.h", "device/device.c", "tapsig.c", "replay.c"} <= files.keys()
