"""Operating area of a plain threshold detector: errors over threshold and dead time.

  tapsig dead-time first/door.wav --labels first/door.labels.csv --plot area.png
  tapsig dead-time first/door.wav first/rain.wav --channel 1
  tapsig dead-time first --scene quiet
  tapsig dead-time first --by position --scene quiet

The operating area, in decibels × milliseconds, is the region in which every tap is counted exactly once: the larger it
is, the more tolerance the settings have; 0 means that no setting is without errors. The setting shown is in the middle
of this region, or of the one with the fewest errors. With --by position, one setting is used for all recordings of a
position. CSV has one row for each cell of the map.
"""

import argparse
from collections.abc import Callable
from typing import TYPE_CHECKING

from tapsig.cli.corpus_options import (
    add_choice_arguments,
    add_plot_argument,
    check_plots,
    draw,
    name_recordings,
    read_chosen,
)
from tapsig.cli.output import add_output_arguments, emit, note, render_rows, track
from tapsig.errors import LabelError
from tapsig.units import check_range

if TYPE_CHECKING:
    from tapsig.analysis.dead_time import DeadTimeMap
    from tapsig.records import Recording

STEP_DB = (0.05, 6.0)
GROUPS: "dict[str, Callable[[Recording], str]]" = {
    "position": lambda recording: recording.position or "no position",
    "vehicle": lambda recording: f"{recording.vehicle} {recording.position}".strip() or "no vehicle",
    "all": lambda recording: "all",
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_choice_arguments(parser)
    parser.add_argument(
        "--by",
        choices=("recording", *GROUPS),
        default="recording",
        help="one map for each recording, position, vehicle and position, or all",
    )
    parser.add_argument("--step-db", type=float, default=1.0, metavar="DB", help="step of the threshold; default: 1")
    parser.add_argument(
        "--late-s",
        type=float,
        default=0.05,
        metavar="S",
        help="longest time from a tap to its detection, in seconds; default: 0.05",
    )
    add_plot_argument(parser, "the map")
    add_plot_argument(parser, "the waveform with the decisions of the setting shown", option="--waveform")
    add_output_arguments(parser)


def run(args: argparse.Namespace) -> int:
    from tapsig.analysis.dead_time import compute_dead_time_map  # lazy: --help need not wait for it

    check_range("--step-db", args.step_db, *STEP_DB)
    check_plots(args.plot, args.waveform, force=args.force)
    groups: dict[str, list[Recording]] = {}
    chosen = list(read_chosen(args))
    names = name_recordings(chosen) if args.by == "recording" else list(map(GROUPS[args.by], chosen))
    for name, recording in zip(names, chosen, strict=True):
        groups.setdefault(name, []).append(recording)
    maps: dict[str, DeadTimeMap] = {}
    for name, recordings in track(groups.items(), len(groups), "maps"):
        try:
            maps[name] = compute_dead_time_map(recordings, step_db=args.step_db, late_s=args.late_s)
        except LabelError as error:
            if len(groups) == 1:
                raise error if name in str(error) else LabelError(f"{name}: {error}") from error
            note(f"left out: {name}: {error}")
    if not maps:
        raise LabelError("no recording has labelled taps")
    rows: list[dict[str, object]] = []
    if args.format == "csv":
        rows = [{"map": name, **cell} for name, found in maps.items() for cell in found.cells()]
    else:
        rows = [_summarise(name, found) for name, found in maps.items()]
    document = {"maps": {name: found.to_dict() for name, found in maps.items()}}
    emit(render_rows(rows, args.format, document=document), args)
    _draw_all(maps, groups, args)
    return 0


def _summarise(name: str, found: "DeadTimeMap") -> dict[str, object]:
    row, column = found.best_cell
    return {
        "recording": name,
        "taps": found.taps,
        "operating_area_db_ms": found.operating_area_db_ms,
        "threshold_v": found.best_threshold_v,
        "dead_time_ms": round(1e3 * found.best_dead_time_s, 3),
        "missed": int(found.missed[row, column]),
        "extra": int(found.extra[row, column]),
    }


def _draw_all(maps: "dict[str, DeadTimeMap]", groups: "dict[str, list[Recording]]", args: argparse.Namespace) -> None:
    if args.plot is not None:
        from tapsig.report.panel_figures import plot_dead_time  # lazy: only for figures

        draw({name: plot_dead_time(found, title=name) for name, found in maps.items()}, args.plot, force=args.force)
    if args.waveform is not None:
        from tapsig.detectors import detect  # lazy: only for figures
        from tapsig.detectors.fixed_threshold import FixedThreshold
        from tapsig.report.figures import plot_detections

        figures = {}
        for name, found in maps.items():
            variant = FixedThreshold(found.best_threshold_v, found.best_dead_time_s)
            words = f"threshold {variant.threshold_v:.3g} V, dead time {1e3 * variant.dead_time_s:.0f} ms"
            for own, recording in zip(name_recordings(groups[name]), groups[name], strict=True):
                label = name if len(groups[name]) == 1 else f"{name} {own}"
                figures[label] = plot_detections(
                    recording, detect(variant, recording), name=words, threshold_v=variant.threshold_v, title=label
                )
        draw(figures, args.waveform, force=args.force)
