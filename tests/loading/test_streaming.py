"""Long files take bounded memory, and a detector fed from a file decides as on the whole recording."""

import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tapsig.detections import Detections
from tapsig.detectors import CATALOGUE, detect
from tapsig.loading import load_recording, read_wav_blocks, read_wav_info, write_wav

MEGABYTE = 1 << 20


def peak_bytes(work: Callable[[], object]) -> int:
    """Most memory that Python and NumPy held at once while working."""
    tracemalloc.start()
    try:
        work()
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_blocks_of_a_long_wav_file_take_little_memory(tmp_path: Path) -> None:
    path = tmp_path / "long.wav"
    write_wav(path, np.zeros(5_000_000), 8000, full_scale_v=1.0)
    seen = 0

    def work() -> None:
        nonlocal seen
        for block in read_wav_blocks(path):
            seen += block.size

    assert peak_bytes(work) < 4 * MEGABYTE
    assert seen == 5_000_000


def test_log_takes_memory_for_its_columns_only(tmp_path: Path) -> None:
    """Two columns of 8 bytes, with room to grow, and the recording's samples: no copy of the text."""
    path = tmp_path / "long.csv"
    lines = 1_000_000
    path.write_text("us,adc\n" + "".join(f"{1000 * index},{389 * index % 1024}\n" for index in range(lines)))
    load_recording(path, adc_bits=10, full_scale_v=5.0)  # compiled by now
    assert peak_bytes(lambda: load_recording(path, adc_bits=10, full_scale_v=5.0)) < 40 * lines + 4 * MEGABYTE


@pytest.mark.parametrize("name", ["fixed-threshold", "sta-lta"])
def test_detector_fed_from_a_file_decides_as_on_the_whole(tmp_path: Path, name: str) -> None:
    rng = np.random.default_rng(3)
    samples = 0.01 * rng.standard_normal(40_000)
    for onset in (9_000, 14_000, 31_000):
        samples[onset : onset + 200] += 0.8 * np.exp(-np.arange(200) / 40) * np.cos(np.arange(200) / 3)
    path = tmp_path / "x.wav"
    write_wav(path, samples, 8000, full_scale_v=1.0)
    detector = CATALOGUE[name].build(read_wav_info(path).fs)
    parts = [detector.push(block) for block in read_wav_blocks(path, block_samples=777)]
    found = Detections.concatenate([*parts, detector.flush()])
    whole = detect(name, load_recording(path))
    assert len(found) >= 3
    np.testing.assert_array_equal(found.onset_samples, whole.onset_samples)
    np.testing.assert_array_equal(found.decided_samples, whole.decided_samples)
