"""Imports go downward only: a module may import from its own package and from lower layers."""

import ast
import re
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "tapsig"

ROW = re.compile(r"^\| (\d+) \| (.+?) \|", re.MULTILINE)
TABLE = (PACKAGE.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
LAYERS = {
    package: int(layer) for layer, packages in ROW.findall(TABLE) for package in re.findall(r"`(\w+)/?`", packages)
}


def package_of(path: Path) -> str:
    """The first part of a module's path below the package."""
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported_packages(path: Path) -> set[str]:
    """Packages that the module imports, at its top or inside a function; imports for type checking count too."""
    packages = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            names = [f"{node.module}.{alias.name}" if node.module == "tapsig" else node.module for alias in node.names]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        else:
            continue
        packages.update(name.split(".")[1] for name in names if name.startswith("tapsig."))
    return packages


MODULES = [path for path in sorted(PACKAGE.rglob("*.py")) if path.parent != PACKAGE or not path.stem.startswith("__")]


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_module_imports_only_its_own_package_and_lower_layers(path: Path) -> None:
    package = package_of(path)
    for other in imported_packages(path):
        assert other in LAYERS, f"{other} has no layer; give it one in DEVELOPERS.md"
        below = other == package or LAYERS[other] < LAYERS[package]
        assert below, f"{path.name} ({package}) imports {other}, which is not below"
