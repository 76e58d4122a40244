"""Operating area of a plain threshold detector: missed taps and extra counts over threshold × dead time.

The detector is `tapsig.detectors.fixed_threshold`: a sample that deviates from the bias by more than the threshold,
followed by a dead time. The operating area, in decibels × milliseconds, is the region in which every tap is counted
exactly once: the larger it is, the more tolerance the settings have. It is 0 if the panel rings for longer than the
interval between taps.

A detection counts for a tap only from just before its contact on. An earlier one is caused by the ring-down of the
previous tap.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np

from tapsig.core import load
from tapsig.core.arrays import pointer
from tapsig.detectors.fixed_threshold import FixedThreshold
from tapsig.dsp.filters import one_pole_coefficient, remove_slow
from tapsig.errors import LabelError, ParameterError
from tapsig.records import Recording, list_recordings, require_labels
from tapsig.results import Result
from tapsig.scoring.matching import EDGE_SLACK_S
from tapsig.units import (
    BoolArray,
    FloatArray,
    IntArray,
    amplitude_to_db,
    check_positive,
    check_range,
    seconds_to_samples,
    to_floats,
)

BIAS_TIME_S = FixedThreshold().bias_time_s
SPAN_DB = 60.0
DEFAULT_DEAD_TIMES_S = tuple(round(0.02 + 0.005 * step, 3) for step in range(77))  # 20–400 ms


@dataclass(frozen=True, slots=True, repr=False, eq=False)
class DeadTimeMap(Result):
    """Counts over threshold × dead time, summed over recordings.

    Parameters
    ----------
    thresholds_db : dB re 1 V, ascending, evenly spaced, shape (m,).
    dead_times_s : ascending, evenly spaced, shape (n,).
    missed, extra : taps without a detection, detections without a tap, shape (m, n).
    taps : number of reference taps.
    early_s, late_s : a detection may precede or follow its tap by this time.
    sources : the recordings.
    """

    thresholds_db: FloatArray = field(repr=False)
    dead_times_s: FloatArray = field(repr=False)
    missed: IntArray = field(repr=False)
    extra: IntArray = field(repr=False)
    taps: int
    early_s: float
    late_s: float
    sources: tuple[str, ...] = ()

    @property
    def exact(self) -> BoolArray:
        """Where every tap is counted exactly once, shape (m, n)."""
        return (self.missed == 0) & (self.extra == 0)

    @property
    def operating_area_db_ms(self) -> float:
        """Area of the region without errors in dB × ms: the number of its cells times the grid's steps."""
        step_db = self.thresholds_db[1] - self.thresholds_db[0]
        step_ms = 1e3 * (self.dead_times_s[1] - self.dead_times_s[0])
        return round(float(self.exact.sum() * step_db * step_ms), 6)

    @property
    def best_cell(self) -> tuple[int, int]:
        """(threshold index, dead-time index) with the fewest errors, farthest from cells with more."""
        from scipy.ndimage import distance_transform_cdt  # heavy; only this property needs it

        errors = self.missed + self.extra
        depth = distance_transform_cdt(np.pad(errors == errors.min(), 1), metric="chessboard")[1:-1, 1:-1]
        row, column = divmod(int(np.argmax(depth)), errors.shape[1])
        return row, column

    @property
    def best_threshold_v(self) -> float:
        """Threshold of the best cell, in volts."""
        return float(10.0 ** (self.thresholds_db[self.best_cell[0]] / 20.0))

    @property
    def best_dead_time_s(self) -> float:
        """Dead time of the best cell."""
        return float(self.dead_times_s[self.best_cell[1]])

    def __iter__(self) -> Iterator[dict[str, object]]:
        return iter(self.rows())

    def _describe(self) -> str:
        errors = int((self.missed + self.extra)[self.best_cell])
        best = f"{self.best_threshold_v:.4g} V and {1e3 * self.best_dead_time_s:.0f} ms"
        return f"best {best}: {errors} errors on {self.taps} taps"

    def rows(self) -> list[dict[str, object]]:
        """One row for each cell: threshold_v, threshold_db, dead_time_ms, missed, extra."""
        return [
            {
                "threshold_v": float(10.0 ** (level / 20.0)),
                "threshold_db": float(level),
                "dead_time_ms": round(1e3 * float(dead), 3),
                "missed": int(self.missed[i, j]),
                "extra": int(self.extra[i, j]),
            }
            for i, level in enumerate(self.thresholds_db)
            for j, dead in enumerate(self.dead_times_s)
        ]

    cells = rows

    def to_dict(self) -> dict[str, object]:
        """Plain Python types: the operating area, the best cell, the axes, and both maps as nested lists."""
        best = ("operating_area_db_ms", "best_threshold_v", "best_dead_time_s")
        maps = ("thresholds_db", "dead_times_s", "missed", "extra")
        return {
            **{name: getattr(self, name) for name in ("taps", "early_s", "late_s", *best)},
            "best_missed": int(self.missed[self.best_cell]),
            "best_extra": int(self.extra[self.best_cell]),
            "sources": list(self.sources),
            **{name: getattr(self, name).tolist() for name in maps},
        }


def compute_departures(samples: FloatArray, fs: float, *, bias_time_s: float = 0.5) -> FloatArray:
    """abs(sample − bias) of one gap-free stretch in volts, shape (n,), with the detector's estimate of the bias."""
    share = one_pole_coefficient(bias_time_s, fs)
    return np.abs(remove_slow(samples, np.zeros(2), share))


def _check_axes(thresholds_db: FloatArray, dead_times_s: FloatArray) -> None:
    for name, axis in (("thresholds_db", thresholds_db), ("dead_times_s", dead_times_s)):
        steps = np.diff(np.atleast_1d(axis))
        if axis.ndim != 1 or axis.size < 2 or not (steps > 0).all() or not np.allclose(steps, steps[0], rtol=1e-3):
            raise ParameterError(
                f"{name} is {axis.tolist()!r:.80}; give two values or more, ascending and evenly spaced"
            )
    for end_s in dead_times_s[[0, -1]]:
        check_range("dead_times_s", float(end_s), 0.0, 10.0)


def _choose_thresholds(departures: Iterable[FloatArray], step_db: float) -> FloatArray:
    """Thresholds from the largest deviation down by SPAN_DB, in multiples of the step, so that maps share cells."""
    highest = max((float(values.max(initial=0.0)) for values in departures), default=0.0)
    if highest <= 0:
        raise ParameterError("the recordings are constant, so no threshold can be set; check the channel")
    top = math.ceil(amplitude_to_db(highest) / step_db)
    return step_db * np.arange(top - round(SPAN_DB / step_db), top + 1, dtype=np.float64)


def compute_dead_time_map(
    recordings: Recording | Iterable[Recording],
    *,
    thresholds_db: FloatArray | None = None,
    dead_times_s: FloatArray | None = None,
    step_db: float = 1.0,
    early_s: float = 0.01,
    late_s: float = 0.05,
    bias_time_s: float = BIAS_TIME_S,
) -> DeadTimeMap:
    """Map of missed and extra counts of the plain threshold detector on labelled recordings.

    The result equals that of running the detector for each cell. Deviations from the bias are computed once; each
    threshold selects from the crossings of the one below, and every dead time is counted by skipping along them.

    Parameters
    ----------
    recordings : Recording, or several
        Labelled recordings.
    thresholds_db : array of float
        dB re 1 V; default: 60 dB down from the highest departure, in steps of `step_db`.
    dead_times_s : array of float
        Default: 20 to 400 ms in steps of 5 ms.
    step_db : float
        Step of the default thresholds.
    early_s, late_s : float
        A detection may precede (since labels are not exact) or follow its tap by this time, edges included.
    bias_time_s : float
        Time constant of the mean that estimates the bias.

    Returns
    -------
    DeadTimeMap
        Counts over threshold and dead time, the best cell, and the area without errors.

    Raises
    ------
    LabelError
        When a recording is not labelled or none has a tap.
    ParameterError
        For axes that do not ascend in even steps.
    """
    chosen = list(list_recordings(recordings))
    check_range("early_s", early_s, 0.0, 1.0)
    check_positive("late_s", late_s)
    check_range("step_db", step_db, 0.01, 20.0)
    check_positive("bias_time_s", bias_time_s)
    for recording in chosen:
        require_labels(recording)
    taps = sum(recording.taps_s.size for recording in chosen)
    if not taps:
        kinds = ", ".join(sorted({label.kind for one in chosen for label in one.labels or ()})) or "none"
        raise LabelError(f"there is no label of the kind 'tap', so nothing can be counted (kinds: {kinds})")
    departures = []
    for one in chosen:
        parts = (one.samples[start:stop] for start, stop in one.stretches())
        departures.append(np.concatenate([compute_departures(part, one.fs, bias_time_s=bias_time_s) for part in parts]))
    if thresholds_db is None:
        levels = _choose_thresholds(departures, step_db)
    else:
        levels = to_floats("thresholds_db", thresholds_db)
    dead = to_floats("dead_times_s", DEFAULT_DEAD_TIMES_S if dead_times_s is None else dead_times_s)
    _check_axes(levels, dead)
    maps = [_map_recording(*pair, levels, dead, early_s, late_s) for pair in zip(chosen, departures, strict=True)]
    missed, extra = np.sum(maps, axis=0)
    return DeadTimeMap(levels, dead, missed, extra, taps, early_s, late_s, tuple(one.source for one in chosen))


def _map_recording(
    recording: Recording, departure: FloatArray, levels: FloatArray, dead_s: FloatArray, early_s: float, late_s: float
) -> tuple[IntArray, IntArray]:
    """Missed and extra of one recording, shape (levels, dead times) each.

    The onsets are in order, so they are matched in the same pass (see `tapsig.scoring.matching`).
    """
    middle_s = recording.taps_s + 0.5 * (late_s - early_s)  # an asymmetric window is symmetric about its middle
    window_s = 0.5 * (early_s + late_s) + EDGE_SLACK_S
    dead = [seconds_to_samples(time_s, recording.fs, at_least=1) for time_s in dead_s.tolist()]
    stops = np.array([stop for _, stop in recording.stretches()], dtype=np.int64)
    crossings, count = np.arange(departure.size), load()[1].tapsig_count_taps
    counted = []
    for level in levels:
        crossings = crossings[departure[crossings] > 10.0 ** (level / 20.0)]
        found = pointer(crossings), pointer(recording.times_s(crossings)), crossings.size, pointer(stops)
        cells = [count(*found, pointer(middle_s), middle_s.size, samples, window_s) for samples in dead]
        counted.append([(cell.pairs, cell.onsets) for cell in cells])
    pairs, onsets = np.moveaxis(np.array(counted, dtype=np.int64), 2, 0)
    return middle_s.size - pairs, onsets - pairs
