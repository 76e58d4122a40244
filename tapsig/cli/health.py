"""What is wrong with a recording: clipping, bias, a lost half, hum, lost samples, a rate too low; and what to do.

  tapsig health first/door.wav --full-scale-v 2.5 --adc-bits 10
  tapsig health first/counts.txt --fs 2000 --adc-bits 10 --full-scale-v 5 --plot health.png
  tapsig health first/door.wav first/rain.wav --from 5 --to 15
  tapsig health first --position frame

All channels of a WAV file are looked at unless --channel names one. A recording without problems prints only its
figures. The exit code is 1 when a finding is an error.
"""

import argparse
from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from tapsig.cli.corpus_options import add_choice_arguments, add_plot_argument, check_plots, draw, find_corpus
from tapsig.cli.findings import reword
from tapsig.cli.output import add_output_arguments, emit, format_cell, note, progress_bar, render_rows, track
from tapsig.cli.recording_options import (
    find_labels,
    has_span,
    is_long,
    is_long_wav,
    named_labels,
    read_options,
    read_with_report,
)
from tapsig.cli.several import each_recording, name_apart
from tapsig.cli.terminal import make_inert
from tapsig.errors import LabelError, ParameterError, RecordingError

if TYPE_CHECKING:
    from tapsig.analysis.health import HealthReport
    from tapsig.analysis.long_health import FileHealth
    from tapsig.loading import Corpus
    from tapsig.records import Recording

    Checked = tuple[str, FileHealth, Recording | None]

COLUMNS = ("recording", "code", "severity", "message", "advice", "value", "unit", "first_s")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_choice_arguments(parser)
    add_plot_argument(parser, "the waveform between its rails, and the spectrum of its calmer half")
    add_output_arguments(parser)


def run(args: argparse.Namespace) -> int:
    check_plots(args.plot, force=args.force)
    corpus = find_corpus(args)
    reports: dict[str, HealthReport] = {}
    drawn: dict[str, Recording] = {}
    for name, one, recording in _check_corpus(corpus) if corpus is not None else _check_files(args):
        findings = tuple(reword(finding, of_corpus=corpus is not None) for finding in one.report.findings)
        reports[name] = replace(one.report, findings=findings)
        if args.plot is not None and one.readable:
            if recording is None:
                raise _refuse_to_draw(one.report.source)
            drawn[name] = recording
    code = _show(args, reports)
    if args.plot is not None:
        from tapsig.report.figures import plot_health  # lazy: matplotlib loads only when something is drawn

        figures = {
            name: plot_health(recording, reports[name].shift(-recording.start_s), title=name)
            for name, recording in drawn.items()
        }
        draw(figures, args.plot, force=args.force)
    return code


def _refuse_to_draw(path: object) -> ParameterError:
    return ParameterError(f"--plot: {path} is too long to draw; choose a part with --from and --to")


def _check_files(args: argparse.Namespace) -> "Iterator[Checked]":
    """The recordings given, one after the other. What cannot be read among several is a finding."""
    from tapsig.analysis.long_health import describe_unreadable  # lazy, for --help

    names = name_apart([(str(path), "") for path in args.recordings])
    asked = args.channel
    for name, path in zip(names, each_recording(args), strict=True):
        args.channel = asked
        try:
            checked = list(_check_file(name, args))
        except (RecordingError, LabelError) as error:
            if len(names) == 1:
                raise
            checked = [(name, describe_unreadable(path, error), None)]
        yield from _add_comparison(checked) if len(checked) > 1 else checked


def _check_file(name: str, args: argparse.Namespace) -> "Iterator[Checked]":
    """Each channel of a WAV file, or the one asked for; of a log one value column."""
    from tapsig.analysis.long_health import check_health_of_file, check_health_of_recording  # lazy, for --help
    from tapsig.loading import read_wav_info
    from tapsig.loading.riff import is_wav_file

    info = read_wav_info(args.recording) if is_wav_file(args.recording) else None
    whole_file = info is not None and args.channel is None
    asked = list(range(info.channels)) if info is not None and whole_file else [args.channel]
    long = not has_span(args) and is_long_wav(args)
    if long and args.plot is not None:
        raise _refuse_to_draw(args.recording)
    labels = find_labels(args) if long else named_labels(args)
    with progress_bar(round(info.duration_s if info else 1.0) * len(asked), "s of sound") as advance:
        for done, args.channel in enumerate(asked):
            base_s = done * info.duration_s if info else 0.0
            if info is not None and long:
                one = check_health_of_file(
                    args.recording,
                    read_options(args, labels=labels),
                    progress=lambda samples, base_s=base_s, fs=info.fs: advance(int(base_s + samples / fs)),  # type: ignore[misc]
                )
                recording = None
            else:
                recording, report = read_with_report(args, labels=labels)
                checked = check_health_of_recording(recording, report)
                one = replace(checked, report=checked.report.shift(recording.start_s))
                advance(int(base_s + recording.duration_s))
            kept = recording if args.plot is not None else None
            yield name if len(asked) == 1 else f"{name} channel {args.channel}", one, kept


def _check_corpus(corpus: "Corpus") -> "Iterator[Checked]":
    """The recordings of a corpus, one after the other; long ones in parts. What cannot be read is a finding."""
    from tapsig.analysis.long_health import (  # lazy, for --help
        check_health_of_file,
        check_health_of_recording,
        describe_unreadable,
    )

    for index, entry in enumerate(track(corpus.entries, len(corpus), "recordings")):
        name = make_inert(entry.name if len(corpus) == 1 or entry.position else f"{entry.name} channel {index}")
        recording = None
        try:
            if is_long(entry.path):
                one = check_health_of_file(entry.path, entry.options)
                one = replace(one, report=replace(one.report, position=entry.position))
            else:
                recording, report = corpus.read(entry)
                one = check_health_of_recording(recording, report)
        except (RecordingError, LabelError) as error:
            one = describe_unreadable(entry.path, error)
        yield name, one, recording


def _add_comparison(checked: "list[Checked]") -> "list[Checked]":
    """The channels of one file, with what only shows between them in the first one's report."""
    from tapsig.analysis.faults import rank_severity
    from tapsig.analysis.health import compare_channels  # lazy: --help need not wait for it

    found = [one for _, one, _ in checked]
    between = compare_channels([one.digest for one in found], [one.loudness for one in found])
    name, first, recording = checked[0]
    merged = sorted((*first.report.findings, *between), key=rank_severity)
    first = replace(first, report=replace(first.report, findings=tuple(merged)))
    return [(name, first, recording), *checked[1:]]


def _show(args: argparse.Namespace, reports: "dict[str, HealthReport]") -> int:
    """Show the findings; the exit code is 1 when one of them is an error."""
    rows = [{"recording": name, **finding} for name, report in reports.items() for finding in report.rows()]
    if args.format == "table":
        emit("".join(_describe(name, report) for name, report in reports.items()), args)
    else:
        document = {"reports": {name: report.to_dict() for name, report in reports.items()}}
        emit(render_rows(rows, args.format, columns=COLUMNS, document=document), args)
    worst = [next(iter(report.findings)).severity if report.findings else "" for report in reports.values()]
    note(f"{len(worst)} checked: {worst.count('warning')} with warnings, {worst.count('error')} with errors")
    return int("error" in worst)


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
    readable = report.duration_s == report.duration_s
    lines = [f"{name}: {', '.join(figures) if readable else 'cannot be read'}"]
    for finding in report.findings:
        first = f", first at {finding.first_s:.3f} s" if finding.first_s == finding.first_s else ""
        lines += [f"  {finding.severity}: {finding.message}{first} [{finding.code}]", f"    → {finding.advice}"]
    return "\n".join(lines) + "\n"
