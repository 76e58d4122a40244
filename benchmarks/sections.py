"""What all topics share: their options, and benchmarks/README.md, where each writes its own section and no other."""

import argparse
import datetime
import platform
import re
from collections.abc import Iterable, Mapping, Sequence
from importlib import metadata
from pathlib import Path

from tapsig._version import __version__
from tapsig.cli.output import render_rows

Rows = Sequence[Mapping[str, object]]
"""The rows of a table: each holds its cells by the name of their column."""

README = Path(__file__).parent / "README.md"
HEAD = """# Benchmarks

Each section is written by the command that stands in it. Corpora are simulated unless a section says otherwise.
"""
LIBRARIES = ("numpy", "scipy", "numba", "librosa", "scikit-learn", "obspy")


def make_parser(
    topic: str, description: str | None, *, kept: bool = False, jobs: bool = False
) -> argparse.ArgumentParser:
    """The options of a topic; with `kept`, --kept DIR, with `jobs`, --jobs."""
    parser = argparse.ArgumentParser(
        prog=f"python -m benchmarks.{topic}",
        description=description,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    if kept:
        parser.add_argument("--kept", type=Path, metavar="DIR", help="keep candidates there, and read them again")
    if jobs:
        parser.add_argument("--jobs", type=int, default=1, help="processes (default: 1)")
    return parser


def publish(title: str, command: str, *parts: str | Rows, path: Path = README) -> None:
    """Print the prose and the tables (in fixed-width type) of a section, and write it as `write_section` does."""
    body = "\n\n".join(
        part.strip() if isinstance(part, str) else f"```\n{render_rows(part, 'table')}```" for part in parts
    )
    print(body)
    write_section(title, body, command, path=path)


def to_markdown(rows: Rows, *, form: str = ".3f") -> str:
    """The rows as `render_markdown` shows them."""
    return render_markdown(list(rows[0]), (list(row.values()) for row in rows), form=form)


def render_markdown(header: Sequence[str], rows: Iterable[Sequence[object]], *, form: str = ".3f") -> str:
    """A Markdown table; numbers with a point in the format `form`, – for nan.

    >>> print(render_markdown(["room", "share"], [["core", 0.5], ["entry", float("nan")]]))
    | room | share |
    | --- | --- |
    | core | 0.500 |
    | entry | – |
    """

    def line(cells: Iterable[object]) -> str:
        words = (
            ("–" if cell != cell else f"{cell:{form}}") if isinstance(cell, float) else str(cell) for cell in cells
        )
        return f"| {' | '.join(words)} |"

    return "\n".join([line(header), line(["---"] * len(header)), *map(line, rows)])


def write_section(title: str, body: str, command: str, *, path: Path = README) -> None:
    """Replace the section `title` of `path`, or add it at the end; `command` is what repeats it."""
    text = path.read_text(encoding="utf-8") if path.exists() else HEAD
    path.write_text(replace_section(text, title, f"{describe_run(command)}\n\n{body.strip()}"), encoding="utf-8")


def replace_section(text: str, title: str, body: str) -> str:
    """`text` with the section `title` (from its mark to its end mark) replaced, or added at the end.

    >>> print(replace_section(replace_section("# B\\n", "Speed", "old"), "Speed", "new"), end="")
    # B
    <BLANKLINE>
    <!-- begin Speed -->
    ## Speed
    <BLANKLINE>
    new
    <!-- end Speed -->
    """
    begin, end = f"<!-- begin {title} -->", f"<!-- end {title} -->"
    section = f"{begin}\n## {title}\n\n{body.strip()}\n{end}\n"
    pattern = re.compile(re.escape(begin) + ".*?" + re.escape(end) + "\n", re.DOTALL)
    if pattern.search(text):
        return pattern.sub(lambda _: section, text, count=1)
    return f"{text.rstrip()}\n\n{section}"


def describe_run(command: str) -> str:
    """When, on what and with which versions a section was made, and the command that repeats it."""
    versions = ", ".join(f"{name} {version}" for name in LIBRARIES if (version := _version(name)))
    today = datetime.datetime.now(datetime.UTC).date().isoformat()
    return (
        f"`{command}` on {today}; {describe_machine()}; Python {platform.python_version()},"
        f" tapsig {__version__}, {versions}."
    )


def describe_machine() -> str:
    """The processor, as far as the system tells."""
    name = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.exists():
        found = re.search(r"^model name\s*:\s*(.+)$", info.read_text(encoding="utf-8", errors="replace"), re.MULTILINE)
        name = found.group(1).strip() if found else name
    return f"{name} ({platform.machine()}), {platform.system()}"


def _version(name: str) -> str | None:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return None
