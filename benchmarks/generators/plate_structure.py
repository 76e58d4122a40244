"""A stiffened thin plate on elastic edges and a frame beam, as simulated modes; and the contact of a body with it.

The plate is Kirchhoff's, discretised by a Ritz basis of Legendre polynomials with edge springs (Courant's penalty
method), so that clamped, supported, elastic and free edges share one form. Damping follows the modal strain energy
method (Johnson and Kienholz 1982, from memory): the loss factor of a mode is the mean of those of skin, frame, joints
and damping patch, weighted by the strain energy that the mode stores in each.
"""

from contextlib import AbstractContextManager
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from numpy.polynomial import legendre
from scipy import signal
from scipy.linalg import eigh
from threadpoolctl import ThreadpoolController

from benchmarks.generators import log_uniform
from tapsig.units import FloatArray

TRUSTED_SHARE = 0.3  # of a Ritz basis' modes: the higher ones have not converged
CUT_DB = 70.0  # a mode's response is cut where it has fallen so far
HIGH_MODES = 260  # kept at most
HIGHEST_HZ = 9000.0
REFERENCE_NS = 0.018  # momentum of a middling tap before contact
REFERENCE_CONTACT_S = 0.002
FRAME_LEAK = 0.08  # deflection that a high mode of the skin shows at the frame, of its own


Port = tuple[str, float, float]  # "skin" at x, y; "frame" at x; "pressure"; "base"


@lru_cache(maxsize=1)
def _libraries() -> ThreadpoolController:
    return ThreadpoolController()


def one_thread() -> AbstractContextManager[None]:
    """Keep linear algebra to one thread: faster for matrices so small, and the same sums on any number of cores."""
    limiter: AbstractContextManager[None] = _libraries().limit(limits=1, user_api="blas")
    return limiter


@dataclass(frozen=True, slots=True)
class Structure:
    """A plate, what stiffens and holds it, and the frame beam along its lower edge.

    Parameters
    ----------
    edges : left, right, top and bottom: translational (N/m²) and rotational (N) stiffness a metre of edge; to the
        ground, except that the bottom's translational springs join plate and frame where there is a frame.
    ribs : (axis along which it runs, place on the other axis in m, bending stiffness in N·m², mass in kg/m).
    masses : (x in m, y in m, mass in kg).
    radius_m : curvature of the skin; a shallow shell adds E/ρR² to ω² (Soedel, from memory). Infinite: flat.
    frame : bending stiffness in N·m², mass in kg/m, half depth in m, stiffness of hinge and of lock in N/m, and of the
        inner panel that holds it along its length in N/m².
    patch : x0, x1, y0, y1 in m, and the bending stiffness that it adds, relative to the plate's.
    loss : loss factors of skin (at 300 Hz), frame, joints and patch.
    loss_slope : the skin's loss factor falls as frequency to this power.
    longest_s : seals and trim let no mode take longer to fall by 60 dB.
    """

    length_m: float
    height_m: float
    thickness_m: float
    young_pa: float = 210e9
    density_kg_m3: float = 7850.0
    poisson: float = 0.3
    edges: tuple[tuple[float, float], ...] = ((0.0, 0.0),) * 4
    ribs: tuple[tuple[str, float, float, float], ...] = ()
    masses: tuple[tuple[float, float, float], ...] = ()
    radius_m: float = np.inf
    frame: tuple[float, float, float, float, float, float] | None = None
    patch: tuple[float, float, float, float, float] | None = None
    loss: tuple[float, float, float, float] = (0.02, 0.08, 0.1, 0.4)
    loss_slope: float = 0.0
    longest_s: float = 1.2
    orders: tuple[int, int, int] = (22, 18, 12)

    @property
    def rigidity_nm(self) -> float:
        """Bending stiffness of the plate, D = E h³ / 12 (1 − ν²), in N·m."""
        return self.young_pa * self.thickness_m**3 / (12.0 * (1.0 - self.poisson**2))

    @property
    def area_mass_kg_m2(self) -> float:
        """Mass of a square metre of plate in kg."""
        return self.density_kg_m3 * self.thickness_m


@lru_cache(maxsize=64)
def _derivatives(order: int, derivative: int) -> FloatArray:
    """Legendre coefficients of a derivative of √(2k + 1) P_k, k = 0 … order − 1; shape (rows, order)."""
    return np.asarray(legendre.legder(np.diag(np.sqrt(2.0 * np.arange(order) + 1.0)), derivative), float)


def evaluate_basis(place_m: npt.ArrayLike, length_m: float, order: int, derivative: int = 0) -> FloatArray:
    """Legendre polynomials, orthonormal on 0 … `length_m`, or a derivative of them; shape (places, order)."""
    coefficients = _derivatives(order, derivative)
    place = 2.0 * np.atleast_1d(np.asarray(place_m, float)) / length_m - 1.0
    values = legendre.legvander(place, coefficients.shape[0] - 1) @ coefficients
    return np.asarray(values * (2.0 / length_m) ** derivative / np.sqrt(length_m), float)


def _gram(length_m: float, order: int, left: int, right: int, span_m: tuple[float, float] | None = None) -> FloatArray:
    """Integrals of the products of two derivatives of the basis, over all the length or over `span_m`."""
    low, high = span_m or (0.0, length_m)
    nodes, weights = legendre.leggauss(order + 1)
    places = low + (high - low) * (nodes + 1.0) / 2.0
    first, second = (evaluate_basis(places, length_m, order, derivative) for derivative in (left, right))
    return np.asarray((first * (weights * (high - low) / 2.0)[:, None]).T @ second, float)


def _bending(s: Structure, span: tuple[float, float, float, float] | None = None) -> FloatArray:
    """Stiffness matrix of the plate's bending for D = 1, over all of it or over the rectangle x0, x1, y0, y1."""
    span_x, span_y = (None, None) if span is None else ((span[0], span[1]), (span[2], span[3]))
    x = {pair: _gram(s.length_m, s.orders[0], *pair, span_x) for pair in ((0, 0), (2, 2), (1, 1), (0, 2))}
    y = {pair: _gram(s.height_m, s.orders[1], *pair, span_y) for pair in ((0, 0), (2, 2), (1, 1), (0, 2))}
    mixed = np.kron(x[0, 2], y[0, 2].T)
    return np.asarray(
        np.kron(x[2, 2], y[0, 0])
        + np.kron(x[0, 0], y[2, 2])
        + s.poisson * (mixed + mixed.T)
        + 2.0 * (1.0 - s.poisson) * np.kron(x[1, 1], y[1, 1])
    )


def _assemble(s: Structure) -> tuple[FloatArray, FloatArray]:
    """Stiffness of skin, frame, joints and patch, shape (4, n, n), and mass, shape (n, n)."""
    nx, ny, nb = s.orders
    plate, size = nx * ny, nx * ny + (nb if s.frame else 0)
    stiffness, mass = np.zeros((4, size, size)), np.zeros((size, size))
    skin, joints, inertia = stiffness[0, :plate, :plate], stiffness[2], mass[:plate, :plate]
    skin += s.rigidity_nm * _bending(s)
    skin += s.young_pa * s.thickness_m / s.radius_m**2 * np.eye(plate)
    inertia += s.area_mass_kg_m2 * np.eye(plate)
    if s.patch:
        stiffness[3, :plate, :plate] += s.patch[4] * s.rigidity_nm * _bending(s, s.patch[:4])
    along = {"x": (s.length_m, nx), "y": (s.height_m, ny)}

    def on_line(axis: str, matrix: FloatArray, place_m: float, derivative: int = 0) -> FloatArray:
        """What acts by `matrix` along a line at a place on the other axis, on the deflection or its slope there."""
        row = evaluate_basis(place_m, *along["y" if axis == "x" else "x"], derivative)
        across = row.T @ row
        return np.asarray(np.kron(matrix, across) if axis == "x" else np.kron(across, matrix), float)

    for axis, place_m, bending, mass_kg_m in s.ribs:
        length_m, order = along[axis]
        skin += bending * on_line(axis, _gram(length_m, order, 2, 2), place_m)
        inertia += mass_kg_m * on_line(axis, np.eye(order), place_m)
    for x_m, y_m, mass_kg in s.masses:
        shape = np.kron(evaluate_basis(x_m, s.length_m, nx), evaluate_basis(y_m, s.height_m, ny))
        inertia += mass_kg * shape.T @ shape
    lines = (("y", 0.0), ("y", s.length_m), ("x", s.height_m), ("x", 0.0))
    for (axis, place_m), springs in zip(lines, s.edges, strict=True):
        for derivative, spring in enumerate(springs):
            joints[:plate, :plate] += spring * on_line(axis, np.eye(along[axis][1]), place_m, derivative)
    if s.frame:
        bending, mass_kg_m, _, hinge, lock, panel = s.frame
        beam = slice(plate, size)
        stiffness[1, beam, beam] += bending * _gram(s.length_m, nb, 2, 2)
        mass[beam, beam] += mass_kg_m * np.eye(nb)
        for end_m, spring in ((0.0, hinge), (s.length_m, lock)):
            row = evaluate_basis(end_m, s.length_m, nb)
            joints[beam, beam] += spring * row.T @ row
        line, edge = s.edges[3][0], evaluate_basis(0.0, s.height_m, ny)
        joints[beam, beam] += (line + panel) * np.eye(nb)
        tie = line * np.kron(np.eye(nx, nb), edge.T)
        joints[:plate, beam] -= tie
        joints[beam, :plate] -= tie.T
    return stiffness, mass


@dataclass(frozen=True, slots=True)
class Modes:
    """Modes of a structure, mass-normalised: those of the Ritz basis that have converged, then the bare plate's.

    Above the converged ones the modes are those of the plate simply supported (closed form): there the wavelength is
    short against the plate, and edges and ribs matter little. At most `HIGH_MODES` of these are kept, each with more
    weight, so that their mean power stays.

    `frequency_hz` and `loss_factor` have shape (modes,), `vectors` (basis, low modes), `inertia` (low modes,) is what
    each weighs in a motion of all parts together, in √kg, `high` (high modes, 2)
    holds the half-waves along x and y, `weight` what a kept high mode is multiplied by, `leak` its share at the frame.
    """

    structure: Structure
    frequency_hz: FloatArray
    loss_factor: FloatArray
    vectors: FloatArray
    inertia: FloatArray
    high: FloatArray
    weight: float
    leak: FloatArray

    def skin(self, x_m: npt.ArrayLike, y_m: npt.ArrayLike, *, curvature: bool = False) -> FloatArray:
        """Deflection, or curvature w_xx + w_yy, of every mode at places of the skin; shape (places, modes)."""
        s, (nx, ny, _) = self.structure, self.structure.orders
        x, y = np.atleast_1d(np.asarray(x_m, float)), np.atleast_1d(np.asarray(y_m, float))
        bx, by = evaluate_basis(x, s.length_m, nx), evaluate_basis(y, s.height_m, ny)
        rows = bx[:, :, None] * by[:, None, :]
        wave = np.pi * self.high / np.array([s.length_m, s.height_m])
        amplitude = 2.0 * self.weight / np.sqrt(s.area_mass_kg_m2 * s.length_m * s.height_m)
        high = amplitude * np.sin(np.outer(x, wave[:, 0])) * np.sin(np.outer(y, wave[:, 1]))
        if curvature:
            second_x, second_y = evaluate_basis(x, s.length_m, nx, 2), evaluate_basis(y, s.height_m, ny, 2)
            rows = second_x[:, :, None] * by[:, None, :] + bx[:, :, None] * second_y[:, None, :]
            high = -high * (wave**2).sum(axis=1)
        return np.hstack([rows.reshape(x.size, -1) @ self.vectors[: nx * ny], high])

    def beam(self, x_m: float, *, curvature: bool = False) -> FloatArray:
        """Deflection or curvature of every mode at a place of the frame, shape (modes,)."""
        s, (nx, ny, nb) = self.structure, self.structure.orders
        row = evaluate_basis(x_m, s.length_m, nb, 2 if curvature else 0)[0]
        high = self.leak * self.weight * FRAME_LEAK / np.sqrt(s.area_mass_kg_m2 * s.length_m * s.height_m)
        if curvature:  # a bending wave of the frame: its curvature is velocity times √(mass / stiffness)
            assert s.frame is not None
            high = high * 2.0 * np.pi * self.frequency_hz[self.vectors.shape[1] :] * np.sqrt(s.frame[1] / s.frame[0])
        return np.concatenate([row @ self.vectors[nx * ny :], high])

    def pressure(self) -> FloatArray:
        """Force of every mode under a uniform pressure of 1 Pa, shape (modes,)."""
        s, wave = self.structure, np.pi * self.high
        amplitude = 2.0 * self.weight / np.sqrt(s.area_mass_kg_m2 * s.length_m * s.height_m)
        high = amplitude * s.length_m * s.height_m * np.prod((1.0 - np.cos(wave)) / wave, axis=1)
        return np.concatenate([self.vectors[0] * np.sqrt(s.length_m * s.height_m), high])

    def base(self) -> FloatArray:
        """Force of every mode while all supports accelerate by 1 m/s², seen from the supports; shape (modes,)."""
        return np.concatenate([-self.inertia, -self.pressure()[self.inertia.size :] * self.structure.area_mass_kg_m2])


def compute_modes(s: Structure, rng: np.random.Generator | None = None) -> Modes:
    """Solve the eigenvalue problem of a structure; `rng` scatters the loss factors by 20 %, and adds high modes."""
    parts, mass = _assemble(s)
    keep = int(TRUSTED_SHARE * mass.shape[0])
    with one_thread():
        square, vectors = eigh(parts.sum(axis=0), mass, subset_by_index=(0, keep - 1))
    square = np.maximum(square, 1.0)
    frequency = np.sqrt(square) / (2.0 * np.pi)
    share = np.array([np.einsum("im,im->m", vectors, part @ vectors) for part in parts]) / square
    low = np.array(s.loss)[:, None] * share
    low[0] *= (np.maximum(frequency, 30.0) / 300.0) ** -s.loss_slope
    loss = low.sum(axis=0)
    high, weight, leak = np.empty((0, 2)), 1.0, np.empty(0)
    if rng is not None:
        rigid = np.sqrt(s.rigidity_nm / s.area_mass_kg_m2)
        m, n = np.meshgrid(np.arange(1, 120), np.arange(1, 120), indexing="ij")
        tone = np.pi / 2.0 * ((m / s.length_m) ** 2 + (n / s.height_m) ** 2) * rigid
        chosen = np.flatnonzero((tone > frequency[-1]) & (tone < HIGHEST_HZ))
        chosen = chosen[np.argsort(tone.flat[chosen])]
        stride = max(1, -(-chosen.size // HIGH_MODES))
        chosen, weight = chosen[::stride], stride**0.25
        high = np.column_stack([m.flat[chosen], n.flat[chosen]]).astype(float)
        leak = rng.choice([-1.0, 1.0], chosen.size)
        tail = np.median(loss[loss.size // 2 :]) * np.ones(chosen.size)
        frequency, loss = np.concatenate([frequency, tone.flat[chosen]]), np.concatenate([loss, tail])
        loss = np.clip(loss * np.exp(0.2 * rng.standard_normal(loss.size)), 2.1988 / (s.longest_s * frequency), 0.8)
    together = np.zeros(mass.shape[0])  # deflection 1 everywhere
    together[0] = np.sqrt(s.length_m * s.height_m)
    if s.frame:
        together[s.orders[0] * s.orders[1]] = np.sqrt(s.length_m)
    return Modes(s, frequency, loss, vectors, vectors.T @ mass @ together, high, weight, leak)


def compute_responses(
    modes: Modes, drive: FloatArray, sense: FloatArray, *, fs: float, longest_s: float = 1.6
) -> FloatArray:
    """Impulse responses at the rate `fs` (Hz) from every drive (drives, modes) to every sense (senses, modes).

    h = Σ sense · drive · exp(−η ω t / 2) sin(ω_d t) / ω_d, times 1/fs; modes above 0.45 `fs` are left out, each is cut
    where it has fallen 70 dB. Shape (drives, senses, samples).
    """
    used = np.flatnonzero(modes.frequency_hz < 0.45 * fs)
    omega, zeta = 2.0 * np.pi * modes.frequency_hz[used], modes.loss_factor[used] / 2.0
    damped = omega * np.sqrt(1.0 - zeta**2)
    lasts = np.minimum(CUT_DB / 20.0 * np.log(10.0) / (zeta * omega), longest_s) * fs
    order = np.argsort(lasts)
    size = int(lasts.max()) + 2
    product = (drive[:, None, used] * sense[None, :, used] / (damped * fs)).reshape(-1, used.size)
    out = np.zeros((product.shape[0], size))
    fine = np.arange(64)
    for group in np.array_split(order, 10):
        if not group.size:
            continue
        coarse = 64 * np.arange(int(lasts[group].max()) // 64 + 1)
        pole = (-zeta * omega + 1j * damped)[group, None] / fs
        wave = (np.exp(pole * coarse)[:, :, None] * np.exp(pole * fine)[:, None, :]).imag.reshape(group.size, -1)
        length = min(size, wave.shape[1])
        out[:, :length] += product[:, group] @ wave[:, :length]
    return out.reshape(drive.shape[0], sense.shape[0], size)


@dataclass(frozen=True, slots=True)
class Strikes:
    """Bodies that strike, one an element, all arrays of one shape.

    Contact force F = k δ^1.5 (1 + 1.5 α δ') while δ > 0, else 0 (Hunt and Crossley 1975, from memory): `hardness`
    k in N/m^1.5, `loss` α in s/m. `push_n` presses the body on for `held_s`, then draws it away as strongly.
    """

    mass_kg: FloatArray
    speed_m_s: FloatArray
    hardness: FloatArray
    loss: FloatArray
    push_n: FloatArray
    held_s: FloatArray


def integrate_contacts(
    modes: Modes, drive: FloatArray, strikes: Strikes, *, step_s: float = 2e-5, span_s: float = 0.04
) -> FloatArray:
    """Contact force in N of every strike on the plate at rest, sampled at `step_s`; shape (strikes, steps).

    The plate moves as its modes allow, so that the contact lasts longer and may recur where it is compliant. `drive`
    (strikes, modes) is each mode's deflection at the place struck.
    """
    used = np.flatnonzero(modes.frequency_hz < 0.1 / step_s)
    omega, zeta = 2.0 * np.pi * modes.frequency_hz[used], modes.loss_factor[used] / 2.0
    damped = omega * np.sqrt(1.0 - zeta**2)
    turn = np.exp((-zeta * omega + 1j * damped) * step_s)
    shape = drive[:, used]
    reads, writes = shape / damped, shape * step_s
    state = np.zeros(shape.shape, complex)
    place, speed = np.zeros(shape.shape[0]), strikes.speed_m_s.copy()
    before = np.zeros(shape.shape[0])
    force = np.zeros((round(span_s / step_s), shape.shape[0]))
    # No contact takes more than the whole momentum, reversed, within one step: it keeps the hardest ones stable.
    most = 2.0 * (strikes.mass_kg * np.abs(strikes.speed_m_s) + strikes.push_n * strikes.held_s) / step_s
    for step in range(force.shape[0]):
        depth = place - np.einsum("tm,tm->t", reads, state.imag)
        rate = (depth - before) / step_s
        before = depth
        squeezed = np.maximum(depth, 0.0)
        now = np.maximum(strikes.hardness * squeezed * np.sqrt(squeezed) * (1.0 + 1.5 * strikes.loss * rate), 0.0)
        now = np.minimum(now, most)
        force[step] = now
        state *= turn
        state.real += writes * now[:, None]
        push = np.where(step * step_s < strikes.held_s, strikes.push_n, -strikes.push_n)
        speed += (push - now) / strikes.mass_kg * step_s
        place += speed * step_s
        if step % 100 == 99 and (depth < 0.0).all() and (speed < 0.0).all() and (push <= 0.0).all():
            break
    return force.T


@dataclass(frozen=True, slots=True)
class Hand:
    """How one person taps: momentum in N·s, contact time on a rigid wall, gaps and pauses in seconds."""

    momentum_ns: float
    mass_kg: float
    contact_s: float
    bounce: float
    push_n: float
    held_s: float
    gap_s: float
    pause_s: float


@dataclass(frozen=True, slots=True)
class Door:
    """A door's structure, positions, people and electronics; `gain` in volts per curvature, one a position."""

    number: int
    modes: Modes
    positions: tuple[str, ...]
    sense: FloatArray
    gain: FloatArray
    reference_v: FloatArray
    range_v: tuple[float, float]
    bias_v: float
    adc_bits: int
    high_pass_hz: float
    low_pass_hz: float
    noise_v: FloatArray
    hum_v: FloatArray
    hands: tuple[Hand, ...]

    def port(self, rng: np.random.Generator, margin: float = 0.12) -> Port:
        """A place of the skin, drawn uniformly, at least `margin` of its size from the edges."""
        s = self.modes.structure
        x, y = rng.uniform(margin, 1.0 - margin, 2)
        return ("skin", x * s.length_m, y * s.height_m)

    def drive(self, port: Port) -> FloatArray:
        """Force of every mode under one unit at a port, shape (modes,)."""
        kind, x_m, y_m = port
        if kind == "skin":
            return self.modes.skin(x_m, y_m)[0]
        if kind == "frame":
            return self.modes.beam(x_m)
        return self.modes.pressure() if kind == "pressure" else self.modes.base()


def draw_structure(rng: np.random.Generator) -> Structure:
    """A skin of steel or aluminium, its edges, beads, lumps and patch, and its frame."""
    steel = rng.random() < 0.65
    young, density, poisson = (210e9, 7850.0, 0.3) if steel else (70e9, 2700.0, 0.33)
    thickness = rng.uniform(0.65e-3, 1.2e-3) if steel else rng.uniform(0.9e-3, 2.0e-3)
    length, height = rng.uniform(0.4, 0.95), rng.uniform(0.3, 0.6)
    rigidity = young * thickness**3 / (12.0 * (1.0 - poisson**2))
    kinds = ((1e8, 1e5), (1e8, 2.0), (log_uniform(rng, 3e4, 3e6), log_uniform(rng, 5.0, 300.0)))
    edges = [kinds[k] for k in rng.choice(3, 4, p=[0.25, 0.25, 0.5])]
    if rng.random() < 0.3:
        edges[2] = (log_uniform(rng, 500.0, 2e4), 1.0)  # a window slot on top
    ribs = []
    for _ in range(int(rng.integers(1, 4))):
        axis = "x" if rng.random() < 0.6 else "y"
        place = rng.uniform(0.25, 0.75) * (height if axis == "x" else length)
        ribs.append((axis, place, rigidity * log_uniform(rng, 2.0, 60.0), rng.uniform(0.02, 0.4)))
    masses = []
    if rng.random() < 0.5:
        masses.append((rng.uniform(0.1, 0.9) * length, rng.uniform(0.15, 0.85) * height, log_uniform(rng, 0.1, 1.5)))
    patch = None
    if rng.random() < 0.4:
        x0, y0 = rng.uniform(0.1, 0.5) * length, rng.uniform(0.1, 0.5) * height
        patch = (
            x0,
            x0 + rng.uniform(0.2, 0.4) * length,
            y0,
            y0 + rng.uniform(0.2, 0.4) * height,
            rng.uniform(0.4, 2.0),
        )
    frame = (
        log_uniform(rng, 2.5e3, 2e4),
        rng.uniform(1.5, 4.0),
        rng.uniform(0.008, 0.025),
        log_uniform(rng, 2e6, 3e7),
        log_uniform(rng, 3e5, 1e7),
        log_uniform(rng, 5e5, 3e7),
    )
    loss = (
        log_uniform(rng, 0.005, 0.03),
        log_uniform(rng, 0.08, 0.25),
        log_uniform(rng, 0.08, 0.4),
        rng.uniform(0.2, 0.6),
    )
    return Structure(
        length,
        height,
        thickness,
        young,
        density,
        poisson,
        tuple(edges),
        tuple(ribs),
        tuple(masses),
        log_uniform(rng, 8.0, 80.0),
        frame,
        patch,
        loss,
        rng.uniform(0.0, 0.4),
        log_uniform(rng, 0.35, 1.6),
    )


def _sense(modes: Modes, rng: np.random.Generator) -> tuple[tuple[str, ...], FloatArray]:
    """The mounting positions and every mode's mean surface strain under the disc there, shape (positions, modes)."""
    s = modes.structure
    assert s.frame is not None
    radius = rng.uniform(0.010, 0.0175)
    angles = np.arange(6) * np.pi / 3.0
    ring_x, ring_y = np.append(0.0, np.cos(angles)) * radius * 0.75, np.append(0.0, np.sin(angles)) * radius * 0.75
    axis, place, _, _ = s.ribs[0]
    along = rng.uniform(0.25, 0.75)
    on_rib = (along * s.length_m, place) if axis == "x" else (place, along * s.height_m)
    near_edge = (rng.uniform(0.07, 0.16) * s.length_m, rng.uniform(0.25, 0.75) * s.height_m)
    centre = (rng.uniform(0.38, 0.62) * s.length_m, rng.uniform(0.38, 0.62) * s.height_m)
    places = {"skin-centre": centre, "skin-edge": near_edge, "stiffener": on_rib}
    if rng.random() < 0.4:
        del places[rng.choice(["skin-edge", "stiffener"])]
    rows = []
    for name, (x_m, y_m) in places.items():
        strain = modes.skin(x_m + ring_x, y_m + ring_y, curvature=True).mean(axis=0) * s.thickness_m / 2.0
        rows.append(strain * (0.5 if name == "stiffener" else 1.0))  # a bead is thicker than the skin
    rows.append(modes.beam(rng.uniform(0.3, 0.7) * s.length_m, curvature=True) * s.frame[2])
    return (*places, "frame"), np.array(rows)


def _hand(rng: np.random.Generator) -> Hand:
    """A person: strengths spread over 20 dB, contacts over 0.5 to 8 ms."""
    quick = rng.random() < 0.2
    return Hand(
        momentum_ns=REFERENCE_NS * 10.0 ** (rng.uniform(-10.0, 10.0) / 20.0),
        mass_kg=log_uniform(rng, 0.012, 0.08),
        contact_s=float(np.clip(np.exp(rng.normal(np.log(1.8e-3), 0.6)), 0.5e-3, 6e-3)),
        bounce=rng.uniform(0.25, 0.75),
        push_n=rng.uniform(0.5, 4.0),
        held_s=rng.uniform(0.002, 0.006) if rng.random() < 0.7 else rng.uniform(0.006, 0.012),
        gap_s=rng.uniform(0.15, 0.2) if quick else rng.uniform(0.2, 0.5),
        pause_s=rng.uniform(1.15, 1.9),
    )


def hertz_strikes(
    momentum_ns: FloatArray, mass_kg: float, contact_s: float, bounce: float, hand: Hand | None = None
) -> Strikes:
    """Bodies whose contact with a rigid wall lasts `contact_s`: T = 2.943 δ/v, δ = (5 m v² / 4 k)^0.4 (Hertz)."""
    speed = momentum_ns / mass_kg
    depth = contact_s * speed / 2.943
    one = np.ones_like(speed)
    return Strikes(
        mass_kg=mass_kg * one,
        speed_m_s=speed,
        hardness=1.25 * mass_kg * speed**2 / depth**2.5,
        loss=(1.0 - bounce) / speed,
        push_n=(hand.push_n if hand else 0.3) * one,
        held_s=(hand.held_s if hand else 0.005) * one,
    )


def half_sine_pulses(
    onset_s: npt.ArrayLike, momentum_ns: npt.ArrayLike, contact_s: npt.ArrayLike, *, size: int, fs: float
) -> FloatArray:
    """Half-sine pulses of force in N, shape (size,); each keeps its momentum at any rate `fs`, starts at its onset."""
    onset, momentum, contact = np.broadcast_arrays(*map(np.atleast_1d, (onset_s, momentum_ns, contact_s)))
    if not onset.size:
        return np.zeros(size)
    first = np.floor(onset * fs).astype(np.int64)
    index = first[:, None] + np.arange(int(contact.max() * fs) + 3)
    phase = np.clip((index / fs - onset[:, None]) / contact[:, None], 0.0, 1.0)
    force = np.diff((1.0 - np.cos(np.pi * phase)) / 2.0 * (momentum * fs)[:, None], axis=1)
    index = index[:, 1:]
    inside = (index >= 0) & (index < size)
    return np.asarray(np.bincount(index[inside], force[inside], size), float)


@lru_cache(maxsize=32)
def make_door(number: int) -> Door:
    """The door of a number; the same number gives the same door."""
    rng = np.random.default_rng([number, 7001])
    modes = compute_modes(draw_structure(rng), rng)
    positions, sense = _sense(modes, rng)
    bits = int(rng.choice([8, 10, 12, 16], p=[0.15, 0.4, 0.3, 0.15]))
    half_lost = rng.random() < 0.18
    supply = float(rng.choice([2.0, 3.3, 5.0]))
    low, high, bias = (-supply / 2.0, supply / 2.0, 0.0) if rng.random() < 0.4 else (0.0, supply, supply / 2.0)
    if half_lost:
        low, high, bias = 0.0, supply, rng.uniform(0.0, 2.0) * supply / 2**bits
    step, head = supply / 2**bits, high - bias
    s = modes.structure
    spots = modes.skin(rng.uniform(0.2, 0.8, 6) * s.length_m, rng.uniform(0.2, 0.8, 6) * s.height_m)
    response = compute_responses(modes, spots, sense, fs=8000.0, longest_s=0.2)
    pulse = half_sine_pulses(0.0, 1.5 * REFERENCE_NS, REFERENCE_CONTACT_S, size=40, fs=8000.0)  # 1.5: it rebounds
    heard = signal.oaconvolve(response, pulse[None, None], axes=-1)
    peak = np.median(np.abs(heard).max(axis=-1), axis=0)
    middle = np.exp(np.log(peak).mean())
    quietest, loudest = max(12.0 * step, 0.006 * head), 3.0 * head
    spread = (number * 0.618034 % 1.0) ** 1.4  # golden ratio: any few doors are spread; more are deaf than loud
    target = quietest * (loudest / quietest) ** spread
    gain = target / middle * (middle / peak) ** 0.6  # people turn the gain up where a position is deaf, if not wholly
    reference = gain * peak
    noise = np.hypot(rng.uniform(0.1, 0.7) * step, reference * 10.0 ** (rng.uniform(-58.0, -32.0) / 20.0))
    return Door(
        number=number,
        modes=modes,
        positions=positions,
        sense=sense,
        gain=gain,
        reference_v=reference,
        range_v=(low, high),
        bias_v=bias,
        adc_bits=bits,
        high_pass_hz=log_uniform(rng, 5.0, 30.0),
        low_pass_hz=log_uniform(rng, 800.0, 4000.0) if rng.random() < 0.3 else 0.0,
        noise_v=noise,
        hum_v=reference * 10.0 ** (rng.uniform(-60.0, -26.0) / 20.0),
        hands=tuple(_hand(rng) for _ in range(5)),
    )
