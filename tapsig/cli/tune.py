"""The best setting of each plain detector for a recording, its held-out scores, and the line to paste into a sketch.

  tapsig tune first/door.wav --full-scale-v 2.5 --adc-bits 10 --channel 1
  tapsig tune first/door.wav first/rain.wav --channel 1 --detector fixed-threshold
  tapsig tune first --scene quiet --detector fixed-threshold --detector innovation
  tapsig tune first/door.wav --labels first/door.labels.csv --detector fixed-threshold --format json

Settings are tried on the labelled taps. Then parts of the recording (or files, where there are four) are held out in
turn and the setting is chosen on the rest: F1 and errors "held out" estimate the result on further recordings of
the same kind. "serves" is yes when the held-out F1 is 0.9 or more; if no setting serves, the most frequent cause of
errors is named.
"""

import argparse
import shlex
from typing import TYPE_CHECKING

from tapsig.cli.corpus_options import add_choice_arguments, is_corpus, read_labelled
from tapsig.cli.detector_options import add_window_argument, list_options
from tapsig.cli.findings import FORMAT_OPTIONS
from tapsig.cli.output import add_output_arguments, emit, progress_bar, render_rows, render_table
from tapsig.results import format_named

if TYPE_CHECKING:
    from tapsig.detectors.base import Variant
    from tapsig.records import Recording
    from tapsig.scoring.held_out import TunedSetting

PLAIN = ("fixed-threshold", "prominence", "sta-lta", "ring-following", "spectral-flux", "innovation")
SERVES_F1 = 0.9


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_choice_arguments(parser)
    parser.add_argument(
        "--detector",
        action="append",
        choices=PLAIN,
        metavar="NAME",
        help=f"one of {', '.join(PLAIN)}; may be repeated; default: all",
    )
    parser.add_argument(
        "--limit", type=int, default=120, metavar="N", help="settings tried of each detector; default: 120"
    )
    add_window_argument(parser)
    add_output_arguments(parser)


def run(args: argparse.Namespace) -> int:
    from tapsig.detectors import load_detector  # lazy: --help need not wait for these
    from tapsig.scoring.held_out import tune_held_out

    labelled = read_labelled(args, "tuning")
    names = args.detector or PLAIN
    rows = []
    with progress_bar(args.limit * len(names), "settings") as advance:
        for done, name in enumerate(names):
            tuned = tune_held_out(
                load_detector(name),
                labelled,
                limit=args.limit,
                window_s=args.window,
                progress=lambda tried, done=done: advance(args.limit * done + min(tried, args.limit)),  # type: ignore[misc]
            )
            rows.append(_describe(name, tuned, labelled, args))
            advance(args.limit * (done + 1))
    rows.sort(key=lambda row: -float(str(row["f1_held_out"])))
    emit(_render(rows) if args.format == "table" else render_rows(rows, args.format), args)
    return 0


def _describe(
    name: str, tuned: "TunedSetting", recordings: "list[Recording]", args: argparse.Namespace
) -> dict[str, object]:
    from tapsig.scoring.tuning import GRIDS  # lazy: --help need not wait for it

    serves = tuned.held_out.value >= SERVES_F1
    threshold_v, dead_time_s = (getattr(tuned.variant, key, None) for key in ("threshold_v", "dead_time_s"))
    counts = _to_counts(threshold_v, recordings)
    changed = {key: getattr(tuned.variant, key) for key in GRIDS[tuned.variant.name]}
    return {
        "detector": name,
        "serves": serves,
        **tuned.held_out.to_dict("f1_held_out"),
        "held_out_missed": tuned.held_out_missed,
        "held_out_false": tuned.held_out_false,
        "taps": tuned.taps,
        "missed": tuned.missed,
        "false": tuned.false,
        "setting": ", ".join(f"{key}={value:g}" for key, value in changed.items()),
        "threshold_v": threshold_v,
        "threshold_counts": counts,
        "dead_time_ms": None if dead_time_s is None else 1e3 * dead_time_s,
        "paste": _write_line(name, changed, counts, recordings, args),
        "reason": "" if serves else _find_reason(tuned.variant, recordings, args.window),
    }


def _to_counts(threshold_v: float | None, recordings: "list[Recording]") -> int | None:
    """The threshold in counts of the recordings' converter; None where it is not one, or not known."""
    steps = {recording.step_v for recording in recordings}
    if threshold_v is None or len(steps) != 1 or not (step := steps.pop()) > 0:
        return None
    return round(threshold_v / step)


def _write_line(
    name: str, changed: dict[str, float], counts: int | None, recordings: "list[Recording]", args: argparse.Namespace
) -> str:
    """For a fixed threshold, two lines of a sketch; for any other, the command with its parameters."""
    if name == "fixed-threshold":
        threshold_v, dead_time_s = changed["threshold_v"], changed["dead_time_s"]
        level = "const int THRESHOLD = /* volts to counts: give --adc-bits and --full-scale-v */;"
        if counts is not None:
            bits = recordings[0].adc_bits
            level = f"const int THRESHOLD = {counts};  // counts from rest: {threshold_v:.3g} V at {bits} bits"
        return f"{level}\nconst unsigned long DEAD_TIME_MS = {1e3 * dead_time_s:.0f};  // no second tap this soon"
    files = [*map(str, args.recordings), *list_options(args, FORMAT_OPTIONS)]
    if is_corpus(args.recording):
        files = ["FILE"]
    words = ["tapsig", "detect", *files, "--detector", name]
    for key, value in changed.items():
        words += ["--set", f"{key}={value:g}"]
    return shlex.join(words)


def _find_reason(variant: "Variant", recordings: "list[Recording]", window_s: float) -> str:
    """What most of the errors of the best setting come from, in plain words."""
    from tapsig.analysis.causes import find_causes  # lazy: --help need not wait for these
    from tapsig.summary.remedies import advise_errors

    table = find_causes(variant, recordings, window_s=window_s)
    advice = advise_errors(table, {})
    if not advice:
        return "it errs only on taps that were held out: more taps are needed"
    first = advice[0]
    kind = "false" if first.error == "false" else "missed"
    return f"{first.count} of its {len(table.errors)} errors are {kind}, by {first.cause}: {first.words}"


def _render(rows: list[dict[str, object]]) -> str:
    header = ["detector", "F1 held out", "missed", "false", "of taps", "serves", "setting"]
    lines = [
        [
            row["detector"],
            format_named(row, "f1_held_out"),
            row["held_out_missed"],
            row["held_out_false"],
            row["taps"],
            row["serves"],
            row["setting"],
        ]
        for row in rows
    ]
    parts = [render_table(header, lines)]
    for row in rows:
        words = "" if row["serves"] else f"  does not serve: {row['reason']}\n"
        paste = str(row["paste"]).replace("\n", "\n  ")
        parts.append(f"{row['detector']}\n{words}  {paste}")
    if not any(row["serves"] for row in rows):
        parts.append(f"No setting of these detectors reaches a held-out F1 of {SERVES_F1:g}; the reasons stand above.")
    parts.append("Held out: errors on taps that the setting was not chosen on. F1 with its 95 % interval (Wilson).")
    return "\n\n".join(parts) + "\n"
