"""An export is the core: the same files, the same numbers, the same decisions, whatever compiles it."""

import subprocess
from collections.abc import Iterator
from pathlib import Path
from unittest.mock import ANY

import numpy as np
import pytest

import tapsig
from compiling import SANITIZE, STRICT, compile_package, need_compiler, replay, run_on_text, taps_of
from simulating import make_entries
from tapsig.cli import main
from tapsig.converter import Converter
from tapsig.core import HERE
from tapsig.detectors import CATALOGUE, detect
from tapsig.entry import EntryParameters, decode_taps
from tapsig.errors import ExportError
from tapsig.exporting import Chain, prepare, render_package
from tapsig.exporting.chain import EXPORTED
from tapsig.exporting.numbers import measure
from tapsig.exporting.vectors import make_stimulus
from tapsig.quickstart import write_quickstart
from tapsig.records import Recording
from tapsig.units import IntArray, counts_to_volts

NAMES = [str(kind.name) for kind in EXPORTED]
TEN_BITS = Converter((-2.5, 2.5), 10)
RATES = ((2000.0, 10), (678.0, 8), (44_100.0, 16))
BUILDS = [  # all rates without and with sanitizers; what the other builds add is the compiler's, not the rate's
    ("gcc", ("-O2",), RATES),
    ("gcc", ("-O1", *SANITIZE), RATES),
    ("gcc", ("-O0",), RATES[:1]),
    ("gcc", ("-Os",), RATES[1:2]),
    ("clang", ("-O2",), RATES[2:]),
    ("clang", ("-O1", *SANITIZE), RATES[1:2]),
]


def hard_inputs(bits: int) -> Iterator[tuple[str, IntArray]]:
    """Full-scale squares, noise, nothing, and stuck rails."""
    top = (1 << bits) - 1
    rng = np.random.default_rng(2)
    for period in (2, 3, 37, 400):
        yield f"square {period}", np.where(np.arange(30_000) // period % 2, 0, top)
    yield "white noise", rng.integers(0, top + 1, 60_000)
    yield "small noise", rng.integers(top // 2 - 2, top // 2 + 3, 60_000)
    yield "rare spikes", np.where(rng.random(60_000) < 0.001, rng.integers(0, top + 1, 60_000), top // 2)
    yield "all zero", np.zeros(20_000, dtype=np.int64)
    yield "stuck at the top", np.full(20_000, top)
    yield "top after zero", np.repeat([0, top], 10_000)


def as_library(name: str, counts: IntArray, fs: float, converter: Converter) -> list[tuple[int, int]]:
    """(deciding sample, onset sample) of the taps that `detect` finds in these counts."""
    volts = counts_to_volts(counts, converter.range_v, converter.adc_bits)
    recording = Recording(volts, fs, range_v=converter.range_v, adc_bits=converter.adc_bits)
    found = detect(CATALOGUE[name], recording)
    return list(zip(found.decided_samples.tolist(), found.onset_samples.tolist(), strict=True))


@pytest.mark.parametrize("build", BUILDS, ids=lambda build: f"{build[0]} {' '.join(build[1])}")
@pytest.mark.parametrize("name", NAMES)
def test_every_build_decides_as_the_library_does(
    name: str, build: tuple[str, tuple[str, ...], tuple[tuple[float, int], ...]], tmp_path: Path
) -> None:
    for fs, bits in build[2]:
        converter = Converter((0.0, 5.0), bits)
        files = render_package(prepare(CATALOGUE[name], fs, converter))
        program = compile_package(files, tmp_path, compiler=build[0], flags=build[1])
        for what, counts in (*hard_inputs(bits), ("blows", make_stimulus(converter, fs))):
            replayed = [tap for tap in taps_of(replay(program, counts)) if tap[0] < counts.size]
            expected = [tap for tap in as_library(name, counts, fs, converter) if tap[0] < counts.size - 1]
            assert replayed[: len(expected)] == expected, what
            assert len(replayed) - len(expected) in (0, 1), what  # one may be decided by the very last count


@pytest.mark.parametrize("name", NAMES)
def test_an_export_holds_the_files_that_python_runs_byte_for_byte(name: str) -> None:
    files = render_package(prepare(CATALOGUE[name], 2000.0, TEN_BITS, code=(3, 1, 4), decoder="rule"))
    own = {path.name for path in HERE.iterdir() if path.suffix in (".c", ".h")}
    assert {f"{name.replace('-', '_')}.c", "entry.c", "clock.c", "fixed.h"} <= own & files.keys()
    for file in own & files.keys():
        assert files[file].encode() == (HERE / file).read_bytes()
    written = {file for file in files if file.endswith((".c", ".h"))}
    assert written - own == {"tapsig_numbers.h", "tapsig.h", "tapsig.c", "replay.c"}
    assert not {"host.c", "version.c"} & files.keys()


@pytest.mark.parametrize("name", NAMES)
def test_intermediate_values_equal_the_test_vectors(name: str, tmp_path: Path) -> None:
    files = render_package(prepare(CATALOGUE[name], 2000.0, TEN_BITS))
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
    fs, code = 2000.0, (2, 1, 3)
    variant = CATALOGUE["ring-following"]
    files = render_package(prepare(variant, fs, TEN_BITS, code=code, entry=entry))
    program = compile_package(files, tmp_path, compiler="gcc", flags=("-O2", *SANITIZE))
    entries, second = [], 1.0
    for digits in [(2, 1, 3), (3, 1, 2), (2, 1, 3), (1, 2), (2, 1, 3), (9, 9, 9), (2, 1, 3)]:
        entries.append((second, (2, *digits) if entry.wake_taps else digits))
        second += 0.3 * sum(digits) + 1.0 * len(digits) + 6.0
    counts = make_entries(entries, fs, 240.0).astype(np.int64)
    told = [",".join(line) for line in replay(program, counts)]
    assert told == list(Chain(prepare(variant, fs, TEN_BITS, code=code, entry=entry)).lines(counts))
    onsets = np.array([onset for _, onset in as_library("ring-following", counts, fs, TEN_BITS)])
    entries = decode_taps(np.floor(onsets * 1000 / fs + 0.5) / 1000, entry, end_s=counts.size / fs, code=code)
    verdicts = [found.verdict.value for found in entries]
    assert [line.split(",")[0] for line in told if not line.startswith("tap")] == verdicts
    assert {"accepted", "wrong", "void"} <= set(verdicts)


@pytest.mark.parametrize(
    ("fs", "bits", "code", "entry"),
    [
        (1000.0, 8, (3, 1, 4), EntryParameters()),
        (2000.0, 10, (2, 3, 2), EntryParameters(wake_taps=2, tolerance=2.0)),
        (2500.0, 16, (1, 2), EntryParameters()),
    ],
    ids=["1 kHz, 8 bits", "woken, own rhythm", "2.5 kHz, 16 bits"],
)
@pytest.mark.parametrize("name", NAMES)
def test_the_vectors_of_a_code_open_it_and_fail_to(
    name: str, fs: float, bits: int, code: tuple[int, ...], entry: EntryParameters, tmp_path: Path
) -> None:
    files = render_package(prepare(CATALOGUE[name], fs, Converter((-2.5, 2.5), bits), code=code, entry=entry))
    events = files["vector_events.csv"]
    verdicts = [line.split(",")[0] for line in events.splitlines() if not line.startswith(("tap", "event"))]
    assert verdicts[-2:] == ["accepted", "wrong"]
    program = compile_package(files, tmp_path, compiler="gcc", flags=("-O2",))
    assert run_on_text(program, files["vector_counts.csv"], "--check") == (0, events, ANY)


CALLER = """
#include "tapsig.h"
int main() { static tapsig_detector d; tapsig_init(&d); return tapsig_push(&d, 512).verdict + tapsig_probe(&d) * 0; }
"""


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("code", [None, (3, 1, 4)])
def test_cpp_links_the_c_objects(name: str, code: tuple[int, ...] | None, tmp_path: Path) -> None:
    files = render_package(prepare(CATALOGUE[name], 2000.0, TEN_BITS, code=code))
    compile_package(files, tmp_path, compiler="gcc", flags=())
    (tmp_path / "caller.cpp").write_text(CALLER, encoding="utf-8")
    sources = [file for file in files if file.endswith(".c") and file != "replay.c"]
    objects = [file.replace(".c", ".o") for file in sources]
    for command in (
        ["gcc", "-std=c99", "-c", *sources],
        [need_compiler("g++"), "-Wall", "-Werror", "caller.cpp", *objects, "-o", "caller"],
        ["./caller"],
    ):
        subprocess.run(command, cwd=tmp_path, check=True)


ASK = '#include "tapsig.h"\n#include <stdio.h>\nint main(void) { printf("%zu", sizeof(tapsig_detector)); }\n'
CONTROLLERS = {"avr-gcc": ("-mmcu=atmega328p",), "arm-none-eabi-gcc": ("-mcpu=cortex-m0plus", "-mthumb")}


@pytest.mark.parametrize("compiler", CONTROLLERS)
@pytest.mark.parametrize("code", [None, (3, 1, 4, 1)])
@pytest.mark.parametrize("name", NAMES)
def test_controllers_take_it_with_the_memory_that_is_said(
    name: str, code: tuple[int, ...] | None, compiler: str, tmp_path: Path
) -> None:
    """`size` of the objects, against what the header says; constants of an 8-bit controller count as RAM."""
    need_compiler(compiler)
    files = render_package(prepare(CATALOGUE[name], 4000.0, TEN_BITS, code=code))
    for file, text in {**files, "ask.c": ASK}.items():
        (tmp_path / file).write_text(text, encoding="utf-8")
    trees, state = measure(prepare(CATALOGUE[name], 4000.0, TEN_BITS, code=code))
    assert f"{state} bytes of RAM" in files["tapsig_numbers.h"]
    sources = [file for file in files if file.endswith(".c") and file != "replay.c"]

    def run(*command: str) -> str:
        done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
        return done.stdout

    run(need_compiler("gcc"), "ask.c", "-o", "ask")
    assert state <= int(run("./ask")) <= state + 8  # joined, the parts may need padding
    run(compiler, *CONTROLLERS[compiler], "-Os", *STRICT, "-c", *sources)
    sizes = run(compiler.replace("gcc", "size"), "-t", *(file.replace(".c", ".o") for file in sources))
    text, data, bss = map(int, sizes.splitlines()[-1].split()[:3])
    assert trees < text < 20_000 if name == "tap" else text < 4_300
    assert data + bss <= 100  # nothing but numbers that compilers copy to RAM


def test_a_detector_that_the_core_does_not_run_is_refused_by_name() -> None:
    with pytest.raises(ExportError, match="'sta-lta' cannot be exported; these can: fixed-threshold"):
        render_package(prepare(CATALOGUE["sta-lta"], 2000.0, TEN_BITS))


def test_the_entry_is_exported_with_the_parameters_that_it_was_tried_with(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whole milliseconds of the rule, 1/64 nat of evidence: 1.5 · 64 = 96."""
    tapsig.export(
        "tap", tmp_path / "rule", fs=2000, code="3-1-12", parameters=EntryParameters(digit_pause_s=1.4, digit_max=12)
    )
    numbers = (tmp_path / "rule" / "tapsig_numbers.h").read_text()
    assert ".digit_pause_ms = UINT32_C(1400)" in numbers
    assert ".digit_max = 12" in numbers
    call = ["export", "tap", "--fs", "2000", "--code", "3-1-4", "--out"]
    assert main([*call, str(tmp_path / "same"), "--digit-pause-s", "1.4", "--wait-s", "20"]) == 0
    assert ".wait_ms = UINT32_C(20000)" in (tmp_path / "same" / "tapsig_numbers.h").read_text()
    assert "it decides by the rule: evidence does not use digit_pause_s" in capsys.readouterr().err
    assert main([*call, str(tmp_path / "evidence"), "--threshold", "1.5"]) == 0
    assert ".least_ratio = 96," in (tmp_path / "evidence" / "tapsig_numbers.h").read_text()
    assert "it decides on evidence" in capsys.readouterr().err


def test_the_score_behind_the_controllers_converter_is_put_on_record(tmp_path: Path) -> None:
    """The label file's taps, on two channels; the controller's converter is that of the recordings."""
    corpus = tmp_path / "first"
    write_quickstart(corpus)
    call = ["export", "ring-following", "--fs", "2000", "--corpus", str(corpus), "--out", str(tmp_path / "out")]
    assert main(call) == 0
    told = dict(line.split(",", 1) for line in (tmp_path / "out" / "parameters.csv").read_text().splitlines())
    total = tapsig.score("ring-following", tapsig.load_corpus(corpus)).rows()[0]
    assert told["scored: taps"] == str(2 * (corpus / "door.labels.csv").read_text().count(",tap"))
    assert told["scored: f1"] == f"{total['f1']:.4g}"
