"""Transients in a recording: rises of the prediction error, each without the earlier ringing."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view
from scipy.ndimage import maximum_filter1d, percentile_filter
from scipy.signal import find_peaks, resample_poly

from tapsig.dsp.onset import MIN_SAMPLES, pick_onset
from tapsig.loading.parts import Part
from tapsig.records import Recording
from tapsig.units import FloatArray, IntArray, seconds_to_samples

ORDER_S = 0.032  # length of the predictor: 32 coefficients at 1 kHz
BLOCK_S = 1.0
SEARCH_HZ, CUT_HZ = 1000.0, 2000.0
HISTORY_S = 0.6  # ringing before a candidate, from which it is extrapolated
LEAD_S, TAIL_S = 0.026, 0.064  # extent of a candidate's shape
QUIET_S = 0.012  # start of the lead, which precedes the impact even if its rise was found late
FLOOR_DB = -180.0
PICK_HZ = 8000.0
ROUNDING_POWER = 1.0 / 12.0  # of one count squared: the variance of an error spread evenly over a count
PICK_ORDER_S, PICK_HISTORY_S = 0.006, 0.3
PICK_BEFORE_S, PICK_AFTER_S = 0.03, 0.012  # around the largest prediction error: range of the search for the onset


def fit_burg(blocks: FloatArray, order: int) -> FloatArray:
    """Prediction-error filters (1, a1, … a_order), shape (n, order + 1), of `blocks`, shape (n, samples).

    Burg's method (Marple, Digital Spectral Analysis, 1987, ch. 8), on all blocks at once. Silence gives (1, 0, …).
    """
    forward, backward = blocks[:, 1:], blocks[:, :-1]
    filters = np.zeros((blocks.shape[0], order + 1))
    filters[:, 0] = 1.0
    for m in range(1, order + 1):
        power = np.einsum("ij,ij->i", forward, forward) + np.einsum("ij,ij->i", backward, backward)
        crossed = np.einsum("ij,ij->i", forward, backward)
        reflection = np.divide(-2.0 * crossed, power, out=np.zeros_like(power), where=power > 0.0)[:, None]
        filters[:, 1 : m + 1] += reflection * filters[:, :m][:, ::-1]
        forward, backward = (forward + reflection * backward)[:, 1:], (backward + reflection * forward)[:, :-1]
    return filters


def compute_innovation(samples: FloatArray, *, order: int, block: int) -> FloatArray:
    """Forward prediction error of `samples`, each block of `block` predicted by its own filter, cross-faded by half."""
    half = block // 2
    count = -(-samples.size // half) + 1
    padded = np.concatenate([np.zeros(half + order), samples, np.zeros(count * half + 2 * half - samples.size)])
    spans = sliding_window_view(padded, order + 2 * half)[::half][:count]
    filters = fit_burg(spans[:, order:], order)
    error = np.zeros((count, 2 * half))
    for k in range(order + 1):
        error += filters[:, k : k + 1] * spans[:, order - k : order - k + 2 * half]
    error *= np.hanning(2 * half + 1)[:-1]  # sums to one at half overlap
    joined = np.zeros((count + 1) * half)
    joined[:-half] = error[:, :half].ravel()
    joined[half:] += error[:, half:].ravel()
    return joined[half : half + samples.size]


def _extrapolate(filters: FloatArray, past: FloatArray, count: int) -> FloatArray:
    """The next `count` samples predicted by the filters from `past` alone; shapes (n, …)."""
    order = filters.shape[1] - 1
    line = np.concatenate([past[:, -order:], np.zeros((past.shape[0], count))], axis=1)
    backwards = -filters[:, :0:-1]
    for i in range(count):
        line[:, order + i] = np.einsum("ij,ij->i", backwards, line[:, i : i + order])
    return line[:, order:]


@dataclass(frozen=True, slots=True)
class Transients:
    """Candidates: `begins_s` is the time of the first sample of `shapes` (n, samples), at `rate` Hz.

    `picked_s` is the onset of each by itself. Shapes are float32, since a day may have 250,000.
    """

    rate: float
    begins_s: FloatArray
    picked_s: FloatArray
    shapes: npt.NDArray[np.float32]
    rise_db: FloatArray
    peak_v: FloatArray
    clear_db: FloatArray

    def select(self, kept: IntArray) -> "Transients":
        """The candidates `kept`."""
        return Transients(self.rate, *(column[kept] for column in self._columns()))

    def _columns(self) -> list[npt.NDArray[Any]]:
        """All but the rate."""
        return [getattr(self, field.name) for field in fields(self)[1:]]

    @classmethod
    def join(cls, parts: Sequence["Transients"]) -> "Transients":
        if not parts:
            none = np.zeros(0)
            return cls(CUT_HZ, none, none, np.zeros((0, 0), np.float32), none, none, none)
        return cls(parts[0].rate, *map(np.concatenate, zip(*(part._columns() for part in parts), strict=True)))


def _slow_down(samples: FloatArray, fs: float, rate: float) -> tuple[FloatArray, float]:
    """`samples` decimated to about `rate` without delay; unchanged if their rate is lower."""
    every = max(1, math.floor(fs / rate))
    # A Hann kernel has no negative lobes, so it adds no ringing before a sharp tap.
    window = np.hanning(4 * every + 1)[1:-1]
    return (samples if every == 1 else resample_poly(samples, 1, every, window=window / window.sum())), fs / every


def _find_rises(samples: FloatArray, fs: float, *, rise_db: float, apart_s: float) -> tuple[FloatArray, FloatArray]:
    """Times (s) and rises (dB) of the candidates: where the prediction error rises over floor and recent past."""
    slow, rate = _slow_down(samples, fs, SEARCH_HZ)

    def whole(seconds: float) -> int:
        return seconds_to_samples(seconds, rate, at_least=1)

    order = whole(ORDER_S)
    error = compute_innovation(slow, order=order, block=min(whole(BLOCK_S), max(4 * order, slow.size)))
    window = np.hanning(whole(0.006) + 2)[1:-1]
    power = np.convolve(error * error, window / window.sum(), "same")
    tiny = max(float(power.max(initial=0.0)) * 1e-12, 1e-30)
    level = 10.0 * np.log10(power + tiny)
    near, far = whole(0.006), whole(0.05)
    recent = maximum_filter1d(level, far - near + 1, mode="nearest", origin=0)
    middle = (near + far) // 2
    recent = np.concatenate([np.full(middle, FLOOR_DB), recent])[: level.size]
    every = whole(0.01)
    floor = np.repeat(percentile_filter(level[::every], 50, 401, mode="nearest"), every)[: level.size]
    rise = level - np.maximum(recent, floor)
    peaks, _ = find_peaks(np.concatenate([[FLOOR_DB], rise, [FLOOR_DB]]), height=rise_db, distance=whole(apart_s))
    return (peaks - 1) / rate, rise[peaks - 1]


def extract_transients(recording: Recording, *, rise_db: float, apart_s: float) -> Transients:
    """All candidates: rises of the prediction error of at least `rise_db`, at least `apart_s` apart."""
    parts = [
        _extract(recording, start, stop, rise_db=rise_db, apart_s=apart_s)
        for start, stop in recording.stretches()
        if stop - start >= 16
    ]
    return Transients.join([part for part in parts if part.rise_db.size])


def extract_part_transients(part: Part, *, rise_db: float, apart_s: float) -> Transients:
    """The candidates of one part of a long recording, without those of its overlap, in the time of the whole."""
    transients = extract_transients(part.recording, rise_db=rise_db, apart_s=apart_s)
    samples = transients.picked_s * part.recording.fs
    own = transients.select(np.flatnonzero((samples >= part.first) & (samples < part.stop)))
    shift_s = part.start / part.recording.fs
    return replace(own, begins_s=own.begins_s + shift_s, picked_s=own.picked_s + shift_s)


def _extract(recording: Recording, start: int, stop: int, *, rise_db: float, apart_s: float) -> Transients:
    """The candidates of one gap-free stretch, each without the ringing from before it."""
    samples = recording.samples[start:stop] - np.median(recording.samples[start:stop])
    times_s, rises_db = _find_rises(samples, recording.fs, rise_db=rise_db, apart_s=apart_s)
    slow, rate = _slow_down(samples, recording.fs, CUT_HZ)
    order, history, lead, tail = (
        seconds_to_samples(seconds, rate, at_least=2) for seconds in (ORDER_S, HISTORY_S, LEAD_S, TAIL_S)
    )
    firsts = np.floor(times_s * rate).astype(np.int64) - lead
    padded = np.concatenate([np.zeros(history + lead), slow, np.zeros(lead + tail + 2)])
    parts = np.array_split(firsts, max(1, firsts.size // 128))
    shapes = np.concatenate([_remove_ringing(padded, part + lead, history, lead + tail, order) for part in parts])
    quiet = seconds_to_samples(QUIET_S, rate)
    peak_v = np.abs(shapes).max(axis=1, initial=0.0)
    before = np.abs(shapes[:, :quiet]).max(axis=1, initial=0.0)
    clear_db = 20.0 * np.log10(np.maximum(peak_v, 1e-12) / np.maximum(before, 1e-12))
    offset_s = float(recording.times_s(np.array([start]))[0])
    picked_s = offset_s + _pick_onsets(samples, recording.fs, times_s, ROUNDING_POWER * recording.step_v**2)
    clear_db, shapes_32 = np.clip(clear_db, -20.0, 80.0), shapes.astype(np.float32)
    return Transients(rate, offset_s + firsts / rate, picked_s, shapes_32, rises_db, peak_v, clear_db)


def _pick_onsets(samples: FloatArray, fs: float, times_s: FloatArray, floor_power: float) -> FloatArray:
    """Onset (s) of each candidate whose prediction error is largest near `times_s`.

    The filter is fitted to the signal before the candidate, so that the error contains only the new transient.
    """
    fine, rate = _slow_down(samples, fs, PICK_HZ)
    order, history, before, after, quiet = (
        seconds_to_samples(seconds, rate, at_least=8)
        for seconds in (PICK_ORDER_S, PICK_HISTORY_S, PICK_BEFORE_S, PICK_AFTER_S, QUIET_S)
    )
    padded = np.concatenate([np.zeros(history + before), fine, np.zeros(after + 1)])
    windows = sliding_window_view(padded, history + before + after)
    onsets = np.zeros(times_s.size)
    for part in np.array_split(np.arange(times_s.size), max(1, times_s.size // 128)):
        middles = np.clip(np.rint(times_s[part] * rate).astype(np.int64), 0, fine.size)
        spans = windows[middles]
        filters = fit_burg(spans[:, : history + before - quiet], order)
        error = sum(filters[:, k : k + 1] * spans[:, history - k : spans.shape[1] - k] for k in range(order + 1))
        for i, middle, line in zip(part, middles, np.asarray(error), strict=True):
            first = max(0, before - int(middle))  # the stretch begins here
            tail = before // 2
            highest = max(first, tail) + int(np.argmax(np.abs(line[max(first, tail) :])))
            heard = line[first : max(highest + 3, first + MIN_SAMPLES)]
            onsets[i] = (middle - before + first + pick_onset(heard, floor_power=floor_power)) / rate
    return onsets


def _remove_ringing(padded: FloatArray, firsts: IntArray, history: int, length: int, order: int) -> FloatArray:
    """`length` samples less the extrapolation of the `history` before them; `firsts` index that history."""
    spans = sliding_window_view(padded, history + length)[firsts]
    past, now = spans[:, :history], spans[:, history:]
    return now - _extrapolate(fit_burg(past, order), past, length)
