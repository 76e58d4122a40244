"""Imports go downward only: a module may import from its own room and from lower floors."""

import ast
import re
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "tapsig"

ROW = re.compile(r"^\| (\d+) \| (.+?) \|", re.MULTILINE)
TABLE = (PACKAGE.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
FLOORS = {room: int(floor) for floor, rooms in ROW.findall(TABLE) for room in re.findall(r"`(\w+)/?`", rooms)}


def room_of(path: Path) -> str:
    """The first part of a module's path below the package."""
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported_rooms(path: Path) -> set[str]:
    """Rooms that the module imports, at its top or inside a function; imports for type checking count too."""
    rooms = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            names = [f"{node.module}.{alias.name}" if node.module == "tapsig" else node.module for alias in node.names]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        else:
            continue
        rooms.update(name.split(".")[1] for name in names if name.startswith("tapsig."))
    return rooms


MODULES = [path for path in sorted(PACKAGE.rglob("*.py")) if path.parent != PACKAGE or not path.stem.startswith("__")]


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_module_imports_only_its_own_room_and_lower_floors(path: Path) -> None:
    room = room_of(path)
    for other in imported_rooms(path):
        assert other in FLOORS, f"{other} has no floor; give it one in DEVELOPERS.md"
        below = other == room or FLOORS[other] < FLOORS[room]
        assert below, f"{path.name} ({room}) imports {other}, which is not below"
