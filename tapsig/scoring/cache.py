"""Detections stored on disk, so that an interrupted scoring can continue.

One small file holds the detections of one detector on one recording. Its name is a digest of everything that they
depend on: the samples as loaded, the detector with its parameters, the code of the detectors, tapsig's version.
Labels and the matching window are not part of it, so labels can be corrected without running detectors again. Files
are written atomically and carry a digest of their content; a damaged file is computed again.
"""

import dataclasses
import functools
import hashlib
import importlib
import importlib.util
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tapsig._version import __version__
from tapsig.detections import Detections
from tapsig.detectors.base import Variant
from tapsig.errors import ParameterError
from tapsig.loading.files import replace_file
from tapsig.records import Recording

_ROOMS = ("units", "records", "detections", "converter", "core", "dsp", "detectors")


@functools.cache
def _digest_code(module: str) -> str:
    """Digest of the source of tapsig's detectors, and of `module` for a detector from elsewhere."""
    package = Path(__file__).parent.parent
    files = [path for room in _ROOMS for path in (package / room).rglob("*") if path.suffix in (".py", ".c", ".h")]
    files += [package / f"{room}.py" for room in _ROOMS if (package / f"{room}.py").exists()]
    origin = getattr(importlib.util.find_spec(module), "origin", None)
    if not module.startswith("tapsig.") and origin and Path(origin).is_file():
        files.append(Path(origin))
    digest = hashlib.sha256()
    for path in sorted(files):
        digest.update(path.name.encode() + path.read_bytes())
    return digest.hexdigest()


def _to_plain(value: object) -> object:
    """Parameters as JSON values; arrays by their digest."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = {
            field.name: _to_plain(getattr(value, field.name)) for field in dataclasses.fields(value) if field.init
        }
        return {"type": f"{type(value).__module__}.{type(value).__qualname__}", "fields": fields}
    if isinstance(value, np.ndarray):
        return [str(value.dtype), value.shape, hashlib.sha256(np.ascontiguousarray(value).tobytes()).hexdigest()]
    if isinstance(value, Mapping):
        return [[_to_plain(key), _to_plain(item)] for key, item in value.items()]
    if isinstance(value, (list, tuple)):
        return [_to_plain(item) for item in value]
    if value is None or isinstance(value, (bool, int, float, str)):
        return value
    raise ParameterError(
        f"a detector parameter is {value!r:.80} ({type(value).__name__}), which the result cache cannot tell from"
        " another; use numbers, words, arrays, or dataclasses of these, or score without the cache"
    )


def describe_variant(variant: Variant) -> str:
    """Text that is equal for equal detectors: class, parameters, code, version.

    Raises ParameterError for parameters other than numbers, words, arrays and dataclasses or lists of these.
    """
    if not dataclasses.is_dataclass(type(variant)):
        raise ParameterError(
            f"{type(variant).__name__} is not a dataclass of parameters, so the result cache cannot tell it from"
            " another; make it one, or score without the cache"
        )
    code = _digest_code(type(variant).__module__)
    return json.dumps([__version__, code, _to_plain(variant)], ensure_ascii=True)


def digest_recording(recording: Recording) -> str:
    """Digest of a detector's input: samples, rate, gaps."""
    digest = hashlib.sha256(recording.samples.tobytes())
    digest.update(repr((recording.fs, [(gap.sample, gap.duration_s) for gap in recording.gaps])).encode())
    return digest.hexdigest()


@dataclass(frozen=True, slots=True)
class ResultCache:
    """Detections by recording and detector, in a folder that several processes may share; scoring runs `tap` anyway.

    Only onsets, decision times and strengths of accepted taps are kept.
    """

    folder: Path

    def __post_init__(self) -> None:
        if self.folder.exists() and not self.folder.is_dir():
            raise ParameterError(f"--cache: {self.folder} is not a folder; name a folder, which is created if needed")

    def open(self, recording: Recording) -> "KeptResults":
        """The results of one recording."""
        return KeptResults(self.folder, digest_recording(recording))


@dataclass(frozen=True, slots=True)
class KeptResults:
    """The detections of any detector on the recording with this `digest`."""

    folder: Path
    digest: str

    def locate(self, variant: Variant) -> Path:
        """The file with the detections of `variant`."""
        key = hashlib.sha256(f"{self.digest} {describe_variant(variant)}".encode()).hexdigest()
        return self.folder / key[:2] / f"{key[2:]}.json"

    def find(self, variant: Variant, compute: Callable[[], Detections]) -> Detections:
        """The stored detections; without such, or when they are damaged, compute and store them."""
        path = self.locate(variant)
        kept = _read(path)
        if kept is None:
            kept = compute()
            _write(path, kept)
        return kept


def _read(path: Path) -> Detections | None:
    try:
        text = path.read_text(encoding="ascii")
    except (FileNotFoundError, UnicodeDecodeError):
        return None
    digest, _, body = text.partition("\n")
    if digest != hashlib.sha256(body.encode()).hexdigest():
        return None
    return Detections(**json.loads(body))


def _write(path: Path, found: Detections) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    names = ("onset_samples", "decided_samples", "strength")
    body = json.dumps({name: getattr(found, name).tolist() for name in names})
    replace_file(path, f"{hashlib.sha256(body.encode()).hexdigest()}\n{body}".encode("ascii"))
