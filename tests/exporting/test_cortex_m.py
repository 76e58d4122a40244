"""An export on an emulated 32-bit board gives the events that the core gives here."""

import os
from pathlib import Path
from typing import Literal

import pytest

from benchmarks import cortex_m
from simulating import CONVERTER
from tapsig.detectors import CATALOGUE
from tapsig.exporting import Chain, prepare, render_package, simulated, write_package
from tapsig.loading import load_recording
from tests.fakes import DEMO

CODE = (2, 1, 3)


@pytest.mark.parametrize("decoder", ["rule", "evidence"])
def test_a_32_bit_board_gives_the_same_events(decoder: Literal["rule", "evidence"], tmp_path: Path) -> None:
    if missing := cortex_m.list_missing():
        (pytest.fail if os.environ.get("CI") else pytest.skip)(
            f"{', '.join(missing)} not on this machine; {cortex_m.REMEDY}"
        )
    recording = load_recording(DEMO / "recordings" / "crane-quiet.wav", channel=0, full_scale_v=2.5)
    variant = CATALOGUE["tap"]
    prepared = prepare(variant, 2000.0, CONVERTER, code=CODE, decoder=decoder)
    counts = simulated.await_verdict(prepared, simulated.to_device_counts(recording, 2000.0, CONVERTER))
    write_package(render_package(prepare(variant, 2000.0, CONVERTER, code=CODE, decoder=decoder)), tmp_path)
    expected = list(Chain(prepared).lines(counts))
    assert cortex_m.replay(cortex_m.build(tmp_path), counts) == expected
    assert len(expected) > 10
