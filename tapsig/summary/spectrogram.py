"""The spectrogram of a recording on a logarithmic scale of frequency, small enough to be shown as a picture."""

import math
from dataclasses import dataclass

import numpy as np

from tapsig.errors import ParameterError
from tapsig.records import Recording
from tapsig.units import FloatArray

WINDOW_S = 0.128
LOWEST_HZ = 25.0
ROWS, COLUMNS = 96, 900
MOST_WINDOWS = 1024
"""Windows transformed at once, or those of one column."""


@dataclass(frozen=True, slots=True)
class Spectrogram:
    """Level in dB under the highest, shape (rows, columns), lowest frequency first; nan where nothing was recorded.

    The rows are evenly spaced in the logarithm of the frequency from `low_hz` to `high_hz`, the columns in time from
    `begin_s` to `end_s`.
    """

    level_db: FloatArray
    low_hz: float
    high_hz: float
    begin_s: float
    end_s: float


class SpectrogramBuilder:
    """Takes stretches of samples in any number of pieces; memory depends on the numbers of rows and columns only.

    Hann windows of `size` samples follow each other by half of it; a field keeps the highest level in it.

    Raises ParameterError where half the rate is not above twice `LOWEST_HZ`.
    """

    def __init__(
        self, begin_s: float, span_s: float, *, fs: float, size: int | None = None, columns: int = COLUMNS
    ) -> None:
        if fs / 2 <= 2 * LOWEST_HZ:
            raise ParameterError(
                f"{fs:g} Hz is too slow for a spectrogram from {LOWEST_HZ:g} Hz; record at 1 kHz or more"
            )
        self._begin_s, self._span_s, self._fs = begin_s, span_s, fs
        self._size = size or max(16, round(WINDOW_S * fs))
        self._power = np.full((ROWS, columns), np.nan)
        self._window = np.hanning(self._size)
        self._padded = 4 * self._size
        edges_hz = np.geomspace(LOWEST_HZ, fs / 2, ROWS + 1)
        starts = np.ceil(edges_hz * self._padded / fs - 1e-9).astype(np.int64)
        self._starts = np.minimum(starts, self._padded // 2)[:-1]
        # Of other rows, no frequency of the transform lies within.
        self._wide = np.diff(self._starts, append=self._padded // 2) > 0

    def add(self, samples: FloatArray, start_s: float) -> None:
        """Samples (volts from the bias, without a gap) whose first stands at `start_s`."""
        if samples.size < self._size:
            return
        at_s = start_s - self._begin_s
        columns = self._power.shape[1]
        width_s = self._span_s / columns
        hops = max(1, math.ceil(width_s * self._fs / (self._size // 2)))
        first = max(0, math.floor(at_s / width_s))
        last = min(columns, math.ceil((at_s + samples.size / self._fs) / width_s))
        many = max(1, MOST_WINDOWS // hops)
        for block in range(first, last, many):
            chosen = np.arange(block, min(block + many, last))
            middles_s = (chosen[:, None] + (np.arange(hops) + 0.5) / hops) * width_s - at_s
            inside = (middles_s >= 0) & (middles_s < samples.size / self._fs)
            if inside.any():
                fields = np.full((*inside.shape, self._power.shape[0]), np.nan)
                fields[inside] = self._transform(samples, middles_s[inside])
                self._power[:, chosen] = np.fmax(self._power[:, chosen], np.fmax.reduce(fields, axis=1).T)

    def _transform(self, samples: FloatArray, middles_s: FloatArray) -> FloatArray:
        """Power by rows of the window around each middle, shape (n, rows)."""
        begins = np.round(middles_s * self._fs).astype(np.int64) - self._size // 2
        begins = np.clip(begins, 0, samples.size - self._size)
        pieces = np.lib.stride_tricks.sliding_window_view(samples, self._size)[begins] * self._window
        spectra = np.abs(np.fft.rfft(pieces, self._padded, axis=1)) ** 2
        fields = spectra[:, self._starts]
        fields[:, self._wide] = np.maximum.reduceat(spectra, self._starts, axis=1)[:, self._wide]
        return np.asarray(fields)

    def build(self) -> Spectrogram:
        """The spectrogram of all that was added. Raises ParameterError where nothing sounds."""
        highest = float(np.nanmax(self._power, initial=0.0))
        if not highest > 0:
            raise ParameterError("the recording is constant: there is no spectrum to show")
        level = 10.0 * np.log10(np.maximum(self._power / highest, 1e-20))
        end_s = self._begin_s + self._span_s
        return Spectrogram(level, LOWEST_HZ, self._fs / 2, self._begin_s, end_s)


def compute_spectrogram(recording: Recording, *, columns: int = COLUMNS) -> Spectrogram:
    """Highest level of each small field of time and log-frequency, by Hann windows of 128 ms (or an eighth).

    Raises ParameterError when no stretch without a gap is long enough, or half the rate is not above `LOWEST_HZ`.
    """
    fs = recording.fs
    longest = max(stop - start for start, stop in recording.stretches())
    size = max(16, min(longest // 8, round(WINDOW_S * fs)))
    builder = SpectrogramBuilder(recording.start_s, recording.span_s, fs=fs, size=size, columns=columns)
    if longest < 4 * size:
        raise ParameterError(
            f"{longest} samples without a gap are too few for a spectrogram, at least {4 * size} are"
            " needed; plot a longer recording"
        )
    bias = float(np.median(recording.samples))
    for start, stop in recording.stretches():
        builder.add(recording.samples[start:stop] - bias, recording.start_s + float(recording.times_s(np.array(start))))
    return builder.build()
