"""Detector variant: spectral flux through librosa. Batch only: it decides when the recording has ended."""

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from tapsig.detectors.base import StreamingDetector
from tapsig.detectors.parameters import Parameters
from tapsig.records import Detections
from tapsig.units import FloatArray, IntArray, check_positive, check_range, seconds_to_samples

_FRAMES = 1 << 14  # spectra at a time, so that they take little memory beside the samples


@dataclass(frozen=True, slots=True)
class SpectralFlux(Parameters):
    """A tap is a peak of the spectral flux: the mean rise of the log spectrum from frame to frame.

    Spectra, flux and picking are librosa's; levels are absolute (nothing is scaled by the file's maximum). It keeps
    all samples and decides at the end: its latency is inf, and it does not fit a controller.

    Parameters
    ----------
    hop_s, frame_s : step and length of the frames.
    threshold : flux over its mean of the last 0.1 s, in mean decibels a band.
    floor_v : amplitude under which a band counts as silent.
    dead_time_s : no second tap this soon after one.
    low_hz, high_hz : bands that count; those over half the sample rate do not exist.
    """

    name: ClassVar[str] = "spectral-flux"
    hop_s: float = 0.004
    frame_s: float = 0.032
    threshold: float = 1.5
    floor_v: float = 0.005
    dead_time_s: float = 0.08
    low_hz: float = 40.0
    high_hz: float = 1000.0

    def __post_init__(self) -> None:
        for name in ("hop_s", "frame_s"):
            check_range(name, getattr(self, name), 1e-4, 10.0)
        for name in ("floor_v", "low_hz"):
            check_positive(name, getattr(self, name))
        check_range("threshold", self.threshold, 0.0, 1e3)
        check_range("dead_time_s", self.dead_time_s, 0.0, 10.0)
        check_range("high_hz", self.high_hz, 2.0 * self.low_hz, 1e6)

    def build(self, fs: float, *, keep_rejected: bool = False) -> "SpectralFluxDetector":
        """A detector for `fs` Hz; it has no candidates that it rejects."""
        return SpectralFluxDetector(self, fs)


class SpectralFluxDetector(StreamingDetector):
    """Runs a `SpectralFlux` when it is flushed; strength is the flux over the threshold."""

    latency_s = math.inf

    def __init__(self, variant: SpectralFlux, fs: float) -> None:
        super().__init__(fs)
        self._variant = variant
        self._frame = 1 << max(5, round(math.log2(variant.frame_s * self.fs)))
        self._hop = seconds_to_samples(variant.hop_s, self.fs, at_least=1)
        self._clear()

    def _clear(self) -> None:
        self._chunks: list[FloatArray] = []

    def _process(self, samples: FloatArray, first: int) -> Detections:
        self._chunks.append(samples.copy())
        return Detections.empty()

    def _finish(self, consumed: int) -> Detections:
        if consumed <= self._hop:
            return Detections.empty()
        samples, self._chunks = np.concatenate(self._chunks), []
        flux = self._compute_flux(samples)
        peaks = self._pick(flux)
        # Frame i ends at sample i·hop; its rise is steepest when the onset lies a quarter of the frame before its end.
        onsets = np.clip(peaks * self._hop - self._frame // 4, 0, consumed - 1)
        return Detections(onsets, np.full(onsets.size, consumed - 1), flux[peaks] - self._variant.threshold)

    def _compute_flux(self, samples: FloatArray) -> FloatArray:
        """Flux of the frames that end at samples 0, hop, 2·hop, …"""
        import librosa  # heavy, and only this variant needs it
        from librosa.onset import onset_strength

        hop, frame, variant = self._hop, self._frame, self._variant
        padded = np.concatenate([np.zeros(frame), samples - samples[0]])
        bands = np.fft.rfftfreq(frame, 1.0 / self.fs)
        counted = (bands >= min(variant.low_hz, self.fs / 4)) & (bands <= variant.high_hz)
        least = (variant.floor_v * frame / 4.0) ** 2  # a tone of amplitude A has A·frame/4 under a Hann window
        frames, parts = 1 + samples.size // hop, []
        for start in range(0, frames, _FRAMES):
            before = min(start, 1)  # the flux of a frame needs the frame before it
            stretch = padded[(start - before) * hop : (min(start + _FRAMES, frames) - 1) * hop + frame]
            power = np.abs(librosa.stft(stretch, n_fft=frame, hop_length=hop, center=False)[counted]) ** 2
            level = librosa.power_to_db(power, ref=1.0, amin=least, top_db=None)
            parts.append(onset_strength(S=level, sr=self.fs, hop_length=hop, center=False)[before:])
        return np.concatenate(parts)

    def _pick(self, flux: FloatArray) -> IntArray:
        import librosa  # heavy, and only this variant needs it

        variant, rate = self._variant, self.fs / self._hop
        peaks = librosa.util.peak_pick(
            flux,
            pre_max=3,
            post_max=3,
            pre_avg=seconds_to_samples(0.1, rate, at_least=1),
            post_avg=1,
            delta=variant.threshold,
            wait=seconds_to_samples(variant.dead_time_s, rate),
        )
        return np.asarray(peaks, dtype=np.int64)
