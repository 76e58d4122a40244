"""Compiles the core into a shared library when the wheel is built; needs neither Python.h nor cffi.

Without a C compiler, the build uses the one in the `ziglang` wheel. In a checkout, `python tapsig/core/build_hook.py`
compiles the library beside the sources.
"""

import hashlib
import os
import shlex
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
LIBRARY = "_core.dll" if sys.platform == "win32" else "_core.so"
TYPES = "_core_types.py"
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
    "forest.h",
    "quantise.h",
    "host.h",
    "logtext.h",
    "series.h",
)
"""Those that the binding knows, in the order of inclusion."""
# No contraction: doubles are rounded after each operation, so results do not depend on the compiler or the chunks.
FLAGS = ("-std=c99", "-O3", "-ffp-contract=off", "-fPIC", "-shared")


def find_compiler() -> list[str]:
    """The command of a C compiler: `CC` if set, else the system's, else an empty list.

    On Windows the system's are passed over: clang exports no function there that is not marked, and knows no -fPIC.
    """
    if "CC" in os.environ:
        return shlex.split(os.environ["CC"])
    names = () if sys.platform == "win32" else ("cc", "gcc", "clang")
    return next(([path] for name in names if (path := shutil.which(name))), [])


def digest_sources() -> str:
    """Digest of all C files, stored in the library so that one from other sources is refused."""
    digest = hashlib.sha256()
    for path in sorted((*HERE.glob("*.c"), *HERE.glob("*.h"))):
        digest.update(path.name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()


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


def parse_headers() -> Any:
    """cffi's interface to the core, which takes it a fifth of a second."""
    import cffi

    ffi = cffi.FFI()
    for name in HEADERS:
        ffi.cdef(_declarations(HERE / name))
    return ffi


def write_types(target: Path) -> None:
    """Write what cffi found in the headers into a module that loads at once; nothing without cffi."""
    try:
        ffi = parse_headers()
    except ImportError:  # the package then parses them when it starts
        return
    ffi.set_source(target.stem, None)
    ffi.emit_python_code(str(target))
    title = '"""C types of the core, which build_hook.py wrote when it compiled the library."""'
    ignored = "# mypy: ignore-errors\n# ruff: noqa\n"
    source = f"\n\nSOURCES = {digest_sources()!r}\n"
    target.write_text(f"{title}\n{ignored}{target.read_text(encoding='ascii')}{source}", encoding="ascii")


def compile_core(library: Path, scratch: Path) -> None:
    """Compile all C files of this folder into `library`. Raises CalledProcessError when the compiler fails."""
    compiler = find_compiler() or [sys.executable, "-m", "ziglang", "cc", "-mcpu=baseline"]
    # Without these, zig leaves 50 MB in the user's own cache.
    caches = {"ZIG_GLOBAL_CACHE_DIR": str(scratch), "ZIG_LOCAL_CACHE_DIR": str(scratch)}
    command = [
        *compiler,
        *FLAGS,
        f'-DTAPSIG_SOURCES="{digest_sources()}"',
        *map(str, sorted(HERE.glob("*.c"))),
        "-o",
        str(library),
    ]
    subprocess.run(command, check=True, env=os.environ | caches)


try:
    from hatchling.builders.hooks.plugin.interface import BuildHookInterface
except ImportError:  # run by hand, or imported where nothing is built
    pass
else:

    class CoreBuildHook(BuildHookInterface):
        """Puts the compiled library into the wheel, or beside the sources of an editable install."""

        def dependencies(self) -> list[str]:
            """Build requirements beside hatchling."""
            return ["cffi"] if find_compiler() else ["cffi", "ziglang>=0.13"]

        def initialize(self, version: str, build_data: dict[str, Any]) -> None:
            """Compile, and tag the wheel for this platform and any Python."""
            if self.target_name != "wheel":
                return
            from packaging.tags import sys_tags

            self.scratch = Path(tempfile.mkdtemp())
            folder = HERE if version == "editable" else self.scratch
            compile_core(folder / LIBRARY, self.scratch)
            write_types(folder / TYPES)
            if version != "editable":
                for path in (folder / LIBRARY, folder / TYPES):
                    if path.exists():
                        build_data["force_include"][str(path)] = f"tapsig/core/{path.name}"
            build_data["pure_python"] = False
            platform = next(
                tag.platform for tag in sys_tags() if not tag.platform.startswith(("manylinux", "musllinux"))
            )
            build_data["tag"] = f"py3-none-{platform}"

        def finalize(self, version: str, build_data: dict[str, Any], artifact_path: str) -> None:
            """Remove the scratch folder."""
            if self.target_name == "wheel":
                shutil.rmtree(self.scratch)


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        compile_core(HERE / LIBRARY, Path(folder))
    write_types(HERE / TYPES)
    print(HERE / LIBRARY)  # noqa: T201  # a build step that is run by hand
