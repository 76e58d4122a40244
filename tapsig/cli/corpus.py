"""Build and check a corpus: a folder with recordings, labels and the manifest corpus.csv.

  tapsig corpus init mine
  tapsig corpus add mine first/door.wav --channel 1 --vehicle heron --position frame --scene quiet
  tapsig corpus check mine

init creates an empty corpus; add copies a recording and its labels into it and adds a row; check reads everything and
lists faults, and what a fair comparison of positions still needs.

Add a recording with several channels once for each channel, with its position. 'check' exits with 1 on errors.
"""

import argparse
from pathlib import Path

from tapsig.cli.findings import note_findings
from tapsig.cli.output import add_output_arguments, emit, note, render_json, render_rows
from tapsig.cli.recording_options import add_format_arguments, read_options
from tapsig.cli.terminal import name_options
from tapsig.errors import ParameterError

SPLITS = ("train", "validation", "test")
HEADER = ("weight", "where", "what", "next_step")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    actions = parser.add_subparsers(dest="action", required=True, metavar="init|add|check")
    init = _add_action(actions, "init", "create an empty corpus")
    init.add_argument("folder", type=Path, metavar="DIR", help="folder to make")
    add = _add_action(actions, "add", "copy a recording into it and add a row")
    add.add_argument("folder", type=Path, metavar="DIR", help="folder with corpus.csv")
    add.add_argument("recording", type=Path, metavar="FILE", help="a recording: WAV or CSV")
    for name, text in (
        ("vehicle", "which vehicle (or panel): recordings of one share a split"),
        ("position", "mounting position, such as inner-skin, outer-skin, frame, latch-bracket"),
        ("scene", "surroundings, such as quiet, driving, rain"),
    ):
        add.add_argument(f"--{name}", required=True, help=text)
    add.add_argument("--split", choices=SPLITS, help="default: the vehicle's, or train for a new one")
    add.add_argument("--labels", type=Path, metavar="CSV", help="its labels; the WAV itself for cue points")
    add_format_arguments(add)
    for name in ("mount", "sensor", "converter"):
        add.add_argument(f"--{name}", default="", help=f"the {name}, in your words")
    add.add_argument("--force", action="store_true", help="replace the row of the same recording and channel")
    check = _add_action(actions, "check", "read everything and list what is wrong or missing")
    check.add_argument("folder", type=Path, metavar="DIR", help="folder with corpus.csv")
    add_output_arguments(check)


def _add_action(
    actions: "argparse._SubParsersAction[argparse.ArgumentParser]", name: str, text: str
) -> argparse.ArgumentParser:
    """A parser whose help holds the action's example from the module's docstring."""
    [example] = [line for line in (__doc__ or "").splitlines() if line.startswith(f"  tapsig corpus {name} ")]
    return actions.add_parser(
        name,
        help=text,
        description=f"{text[0].upper()}{text[1:]}.\n\n{example}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )


def run(args: argparse.Namespace) -> int:
    from tapsig.loading.curate import add_recording, init_corpus  # lazy: --help need not wait for numpy
    from tapsig.loading.labels import find_labels_beside

    if args.action == "init":
        note(f"made {init_corpus(args.folder)}")
        return 0
    if args.action == "check":
        return _check(args)
    if not args.recording.is_file():
        raise ParameterError(f"{args.recording} is not a file")
    labels = args.labels or find_labels_beside(args.recording)
    if labels is not None and args.labels is None:
        note(f"{args.recording}: labels taken from {labels}")
    elif labels is None:
        note(f"{args.recording}: no labels found beside it; add --labels FILE")
    added = add_recording(
        args.folder,
        args.recording,
        read_options(args, labels=labels, vehicle=args.vehicle, position=args.position, scene=args.scene),
        split=args.split,
        mount=args.mount,
        sensor=args.sensor,
        converter=args.converter,
        force=args.force,
    )
    note_findings(args.recording, added.findings)
    row = added.row
    note(f"added {row['recording']} ({row['vehicle']}, {row['position']}, {row['scene']}, {row['split']})")
    return 0


def _check(args: argparse.Namespace) -> int:
    from tapsig.loading.corpus_check import check_corpus

    check = check_corpus(args.folder)
    rows = [{name: name_options(getattr(finding, name)) for name in HEADER} for finding in check.findings]
    cells = [
        {"vehicle": vehicle, "scene": scene, **{position: taps.get(position) for position in check.positions}}
        for (vehicle, scene), taps in check.taps.items()
    ]
    if args.format == "json":
        text = render_json({"sound": check.sound, "findings": rows, "taps": cells}) + "\n"
    elif args.format == "csv":
        text = render_rows(rows, "csv", columns=HEADER)
    else:
        text = f"{check.rows} rows; labelled taps per vehicle, scene and position (– : none):\n\n"
        text += render_rows(cells, "table") + "\n" if cells else ""
        text += render_rows(rows, "table") if rows else "No faults, and nothing is missing.\n"
    emit(text, args)
    return 0 if check.sound else 1
