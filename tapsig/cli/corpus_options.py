"""Options of commands that select one recording or part of a corpus, and that draw figures."""

import argparse
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from tapsig.cli.findings import FORMAT_OPTIONS, load_entries
from tapsig.cli.output import note, refuse_given
from tapsig.cli.recording_options import add_reading_arguments, has_span, named_labels, read
from tapsig.cli.several import each_recording, name_apart
from tapsig.errors import LabelError, ParameterError

if TYPE_CHECKING:
    from tapsig.loading.corpus import Corpus, CorpusEntry
    from tapsig.records import Recording
    from tapsig.report.drawing import Drawn

CHOICES = ("vehicle", "position", "scene", "split")


def add_choice_arguments(parser: argparse.ArgumentParser) -> None:
    """Add FILE (or several) or CORPUS, labels of a file, and the selection from a corpus."""
    what = "recordings (WAV or CSV), or a folder with corpus.csv"
    add_reading_arguments(parser, several=True, metavar="FILE|CORPUS", what=what)
    parser.add_argument(
        "--labels",
        type=Path,
        metavar="FILE",
        help="labels of the recording: CSV, times, start/end/name between tabs, or WAV cue points;"
        " default: those that corpus.csv names, or X.labels.csv or X.csv beside X.wav",
    )
    add_corpus_arguments(parser)


def add_corpus_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the selection from a corpus."""
    group = parser.add_argument_group("selection from a corpus (each may be repeated)")
    for name in CHOICES:
        words = "train, validation, test or all (default)" if name == "split" else f"only this {name}"
        group.add_argument(f"--{name}", action="append", metavar="NAME", help=words)


def add_plot_argument(parser: argparse.ArgumentParser, what: str, *, option: str = "--plot") -> None:
    """Add an option that draws a figure: PNG, SVG or PDF by the suffix."""
    parser.add_argument(option, type=Path, metavar="FILE.png", help=f"draw {what} (.png, .svg or .pdf)")


def list_given(args: argparse.Namespace) -> dict[str, list[str]]:
    """The selection given by the options of `add_corpus_arguments`."""
    given = {name: getattr(args, name) for name in CHOICES if getattr(args, name)}
    if "all" in given.get("split", ()):
        del given["split"]
    return given


def is_corpus(path: Path) -> bool:
    """Whether a path is that of a corpus: a folder, or a manifest."""
    return path.is_dir() or path.name == "corpus.csv"


def choose(corpora: "Sequence[Corpus]", given: Mapping[str, list[str]]) -> "list[Corpus]":
    """The part of each corpus that matches `given`; a value may be missing in some of the corpora.

    Raises ParameterError, with the existing values, when nothing matches.
    """
    chosen = [corpus.select(**given) for corpus in corpora]
    if not any(chosen):
        wanted = ", ".join(f"{name} {' or '.join(words)}" for name, words in given.items())
        every = [entry for corpus in corpora for entry in corpus.entries]
        held = {name: sorted({getattr(entry, name) for entry in every} - {""}) or ["none"] for name in given}
        holds = "; ".join(f"{name}: {', '.join(words)}" for name, words in held.items())
        where = ", ".join(str(corpus.folder) for corpus in corpora)
        raise ParameterError(f"{where}: no recording" + (f" with {wanted}; there is {holds}" if wanted else ""))
    return chosen


def choose_labelled(corpora: "Sequence[Corpus]", given: Mapping[str, list[str]]) -> "list[tuple[Corpus, CorpusEntry]]":
    """The labelled recordings among what `choose` gives, each with its corpus; a note says how many are left out.

    Raises LabelError when none is labelled.
    """
    chosen = [(corpus, entry) for corpus in choose(corpora, given) for entry in corpus.entries]
    labelled = [(corpus, entry) for corpus, entry in chosen if entry.labels]
    if not labelled:
        raise LabelError(f"{chosen[0][0].folder}: no selected recording has labels; name label files in corpus.csv")
    if len(labelled) < len(chosen):
        note(f"{len(chosen) - len(labelled)} recordings without labels are left out")
    return labelled


def find_corpus(args: argparse.Namespace) -> "Corpus | None":
    """The selected part of a corpus; None where the arguments name one recording.

    Raises ParameterError when nothing matches, or an option does not apply to a file or a corpus.
    """
    from tapsig.loading import load_corpus  # lazy: --help need not wait for it

    given = list_given(args)
    if corpora := [path for path in args.recordings if is_corpus(path)]:
        if len(args.recordings) > 1:
            raise ParameterError(f"{corpora[0]} is a corpus; give it alone, or recordings without it")
        refuse_given(args, ("labels", *FORMAT_OPTIONS), "applies to one recording; corpus.csv says it of a corpus")
        if has_span(args):
            raise ParameterError("--from and --to cut one recording; give the file instead of the corpus")
        [corpus] = choose([load_corpus(args.recording)], given)
        return corpus
    if given:
        raise ParameterError(f"--{next(iter(given))} selects from a corpus, but {args.recording} is a recording")
    return None


def read_chosen(args: argparse.Namespace) -> "Iterator[Recording]":
    """The recordings named by the arguments, in order; findings of their files are noted once.

    Raises ParameterError as `find_corpus`.
    """
    corpus = find_corpus(args)
    if corpus is None:
        for _ in each_recording(args):
            yield read(args, labels=named_labels(args))
    else:
        yield from load_entries([(corpus, entry) for entry in corpus.entries])


def read_labelled(args: argparse.Namespace, what: str) -> "list[Recording]":
    """The labelled recordings among what `read_chosen` gives, or its only one; a note says how many are left out.

    Raises LabelError, which says that `what` needs labels, when none of several is labelled.
    """
    recordings = list(read_chosen(args))
    labelled = [one for one in recordings if one.labels is not None or len(recordings) == 1]
    if not labelled:
        raise LabelError(f"{args.recording}: no selected recording has labels; {what} needs labelled taps")
    if len(labelled) < len(recordings):
        note(f"{len(recordings) - len(labelled)} recordings without labels are left out")
    return labelled


def check_plots(*paths: Path | None, force: bool) -> None:
    """Refuse a figure that could not be written before anything is computed."""
    for path in filter(None, paths):
        from tapsig.report.drawing import check_figure_path  # lazy: matplotlib loads only when something is drawn

        check_figure_path(path, force=force)


def name_recordings(recordings: "Sequence[Recording]") -> list[str]:
    """A name for each by its file and position."""
    return name_apart([(recording.source, recording.position) for recording in recordings])


def draw(figures: "Mapping[str, Drawn]", path: Path, *, force: bool) -> None:
    """Write the figures: a single one to `path`, several to separate names beside it."""
    from tapsig.report.drawing import write_figure  # lazy: matplotlib loads only when something is drawn

    for name, figure in figures.items():
        own = path if len(figures) == 1 else name_figure(path, name)
        write_figure(figure, own, force=force)
        note(f"drew {own}")


def name_figure(path: Path, name: str) -> Path:
    """A file beside `path` for the figure `name`."""
    slug = re.sub(r"[^\w.-]+", "-", name)
    return path.with_stem(f"{path.stem}-{slug}")
