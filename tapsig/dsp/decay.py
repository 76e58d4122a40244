"""Decay: the backward-integrated energy curve of a ring-down, its decay times, and the rate in each octave band."""

import math
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from tapsig.errors import ParameterError
from tapsig.units import FloatArray, check_positive, check_samples, seconds_to_samples, to_number

# Evaluation ranges in dB under the start of the curve, and how far over the noise a range must end: ISO 3382-1.
RANGES_DB = {"edt": (0.0, -10.0), "t20": (-5.0, -25.0), "t30": (-5.0, -35.0)}
NOISE_MARGIN_DB = 10.0
MIN_POINTS = 8
LEVEL_OFF = 0.25  # an end that falls at less than this share of the rate over its last 10 dB is steady
# A decay faster than the filter's own cannot be measured: bandwidth × T60 must exceed 4 when the filter runs backwards
# in time (Jacobsen and Rindel, J. Sound Vib. 117 (1987) 187; from memory).
MIN_BANDWIDTH_TIME = 4.0
OCTAVE_STEP = 10.0**0.3  # base-ten octave, IEC 61260-1
NOMINAL_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
"""Nominal mid-band frequencies of the octaves (IEC 61260-1; from memory)."""


@dataclass(frozen=True, slots=True)
class DecayTime:
    """A decay time from one evaluation range; nan with the reason where it cannot be measured.

    Parameters
    ----------
    t60_s : time to fall by 60 dB, from the slope in that range.
    reason : "" or why there is no value.
    """

    t60_s: float = math.nan
    reason: str = ""

    @property
    def rate_db_per_s(self) -> float:
        """Decay rate in dB/s (above 0 for a decay)."""
        return 60.0 / self.t60_s


@dataclass(frozen=True, slots=True)
class DecayCurve:
    """Backward-integrated energy in dB re its start, shape (n,), up to where the ring-down meets the noise.

    `range_db` is the level of the start over the noise (inf without noise), `fs` in Hz.
    """

    level_db: FloatArray = field(repr=False)
    fs: float
    range_db: float

    def compute_time(self, measure: str = "t20") -> DecayTime:
        """The decay time from one range of RANGES_DB, by least squares."""
        if measure not in RANGES_DB:
            raise ParameterError(f"measure is {measure!r}; it must be one of {', '.join(RANGES_DB)}")
        top, bottom = RANGES_DB[measure]
        needed = NOISE_MARGIN_DB - bottom
        if self.range_db < needed:
            return DecayTime(reason=f"{max(0.0, self.range_db):.0f} dB over the noise, {needed:.0f} dB needed")
        if not self.level_db.size or self.level_db[-1] > bottom:
            fallen = -float(self.level_db[-1]) if self.level_db.size else 0.0
            return DecayTime(reason=f"falls by {fallen:.0f} dB before it ends, {-bottom:.0f} dB needed")
        inside = np.flatnonzero((self.level_db <= top) & (self.level_db >= bottom))
        if inside.size < MIN_POINTS:
            return DecayTime(reason=f"{inside.size} samples in the range, {MIN_POINTS} needed")
        level, time = self.level_db[inside], inside / self.fs
        time, level = time - time.mean(), level - level.mean()
        slope = float(time @ level / (time @ time))
        return DecayTime(-60.0 / slope)


def compute_decay_curve(samples: npt.ArrayLike, fs: float, *, noise_power: float = 0.0) -> DecayCurve:
    """Energy curve of a ring-down: Schroeder's backward integration (J. Acoust. Soc. Am. 37 (1965) 409).

    Parameters
    ----------
    samples : the ring-down from its start, without bias, shape (n,).
    noise_power : mean square of the noise under it, in the square of the samples' unit.

    The integral stops where the level meets the noise. The noise power is subtracted, and the energy after the end is
    added as an exponential with the rate of the last 10 dB, as ISO 3382-1 allows. Neither then bends the curve. Where
    the end does not fall, its power counts as noise too: that of the noise may not be known, and the integral of a
    steady signal falls only because the signal is cut off.

    Raises ParameterError for samples that are not 1-D and finite, or a negative noise power.

    >>> time_s = np.arange(16000) / 8000
    >>> round(compute_decay_curve(np.exp(-6.9078 * time_s / 0.5), 8000.0).compute_time("t30").t60_s, 3)
    0.5
    """
    values = check_samples("samples", samples)
    check_positive("fs", fs)
    if not to_number(noise_power) >= 0:
        raise ParameterError(f"noise_power is {noise_power!r:.80}; it must be 0 or above")
    power = values**2
    if power.size < MIN_POINTS or not power.max() > 0:
        return DecayCurve(np.empty(0), fs, 0.0)
    block = max(1, min(seconds_to_samples(0.01, fs), power.size // 16))
    blocks = power[: power.size // block * block].reshape(-1, block).mean(axis=1)
    range_db = 10.0 * math.log10(blocks[0] / noise_power) if noise_power > 0 and blocks[0] > 0 else math.inf
    if not blocks[0] > 0:
        range_db = 0.0
    end = _find_end(blocks, noise_power)
    net = power[: end * block] - noise_power
    tail, steady_power = _estimate_tail(blocks[:end] - noise_power, block)
    if steady_power > 0:
        return compute_decay_curve(values, fs, noise_power=noise_power + steady_power)
    energy = np.cumsum(net[::-1])[::-1] + tail
    if not energy.size or not energy[0] > 0:
        return DecayCurve(np.empty(0), fs, max(0.0, range_db))
    usable = int(np.argmax(energy <= 0)) if (energy <= 0).any() else energy.size
    return DecayCurve(10.0 * np.log10(energy[:usable] / energy[0]), fs, range_db)


def _find_end(blocks: FloatArray, noise_power: float) -> int:
    """Number of blocks before the level is at the noise (within twice its power) for three successive blocks."""
    if noise_power <= 0:
        return blocks.size
    low = blocks < 2.0 * noise_power
    lost = low[:-2] & low[1:-1] & low[2:] if low.size >= 3 else low
    return int(np.argmax(lost)) if lost.any() else blocks.size


def _estimate_tail(blocks: FloatArray, block: int) -> tuple[float, float]:
    """Energy after the last block, for an exponential with the rate of the last 10 dB, and 0; if the end is steady, 0
    and its power.
    """
    alive = np.flatnonzero(blocks > 0)
    if alive.size < 4:
        return 0.0, 0.0
    level = 10.0 * np.log10(blocks[alive])
    smooth = np.convolve(level, np.ones(3) / 3.0, mode="valid")
    higher = np.flatnonzero(smooth >= smooth[-1] + 10.0)
    first = int(higher[-1]) if higher.size else 0
    if alive.size - first < 4:
        return 0.0, 0.0
    centre = float(alive[first:].mean())
    apart = alive[first:] - centre
    slope = float(apart @ level[first:] / (apart @ apart))  # dB a block, by least squares
    late = apart.size // 2
    late_slope = float(np.polyfit(apart[late:], level[first + late :], 1)[0]) if apart.size >= 8 else slope
    if max(slope, late_slope) >= min(0.0, LEVEL_OFF * slope):
        return 0.0, float(blocks[alive[first + late :]].mean())
    nepers = -slope * math.log(10.0) / 10.0 / block  # a sample, of energy
    last = 10.0 ** ((slope * (blocks.size - 0.5 - centre) + float(level[first:].mean())) / 10.0)
    return float(last / math.expm1(nepers)), 0.0


@dataclass(frozen=True, slots=True)
class BandDecay:
    """The decay in one octave band: its exact mid-band frequency, and decay times by the names of RANGES_DB."""

    centre_hz: float
    times: dict[str, DecayTime]

    @property
    def best(self) -> DecayTime:
        """The decay time from the widest usable range; otherwise that of "edt", with its reason."""
        usable = (self.times[name] for name in ("t30", "t20", "edt") if not self.times[name].reason)
        return next(usable, self.times["edt"])


def get_nominal_hz(centre_hz: float) -> float:
    """Nominal mid-band frequency of the octave with the exact one `centre_hz`; nan for the whole signal.

    >>> [get_nominal_hz(centre) for centre in list_octaves(8000.0)]
    [63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0]
    """
    return min(NOMINAL_HZ, key=lambda nominal: abs(math.log(nominal / centre_hz))) if centre_hz > 0 else math.nan


def list_octaves(fs: float) -> list[float]:
    """Mid-band frequencies of the octaves between 63 Hz and the Nyquist frequency, in Hz.

    >>> [round(centre) for centre in list_octaves(8000.0)]
    [63, 126, 251, 501, 1000, 1995]
    """
    check_positive("fs", fs)
    centres = (1000.0 * OCTAVE_STEP**step for step in range(-4, 8))
    return [centre for centre in centres if centre * math.sqrt(OCTAVE_STEP) < 0.49 * fs]


def compute_band_decays(
    samples: npt.ArrayLike, fs: float, *, noise: FloatArray, least_power: float = 0.0
) -> tuple[BandDecay, ...]:
    """Decay times and rates of the ring-down `samples` in octave bands.

    Parameters
    ----------
    samples : from the onset on, without bias, shape (n,).
    noise : samples without ringing, such as those before the onset, which give the noise power of each band.
    least_power : the noise power of each band is at least this, such as that of rounding to counts.

    The octave filters run backwards in time, so that their own ringing falls before the onset. A band that decays
    faster than its filter has a reason instead of a value.
    """
    values = check_samples("samples", samples)
    centres = list_octaves(fs)
    if not centres:
        return ()
    floors = np.maximum(np.mean(_filter_octaves(noise, centres, fs) ** 2, axis=1), least_power)
    bands = []
    for centre, floor, ringing in zip(centres, floors, _filter_octaves(values, centres, fs), strict=True):
        curve = compute_decay_curve(ringing, fs, noise_power=float(floor))
        least_s = MIN_BANDWIDTH_TIME / (centre * (math.sqrt(OCTAVE_STEP) - 1.0 / math.sqrt(OCTAVE_STEP)))
        times = {name: _refuse_filter_decay(curve.compute_time(name), least_s) for name in RANGES_DB}
        bands.append(BandDecay(centre, times))
    return tuple(bands)


def _filter_octaves(values: FloatArray, centres_hz: list[float], fs: float) -> FloatArray:
    """`values` through each octave filter backwards in time, shape (octaves, n).

    Backwards, the filter is the conjugate of its response. The zeros behind `values` take up its ringing, which falls
    by 300 dB in 32 periods of the lowest centre.
    """
    size = 1 << (values.size + math.ceil(32.0 * fs / centres_hz[0])).bit_length()
    spectra = np.fft.rfft(values, size) * _compute_octave_responses(tuple(centres_hz), fs, size).conj()
    return np.asarray(np.fft.irfft(spectra, size, axis=1)[:, : values.size])


@lru_cache(maxsize=16)
def _compute_octave_responses(centres_hz: tuple[float, ...], fs: float, size: int) -> npt.NDArray[np.complex128]:
    """Responses of the octave filters at the frequencies of a real FFT of `size`, shape (octaves, size // 2 + 1).

    Each is a Butterworth band-pass of the third order by the bilinear transform: s of the low-pass prototype is
    (s² + Ω₁Ω₂)/(s (Ω₂ - Ω₁)), with Ω = tan(π f/fs).
    """
    warped = np.tan(np.pi * np.arange(1, (size + 1) // 2) / size)  # the ends let nothing by
    responses = np.zeros((len(centres_hz), size // 2 + 1), dtype=np.complex128)
    for response, centre in zip(responses, centres_hz, strict=True):
        low, high = (math.tan(math.pi * centre * side / fs) for side in (OCTAVE_STEP**-0.5, OCTAVE_STEP**0.5))
        s = 1j * (warped**2 - low * high) / (warped * (high - low))
        response[1 : warped.size + 1] = 1.0 / (((s + 2.0) * s + 2.0) * s + 1.0)
    return responses


def _refuse_filter_decay(time: DecayTime, least_s: float) -> DecayTime:
    if time.reason or time.t60_s >= least_s:
        return time
    return DecayTime(reason=f"under {1e3 * least_s:.0f} ms, as fast as the band's own filter")
