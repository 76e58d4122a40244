"""Which compiler builds the core."""

import shutil
import sys

import pytest

from tapsig.core.build_hook import find_compiler


def test_windows_takes_the_compiler_of_the_wheel_unless_one_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """Clang for Windows exports only functions marked with dllexport (LLVM's MSVC compatibility notes; from memory)."""
    monkeypatch.delenv("CC", raising=False)
    monkeypatch.setattr(shutil, "which", lambda name: f"/bin/{name}")
    monkeypatch.setattr(sys, "platform", "linux")
    assert find_compiler() == ["/bin/cc"]
    monkeypatch.setattr(sys, "platform", "win32")
    assert find_compiler() == []
    monkeypatch.setenv("CC", "zig cc")
    assert find_compiler() == ["zig", "cc"]
