"""The detectors' core in C: one definition for Python, for streams and for a controller.

`tapsig export` copies these C files, and Python loads a shared library that is compiled from them when the package is
built. This module is its binding; the headers explain the numbers.
"""

import sys
from functools import lru_cache
from importlib import import_module
from pathlib import Path
from typing import Any

from tapsig.core.build_hook import digest_sources, parse_headers
from tapsig.errors import TapsigError

HERE = Path(__file__).parent
LIBRARY = HERE / ("_core.dll" if sys.platform == "win32" else "_core.so")
CLOCK = 1 << 32
"""The core's milliseconds wrap there; it can tell times apart that lie up to half of it from each other."""
REMEDY = f"install tapsig again, or run: {sys.executable} {HERE / 'build_hook.py'}"


class CoreError(TapsigError):
    """The compiled core is missing or does not fit these sources."""


def sources() -> list[Path]:
    """The C files and headers that the library was compiled from."""
    return sorted(path for path in HERE.iterdir() if path.suffix in (".c", ".h"))


def _load_types(digest: str) -> Any:
    """cffi's interface, as it was written when the library was compiled, else from the headers."""
    try:
        types = import_module("tapsig.core._core_types")
    except ImportError:  # not written, or by a cffi that this one does not follow
        return parse_headers()
    return types.ffi if digest == types.SOURCES else parse_headers()


@lru_cache(maxsize=1)
def load() -> tuple[Any, Any]:
    """cffi's interface and the library. Raises CoreError when the library is missing or does not match the sources."""
    digest = digest_sources()
    ffi = _load_types(digest)
    try:
        library = ffi.dlopen(str(LIBRARY))
    except OSError as error:
        raise CoreError(f"{LIBRARY}: the compiled core cannot be loaded ({error}); {REMEDY}") from error
    if ffi.string(library.tapsig_sources()).decode() != digest:
        raise CoreError(f"{LIBRARY}: the compiled core was made from other sources; {REMEDY}")
    return ffi, library
