"""An exported device in an instruction-set simulator: counts in, event lines and release pulses out.

The harness `firmware/simulator.c` is compiled here, against libsimavr of this machine, whenever it is needed.
"""

import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np

from tapsig.converter import Converter, CountArray
from tapsig.detectors.base import run_detector
from tapsig.entry import Verdict, decode_taps
from tapsig.entry.decoding import listen
from tapsig.entry.evidence import EvidenceMachine
from tapsig.errors import ExportError
from tapsig.exporting.chain import CLOCK_HZ, Chain, Prepared
from tapsig.exporting.device import read_firmware
from tapsig.records import Recording
from tapsig.units import FloatArray

TOOLS = ("avr-gcc", "avr-size", "make", "gcc")
REMEDY = "on Debian: apt install gcc-avr avr-libc make gcc libsimavr-dev libelf-dev"
SILENCE_S = 3.0
TAIL_S = 1.0
"""After the silence that ends an entry."""
VERDICTS = tuple(verdict.value for verdict in Verdict)
ACTIVE_MA, IDLE_MA, DEEP_MA = 9.2, 2.4, 0.03
"""Current of the controller alone at 5 V and 16 MHz: working, idle between samples, powered down with brown-out
detection on. From memory of data sheets; measure your own board."""


@dataclass(frozen=True, slots=True)
class SimulatedRun:
    """What a device did.

    `lines`: what it sent. `pulses`: count at which each release began and ended. `starts`: counts with which sampling
    began, at first, after each of `resets` and after each sleep. `totals`: cycles and bytes, by name.
    """

    lines: tuple[str, ...]
    pulses: tuple[tuple[int, int], ...]
    starts: tuple[int, ...]
    resets: tuple[int, ...]
    totals: MappingProxyType[str, int]
    serial: bytes

    @property
    def events(self) -> tuple[str, ...]:
        """The lines about taps and entries."""
        return tuple(line for line in self.lines if line.split(",")[0] in ("tap", *VERDICTS))

    @property
    def verdicts(self) -> tuple[str, ...]:
        """The verdicts alone."""
        return tuple(word for line in self.lines if (word := line.split(",")[0]) in VERDICTS)


@dataclass(frozen=True, slots=True)
class Load:
    """What a run asked of the controller; cycles of a millisecond, bytes, mA."""

    mean_cycles: float
    worst_cycles: int
    cycles: int
    stack: int
    ram: int
    flash: int
    idle_share: float
    deep_share: float

    @property
    def current_ma(self) -> float:
        """Average current of the controller alone, from its shares of time."""
        busy = 1.0 - self.idle_share - self.deep_share
        return busy * ACTIVE_MA + self.idle_share * IDLE_MA + self.deep_share * DEEP_MA


def check_tools() -> None:
    """Raises ExportError that names what is missing of the compiler and the simulator."""
    missing = [tool for tool in TOOLS if shutil.which(tool) is None]
    if missing:
        raise ExportError(f"the simulator needs {', '.join(missing)}, which this machine does not have; {REMEDY}")
    test = "#include <avr/io.h>\nint main(void) { return 0; }\n"
    if _try(["avr-gcc", "-mmcu=atmega328p", "-x", "c", "-fsyntax-only", "-"], test).returncode:
        raise ExportError(f"avr-gcc finds no library for the controller; {REMEDY}")
    test = "#include <simavr/sim_elf.h>\n#include <libelf.h>\nint main(void) { return 0; }\n"
    if _try(["gcc", "-x", "c", "-fsyntax-only", "-"], test).returncode:
        raise ExportError(f"gcc finds no headers of simavr and libelf; {REMEDY}")


def _try(command: Sequence[str], text: str = "") -> "subprocess.CompletedProcess[str]":
    return subprocess.run(command, input=text, capture_output=True, text=True, check=False)


def _call(command: Sequence[str], complaint: str) -> str:
    """What the command prints; ExportError with `complaint` and its last words where it fails."""
    done = _try(command)
    if done.returncode:
        raise ExportError(f"{complaint}: {done.stderr.strip()[-2000:]}")
    return done.stdout


def build(folder: Path, target: str = "device.elf", *, clock_hz: int = CLOCK_HZ, extra: str = "") -> Path:
    """Compile what stands in `folder` by its Makefile.

    Raises ExportError with the compiler's words where it fails.
    """
    command = ["make", "-B", "-C", str(folder), target, f"CLOCK_HZ={clock_hz}", f"EXTRA={extra}"]
    _call(command, f"{folder}: the firmware does not compile")
    return folder / target


def build_simulator(folder: Path) -> Path:
    """The simulator's program, in `folder`."""
    check_tools()
    source, program = folder / "simulator.c", folder / "simulator"
    source.write_text(read_firmware("simulator.c"), encoding="utf-8")
    command = ["gcc", "-std=gnu99", "-O2", "-Wall", "-Wextra", str(source), "-o", str(program), "-lsimavr", "-lelf"]
    _call(command, f"the simulator does not compile; {REMEDY}")
    return program


def run_simulator(
    program: Path,
    firmware: Path,
    counts: CountArray,
    fs: float,
    *,
    clock_hz: int = CLOCK_HZ,
    options: Sequence[str] = (),
) -> SimulatedRun:
    """`firmware` with `counts` (10 bits) at its converter, `fs` of them a second; `options` as simulator.c has them.

    Raises ExportError where the simulated controller crashes.
    """
    with tempfile.TemporaryDirectory(prefix="tapsig-") as name:
        raw, serial = Path(name, "counts.bin"), Path(name, "serial.bin")
        np.asarray(counts).astype("<u2").tofile(raw)
        command = [str(program), str(firmware), str(raw), repr(float(fs)), str(clock_hz), "--serial", str(serial)]
        told = _call([*command, *options], f"{firmware}: the simulated controller stopped")
        sent = serial.read_bytes() if serial.exists() else b""
    facts = [line.split(",") for line in told.splitlines()]
    edges = [(int(fact[1]), fact[2] == "1") for fact in facts if fact[0] == "release"]
    begun = [at for at, high in edges if high]
    ended = [at for at, high in edges if not high and begun]
    return SimulatedRun(
        tuple(sent.decode("ascii", "backslashreplace").splitlines()),
        tuple(zip(begun, [*ended, len(counts)][: len(begun)], strict=True)),
        tuple(int(fact[1]) for fact in facts if fact[0] == "start"),
        tuple(int(fact[1]) for fact in facts if fact[0] == "reset"),
        MappingProxyType({fact[1]: int(fact[2]) for fact in facts if fact[0] == "total"}),
        sent,
    )


def measure_load(firmware: Path, run: SimulatedRun) -> Load:
    """What `run` asked of the controller."""
    sizes = _call(["avr-size", str(firmware)], f"{firmware}: its size is not known")
    text, data, bss = map(int, sizes.splitlines()[1].split()[:3])
    totals = run.totals
    windows = totals["watched"] / (totals["window_cycles"] or 1)
    idle = totals["asleep"] - totals["deep"]
    return Load(
        mean_cycles=totals["busy"] / windows if windows else 0.0,
        worst_cycles=totals["busiest"],
        cycles=totals["window_cycles"],
        stack=totals["stack"],
        ram=data + bss,
        flash=text + data,
        idle_share=idle / totals["cycles"],
        deep_share=totals["deep"] / totals["cycles"],
    )


def to_device_counts(recording: Recording, fs: float, converter: Converter) -> CountArray:
    """The counts that a device's converter would have given: the recording at `fs` Hz, then silence.

    Another rate is reached by a polyphase filter (scipy.signal.resample_poly). Gaps, and the silence, hold the value
    before them.
    """
    stretches = recording.stretches()
    pauses_s = [*(gap.duration_s for gap in recording.gaps), SILENCE_S + TAIL_S]
    parts: list[CountArray] = []
    for (start, stop), pause_s in zip(stretches, pauses_s, strict=True):
        parts.append(converter.to_counts(_resample(recording.samples[start:stop], recording.fs, fs)))
        parts.append(np.full(round(pause_s * fs), parts[-1][-1], dtype=np.uint16))
    return np.concatenate(parts)


def await_verdict(prepared: Prepared, counts: CountArray) -> CountArray:
    """`counts`, and as much more silence as the device takes to come to its last verdict on evidence, which it works
    out a step in each millisecond that has time.
    """
    chain, last = Chain(prepared), int(counts[-1])
    for count in counts.tolist():
        chain.push(count)
    more = 0
    while chain.is_deciding:
        chain.push(last)
        more += 1
    if more:
        more += round(TAIL_S * prepared.fs)
    return np.concatenate([counts, np.full(more, last, dtype=np.uint16)])


def _resample(volts: FloatArray, fs: float, wanted_fs: float) -> FloatArray:
    ratio = Fraction(wanted_fs / fs).limit_denominator(10_000)
    if ratio == 1:
        return volts
    from scipy.signal import resample_poly  # heavy; only another rate needs it

    return np.asarray(resample_poly(volts, ratio.numerator, ratio.denominator, padtype="line"))


def expect_lines(prepared: Prepared, counts: CountArray) -> list[str]:
    """What the device must send, by the same core here."""
    return list(Chain(prepared).lines(counts))


def decide_entries(prepared: Prepared, counts: CountArray) -> tuple[list[str], list[str]]:
    """Lines of the taps, and the verdicts, that `tapsig entry` comes to on these counts."""
    converter = prepared.converter
    volts = converter.to_volts(counts)
    recording = Recording(volts, prepared.fs, range_v=converter.range_v, adc_bits=converter.adc_bits)
    found = run_detector(prepared.variant, recording).accepted()
    pairs = zip(found.decided_samples.tolist(), found.onset_samples.tolist(), strict=True)
    taps = [f"tap,{decided},{onset}" for decided, onset in pairs]
    if prepared.judge is not None:
        variant: Any = prepared.variant
        machine = EvidenceMachine(prepared.parameters, code=prepared.code, evidence=prepared.evidence)
        return taps, [one.verdict.value for one in listen(machine, variant, recording, until_end=True)[0]]
    onsets_s = recording.times_s(found.onset_samples).tolist()
    entries = decode_taps(onsets_s, prepared.parameters, end_s=recording.span_s, code=prepared.code)
    return taps, [one.verdict.value for one in entries]
