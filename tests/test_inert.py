"""The package executes nothing that it reads: no pickle, no eval, no shell."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
SOURCES = sorted([*(ROOT / "tapsig").rglob("*.py"), *(ROOT / "benchmarks").rglob("*.py")])

FORBIDDEN_MODULES = {"pickle", "dill", "cloudpickle", "marshal", "shelve", "joblib.numpy_pickle"}
FORBIDDEN_CALLS = {"eval", "exec", "compile", "__import__"}


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_module_uses_no_pickle_no_eval_and_no_shell(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            assert not FORBIDDEN_MODULES & {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.module not in FORBIDDEN_MODULES
        elif isinstance(node, ast.Call):
            if isinstance(node.func, ast.Name):
                assert node.func.id not in FORBIDDEN_CALLS, f"line {node.lineno}"
            for keyword in node.keywords:
                shell = keyword.arg == "shell" and getattr(keyword.value, "value", True)
                unsafe_load = keyword.arg == "allow_pickle" and getattr(keyword.value, "value", True)
                assert not shell, f"line {node.lineno}"
                assert not unsafe_load, f"line {node.lineno}"
