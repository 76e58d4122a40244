"""A parameter of a wrong type is refused in a sentence that names it; no bare TypeError."""

import dataclasses
from collections.abc import Callable, Iterator
from functools import partial

import numpy as np
import pytest

import tapsig
from tapsig.analysis.causes import find_causes
from tapsig.analysis.dead_time import compute_dead_time_map
from tapsig.analysis.ringdown import compute_ringdown
from tapsig.detectors import CATALOGUE
from tapsig.dsp.decay import compute_decay_curve
from tapsig.dsp.modes import compute_modes
from tapsig.entry import parse_code
from tapsig.entry.evidence import EvidenceMachine
from tapsig.errors import TapsigError
from tapsig.labelling.proposal import ProposalParameters
from tapsig.risks.standby import DutyCycle
from tapsig.scoring.matching import match_onsets

WRONG = (None, "x", b"x", [1], {}, object(), 1j)
NOISE = tapsig.Recording(1e-3 * np.random.default_rng(0).standard_normal(4000), 1000.0, labels=(tapsig.Label(1.0),))
Call = Callable[[object], object]


def _calls() -> Iterator[tuple[str, Call]]:
    classes = [*map(type, CATALOGUE.values()), tapsig.EntryParameters, ProposalParameters, DutyCycle]
    for kind in dict.fromkeys(classes):
        for field in dataclasses.fields(kind):
            if isinstance(field.default, (int, float, tuple)):
                yield f"{kind.__name__}.{field.name}", lambda bad, k=kind, f=field: k(**{f.name: bad})
    for variant in CATALOGUE.values():
        yield f"{variant.name}.build", variant.build  # type: ignore[misc]
    yield "push", lambda bad: CATALOGUE["fixed-threshold"].build(1000.0).push(bad)
    yield "EntryMachine.push", lambda bad: tapsig.EntryMachine().push(bad)
    yield "EntryMachine.advance", lambda bad: tapsig.EntryMachine().advance(bad)
    for decoder in ("rule", "evidence"):
        yield (
            f"decode {decoder}.parameters",
            lambda bad, d=decoder: tapsig.decode(NOISE, bad if bad is not None else {}, decoder=d),
        )
    yield "EvidenceMachine.evidence", lambda bad: EvidenceMachine(evidence=bad if bad is not None else {})
    yield "EntryListener", lambda bad: tapsig.EntryListener(bad, tapsig.load_detector("tap"), 8000.0)
    yield "EntryListener.variant", lambda bad: tapsig.EntryListener(EvidenceMachine(), bad, 8000.0)
    yield "risk.recordings", lambda bad: tapsig.risk(["null"], bad)
    yield "risk.length", lambda bad: tapsig.risk(["null"], [NOISE], length=bad if bad is not None else "3")
    yield "EvidenceMachine", lambda bad: EvidenceMachine(bad if bad is not None else {})
    yield "save_detector", lambda bad: tapsig.save_detector(bad, "never-written.json")
    yield "save_detector.path", lambda bad: tapsig.save_detector("tap", bad if bad != "x" else None)
    yield "export.folder", lambda bad: tapsig.export("tap", bad if bad != "x" else None, fs=2000)
    yield "Random.seed", lambda bad: tapsig.load_detector("random", seed=1.5 if bad is None else bad)
    yield "decode_taps", lambda bad: tapsig.decode_taps([bad])
    yield "parse_code", parse_code  # type: ignore[misc]
    for load in (tapsig.load_recording, tapsig.load_corpus, tapsig.load_labels, tapsig.load_detector):
        yield load.__name__, load  # type: ignore[misc]
    yield "detect", lambda bad: tapsig.detect(bad, NOISE)
    yield "detect.recording", lambda bad: tapsig.detect("null", bad)
    yield "score", lambda bad: tapsig.score(bad, [NOISE])
    yield "score.recordings", lambda bad: tapsig.score(["null"], bad)
    for name in ("window_s", "jobs"):
        yield f"score.{name}", lambda bad, n=name: tapsig.score(["null"], [NOISE], **{n: bad})
    yield "Recording", lambda bad: tapsig.Recording(bad, 1000.0)
    yield "Recording.fs", lambda bad: tapsig.Recording([0.0], bad)
    yield "Label", tapsig.Label
    yield "compute_ringdown", compute_ringdown
    yield "compute_dead_time_map", compute_dead_time_map
    yield "find_causes", lambda bad: find_causes(CATALOGUE["null"], bad)
    for name in ("settle_s", "longest_s"):
        yield f"compute_ringdown.{name}", lambda bad, n=name: compute_ringdown(NOISE, **{n: bad})
    for name in ("step_db", "early_s", "late_s", "bias_time_s"):
        yield f"compute_dead_time_map.{name}", lambda bad, n=name: compute_dead_time_map(NOISE, **{n: bad})
    yield "compute_modes.fs", lambda bad: compute_modes([np.ones(500)], bad)
    yield "compute_modes.lowest_hz", lambda bad: compute_modes([np.ones(500)], 1000.0, lowest_hz=bad)
    yield "compute_decay_curve.noise_power", lambda bad: compute_decay_curve(np.ones(99), 1e3, noise_power=bad)
    yield "match_onsets.window_s", lambda bad: match_onsets([1.0], [1.0], window_s=bad)


CALLS = dict(_calls())
EMPTY_IS_FINE = {"score.recordings", "compute_dead_time_map", "find_causes", "push", "Recording"}


@pytest.mark.parametrize("name", CALLS)
def test_a_value_of_a_wrong_type_is_refused_by_name(name: str) -> None:
    for bad in WRONG:
        if name in EMPTY_IS_FINE and bad in ({}, [1]):
            continue
        with pytest.raises(TapsigError) as caught:
            CALLS[name](bad)
        assert len(str(caught.value)) < 400


SHORT = NOISE[0.5:3.5]
FOUND = tapsig.Detections([100, 900], [101, 901], [1.0, 2.0], {"rise_db": [1.0, 2.0]}, fs=1000.0)
NAMED: dict[str, tuple[Callable[..., object], dict[str, object]]] = {
    "plot_causes": (tapsig.plot_causes, {"table": tapsig.causes("null", SHORT), "most": 5, "positions": ()}),
    "plot_dead_time": (tapsig.plot_dead_time, {"result": None}),
    "plot_detections": (
        tapsig.plot_detections,
        {"recording": SHORT, "detections": FOUND, "threshold_v": 0.1, "name": "", "title": ""},
    ),
    "plot_features": (tapsig.plot_features, {"features": FOUND.features, "is_tap": np.array([True, False])}),
    "plot_health": (tapsig.plot_health, {"recording": SHORT, "report": tapsig.health(SHORT)}),
    "plot_ringdown": (tapsig.plot_ringdown, {"result": None}),
    "plot_spectrogram": (tapsig.plot_spectrogram, {"recording": SHORT, "modes": (), "highest_hz": 400.0}),
    "EntryListener": (
        tapsig.EntryListener,
        {
            "machine": EvidenceMachine(code="1-2-3"),
            "variant": tapsig.load_detector("tap"),
            "fs": 1000.0,
            "converter": None,
        },
    ),
    "EvidenceMachine": (EvidenceMachine, {"evidence": None}),
    "build": (CATALOGUE["tap"].build, {"fs": 1000.0, "converter": None}),
    "decode": (partial(tapsig.decode, SHORT), {"decoder": None, "code": None}),
    "decode_taps": (tapsig.decode_taps, {"onsets_s": [1.0], "end_s": 9.0}),
    "propose": (tapsig.propose, {"recording": SHORT, "parameters": ProposalParameters()}),
    "health": (tapsig.health, {"recording": SHORT, "report": None}),
    "causes": (tapsig.causes, {"variant": "null", "recordings": SHORT, "progress": None}),
    "dead_time": (tapsig.dead_time, {"recordings": SHORT, "step_db": 1.0, "bias_time_s": 0.5}),
    "risk": (tapsig.risk, {"variants": ["null"], "recordings": [SHORT]}),
    "fit": (tapsig.fit, {"recordings": [SHORT], "seed": 0, "group_by": "vehicle", "progress": None}),
    "positions": (tapsig.positions, {"variants": ["null"], "corpus": [SHORT], "criterion": "f1", "progress": None}),
    "simulate": (
        tapsig.simulate,
        {
            "vehicle": "crane",
            "scene": "quiet",
            "positions": ["frame"],
            "duration_s": 1.0,
            "taps": "none",
            "codes": None,
            "tap_kind": None,
            "converter": None,
            "max_hz": None,
        },
    ),
}
OTHER_NAMES = {"recordings": "recording", "variants": "detector", "corpus": "recordings?"}
"""Where what is refused is one of several."""


@pytest.mark.parametrize(
    ("name", "parameter"), [(name, parameter) for name, (_, given) in NAMED.items() for parameter in given]
)
def test_an_argument_of_a_wrong_kind_is_refused_with_its_name(name: str, parameter: str) -> None:
    """Also arrays, which are neither true nor false, and what another function gives, as when two are swapped."""
    function, given = NAMED[name]
    for bad in (5j, object(), [object()], np.array([1j, 2]), np.zeros((2, 2)), FOUND, DutyCycle()):
        if bad is given[parameter]:
            continue
        with pytest.raises(TapsigError, match=rf"\b({parameter}|{OTHER_NAMES.get(parameter, parameter)})\b"):
            function(**{**given, parameter: bad})


@pytest.mark.parametrize(
    ("detector", "parameters", "fs", "words"),
    [
        ("tap", {"model": "mine.json"}, 1000.0, "model is a str; it must be a Model"),
        ("ring-following", {"threshold_v": 1e300}, 1000.0, r"threshold_v is 1e\+300; it must lie between"),
        ("fixed-threshold", {"threshold_v": 1e308}, 1000.0, r"threshold_v is 1e\+308; it must lie between"),
        ("prominence", {}, 100.0, "high_pass_hz is 60.0; at 100 Hz it must lie between 0 and 50"),
        ("sta-lta", {}, 100.0, "high_pass_hz is 60.0; at 100 Hz"),
    ],
)
def test_a_parameter_of_a_detector_out_of_range_is_named(
    detector: str, parameters: dict[str, object], fs: float, words: str
) -> None:
    with pytest.raises(TapsigError, match=words):
        tapsig.detect(np.zeros(100), fs, detector=detector, **parameters)


def test_a_text_is_no_list_of_texts() -> None:
    """Its letters would be taken one by one: "213" is no list of three codes of a digit."""
    for parameter in ("codes", "positions"):
        with pytest.raises(TapsigError, match=f"{parameter} is '213'; it must be a list of texts"):
            tapsig.simulate("crane", duration_s=30.0, **{parameter: "213"})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("parameter", "bad"), [("duration_s", np.nan), ("duration_s", np.inf), ("max_hz", 1.0), ("max_hz", 1e30)]
)
def test_a_simulation_that_would_never_end_is_refused(parameter: str, bad: float) -> None:
    with pytest.raises(TapsigError, match=f"{parameter} is {bad}".replace("+", "[+]")):
        tapsig.simulate("crane", positions=["frame"], **{parameter: bad})


def test_numbers_of_other_types_are_numbers() -> None:
    for one in (np.float32(1.0), np.int64(1), np.float64(1.0), 1):
        assert tapsig.Label(one).onset_s == 1  # type: ignore[arg-type]
        assert tapsig.EntryParameters(digit_pause_s=one).digit_pause_s == 1  # type: ignore[arg-type]
        assert len(tapsig.decode_taps([one])) == 1  # type: ignore[list-item]
