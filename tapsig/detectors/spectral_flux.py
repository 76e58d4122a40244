"""Detector variant: spectral flux. Batch only: it decides at the end of the recording."""

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from tapsig.detections import Detections
from tapsig.detectors.base import StreamingDetector
from tapsig.detectors.parameters import Parameters
from tapsig.units import FloatArray, IntArray, check_positive, check_range, seconds_to_samples

_FRAMES = 1 << 11  # spectra at a time, to limit memory
_PEAK_FRAMES = 3  # a peak is the maximum of this many frames before it, and from it on
_MEAN_S = 0.1


@dataclass(frozen=True, slots=True)
class SpectralFlux(Parameters):
    """A tap is a peak of the spectral flux: the mean rise of the log spectrum from frame to frame.

    Spectra, flux and peak picking follow Böck, Krebs & Schedl, Proc. ISMIR 2012, with librosa's conventions; levels are
    absolute (not normalised by the file's maximum). It keeps all samples and decides at the end, so its latency is inf
    and it does not fit a controller.

    Parameters
    ----------
    hop_s, frame_s : step and length of the frames.
    threshold : least flux over its mean of the last 0.1 s, in mean decibels a band.
    floor_v : amplitude below which a band counts as silent.
    dead_time_s : least time between two taps.
    low_hz, high_hz : range of the bands, limited to half the sample rate.
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
        """A detector for `fs` Hz; it has no rejected candidates."""
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
        hop, frame, variant = self._hop, self._frame, self._variant
        padded = np.concatenate([np.zeros(frame), samples - samples[0]])
        window = 0.5 - 0.5 * np.cos(2.0 * np.pi / frame * np.arange(frame))  # Hann, periodic
        bands = np.fft.rfftfreq(frame, 1.0 / self.fs)
        counted = (bands >= min(variant.low_hz, self.fs / 4)) & (bands <= variant.high_hz)
        least = (variant.floor_v * frame / 4.0) ** 2  # a tone of amplitude A has A·frame/4 under a Hann window
        frames = np.lib.stride_tricks.sliding_window_view(padded, frame)[::hop]
        flux = np.zeros(len(frames))  # of the first frame it is 0
        before = np.full(np.count_nonzero(counted), np.inf)
        for start in range(0, len(frames), _FRAMES):
            spectra = np.fft.rfft(frames[start : start + _FRAMES] * window)[:, counted]
            level = 10.0 * np.log10(np.maximum(np.square(spectra.real) + np.square(spectra.imag), least))
            rises = np.diff(level, axis=0, prepend=before[None])
            flux[start : start + len(level)] = np.maximum(rises, 0.0).mean(axis=1)
            before = level[-1]
        return flux

    def _pick(self, flux: FloatArray) -> IntArray:
        """Frames at local maxima of the flux, `threshold` over the mean before them, at least a dead time apart."""
        variant, rate = self._variant, self.fs / self._hop
        padded = np.pad(flux, (_PEAK_FRAMES, _PEAK_FRAMES - 1), constant_values=-np.inf)
        highest = np.lib.stride_tricks.sliding_window_view(padded, 2 * _PEAK_FRAMES).max(axis=1)
        sums = np.concatenate([[0.0], np.cumsum(flux)])
        stop = np.arange(1, flux.size + 1)
        start = np.maximum(stop - 1 - seconds_to_samples(_MEAN_S, rate, at_least=1), 0)
        mean = (sums[stop] - sums[start]) / (stop - start)
        wait = seconds_to_samples(variant.dead_time_s, rate)
        peaks: list[int] = []
        for frame in np.flatnonzero((flux >= highest) & (flux >= mean + variant.threshold)):
            if not peaks or frame > peaks[-1] + wait:
                peaks.append(int(frame))
        return np.array(peaks, dtype=np.int64)
