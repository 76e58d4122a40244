"""The first hour: the three scripts of the quickstart and its commands, counted and timed; and a log of six hours.

`python -m benchmarks.first_hour` writes its section of benchmarks/README.md. Each is run in a process of its own, whose
processor time is taken: it holds Python's start, and not what else the machine does. It needs a POSIX system.
"""

import ast
import os
import shlex
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

from benchmarks.sections import Rows, make_parser, publish
from tapsig.loading import load_recording, write_wav
from tapsig.quickstart import USERS, write_quickstart

COMMANDS = (
    "tapsig health door.wav rain.wav --full-scale-v 2.5",
    "tapsig detect door.wav --full-scale-v 2.5 --channel 1 --plot taps.png",
    "tapsig detect - --fs 2000 --adc-bits 10 --full-scale-v 5 < counts.txt",
    "tapsig tune door.wav --full-scale-v 2.5 --adc-bits 10 --channel 1",
    "tapsig entry door.wav --full-scale-v 2.5 --channel 1 --code 3-1-4",
    "tapsig export tap --fs 2000 --adc-bits 10 --code 3-1-4 --out device",
    "tapsig report door.wav --full-scale-v 2.5 --channel 1 --out door.html",
    "tapsig report . --out all.html",
    "tapsig positions . --detector fixed-threshold --detector tap",
    "tapsig reference --out reference.html",
)
LONG = (
    "tapsig health night.wav",
    "tapsig detect night.wav",
    "tapsig report night.wav --out night.html",
    "tapsig report night.wav --from 3600 --to 3900 --out part.html",
    "tapsig review night.wav --from 3600 --to 3900 --out review.html",
)
HOURS, FS = 6, 2000


def count_calls(program: str) -> int:
    """Calls of functions of tapsig, by its name."""
    calls = (node.func for node in ast.walk(ast.parse(program)) if isinstance(node, ast.Call))
    return sum(isinstance(call, ast.Attribute) and ast.unparse(call).startswith("tapsig.") for call in calls)


def run(words: list[str], folder: Path, *, stdin: Path | None = None) -> float:
    """Processor time in seconds that a program takes in `folder`. Raises CalledProcessError where it fails."""
    root = Path(__file__).parents[1]
    environment = {**os.environ, "PYTHONPATH": str(root), "PYTHONWARNINGS": "ignore"}
    begun = os.times()
    with open(stdin or os.devnull, "rb") as source:
        subprocess.run(words, cwd=folder, env=environment, stdin=source, capture_output=True, check=True)
    ended = os.times()
    return ended.children_user + ended.children_system - begun.children_user - begun.children_system


def run_command(command: str, folder: Path) -> dict[str, object]:
    """The command, its seconds, and the megabytes of the page that it writes."""
    words, _, source = command.partition(" < ")
    given = shlex.split(words)[1:]
    seconds = run([sys.executable, "-m", "tapsig", *given], folder, stdin=folder / source if source else None)
    page = given[given.index("--out") + 1] if "--out" in given else ""
    size = (folder / page).stat().st_size / 1e6 if page.endswith(".html") else None
    return {"command": command, "processor s": seconds, "page MB": size}


def write_night(folder: Path) -> None:
    """Six hours of simulated rain and taps, the quickstart's recordings one after the other."""
    parts = [load_recording(folder / f"{name}.wav", channel=1, labels=False).samples for name in ("rain", "door")]
    one = np.concatenate([*[parts[0]] * 40, parts[1]])
    write_wav(folder / "night.wav", np.resize(one, HOURS * 3600 * FS), FS, full_scale_v=1.0)


def main() -> None:
    """Run all of it, and write."""
    make_parser("first_hour", __doc__).parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "first"
        write_quickstart(folder)
        scripts: Rows = [
            {
                "script": f"python {user}.py",
                "calls of tapsig": count_calls((folder / f"{user}.py").read_text(encoding="utf-8")),
                "processor s": run([sys.executable, f"{user}.py"], folder),
            }
            for user in USERS
        ]
        commands = [run_command(command, folder) for command in COMMANDS]
        write_night(folder)
        nights = [run_command(command, folder) for command in LONG]
    publish(
        "First hour",
        "python -m benchmarks.first_hour",
        "The scripts of `tapsig quickstart`, with Python's start:",
        scripts,
        "Its commands:",
        commands,
        f"A log of {HOURS} h at {FS / 1000:g} kHz ({HOURS * 3600 * FS / 1e6:.0f} million samples), simulated rain"
        " with taps about every quarter of an hour:",
        nights,
    )


if __name__ == "__main__":
    main()
