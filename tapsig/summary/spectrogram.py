"""The spectrogram of a recording on a logarithmic scale of frequency, small enough to be shown as a picture."""

import math
from dataclasses import dataclass

import numpy as np

from tapsig.errors import ParameterError
from tapsig.records import Recording
from tapsig.units import FloatArray, check_positive

WINDOW_S = 0.128
LOWEST_HZ = 25.0
ROWS, COLUMNS = 96, 900
BLOCK_COLUMNS = 64


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


def compute_spectrogram(
    recording: Recording,
    *,
    begin_s: float = 0.0,
    lowest_hz: float = LOWEST_HZ,
    rows: int = ROWS,
    columns: int = COLUMNS,
) -> Spectrogram:
    """Highest level of each small field of time and log-frequency, by Hann windows of 128 ms (or an eighth).

    Parameters
    ----------
    begin_s : time of the first sample.
    lowest_hz : the lowest frequency; the highest is half the rate.

    Raises ParameterError when no stretch without a gap is long enough, or half the rate is not above `lowest_hz`.
    """
    check_positive("lowest_hz", lowest_hz)
    fs = recording.fs
    if fs / 2 <= 2 * lowest_hz:
        raise ParameterError(f"{fs:g} Hz is too slow for a spectrogram from {lowest_hz:g} Hz; record at 1 kHz or more")
    longest = max(stop - start for start, stop in recording.stretches())
    size = max(16, min(longest // 8, round(WINDOW_S * fs)))
    if longest < 4 * size:
        raise ParameterError(
            f"{longest} samples without a gap are too few for a spectrogram, at least {4 * size} are"
            " needed; plot a longer recording"
        )
    edges_hz = np.geomspace(lowest_hz, fs / 2, rows + 1)
    power = np.full((rows, columns), np.nan)
    bias = float(np.median(recording.samples))
    for start, stop in recording.stretches():
        if stop - start >= size:
            at_s = float(recording.times_s(np.array(start)))
            _fill(power, recording.samples[start:stop] - bias, at_s, recording.span_s, fs, size, edges_hz)
    highest = float(np.nanmax(power))
    if not highest > 0:
        raise ParameterError("the recording is constant: there is no spectrum to show")
    with np.errstate(divide="ignore"):
        level = 10.0 * np.log10(np.maximum(power / highest, 1e-20))
    return Spectrogram(level, lowest_hz, fs / 2, begin_s, begin_s + recording.span_s)


def _fill(
    power: FloatArray, samples: FloatArray, at_s: float, span_s: float, fs: float, size: int, edges_hz: FloatArray
) -> None:
    """Write the columns that a stretch covers; a column of many windows keeps the highest."""
    rows, columns = power.shape
    window = np.hanning(size)
    padded = 4 * size
    starts = np.minimum(np.ceil(edges_hz * padded / fs - 1e-9).astype(np.int64), padded // 2)[:-1]
    wide = np.diff(starts, append=padded // 2) > 0  # of other rows, no frequency of the transform lies within
    width_s = span_s / columns
    hops = max(1, min(16, math.ceil(width_s * fs / (size // 2))))
    first = math.ceil(at_s / width_s - 0.5)
    last = min(columns, math.floor((at_s + samples.size / fs) / width_s - 0.5) + 1)
    for block in range(first, last, BLOCK_COLUMNS):
        chosen = np.arange(block, min(block + BLOCK_COLUMNS, last))
        middles_s = (chosen[:, None] + (np.arange(hops) + 0.5) / hops) * width_s - at_s
        begins = np.clip(np.round(middles_s * fs).astype(np.int64) - size // 2, 0, samples.size - size).ravel()
        pieces = np.lib.stride_tricks.sliding_window_view(samples, size)[begins] * window
        spectra = np.abs(np.fft.rfft(pieces, padded, axis=1)) ** 2
        fields = spectra[:, starts]
        fields[:, wide] = np.maximum.reduceat(spectra, starts, axis=1)[:, wide]
        fields = fields.reshape(chosen.size, hops, rows).max(axis=1)
        power[:, chosen] = fields.T
