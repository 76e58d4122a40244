"""The decoder evidence in C: compiled under sanitizers, it gives the verdicts that Python gives on the same counts."""

from pathlib import Path

import numpy as np
import pytest

from compiling import SANITIZE, compile_package, replay
from tapsig.converter import Converter
from tapsig.detectors.tap import Tap
from tapsig.entry.decoding import EntryListener
from tapsig.entry.evidence import EvidenceMachine
from tapsig.exporting import prepare, render_package
from tapsig.simulation import simulate_scene

CODE = (2, 1, 3)
CONVERTER = Converter((-2.5, 2.5), 10)
VOLTS = np.arange(1024) * CONVERTER.count_v + CONVERTER.range_v[0]


@pytest.mark.parametrize(("fs", "scene"), [(678.0, "quiet"), (2000.0, "rain"), (8000.0, "slam")])
def test_verdicts_in_c_are_those_of_python(fs: float, scene: str, tmp_path: Path) -> None:
    codes = ["213", "213", "121", "313"]
    simulated = simulate_scene("heron", scene, duration_s=None, fs=fs, seed=4, codes=codes, positions=["frame"])
    counts = CONVERTER.to_counts(simulated.recordings["frame"].samples)
    counts = np.concatenate([counts, np.full(round(6.0 * fs), counts[-1])])
    files = render_package(prepare(Tap(), fs, CONVERTER, code=CODE, decoder="evidence"))
    program = compile_package(files, tmp_path, compiler="gcc", flags=("-O1", *SANITIZE))
    told = [line[0] for line in replay(program, counts.astype(np.int64)) if line[0] != "tap"]
    machine = EvidenceMachine(code=CODE)
    listener = EntryListener(machine, Tap(), fs, CONVERTER)
    entries = [*listener.push(VOLTS[counts]), *listener.flush()]
    assert told == [entry.verdict.value for entry in entries]
    assert "accepted" in told or scene != "quiet"
    assert len(told) >= (1 if scene == "quiet" else 2)
