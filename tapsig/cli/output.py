"""Output of all commands: rows as a table, csv or json, files, notes and progress."""

import argparse
import contextlib
import csv
import io
import json
import math
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TypeVar

from tapsig.cli.terminal import make_inert
from tapsig.errors import ParameterError

Item = TypeVar("Item")
UNDEFINED = "–"
BAR_AFTER_S = 2.0
REFRESH_S = 0.5
SILENCE_S = 30.0
ENDINGS = {".csv": "csv", ".json": "json"}
PAGES = (".html", ".htm")


def add_output_arguments(
    parser: argparse.ArgumentParser, *, file_format: str = "table", page: bool = False, lines: bool = False
) -> None:
    """Add the options --format, --out and --force of all commands with rows.

    `file_format` is the format of an --out that ends in .txt. With `page`, it may also end in .html, with `lines`
    in .jsonl.
    """
    endings = (*ENDINGS, ".txt", *([".jsonl"] if lines else []), *(PAGES if page else []))
    parser.add_argument("--format", choices=("table", "csv", "json"), help="default: table, or by the suffix of --out")
    parser.add_argument("--out", type=Path, metavar="FILE", help="write to this file instead of the screen")
    parser.add_argument("--force", action="store_true", help="let --out replace a file that exists")
    parser.set_defaults(settle=partial(_settle_output, file_format=file_format, endings=endings))


def _settle_output(args: argparse.Namespace, *, file_format: str, endings: Sequence[str]) -> None:
    """Set the default format; refuse, before anything is computed, an --out that cannot be written, or whose ending
    promises what the command does not write.
    """
    if args.format is not None and getattr(args, "events", None) is not None:
        raise ParameterError(
            f"--events {args.events} and --format {args.format} contradict each other; give one of them"
        )
    if args.out is None:
        args.format = args.format or "table"
        return
    check_out(args.out, force=args.force, inputs=list_inputs(args))
    if ".jsonl" in endings:  # of --events alone, which writes nothing else
        endings = (".jsonl", ".txt") if args.events else [known for known in endings if known != ".jsonl"]
    ending = args.out.suffix.lower()
    if ending not in endings:
        raise ParameterError(
            f"--out is {str(args.out)!r}; it must end in {', '.join(endings)}; without --out the result goes to the"
            " standard output"
        )
    if args.format is not None and ending != ".txt" and ENDINGS.get(ending) != args.format:
        raise ParameterError(f"--format {args.format} and --out {args.out} contradict each other; give one of them")
    args.format = args.format or ENDINGS.get(ending, file_format)


class PrintAndExit(argparse.Action):
    """An option that prints the text made by the function `const` and exits, like --help."""

    def __init__(self, option_strings: list[str], dest: str, const: Callable[[], str], help: str) -> None:
        super().__init__(option_strings, dest, nargs=0, const=const, help=help)

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        show(self.const())
        parser.exit(0)


def refuse_given(args: argparse.Namespace, names: Iterable[str], why: str) -> None:
    """Raise ParameterError for an option that is given, and would do nothing."""
    for name in names:
        if getattr(args, name) not in (None, []):
            raise ParameterError(f"--{name.replace('_', '-')} {why}")


def list_inputs(args: argparse.Namespace) -> list[Path]:
    """The files and folders that the command reads."""
    given = [vars(args).get(name) for name in ("recording", "corpus", "labels", "a", "b")]
    given += vars(args).get("recordings", [])
    return [Path(one) for one in given if isinstance(one, (str, Path))]


def check_out(path: Path, *, force: bool, inputs: Iterable[Path] = ()) -> None:
    """Raises ParameterError when `path` cannot be written, exists and `force` is not set, or is one of `inputs`."""
    from tapsig.loading.files import check_target  # a room below, loaded when something is written

    check_target(path, force=force)
    for given in inputs:
        given = given / "corpus.csv" if given.is_dir() else given
        if path.exists() and given.exists() and path.samefile(given):
            raise ParameterError(f"--out: {path} is an input of the command; choose another name")


def check_page(path: Path) -> None:
    """Raises ParameterError where the name of a page does not end as one."""
    if path.suffix.lower() not in PAGES:
        raise ParameterError(f"--out: {path} is a page, whose name must end in .html")


def is_page(args: argparse.Namespace) -> bool:
    """Whether --out asks for a page."""
    return args.out is not None and args.out.suffix.lower() in PAGES


def format_cell(value: object) -> str:
    """One cell of a table: undefined as –, floats with four significant digits.

    >>> [format_cell(value) for value in (float("nan"), None, 0.123456, 12345.6, 3, "frame")]
    ['–', '–', '0.1235', '12346', '3', 'frame']
    """
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return UNDEFINED
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.0f}" if abs(value) >= 1000 else f"{value:.4g}"
    return make_inert(str(value)).replace("\n", "\\n").replace("\t", "\\t")


def _format_in(column: str, value: object) -> str:
    """A cell of `column`; seconds have three decimals, to locate a time in a recording of any length."""
    is_time = column.endswith("_s") and isinstance(value, float) and math.isfinite(value)
    return f"{value:.3f}" if is_time else format_cell(value)


def render_table(header: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Columns padded with spaces; numbers to the right, words to the left; columns in seconds with three decimals.

    >>> print(render_table(["position", "f1"], [["frame", 0.5], ["skin", None]]))
    position   f1
    --------  ---
    frame     0.5
    skin        –
    """
    columns = []
    for name, *values in zip(header, *rows, strict=True):
        cells = [name, *(_format_in(name, value) for value in values)]
        width = max(map(len, cells))
        is_numeric = bool(values) and all(isinstance(value, (int, float, type(None))) for value in values)
        lines = [cells[0], "-" * width, *cells[1:]]
        columns.append([line.rjust(width) if is_numeric else line.ljust(width) for line in lines])
    return "\n".join("  ".join(line).rstrip() for line in zip(*columns, strict=True))


def _for_json(value: object) -> object:
    """Undefined numbers become null, so that the output is valid JSON."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): _for_json(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_for_json(item) for item in value]
    return value


def render_json(document: Mapping[str, object]) -> str:
    """Indented JSON; nan and inf become null.

    >>> print(render_json({"rows": [{"f1": float("nan")}]}))
    {
     "rows": [
      {
       "f1": null
      }
     ]
    }
    """
    return make_inert(json.dumps(_for_json(document), indent=1, ensure_ascii=False))


def render_csv(header: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Comma-separated values; undefined is an empty cell. A cell that a spreadsheet would run is made inert."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(header)
    for row in rows:
        writer.writerow([_csv_cell(value) for value in row])
    return buffer.getvalue()


def _csv_cell(value: object) -> object:
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    if isinstance(value, str):
        value = ("'" if value[:1] in ("=", "+", "-", "@", "\t", "\r") else "") + make_inert(value)
    return value


def render_rows(
    rows: Sequence[Mapping[str, object]],
    format_: str,
    *,
    columns: Sequence[str] | None = None,
    document: Mapping[str, object] | None = None,
) -> str:
    """Rows (all with the same keys) as table, csv or json; `document` adds keys beside "rows" in json.

    >>> print(render_rows([{"a": 1, "b": 2}], "csv"), end="")
    a,b
    1,2
    """
    header = list(columns) if columns is not None else list(rows[0]) if rows else []
    if format_ == "json":
        return render_json({**(document or {}), "rows": [dict(row) for row in rows]}) + "\n"
    lines = [[row[name] for name in header] for row in rows]
    if format_ == "csv":
        return render_csv(header, lines)
    return render_table(header, lines) + "\n"


def write_atomically(path: Path, text: str, *, force: bool = False) -> None:
    """Write `text` as UTF-8 to `path`, whole or not at all.

    Raises ParameterError as `check_out`.
    """
    check_out(path, force=force)
    from tapsig.loading.files import replace_file  # a room below, loaded when something is written

    replace_file(path, text.encode("utf-8", "backslashreplace"))


def emit(text: str, args: argparse.Namespace) -> None:
    """Write a command's result to --out, or to stdout."""
    if args.out is None:
        show(text)
    else:
        write_atomically(args.out, text, force=args.force)
        note(f"wrote {args.out}")


def show(text: str) -> None:
    """Write to stdout, at once; raises ParameterError where it is closed."""
    if sys.stdout is None:
        raise ParameterError("the standard output is closed; leave it open, or write to a file with --out")
    sys.stdout.write(make_inert(text))
    sys.stdout.flush()


def note(text: str) -> None:
    """Print a note to stderr, separate from the results."""
    print(make_inert(text), file=sys.stderr)


@contextlib.contextmanager
def progress_bar(total: int, unit: str) -> Iterator[Callable[[int], None]]:
    """Yields a function that takes how many of `total` are done.

    On a terminal it shows a bar with the time left after two seconds, also during a step that takes long; into a file,
    a line every half minute.
    """
    if sys.stderr.isatty():
        from tqdm import tqdm  # lazy: only for a terminal

        with (
            tqdm(total=total, unit=f" {unit}", leave=False, file=sys.stderr, delay=BAR_AFTER_S) as bar,
            _keep_fresh(bar.refresh),
        ):

            def update(done: int) -> None:
                bar.update(done - bar.n)

            yield update
        return
    begun = told = time.monotonic()

    def advance(done: int) -> None:
        nonlocal told
        now = time.monotonic()
        if now - told >= SILENCE_S and 0 < done < total:
            told = now
            note(f"{done} of {total} {unit}, about {(now - begun) / done * (total - done) / 60:.1f} min left")

    yield advance


@contextlib.contextmanager
def _keep_fresh(refresh: Callable[[], object]) -> Iterator[None]:
    """Call `refresh` now and then from a thread, after two seconds."""
    ended = threading.Event()

    def keep() -> None:
        wait_s = BAR_AFTER_S
        while not ended.wait(wait_s):
            refresh()
            wait_s = REFRESH_S

    thread = threading.Thread(target=keep, name="tapsig-bar", daemon=True)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()


def track(items: Iterable[Item], total: int, unit: str) -> Iterator[Item]:
    """The items in order, with a `progress_bar`."""
    with progress_bar(total, unit) as advance:
        for done, item in enumerate(items, 1):
            yield item
            advance(done)
