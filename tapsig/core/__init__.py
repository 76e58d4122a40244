"""The detectors' core in C: one definition for Python, for streams and for a controller.

`tapsig export` copies these C files, and Python loads a shared library that is compiled from them when the package is
built. This module is its binding; the headers explain the numbers.
"""

import sys
from functools import lru_cache
from pathlib import Path
from typing import Any

from tapsig.core.build_hook import digest_sources
from tapsig.errors import TapsigError

HERE = Path(__file__).parent
LIBRARY = HERE / ("_core.dll" if sys.platform == "win32" else "_core.so")
HEADERS = (
    "version.h",
    "blocks.h",
    "predict.h",
    "levels.h",
    "trees.h",
    "tap.h",
    "follow.h",
    "fixed_threshold.h",
    "ring_following.h",
    "clock.h",
    "entry.h",
    "evidence.h",
    "context.h",
    "compare.h",
    "judge.h",
    "host.h",
    "logtext.h",
    "series.h",
)
"""In the order of inclusion."""


REMEDY = f"install tapsig again, or run: {sys.executable} {HERE / 'build_hook.py'}"


class CoreError(TapsigError):
    """The compiled core is missing or does not fit these sources."""


def sources() -> list[Path]:
    """The C files and headers that the library was compiled from."""
    return sorted(path for path in HERE.iterdir() if path.suffix in (".c", ".h"))


def _declarations(header: Path) -> str:
    """The part of a header that cffi can parse: declarations and the integer constants they use."""
    kept, depth = [], 0
    for line in header.read_text(encoding="ascii").splitlines():
        if line.startswith("#ifdef"):
            depth += 1
        elif line.startswith("#endif"):
            depth = max(depth - 1, 0)
        elif line.startswith("#define"):
            words = line.split("/*")[0].split()
            if len(words) == 3 and words[2].isdigit() and not depth:
                kept.append(" ".join(words))
        elif not line.startswith("#") and not depth:
            kept.append(line)
    return "\n".join(kept)


@lru_cache(maxsize=1)
def load() -> tuple[Any, Any]:
    """cffi's interface and the library. Raises CoreError when the library is missing or does not match the sources."""
    import cffi

    ffi = cffi.FFI()
    for name in HEADERS:
        ffi.cdef(_declarations(HERE / name))
    try:
        library = ffi.dlopen(str(LIBRARY))
    except OSError as error:
        raise CoreError(f"{LIBRARY}: the compiled core cannot be loaded ({error}); {REMEDY}") from error
    if ffi.string(library.tapsig_sources()).decode() != digest_sources():
        raise CoreError(f"{LIBRARY}: the compiled core was made from other sources; {REMEDY}")
    return ffi, library
