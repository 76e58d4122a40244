"""The cause of each missed tap and false detection, from fixed rules.

  tapsig causes first --detector ring-following
  tapsig causes first --detector tap --errors --scene rain
  tapsig causes first/door.wav first/rain.wav --channel 1 --errors
  tapsig causes first/door.wav --labels first/door.labels.csv --detector fixed-threshold

The table counts causes by position (--by scene, or both). --errors lists each error with its time. CSV lists errors;
JSON has both. --rules prints the rules, and the meanings of features in reasons such as "neighbours: busy".
"""

import argparse
import inspect
from collections import Counter
from typing import TYPE_CHECKING

from tapsig.cli.corpus_options import add_choice_arguments, add_plot_argument, check_plots, draw, read_labelled
from tapsig.cli.detector_options import add_detector_argument, add_window_argument
from tapsig.cli.output import PrintAndExit, add_output_arguments, emit, note, progress_bar, render_rows, render_table
from tapsig.cli.several import name_apart

if TYPE_CHECKING:
    from tapsig.analysis.causes import CauseTable
    from tapsig.detectors import Variant
    from tapsig.records import Recording
    from tapsig.report.drawing import Panels

COLUMNS = ("recording", "position", "scene", "time_s", "error", "cause", "level_db", "rise_db")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_choice_arguments(parser)
    add_detector_argument(parser)
    add_window_argument(parser)
    parser.add_argument(
        "--by",
        choices=("position", "scene", "both"),
        default="position",
        help="grouping of the counts; default: position",
    )
    parser.add_argument("--errors", action="store_true", help="list every error with its time, instead of counts")
    parser.add_argument(
        "--rules",
        action=PrintAndExit,
        const=_describe_rules,
        help="print the rules of causes and the meanings of features, and exit",
    )
    add_plot_argument(parser, "causes by position")
    add_plot_argument(
        parser,
        "features of taps and of other candidates (needs a detector with features, such as tap)",
        option="--features",
    )
    add_output_arguments(parser)


def _describe_rules() -> str:
    import tapsig.analysis.causes  # lazy: parsing need not wait for these
    from tapsig.detectors.features import list_features

    return f"{inspect.getdoc(tapsig.analysis.causes)}\n\n{list_features()}\n"


def run(args: argparse.Namespace) -> int:
    from tapsig.analysis.causes import find_causes
    from tapsig.comparison.advice import count_recordings
    from tapsig.detectors import load_detector  # lazy: --help need not wait for these

    check_plots(args.plot, args.features, force=args.force)
    variant = load_detector(args.detector)
    labelled = read_labelled(args, "explaining errors")
    figure = _draw_features(variant, labelled, args)  # first, so that a detector without features is refused at once
    with progress_bar(2 * len(labelled), "steps") as advance:
        table = find_causes(variant, labelled, window_s=args.window, progress=advance)
    emit(_render(table, labelled, args), args)
    note(
        f"{table.detector}: {table.hits} of {table.taps} taps found, {len(table.errors)} errors,"
        f" {table.duration_s:.0f} s in {count_recordings(len({one.source for one in labelled}), len(labelled))}"
    )
    if args.plot is not None:
        from tapsig.report.error_figures import plot_causes  # lazy: matplotlib loads only for figures

        draw(
            {table.detector: plot_causes(table, positions=[one.position for one in labelled])},
            args.plot,
            force=args.force,
        )
    if figure is not None:
        draw({table.detector: figure}, args.features, force=args.force)
    return 0


def _list_errors(table: "CauseTable", recordings: "list[Recording]") -> list[dict[str, object]]:
    """A row for each error, with times of the whole recording."""
    sources = list(dict.fromkeys((one.source, one.position) for one in recordings))
    names = dict(zip(sources, name_apart(sources), strict=True))
    starts_s = {one.source: one.start_s for one in recordings}  # above 0 with --from
    return [
        {
            "recording": names[one["source"], one["position"]],
            **{name: one[name] for name in COLUMNS[1:]},
            "time_s": one["time_s"] + starts_s[one["source"]],
        }
        for one in table.to_dict()["errors"]  # type: ignore[attr-defined]
    ]


def _render(table: "CauseTable", recordings: "list[Recording]", args: argparse.Namespace) -> str:
    by = {"position": ("position",), "scene": ("scene",), "both": ("position", "scene")}[args.by]
    if args.format == "csv" or (args.format == "table" and args.errors):
        return render_rows(_list_errors(table, recordings), args.format, columns=COLUMNS)
    if args.format == "json":
        document = {
            "detector": table.detector,
            "taps": table.taps,
            "hits": table.hits,
            "duration_s": table.duration_s,
            "first_taps": table.first_taps,
            "first_taps_found": table.first_taps_found,
            "errors": _list_errors(table, recordings),
        }
        return render_rows(table.count(by=by), "json", document=document)
    if not table.errors:
        return "no errors\n"
    if args.by == "both":  # a column for each pair would be wider than any terminal
        return render_rows([{name: value or "–" for name, value in row.items()} for row in table.count(by=by)], "table")
    from tapsig.summary.remedies import name_cause  # lazy: heavy

    groups = sorted({getattr(one, args.by) or "–" for one in recordings})
    counts = Counter((one.error, name_cause(one.cause), getattr(one, args.by) or "–") for one in table.errors)
    groups = [] if groups == ["–"] else groups  # equal to the column "all"
    totals = Counter((one.error, name_cause(one.cause)) for one in table.errors)
    lines: list[list[object]] = [
        [error, cause, total, *(counts[error, cause, group] for group in groups)]
        for (error, cause), total in sorted(totals.items(), key=lambda item: (item[0][0], -item[1], item[0]))
    ]
    return render_table(["error", "cause", "all", *groups], lines) + "\n"


def _draw_features(variant: "Variant", recordings: "list[Recording]", args: argparse.Namespace) -> "Panels | None":
    if args.features is None:
        return None
    from tapsig.analysis.causes import collect_features
    from tapsig.report.error_figures import plot_features  # lazy: matplotlib loads only for figures

    features, is_tap = collect_features(variant, recordings, window_s=args.window)
    return plot_features(features, is_tap, title=f"candidates of {variant.name}")
