"""Options of commands that read one recording."""

import argparse
import contextlib
import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tapsig.cli.findings import FORMAT_OPTIONS, note_findings
from tapsig.cli.output import note, progress_bar
from tapsig.cli.several import StoreRecordings
from tapsig.errors import ParameterError, TapsigError

if TYPE_CHECKING:
    from tapsig.loading import CorpusEntry, LoadReport, ReadOptions
    from tapsig.loading.findings import FindingList
    from tapsig.records import Recording


def add_reading_arguments(
    parser: argparse.ArgumentParser,
    *,
    several: bool = False,
    metavar: str = "FILE",
    what: str = "a recording: WAV or CSV",
) -> None:
    """Add FILE, or several of them (see `each_recording`), and the options to read it."""
    if several:
        parser.add_argument("recordings", type=Path, nargs="+", action=StoreRecordings, metavar=metavar, help=what)
    else:
        parser.add_argument("recording", type=Path, metavar=metavar, help=what)
    group = parser.add_argument_group("reading the recording")
    add_format_arguments(group)
    group.add_argument("--from", type=float, dest="from_s", metavar="S", help="from this time on, in seconds")
    group.add_argument(
        "--to",
        type=float,
        dest="to_s",
        metavar="S",
        help="up to this time; times in the output are those of the whole file",
    )


def add_format_arguments(group: "argparse._ActionsContainer") -> None:
    """Add facts that a file may lack."""
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
    group.add_argument("--time-unit", choices=("s", "ms", "us", "ns"), help="unit of the times in a CSV without a unit")


def read(args: argparse.Namespace, *, labels: Path | None = None) -> "Recording":
    """The recording named by the arguments; findings of its file are noted."""
    recording, _ = read_with_report(args, labels=labels)
    note_findings(args.recording, recording.findings)
    return recording


def read_options(args: argparse.Namespace, **more: Any) -> "ReadOptions":
    """What the options say about the file."""
    from tapsig.loading import ReadOptions  # lazy: --help need not wait for it

    return ReadOptions(**{name: getattr(args, name) for name in FORMAT_OPTIONS}, **more)


def read_with_report(args: argparse.Namespace, *, labels: Path | None = None) -> "tuple[Recording, LoadReport]":
    """The recording named by the arguments, and the report of the loader.

    With --from or --to it is that part; its `start_s` is the start of the part in the file.
    """
    from tapsig.loading.recording import read_recording  # lazy: --help need not wait for it

    start_s, stop_s = check_span(args)
    if has_span(args) and is_long_wav(args):
        return _read_span(args, start_s, stop_s, labels)
    if not has_span(args) and is_long(args.recording):
        note(f"{args.recording} is long, and all of it is read; --from and --to choose a part")
    recording, report = read_recording(args.recording, read_options(args, labels=labels))
    return (recording[start_s : args.to_s] if has_span(args) else recording), report


def _read_span(
    args: argparse.Namespace, start_s: float, stop_s: float, labels: Path | None
) -> "tuple[Recording, LoadReport]":
    """The part of a long WAV file, without reading the rest."""
    from tapsig.loading import LoadReport, load_labels, read_wav_info  # lazy: --help need not wait for these
    from tapsig.loading.parts import read_wav_span
    from tapsig.loading.recording import load_labels_beside

    if labels is None:
        found, said = load_labels_beside(args.recording, read_wav_info(args.recording).duration_s)
    else:
        found, said = load_labels(labels), ()
    recording = read_wav_span(args.recording, start_s, stop_s, read_options(args), labels=found)
    recording = replace(recording, findings=(*recording.findings, *said))
    return recording, LoadReport(recording.source, recording.findings, channel=args.channel or 0)


def name_channel(args: argparse.Namespace) -> str:
    """The channel of a WAV file of several, such as "channel 1"; otherwise ""."""
    from tapsig.loading import read_wav_info  # lazy: --help need not wait for these
    from tapsig.loading.riff import is_wav_file

    several = is_wav_file(args.recording) and read_wav_info(args.recording).channels > 1
    return f"channel {args.channel or 0}" if several else ""


def find_entry(path: Path, channel: int) -> "tuple[CorpusEntry | None, list[CorpusEntry]]":
    """What a manifest in the file's folder, or the one above, says of it and of its other positions."""
    from tapsig.loading import load_corpus  # lazy: --help need not wait for it

    if not path.is_file():
        return None, []
    for folder in path.resolve().parents[:2]:
        if (folder / "corpus.csv").is_file():
            with contextlib.suppress(TapsigError):
                of_file = [entry for entry in load_corpus(folder).entries if entry.path.samefile(path)]
                for entry in of_file:
                    if entry.channel == channel:
                        return entry, [other for other in of_file if other.position not in ("", entry.position)]
    return None, []


def named_labels(args: argparse.Namespace) -> Path | None:
    """The label file given, or the one that a manifest names for the recording, which is noted."""
    labels: Path | None = args.labels
    if labels is None and (entry := find_entry(args.recording, args.channel or 0)[0]) is not None:
        labels = entry.labels_path
        if labels is not None:
            note(f"the manifest names its labels: {labels}")
    return labels


def find_labels(args: argparse.Namespace) -> Path | None:
    """The label file of `named_labels` for a WAV file, or the one beside it, which is noted."""
    from tapsig.loading import read_wav_info  # lazy: --help need not wait for these
    from tapsig.loading.labels import find_labels_beside
    from tapsig.loading.recording import load_labels_beside

    if (named := named_labels(args)) is not None:
        return named
    found, findings = load_labels_beside(args.recording, read_wav_info(args.recording).duration_s)
    note_findings(args.recording, findings)
    return None if found is None else find_labels_beside(args.recording)


def has_span(args: argparse.Namespace) -> bool:
    """Whether --from or --to is given."""
    return getattr(args, "from_s", None) is not None or getattr(args, "to_s", None) is not None


def check_span(args: argparse.Namespace) -> tuple[float, float]:
    """The times of --from and --to; inf without an end. Raises ParameterError for an empty span."""
    from_s, to_s = getattr(args, "from_s", None), getattr(args, "to_s", None)
    for option, value in (("--from", from_s), ("--to", to_s)):
        if value is not None and not 0 <= value < math.inf:
            raise ParameterError(f"{option} is {value:g}; it must be a time in seconds, 0 or above")
    start_s, stop_s = from_s or 0.0, math.inf if to_s is None else to_s
    if not start_s < stop_s:
        raise ParameterError(f"--from is {start_s:g} and --to {stop_s:g}; the first must be the earlier time")
    return start_s, stop_s


@contextlib.contextmanager
def read_long(args: argparse.Namespace) -> "Iterator[tuple[FindingList, Callable[[int], None]]]":
    """Where a WAV file is read in parts: yields a list for findings, of which each is noted at the end, and a function
    that takes how many samples are done, for a bar.
    """
    from tapsig.loading import read_wav_info  # lazy: --help need not wait for these
    from tapsig.loading.findings import FindingList
    from tapsig.loading.wav import add_channel_choice

    info = read_wav_info(args.recording)
    findings = FindingList(info.findings)
    if args.channel is None:
        add_channel_choice(findings, info.channels)
    with progress_bar(round(info.duration_s), "s of the recording") as advance:
        yield findings, lambda samples: advance(int(samples / info.fs))
    note_findings(args.recording, findings)


def is_long(path: Path) -> bool:
    """Whether a file is a WAV file that is better read in parts."""
    from tapsig.loading import read_wav_info  # lazy: --help need not wait for these
    from tapsig.loading.parts import LARGE_SAMPLES
    from tapsig.loading.riff import is_wav_file

    return is_wav_file(path) and read_wav_info(path).frames > LARGE_SAMPLES


def is_long_wav(args: argparse.Namespace) -> bool:
    """Whether the recording is a WAV file that is better read in parts, or only where --from and --to say.

    Raises ParameterError for options that a WAV file does not take, which `read` would look at.
    """
    from tapsig.loading import read_wav_info  # lazy: --help need not wait for it

    if not is_long(args.recording):
        return False
    info = read_wav_info(args.recording)
    if args.fs is not None and args.fs != info.fs:
        raise ParameterError(f"--fs is {args.fs:g}; {args.recording} has {info.fs:g} Hz: leave --fs out")
    if args.column is not None:
        raise ParameterError(
            f"--column is {args.column!r}; {args.recording} is a WAV file, without names: use --channel"
        )
    return True
