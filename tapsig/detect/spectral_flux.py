"""Detector variant: spectral flux through librosa. Batch only: it decides when the recording has ended."""

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from tapsig.detect.base import StreamingDetector
from tapsig.records import Detections
from tapsig.units import FloatArray, check_positive, check_range, seconds_to_samples

LEAST_SAMPLES = 32


@dataclass(frozen=True, slots=True)
class SpectralFlux:
    """A tap is a peak of the spectral flux (sum of rises of the log spectrum from frame to frame).

    Parameters
    ----------
    hop_s, frame_s : step and length of the frames.
    threshold : flux over its mean of the last 0.1 s, in mean decibels a band.
    floor_v : under which a spectrum counts as silent.
    dead_time_s : no second tap this soon after one.
    """

    name: ClassVar[str] = "spectral-flux"
    hop_s: float = 0.004
    frame_s: float = 0.032
    threshold: float = 2.0
    floor_v: float = 0.005
    dead_time_s: float = 0.08

    def __post_init__(self) -> None:
        for name in ("hop_s", "frame_s", "floor_v"):
            check_positive(name, getattr(self, name))
        check_range("threshold", self.threshold, 0.0, 1e3)
        check_range("dead_time_s", self.dead_time_s, 0.0, 10.0)

    def build(self, fs: float, *, keep_rejected: bool = False) -> "SpectralFluxDetector":
        """A detector for `fs` Hz; it has no candidates that it rejects."""
        return SpectralFluxDetector(self, fs)


class SpectralFluxDetector(StreamingDetector):
    """Runs a `SpectralFlux`; strength is the flux over the threshold. Keeps all samples until `flush`."""

    latency_s = math.inf

    def __init__(self, variant: SpectralFlux, fs: float) -> None:
        super().__init__(fs)
        self._variant = variant
        self._clear()

    def _clear(self) -> None:
        self._chunks: list[FloatArray] = []

    def _process(self, samples: FloatArray, first: int) -> Detections:
        self._chunks.append(samples.copy())
        return Detections.empty()

    def _finish(self, consumed: int) -> Detections:
        if consumed < LEAST_SAMPLES:
            return Detections.empty()
        import librosa  # heavy, and only this variant needs it

        variant = self._variant
        samples = np.concatenate(self._chunks)
        frame = 1 << max(5, round(math.log2(variant.frame_s * self.fs)))
        hop = seconds_to_samples(variant.hop_s, self.fs, at_least=1)
        padded = np.concatenate([np.full(frame, samples[0]), samples])  # frames end at their time: no look ahead
        spectrum = np.abs(librosa.stft(padded - samples[0], n_fft=frame, hop_length=hop, center=False))[1:]
        level = 20.0 * np.log10(spectrum / frame + variant.floor_v / math.sqrt(frame))
        flux = librosa.onset.onset_strength(S=level, sr=self.fs, hop_length=hop, center=False)
        steps = max(1, round(0.1 / variant.hop_s))
        peaks = librosa.util.peak_pick(
            flux, pre_max=3, post_max=3, pre_avg=steps, post_avg=1, delta=variant.threshold,
            wait=round(variant.dead_time_s / variant.hop_s),
        )  # fmt: skip
        onsets = np.clip(np.asarray(peaks, dtype=np.int64) * hop, 0, consumed - 1)
        return Detections(onsets, np.full(onsets.size, consumed - 1), flux[peaks] - variant.threshold)
