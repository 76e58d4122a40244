"""Deliberate knuckle taps in recordings of a piezo's output: load, understand, detect, score, hand over.

The names below load on first use, so that `import tapsig` stays quick. `load` is a short name of `load_recording`, and
`fit` of `fit_detector`.
"""

import importlib
from typing import TYPE_CHECKING

from tapsig._version import __version__

if TYPE_CHECKING:  # what _HOME says at run time, for type checkers
    from tapsig.analysis.causes import find_causes as causes
    from tapsig.analysis.dead_time import compute_dead_time_map as dead_time
    from tapsig.analysis.health import check_health as health
    from tapsig.analysis.ringdown import compute_ringdown as ringdown
    from tapsig.comparison.positions import study_positions as positions
    from tapsig.detections import Detections
    from tapsig.detectors import detect, load_detector
    from tapsig.detectors import write_detector as save_detector
    from tapsig.entry import EntryMachine, EntryParameters, decode_taps
    from tapsig.entry.decoding import EntryListener, decode
    from tapsig.entry.evidence import EvidenceMachine
    from tapsig.errors import RecordingWarning, TapsigError
    from tapsig.exporting.package import export_detector as export
    from tapsig.fitting.fit import fit_detector
    from tapsig.fitting.fit import fit_detector as fit
    from tapsig.labelling.proposal import propose_onsets as propose
    from tapsig.loading import load_corpus, load_labels, load_recording
    from tapsig.loading import load_recording as load
    from tapsig.records import Gap, Label, Recording
    from tapsig.report.error_figures import plot_causes, plot_features
    from tapsig.report.figures import plot_detections, plot_health, plot_spectrogram
    from tapsig.report.panel_figures import plot_dead_time, plot_ringdown
    from tapsig.risks.entries import estimate_risk as risk
    from tapsig.scoring.outcomes import score
    from tapsig.simulation import simulate_scene as simulate

_HOME = {
    "plot_causes": "tapsig.report.error_figures",
    "plot_dead_time": "tapsig.report.panel_figures",
    "plot_detections": "tapsig.report.figures",
    "plot_features": "tapsig.report.error_figures",
    "plot_health": "tapsig.report.figures",
    "plot_ringdown": "tapsig.report.panel_figures",
    "plot_spectrogram": "tapsig.report.figures",
    "load": "tapsig.loading:load_recording",
    "health": "tapsig.analysis.health:check_health",
    "ringdown": "tapsig.analysis.ringdown:compute_ringdown",
    "dead_time": "tapsig.analysis.dead_time:compute_dead_time_map",
    "causes": "tapsig.analysis.causes:find_causes",
    "positions": "tapsig.comparison.positions:study_positions",
    "propose": "tapsig.labelling.proposal:propose_onsets",
    "fit": "tapsig.fitting.fit:fit_detector",
    "decode": "tapsig.entry.decoding",
    "risk": "tapsig.risks.entries:estimate_risk",
    "simulate": "tapsig.simulation:simulate_scene",
    "export": "tapsig.exporting.package:export_detector",
    "save_detector": "tapsig.detectors:write_detector",
    "Detections": "tapsig.detections",
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
    "EntryListener": "tapsig.entry.decoding",
    "EntryMachine": "tapsig.entry",
    "EntryParameters": "tapsig.entry",
    "EvidenceMachine": "tapsig.entry.evidence",
    "fit_detector": "tapsig.fitting.fit",
    "score": "tapsig.scoring.outcomes",
}

__all__ = [
    "Detections",
    "EntryListener",
    "EntryMachine",
    "EntryParameters",
    "EvidenceMachine",
    "Gap",
    "Label",
    "Recording",
    "RecordingWarning",
    "TapsigError",
    "__version__",
    "causes",
    "dead_time",
    "decode",
    "decode_taps",
    "detect",
    "export",
    "fit",
    "fit_detector",
    "health",
    "load",
    "load_corpus",
    "load_detector",
    "load_labels",
    "load_recording",
    "plot_causes",
    "plot_dead_time",
    "plot_detections",
    "plot_features",
    "plot_health",
    "plot_ringdown",
    "plot_spectrogram",
    "positions",
    "propose",
    "ringdown",
    "risk",
    "save_detector",
    "score",
    "simulate",
]


if not TYPE_CHECKING:  # or a type checker would take any misspelt name for an object

    def __getattr__(name: str) -> object:
        if name in _HOME:
            module, _, attribute = _HOME[name].partition(":")
            return getattr(importlib.import_module(module), attribute or name)
        raise AttributeError(f"module 'tapsig' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
