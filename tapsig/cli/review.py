"""Make a page on which to correct the labels of a recording, or serve it to this computer and save from it.

  tapsig review first/door.wav --channel 1 --out review.html
  tapsig review first/door.wav --channel 1 --from 4 --to 14 --out part.html

With --out PAGE.html the page is one file that works from disk without a network; it saves the labels as a download.
With --serve it is shown at a local address that only this computer can reach, and saves straight into the label file;
the file that was there is kept beside it as .1, .2 and so on. Without --labels it starts from the labels that
corpus.csv names, or X.labels.csv beside X.wav, or what 'tapsig propose' finds; --blank starts from none. With --from
and --to the page shows that part, and keeps the labels outside it.
"""

import argparse
import math
from collections.abc import Callable
from pathlib import Path

from tapsig.cli.output import check_out, check_page, list_inputs, note, progress_bar, refuse_given, write_atomically
from tapsig.cli.recording_options import (
    add_reading_arguments,
    find_entry,
    has_span,
    is_long_wav,
    name_channel,
    named_labels,
    read,
)
from tapsig.errors import ParameterError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_reading_arguments(parser)
    parser.add_argument("--labels", type=Path, metavar="CSV", help="labels to start from")
    parser.add_argument("--blank", action="store_true", help="start without labels")
    parser.add_argument("--out", type=Path, metavar="PAGE.html", help="write the page there")
    parser.add_argument("--force", action="store_true", help="let --out replace a file that exists")
    parser.add_argument("--serve", action="store_true", help="serve the page to this computer until Ctrl-C")
    parser.add_argument(
        "--save",
        type=Path,
        metavar="CSV",
        help="with --serve: save there (default: the labels' own file, or beside FILE)",
    )
    parser.add_argument("--port", type=int, metavar="N", help="with --serve: port (default: a free one)")
    parser.add_argument(
        "--doubtful-below", type=float, default=0.8, metavar="P", help="step through those under this (default: 0.8)"
    )


def run(args: argparse.Namespace) -> int:
    # Lazy: numpy's and the template's libraries are not needed for --help.
    from tapsig.labelling.proposal import as_label_rows, propose_onsets
    from tapsig.loading.labels import find_labels_beside, load_proposals
    from tapsig.records import Label
    from tapsig.report.review import build_page

    if (args.out is None) == (not args.serve):
        raise ParameterError("give either --out PAGE.html or --serve")
    port = args.port or 0
    if not 0 <= port <= 65535:
        raise ParameterError(f"--port is {port}; it must lie between 0 and 65535")
    if args.out is not None:
        refuse_given(args, ("save", "port"), "goes with --serve; the page that --out writes saves a download")
        check_page(args.out)
        check_out(args.out, force=args.force, inputs=list_inputs(args))
    if args.blank and args.labels:
        raise ParameterError("--blank and --labels exclude each other")
    named = named_labels(args)
    labels = None if args.blank else named or find_labels_beside(args.recording)
    if not has_span(args) and is_long_wav(args):
        raise ParameterError(f"{args.recording} is too long for one page; choose a part with --from and --to")
    with progress_bar(1, "recording"):
        recording = read(args, labels=None if args.blank else named)
        proposals = propose_onsets(recording)
    start_s, part = recording.start_s, has_span(args)
    if labels is not None:
        marks = load_proposals(labels)
    else:
        rows = [] if args.blank else as_label_rows(proposals, keep=0.1)
        marks = {Label(onset_s + start_s, kind): sure for onset_s, kind, sure in rows}
    save_to = args.save or _csv_of(named) or args.recording.with_suffix(".labels.csv")
    if args.serve:
        _check_save(save_to, args.recording)
    entry, _ = find_entry(args.recording, args.channel or 0)
    name = ", ".join(filter(None, (args.recording.name, name_channel(args))))
    if entry is not None and entry.position:
        name += f" ({entry.position})"
    download = args.recording.with_suffix(".labels.csv").name

    def make_page(save_url: str | None) -> str:
        return build_page(
            recording,
            marks,
            name=name,
            simulated=entry is not None and bool(entry.seed),
            targets_s=[proposal.onset_s + start_s for proposal in proposals],
            part=part,
            save_name=download,
            save_url=save_url,
            doubtful_below=args.doubtful_below,
        )

    if args.serve:
        return _serve(make_page, save_to, math.inf if part else recording.span_s, port)
    write_atomically(args.out, make_page(None), force=args.force)
    note(f"wrote {args.out}; open it in a browser. It saves {download} to the browser's downloads.")
    return 0


def _csv_of(labels: Path | None) -> Path | None:
    """The label file to save to: cue points in a recording are read, never overwritten."""
    return labels if labels and labels.suffix.lower() == ".csv" else None


def _check_save(save_to: Path, recording: Path) -> None:
    """Refuse a label file that could not be saved, before anybody marks anything."""
    from tapsig.loading.files import check_target  # lazy: a room below

    check_target(save_to, force=True, option="--save")
    if save_to.exists() and save_to.samefile(recording):
        raise ParameterError(f"--save: {save_to} is the recording; name a label file")


def _serve(make_page: Callable[[str], str], save_to: Path, end_s: float, port: int) -> int:
    from tapsig.report.serving import ReviewServer

    with ReviewServer(make_page, save_to, end_s=end_s, port=port) as server:
        note(f"open {server.url}\nit saves to {save_to}; Ctrl-C ends it")
        try:
            server.serve_forever()
        except KeyboardInterrupt:
            note("ended")
    return 0
