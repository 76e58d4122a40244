"""Deliberate knuckle taps in recordings of a piezo's output: load, understand, detect, score, hand over.

The names below load on first use, so that `import tapsig` stays quick.
"""

import importlib
from typing import TYPE_CHECKING

from tapsig._version import __version__

if TYPE_CHECKING:  # what _HOME says at run time, for type checkers
    from tapsig.detectors import detect as detect
    from tapsig.detectors import load_detector as load_detector
    from tapsig.entry import EntryMachine as EntryMachine
    from tapsig.entry import EntryParameters as EntryParameters
    from tapsig.entry import decode_taps as decode_taps
    from tapsig.errors import RecordingWarning as RecordingWarning
    from tapsig.errors import TapsigError as TapsigError
    from tapsig.fitting.fit import fit_detector as fit_detector
    from tapsig.loading import load_corpus as load_corpus
    from tapsig.loading import load_labels as load_labels
    from tapsig.loading import load_recording as load_recording
    from tapsig.records import Detections as Detections
    from tapsig.records import Gap as Gap
    from tapsig.records import Label as Label
    from tapsig.records import Recording as Recording
    from tapsig.scoring.outcomes import score as score

_HOME = {
    "Detections": "tapsig.records",
    "Gap": "tapsig.records",
    "Label": "tapsig.records",
    "Recording": "tapsig.records",
    "RecordingWarning": "tapsig.errors",
    "TapsigError": "tapsig.errors",
    "load_recording": "tapsig.loading",
    "load_labels": "tapsig.loading",
    "load_corpus": "tapsig.loading",
    "detect": "tapsig.detectors",
    "load_detector": "tapsig.detectors",
    "decode_taps": "tapsig.entry",
    "EntryMachine": "tapsig.entry",
    "EntryParameters": "tapsig.entry",
    "fit_detector": "tapsig.fitting.fit",
    "score": "tapsig.scoring.outcomes",
}

__all__ = ["__version__", *_HOME]


if not TYPE_CHECKING:  # or a type checker would take any misspelt name for an object

    def __getattr__(name: str) -> object:
        if name in _HOME:
            return getattr(importlib.import_module(_HOME[name]), name)
        raise AttributeError(f"module 'tapsig' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
