"""Peers: onset pickers of general libraries, as variants that `tapsig.detect` can run beside ours (batch only)."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, ClassVar, Self, cast

import numpy as np

from tapsig.detections import Detections
from tapsig.detectors.base import Detector, StreamingDetector
from tapsig.errors import ParameterError
from tapsig.scoring.tuning import Grid, build_setting, list_settings
from tapsig.units import FloatArray, IntArray, seconds_to_samples


class BatchDetector(StreamingDetector):
    """Keeps all samples and picks at the end."""

    latency_s = math.inf

    def __init__(self, variant: "Peer", fs: float) -> None:
        super().__init__(fs)
        self._variant = variant
        self._clear()

    def _process(self, samples: FloatArray, first: int) -> Detections:
        self._chunks.append(samples.copy())
        return Detections.empty()

    def _finish(self, consumed: int) -> Detections:
        if consumed < seconds_to_samples(0.1, self.fs):
            return Detections.empty()
        onsets = np.asarray(self._variant.pick(np.concatenate(self._chunks), self.fs), dtype=np.int64)
        onsets = np.unique(np.clip(onsets, 0, consumed - 1))
        return Detections(onsets, np.full(onsets.size, consumed - 1), np.ones(onsets.size))

    def _clear(self) -> None:
        self._chunks: list[FloatArray] = []


class Peer:
    """A picker with parameters; its tuning may choose from the settings of GRID that it does not refuse."""

    name: ClassVar[str]
    GRID: ClassVar[Grid]

    def build(self, fs: float, *, keep_rejected: bool = False) -> Detector:
        """A detector for `fs` Hz."""
        return BatchDetector(self, fs)

    def pick(self, samples: FloatArray, fs: float) -> IntArray:
        """Onset samples."""
        raise NotImplementedError

    @classmethod
    def grid(cls) -> Iterator[Self]:
        """All settings to try."""
        built = (build_setting(cls(), setting) for setting in list_settings(cls.GRID))
        return (cast(Any, one) for one in built if one is not None)


@dataclass(frozen=True, slots=True)
class LibrosaOnset(Peer):
    """`librosa.onset.onset_detect` with its defaults but for hop, window and threshold."""

    name: ClassVar[str] = "librosa onset_detect"
    GRID: ClassVar[Grid] = {
        "hop_s": (0.004, 0.008, 0.016),
        "n_fft_s": (0.016, 0.032, 0.064),
        "delta": (0.04, 0.07, 0.12, 0.2, 0.3, 0.5),
    }
    hop_s: float = 0.023
    n_fft_s: float = 0.093
    delta: float = 0.07

    def pick(self, samples: FloatArray, fs: float) -> IntArray:
        """Onset frames as samples."""
        from librosa.onset import onset_detect, onset_strength  # heavy

        hop = max(1, seconds_to_samples(self.hop_s, fs))
        n_fft = 2 ** round(math.log2(self.n_fft_s * fs))
        strength = onset_strength(y=samples, sr=fs, hop_length=hop, n_fft=n_fft, n_mels=40)
        return onset_detect(onset_envelope=strength, sr=fs, hop_length=hop, delta=self.delta, units="samples")


@dataclass(frozen=True, slots=True)
class EnvelopePeaks(Peer):
    """`scipy.signal.find_peaks` on a smoothed, rectified, high-passed signal; prominence in decibels."""

    name: ClassVar[str] = "scipy find_peaks"
    GRID: ClassVar[Grid] = {
        "smooth_s": (0.002, 0.005, 0.01),
        "prominence_db": (6.0, 8.0, 10.0, 12.0, 15.0, 18.0, 22.0, 26.0),
        "window_s": (0.1, 0.4, 1.0),
    }
    smooth_s: float = 0.005
    prominence_db: float = 10.0
    distance_s: float = 0.08
    window_s: float = 0.3

    def pick(self, samples: FloatArray, fs: float) -> IntArray:
        """Peaks of the level in decibels."""
        from scipy import ndimage, signal  # heavy

        high = signal.sosfilt(signal.butter(2, 60, "high", fs=fs, output="sos"), samples)
        level = ndimage.uniform_filter1d(np.abs(high), max(1, seconds_to_samples(self.smooth_s, fs)))
        level_db = 20 * np.log10(level + 1e-5)
        peaks, _ = signal.find_peaks(
            level_db,
            prominence=self.prominence_db,
            distance=max(1, seconds_to_samples(self.distance_s, fs)),
            wlen=seconds_to_samples(self.window_s, fs) | 1,
        )
        return peaks


@dataclass(frozen=True, slots=True)
class RecursiveStaLta(Peer):
    """`obspy.signal.trigger.recursive_sta_lta` with `trigger_onset`."""

    name: ClassVar[str] = "obspy recursive STA/LTA"
    GRID: ClassVar[Grid] = {
        "sta_s": (0.002, 0.005, 0.01, 0.02),
        "lta_s": (0.1, 0.2, 0.5, 2.0),
        "on": (2, 3, 4, 6, 8, 12),
        "off": (0.8, 1.5, 3.0),
    }
    sta_s: float = 0.005
    lta_s: float = 0.2
    on: float = 4.0
    off: float = 1.5

    def __post_init__(self) -> None:
        if self.off >= self.on:
            raise ParameterError(f"off is {self.off:g}; it must be below on, {self.on:g}")

    def pick(self, samples: FloatArray, fs: float) -> IntArray:
        """Trigger-on samples."""
        from obspy.signal.trigger import recursive_sta_lta, trigger_onset  # heavy; tests and benchmarks only

        ratio = recursive_sta_lta(
            np.ascontiguousarray(samples - samples.mean()),
            max(1, seconds_to_samples(self.sta_s, fs)),
            seconds_to_samples(self.lta_s, fs),
        )
        triggers = trigger_onset(ratio, self.on, self.off)
        return np.asarray(triggers, dtype=np.int64).reshape(-1, 2)[:, 0]


PEERS: tuple[type[Peer], ...] = (LibrosaOnset, EnvelopePeaks, RecursiveStaLta)
