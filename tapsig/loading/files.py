"""Opening and replacing files, with clear errors."""

import contextlib
import os
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from tapsig.errors import ParameterError, RecordingError

LARGEST_TABLE_BYTES = 64_000_000  # limit of label files and manifests


def show_path(path: Path) -> str:
    r"""A path as text that can be printed and encoded: bytes of its name that are not UTF-8 as \xNN.

    >>> print(show_path(Path("quay-\udce4.wav")))
    quay-\xe4.wav
    """
    return os.fsencode(path).decode("utf-8", errors="backslashreplace")


def to_path(name: str, value: object) -> Path:
    """The path given by an argument; ParameterError for anything else."""
    if not isinstance(value, (str, os.PathLike)):
        raise ParameterError(f"{name} is {value!r:.80}; it must be the path of a file or folder")
    if not os.fspath(value):  # pathlib would take it for the current folder
        raise ParameterError(f"{name} is ''; it must be the path of a file or folder: '.' is the current folder")
    return Path(value)


def check_file(path: Path, *, what: str = "recording") -> int:
    """Size in bytes of a file that can be read.

    Raises RecordingError if it is missing, a folder, not a regular file, not readable or empty.
    """
    try:
        if not path.exists():
            raise RecordingError(f"{path}: there is no such {what}; check the name and the folder")
        if path.is_dir():
            raise RecordingError(f"{path} is a folder; name a {what} inside it")
        if not path.is_file():
            raise RecordingError(f"{path} is not a regular file; copy its content to a file first")
        with open(path, "rb") as file:
            size = os.fstat(file.fileno()).st_size
    except PermissionError as error:
        raise RecordingError(f"{path}: no permission to read; change its permissions") from error
    except (OSError, ValueError) as error:  # ValueError: a NUL character in the name
        raise RecordingError(f"{str(path)!r} cannot be opened ({error}); check the name") from error
    if not size:
        raise RecordingError(f"{path} is empty (0 bytes); copy it again from the logger")
    return size


def read_small_file(path: Path, *, what: str) -> bytes:
    """Content of a hand-made table. Raises RecordingError as `check_file` does, and above 64 MB."""
    size = check_file(path, what=what)
    if size > LARGEST_TABLE_BYTES:
        raise RecordingError(f"{path} has {size} bytes; a {what} has at most {LARGEST_TABLE_BYTES}")
    return path.read_bytes()


def check_target(path: Path, *, force: bool, option: str = "--out", forcing: str = "add --force") -> None:
    """Raises ParameterError where a file cannot be written to `path`, or may not be: `force` permits to replace one,
    and `forcing` says how to give it.

    Whatever is no regular file (a device, a pipe, a folder) is never replaced. A link stands for what it points to.
    """
    target = _follow(path)
    if target.exists() and not target.is_file():
        kind = "a folder" if target.is_dir() else "not a regular file"
        raise ParameterError(f"{option}: {path} is {kind}; name a file to write")
    if target.exists() and not force:
        raise ParameterError(f"{option}: {path} exists already; {forcing} to replace it")
    if not target.parent.is_dir():
        raise ParameterError(f"{option}: the folder {target.parent} does not exist; make it first")
    if not os.access(target.parent, os.W_OK | os.X_OK):
        raise ParameterError(f"{option}: the folder {target.parent} cannot be written to; choose another")


def make_folder(folder: Path) -> None:
    """Make a folder, with those above it, unless it is there. Raises ParameterError where a file is in its way."""
    file = next((one for one in (folder, *folder.parents) if one.exists() and not one.is_dir()), None)
    if file is not None:
        raise ParameterError(f"{folder} cannot be a folder: {file} is a file; choose another name")
    folder.mkdir(parents=True, exist_ok=True)


def _follow(path: Path) -> Path:
    """The final target of a link, existing or not; any other path unchanged."""
    try:
        return path.resolve(strict=False) if path.is_symlink() else path
    except (OSError, RuntimeError, ValueError) as error:  # links in a circle; a NUL character in the name
        raise ParameterError(f"{str(path)!r} cannot be written ({error}); choose another name") from error


def replace_file(path: Path, content: bytes) -> None:
    """Replace the content of `path` atomically: an interruption leaves the old content.

    A link stays one: what it points to is replaced. Raises ParameterError for what is no regular file.
    """
    path = _follow(path)
    if path.exists() and not path.is_file():
        raise ParameterError(f"{path} is not a regular file and is never replaced; name a file to write")
    mode = path.stat().st_mode & 0o777 if path.exists() else 0o644
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name[:100]}.")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(temporary, mode)
        os.replace(temporary, path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise


@contextlib.contextmanager
def hold_lock(path: Path) -> Iterator[None]:
    """Wait until no other process or thread holds the lock file `path`, and hold it; then the file is removed."""
    while True:
        with open(path, "ab") as file:
            _lock(file)
            if not _is_still_at(file, path):  # its last holder removed it: others lock a new one
                continue
            try:
                yield
            finally:
                with contextlib.suppress(OSError):  # where an open file cannot be removed, it stays, empty
                    path.unlink()
            return


def _lock(file: BinaryIO) -> None:
    """Wait for the lock of an open file; closing the file releases it."""
    if sys.platform == "win32":
        import msvcrt

        file.seek(0)
        msvcrt.locking(file.fileno(), msvcrt.LK_LOCK, 1)
    else:
        import fcntl

        fcntl.flock(file, fcntl.LOCK_EX)


def _is_still_at(file: BinaryIO, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(file.fileno()), path.stat())
    except FileNotFoundError:
        return False
