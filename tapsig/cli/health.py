"""What is wrong with a recording: clipping, bias, a lost half, hum, lost samples, a rate too low; and what to do.

  tapsig health door.wav --full-scale-v 2.5 --adc-bits 10
  tapsig health log.csv --adc-bits 10 --full-scale-v 5 --plot health.png
  tapsig health my_corpus --position frame

All channels of a WAV file are looked at unless --channel names one. Nothing is printed on a sound recording but its
figures. The exit code is 1 when a finding is an error.
"""

import argparse
from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from tapsig.cli.choosing import add_choice_arguments, add_plot_argument, check_plots, draw, find_corpus, name_recording
from tapsig.cli.output import add_output_arguments, emit, format_cell, note, render_rows, track
from tapsig.cli.reading import is_long_wav, read_with_report
from tapsig.errors import ParameterError

if TYPE_CHECKING:
    from tapsig.analysis.health import HealthReport
    from tapsig.loading import Corpus, LoadReport
    from tapsig.records import Recording

COLUMNS = ("recording", "code", "severity", "message", "advice", "value", "unit", "first_s")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `tapsig health`."""
    add_choice_arguments(parser)
    parser.set_defaults(channel=None)
    add_plot_argument(parser, "the waveform between its rails, and the spectrum of its calmer half")
    add_output_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Check and show."""
    from tapsig.analysis.health import SEVERITIES, check_health, compare_channels  # lazy: --help need not wait for it

    check_plots(args.plot, force=args.force)
    corpus = find_corpus(args)
    if corpus is None and args.recording.is_file() and is_long_wav(args):
        return _show(args, _check_long(args))
    whole_file = corpus is None and args.channel is None
    chosen = list(_read_reports(args, corpus, whole_file=whole_file))
    reports = {
        _name(recording, k, len(chosen)): _in_file_time(check_health(recording, report), recording.start_s)
        for k, (recording, report) in enumerate(chosen)
    }
    if whole_file and len(chosen) > 1:
        between = compare_channels([recording for recording, _ in chosen])
        first = next(iter(reports))
        merged = sorted((*reports[first].findings, *between), key=lambda one: SEVERITIES.index(one.severity))
        reports[first] = replace(reports[first], findings=tuple(merged))
    code = _show(args, reports)
    if args.plot is not None:
        from tapsig.report.figures import plot_health  # lazy: matplotlib loads only when something is drawn

        figures = {
            name: plot_health(recording, reports[name], title=name)
            for name, (recording, _) in zip(reports, chosen, strict=True)
        }
        draw(figures, args.plot, force=args.force)
    return code


def _in_file_time(report: "HealthReport", start_s: float) -> "HealthReport":
    """The report of a part that begins at `start_s`, with times of the whole file."""
    findings = (replace(finding, first_s=finding.first_s + start_s) for finding in report.findings)
    return replace(report, findings=tuple(findings)) if start_s else report


def _check_long(args: argparse.Namespace) -> "dict[str, HealthReport]":
    """The health of a file that is read in parts, for each channel asked for."""
    from tapsig.analysis.health import SEVERITIES, compare_sound  # lazy: --help need not wait for it
    from tapsig.analysis.long_health import check_health_of_file
    from tapsig.loading import read_wav_info

    if args.plot is not None:
        raise ParameterError(f"--plot: {args.recording} is too long to draw; cut out the stretch to look at")
    asked = range(read_wav_info(args.recording).channels) if args.channel is None else [args.channel]
    found = [
        check_health_of_file(
            args.recording, channel=channel, full_scale_v=args.full_scale_v, adc_bits=args.adc_bits, labels=args.labels
        )
        for channel in asked
    ]
    between = compare_sound(
        [one.digest for one in found],
        [one.report.peak_v / one.report.noise_v if one.report.noise_v > 0 else 0.0 for one in found],
    )
    stem = args.recording.stem
    reports = {
        stem if len(found) == 1 else f"{stem} channel {channel}": one.report
        for channel, one in zip(asked, found, strict=True)
    }
    first = next(iter(reports))
    merged = sorted((*reports[first].findings, *between), key=lambda one: SEVERITIES.index(one.severity))
    return reports | {first: replace(reports[first], findings=tuple(merged))}


def _show(args: argparse.Namespace, reports: "dict[str, HealthReport]") -> int:
    """Show the findings; the exit code is 1 when one of them is an error."""
    rows = [{"recording": name, **finding} for name, report in reports.items() for finding in report.rows()]
    if args.format == "table":
        emit("".join(_describe(name, report) for name, report in reports.items()), args)
    else:
        document = {"reports": {name: report.to_dict() for name, report in reports.items()}}
        emit(render_rows(rows, args.format, columns=COLUMNS, document=document), args)
    sound = sum(report.ok for report in reports.values())
    note(f"{sound} of {len(reports)} sound")
    return int(any(row["severity"] == "error" for row in rows))


def _name(recording: "Recording", index: int, count: int) -> str:
    name = name_recording(recording)
    return name if count == 1 or recording.position else f"{name} channel {index}"


def _read_reports(
    args: argparse.Namespace, corpus: "Corpus | None", *, whole_file: bool
) -> "Iterator[tuple[Recording, LoadReport]]":
    """The recordings of a corpus, or the one named, each with the report of how it was read.

    Of a whole WAV file it is each channel, of a log one value column.
    """
    from tapsig.loading import read_wav_info  # lazy: --help need not wait for it

    if corpus is not None:
        yield from map(corpus.read, track(corpus.entries, len(corpus), "recordings"))
    elif whole_file and args.recording.suffix.lower() in (".wav", ".wave"):
        channels = read_wav_info(args.recording).channels
        for args.channel in range(channels):
            yield read_with_report(args, labels=args.labels)
    else:
        yield read_with_report(args, labels=args.labels)


def _describe(name: str, report: "HealthReport") -> str:
    """One line of figures, then each finding with what to do."""
    figures = [
        f"{report.duration_s:.1f} s",
        f"{report.fs:g} Hz",
        f"bias {format_cell(report.bias_v)} V",
        f"noise {format_cell(1e3 * report.noise_v)} mV rms",
    ]
    if report.effective_bits == report.effective_bits:
        figures.append(f"{report.effective_bits:.1f} effective bits")
    figures.append(f"peak {format_cell(report.peak_v)} V")
    lines = [f"{name}: {', '.join(figures)}"]
    for finding in report.findings:
        first = f", first at {finding.first_s:.3f} s" if finding.first_s == finding.first_s else ""
        lines += [f"  {finding.severity}: {finding.message}{first} [{finding.code}]", f"    → {finding.advice}"]
    return "\n".join(lines) + "\n"
