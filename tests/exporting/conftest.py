"""The simulator's program, built once for all tests of devices."""

from pathlib import Path

import pytest

from simulating import need_simulator
from tapsig.exporting import simulated


@pytest.fixture(scope="session")
def simulator(tmp_path_factory: pytest.TempPathFactory) -> Path:
    need_simulator()
    return simulated.build_simulator(tmp_path_factory.mktemp("simulator"))
