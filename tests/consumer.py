"""A user's program, for `mypy` alone: the types of what the front door gives, and a complaint of what it lacks."""

from pathlib import Path
from typing import Any, assert_type

import tapsig
from tapsig.analysis.health import HealthReport
from tapsig.detectors.base import Variant
from tapsig.detectors.sta_lta import StaLta
from tapsig.detectors.tap import Tap
from tapsig.entry import Entry
from tapsig.fitting.fit import FittedDetector
from tapsig.results import Records
from tapsig.scoring.outcomes import ScoreTable
from tapsig.units import FloatArray


def use(samples: FloatArray) -> None:
    """Every step from a file to a fitted detector."""
    labels = tuple(tapsig.load_labels(Path("bench.csv")))
    recording = tapsig.Recording(samples, 8000.0, labels, gaps=(tapsig.Gap(100, 1.0),))
    given = tapsig.Recording([0.0, 0.1], 8000, labels=[0.0], gaps=[tapsig.Gap(1, 1.0)], range_v=[0, 5])
    assert_type(given.labels, tuple[tapsig.Label, ...] | None)
    assert_type(given.samples, FloatArray)
    tapsig.Recording(samples, 8000.0, labels=["0.1"])  # type: ignore[list-item]  # an error that must be found
    assert_type(tapsig.load_recording("bench.wav"), tapsig.Recording)
    assert_type(labels, tuple[tapsig.Label, ...])
    variant = tapsig.load_detector("tap")
    assert_type(variant, Tap)
    assert_type(tapsig.load_detector("sta-lta", on=4.0).set_params(on=5.0), StaLta)
    assert_type(tapsig.load_detector(Path("mine.json")).get_params(), dict[str, Any])
    variants: list[Variant] = [variant, tapsig.load_detector("tapsig.detectors.tap:Tap")]
    variants[0].set_params()  # type: ignore[attr-defined]  # any variant need not have it
    assert_type(variant.build(fs=8000).push(samples), tapsig.Detections)
    found = tapsig.detect(variant, recording)
    assert_type(found, tapsig.Detections)
    assert_type(tapsig.detect(samples, 8000, detector="sta-lta", on=4.0), tapsig.Detections)
    assert_type(recording[10.0:20.0], tapsig.Recording)
    assert_type(tapsig.health(recording), HealthReport)
    assert_type(tapsig.decode(found, code="3-1-4"), Records[Entry])
    tapsig.decode_taps(recording.times_s(found.onset_samples))
    tapsig.EntryMachine(tapsig.EntryParameters(), code=(1, 2, 3))
    tapsig.EntryListener(tapsig.EvidenceMachine(code="1-2-3"), Tap(), 8000.0)
    try:
        assert_type(tapsig.score([variant], tapsig.load_corpus("corpus_demo")), ScoreTable)
        assert_type(tapsig.fit_detector([recording]), FittedDetector)
    except tapsig.TapsigError:
        pass
    tapsig.load_recordings("bench.wav")  # type: ignore[attr-defined]  # an error that must be found
    tapsig.detect("tap", samples)  # type: ignore[call-overload]  # the same
