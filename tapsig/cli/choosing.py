"""The options by which commands take one recording or some of a corpus, and where they draw a figure."""

import argparse
import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from tapsig.cli.output import note
from tapsig.cli.reading import add_reading_arguments
from tapsig.errors import ParameterError
from tapsig.records import Recording

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from tapsig.load import LoadReport

CHOICES = ("vehicle", "position", "scene", "split")


def add_choice_arguments(parser: argparse.ArgumentParser) -> None:
    """FILE or CORPUS, labels for a file, and which recordings of a corpus."""
    add_reading_arguments(parser)
    for action in parser._actions:
        if action.dest == "recording":
            action.metavar, action.help = "FILE|CORPUS", "a recording (WAV or CSV), or a folder with corpus.csv"
    parser.add_argument("--labels", type=Path, metavar="FILE", help="labels of the recording: CSV, or WAV cue points")
    group = parser.add_argument_group("choosing from a corpus (each may be repeated)")
    for name in CHOICES:
        group.add_argument(f"--{name}", action="append", metavar="NAME", help=f"only this {name}")


def add_plot_argument(parser: argparse.ArgumentParser, what: str, *, option: str = "--plot") -> None:
    """An option that draws a figure: PNG, SVG or PDF by the ending."""
    parser.add_argument(option, type=Path, metavar="FILE.png", help=f"draw {what} (.png, .svg or .pdf)")


def read_chosen(args: argparse.Namespace) -> "Iterator[tuple[Recording, LoadReport]]":
    """The recordings that the arguments name, one after the other, each with the report of how it was read.

    Raises ParameterError when nothing in a corpus fits, or an option does not go with a file or a corpus.
    """
    from tapsig.load import load_corpus, read_recording  # lazy: --help need not wait for it

    given = {name: getattr(args, name) for name in CHOICES if getattr(args, name)}
    if args.recording.is_dir() or args.recording.name == "corpus.csv":
        if args.labels is not None:
            raise ParameterError("--labels goes with one recording; a corpus names its labels in corpus.csv")
        corpus = load_corpus(args.recording)
        chosen = corpus.select(**given)
        if not chosen.entries:
            wanted = ", ".join(f"{name} {' or '.join(words)}" for name, words in given.items())
            held = {name: sorted({getattr(entry, name) for entry in corpus.entries} - {""}) for name in given}
            holds = "; ".join(f"{name}: {', '.join(words)}" for name, words in held.items())
            raise ParameterError(f"{args.recording} has no recording with {wanted}; it holds {holds}")
        yield from map(chosen.read, chosen.entries)
        return
    if given:
        raise ParameterError(f"--{next(iter(given))} chooses from a corpus, but {args.recording} is one recording")
    yield read_recording(
        args.recording, channel=args.channel or 0, full_scale_v=args.full_scale_v, adc_bits=args.adc_bits,
        labels=args.labels, fs=args.fs, time_unit=args.time_unit,
    )  # fmt: skip


def check_plots(*paths: Path | None, force: bool) -> None:
    """Refuse a figure that could not be written before anything is computed."""
    if any(path is not None for path in paths):
        from tapsig.report.figures import check_figure_path  # lazy: matplotlib loads only when something is drawn

        for path in paths:
            if path is not None:
                check_figure_path(path, force=force)


def name_recording(recording: Recording) -> str:
    """File name without its ending, and the position."""
    return f"{Path(recording.source).stem} {recording.position}".strip()


def draw(figures: "dict[str, Figure]", path: Path, *, force: bool) -> None:
    """Write the figures: one to `path`, several to names of their own beside it."""
    from tapsig.report.figures import write_figure  # lazy: matplotlib loads only when something is drawn

    for name, figure in figures.items():
        slug = re.sub(r"[^\w.-]+", "-", name)
        own = path if len(figures) == 1 else path.with_stem(f"{path.stem}-{slug}")
        write_figure(figure, own, force=force)
        note(f"drew {own}")
