"""A short seeded run over every target; found crashes run again as tests of their own."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.fuzz.targets import TARGETS, fuzz_labels, fuzz_log, fuzz_manifest, fuzz_wav, mutate

CRASHES = sorted((Path(__file__).parent / "crashes").glob("*-*.bin"))
INPUTS = {"wav": 1500, "log": 1500, "labels": 1500, "manifest": 800, "detector": 300, "cli": 60}


@pytest.mark.parametrize("name", TARGETS)
def test_mutated_input_raises_nothing_but_own_errors(name: str) -> None:
    target, seeds, tokens = TARGETS[name]
    rng = np.random.default_rng(20240611)
    read = sum(target(mutate(seeds, tokens, rng)) for _ in range(INPUTS[name]))
    assert name == "cli" or target(seeds[0])
    assert 0 < read < INPUTS[name], "some inputs must be read and some refused"


@pytest.mark.parametrize("path", CRASHES, ids=lambda path: path.name)
def test_input_that_once_crashed_is_read_or_refused(path: Path) -> None:
    TARGETS[path.name.split("-")[0]][0](path.read_bytes())


@pytest.mark.parametrize("target", [fuzz_wav, fuzz_log, fuzz_labels, fuzz_manifest])
@given(data=st.binary(max_size=200))
def test_any_bytes_raise_nothing_but_own_errors(target, data: bytes) -> None:
    target(data)


@given(st.lists(st.text('0123456789.,;-+eE \t\0xnaovf#\r"', max_size=20), max_size=30), st.integers(0, 31))
def test_any_lines_of_a_log_raise_nothing_but_own_errors(lines: list[str], choice: int) -> None:
    fuzz_log(bytes([choice]) + "\n".join(lines).encode())
