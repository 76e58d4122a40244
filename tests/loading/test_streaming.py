"""Long files take bounded memory."""

import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np

from tapsig.loading import load_recording, read_wav_blocks, write_wav

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
