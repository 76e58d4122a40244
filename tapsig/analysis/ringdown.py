"""Modes and decay times in octave bands of a panel, from the taps in a recording."""

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, field

import numpy as np
import numpy.typing as npt
from threadpoolctl import threadpool_limits

from tapsig.analysis.free_decay import cut_above, cut_ringdowns, find_quiet, find_rounding, limit_by_losses, slow_down
from tapsig.dsp.decay import RANGES_DB, BandDecay, compute_band_decays, compute_decay_curve, get_nominal_hz
from tapsig.dsp.modes import Mode, compute_modes, least_samples
from tapsig.errors import LabelError, RecordingError
from tapsig.records import Recording, require_recording
from tapsig.results import Result, field_names
from tapsig.units import FloatArray, check_positive, check_range, check_samples

LOWEST_HZ, HIGHEST_HZ = 15.0, 2000.0
_DERIVED = ("q", "t60_s", "t60_se_s")
"""Of a mode: what its row holds besides the fields."""
DOMINANT_SHARE = 0.05
WIDEST_BEAT_HZ = 30.0
MIN_BEAT_RATIO = 0.25


@dataclass(frozen=True, slots=True)
class BandSummary:
    """One octave band over the taps: median decay times, the number of taps measured, and why others were not.

    `centre_hz` (exact) and `nominal_hz` are nan for the whole signal. `times_s` and `taps` are by measure ("edt",
    "t20", "t30").
    """

    centre_hz: float
    times_s: dict[str, float]
    taps: dict[str, int]
    rate_db_per_s: float
    reason: str

    @property
    def nominal_hz(self) -> float:
        """Nominal mid-band frequency."""
        return get_nominal_hz(self.centre_hz)


@dataclass(frozen=True, slots=True)
class Beat:
    """Two strong modes that beat: the rate of the beats, and their depth at the start."""

    lower_hz: float
    upper_hz: float
    period_s: float
    depth_db: float


@dataclass(frozen=True, slots=True, repr=False, eq=False)
class RingdownResult(Result):
    """Modes, strongest by energy first, and decay by octave band.

    Parameters
    ----------
    modes : see `tapsig.dsp.modes.Mode`; amplitudes in volts at `settle_s` after the onset.
    bands : the whole signal first, then octave bands.
    beats : pairs of dominant modes that beat within their ring-down.
    taps_used : number of ring-downs used; `left_out` counts the others by reason.
    noise_v : root mean square of the quietest stretch.
    modes_to_hz, refused : highest frequency of the search, and why it is limited, or why there are no modes.
    """

    modes: tuple[Mode, ...]
    bands: tuple[BandSummary, ...]
    beats: tuple[Beat, ...]
    taps_used: int
    left_out: dict[str, int]
    settle_s: float
    noise_v: float
    source: str = ""
    position: str = ""
    vehicle: str = ""
    ringdowns: tuple[FloatArray, ...] = field(default=(), repr=False)
    fs: float = math.nan
    modes_to_hz: float = math.inf
    refused: str = ""

    def __iter__(self) -> Iterator[Mode]:
        return iter(self.modes)

    def rows(self) -> list[dict[str, object]]:
        """One row for each mode, with its Q and T60."""
        return [{**asdict(mode), **{name: getattr(mode, name) for name in _DERIVED}} for mode in self.modes]

    def _columns(self) -> list[str]:
        return [*field_names(Mode), *_DERIVED]

    def _describe(self) -> str:
        return (
            f"T60 {self.t60_s:.3g} s, {len(self.dominant)} dominant of {len(self.modes)} modes, {self.taps_used} taps"
        )

    @property
    def dominant(self) -> tuple[Mode, ...]:
        """Modes with at least 5 % of the energy, strongest first."""
        return tuple(mode for mode in self.modes if mode.energy_share >= DOMINANT_SHARE)

    @property
    def t60_s(self) -> float:
        """Longest T60 of the dominant modes; nan without modes."""
        return max((mode.t60_s for mode in self.dominant), default=math.nan)

    def to_dict(self) -> dict[str, object]:
        """Plain Python types, with Q and T60 of each mode; the ring-downs themselves are left out."""
        plain = ("source", "vehicle", "position", "taps_used", "left_out", "settle_s", "noise_v", "t60_s")
        return {
            **{name: getattr(self, name) for name in plain},
            "modes": self.rows(),
            "bands": [{"nominal_hz": band.nominal_hz, **asdict(band)} for band in self.bands],
            "beats": [asdict(beat) for beat in self.beats],
            "modes_to_hz": self.modes_to_hz,
            "refused": self.refused,
        }


def compute_ringdown(
    recording: Recording,
    *,
    onsets_s: npt.ArrayLike | None = None,
    settle_s: float = 0.03,
    longest_s: float = 1.0,
    highest_hz: float | None = None,
) -> RingdownResult:
    """The panel's modes and decay times from the ring-downs of the taps in a recording.

    Parameters
    ----------
    recording : Recording
        Labelled, unless `onsets_s` is given.
    onsets_s : array of float
        The taps; default: the labels of kind "tap". Other labels also end a ring-down, except rebounds of the tap
        itself, after which it begins.
    settle_s : float
        Time from the onset to the start of the ring-down, which excludes the contact (1–8 ms, common practice) and an
        unlabelled second touch.
    longest_s : float
        Longest ring-down used.
    highest_hz : float
        Highest frequency of modes, up to 0.45 of the rate. Default: 2 kHz, above which a knuckle (contact of 1–8 ms,
        common practice) excites little.

    Returns
    -------
    RingdownResult
        Modes with frequency, damping and T60, and decay times by octave band; iterating gives the modes. Where the
        rest is so quiet that it holds one or two counts of the converter, modes are taken from what is above.

    Raises
    ------
    LabelError
        When there are no taps.
    ParameterError
        For a parameter out of range, such as an onset outside the recording.
    RecordingError
        When no tap has a usable ring-down.
    """
    require_recording(recording)
    check_range("settle_s", settle_s, 0.0, 1.0)
    check_positive("longest_s", longest_s)
    where = recording.source or "recording"
    if recording.fs < 4.0 * LOWEST_HZ / 0.45:
        raise RecordingError(f"{where}: {recording.fs:g} Hz is too slow for a panel's modes; record at 1 kHz or more")
    taps = recording.taps_s if onsets_s is None else np.sort(check_samples("onsets_s", onsets_s))
    if not taps.size:
        remedy = "give it a label file, or detect them first" if recording.labels is None else "its labels hold none"
        raise LabelError(f"{where} has no taps to take ring-downs from; {remedy}")
    if not recording.samples.size:
        raise RecordingError(f"{where} holds no samples")
    for edge_s in taps[[0, -1]] if onsets_s is not None else ():
        check_range("onsets_s", float(edge_s), 0.0, recording.span_s)
    asked_hz = check_range("highest_hz", HIGHEST_HZ if highest_hz is None else highest_hz, 2.0 * LOWEST_HZ, 1e6)
    slow = slow_down(recording, asked_hz)
    noise = find_quiet(slow)
    ringdowns, left_out = cut_ringdowns(recording, slow, taps, settle_s, longest_s, float(np.median(noise)))
    if not ringdowns:
        reasons = ", ".join(f"{reason} ({count})" for reason, count in left_out.items())
        raise RecordingError(f"{where}: no tap has a usable ring-down: {reasons}")
    noise = noise - noise.mean()
    level_v, rounding_power = find_rounding(recording)
    least = least_samples(slow.fs)
    above = cut_above(ringdowns, level_v, least)
    top_hz = min(asked_hz, 0.45 * recording.fs)
    limit_hz, lost = limit_by_losses(recording)
    refused = ""
    if limit_hz < top_hz:
        top_hz, refused = limit_hz, f"{lost}; modes above {limit_hz:.0f} Hz are refused"
    if not above:
        refused = f"no ring-down stays above the counts of its rest for {1e3 * least / slow.fs:.0f} ms: no modes"
    with threadpool_limits(1):  # the arrays are too small for threads
        modes: tuple[Mode, ...] = ()
        if above and top_hz > LOWEST_HZ:
            modes = compute_modes(above, slow.fs, lowest_hz=LOWEST_HZ, highest_hz=top_hz)
        bands = _summarise_bands(ringdowns, noise, slow.fs, rounding_power)
    return RingdownResult(
        modes,
        bands,
        _find_beats(modes),
        len(ringdowns),
        left_out,
        settle_s,
        float(np.sqrt(np.mean(noise**2))),
        recording.source,
        recording.position,
        recording.vehicle,
        tuple(ringdowns),
        slow.fs,
        top_hz,
        refused,
    )


def _summarise_bands(
    ringdowns: Sequence[FloatArray], noise: FloatArray, fs: float, least_power: float
) -> tuple[BandSummary, ...]:
    power = max(float(np.mean(noise**2)), least_power)
    curves = [compute_decay_curve(values, fs, noise_power=power) for values in ringdowns]
    whole = [BandDecay(math.nan, {name: curve.compute_time(name) for name in RANGES_DB}) for curve in curves]
    bands = [compute_band_decays(values, fs, noise=noise, least_power=least_power) for values in ringdowns]
    return tuple(_summarise_band(list(taps)) for taps in [whole, *zip(*bands, strict=True)])


def _summarise_band(taps: list[BandDecay]) -> BandSummary:
    times, counts = {}, {}
    for name in RANGES_DB:
        known = [band.times[name].t60_s for band in taps if not band.times[name].reason]
        times[name] = float(np.median(known)) if known else math.nan
        counts[name] = len(known)
    rates = [band.best.rate_db_per_s for band in taps if not band.best.reason]
    reasons = Counter(band.times["t20"].reason for band in taps)
    reason = "" if counts["t20"] else reasons.most_common(1)[0][0]
    return BandSummary(taps[0].centre_hz, times, counts, float(np.median(rates)) if rates else math.nan, reason)


def _find_beats(modes: Sequence[Mode]) -> tuple[Beat, ...]:
    """Pairs with at least one dominant mode, of similar amplitude, that beat at least once while both ring."""
    beats = []
    for i, one in enumerate(modes):
        for other in modes[i + 1 :]:
            lower, upper = sorted((one, other), key=lambda mode: mode.frequency_hz)
            apart = upper.frequency_hz - lower.frequency_hz
            high, low = max(one.amplitude, other.amplitude), min(one.amplitude, other.amplitude)
            audible = one.energy_share >= DOMINANT_SHARE and low >= MIN_BEAT_RATIO * high
            if audible and apart <= WIDEST_BEAT_HZ and apart * min(one.t60_s, other.t60_s) >= 1.0:
                depth = 20.0 * math.log10((high + low) / max(high - low, 1e-3 * high))
                beats.append(Beat(lower.frequency_hz, upper.frequency_hz, 1.0 / apart, depth))
    return tuple(beats[:5])
