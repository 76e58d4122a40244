"""The taps that a detector finds in recordings, or in samples from standard input as they come.

  tapsig detect first/door.wav --full-scale-v 2.5
  tapsig detect first/counts.txt --fs 2000 --adc-bits 10 --full-scale-v 5 --detector ring-following
  tapsig detect first/door.wav --channel 1 --detector fixed-threshold --set threshold_v=0.05 --set dead_time_s=0.245
  tapsig detect first/door.wav first/rain.wav --from 5 --to 15 --events jsonl
  tapsig detect - --fs 2000 --adc-bits 10 --full-scale-v 5 < first/counts.txt
  tapsig detect first/door.wav --rejected --plot taps.png
  tapsig detect --list

One row a tap: its onset, the time since the tap before, how strongly it stood out (decibels over the detector's
threshold; for 'tap' a probability), and how long after the onset it was decided. With --format csv the rows are a label
file. A long WAV file is read in blocks.

- reads standard input until it ends, or until Ctrl-C, and prints each tap as it is decided; on a terminal a line shows
the level. Text holds a sample a line, of which the last number counts; --stdin s16le reads raw samples. --events jsonl
prints one JSON object a line for another program.

--plot draws the waveform, its envelope and the marks of what was found.
"""

import argparse
import inspect
from pathlib import Path
from typing import TYPE_CHECKING

from tapsig.cli.corpus_options import add_plot_argument, check_plots, draw, name_figure
from tapsig.cli.detecting import COLUMNS, detect_in_file, list_rows, render_event
from tapsig.cli.detector_options import add_detector_argument
from tapsig.cli.output import PrintAndExit, add_output_arguments, emit, note, render_rows
from tapsig.cli.recording_options import add_reading_arguments, has_span, is_long_wav, name_channel
from tapsig.cli.several import each_recording, is_several, mark_columns, mark_rows, name_apart
from tapsig.cli.terminal import name_options
from tapsig.errors import ParameterError, TapsigError
from tapsig.records import TAP

if TYPE_CHECKING:
    from tapsig.detectors import Variant

MOST_DRAWN = 20_000_000
"""Samples of a WAV file that are held in memory for a picture."""
STDIN = Path("-")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    what = "recordings (WAV or CSV), or - for samples from standard input, which need --fs"
    add_reading_arguments(parser, several=True, what=what)
    parser.add_argument(
        "--stdin",
        choices=("text", "s16le"),
        help="what standard input holds: a number a line, counts with --adc-bits, otherwise volts (of several numbers"
        " the last); or raw 16-bit little-endian samples of one channel; default: text",
    )
    parser.add_argument("--events", choices=("jsonl",), help="print one JSON object a line for each detection")
    add_detector_argument(parser)
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        dest="settings",
        metavar="NAME=VALUE",
        help="another value for one of its parameters; may be repeated",
    )
    parser.add_argument("--rejected", action="store_true", help="also the candidates that were rejected, and why")
    parser.add_argument(
        "--list", action=PrintAndExit, const=_list_detectors, help="the detectors and their parameters, and stop"
    )
    add_plot_argument(parser, "the waveform and the marks of what was found")
    add_output_arguments(parser, lines=True)


def _list_detectors() -> str:
    from tapsig.detectors import CATALOGUE  # lazy: parsing need not wait for these
    from tapsig.detectors.parameters import list_settable

    text = ""
    for name, variant in CATALOGUE.items():
        summary = (inspect.getdoc(type(variant)) or "").split("\n")[0]
        text += f"{name}\n    {summary}\n"
        if settable := ", ".join(f"{key}={value}" for key, value in list_settable(variant).items()):
            text += f"    {settable}\n"
    return text


def run(args: argparse.Namespace) -> int:
    from tapsig.detectors import load_detector  # lazy: --help need not wait for these
    from tapsig.detectors.parameters import read_settings

    variant = read_settings(load_detector(args.detector), args.settings)
    if STDIN in args.recordings:
        from tapsig.cli.live import run_live

        _refuse_beside_stdin(args)
        return run_live(variant, args)
    if args.stdin is not None:
        raise ParameterError("--stdin says what standard input holds; give - in place of a file")
    check_plots(args.plot, force=args.force)
    files: list[dict[str, object]] = []
    rows: list[dict[str, object]] = []
    for name, path in zip(name_apart([(str(path), "") for path in args.recordings]), each_recording(args), strict=True):
        try:
            document, rows_of_file = _detect_file(variant, name, args)
        except ParameterError:
            raise
        except (TapsigError, OSError) as error:
            if not is_several(args):
                raise
            note(f"left out: {name_options(str(error), vars(args))}")
        else:
            files.append({"recording": str(path), **document})
            rows += mark_rows(rows_of_file, args)
    if args.events:
        emit("".join(render_event({"recording": str(args.recording), **row}) for row in rows), args)
    else:
        columns = mark_columns([*COLUMNS, *(["reason"] if args.rejected else [])], args)
        shown = _with_full_times(rows) if args.format == "table" else rows
        document = {"files": files} if is_several(args) else files[0]
        emit(render_rows(shown, args.format, columns=columns, document=document), args)
    return int(len(files) < len(args.recordings))


def _detect_file(
    variant: "Variant", name: str, args: argparse.Namespace
) -> tuple[dict[str, object], list[dict[str, object]]]:
    """What JSON has on one file, and a row for each detection; `name` tells its picture from those of others."""
    from tapsig.detectors.parameters import list_settable  # lazy: --help need not wait for it

    if args.plot is not None:
        _check_drawn(args)
    one = detect_in_file(variant, args, keep_rejected=args.rejected, whole=args.plot is not None)
    rows = list_rows(one.found, one.times_s, one.fs, rejected=args.rejected)
    taps = sum(row["kind"] == TAP for row in rows)
    note(f"{taps} taps in {one.span_s:.1f} s of {args.recording} ({variant.name}, {one.fs:g} Hz)")
    if args.plot is not None and one.recording is not None:
        from tapsig.report.figures import plot_detections  # lazy: matplotlib loads only when something is drawn

        own = name_figure(args.plot, name) if is_several(args) else args.plot
        channel = name_channel(args)
        title = f"{name} {channel}" if channel else ""
        figure = plot_detections(one.recording, one.found, name=variant.name, title=title)
        draw({name: figure}, own, force=args.force)
    document: dict[str, object] = {
        "channel": args.channel or 0,
        "fs_hz": one.fs,
        "span_s": one.span_s,
        "detector": variant.name,
        "parameters": list_settable(variant),
        "taps": taps,
    }
    return document, rows


def _check_drawn(args: argparse.Namespace) -> None:
    """Refuse to draw a WAV file that is better not held in memory."""
    if not has_span(args) and is_long_wav(args):
        from tapsig.loading import read_wav_info  # lazy: --help need not wait for it

        if (frames := read_wav_info(args.recording).frames) > MOST_DRAWN:
            raise ParameterError(
                f"--plot: {args.recording} holds {frames} samples; up to {MOST_DRAWN} can be drawn: choose a part with"
                " --from and --to"
            )


def _refuse_beside_stdin(args: argparse.Namespace) -> None:
    """Refuse what standard input cannot do: it is one channel, read once, and shown as it comes."""
    if len(args.recordings) > 1:
        raise ParameterError("- reads standard input; give it alone, without files")
    for name in ("plot", "out", "channel", "column", "time_unit", "from_s", "to_s"):
        if getattr(args, name) is not None:
            option = name.removesuffix("_s").replace("_", "-")
            raise ParameterError(f"--{option} does not go with standard input (-), which is one channel, shown live")
    if args.format == "json":
        raise ParameterError("--format json is one document, which standard input (-) never ends: --events jsonl")


def _with_full_times(rows: list[dict[str, object]]) -> list[dict[str, object]]:
    """Onsets as texts of one width: a table's four significant digits are too few for a time in a long recording."""
    texts = [f"{row['onset_s']:.4f}" for row in rows]
    width = max(map(len, texts), default=0)
    return [{**row, "onset_s": text.rjust(width)} for row, text in zip(rows, texts, strict=True)]
