"""What several test files share: the demo corpus, the command line, decays, and detectors whose answers are given."""

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

import numpy as np
import numpy.typing as npt
import pytest

from tapsig.cli import main
from tapsig.detections import Detections
from tapsig.loading import LoadReport, ReadOptions, read_recording
from tapsig.loading.read_options import DEFAULTS
from tapsig.records import Label, Recording
from tapsig.units import FloatArray

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "corpus_demo"


def ring_down(
    time_s: FloatArray, onset_s: float, hz: float, t60_s: float, *, wave: Callable[[FloatArray], FloatArray] = np.cos
) -> FloatArray:
    """A sinusoid of amplitude 1 from `onset_s` on that falls by 60 dB in `t60_s`: exp(-ln(1000)·t/T60)."""
    since = np.maximum(time_s - onset_s, 0.0)
    return (time_s >= onset_s) * np.exp(-math.log(1000.0) * since / t60_s) * wave(2.0 * np.pi * hz * since)


def third_octaves(frequencies_hz: FloatArray, power: FloatArray, low_hz: float, high_hz: float) -> FloatArray:
    """Mean power in bands a third of an octave wide, in dB."""
    centres = low_hz * 2 ** np.arange(0, math.log2(high_hz / low_hz), 1 / 3)
    edges = ((frequencies_hz >= f / 2 ** (1 / 6)) & (frequencies_hz < f * 2 ** (1 / 6)) for f in centres)
    return np.array([10 * np.log10(power[inside].mean()) for inside in edges])


class FakeDetector:
    """Answers each chunk with what `answer` makes of it."""

    latency_s = 0.0

    def __init__(self, fs: float, answer: Callable[[FloatArray], object]) -> None:
        self.fs, self._answer = fs, answer

    def push(self, chunk: npt.ArrayLike) -> object:
        return self._answer(np.asarray(chunk))

    def flush(self) -> Detections:
        return Detections.empty()

    def reset(self) -> None: ...


def detect_at(index: npt.ArrayLike, strength: npt.ArrayLike = 1.0) -> Detections:
    """Detections at these samples, decided at once."""
    at = np.asarray(index, dtype=np.int64)
    return Detections(at, at, np.broadcast_to(np.asarray(strength, dtype=float), at.shape).copy())


@dataclass(frozen=True, slots=True)
class Told:
    """A variant that detects a tap at each of `onsets_s`, whatever the recording holds."""

    name: ClassVar[str] = "told"
    onsets_s: tuple[float, ...]

    def build(self, fs: float, *, keep_rejected: bool = False) -> FakeDetector:
        return FakeDetector(fs, lambda _: detect_at(np.round(np.array(self.onsets_s) * fs)))


@dataclass(frozen=True, slots=True)
class UnitSamples:
    """A variant that detects each sample above `floor_v`: a recording of zeros and ones holds its detections.

    `runs` lists the rates that it was built for.
    """

    name: ClassVar[str] = "told"
    runs: ClassVar[list[float]] = []
    floor_v: float = 0.5

    def build(self, fs: float, *, keep_rejected: bool = False) -> FakeDetector:
        self.runs.append(fs)

        def find(samples: FloatArray) -> Detections:
            index = np.flatnonzero(samples > self.floor_v)
            return detect_at(index, samples[index])

        return FakeDetector(fs, find)


@dataclass(frozen=True, slots=True)
class RisingEdges:
    """A variant that detects each sample at least 0.3 V above the one before."""

    name: ClassVar[str] = "edge"

    def build(self, fs: float, *, keep_rejected: bool = False) -> FakeDetector:
        return FakeDetector(fs, lambda samples: detect_at(np.flatnonzero(np.diff(samples) >= 0.3) + 1))


def pulses(levels: list[tuple[float, bool]], *, source: str = "") -> Recording:
    """One pulse of each level (volts) every half second, 2 kHz; those marked are taps, the others thumps."""
    samples = np.zeros(1000 * (len(levels) + 1))
    starts = 500 + 1000 * np.arange(len(levels))
    for start, (level, _) in zip(starts, levels, strict=True):
        samples[start : start + 8] = level
    labels = [Label(start / 2000.0, "tap" if tap else "thump") for start, (_, tap) in zip(starts, levels, strict=True)]
    return Recording(samples, 2000.0, labels=tuple(labels), source=source)


TEN_BITS = ReadOptions(adc_bits=10, full_scale_v=5.0)
"""How the logs of a converter of 10 bits and 5 V are read."""


def run(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str, str]:
    """`tapsig` with these words: its exit status, and what it wrote to standard output and standard error."""
    code = main(list(map(str, words)))
    out, err = capsys.readouterr()
    return code, out, err


def put(path: Path, content: bytes) -> Path:
    """Write a file; returns its path."""
    path.write_bytes(content)
    return path


def write_log(folder: Path, lines: str | Iterable[str]) -> Path:
    """Write a text, or lines, to a file."""
    path = folder / "log.csv"
    path.write_text(lines if isinstance(lines, str) else "".join(f"{line}\n" for line in lines), encoding="utf-8")
    return path


def write_columns(folder: Path, header: str, *columns: Iterable[object]) -> Path:
    """Write columns, with commas between, to a log."""
    return write_log(folder, [header, *(",".join(map(str, row)) for row in zip(*columns, strict=True))])


def read_log(folder: Path, lines: str | Iterable[str], options: ReadOptions = TEN_BITS) -> tuple[Recording, LoadReport]:
    """Write the lines of a log to a file, and read it."""
    return read_recording(write_log(folder, lines), options)


def read_columns(
    folder: Path, header: str, *columns: Iterable[object], options: ReadOptions = TEN_BITS
) -> tuple[Recording, LoadReport]:
    """Write columns to a log, and read it."""
    return read_recording(write_columns(folder, header, *columns), options)


def read_wav_bytes(folder: Path, content: bytes, options: ReadOptions = DEFAULTS) -> tuple[Recording, LoadReport]:
    """Write the content of a WAV file, and read it."""
    return read_recording(put(folder / "x.wav", content), options)
