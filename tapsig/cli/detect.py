"""The taps that a detector finds in one recording.

  tapsig detect door.wav --full-scale-v 2.5
  tapsig detect log.csv --adc-bits 10 --full-scale-v 5 --detector ring-following
  tapsig detect door.wav --detector fixed-threshold --set threshold_v=0.2 --set dead_time_s=0.12
  tapsig detect door.wav --rejected --plot taps.png
  tapsig detect --list

One row a tap: its onset, the time since the tap before, how strongly it stood out (decibels over the detector's
threshold; for 'tap' a probability), and how long after the onset it was decided. With --format csv the rows are a label
file. A long WAV file is read in blocks. --plot draws the waveform, its envelope and the marks of what was found.
"""

import argparse
import dataclasses
import inspect
from typing import TYPE_CHECKING

from tapsig.cli.choosing import add_plot_argument, check_plots, draw
from tapsig.cli.findings import note_findings
from tapsig.cli.output import add_output_arguments, emit, note, render_rows, show
from tapsig.cli.reading import add_reading_arguments, read
from tapsig.errors import ParameterError
from tapsig.records import TAP

if TYPE_CHECKING:
    from tapsig.detectors import Variant
    from tapsig.records import Detections, Recording

LARGE_SAMPLES = 20_000_000
"""WAV files above this are read in blocks."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `tapsig detect`."""
    add_reading_arguments(parser)
    parser.add_argument(
        "--detector",
        default="tap",
        metavar="NAME",
        help="a name (see --list), a .json file, or module:attribute; default: tap",
    )
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        dest="settings",
        metavar="NAME=VALUE",
        help="another value for one of its parameters; may be repeated",
    )
    parser.add_argument("--rejected", action="store_true", help="also the candidates that were rejected, and why")
    parser.add_argument("--list", action=_ListDetectors, help="the detectors and their parameters, and stop")
    add_plot_argument(parser, "the waveform and the marks of what was found")
    add_output_arguments(parser)


class _ListDetectors(argparse.Action):
    """Prints the catalogue and stops, as --help does: no FILE is needed."""

    def __init__(self, option_strings: list[str], dest: str, help: str | None = None) -> None:
        super().__init__(option_strings, dest, nargs=0, help=help)

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        from tapsig.detectors import CATALOGUE  # lazy: parsing need not wait for it

        for name, variant in CATALOGUE.items():
            summary = (inspect.getdoc(type(variant)) or "").split("\n")[0]
            show(f"{name}\n    {summary}\n")
            if shown := ", ".join(f"{key}={value}" for key, value in _settable(variant).items()):
                show(f"    {shown}\n")
        parser.exit(0)


def _settable(variant: object) -> dict[str, object]:
    """The parameters that are plain numbers or texts."""
    if not dataclasses.is_dataclass(variant):  # somebody's own may be any class
        return {}
    values = {field.name: getattr(variant, field.name) for field in dataclasses.fields(variant)}
    return {name: value for name, value in values.items() if isinstance(value, (int, float, str))}


def run(args: argparse.Namespace) -> int:
    """Detect and show."""
    from tapsig.detectors import load_detector  # lazy: --help need not wait for it

    check_plots(args.plot, force=args.force)
    variant = change_parameters(load_detector(args.detector), args.settings)
    found, times_s, fs, span_s, recording = _detect(variant, args)
    rows = _rows(found, times_s, fs, rejected=args.rejected)
    taps = sum(row["kind"] == TAP for row in rows)
    document = {
        "recording": str(args.recording),
        "channel": args.channel or 0,
        "fs_hz": fs,
        "span_s": span_s,
        "detector": variant.name,
        "parameters": _settable(variant),
        "taps": taps,
    }
    columns = ("onset_s", "kind", "gap_s", "strength", "decided_after_ms", *(["reason"] if args.rejected else []))
    shown = _with_full_times(rows) if args.format == "table" else rows
    emit(render_rows(shown, args.format, columns=columns, document=document), args)
    note(f"{taps} taps in {span_s:.1f} s of {args.recording} ({variant.name}, {fs:g} Hz)")
    if args.plot is not None and recording is not None:
        from tapsig.report.figures import plot_detections  # lazy: matplotlib loads only when something is drawn

        draw({variant.name: plot_detections(recording, found, name=variant.name)}, args.plot, force=args.force)
    return 0


def change_parameters(variant: "Variant", settings: list[str]) -> "Variant":
    """The variant with `settings` ("name=value") changed.

    Raises ParameterError for a parameter that it does not have, or a value outside its range.
    """
    current, changes = _settable(variant), {}
    for setting in settings:
        name, equals, text = setting.partition("=")
        if not equals or name not in current:
            choice = ", ".join(current) or "none"
            raise ParameterError(f"--set {setting}: give NAME=VALUE; the parameters of {variant.name} are: {choice}")
        value = current[name]
        try:
            changes[name] = text if isinstance(value, str) else int(text) if isinstance(value, int) else float(text)
        except ValueError:
            raise ParameterError(f"--set {setting}: {text!r} is not a number such as {value}") from None
    return dataclasses.replace(variant, **changes) if changes else variant  # type: ignore[type-var]


def _detect(
    variant: "Variant", args: argparse.Namespace
) -> "tuple[Detections, list[float], float, float, Recording | None]":
    """Detections, onset times in seconds, the sample rate, the span in seconds; the recording unless read in blocks."""
    from tapsig.detectors import detect  # lazy: --help need not wait for these
    from tapsig.detectors.files import detect_wav
    from tapsig.loading import read_wav_info

    if args.recording.suffix.lower() == ".wav":
        info = read_wav_info(args.recording)
        if info.frames > LARGE_SAMPLES:
            if args.fs not in (None, info.fs):
                raise ParameterError(
                    f"--fs is {args.fs:g}; {args.recording} tells its own rate, {info.fs:g} Hz: leave --fs out"
                )
            if args.plot is not None:
                raise ParameterError(
                    f"--plot: {args.recording} holds {info.frames} samples and is read in blocks;"
                    f" up to {LARGE_SAMPLES} can be drawn: cut out the stretch to look at"
                )
            note_findings(args.recording, info.findings)
            scale = 1.0 if args.full_scale_v is None else args.full_scale_v
            found = detect_wav(
                variant, args.recording, channel=args.channel or 0, full_scale_v=scale, keep_rejected=args.rejected
            )
            return found, (found.onset_samples / info.fs).tolist(), info.fs, info.duration_s, None
    recording = read(args)
    found = detect(variant, recording, keep_rejected=args.rejected)
    return found, recording.times_s(found.onset_samples).tolist(), recording.fs, recording.span_s, recording


def _with_full_times(rows: list[dict[str, object]]) -> list[dict[str, object]]:
    """Onsets as texts of one width: a table's four significant digits are too few for a time in a long recording."""
    texts = [f"{row['onset_s']:.4f}" for row in rows]
    width = max(map(len, texts), default=0)
    return [{**row, "onset_s": text.rjust(width)} for row, text in zip(rows, texts, strict=True)]


def _rows(found: "Detections", times_s: list[float], fs: float, *, rejected: bool) -> list[dict[str, object]]:
    after_ms = ((found.decided_samples - found.onset_samples) * (1e3 / fs)).tolist()
    rows: list[dict[str, object]] = []
    last: float | None = None
    entries = sorted(zip(times_s, found.strength.tolist(), after_ms, found.reason, strict=True))
    for time, strength, wait, reason in entries:
        row: dict[str, object] = {
            "onset_s": round(time, 5),
            "kind": "rejected" if reason else TAP,
            "gap_s": None if last is None or reason else round(time - last, 5),
            "strength": round(strength, 3),
            "decided_after_ms": round(wait, 3),
        }
        if rejected:
            row["reason"] = reason
        rows.append(row)
        last = last if reason else time
    return rows
