"""The logger in the simulator, its bytes into the loader: every sample comes back."""

from pathlib import Path

import numpy as np
import pytest

from tapsig.cli import main
from tapsig.exporting import simulated
from tapsig.loading import load_recording

TIMER_CLOCK_HZ, TICKS = 2e6, {5000: 400, 5085: 393}  # the whole numbers next to 2 MHz / fs


@pytest.mark.parametrize("fs", [5000, 5085])
def test_every_sample_and_every_count_comes_back(fs: int, simulator: Path, tmp_path: Path) -> None:
    """Also the very first: a period is no longer than the converter's first conversion, 25 cycles of 8 us."""
    assert main(["export", "--logger", "--fs", str(fs), "--out", str(tmp_path)]) == 0
    firmware = simulated.build(tmp_path, "logger.elf")
    rng = np.random.default_rng(3)
    parts = [512 + rng.integers(-1, 2, 100), np.arange(1024), rng.integers(0, 1024, 9000)]
    counts = np.concatenate(parts).astype(np.uint16)
    run = simulated.run_simulator(simulator, firmware, counts, fs)
    (tmp_path / "log.bin").write_bytes(run.serial)
    recording = load_recording(tmp_path / "log.bin")
    assert recording.fs == pytest.approx(TIMER_CLOCK_HZ / TICKS[fs], abs=5e-4)  # the header has mHz
    assert not recording.gaps
    assert not recording.findings
    logged = np.round(recording.samples * 1024 / 5.0).astype(np.int64)
    assert counts.size - logged.size < 4 * 32  # what the last frames in the queue would have held
    np.testing.assert_array_equal(logged, counts[: logged.size])
