"""Open recordings of real hits: fetched from package registries into a cache, checked, never committed.

| package | registry | licence | what is used |
|---|---|---|---|
| supersonic-scsynth-samples 0.84.2 | npm | CC0-1.0 | block tap, toms, kicks, bass, ambience: one-shots at 44.1 kHz |
| hydrogen-data 1.2.0~beta1+dfsg-1 | Debian | GPL-2+ | side stick, toms, kick, cymbals in five velocity layers |
| hydrogen-drumkits 2017.09.19~dfsg-1 | Debian | by kit: GPL-2(+), CC-BY-SA-3.0 | slaps on a wooden panel, sticks |
| lmms-common 1.2.2+dfsg1-6 | Debian | GPL-2+ | side stick, wood block, clave, toms, kicks, cymbals, shakers |
| timgm6mb-soundfont 1.3-5 | Debian | GPL-2 | stick, wood block, castanets, clave, hand drums, cymbals |
| avldrums.lv2-soundfont 0.5.2-2 | Debian | CC-BY-SA-3.0 | two kits: side stick, toms, kick, cymbals in five layers |
| fluid-soundfont-gm 3.1-5.3 | Debian | MIT | sticks, rim, clave, wood blocks, castanets, toms, hand drums, kicks |
| freepats 20060219-4 | Debian | GPL-2+ | sticks, rim, claves, wood blocks, toms, hand drums, kicks, cymbals |

The list of files, their kind, and the half each belongs to stand in open_sources.csv. Halves share no kit and no
instrument of a kit, so that a fitted detector meets only new instruments. open_packages.csv holds each package's size
and checksum.
"""

import csv
import hashlib
import io
import os
import shutil
import subprocess
import sys
import tarfile
import zipfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import soundfile

from tapsig.errors import TapsigError
from tapsig.units import FloatArray


class RegistryOutOfReachError(TapsigError):
    """A package registry did not answer, or the client for it is not on this machine."""


@dataclass(frozen=True, slots=True)
class Package:
    """One package: how it is fetched, and what the fetched file must be."""

    name: str
    version: str
    registry: str
    size: int
    sha256: str


def _read_rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


PACKAGES = {
    row["name"]: Package(row["name"], row["version"], row["registry"], int(row["size"]), row["sha256"])
    for row in _read_rows(Path(__file__).with_name("open_packages.csv"))
}
"""Those of generators/measured_sources.csv too."""


@dataclass(frozen=True, slots=True)
class Source:
    """One file of one package: a single hit (kind "tap") or a nuisance, and the half it belongs to."""

    half: str
    kind: str
    instrument: str
    kit: str
    package: str
    path: str


@dataclass(frozen=True, slots=True)
class Hit:
    """The sound of a source from its onset on: mono, peak 1, float64, at `fs` Hz."""

    source: Source
    samples: FloatArray
    fs: float


@cache
def read_sources(path: Path) -> tuple[Source, ...]:
    """All rows of a list of sources."""
    return tuple(Source(**row) for row in _read_rows(path))


def list_sources() -> tuple[Source, ...]:
    """All rows of open_sources.csv."""
    return read_sources(Path(__file__).with_suffix(".csv"))


def cache_folder() -> Path:
    """Where packages are kept: $TAPSIG_OPEN_CACHE, or a folder in the user's cache."""
    default = Path.home() / ".cache" / "tapsig-open-recordings"
    return Path(os.environ.get("TAPSIG_OPEN_CACHE", default))


def fetch_package(name: str) -> Path:
    """The unpacked folder of a package, fetched once and checked by size and sha256.

    Raises RegistryOutOfReachError when it cannot be had, and TapsigError when what came is not what was expected.
    """
    package = PACKAGES[name]
    folder = cache_folder() / f"{name.replace('/', '-')}-{package.version}"
    if folder.is_dir():
        return folder
    work = cache_folder() / f".fetching-{folder.name}-{os.getpid()}"
    work.mkdir(parents=True, exist_ok=True)
    try:
        archive = _download(package, work)
        raw = archive.read_bytes()
        found = hashlib.sha256(raw).hexdigest()
        if len(raw) != package.size or found != package.sha256:
            raise TapsigError(
                f"{archive.name}: {len(raw)} bytes, sha256 {found}; expected {package.size} bytes, {package.sha256}"
            )
        content = work / "content"
        content.mkdir()
        if package.registry in ("npm", "pypi"):
            with tarfile.open(archive) as tar:
                tar.extractall(content, filter="data")
        else:
            _run(["dpkg-deb", "-x", str(archive), str(content)], work)
        content.rename(folder)
    finally:
        shutil.rmtree(work, ignore_errors=True)
    return folder


def _download(package: Package, folder: Path) -> Path:
    name, version = package.name, package.version
    pip = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--no-binary", name]
    command = {
        "npm": ["npm", "pack", "--silent", f"{name}@{version}"],
        "debian": ["apt-get", "download", f"{name}={version}"],
        "pypi": [*pip, f"{name}=={version}"],
    }[package.registry]
    _run(command, folder)
    (archive,) = [path for path in folder.iterdir() if path.suffix in (".tgz", ".deb", ".gz")]
    return archive


def _run(command: list[str], folder: Path) -> None:
    try:
        subprocess.run(command, cwd=folder, check=True, capture_output=True, timeout=600)
    except FileNotFoundError as error:
        message = f"{command[0]} is not on this machine; install it to fetch {command[-1]}"
        raise RegistryOutOfReachError(message) from error
    except subprocess.TimeoutExpired as error:
        raise RegistryOutOfReachError(f"{' '.join(command)}: no answer within 600 s") from error
    except subprocess.CalledProcessError as error:
        text = error.stderr.decode(errors="replace").strip().splitlines()
        raise RegistryOutOfReachError(f"{' '.join(command)}: {text[-1] if text else 'failed'}") from error


def load_sound(source: Source) -> tuple[FloatArray, float]:
    """The loudest channel of a source, mono, as stored, and its sample rate in Hz.

    A path that ends in "!member" names a file within a ZIP archive. One that ends in "#byte+samples@rate" names a
    stretch of 16-bit samples, little-endian, or big-endian with "be" after the rate.

    Raises as `fetch_package` does.
    """
    name, mark, stretch = source.path.partition("#")
    archive, _, member = name.partition("!")
    path = fetch_package(source.package) / archive
    if mark:
        first, _, rest = stretch.partition("+")
        count, _, rate = rest.partition("@")
        order = ">i2" if rate.endswith("be") else "<i2"
        raw = np.fromfile(path, dtype=order, count=int(count), offset=int(first))
        return raw / 32768.0, float(rate.removesuffix("be"))
    if member:
        with zipfile.ZipFile(path) as content:
            samples, fs = soundfile.read(io.BytesIO(content.read(member)), always_2d=True)
    else:
        samples, fs = soundfile.read(path, always_2d=True)
    return samples[:, np.argmax((samples**2).sum(axis=0))], float(fs)


def load_hit(source: Source, *, onset_share: float = 0.02) -> Hit:
    """A source cut at its onset and scaled to a peak of 1.

    The onset is the first sample over `onset_share` of the peak; 2 % (-34 dB) is within 1 ms of the file's own onset
    for the hits, and later only for nuisances that fade in.
    """
    samples, fs = load_sound(source)
    peak = np.abs(samples).max()
    onset = int(np.argmax(np.abs(samples) > onset_share * peak))
    return Hit(source, samples[onset:] / peak, fs)
