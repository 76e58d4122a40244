"""Write a small labelled example, with a script and a notebook for each of three users: maker, researcher, developer.

  tapsig quickstart first

The recordings are simulated: a door in quiet on which two codes are tapped, and rain on it, a few hundred kilobytes in
all. The folder is a corpus; the examples in the other commands' help use it under the name "first".
"""

import argparse
import shlex
from pathlib import Path

from tapsig.cli.output import note


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folder", type=Path, metavar="DIR", help="folder to write; made if need be")
    parser.add_argument("--force", action="store_true", help="replace files that exist")


def run(args: argparse.Namespace) -> int:
    from tapsig.quickstart import USERS, write_quickstart  # lazy: --help need not wait for it

    written = write_quickstart(args.folder, force=args.force)
    size = sum(path.stat().st_size for path in written)
    note(f"wrote {len(written)} files, {size / 1000:.0f} kB, to {args.folder}; all recordings in it are simulated")
    note(f"next: cd {shlex.quote(str(args.folder))}, then " + ", or ".join(f"python {user}.py" for user in USERS))
    note("README.txt lists the files, and commands to try")
    return 0
