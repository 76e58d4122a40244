"""The exported device on the test recordings of the demo corpus, in a simulator of an 8-bit controller.

  python -m benchmarks.controller              every test recording, every channel
  python -m benchmarks.controller --first      one channel of each
  python -m benchmarks.controller --seconds 12 the first seconds of each

At 2 kHz with a clock of 16 MHz, and at 1 kHz with 8 MHz. Each recording is compared with `tapsig entry` on the same
counts, by a code that is the first entry decoded there. Writes its section of benchmarks/README.md.
"""

import argparse
import math
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from benchmarks.sections import write_section
from tapsig.converter import Converter, CountArray
from tapsig.detectors import load_detector
from tapsig.entry import decode_taps
from tapsig.exporting import prepare, render_firmware, simulated, write_package
from tapsig.exporting.numbers import render_header
from tapsig.exporting.package import HEADER
from tapsig.exporting.simulated import Load
from tapsig.loading import load_corpus
from tapsig.records import Recording

COMMAND = "python -m benchmarks.controller"
CORPUS = Path(__file__).parents[1] / "corpus_demo"
CONVERTER = Converter((-2.5, 2.5), 10)
CASES = ((2000.0, 16_000_000), (1000.0, 8_000_000))
FALLBACK = (3, 1, 4)
LONGEST_CODE = 16


@dataclass(frozen=True, slots=True)
class Outcome:
    """One recording on the device."""

    name: str
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


def choose_code(counts: CountArray, fs: float) -> tuple[int, ...]:
    """The first entry that is decoded, where it can be a code."""
    variant = load_detector("tap")
    taps, _ = simulated.decide_entries(prepare(variant, fs, CONVERTER, code=FALLBACK), counts)
    entries = decode_taps([int(line.split(",")[2]) / fs for line in taps])
    codes = [entry.digits for entry in entries if max(entry.digits) <= 9 and len(entry.digits) <= LONGEST_CODE]
    return codes[0] if codes else FALLBACK


def run_device(name: str, recording: Recording, fs: float, clock_hz: int, folder: Path, program: Path) -> Outcome:
    """The device with `recording` at its converter, and `tapsig entry` on the same counts."""
    variant = load_detector("tap")
    counts = simulated.to_device_counts(recording, fs, CONVERTER)
    code = choose_code(counts, fs)
    prepared = prepare(variant, fs, CONVERTER, code=code)
    (folder / HEADER).write_text(render_header(prepared, ()), encoding="utf-8")  # the rest does not depend on the code
    firmware = simulated.build(folder, clock_hz=clock_hz)
    run = simulated.run_simulator(program, firmware, counts, fs, clock_hz=clock_hz)
    taps, verdicts = simulated.decide_entries(prepared, counts)
    equal = (
        list(run.events) == simulated.expect_lines(prepared, counts)
        and [line for line in run.events if line.startswith("tap,")] == taps
        and list(run.verdicts) == verdicts
        and len(run.pulses) == verdicts.count("accepted")
    )
    lost = sum(line.startswith(("overrun", "lost")) for line in run.lines)
    load = simulated.measure_load(firmware, run)
    return Outcome(name, counts.size / fs, len(taps), run.verdicts, len(run.pulses), equal, lost, load)


def summarise(fs: float, clock_hz: int, outcomes: Sequence[Outcome]) -> list[str]:
    """One column of the table."""
    loads = [outcome.load for outcome in outcomes]
    span_s = sum(outcome.span_s for outcome in outcomes)
    mean = sum(one.load.mean_cycles * one.span_s for one in outcomes) / span_s
    current = sum(one.load.current_ma * one.span_s for one in outcomes) / span_s
    worst = max(loads, key=lambda load: load.worst_cycles)
    return [
        f"{fs:g} Hz, {clock_hz / 1e6:g} MHz",
        f"{len(outcomes)}, {span_s / 60:.0f} min",
        f"{sum(outcome.taps for outcome in outcomes)}",
        f"{sum(len(outcome.verdicts) for outcome in outcomes)}, {sum(outcome.pulses for outcome in outcomes)} accepted",
        f"{sum(outcome.equal for outcome in outcomes)} of {len(outcomes)}",
        f"{sum(outcome.lost for outcome in outcomes)}",
        f"{mean:.0f} ({100 * mean / worst.cycles:.0f} %)",
        f"{worst.worst_cycles} ({100 * worst.worst_cycles / worst.cycles:.0f} %)",
        f"{max(load.flash for load in loads)}",
        f"{max(load.ram for load in loads)} + {max(load.stack for load in loads)}",
        f"{100 * sum(one.load.idle_share * one.span_s for one in outcomes) / span_s:.0f} %",
        f"{current:.1f}" if clock_hz == simulated.CLOCK_HZ else "–",
    ]


NAMES = (
    "", "recordings", "taps", "verdicts", "equal to `tapsig entry`, to the sample", "lines or samples lost",
    "cycles a ms, mean", "cycles a ms, worst", "flash, bytes", "RAM, bytes: variables + deepest stack",
    "share of time asleep between samples", "current, mA",
)  # fmt: skip


def render(columns: Sequence[Sequence[str]], sample: str) -> str:
    """The section's text."""
    lines = ["| " + " | ".join([name, *(column[i] for column in columns)]) + " |" for i, name in enumerate(NAMES)]
    lines.insert(1, "| --- " * (len(columns) + 1) + "|")
    return "\n".join([
        "Simulated, and never run on a real board: the whole device of `tapsig export tap --code … --firmware` in an",
        "instruction-set simulator (simavr 1.6, avr-gcc 5.4), with the recordings of the demo corpus at its converter.",
        f"{sample} The current is an estimate of the controller alone at 5 V from its shares of time (9.2 mA working,",
        "2.4 mA idle; from memory of data sheets). The worst millisecond, where a candidate is judged,",
        "takes more than half of the clock; the ring of 64 samples bears it.",
        "", *lines, "",
        "Faults (`tests/exporting/test_firmware_faults.py`): reset in mid-entry, lockout over a brown-out, records cut",
        "short, a converter stuck at a rail, a flooded serial line, the 32-bit edge of milliseconds, a hang, sleep and",
        "waking.",
    ])  # fmt: skip


def main() -> None:
    """Run all, and write the section."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--first", action="store_true", help="one channel of each recording")
    parser.add_argument("--seconds", type=float, default=math.inf, help="of each recording; default: all")
    parser.add_argument("--minutes", type=float, default=math.inf, help="of each rate, at most; default: until done")
    args = parser.parse_args()
    first = args.first
    columns = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        program = simulated.build_simulator(folder)
        for fs, clock_hz in CASES:
            outcomes = []
            package = render_firmware(load_detector("tap"), fs, CONVERTER, code=FALLBACK)
            write_package(package, folder / "device")
            began_s = time.monotonic()
            for title, recording in list_recordings(first=first, seconds=args.seconds):
                if time.monotonic() - began_s > 60 * args.minutes:
                    break
                outcomes.append(run_device(title, recording, fs, clock_hz, folder / "device", program))
                one = outcomes[-1]
                print(
                    title,
                    f"{fs:g}",
                    "equal" if one.equal else "DIFFERS",
                    one.verdicts,
                    one.load.worst_cycles,
                    flush=True,
                )
            columns.append(summarise(fs, clock_hz, outcomes))
    sample = "One channel of each test recording" if first else "All channels of all test recordings"
    sample += f", the first {args.seconds:g} s." if math.isfinite(args.seconds) else "."
    command = COMMAND + (" --first" if first else "")
    command += f" --seconds {args.seconds:g}" if math.isfinite(args.seconds) else ""
    if math.isfinite(args.minutes):
        sample += f" As many as {args.minutes:g} minutes allowed."
        command += f" --minutes {args.minutes:g}"
    write_section("Controller", render(columns, sample), command)


if __name__ == "__main__":
    main()
