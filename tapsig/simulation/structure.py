"""A door as parts coupled by springs: its coupled modes and their response in time.

The coupled modes diagonalise the assembled stiffness exactly. Their damping is the mean of the parts' damping, weighted
by each part's share of the motion (off-diagonal damping is neglected, as is usual for light damping).
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numba  # compiles at each start: a cache on the disk can be stale, cut short or out of reach
import numpy as np
import numpy.typing as npt
from scipy.linalg import eigh
from threadpoolctl import threadpool_limits

from tapsig.errors import ParameterError
from tapsig.simulation.panel import Part
from tapsig.units import FloatArray, IntArray

FloatArray32 = npt.NDArray[np.float32]
LANES = 16  # modes are padded to a multiple of this, so that inner loops have no remainder


@dataclass(frozen=True, slots=True)
class Tie:
    """A spring of `stiffness_n_m` between two points, each (part, x, y)."""

    first: tuple[str, float, float]
    second: tuple[str, float, float]
    stiffness_n_m: float


@dataclass(frozen=True, slots=True)
class Structure:
    """Coupled modes of tied parts: angular frequencies (rad/s), damping ratios, and shapes."""

    omega: FloatArray
    zeta: FloatArray
    heave: FloatArray
    parts: Mapping[str, Part]
    _mixing: Mapping[str, FloatArray]

    @property
    def frequencies_hz(self) -> FloatArray:
        """Natural frequencies in Hz, ascending."""
        return self.omega / (2.0 * math.pi)

    @property
    def t60_s(self) -> FloatArray:
        """Time for each mode to fall by 60 dB: 3·ln 10/(ζω) (so T60 = 2.2/(ηf) with η = 2ζ)."""
        return 3.0 * math.log(10.0) / (self.zeta * self.omega)

    def vector(self, part: str, x: float, y: float) -> FloatArray:
        """Modal displacement at a point per unit modal coordinate = modal force per newton there; shape (n,)."""
        return np.asarray(self.parts[part].shape(x, y) @ self._mixing[part])

    def sense(self, part: str, x: float, y: float, radius_m: float) -> FloatArray:
        """Mean surface strain under a disc at a point per unit modal coordinate; shape (n,)."""
        curvature = self.parts[part].sense(x, y, radius_m)
        return np.asarray(curvature @ self._mixing[part])

    def share(self, part: str) -> FloatArray:
        """Share of each mode's kinetic energy in `part`, 0 to 1; shape (n,)."""
        return np.asarray(np.sum(self._mixing[part] ** 2, axis=0))


def assemble(
    parts: Mapping[str, Part], zetas: Mapping[str, FloatArray], ties: tuple[Tie, ...], max_hz: float
) -> Structure:
    """Couple `parts` (each with its damping ratios) by `ties`; coupled modes above `max_hz` are left out.

    The parts need modes well above `max_hz`, which represent the local compliance around each tie.

    Raises ParameterError when a tie names an unknown part.
    """
    sizes = {name: part.omega.size for name, part in parts.items()}
    starts = dict(zip(sizes, np.cumsum([0, *sizes.values()])[:-1].tolist(), strict=True))
    total = sum(sizes.values())
    stiffness = np.diag(np.concatenate([part.omega**2 for part in parts.values()]))
    for tie in ties:
        difference = np.zeros(total)
        for (name, x, y), sign in ((tie.first, 1.0), (tie.second, -1.0)):
            if name not in parts:
                raise ParameterError(f"a tie names the part {name!r}; there are: {', '.join(parts)}")
            difference[starts[name] : starts[name] + sizes[name]] += sign * parts[name].shape(x, y)
        stiffness += tie.stiffness_n_m * np.outer(difference, difference)
    # One thread: these matrices are too small to parallelise, and sums do not depend on the number of cores.
    with threadpool_limits(1, "blas"):
        values, vectors = eigh(stiffness, subset_by_value=(0.0, (2.0 * math.pi * max_hz) ** 2))
    omega = np.sqrt(values)
    damping = np.concatenate([2.0 * zetas[name] * part.omega for name, part in parts.items()])
    zeta = (damping @ vectors**2) / (2.0 * omega)
    heave = np.concatenate([part.heave for part in parts.values()]) @ vectors
    mixing = {name: np.ascontiguousarray(vectors[starts[name] : starts[name] + sizes[name]]) for name in parts}
    return Structure(omega, zeta, heave, dict(parts), mixing)


# What the compiled loops take. Phasors of all modes: real and imaginary parts. Step: of the phasors z' = s·z + f, exact
# for a force held over it, z ← a·z + b·f: the parts of a and b. Drives: signals (p, n), modal rows (p, modes).
# Pulses of contacts: start (ascending), length, longest, offset and row of each, all pulses' values, modal rows.
Phasors = tuple[FloatArray32, FloatArray32]
Step = tuple[FloatArray32, FloatArray32, FloatArray32, FloatArray32]
Drives = tuple[FloatArray32, FloatArray32]
Pulses = tuple[IntArray, IntArray, int, IntArray, IntArray, FloatArray32, FloatArray32]


def compute_step(omega: FloatArray, decay: FloatArray, fs: float) -> Step:
    """The step of modes with angular frequencies `omega` and decay rates `decay` = ζω (1/s); padded to whole lanes."""
    damped = np.sqrt(np.maximum(omega**2 - decay**2, (0.01 * omega) ** 2))
    pole = -decay + 1j * damped
    turn = np.exp(pole / fs)
    gain = (turn - 1.0) / pole / damped  # the imaginary part of z is then the modal coordinate itself
    return pad_lanes(turn.real), pad_lanes(turn.imag), pad_lanes(gain.real), pad_lanes(gain.imag)


def pad_lanes(values: FloatArray) -> FloatArray32:
    """The last axis as float32, padded with zeros to a multiple of LANES."""
    extra = -values.shape[-1] % LANES
    return np.pad(values, [(0, 0)] * (values.ndim - 1) + [(0, extra)]).astype(np.float32)


@numba.njit(fastmath=True)
def ring(
    phasors: Phasors,
    step: Step,
    driving: Drives,
    pulses: Pulses,
    sense: FloatArray32,
    out: FloatArray32,
    first: int,
    last: int,
) -> None:
    """Advance the modes over samples first…last−1: out[s, n] = sense[s] · Im z for four sensors s.

    The modes' phasors z, as (real, imaginary) parts padded to whole lanes, are changed in place.
    """
    re, im = phasors
    turn_re, turn_im, gain_re, gain_im = step
    drives, drive_rows = driving
    starts, lengths, longest, offsets, rows, forces, impact_rows = pulses
    modes = re.size
    force = np.zeros(modes, np.float32)
    head = np.searchsorted(starts, first - longest)
    for n in range(first, last):
        level = drives[0, n]
        for m in range(modes):
            force[m] = drive_rows[0, m] * level
        for p in range(1, drives.shape[0]):
            level = drives[p, n]
            if level != 0.0:
                for m in range(modes):
                    force[m] += drive_rows[p, m] * level
        while head < starts.size and starts[head] + longest < n:
            head += 1
        i = head
        while i < starts.size and starts[i] <= n:
            k = n - starts[i]
            if k < lengths[i]:
                level, row = forces[offsets[i] + k], rows[i]
                for m in range(modes):
                    force[m] += impact_rows[row, m] * level
            i += 1
        sensor_0 = sensor_1 = sensor_2 = sensor_3 = np.float32(0.0)
        for m in range(modes):
            old = re[m]
            re[m] = turn_re[m] * old - turn_im[m] * im[m] + gain_re[m] * force[m]
            im[m] = turn_re[m] * im[m] + turn_im[m] * old + gain_im[m] * force[m]
            sensor_0 += sense[0, m] * im[m]
            sensor_1 += sense[1, m] * im[m]
            sensor_2 += sense[2, m] * im[m]
            sensor_3 += sense[3, m] * im[m]
        out[0, n], out[1, n], out[2, n], out[3, n] = sensor_0, sensor_1, sensor_2, sensor_3


@numba.njit(fastmath=True)
def ring_with_rattler(
    phasors: Phasors,
    step: Step,
    driving: Drives,
    pulses: Pulses,
    sense: FloatArray32,
    out: FloatArray32,
    first: int,
    last: int,
    thing: tuple[FloatArray, FloatArray, FloatArray],
    touch_row: FloatArray32,
    contact: FloatArray32,
    fs: float,
) -> None:
    """As `ring`, with a loose mass that strikes the structure at the point of touch_row.

    thing: LoosePart.as_array; displacement and velocity relative to the door, m and m/s, changed in place; and its
    acceleration (n,) beside that of the base, drives[0]. contact[n] receives the contact force in N, which is also
    the last drive.
    """
    rattler, loose, pull = thing
    mass, stiff, drag, rest, hardness, loss = rattler
    im, drives = phasors[1], driving[0]
    before = np.float32(0.0)
    for n in range(first, last):
        surface = np.float32(0.0)
        for m in range(im.size):
            surface += touch_row[m] * im[m]
        speed = (surface - before) * fs if n > first else 0.0
        before = surface
        depth = surface - loose[0] - rest
        hit = 0.0
        if depth > 0.0:
            hit = max(0.0, hardness * depth + loss * (speed - loose[1]))
        loose[1] += (hit / mass - stiff * loose[0] - drag * loose[1] - drives[0, n] + pull[n]) / fs
        loose[0] += loose[1] / fs
        contact[n] = hit
        drives[drives.shape[0] - 1, n] = -hit
        ring(phasors, step, driving, pulses, sense, out, n, n + 1)
