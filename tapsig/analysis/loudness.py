"""Levels of a recording over its noise, and its events that still ring at a time; for the rules of causes."""

import math
from bisect import bisect_left

import numpy as np

from tapsig.analysis.tap_decay import RINGING_S, measure_decays, remove_sway
from tapsig.records import TAP, Recording
from tapsig.units import FloatArray, amplitude_to_db

LEVEL_S, STEP_S = 0.03, 0.01
LABEL_S = 0.002
"""A label may be late by this time."""
LONGEST_S = 5.0
ATTACK_S, AFTER_S = 0.06, 0.02
RISE_DB = 10.0
RING_MARGIN_DB, SWELL_DB = 10.0, 6.0
BACKGROUND_S, BACKGROUND_QUANTILE = 1.0, 0.9
UNLABELLED = "unlabelled"
Event = tuple[float, str, float, float]
"""Time in s, kind, level over the noise in dB, and T60 in s of a labelled one."""


class Loudness:
    """Levels of one recording above 20 Hz, in dB over its noise, and its events: labels, and rises without one."""

    def __init__(self, recording: Recording) -> None:
        self._recording = recording
        self._times = recording.times_s(np.arange(recording.samples.size))
        volts = remove_sway(recording)
        self._departures = np.abs(volts)
        self._noise = _measure_noise(self._departures, recording.fs)
        labels = recording.labels or ()
        decays_s = measure_decays(recording, volts, np.array([label.onset_s for label in labels]))
        is_tap = np.array([label.kind == TAP for label in labels], dtype=bool)
        known_s = decays_s[is_tap & np.isfinite(decays_s)]
        self.t60_s = float(np.median(known_s)) if known_s.size else RINGING_S
        self._events = self._list_events(np.where(is_tap, self.t60_s, np.fmax(self.t60_s, decays_s)))

    def peak_v(self, start_s: float, stop_s: float) -> float:
        """Largest deviation from the bias between two times."""
        start, stop = np.searchsorted(self._times, [start_s, stop_s])
        return float(np.max(self._departures[start:stop], initial=0.0))

    def measure_db(self, time_s: float) -> tuple[float, float]:
        """Level over the noise, and over the 30 ms before, of the 30 ms from `time_s` on (less 2 ms for the label)."""
        level = self.peak_v(time_s - LABEL_S, time_s + LEVEL_S)
        before = max(self.peak_v(time_s - LABEL_S - LEVEL_S, time_s - LABEL_S), self._noise)
        if not (level > 0 and self._noise > 0):
            return -math.inf, -math.inf
        return amplitude_to_db(level / self._noise), amplitude_to_db(level / before)

    def background_db(self, time_s: float) -> float:
        """90 % quantile of the levels of 30 ms pieces within a second, over the noise."""
        start, stop = np.searchsorted(self._times, [time_s - BACKGROUND_S, time_s + BACKGROUND_S])
        peaks = _piece_peaks(self._departures[start:stop], self._recording.fs)
        usual = float(np.quantile(peaks, BACKGROUND_QUANTILE)) if peaks.size else 0.0
        return amplitude_to_db(usual / self._noise) if self._noise > 0 else -math.inf

    def _list_events(self, decays_s: FloatArray) -> list[Event]:
        """Each label, with its T60 of `decays_s`, and each unlabelled rise, in order of time."""
        events = [
            (label.onset_s, label.kind, self.measure_db(label.onset_s)[0], decay_s)
            for label, decay_s in zip(self._recording.labels or (), decays_s.tolist(), strict=True)
        ]
        labels_s, labels_db = (np.array([event[k] for event in events]) for k in (0, 2))
        pieces = _piece_peaks(self._departures, self._recording.fs, STEP_S)
        size = max(1, min(self._departures.size, round(STEP_S * self._recording.fs)))
        width = round(LEVEL_S / STEP_S)
        if self._noise <= 0 or pieces.size < 2 * width:
            return events
        peaks = np.lib.stride_tricks.sliding_window_view(pieces, width).max(axis=1)
        rises = peaks[width:] >= 10.0 ** (RISE_DB / 20.0) * np.maximum(peaks[:-width], self._noise)
        for place in (np.flatnonzero(rises & ~np.concatenate([[False], rises[:-1]])) + width).tolist():
            time_s = float(self._times[min(place * size, self._times.size - 1)])
            near = (labels_s >= time_s - ATTACK_S - LEVEL_S) & (labels_s <= time_s + LEVEL_S + AFTER_S)
            level = amplitude_to_db(float(peaks[place]) / self._noise)
            ringing = labels_db - 60.0 * (time_s - labels_s) / decays_s
            reached = float(ringing[labels_s <= time_s].max(initial=-math.inf))
            if not near.any() and level > reached + SWELL_DB:
                events.append((time_s, UNLABELLED, level, math.nan))
        return sorted(events)

    def find_ringing(self, time_s: float, level_db: float) -> str:
        """Kind of the last event before the time that still rings at that level over the noise; "" without one."""
        times_s = [event[0] for event in self._events]
        first, last = bisect_left(times_s, time_s - LONGEST_S), bisect_left(times_s, time_s - 1e-9)
        recent = reversed(self._events[first:last])
        return next((event[1] for event in recent if self._rings_on(event, time_s, level_db)), "")

    def _rings_on(self, event: Event, time_s: float, level_db: float) -> bool:
        onset_s, kind, onset_db, decay_s = event
        if kind != UNLABELLED:
            return onset_db - 60.0 * (time_s - onset_s) / decay_s >= max(level_db, 0.0) - RING_MARGIN_DB
        start, stop = np.searchsorted(self._times, [onset_s, time_s - LABEL_S])
        peaks = _piece_peaks(self._departures[start:stop], self._recording.fs)
        if not peaks.size or self._noise <= 0:
            return False
        levels = amplitude_to_db(peaks[int(np.argmax(peaks)) :] / self._noise)  # from its maximum on
        return bool(levels.min() >= level_db - SWELL_DB and levels.max() >= level_db + SWELL_DB)


def _measure_noise(departures: FloatArray, fs: float) -> float:
    """Peak of the quietest twentieth of the pieces of 30 ms."""
    peaks = np.sort(_piece_peaks(departures, fs))
    return float(np.median(peaks[: max(1, peaks.size // 20)])) if peaks.size else 0.0


def _piece_peaks(departures: FloatArray, fs: float, piece_s: float = LEVEL_S) -> FloatArray:
    """Highest value of each whole piece."""
    size = max(1, min(departures.size, round(piece_s * fs)))
    return np.asarray(departures[: departures.size // size * size].reshape(-1, size).max(axis=1))
