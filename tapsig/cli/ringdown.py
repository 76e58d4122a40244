"""Modes of a panel (frequency, damping, Q, T60) and its decay in octave bands, from taps.

  tapsig ringdown first/door.wav --labels first/door.labels.csv --plot ringdown.png
  tapsig ringdown first/door.wav --channel 1 --detector ring-following
  tapsig ringdown first/door.wav first/rain.wav --channel 1
  tapsig ringdown first --scene quiet

Modes are fitted to all ring-downs of a recording together; ± is the standard error over taps. Several recordings give
one line each, a single one all tables. EDT, T20 and T30 are evaluation ranges of ISO 3382-1; if noise or the
next tap shortens a range too much, the reason is shown instead of a value.
"""

import argparse
from typing import TYPE_CHECKING

from tapsig.cli.corpus_options import (
    add_choice_arguments,
    add_plot_argument,
    check_plots,
    draw,
    name_recordings,
    read_chosen,
)
from tapsig.cli.output import add_output_arguments, emit, note, render_rows, render_table, track
from tapsig.errors import LabelError, ParameterError, RecordingError

if TYPE_CHECKING:
    from tapsig.analysis.ringdown import RingdownResult
    from tapsig.records import Recording

COLUMNS = (
    "recording",
    "frequency_hz",
    "frequency_se_hz",
    "damping",
    "damping_se",
    "q",
    "t60_s",
    "t60_se_s",
    "amplitude",
    "energy_share",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_choice_arguments(parser)
    parser.add_argument("--detector", metavar="NAME", help="use the taps found by this detector instead of labels")
    parser.add_argument("--highest-hz", type=float, metavar="HZ", help="look for modes up to there; default: 2000")
    parser.add_argument("--modes", type=int, default=8, metavar="N", help="strongest modes to print; default: 8")
    add_plot_argument(parser, "levels and modes")
    add_plot_argument(parser, "a spectrogram with the dominant modes marked", option="--spectrogram")
    add_output_arguments(parser)


def run(args: argparse.Namespace) -> int:
    check_plots(args.plot, args.spectrogram, force=args.force)
    if args.modes < 1:
        raise ParameterError(f"--modes is {args.modes}; it must be at least 1")
    results: dict[str, RingdownResult] = {}
    recordings: dict[str, Recording] = {}
    failed: list[str] = []
    chosen = list(read_chosen(args))
    for name, recording in track(zip(name_recordings(chosen), chosen, strict=True), len(chosen), "recordings"):
        try:
            results[name] = _measure(recording, args)
            recordings[name] = recording
        except (LabelError, RecordingError) as error:
            if len(chosen) == 1:
                raise
            failed.append(str(error))
    for name, result in results.items():
        if result.refused:
            note(f"{name}: {result.refused}")
    for reason in failed:
        note(f"left out: {reason}")
    if not results:
        raise RecordingError("no recording has a ring-down that can be used")
    emit(_render(results, args), args)
    _draw_all(results, recordings, args)
    return 0


def _measure(recording: "Recording", args: argparse.Namespace) -> "RingdownResult":
    from tapsig.analysis.ringdown import compute_ringdown  # lazy: --help need not wait for it

    onsets_s = None
    if args.detector:
        from tapsig.detectors import detect  # lazy: only when a detector is asked for

        onsets_s = recording.times_s(detect(args.detector, recording).onset_samples)
        if not onsets_s.size:
            raise LabelError(
                f"{recording.source}: {args.detector} finds no taps; choose another --detector, or label the taps"
            )
    return compute_ringdown(recording, onsets_s=onsets_s, highest_hz=args.highest_hz)


def _render(results: "dict[str, RingdownResult]", args: argparse.Namespace) -> str:
    if args.format != "table":
        rows = [{"recording": name, **mode} for name, result in results.items() for mode in result.to_dict()["modes"]]  # type: ignore[attr-defined]
        document = {"results": {name: result.to_dict() for name, result in results.items()}}
        return render_rows(rows, args.format, columns=COLUMNS, document=document)
    if len(results) == 1:
        name, result = next(iter(results.items()))
        return _describe(name, result, args.modes)
    header = ["recording", "taps", "EDT s", "T60 s", "dominant modes: Hz (T60 s)"]
    lines = [
        [name, result.taps_used, result.bands[0].times_s["edt"], result.t60_s, _list_modes(result)]
        for name, result in results.items()
    ]
    return (
        f"{render_table(header, lines)}\n\nEDT: early decay time of the whole signal (ISO 3382-1)."
        " T60: the longest among the dominant modes (5 % of the energy or more).\n"
    )


def _list_modes(result: "RingdownResult") -> str:
    return ", ".join(f"{mode.frequency_hz:.0f} ({mode.t60_s:.2g})" for mode in result.dominant[:5]) or "none"


def _plus_minus(value: float, error: float, digits: int) -> str:
    return f"{value:.{digits}f}" + (f" ± {error:.{digits}f}" if error == error else "")


def _describe(name: str, result: "RingdownResult", most: int) -> str:
    modes = [
        [
            _plus_minus(mode.frequency_hz, mode.frequency_se_hz, 2),
            f"{100 * mode.damping:.2f}",
            f"{mode.q:.0f}",
            _plus_minus(mode.t60_s, mode.t60_se_s, 3),
            f"{1e3 * mode.amplitude:.1f}",
            f"{100 * mode.energy_share:.1f}",
        ]
        for mode in result.modes[:most]
    ]
    bands = [
        [
            "all" if band.centre_hz != band.centre_hz else f"{band.nominal_hz:g}",
            *(band.times_s[measure] for measure in ("edt", "t20", "t30")),
            band.rate_db_per_s,
            band.taps["t20"],
            band.reason,
        ]
        for band in result.bands
    ]
    used = f"{name}: {result.taps_used} ring-downs, noise {1e3 * result.noise_v:.2g} mV"
    if result.left_out:
        used += "; left out: " + ", ".join(f"{count} {reason}" for reason, count in result.left_out.items())
    tables = [
        used,
        render_table(["frequency Hz", "damping %", "Q", "T60 s", "mV", "energy %"], modes) if modes else "no modes",
        render_table(["octave Hz", "EDT s", "T20 s", "T30 s", "dB/s", "taps", "why no T20"], bands),
    ]
    beats = [
        f"{beat.lower_hz:.1f} and {beat.upper_hz:.1f} Hz beat every {1e3 * beat.period_s:.0f} ms,"
        f" {beat.depth_db:.0f} dB deep at first"
        for beat in result.beats
    ]
    if beats:
        tables.append("\n".join(beats))
    if len(result.modes) > most:
        note(f"{len(result.modes) - most} weaker modes are not shown; --modes {len(result.modes)} shows them")
    return "\n\n".join(tables) + "\n"


def _draw_all(
    results: "dict[str, RingdownResult]", recordings: "dict[str, Recording]", args: argparse.Namespace
) -> None:
    if args.plot is not None:
        from tapsig.report.panel_figures import plot_ringdown  # lazy: matplotlib loads only for figures

        draw({name: plot_ringdown(result, title=name) for name, result in results.items()}, args.plot, force=args.force)
    if args.spectrogram is not None:
        from tapsig.report.figures import plot_spectrogram  # lazy: matplotlib loads only for figures

        figures = {}
        for name, result in results.items():
            modes = [mode.frequency_hz for mode in result.dominant]
            top = min(4.0 * max(modes, default=250.0), recordings[name].fs / 2)
            figures[name] = plot_spectrogram(recordings[name], modes=modes, highest_hz=top, title=name)
        draw(figures, args.spectrogram, force=args.force)
