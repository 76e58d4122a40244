"""Write a detector as portable C99 for a small controller, with test vectors and a program that replays recordings.

  tapsig export ring-following --fs 2000 --adc-bits 10 --out firmware
  tapsig export tap --fs 2000 --adc-bits 10 --code 3-1-4 --out firmware-tap
  tapsig export tap --fs 2000 --adc-bits 10 --code 3-1-4 --decoder rule --out firmware-rule
  tapsig export tap --fs 2000 --code 3-1-4 --firmware --out device --simulate corpus_demo/recordings/crane-quiet.wav

The folder holds the C files that tapsig itself runs, byte for byte, and one generated header of numbers: no heap, no
floats, no 64-bit arithmetic. With --code, the entry machine follows the detector, down to "code accepted"; its options
are those of `tapsig entry`, such as --digit-pause-s or --threshold. --corpus scores the detector behind that converter,
for the record in parameters.csv.

--firmware adds a complete program for an 8-bit controller (Makefile, folder device, its board in device/board.h).
--simulate compiles it, runs it in an instruction-set simulator with the recording at its converter, compares it with
`tapsig entry`, and says what it asks of the controller. It is simulated, not proven on a board.
--logger writes a program for the same board that only samples: up to 5 kHz at 115200 baud, in frames that every command
reads (tapsig/loading/frames.py has them byte by byte).

On an 8-bit controller the whole device with `tap` takes 12 kB of flash and 0.9 kB of RAM, on evidence 20 kB and 1.5 kB.
On evidence the verdict comes some seconds after the silence, because it is worked out between samples: 1.6 s (median),
7 s at most on the demo corpus. A clock of 8 MHz bears 1 kHz: give --clock-hz 8000000 and `tap,order=4`, whose
prediction takes a quarter of the time (the whole load at 1 kHz falls by about a quarter) and finds hardly less; on
evidence the verdict then takes 5 s (median) to 18 s.

Not a security product, and never the only way to reach a person or an animal. Doors hold airbag sensors and wiring;
local law and licensed practice come first.
"""

import argparse
import contextlib
import shlex
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from tapsig.cli.entry import add_entry_arguments, add_threshold_argument, build_parameters, list_entry_options
from tapsig.cli.findings import load_entries
from tapsig.cli.output import note, refuse_given, render_rows, show
from tapsig.errors import ExportError, ParameterError
from tapsig.units import check_range

if TYPE_CHECKING:
    from tapsig.converter import Converter
    from tapsig.detectors.base import Variant

FULL_SCALE_V = (1e-3, 1e4)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "detector",
        metavar="DETECTOR",
        nargs="?",
        help="a detector of the catalogue, or a .json file, with parameters after commas (tap,order=4)",
    )
    parser.add_argument("--fs", type=float, required=True, metavar="HZ", help="the controller's sample rate")
    parser.add_argument("--adc-bits", type=int, default=10, metavar="N", help="its converter's bits, 8–16; default: 10")
    parser.add_argument(
        "--full-scale-v",
        type=float,
        default=5.0,
        metavar="V",
        help="volts from rail to rail, so that thresholds in volts become counts; default: 5",
    )
    parser.add_argument("--code", metavar="D-D-D", help="also export the entry machine, with this code")
    parser.add_argument(
        "--decoder",
        choices=("evidence", "rule"),
        help="with --code: all candidates of tap, or fixed pauses between taps, which takes 8 kB less of flash and has"
        " its verdict at once; default: evidence, unless only the rule can decide",
    )
    add_threshold_argument(parser)
    parser.add_argument("--firmware", action="store_true", help="also a complete program for an 8-bit controller")
    parser.add_argument(
        "--simulate",
        type=Path,
        metavar="RECORDING",
        help="with --firmware: run it in a simulator on this recording (a WAV's full scale is --full-scale-v)",
    )
    parser.add_argument("--channel", type=int, metavar="N", help="of that recording, from 0; default: 0")
    parser.add_argument(
        "--clock-hz",
        type=int,
        choices=(8_000_000, 16_000_000),
        default=16_000_000,
        help="the controller's clock: at 8 MHz a verdict on evidence is worked out in shorter steps; default: 16000000",
    )
    parser.add_argument(
        "--logger", action="store_true", help="in place of a detector: all samples over the serial line, in frames"
    )
    parser.add_argument("--corpus", type=Path, metavar="DIR", help="score the detector there, for the record")
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to write")
    parser.add_argument("--force", action="store_true", help="replace files that exist")
    add_entry_arguments(parser, leave_out=("release_s",))  # the pulse is the board's


@contextlib.contextmanager
def _call_at_fault() -> Iterator[None]:
    """A detector, rate or converter that cannot be exported is a fault of the call, not of data."""
    try:
        yield
    except ExportError as error:
        raise ParameterError(str(error)) from None


def run(args: argparse.Namespace) -> int:
    from tapsig.cli.export_simulate import read_simulated, simulate  # heavy rooms load when they are used
    from tapsig.converter import Converter
    from tapsig.detectors import load_detector
    from tapsig.entry import parse_code
    from tapsig.entry.decoding import refuse_evidence
    from tapsig.entry.evidence import Evidence
    from tapsig.exporting import prepare, render_firmware, render_package
    from tapsig.exporting.package import describe_size

    check_range("--full-scale-v", args.full_scale_v, *FULL_SCALE_V)
    if args.out.exists() and not args.out.is_dir():
        raise ParameterError(f"--out: {args.out} is a file; name a folder to write")
    if args.channel is not None and args.simulate is None:
        raise ParameterError("--channel is of the recording of --simulate; give both")
    converter = Converter((-args.full_scale_v / 2, args.full_scale_v / 2), args.adc_bits)
    if args.logger:
        return _export_logger(args, converter)
    if args.detector is None:
        raise ParameterError("DETECTOR is missing: name one, such as tap, or give --logger for a logger")
    _check_firmware(args, converter)
    if args.code is None:
        names = ["decoder", "threshold", *list_entry_options(args)]
        refuse_given(args, names, "is of the entry machine: give --code")
    if args.decoder == "rule":
        refuse_given(args, ["threshold"], "needs --decoder evidence; the rule has no likelihoods")
    variant = load_detector(args.detector)
    entry = build_parameters(args)
    code = None if args.code is None else parse_code(args.code, digit_max=entry.digit_max)
    with _call_at_fault():
        prepared = prepare(
            variant,
            args.fs,
            converter,
            code=code,
            entry=entry,
            decoder=args.decoder,
            evidence=None if args.threshold is None else Evidence(args.threshold),
            clock_hz=args.clock_hz,
        )
    recording = None if args.simulate is None else read_simulated(args)
    provenance = {"detector": str(args.detector)}
    if args.corpus is not None:
        provenance |= _score(variant, converter, args.corpus)
    files = (render_firmware if args.firmware else render_package)(prepared, provenance=provenance)
    _write(files, args)
    note(f"size: {describe_size(prepared)}")
    if code is not None and args.decoder is None:
        if reason := refuse_evidence(variant, entry, code):
            note(f"it decides by the rule: {reason}")
        else:
            note("it decides on evidence; --decoder rule takes less memory and gives its verdict at once")
    sources = shlex.join(str(args.out / name) for name in files if name.endswith(".c") and "/" not in name)
    note(f"compile: cc -std=c99 -O2 {sources} -o replay")
    if args.firmware:
        note(f"firmware: {_name_make(args.out)}; pins, rates and times are in {args.out / 'device' / 'board.h'}")
    return 0 if recording is None else simulate(args, prepared, recording)


def _name_make(folder: Path) -> str:
    """The command that compiles what was written there."""
    return shlex.join(["make", "-C", str(folder)])


def _write(files: dict[str, str], args: argparse.Namespace) -> None:
    from tapsig.exporting import write_package  # heavy rooms load when they are used

    write_package(files, args.out, force=args.force)
    show(render_rows([{"file": str(args.out / name), "bytes": len(text)} for name, text in files.items()], "table"))


def _export_logger(args: argparse.Namespace, converter: "Converter") -> int:
    from tapsig.exporting import render_logger

    if args.detector is not None or args.code is not None or args.firmware or args.simulate is not None:
        raise ParameterError("--logger takes no detector, --code, --firmware or --simulate: it only samples")
    refuse_given(args, ["threshold", *list_entry_options(args)], "is of a decoder; --logger only samples")
    with _call_at_fault():
        files = render_logger(args.fs, converter)
    _write(files, args)
    note(
        f"firmware: {_name_make(args.out)}; save what the serial line sends, byte for byte, and load the file as it is"
    )
    return 0


def _check_firmware(args: argparse.Namespace, converter: "Converter") -> None:
    """Refuse before anything is written what a firmware cannot be."""
    from tapsig.exporting.device import check_device

    if args.firmware:
        with _call_at_fault():
            check_device(args.fs, converter)
        if args.code is None:
            raise ParameterError("--firmware needs --code: without one the device has nothing to open for")
    elif args.simulate is not None:
        raise ParameterError("--simulate runs a whole device: add --firmware")
    if args.simulate is not None:
        from tapsig.exporting.simulated import check_tools
        from tapsig.loading.files import check_file

        check_tools()
        check_file(args.simulate)


def _score(variant: "Variant", converter: "Converter", folder: Path) -> dict[str, str]:
    """Provenance: how the detector behind the controller's converter scores on the test recordings of a corpus."""
    from tapsig.loading import load_corpus
    from tapsig.scoring.outcomes import score, summarise

    corpus = load_corpus(folder)
    entries = [entry for entry in corpus.entries if entry.split in ("test", "") and entry.labels]
    if not entries:
        raise ParameterError(f"--corpus: {folder} has no labelled test recording")
    loaded = load_entries([(corpus, entry) for entry in entries])
    behind = (replace(one, range_v=converter.range_v, adc_bits=converter.adc_bits) for one in loaded)
    table = score({"exported": variant}, behind)
    total = summarise(table.outcomes)
    shown = {key: total[key] for key in ("recordings", "taps", "precision", "recall", "f1", "false_alarms_per_hour")}
    return {"corpus": str(folder)} | {
        f"scored: {key}": f"{value:.4g}" if isinstance(value, float) else str(value) for key, value in shown.items()
    }
