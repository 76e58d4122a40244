"""The first start: what the process beside compiles is what the detecting process asks for."""

import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from tapsig.cli import first_start
from tapsig.detect import CATALOGUE, gate

DETECT = """
import numpy as np
from tapsig.detect.gate import judge
from tapsig.detect.tap import Tap
samples = np.zeros(4000)
samples[2000:2040] = 0.3 * np.exp(-np.arange(40) / 10.0)
detector = Tap().build(8000.0)
detector.push(samples)
detector.flush()
print(sum(judge.stats.cache_hits.values()), sum(judge.stats.cache_misses.values()))
"""


def test_the_gate_compiled_beside_is_found_by_the_detector(tmp_path: Path) -> None:
    environment = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path)}
    subprocess.run([sys.executable, "-c", first_start.COMPILE], env=environment, check=True)
    told = subprocess.run([sys.executable, "-c", DETECT], env=environment, check=True, capture_output=True, text=True)
    assert told.stdout.split() == ["1", "0"]


def test_a_process_is_started_for_tap_alone_and_only_at_the_first_start(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    started: list[list[str]] = []
    monkeypatch.setattr(first_start.subprocess, "Popen", lambda words, **_: started.append(words))
    compiled = SimpleNamespace(stats=SimpleNamespace(cache_path=str(tmp_path)))
    monkeypatch.setattr(gate, "judge", compiled)
    first_start.compile_beside(CATALOGUE["sta-lta"])
    assert not started
    with monkeypatch.context() as uncompiled:
        uncompiled.setattr(gate, "judge", object())
        first_start.compile_beside(CATALOGUE["tap"])
    assert not started
    first_start.compile_beside(CATALOGUE["tap"])
    assert started == [[sys.executable, "-c", first_start.COMPILE]]
    (tmp_path / "gate.judge-1.py311.nbi").touch()
    first_start.compile_beside(CATALOGUE["tap"])
    assert len(started) == 1
