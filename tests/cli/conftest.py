"""Recordings that several commands are tried on: the quickstart's example, and a short WAV file with knocks."""

from pathlib import Path

import pytest

from tapsig.loading import write_wav
from tapsig.quickstart import write_quickstart
from tapsig.testing import make_test_signal


@pytest.fixture(scope="session")
def first(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder that `tapsig quickstart first` writes; to be read only."""
    folder = tmp_path_factory.mktemp("quickstart") / "first"
    write_quickstart(folder)
    return folder


@pytest.fixture(scope="session")
def wav(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """`make_test_signal` at 8 kHz in a WAV file whose full scale is 2.5 V; to be read only."""
    path = tmp_path_factory.mktemp("bench") / "bench.wav"
    write_wav(path, make_test_signal(8000.0) - 2.5, 8000.0, full_scale_v=2.5)
    return path
