"""The C computes what the Python integer reference computes, bit for bit, on everything it can be given."""

import math
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from unittest.mock import ANY

import numpy as np
import pytest

from compiling import SANITIZE, compile_package, need_compiler, replay, run_on_text, taps_of
from tapsig.detect import CATALOGUE
from tapsig.detect.gate import Gate, Trees
from tapsig.detect.tap import Tap
from tapsig.entry import EntryParameters, decode_taps
from tapsig.errors import ExportError, ParameterError
from tapsig.export import Converter, render_package, run_chain, to_integer
from tapsig.export.c99 import render_nodes
from tapsig.export.converter import FULL_SCALE_V
from tapsig.export.integer import IntegerVariant
from tapsig.export.integer_gate import LEAF, IntegerTrees
from tapsig.export.vectors import make_stimulus
from tapsig.load import load_corpus
from tapsig.units import IntArray, volts_to_counts

CORPUS = Path(__file__).parent.parent.parent / "corpus_demo"
EXPORTED = ("fixed-threshold", "ring-following", "tap")
TAP = CATALOGUE["tap"]
assert isinstance(TAP, Tap)
VARIANTS = {name: CATALOGUE[name] for name in EXPORTED} | {
    "tap, remember_lower": replace(TAP, gate=replace(TAP.gate, remember_lower=True))}
BUILDS = [
    ("gcc", ("-O0",)), ("gcc", ("-O2",)), ("gcc", ("-Os",)), ("gcc", ("-O1", *SANITIZE)),
    ("clang", ("-O2",)), ("clang", ("-O1", *SANITIZE)),
]  # fmt: skip


def reference(form: IntegerVariant, counts: IntArray, fs: int) -> list[tuple[int, int]]:
    """(deciding sample, onset sample) by the integer reference."""
    onsets, decided, _ = form.start(fs)(counts)
    return list(zip(decided.tolist(), onsets.tolist(), strict=True))


def hard_inputs(bits: int) -> Iterator[tuple[str, IntArray]]:
    """Full-scale squares, noise, nothing, and stuck rails."""
    top = (1 << bits) - 1
    rng = np.random.default_rng(2)
    for period in (2, 3, 37, 400):
        yield f"square {period}", np.where(np.arange(30_000) // period % 2, 0, top)
    yield "white noise", rng.integers(0, top + 1, 60_000)
    yield "small noise", rng.integers(top // 2 - 2, top // 2 + 3, 60_000)
    bursts = np.where(rng.random(60_000) < 0.001, rng.integers(0, top + 1, 60_000), top // 2)
    yield "rare spikes", bursts
    yield "all zero", np.zeros(20_000, dtype=np.int64)
    yield "stuck at the top", np.full(20_000, top)
    yield "top after zero", np.repeat([0, top], 10_000)


@pytest.mark.parametrize("build", BUILDS, ids=lambda build: f"{build[0]} {' '.join(build[1])}")
@pytest.mark.parametrize("name", EXPORTED)
def test_every_build_equals_the_reference_on_hard_inputs(
    name: str, build: tuple[str, tuple[str, ...]], tmp_path: Path
) -> None:
    for fs, bits in ((2000, 10), (8000, 12), (1000, 15)):
        form = to_integer(CATALOGUE[name], Converter(bits))
        program = compile_package(render_package(form, fs), tmp_path, compiler=build[0], flags=build[1])
        for what, counts in (*hard_inputs(bits), ("blows", make_stimulus(form.converter, fs))):
            assert taps_of(replay(program, counts)) == reference(form, counts, fs), what


@pytest.mark.parametrize("name", VARIANTS)
def test_c_equals_the_reference_on_every_recording_of_the_corpus(name: str, tmp_path: Path) -> None:
    corpus = load_corpus(CORPUS)
    programs: dict[tuple[int, int, tuple[float, float]], tuple[IntegerVariant, Path]] = {}
    found = compared = 0
    for entry in corpus.entries:
        recording = corpus.load(entry)
        if recording.fs % 1000 or recording.gaps or recording.range_v is None or recording.adc_bits is None:
            continue  # the integer form wants whole kilohertz
        key = (int(recording.fs), recording.adc_bits, recording.range_v)
        if key not in programs:
            form = to_integer(VARIANTS[name], Converter(recording.adc_bits, recording.range_v))
            folder = tmp_path / str(len(programs))
            files = render_package(form, key[0])
            programs[key] = form, compile_package(files, folder, compiler="gcc", flags=("-O2",))
        form, program = programs[key]
        counts = volts_to_counts(recording.samples, recording.range_v, recording.adc_bits)
        expected = reference(form, counts, key[0])
        assert taps_of(replay(program, counts)) == expected, recording.source
        found, compared = found + len(expected), compared + 1
    assert compared > 100
    assert found > 500


@pytest.mark.parametrize("name", VARIANTS)
def test_intermediate_values_equal_the_test_vectors(name: str, tmp_path: Path) -> None:
    form = to_integer(VARIANTS[name], Converter(10))
    files = render_package(form, 2000)
    program = compile_package(files, tmp_path, compiler="gcc", flags=("-O2",))
    assert run_on_text(program, files["vector_counts.csv"], "--check") == (0, files["vector_events.csv"], ANY)
    assert "tap," in files["vector_events.csv"]
    header, *lines = files["vector_counts.csv"].splitlines()
    probe, count = lines[1500].split(",")
    lines[1500] = f"{int(probe) + 1},{count}"
    code, _, told = run_on_text(program, "\n".join([header, *lines]), "--check")
    assert (code, told) == (1, f"replay: sample 1500: the probe is {probe} instead of {int(probe) + 1}\n")


@pytest.mark.parametrize("entry", [EntryParameters(), EntryParameters(wake_taps=2, tolerance=2.0)], ids=str)
def test_the_whole_chain_comes_to_the_same_verdicts(entry: EntryParameters, tmp_path: Path) -> None:
    """Counts to taps to digits to a verdict, against the entry machine that the library scores with."""
    fs, code = 2000, (2, 1, 3)
    form = to_integer(CATALOGUE["ring-following"], Converter(10))
    program = compile_package(
        render_package(form, fs, code=code, entry=entry), tmp_path, compiler="gcc", flags=("-O2", *SANITIZE)
    )
    rng = np.random.default_rng(5)
    counts = np.full(fs * 240, 512, dtype=np.int64)
    second = 1.0
    for digits in [(2, 1, 3), (3, 1, 2), (2, 1, 3), (1, 2), (2, 1, 3), (9, 9, 9), (2, 1, 3)]:
        for digit in ((2,), digits) if entry.wake_taps else (digits,):
            for count in digit:
                for _ in range(count):
                    start = round(second * fs)
                    ring = 300 * np.exp(-np.arange(60) / 20) * np.cos(np.arange(60) * 0.5)
                    counts[start : start + 60] += ring.astype(np.int64)
                    second += rng.uniform(0.2, 0.4)
                second += 1.2
        second += 4.0
    told = [",".join(line) for line in replay(program, counts)]
    assert told == run_chain(form, counts, fs, code=code, entry=entry)
    onsets = np.array([onset for _, onset in reference(form, counts, fs)])
    entries = decode_taps(np.floor(onsets * 1000 / fs + 0.5) / 1000, entry, end_s=counts.size / fs, code=code)
    verdicts = [found.verdict.value for found in entries]
    assert [line.split(",")[0] for line in told if not line.startswith("tap")] == verdicts
    assert {"accepted", "wrong", "void"} <= set(verdicts)


@pytest.mark.parametrize(("fs", "bits", "code", "entry"), [
    (1000, 8, (3, 1, 4), EntryParameters()),
    (2000, 10, (2, 3, 2), EntryParameters(wake_taps=2, tolerance=2.0)),
    (8000, 15, (1, 2), EntryParameters()),
], ids=["1 kHz, 8 bits", "woken, own rhythm", "8 kHz, 15 bits"])  # fmt: skip
@pytest.mark.parametrize("name", EXPORTED)
def test_the_vectors_of_a_code_open_it_and_fail_to(
    name: str, fs: int, bits: int, code: tuple[int, ...], entry: EntryParameters, tmp_path: Path
) -> None:
    files = render_package(to_integer(CATALOGUE[name], Converter(bits)), fs, code=code, entry=entry)
    events = files["vector_events.csv"]
    verdicts = [line.split(",")[0] for line in events.splitlines() if not line.startswith(("tap", "event"))]
    assert verdicts[-2:] == ["accepted", "wrong"]
    program = compile_package(files, tmp_path, compiler="gcc", flags=("-O2",))
    assert run_on_text(program, files["vector_counts.csv"], "--check") == (0, events, ANY)


CALLER = """
#include "tapsig_detector.h"
int main() { static tapsig_detector d; tapsig_init(&d); return tapsig_push(&d, 512).verdict + tapsig_probe(&d) * 0; }
"""


@pytest.mark.parametrize("code", [None, (3, 1, 4)])
def test_cpp_links_the_c_object_which_has_three_names(code: tuple[int, ...] | None, tmp_path: Path) -> None:
    files = render_package(to_integer(CATALOGUE["ring-following"], Converter(10)), 2000, code=code)
    compile_package(files, tmp_path, compiler="gcc", flags=())
    (tmp_path / "caller.cpp").write_text(CALLER, encoding="utf-8")
    for command in (["gcc", "-std=c99", "-c", "tapsig_detector.c"],
                    [need_compiler("g++"), "-Wall", "-Werror", "caller.cpp", "tapsig_detector.o", "-o", "caller"],
                    ["./caller"]):
        subprocess.run(command, cwd=tmp_path, check=True)
    told = subprocess.run(["nm", "-g", "--defined-only", "tapsig_detector.o"], cwd=tmp_path, check=True,
                          capture_output=True, text=True).stdout  # fmt: skip
    assert [line.split()[-1] for line in told.splitlines()] == ["tapsig_init", "tapsig_probe", "tapsig_push"]


def test_a_detector_without_an_integer_form_is_refused_by_name() -> None:
    with pytest.raises(ExportError, match="'sta-lta' has no integer form"):
        to_integer(CATALOGUE["sta-lta"], Converter(10))


def test_a_rate_without_whole_samples_a_millisecond_is_refused() -> None:
    form = to_integer(CATALOGUE["ring-following"], Converter(10))
    with pytest.raises(ExportError, match="44100 Hz; the integer form needs a whole number"):
        render_package(form, 44100)


STUMP = Trees(np.array([0]), np.array([0, -1, -1]), np.array([-9.0, 0, 0]), np.array([2, 0, 0]),
              np.array([0, -0.5, 0.5]), 0.0)
EMPTY = Trees(*(np.empty(0, np.int64) for _ in range(5)), 0.0)


@pytest.mark.parametrize(("change", "message"), [
    ({"first": STUMP._replace(base=3e6)}, "base of the gate would be 3072000000"),
    ({"second": STUMP._replace(base=-1e306)}, "base of the gate would be -inf"),
    ({"offset": 1e300}, "least score of the gate would be -1.024e"),
    ({"first": EMPTY}, "has 0 trees"),
    ({"second": EMPTY}, "has 0 trees"),
    ({"first": STUMP._replace(threshold=np.array([1e300, 0, 0]))}, "outside -32768"),
    ({"first": STUMP._replace(value=np.array([0, 1e300, 0]))}, "outside -32768"),
])  # fmt: skip
def test_a_gate_whose_numbers_do_not_fit_is_refused(change: dict[str, object], message: str) -> None:
    gate = Gate(STUMP, STUMP, 1.0, 0.0)
    assert render_package(to_integer(replace(TAP, gate=gate), Converter(10)), 2000)
    with pytest.raises(ExportError, match=message):
        render_package(to_integer(replace(TAP, gate=replace(gate, **change)), Converter(10)), 2000)  # type: ignore[arg-type]


@pytest.mark.parametrize("full_scale_v", [math.inf, math.nan, 1e-300, 0.0, -5.0, 1e5])
def test_a_full_scale_that_no_converter_has_is_refused(full_scale_v: float) -> None:
    with pytest.raises(ParameterError, match=r"full scale in volts.* must lie between 0.001 and 10000"):
        Converter(10, (0.0, full_scale_v))


@pytest.mark.parametrize("full_scale_v", FULL_SCALE_V)
@pytest.mark.parametrize("name", EXPORTED)
def test_an_extreme_full_scale_is_exported_or_refused_by_name(name: str, full_scale_v: float, tmp_path: Path) -> None:
    for bits in (8, 15):
        form = to_integer(CATALOGUE[name], Converter(bits, (0.0, full_scale_v)))
        try:
            files = render_package(form, 1000)
        except ExportError as error:
            assert "must lie between" in str(error)  # noqa: PT017
            continue
        program = compile_package(files, tmp_path, compiler="gcc", flags=("-O1", *SANITIZE))
        assert run_on_text(program, files["vector_counts.csv"], "--check") == (0, files["vector_events.csv"], ANY)


@pytest.mark.parametrize(("change", "message"), [
    ({"threshold": np.array([40_000, 0, 0])}, "outside -32768"),
    ({"value": np.array([0, -40_000, 5])}, "outside -32768"),
    ({"right": np.array([300, 0, 0])}, "over 255 nodes"),
])  # fmt: skip
def test_trees_that_do_not_fit_a_node_are_refused(change: dict[str, IntArray], message: str) -> None:
    stump = IntegerTrees(np.array([0]), np.array([3, LEAF, LEAF]), np.array([7, 0, 0]), np.array([2, 0, 0]),
                         np.array([0, -5, 5]), 0)
    assert "{7, 3, 2},\n    {-5, 255, 0},\n    {5, 255, 0}," in render_nodes("first", stump)
    with pytest.raises(ExportError, match=message):
        render_nodes("first", stump._replace(**change))
