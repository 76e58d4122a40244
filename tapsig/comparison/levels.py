"""Levels of one recording: its taps, its noise and nuisance, and the ring-down."""

import math
from dataclasses import dataclass

import numpy as np

from tapsig.analysis.dead_time import compute_dead_time_map
from tapsig.analysis.signal_faults import find_step_v
from tapsig.dsp.decay import compute_decay_curve
from tapsig.dsp.filters import high_pass_time_s, one_pole_coefficient, remove_slow
from tapsig.records import TAP, Recording, require_labels
from tapsig.units import BoolArray, FloatArray, IntArray, amplitude_to_db, seconds_to_samples

HIGH_PASS_HZ = 20.0
"""Below it, the body sways and the bias drifts; a knock has little energy there (common practice, no source)."""
PEAK_S = 0.03
"""A tap's peak comes within this time of contact, on a thin panel too."""
QUIET_BEFORE_S, QUIET_AFTER_S = 0.05, 1.0
"""Excluded from the noise around labels, since taps still ring."""
RINGING_S = 1.5
MIN_RINGING_S = 0.1
NUISANCE_QUANTILE = 0.95


@dataclass(frozen=True, slots=True)
class Levels:
    """Levels of one channel in dB re 1 V, above 20 Hz; nan where undefined.

    Parameters
    ----------
    taps_db : peak of each tap within 30 ms of its contact, shape (taps,).
    noise_db : rms away from labels; at least the quantisation noise, step/√12, where the step is known.
    nuisance_db : 95 % quantile of the peaks of 30 ms pieces without a tap; at least one step.
    t60_s : ring-down of each tap where it could be measured (ISO 3382-1: T20, or early decay).
    operating_area_db_ms : operating area of a plain threshold, see `tapsig.analysis.dead_time`; nan without taps.
    """

    source: str
    position: str
    scene: str
    taps_db: FloatArray
    noise_db: float
    nuisance_db: float
    t60_s: FloatArray
    operating_area_db_ms: float

    @property
    def tap_db(self) -> float:
        """Mean level of the taps."""
        return float(self.taps_db.mean()) if self.taps_db.size else math.nan

    @property
    def spread_db(self) -> float:
        """Standard deviation of the taps' levels; nan for fewer than two."""
        return float(self.taps_db.std(ddof=1)) if self.taps_db.size > 1 else math.nan

    @property
    def over_noise_db(self) -> float:
        """Level of the taps over the noise."""
        return self.tap_db - self.noise_db

    @property
    def over_nuisance_db(self) -> float:
        """Level of the taps over the nuisance."""
        return self.tap_db - self.nuisance_db

    @property
    def ringdown_s(self) -> float:
        """Median decay time T60 of its taps."""
        return float(np.median(self.t60_s)) if self.t60_s.size else math.nan


def measure_levels(recording: Recording) -> Levels:
    """Levels of a labelled recording; raises LabelError for one that is not labelled."""
    require_labels(recording)
    fs = recording.fs
    share = one_pole_coefficient(high_pass_time_s(HIGH_PASS_HZ, fs), fs)
    volts = np.concatenate(
        [remove_slow(recording.samples[start:stop], np.zeros(2), share) for start, stop in recording.stretches()]
    )
    times_s = recording.times_s(np.arange(volts.size))
    peak = seconds_to_samples(PEAK_S, fs, at_least=1)
    taps = np.searchsorted(times_s, recording.taps_s)
    taps = taps[taps < volts.size]
    peaks = np.array([np.abs(volts[tap : tap + peak]).max() for tap in taps])
    taps_db = amplitude_to_db(peaks[peaks > 0])
    quiet = _mark_quiet(recording, times_s, taps_only=False)
    others = _mark_quiet(recording, times_s, taps_only=True)
    return Levels(
        recording.source,
        recording.position,
        recording.scene,
        taps_db,
        _level(max(recording.step_v / math.sqrt(12), np.sqrt(np.mean(volts[quiet] ** 2))) if quiet.any() else 0.0),
        _level(max(recording.step_v, _nuisance_peak(volts, others, peak)) if others.any() else 0.0),
        _measure_ringing(recording, volts, taps, quiet),
        compute_dead_time_map(recording).operating_area_db_ms if taps_db.size else math.nan,
    )


def _level(volts: float) -> float:
    return float(amplitude_to_db(float(volts))) if volts > 0 else math.nan


def _mark_quiet(recording: Recording, times_s: FloatArray, *, taps_only: bool) -> BoolArray:
    """Which samples are away from labels."""
    quiet = np.ones(times_s.size, dtype=bool)
    for label in recording.labels or ():
        if label.kind == TAP or not taps_only:
            first, last = np.searchsorted(times_s, [label.onset_s - QUIET_BEFORE_S, label.onset_s + QUIET_AFTER_S])
            quiet[first:last] = False
    return quiet


def _nuisance_peak(volts: FloatArray, others: BoolArray, width: int) -> float:
    tap_free = volts[others]
    pieces = np.abs(tap_free[: tap_free.size // width * width].reshape(-1, width)).max(axis=1, initial=0.0)
    return float(np.quantile(pieces, NUISANCE_QUANTILE)) if pieces.size else 0.0


def _measure_ringing(recording: Recording, volts: FloatArray, taps: IntArray, quiet: BoolArray) -> FloatArray:
    """Decay times of the taps that ring for long enough before the next label, a gap or the end."""
    fs = recording.fs
    rounding_power = 0.25 * max(0.0, find_step_v(recording)) ** 2  # the error of a rest of one or two counts
    noise_power = max(rounding_power, float(np.mean(volts[quiet] ** 2)) if quiet.any() else 0.0)
    onsets = [label.onset_s for label in recording.labels or ()]
    edges = np.array(
        [
            *(np.searchsorted(recording.times_s(np.arange(volts.size)), onsets)),
            *(gap.sample for gap in recording.gaps),
            volts.size,
        ]
    )
    times = []
    for tap in taps:
        stop = min(int(edges[edges > tap].min(initial=volts.size)), tap + seconds_to_samples(RINGING_S, fs))
        if stop - tap < MIN_RINGING_S * fs:
            continue
        top = tap + int(np.argmax(np.abs(volts[tap : tap + seconds_to_samples(PEAK_S, fs)])))
        curve = compute_decay_curve(volts[top:stop], fs, noise_power=noise_power)
        found = next((time for name in ("t20", "edt") if not (time := curve.compute_time(name)).reason), None)
        if found is not None:
            times.append(found.t60_s)
    return np.array(times)
