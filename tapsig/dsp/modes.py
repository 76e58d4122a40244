"""Modes: frequencies and damping of decaying sinusoids, from one ring-down or from several of the same structure.

Each band is shifted to 0 Hz, low-passed by a filter that covers only samples of the ring-down (which leaves every pole
unchanged), and decimated. Its poles are those of the signal subspace of all ring-downs' Hankel matrices together
(matrix pencil: Hua and Sarkar, IEEE Trans. Acoust. Speech Signal Process. 38 (1990) 814; ESPRIT: Roy and Kailath,
ibid. 37 (1989) 984). The number of poles is the one with the least Bayesian information criterion of the residual.
Leaving out one ring-down at a time, or one of MAX_GROUPS groups, gives the uncertainty (jackknife).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from threadpoolctl import threadpool_limits

from tapsig.dsp.decimate import make_low_pass
from tapsig.errors import ParameterError
from tapsig.units import FloatArray, check_positive, check_samples, to_number

ComplexArray = npt.NDArray[np.complex128]

BAND_HZ = 100.0
STOPBAND_DB = 80.0
MAX_POLES = 20
MAX_GROUPS = 10  # of ring-downs, of which one at a time is left out
PATIENCE = 5  # orders without a better criterion before the search ends
HIGHEST_DAMPING = 0.1  # above, a pole is a transient rather than a resonance
LONGEST_T60 = 100.0  # lengths of the longest ring-down, over which a mode falls by 0.6 dB; above, it is a steady tone
MIN_SHARE = 1e-5  # of the energy of all modes: -50 dB
DECAY_NEPERS = 3.0 * math.log(10.0)  # amplitude, 60 dB


@dataclass(frozen=True, slots=True)
class Mode:
    """One decaying sinusoid.

    Parameters
    ----------
    frequency_hz, damping : damped natural frequency, and damping ratio ζ.
    amplitude : of its envelope at the start, mean square over the ring-downs, in the samples' unit.
    energy_share : of the energy of all modes found within the ring-downs, 0–1.
    frequency_se_hz, damping_se : standard errors by the jackknife over ring-downs; nan with fewer than three.
    """

    frequency_hz: float
    damping: float
    amplitude: float
    energy_share: float
    frequency_se_hz: float = math.nan
    damping_se: float = math.nan

    @property
    def q(self) -> float:
        """Quality factor, 1/(2ζ)."""
        return 0.5 / self.damping

    @property
    def decay_rate_per_s(self) -> float:
        """α of the envelope exp(-α t): ζ times the undamped angular frequency."""
        return 2.0 * math.pi * self.frequency_hz * self.damping / math.sqrt(1.0 - self.damping**2)

    @property
    def t60_s(self) -> float:
        """Time to fall by 60 dB: 3 ln(10)/α."""
        return DECAY_NEPERS / self.decay_rate_per_s

    @property
    def t60_se_s(self) -> float:
        """Standard error of T60, from that of the damping."""
        return self.t60_s * self.damping_se / self.damping


def compute_modes(
    ringdowns: Sequence[npt.ArrayLike], fs: float, *, lowest_hz: float = 15.0, highest_hz: float | None = None
) -> tuple[Mode, ...]:
    """The modes that one or several ring-downs share, strongest (by energy) first.

    Parameters
    ----------
    ringdowns : each from just after the impact on, without bias. Lengths may differ.
    lowest_hz, highest_hz : frequency range; up to 0.45 of the rate, the default.

    Raises ParameterError without ring-downs, and for ones that are not 1-D and finite, or shorter than about 60 ms.

    >>> time_s = np.arange(4000) / 8000
    >>> ringdown = np.exp(-2 * np.pi * 3 * time_s) * np.cos(2 * np.pi * 300 * time_s)
    >>> mode = compute_modes([ringdown], 8000.0)[0]
    >>> round(mode.frequency_hz, 2), round(mode.damping, 5)
    (300.0, 0.01)
    """
    given = [check_samples(f"ringdowns[{i}]", values) for i, values in enumerate(ringdowns)]
    if not given:
        raise ParameterError("ringdowns is empty; at least one is needed")
    check_positive("fs", fs)
    top = min(0.45 * fs, math.inf if highest_hz is None else check_positive("highest_hz", highest_hz))
    if not 0 < to_number(lowest_hz) < top:
        raise ParameterError(f"lowest_hz is {lowest_hz!r:.80}; it must lie between 0 and {top:g}")
    least = least_samples(fs)
    if min(values.size for values in given) < least:
        raise ParameterError(
            f"a ring-down has {min(values.size for values in given)} samples; at {fs:g} Hz at least {least} are needed"
        )
    count = max(1, math.ceil((top - lowest_hz) / BAND_HZ))
    edges = np.linspace(lowest_hz, top, count + 1)
    modes: list[Mode] = []
    with threadpool_limits(1):  # the matrices are too small for threads
        shifted = [_shift_to_zero(values, fs, 0.5 * (edges[:-1] + edges[1:])) for values in given]
        rows = max(4, min(80, min(one.shape[1] for one in shifted) // 2))
        spans = [_correlate(one, rows) for one in shifted]
        for band in range(count):
            signals, span = [one[band] for one in shifted], [one[band] for one in spans]
            found = _fit_band(signals, span, fs, float(edges[band]), float(edges[band + 1]))
            modes += [mode for mode in found if not any(_are_one(mode, other) for other in modes)]
    lengths_s = np.array([values.size for values in given]) / fs
    modes = [mode for mode in modes if mode.t60_s <= LONGEST_T60 * float(lengths_s.max())]
    energies = [(mode, _compute_energy(mode, lengths_s)) for mode in modes]
    most = 6.0 * float(np.mean([values @ values for values in given])) / fs
    energies = [(mode, energy) for mode, energy in energies if energy <= most]  # above, they cancel: a transient
    total = math.fsum(energy for _, energy in energies)
    shared = (replace(mode, energy_share=energy / total) for mode, energy in energies)
    kept = (mode for mode in shared if mode.energy_share >= MIN_SHARE)
    return tuple(sorted(kept, key=lambda mode: -mode.energy_share))


def _compute_energy(mode: Mode, lengths_s: FloatArray) -> float:
    """Four times the energy within ring-downs: a²/α (1 - exp(-2α T)), the mean over their lengths T."""
    rate = mode.decay_rate_per_s
    return mode.amplitude**2 / rate * float(-np.expm1(-2.0 * rate * lengths_s).mean())


def _are_one(mode: Mode, other: Mode) -> bool:
    """Whether two bands found the same mode at their common edge: closer than a tenth of its half-power bandwidth."""
    return abs(mode.frequency_hz - other.frequency_hz) < 0.2 * mode.damping * mode.frequency_hz


def _plan(fs: float) -> tuple[int, int]:
    """Decimation factor, and the length of the low-pass before it.

    The decimated rate is at least twice BAND_HZ: aliases fall outside the band, where they are 80 dB down.
    """
    thin = max(1, int(fs // (2.0 * BAND_HZ)))
    if thin == 1:
        return 1, 1
    transition = 2.0 * math.pi * (fs / thin - BAND_HZ) / fs
    taps = math.ceil((STOPBAND_DB - 7.95) / (2.285 * transition)) + 1  # Kaiser's formula
    return thin, taps | 1


def least_samples(fs: float) -> int:
    """The shortest ring-down, in samples, that `compute_modes` takes at `fs` Hz."""
    thin, taps = _plan(fs)
    return taps + 12 * thin


def _low_pass(fs: float) -> FloatArray:
    """The low-pass before decimation, shape (taps,): Kaiser window, unit gain at 0 Hz."""
    thin, taps = _plan(fs)
    return np.ones(1) if taps == 1 else make_low_pass(taps, thin, 0.1102 * (STOPBAND_DB - 8.7))


def _shift_to_zero(values: FloatArray, fs: float, centres_hz: FloatArray) -> ComplexArray:
    """The bands around `centres_hz`, each as a decimated complex signal from the first sample on, shape (bands, m).

    Only the kept samples are computed: the low-pass is shifted, not the signal.
    """
    thin, _ = _plan(fs)
    kernel = _low_pass(fs)
    angles = -2.0 * math.pi * centres_hz[:, None] / fs
    windows = np.lib.stride_tricks.sliding_window_view(values, kernel.size)[::thin]
    shifted = np.exp(1j * angles * np.arange(kernel.size)) * kernel
    parts = np.concatenate([shifted.real, shifted.imag]) @ windows.T
    bands: ComplexArray = parts[: centres_hz.size] + 1j * parts[centres_hz.size :]
    return np.asarray(2.0 * bands * np.exp(1j * angles * thin * np.arange(windows.shape[0])))


def _fit_band(
    signals: list[ComplexArray], spans: list[ComplexArray], fs: float, low_hz: float, high_hz: float
) -> list[Mode]:
    """Modes between `low_hz` and `high_hz`, whose centre is 0 Hz in `signals`, with their standard errors.

    `energy_share` is filled in later.
    """
    centre = 0.5 * (low_hz + high_hz)
    rate = fs / _plan(fs)[0]
    whole = np.sum(spans, axis=0)
    if not np.trace(whole).real > 0:
        return []
    vectors = _signal_subspace(whole, min(MAX_POLES, whole.shape[0] // 2))
    order = _choose_order(vectors, signals)
    if not order:
        return []
    poles, logarithms = _solve(vectors[:, :order], rate)
    powers = _fit_amplitudes(poles, signals)[0] / np.abs(_filter_gain(logarithms, fs)) ** 2
    parts: list[ComplexArray] = []
    modes = []
    for logarithm, power in zip(logarithms, powers, strict=True):
        frequency, decay = centre + logarithm.imag / (2.0 * math.pi), -float(logarithm.real)
        if not (low_hz <= frequency < high_hz and decay > 0 and power > 0):
            continue
        damping = _damping(frequency, decay)
        if damping > HIGHEST_DAMPING:
            continue
        if not parts and len(signals) >= 3:  # the costly step: only where there is a mode
            groups = [np.sum(spans[first::MAX_GROUPS], axis=0) for first in range(min(MAX_GROUPS, len(spans)))]
            parts = [_solve(_signal_subspace(whole - group, order), rate)[1] for group in groups]
        frequency_se, damping_se = _jackknife(complex(logarithm), centre, parts)
        if damping_se > 0.5 * damping:  # not consistent over ring-downs: not a mode of the structure
            continue
        modes.append(Mode(float(frequency), damping, math.sqrt(power), 0.0, frequency_se, damping_se))
    return modes


def _damping(frequency_hz: float, rate_per_s: float) -> float:
    return float(rate_per_s / math.hypot(rate_per_s, 2.0 * math.pi * frequency_hz))


def _correlate(signals: ComplexArray, rows: int) -> ComplexArray:
    """The Hankel matrix of each band times its own conjugate transpose, shape (bands, rows, rows).

    The first row is computed. Along a diagonal each element is the one before it, less the product that leaves the
    sum, plus the one that enters.
    """
    columns = signals.shape[1] - rows + 1
    windows = np.lib.stride_tricks.sliding_window_view(signals, columns, axis=1)
    found: ComplexArray = np.empty((rows, signals.shape[0], rows), dtype=np.complex128)
    found[0] = (windows @ signals[:, :columns, None].conj())[..., 0].conj()
    conjugate = signals.conj()
    for row in range(1, rows):
        leaves, enters = row - 1, row - 1 + columns
        found[row, :, 0] = found[0, :, row].conj()
        found[row, :, 1:] = found[row - 1, :, :-1]
        found[row, :, 1:] += signals[:, enters, None] * conjugate[:, columns:]
        found[row, :, 1:] -= signals[:, leaves, None] * conjugate[:, : rows - 1]
    return found.transpose(1, 0, 2)


def _find_poles(subspace: ComplexArray) -> ComplexArray:
    """Poles from the shift invariance of the signal subspace, by least squares.

    Its columns are orthonormal. Without the last row u, their products are I - uᴴu, whose inverse is
    I + uᴴu / (1 - uuᴴ) (Sherman and Morrison).
    """
    last = subspace[-1]
    shifted = subspace[:-1].conj().T @ subspace[1:]
    lost = max(1.0 - float(np.square(np.abs(last)).sum()), 1e-12)
    return np.asarray(np.linalg.eigvals(shifted + np.outer(last.conj(), last @ shifted) / lost))


def _signal_subspace(correlation: ComplexArray, count: int) -> ComplexArray:
    """The `count` strongest eigenvectors, strongest first."""
    from scipy.linalg import eigh  # heavy; NumPy's finds all of them

    rows = correlation.shape[0]
    found = eigh(correlation, subset_by_index=[rows - count, rows - 1], check_finite=False)
    return np.asarray(found[1][:, ::-1])


def _fit_amplitudes(poles: ComplexArray, signals: list[ComplexArray]) -> tuple[FloatArray, float]:
    """Mean square amplitude of each pole at the start of the signals, and the residual energy of all."""
    power, residual = np.zeros(poles.size), 0.0
    for size in {signal.size for signal in signals}:  # signals of equal length share a basis
        together = np.stack([signal for signal in signals if signal.size == size], axis=1)
        basis = np.vander(poles, size, increasing=True).T
        found: ComplexArray = np.asarray(np.linalg.lstsq(basis, together, rcond=None)[0], dtype=np.complex128)
        power += np.square(np.abs(found)).sum(axis=1) / len(signals)
        residual += float(np.square(np.abs(together - basis @ found)).sum())
    return power, residual


def _choose_order(vectors: ComplexArray, signals: list[ComplexArray]) -> int:
    """Number of poles, at most as many as `vectors`, with the least Bayesian information criterion (Schwarz 1978) of
    the residual; 0 = only noise.
    """
    values = sum(signal.size for signal in signals)
    energy = float(sum(np.sum(np.abs(signal) ** 2) for signal in signals))
    floor = 1e-18 * energy
    best, choice = 2.0 * values * math.log(energy / values), 0
    for order in range(1, vectors.shape[1] + 1):
        poles = _find_poles(vectors[:, :order])
        poles = poles[np.abs(poles) < 1.2]  # a pole that grows this fast overflows, and is noise
        residual = max(_fit_amplitudes(poles, signals)[1], floor)
        parameters = 2.0 * order * (1 + len(signals))
        score = 2.0 * values * math.log(residual / values) + parameters * math.log(2.0 * values)
        if score < best:
            best, choice = score, order
        if residual <= floor or order - choice >= PATIENCE:
            break
    return choice


def _solve(subspace: ComplexArray, rate: float) -> tuple[ComplexArray, ComplexArray]:
    """Poles a sample, and their logarithms a second."""
    poles = _find_poles(subspace)
    poles = poles[(np.abs(poles) < 1.2) & (np.abs(poles) > 1e-6)]
    return poles, np.asarray(np.log(poles) * rate, dtype=np.complex128)


def _filter_gain(rates: ComplexArray, fs: float) -> ComplexArray:
    """Response of the low-pass to exp(rate · t) in its first output, for each complex rate in 1/s."""
    kernel = _low_pass(fs)
    return np.asarray(np.exp(rates[:, None] / fs * np.arange(kernel.size)) @ kernel)


def _jackknife(logarithm: complex, centre_hz: float, parts: list[ComplexArray]) -> tuple[float, float]:
    """Standard errors of frequency and damping over fits that each leave out one group; logarithms in 1/s."""
    if not parts:
        return math.nan, math.nan
    if not all(part.size for part in parts):
        return math.inf, math.inf
    nearest = np.array([part[np.argmin(np.abs(part - logarithm))] for part in parts])
    frequencies = centre_hz + nearest.imag / (2.0 * math.pi)
    dampings = np.array([_damping(one, two) for one, two in zip(frequencies, -nearest.real, strict=True)])
    scale = math.sqrt(len(parts) - 1)
    return scale * float(frequencies.std()), scale * float(dampings.std())
