"""The reference of tapsig in Python, as one HTML page that needs no network: functions, records, results, detectors.

  tapsig reference --out reference.html

It is made from the docstrings of the tapsig that runs, so that it fits your version.
"""

import argparse
from pathlib import Path

from tapsig.cli.output import check_out, note, progress_bar, write_atomically


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--out", type=Path, required=True, metavar="PAGE.html", help="write the page there")
    parser.add_argument("--force", action="store_true", help="let --out replace a file that exists")


def run(args: argparse.Namespace) -> int:
    from tapsig.report.reference import render_reference  # lazy: it imports every room

    check_out(args.out, force=args.force)
    with progress_bar(1, "page"):
        page = render_reference()
    write_atomically(args.out, page, force=args.force)
    note(f"wrote {args.out}; open it in a browser")
    return 0
