"""Do the tests notice a changed line? `python -m benchmarks.mutants [ROOM ...] [--sample N]`

Each room's sources are changed by `mutate` of the package universalmutator (pip install universalmutator), one change
at a time, in a copy of the tree; a change that the room's tests notice is killed. A seeded sample of each room is run,
without changes that do not compile or that compile to the same. Writes its section of benchmarks/README.md.
"""

import ast
import os
import random
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from benchmarks.sections import make_parser, publish, to_markdown
from tapsig.scoring.intervals import wilson_interval

ROOT = Path(__file__).parents[1]
COPIED = ("tapsig", "tests", "benchmarks", "corpus_demo", "pyproject.toml", "README.md", "DEVELOPERS.md")
SEED = 11
PATIENCE = 3
"""A change counts as killed, too, when the tests take longer than this many times their usual time."""
READING = tuple(f"tests/loading/test_{name}.py" for name in ("logs", "clock", "columns"))


@dataclass(frozen=True, slots=True)
class Room:
    """Sources, and the tests that should notice a change of them."""

    sources: tuple[str, ...]
    tests: tuple[str, ...]


def _list(folder: str, names: str, suffix: str) -> tuple[str, ...]:
    return tuple(f"tapsig/{folder}/{name}{suffix}" for name in names.split())


ROOMS = {
    "scoring": Room(_list("scoring", "criteria intervals matching outcomes tally tuning", ".py"), ("tests/scoring",)),
    "entry": Room(_list("entry", "parameters machine faults evidence decoding", ".py"), ("tests/entry",)),
    "reading of logs": Room(_list("loading", "layout lines clock restart columns choice csv", ".py"), READING),
    "core": Room(
        _list(
            "core",
            "blocks predict levels tap trees entry evidence context compare fixed_threshold ring_following",
            ".c",
        ),
        ("tests/core/test_stages.py", "tests/detectors/test_tap.py", "tests/entry", "tests/test_converter.py"),
    ),
}


@dataclass(frozen=True, slots=True)
class Mutant:
    """A changed source."""

    source: str
    text: str
    line: int
    change: str


def copy_tree(folder: Path) -> None:
    """What the tests need."""
    ignored = shutil.ignore_patterns("__pycache__", "*.so", ".hypothesis")
    for name in COPIED:
        path = ROOT / name
        if path.is_dir():
            shutil.copytree(path, folder / name, ignore=ignored)
        else:
            shutil.copy(path, folder)


def list_mutants(tree: Path, source: str) -> Iterator[Mutant]:
    """All changes that the tool knows for a source, in a fixed order."""
    original = (tree / source).read_text(encoding="utf-8")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        alone = folder / Path(source).name
        alone.write_text(original, encoding="utf-8")
        tool = [str(Path(sys.executable).with_name("mutate")), alone.name, "--mutantDir", "."]
        subprocess.run([*tool, "--noCheck"], cwd=folder, check=True, capture_output=True)
        for path in sorted(folder.glob(f"{alone.stem}.mutant.*{alone.suffix}")):
            text = path.read_text(encoding="utf-8")
            lines = list(zip(original.splitlines(), text.splitlines(), strict=False))
            at = next((i for i, (old, new) in enumerate(lines) if old != new), None)
            if at is not None:
                yield Mutant(source, text, at + 1, f"{lines[at][0].strip()} -> {lines[at][1].strip()}")


def compile_source(tree: Path, source: str) -> bytes | None:
    """The machine code of a C source, the syntax of a Python one without its docstrings; None where there is none."""
    if source.endswith(".py"):
        try:
            parsed = ast.parse((tree / source).read_text(encoding="utf-8"))
        except (SyntaxError, ValueError):
            return None
        statements = [node for node in ast.walk(parsed) if isinstance(node, ast.Expr)]
        for docstring in (node for node in statements if isinstance(node.value, ast.Constant)):
            docstring.value = ast.Constant(None)
        return ast.dump(parsed).encode()
    command = ["gcc", "-std=c99", "-O1", "-w", "-S", "-o", "-", source]
    done = subprocess.run(command, cwd=tree, capture_output=True, check=False)
    return None if done.returncode else done.stdout


def run_tests(tree: Path, room: Room, limit_s: float | None) -> bool:
    """Whether they pass, the core compiled again where it is C."""
    environment = {**os.environ, "PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": "1", "OMP_NUM_THREADS": "1"}
    commands = [[sys.executable, "-m", "pytest", "-x", "-q", "-m", "not slow", "-p", "no:cacheprovider", *room.tests]]
    if room.sources[0].endswith(".c"):
        commands.insert(0, [sys.executable, "tapsig/core/build_hook.py"])
    for command in commands:
        try:
            done = subprocess.run(command, cwd=tree, env=environment, capture_output=True, check=False, timeout=limit_s)
        except subprocess.TimeoutExpired:
            return False
        if done.returncode:
            return False
    return True


def judge(tree: Path, room: Room, sample: int) -> tuple[int, list[Mutant]]:
    """How many changes were tried, and those that no test noticed."""
    began = os.times().elapsed
    if not run_tests(tree, room, None):
        raise SystemExit(f"{', '.join(room.tests)}: these tests fail without any change")
    limit_s = PATIENCE * (os.times().elapsed - began) + 10
    mutants = [mutant for source in room.sources for mutant in list_mutants(tree, source)]
    random.Random(SEED).shuffle(mutants)
    tried, survivors = 0, []
    for mutant in mutants:
        path = tree / mutant.source
        original = path.read_text(encoding="utf-8")
        before = compile_source(tree, mutant.source)
        path.write_text(mutant.text, encoding="utf-8")
        try:
            if compile_source(tree, mutant.source) in (None, before):
                continue
            tried += 1
            lives = run_tests(tree, room, limit_s)
        finally:
            path.write_text(original, encoding="utf-8")
        print(f"{'LIVES' if lives else 'killed'} {mutant.source}:{mutant.line} {mutant.change}", flush=True)
        survivors += [mutant] * lives
        if tried == sample:
            break
    return tried, survivors


def render(results: dict[str, tuple[int, list[Mutant]]]) -> tuple[str, ...]:
    """The parts of the section."""
    rows = []
    for name, (tried, survivors) in results.items():
        killed = tried - len(survivors)
        low, high = wilson_interval(killed, tried)
        share = f"{killed / tried:.2f} ({low:.2f}–{high:.2f})"
        rows.append({"package": name, "changes": tried, "killed": killed, "share (95 %)": share})
    lives = [f"- `{one.source}` line {one.line}: `{one.change}`" for _, living in results.values() for one in living]
    return (
        "A random sample of the changes of one line that universalmutator makes, without those that do not compile or"
        " compile to the same. Killed: a test of the package fails, or takes three times as long. What lives may be a"
        " change that alters nothing a user could see: a limit that is never reached, an order that does not matter.",
        to_markdown(rows),
        "What lives:",
        "\n".join(lives),
    )


def main(arguments: Sequence[str] | None = None) -> None:
    """Judge the rooms, and write the section."""
    parser = make_parser("mutants", __doc__)
    parser.add_argument("rooms", nargs="*", metavar="ROOM", help=f"of {', '.join(ROOMS)}; default: all")
    parser.add_argument("--sample", type=int, default=40, metavar="N", help="changes of each room; default: 40")
    args = parser.parse_args(arguments)
    results = {}
    with tempfile.TemporaryDirectory() as name:
        tree = Path(name)
        copy_tree(tree)
        run = [sys.executable, "tapsig/core/build_hook.py"]
        subprocess.run(run, cwd=tree, env={**os.environ, "PYTHONPATH": name}, check=True, capture_output=True)
        for room in args.rooms or ROOMS:
            results[room] = judge(tree, ROOMS[room], args.sample)
            command = " ".join(["python -m benchmarks.mutants", *args.rooms, f"--sample {args.sample}"])
            publish("Mutation score", command, *render(results))  # each room takes a while


if __name__ == "__main__":
    main()
