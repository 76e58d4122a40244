"""Commands that take several recordings: one after the other, with names that differ."""

import argparse
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from tapsig.cli.terminal import make_inert
from tapsig.errors import ParameterError


class StoreRecordings(argparse.Action):
    """Stores the files as `recordings`, and the first of them as `recording`, where commands look."""

    def __call__(self, parser: argparse.ArgumentParser, args: argparse.Namespace, values: Any, *_: object) -> None:
        args.recordings, args.recording = values, values[0]


def each_recording(args: argparse.Namespace) -> Iterator[Path]:
    """The files given, one after the other; each stands in `args.recording` while it is looked at.

    Raises ParameterError for a file given twice, and for labels of several files.
    """
    paths = args.recordings
    if twice := [path for k, path in enumerate(paths) if path in paths[:k]]:
        raise ParameterError(f"{twice[0]} is given twice; name it once")
    if len(paths) > 1 and getattr(args, "labels", None) is not None:
        raise ParameterError(
            f"--labels are of one recording, and {len(paths)} are given; labels of several stand beside them,"
            " as X.labels.csv"
        )
    for path in paths:
        args.recording = path
        yield path


def is_several(args: argparse.Namespace) -> bool:
    """Whether more than one file is given."""
    return len(args.recordings) > 1


def mark_rows(rows: Sequence[Mapping[str, object]], args: argparse.Namespace) -> list[dict[str, object]]:
    """Rows on the recording at hand; with its name in front, where several are given."""
    mark: dict[str, object] = {"recording": str(args.recording)} if is_several(args) else {}
    return [{**mark, **row} for row in rows]


def mark_columns(columns: Sequence[str], args: argparse.Namespace) -> list[str]:
    """The columns of `mark_rows`."""
    return [*(["recording"] if is_several(args) else []), *columns]


def name_apart(sources: Sequence[tuple[str, str]]) -> list[str]:
    """A name for each recording, given its file and position: short, or with the whole path where two would be equal.

    >>> name_apart([("a/door.wav", "frame"), ("a/door.wav", "skin"), ("a/rain.wav", ""), ("b/rain.wav", "")])
    ['door frame', 'door skin', 'a/rain.wav', 'b/rain.wav']
    """
    names = [f"{Path(source).stem} {position}".strip() for source, position in sources]
    names = [
        f"{source} {position}".strip() if names.count(name) > 1 else name
        for name, (source, position) in zip(names, sources, strict=True)
    ]
    return [
        make_inert(f"{name} ({names[: k + 1].count(name)})" if names.count(name) > 1 else name)
        for k, name in enumerate(names)
    ]
