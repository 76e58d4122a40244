"""Levels of one recording: its taps, its noise and nuisance, and the ring-down."""

import math
from dataclasses import dataclass

import numpy as np

from tapsig.analysis.dead_time import compute_dead_time_map
from tapsig.analysis.tap_decay import PEAK_S, QUIET_AFTER_S, mark_quiet, measure_tap_decays, remove_sway
from tapsig.records import Recording, require_labels
from tapsig.units import BoolArray, FloatArray, amplitude_to_db, seconds_to_samples

NUISANCE_QUANTILE = 0.95


@dataclass(frozen=True, slots=True)
class Levels:
    """Levels of one channel in dB re 1 V, above 20 Hz; nan where undefined.

    Parameters
    ----------
    taps_db : peak of each tap within 30 ms of its contact, shape (taps,).
    noise_db : rms away from labels, by the T60 of the taps after each, 1 s at least; no less than the rounding noise,
        step/√12, where the step is known.
    nuisance_db : 95 % quantile of the peaks of 30 ms pieces as far from taps; at least one step.
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
        return self.tap_db - self.noise_db

    @property
    def over_nuisance_db(self) -> float:
        return self.tap_db - self.nuisance_db

    @property
    def ringdown_s(self) -> float:
        """Median decay time T60 of its taps."""
        return float(np.median(self.t60_s)) if self.t60_s.size else math.nan


def measure_levels(recording: Recording) -> Levels:
    """Levels of a labelled recording; raises LabelError for one that is not labelled."""
    require_labels(recording)
    fs = recording.fs
    volts = remove_sway(recording)
    times_s = recording.times_s(np.arange(volts.size))
    peak = seconds_to_samples(PEAK_S, fs, at_least=1)
    taps = np.searchsorted(times_s, recording.taps_s)
    taps = taps[taps < volts.size]
    peaks = np.array([np.abs(volts[tap : tap + peak]).max() for tap in taps])
    taps_db = amplitude_to_db(peaks[peaks > 0])
    t60_s = measure_tap_decays(recording, volts)
    after_s = max(QUIET_AFTER_S, float(np.median(t60_s)) if t60_s.size else 0.0)  # until taps have fallen by 60 dB
    quiet, others = (mark_quiet(recording, taps_only=only, after_s=after_s) for only in (False, True))
    return Levels(
        recording.source,
        recording.position,
        recording.scene,
        taps_db,
        _level(max(recording.step_v / math.sqrt(12), np.sqrt(np.mean(volts[quiet] ** 2))) if quiet.any() else 0.0),
        _level(max(recording.step_v, _nuisance_peak(volts, others, peak)) if others.any() else 0.0),
        t60_s,
        compute_dead_time_map(recording).operating_area_db_ms if taps_db.size else math.nan,
    )


def _level(volts: float) -> float:
    return float(amplitude_to_db(float(volts))) if volts > 0 else math.nan


def _nuisance_peak(volts: FloatArray, others: BoolArray, width: int) -> float:
    tap_free = volts[others]
    pieces = np.abs(tap_free[: tap_free.size // width * width].reshape(-1, width)).max(axis=1, initial=0.0)
    return float(np.quantile(pieces, NUISANCE_QUANTILE)) if pieces.size else 0.0
