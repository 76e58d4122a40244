"""One page on a recording or a corpus, from its faults to what to record next; it needs no network.

  tapsig report first/door.wav --full-scale-v 2.5 --channel 1 --out door.html
  tapsig report first/door.wav first/rain.wav --channel 1 --out page.html
  tapsig report first --scene quiet --out first.html
  tapsig report first/rain.wav --from 5 --to 15

The page shows the recording's facts and faults; the waveform with hits, misses and false detections; the spectrogram;
the ring-down of the panel; the operating area and the best setting of a plain threshold; taps and entries; the causes
of errors with a remedy each; a comparison of positions, where there are several; and advice on what to record next.
"""

import argparse
import shlex
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tapsig.cli.corpus_options import CHOICES, add_choice_arguments, find_corpus, is_corpus, name_figure
from tapsig.cli.detector_options import add_cache_argument, add_window_argument, list_options, load_variants, note_table
from tapsig.cli.findings import FORMAT_OPTIONS, note_findings, reword
from tapsig.cli.output import check_out, check_page, list_inputs, note, progress_bar, write_atomically
from tapsig.cli.recording_options import (
    check_span,
    find_entry,
    find_labels,
    is_long_wav,
    named_labels,
    read_with_report,
)
from tapsig.cli.several import each_recording, is_several, name_apart
from tapsig.errors import ParameterError

if TYPE_CHECKING:
    from tapsig.detectors import Variant
    from tapsig.loading.corpus import Corpus, CorpusEntry
    from tapsig.summary.recording import RecordingSummary

DETECTORS = ("fixed-threshold", "tap")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_choice_arguments(parser)
    parser.add_argument(
        "--detector",
        action="append",
        metavar="NAME",
        help=f"as in 'tapsig score'; may be repeated; the taps of the last are listed; default:"
        f" {' and '.join(DETECTORS)}",
    )
    add_window_argument(parser)
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="processes, for a corpus; default: 1")
    add_cache_argument(parser)
    parser.add_argument(
        "--out",
        type=Path,
        metavar="FILE.html",
        default=Path("report.html"),
        help="the page; default: report.html; of several recordings each has its own, report-NAME.html",
    )
    parser.add_argument("--force", action="store_true", help="let --out replace a file that exists")
    parser.set_defaults(settle=_check_out)


def _check_out(args: argparse.Namespace) -> None:
    check_page(args.out)
    for path in _list_pages(args):
        check_out(path, force=args.force, inputs=list_inputs(args))


def _list_pages(args: argparse.Namespace) -> list[Path]:
    """The page of each recording; of a corpus, its only one."""
    if not is_several(args):
        return [args.out]
    return [name_figure(args.out, name) for name in name_apart([(str(path), "") for path in args.recordings])]


def run(args: argparse.Namespace) -> int:
    from tapsig.detectors import load_detector  # heavy rooms load when they are used

    corpus = find_corpus(args)
    if corpus is not None and len(corpus) > 1:
        _write(args, _report_corpus(args, corpus))
        return 0
    entry = None if corpus is None else corpus.entries[0]
    variants: dict[str, Variant] = {name: load_detector(name) for name in args.detector or DETECTORS}
    pages = _list_pages(args)
    for page, _ in zip(pages, each_recording(args), strict=True):
        args.out = page
        _write(args, _report_recording(args, entry, variants))
    return 0


def _write(args: argparse.Namespace, page: str) -> None:
    write_atomically(args.out, page, force=args.force)
    note(f"wrote {args.out} ({len(page.encode()) / 1e6:.1f} MB)")


def _report_corpus(args: argparse.Namespace, corpus: "Corpus") -> str:
    from tapsig.report.corpus_page import render_corpus_page  # heavy rooms load when they are used
    from tapsig.scoring.cache import ResultCache
    from tapsig.summary.corpus import summarise_corpus
    from tapsig.summary.next_steps import advise_next

    variants, warnings = load_variants(args.detector or DETECTORS, corpus.entries)
    name = args.recording.resolve()
    with progress_bar(5 * len(corpus), "steps") as advance:
        summary = summarise_corpus(
            corpus,
            variants,
            name=name.parent.name if name.is_file() else name.name,
            window_s=args.window,
            jobs=args.jobs,
            cache=None if args.cache is None else ResultCache(args.cache),
            progress=advance,
        )
    if summary.table is not None:
        note_table(summary.table, corpus)
    faults = (replace(fault, worst=reword(fault.worst, of_corpus=True)) for fault in summary.survey.faults)
    summary = replace(summary, survey=replace(summary.survey, faults=tuple(faults)))
    return render_corpus_page(
        summary,
        command=describe_command(args),
        steps=advise_next(summary.held),
        window_s=args.window,
        warnings=warnings,
    )


def _report_recording(args: argparse.Namespace, entry: "CorpusEntry | None", variants: "dict[str, Variant]") -> str:
    from tapsig.report.report_page import render_recording_page  # heavy rooms load when they are used
    from tapsig.summary.corpus import choose_sibling
    from tapsig.summary.next_steps import Held, advise_next

    if args.cache is not None:
        raise ParameterError(f"--cache stores the detections in a corpus; {args.recording} is one recording")
    command = describe_command(args)
    siblings: list[CorpusEntry] = []
    of_corpus = entry is not None
    if entry is None:
        entry, siblings = find_entry(args.recording, args.channel or 0)
        name = args.recording.name
        if entry is not None and entry.position:
            name = f"{name} ({entry.position})"
        args = argparse.Namespace(**{**vars(args), "labels": named_labels(args)})
    else:
        _take_from_manifest(args, entry)
        name = entry.name
    summary = _summarise(args, entry, variants, name, of_corpus=of_corpus)
    hours = summary.duration_s / 3600.0 if summary.labelled and not summary.taps_s.size else 0.0
    held = Held(
        summary.labelled,
        summary.taps_s.size,
        hours,
        [summary.position, *(other.position for other in siblings)],
        [summary.scene],
        summary.health.findings,
        summary.simulated,
    )
    beside = []
    if (other := choose_sibling(siblings)) is not None and not is_long_wav(args):
        last = list(variants)[-1]
        reading = argparse.Namespace(**{**vars(args), "channel": other.channel})
        beside = [_summarise(reading, other, {last: variants[last]}, other.name, noted=False, of_corpus=of_corpus)]
    steps = advise_next(held)
    if siblings:
        steps += ("tapsig positions FOLDER, with the folder of corpus.csv, compares the positions that were recorded.",)
    return render_recording_page(summary, command=command, steps=steps, window_s=args.window, beside=beside)


def _take_from_manifest(args: argparse.Namespace, entry: "CorpusEntry") -> None:
    """What the manifest says of the recording, as if it were given by options."""
    args.recording = entry.path
    args.channel, args.full_scale_v, args.adc_bits = entry.channel, entry.full_scale_v, entry.adc_bits
    args.fs, args.time_unit, args.labels = entry.fs_hz, entry.time_unit, entry.labels_path


def _summarise(
    args: argparse.Namespace,
    entry: "CorpusEntry | None",
    variants: "dict[str, Variant]",
    name: str,
    *,
    of_corpus: bool,
    noted: bool = True,
) -> "RecordingSummary":
    from tapsig.analysis.faults import carry_over  # heavy rooms load when they are used
    from tapsig.loading import LoadReport, ReadOptions, read_wav_info
    from tapsig.loading.findings import FindingList
    from tapsig.loading.wav import add_channel_choice
    from tapsig.summary.parts import summarise_wav
    from tapsig.summary.recording import summarise_recording

    where: dict[str, Any] = {word: getattr(entry, word, "") for word in ("position", "vehicle", "scene")}
    simulated = entry is not None and bool(entry.seed)
    begin_s, end_s = check_span(args)
    with progress_bar(100, "%") as advance:

        def progress(share: float) -> None:
            advance(int(100 * share))

        chosen = FindingList()
        if is_long_wav(args):
            if noted and args.channel is None:
                add_channel_choice(chosen, read_wav_info(args.recording).channels)
                note_findings(args.recording, chosen)
            summary = summarise_wav(
                args.recording,
                variants,
                name=name,
                options=ReadOptions(
                    args.channel or 0, None, args.full_scale_v, args.adc_bits, find_labels(args), **where
                ),
                begin_s=begin_s,
                end_s=end_s,
                simulated=simulated,
                window_s=args.window,
                progress=progress,
            )
        else:
            recording, report = read_with_report(args, labels=args.labels)
            if noted:
                note_findings(args.recording, recording.findings, of_corpus=of_corpus)
            summary = summarise_recording(
                replace(recording, **where),
                variants,
                name=name,
                report=report,
                simulated=simulated,
                window_s=args.window,
                progress=progress,
            )
    findings = (*summary.health.findings, *carry_over(LoadReport(summary.health.source, tuple(chosen))))
    findings = tuple(reword(finding, of_corpus=of_corpus) for finding in findings)
    return replace(summary, health=replace(summary.health, findings=findings))


def describe_command(args: argparse.Namespace) -> str:
    """The command as one would type it."""
    options = ["from_s", "to_s", "detector", *CHOICES, "window", "cache", "out"]
    if not is_corpus(args.recording):  # whose manifest says the rest
        options = ["labels", *FORMAT_OPTIONS, *options]
    return shlex.join(["tapsig", "report", str(args.recording), *list_options(args, options)])
