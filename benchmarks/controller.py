"""The exported device on the test recordings of the demo corpus, in a simulator of an 8-bit controller.

  python -m benchmarks.controller              every test recording, every channel
  python -m benchmarks.controller --first      one channel of each
  python -m benchmarks.controller --seconds 12 the first seconds of each

At 2 kHz with a clock of 16 MHz, and at 1 kHz with 8 MHz, where `tap` predicts with order 4; on evidence, one channel
of each recording. Each run
is compared with `tapsig entry` on the same counts, by a code that is an entry decoded there where there is one. Writes
its section of benchmarks/README.md.
"""

import math
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from threading import Lock

from benchmarks import cortex_m
from benchmarks.sections import make_parser, publish, render_markdown
from tapsig.converter import Converter, CountArray
from tapsig.core.tap import HIGHEST_ORDER
from tapsig.detectors.tap import Tap
from tapsig.entry.decoding import Decoder, decode_recording
from tapsig.exporting import prepare, render_firmware, render_package, simulated, write_package
from tapsig.exporting.chain import CLOCK_HZ, Prepared
from tapsig.exporting.numbers import render_header
from tapsig.exporting.package import HEADER
from tapsig.exporting.simulated import Load
from tapsig.loading import load_corpus
from tapsig.records import Recording

COMMAND = "python -m benchmarks.controller"
CORPUS = Path(__file__).parents[1] / "corpus_demo"
CONVERTER = Converter((-2.5, 2.5), 10)
FALLBACK = (3, 1, 4)
DECODERS: tuple[Decoder, ...] = ("rule", "evidence")
LONGEST_CODE = 16
SLOW_ORDER = 4
"""Of the prediction, at 8 MHz."""
MOST_BUILDS = 8
"""Compiling takes longer than simulating."""


@dataclass(frozen=True, slots=True)
class Case:
    """A rate, a clock and a decoder."""

    fs: float
    clock_hz: int
    decoder: Decoder
    order: int = HIGHEST_ORDER

    @property
    def variant(self) -> Tap:
        """The shipped detector with this order of prediction."""
        return Tap(order=self.order)

    def prepare(self, code: Sequence[int]) -> Prepared:
        """The detector with this code."""
        return prepare(self.variant, self.fs, CONVERTER, code=code, decoder=self.decoder, clock_hz=self.clock_hz)


CASES = (
    Case(2000.0, 16_000_000, "rule"),
    Case(1000.0, 8_000_000, "rule", SLOW_ORDER),
    Case(2000.0, 16_000_000, "evidence"),
    Case(1000.0, 8_000_000, "evidence", SLOW_ORDER),
)


@dataclass(frozen=True, slots=True)
class Outcome:
    """One recording on the device."""

    span_s: float
    taps: int
    verdicts: tuple[str, ...]
    pulses: int
    equal: bool
    lost: int
    load: Load


def list_recordings(*, first: bool, seconds: float) -> Iterator[tuple[str, Recording]]:
    """The test recordings of the demo corpus, by name, up to `seconds`."""
    corpus = load_corpus(CORPUS)
    seen: set[str] = set()
    for entry in corpus.entries:
        if entry.split != "test" or (first and entry.recording in seen):
            continue
        seen.add(entry.recording)
        recording = corpus.load(entry)
        part = recording if seconds >= recording.span_s else recording[0.0:seconds]
        yield f"{Path(entry.recording).stem} {entry.position}", part


def list_codes(counts: CountArray, case: Case) -> list[tuple[int, ...]]:
    """The entries that are decoded, where they can be a code."""
    volts = CONVERTER.to_volts(counts)
    recording = Recording(volts, case.fs, range_v=CONVERTER.range_v, adc_bits=CONVERTER.adc_bits)
    entries = decode_recording(recording, case.variant, decoder=case.decoder)
    return [entry.digits for entry in entries if max(entry.digits) <= 9 and len(entry.digits) <= LONGEST_CODE]


class Devices:
    """Compiled devices of one case, by their code."""

    def __init__(self, case: Case, folder: Path) -> None:
        self._case, self._folder = case, folder
        self._built: dict[tuple[int, ...], Path] = {}
        self._lock = Lock()
        write_package(render_firmware(case.prepare(FALLBACK)), folder)

    def choose_code(self, decoded: Sequence[tuple[int, ...]]) -> tuple[int, ...]:
        """One of these that is compiled already, else the first, until there are MOST_BUILDS; else FALLBACK."""
        known = [code for code in decoded if code in self._built]
        return next(iter(known or (decoded if len(self._built) < MOST_BUILDS else ())), FALLBACK)

    def build(self, prepared: Prepared) -> Path:
        """The device with this code; the rest of the package does not depend on it."""
        with self._lock:
            if prepared.code not in self._built:
                (self._folder / HEADER).write_text(render_header(prepared, ()), encoding="utf-8")
                firmware = simulated.build(self._folder, clock_hz=self._case.clock_hz)
                kept = self._folder / f"{'-'.join(map(str, prepared.code))}.elf"
                self._built[prepared.code] = firmware.rename(kept)
            return self._built[prepared.code]


def run_device(recording: Recording, case: Case, devices: Devices, program: Path) -> Outcome:
    """The device with `recording` at its converter, and `tapsig entry` on the same counts."""
    counts = simulated.to_device_counts(recording, case.fs, CONVERTER)
    prepared = case.prepare(devices.choose_code(list_codes(counts, case)))
    counts = simulated.await_verdict(prepared, counts)
    firmware = devices.build(prepared)
    run = simulated.run_simulator(program, firmware, counts, case.fs, clock_hz=case.clock_hz)
    taps, verdicts = simulated.decide_entries(prepared, counts)
    equal = (
        list(run.events) == simulated.expect_lines(prepared, counts)
        and [line for line in run.events if line.startswith("tap,")] == taps
        and list(run.verdicts) == verdicts
        and len(run.pulses) == verdicts.count("accepted")
    )
    lost = sum(line.startswith(("overrun", "lost")) for line in run.lines)
    load = simulated.measure_load(firmware, run)
    return Outcome(counts.size / case.fs, len(taps), run.verdicts, len(run.pulses), equal, lost, load)


def run_all(
    recordings: Iterable[tuple[str, Recording]], case: Case, devices: Devices, program: Path, *, jobs: int
) -> list[Outcome]:
    """The recordings, `jobs` simulators at a time."""

    def run(titled: tuple[str, Recording]) -> Outcome:
        title, recording = titled
        one = run_device(recording, case, devices, program)
        word = "equal" if one.equal else "DIFFERS"
        print(title, case.decoder, f"{case.fs:g}", word, one.verdicts, one.load.worst_cycles, flush=True)
        return one

    with ThreadPoolExecutor(jobs) as pool:
        return list(pool.map(run, recordings))


def compare_board(decoder: Decoder, folder: Path, seconds: float) -> str:
    """One channel of each recording at 2 kHz on an emulated 32-bit board: how many give the events of the core here."""
    variant, fs, equal, count = Tap(), 2000.0, 0, 0
    prepared = prepare(variant, fs, CONVERTER, code=FALLBACK, decoder=decoder)
    write_package(render_package(prepared), folder)
    program = cortex_m.build(folder)
    for _, recording in list_recordings(first=True, seconds=seconds):
        counts = simulated.await_verdict(prepared, simulated.to_device_counts(recording, fs, CONVERTER))
        equal += cortex_m.replay(program, counts) == simulated.expect_lines(prepared, counts)
        count += 1
    return f"{equal} of {count} ({decoder})"


def summarise(case: Case, outcomes: Sequence[Outcome]) -> dict[str, str]:
    """One column of the table: its cells by the name of their row, and by "" what stands above."""
    loads = [outcome.load for outcome in outcomes]
    span_s = sum(outcome.span_s for outcome in outcomes)
    mean, current, idle = (
        sum(getattr(one.load, name) * one.span_s for one in outcomes) / span_s
        for name in ("mean_cycles", "current_ma", "idle_share")
    )
    worst = max(loads, key=lambda load: load.worst_cycles)
    return {
        "": f"{case.decoder}, {case.fs:g} Hz, {case.clock_hz / 1e6:g} MHz",
        "order of prediction": f"{case.order}",
        "recordings": f"{len(outcomes)}, {span_s / 60:.0f} min",
        "taps": f"{sum(one.taps for one in outcomes)}",
        "verdicts": f"{sum(len(one.verdicts) for one in outcomes)}, {sum(one.pulses for one in outcomes)} accepted",
        "equal to `tapsig entry`, to the sample": f"{sum(one.equal for one in outcomes)} of {len(outcomes)}",
        "lines or samples lost": f"{sum(one.lost for one in outcomes)}",
        "cycles a ms, mean": f"{mean:.0f} ({100 * mean / worst.cycles:.0f} %)",
        "cycles a ms, worst": f"{worst.worst_cycles} ({100 * worst.worst_cycles / worst.cycles:.0f} %)",
        "flash, bytes": f"{max(load.flash for load in loads)}",
        "RAM, bytes: variables + deepest stack": (
            f"{max(load.ram for load in loads)} + {max(load.stack for load in loads)}"
        ),
        "share of time asleep between samples": f"{100 * idle:.0f} %",
        "current, mA": f"{current:.1f}" if case.clock_hz == CLOCK_HZ else "–",
    }


def render(columns: Sequence[Mapping[str, str]], sample: str, boards: Sequence[str]) -> tuple[str, ...]:
    """The parts of the section."""
    header, *rows = ([name, *(column[name] for column in columns)] for name in columns[0])
    return (
        "Simulated, and never run on a real board: the whole device of `tapsig export tap --code … --firmware` in an"
        " instruction-set simulator (simavr 1.6, avr-gcc 5.4), with the recordings of the demo corpus at its converter."
        f" {sample} The current is an estimate of the controller alone at 5 V from its shares of time (9.2 mA working,"
        " 2.4 mA idle; from memory of data sheets). The worst millisecond is one in which a candidate is judged or, on"
        " evidence, makes room for another; a buffer of 16 samples absorbs a longer peak. On evidence the verdict comes"
        " after the silence: at 16 MHz 1.6 s (median) to 7.1 s, at 8 MHz, in shorter steps, 5.3 to 18.5 s.",
        render_markdown(header, rows),
        "On an emulated 32-bit board (Cortex-M3 of qemu-system-arm, `benchmarks/cortex_m.py`), one channel of each at"
        f" 2 kHz: equal, to the sample, on {' and '.join(boards) or 'none, for want of tools'}.",
        "Faults (`tests/exporting/test_firmware_faults.py`): reset in mid-entry, lockout over a brown-out, records cut"
        " short, a converter stuck at a rail, a flooded serial line, the 32-bit edge of milliseconds, a hang, sleep and"
        " waking.",
    )


def main() -> None:
    """Run all, and write the section."""
    parser = make_parser("controller", __doc__)
    parser.add_argument("--first", action="store_true", help="one channel of each recording")
    parser.add_argument("--seconds", type=float, default=math.inf, help="of each recording; default: all")
    parser.add_argument("--jobs", type=int, default=1, help="simulators at a time; default: 1")
    args = parser.parse_args()
    columns = []
    with tempfile.TemporaryDirectory() as name:
        program = simulated.build_simulator(Path(name))
        for number, case in enumerate(CASES):
            (folder := Path(name, str(number))).mkdir()
            devices = Devices(case, folder)
            first = args.first or case.decoder == "evidence"
            recordings = list_recordings(first=first, seconds=args.seconds)
            columns.append(summarise(case, run_all(recordings, case, devices, program, jobs=args.jobs)))
        boards = []
        if not cortex_m.list_missing():
            for decoder in DECODERS:
                (folder := Path(name, f"board-{decoder}")).mkdir()
                boards.append(compare_board(decoder, folder, args.seconds))
    sample = "One channel" if args.first else "All channels (on evidence, one)"
    sample += " of each test recording"
    sample += f", the first {args.seconds:g} s." if math.isfinite(args.seconds) else "."
    command = COMMAND + (" --first" if args.first else "")
    command += f" --seconds {args.seconds:g}" if math.isfinite(args.seconds) else ""
    publish("Controller", command, *render(columns, sample, boards))


if __name__ == "__main__":
    main()
