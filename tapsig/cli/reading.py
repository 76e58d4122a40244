"""The options by which commands read one recording."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from tapsig.cli.findings import note_findings
from tapsig.errors import ParameterError

if TYPE_CHECKING:
    from tapsig.loading import LoadReport
    from tapsig.records import Recording


def add_reading_arguments(parser: argparse.ArgumentParser) -> None:
    """FILE, and how to read it."""
    parser.add_argument("recording", type=Path, metavar="FILE", help="a recording: WAV or CSV")
    add_format_arguments(parser.add_argument_group("reading the recording"))


def add_format_arguments(group: "argparse._ActionsContainer") -> None:
    """What a file may not say of itself."""
    group.add_argument(
        "--channel",
        type=int,
        metavar="N",
        help="channel, from 0 (default: 0; of a CSV, the first value column in volts or counts)",
    )
    group.add_argument("--column", metavar="NAME", help="the value column of a CSV by its name")
    group.add_argument(
        "--full-scale-v",
        type=float,
        metavar="V",
        help="volts of full scale: of a WAV sample of 1, or of all counts of a CSV, from rail to rail (default: as the"
        " file says, or 1)",
    )
    group.add_argument("--adc-bits", type=int, metavar="N", help="the CSV holds counts of a converter of N bits")
    group.add_argument("--fs", type=float, metavar="HZ", help="sample rate of a CSV without times")
    group.add_argument(
        "--time-unit", choices=("s", "ms", "us", "ns"), help="unit of the times in a CSV that does not say"
    )


def read(args: argparse.Namespace, *, labels: Path | None = None) -> "Recording":
    """The recording that the arguments name; a note for each thing that was wrong with its file."""
    recording, _ = read_with_report(args, labels=labels)
    note_findings(args.recording, recording.findings)
    return recording


def read_with_report(args: argparse.Namespace, *, labels: Path | None = None) -> "tuple[Recording, LoadReport]":
    """The recording that the arguments name, and the report of how it was read."""
    from tapsig.loading.recording import read_recording  # lazy: --help need not wait for it

    return read_recording(
        args.recording,
        channel=args.channel,
        column=args.column,
        full_scale_v=args.full_scale_v,
        adc_bits=args.adc_bits,
        fs=args.fs,
        time_unit=args.time_unit,
        labels=labels,
    )


def is_long_wav(args: argparse.Namespace) -> bool:
    """Whether the recording is a WAV file that is better read in parts.

    Raises ParameterError for options that a WAV file does not take, which `read` would look at.
    """
    from tapsig.loading import read_wav_info  # lazy: --help need not wait for it
    from tapsig.loading.parts import LARGE_SAMPLES

    if args.recording.suffix.lower() not in (".wav", ".wave"):
        return False
    info = read_wav_info(args.recording)
    if info.frames <= LARGE_SAMPLES:
        return False
    if args.fs is not None and args.fs != info.fs:
        raise ParameterError(f"fs is {args.fs:g}; {args.recording} tells {info.fs:g} Hz: leave it out")
    if args.column is not None:
        raise ParameterError(f"column is {args.column!r}; {args.recording} is a WAV file, without names: use channel=")
    return True
