"""A simulated door as a network of masses, springs and dampers, with loose parts, a piezo and its converter.

The linear part is solved by modes; a loose part is integrated in time against the motion of its node, and its contact
force acts on the network as one more excitation. All numbers are simulated; none was measured on a vehicle.
"""

import math
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

import numba
import numpy as np
import numpy.typing as npt
from scipy import fft, linalg, signal

from benchmarks.generators import log_uniform
from tapsig.units import FloatArray, IntArray

Float32Array = npt.NDArray[np.float32]
GROUND: Final = -1
REFERENCE_N: Final = 10.0  # peak of the reference tap, a half-sine of 3 ms: common practice, no source
REFERENCE_S: Final = 0.003

# Group: nodes (low, high), mass in kg, frequency in Hz of an edge's two masses on its spring alone, loss factor.
GROUPS: Final = {
    "skin": ((11, 20), (0.02, 0.22), (45.0, 900.0), (0.004, 0.025)),
    "frame": ((5, 9), (0.6, 2.2), (500.0, 2600.0), (0.15, 0.40)),
    "bracket": ((2, 4), (0.03, 0.2), (300.0, 2800.0), (0.02, 0.08)),
    "trim": ((3, 6), (0.05, 0.4), (40.0, 420.0), (0.10, 0.40)),
    "lock": ((1, 3), (0.2, 0.8), (300.0, 1800.0), (0.06, 0.20)),
    "glass": ((2, 5), (0.3, 1.0), (90.0, 800.0), (0.02, 0.06)),
    "linkage": ((2, 4), (0.01, 0.08), (25.0, 260.0), (0.03, 0.12)),
}
# Edges between groups: how many, frequency in Hz as above, loss factor.
JOINTS: Final = {
    ("frame", "skin"): ((4, 9), (120.0, 900.0), (0.08, 0.30)),
    ("bracket", "frame"): ((2, 4), (250.0, 1500.0), (0.04, 0.15)),
    ("bracket", "skin"): ((1, 3), (150.0, 1200.0), (0.02, 0.08)),
    ("trim", "frame"): ((3, 6), (60.0, 500.0), (0.10, 0.35)),
    ("lock", "frame"): ((2, 3), (300.0, 1800.0), (0.06, 0.20)),
    ("glass", "frame"): ((2, 4), (25.0, 160.0), (0.15, 0.40)),
    ("linkage", "lock"): ((1, 1), (30.0, 250.0), (0.04, 0.15)),
    ("linkage", "bracket"): ((1, 2), (30.0, 250.0), (0.04, 0.15)),
}


@dataclass(frozen=True, slots=True)
class Network:
    """Masses (kg, shape (n,)) joined by springs: edges (node, node or GROUND), shape (e, 2), N/m and loss factors."""

    mass_kg: FloatArray
    edges: IntArray
    stiffness_n_m: FloatArray
    loss_factor: FloatArray


@dataclass(frozen=True, slots=True)
class Modes:
    """Undamped frequencies, damping ratios, and shapes normalised to unit modal mass, shape (nodes, modes)."""

    frequency_hz: FloatArray
    damping_ratio: FloatArray
    shapes: FloatArray


@dataclass(frozen=True, slots=True)
class LoosePart:
    """A small mass on a soft hanger beside a node: it touches at a gap (m), or rests on the node if that is negative.

    `contact_hz` is its frequency on the contact's spring, which acts while pressed and never pulls.
    """

    node: int
    mass_kg: float
    gap_m: float
    hanger_hz: float
    hanger_damping: float
    contact_hz: float
    contact_damping: float


@dataclass(frozen=True, slots=True)
class Sensor:
    """A piezo: its charge follows the weighted motion (`quantity`) of nodes; `gain_v` = volts of one m/s2 or m."""

    position: str
    weights: FloatArray
    quantity: str
    gain_v: float = 1.0


@dataclass(frozen=True, slots=True)
class FrontEnd:
    """The amplifier and the converter of one door. `typical_v` is the peak that the reference tap gives."""

    typical_v: float
    range_v: tuple[float, float]
    adc_bits: int
    bias_v: float
    limits_v: tuple[float, float]
    highpass_hz: float
    lowpass: str
    lowpass_hz: float
    slew_v_s: float
    soft: bool
    white_v: float
    pink_v: float
    hum_v: float
    mains_hz: float
    jitter_s: float
    missing_codes: tuple[int, ...] = ()
    stuck_bit: int | None = None


@dataclass(frozen=True, slots=True)
class Door:
    """A door's structure, its nodes by group, the spots where people tap, loose parts, sensors and front end."""

    network: Network
    modes: Modes
    groups: dict[str, IntArray]
    spots: IntArray
    parts: tuple[LoosePart, ...]
    sensors: tuple[Sensor, ...]
    front_end: FrontEnd


def stiffness_matrix(network: Network) -> FloatArray:
    """The stiffness matrix in N/m, shape (n, n)."""
    n = network.mass_kg.size
    matrix = np.zeros((n, n))
    for (i, j), k in zip(network.edges, network.stiffness_n_m, strict=True):
        matrix[i, i] += k
        if j != GROUND:
            matrix[j, j] += k
            matrix[i, j] -= k
            matrix[j, i] -= k
    return matrix


def compute_modes(network: Network) -> Modes:
    """Modes of a network; damping by modal strain energy, zeta = sum(eta U) / (2 sum(U)) over the springs.

    Source: the loss factor in terms of energy, Ungar and Kerwin, J. Acoust. Soc. Am. 34 (1962) 954, from memory.
    """
    root = np.sqrt(network.mass_kg)
    squared, vectors = linalg.eigh(stiffness_matrix(network) / np.outer(root, root))
    shapes = vectors / root[:, None]
    padded = np.vstack([shapes, np.zeros(shapes.shape[1])])  # GROUND, the last row, stands still
    energy = network.stiffness_n_m[:, None] * (padded[network.edges[:, 0]] - padded[network.edges[:, 1]]) ** 2
    ratio = 0.5 * (network.loss_factor @ energy) / energy.sum(axis=0)
    return Modes(np.sqrt(np.maximum(squared, 0.0)) / (2 * np.pi), ratio, shapes)


def modal_responses(modes: Modes, fs: float, *, duration_s: float, quantity: str) -> FloatArray:
    """Response of each mode to a force held in one sample, shape (modes, n): "displacement" or "acceleration".

    Modes above 0.45 fs give 0. Source: unit impulse response of the damped oscillator, exp(-zeta w t) sin(wd t) / wd,
    its second derivative for the acceleration, where the force itself adds at t = 0 (half of the first step).
    """
    n = max(8, round(duration_s * fs))
    omega, zeta = 2 * np.pi * modes.frequency_hz, np.minimum(modes.damping_ratio, 0.95)
    damped = omega * np.sqrt(1 - zeta**2)
    pole = (-zeta * omega + 1j * damped)[:, None]
    acceleration = quantity == "acceleration"
    scale = (pole**2 if acceleration else 1.0) / damped[:, None] / fs
    block = math.isqrt(n) + 1  # exp(p t) over blocks times exp(p t) within one: few exponentials, n products
    within, blocks = np.exp(pole * (np.arange(block) / fs)), scale * np.exp(pole * (np.arange(block) * block / fs))
    response: FloatArray = (blocks[:, :, None] * within[:, None, :]).imag.reshape(omega.size, -1)[:, :n].copy()
    if acceleration:
        response[:, 0] = 1.0 + 0.5 * response[:, 0]
    tail = n // 6
    response[:, n - tail :] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(tail) / tail)
    response[modes.frequency_hz > 0.45 * fs] = 0.0
    return response


def kernels(
    modes: Modes, fs: float, *, outputs: list[tuple[FloatArray, str]], inputs: FloatArray, duration_s: float
) -> Float32Array:
    """Impulse responses from force patterns (shape (s, nodes)) to outputs (weights, quantity), shape (p, s, n)."""
    excited = inputs @ modes.shapes
    bases = {
        quantity: modal_responses(modes, fs, duration_s=duration_s, quantity=quantity).astype(np.float32)
        for quantity in {quantity for _, quantity in outputs}
    }
    rows = [((weights @ modes.shapes) * excited).astype(np.float32) @ bases[quantity] for weights, quantity in outputs]
    return np.stack(rows)


def transmit(forces: Float32Array, responses: Float32Array) -> Float32Array:
    """Sum over sources of forces (s, n) convolved with responses (p, s, m); shape (p, n). Overlap-add."""
    n, taps = forces.shape[1], responses.shape[2]
    size = fft.next_fast_len(min(3 * taps, n + taps), real=True)
    step = size - taps + 1
    spectra = fft.rfft(responses, size, axis=2)
    out = np.zeros((responses.shape[0], n + size), dtype=np.float32)
    for start in range(0, n, step):
        block = fft.rfft(forces[:, start : start + step], size, axis=1)
        out[:, start : start + size] += fft.irfft(np.einsum("psf,sf->pf", spectra, block), size, axis=1)
    return out[:, :n]


@partial(numba.njit, cache=False)
def contact_force(
    node_m: Float32Array,
    ground_m_s2: Float32Array,
    step_s: float,
    gap_m: float,
    hanger: tuple[float, float],
    contact: tuple[float, float],
    start_m_s: float,
) -> Float32Array:
    """Contact force for each kilogram of a loose part (m/s2, shape (n,)), averaged over each step.

    The part follows x'' = -ground'' - w0^2 (x - gap) - 2 z0 w0 x' + c with c = wc^2 p + 2 zc wc p' while the node
    presses by p = node - x > 0, and never below 0. `hanger` = (w0, z0), `contact` = (wc, zc); semi-implicit Euler.
    """
    w0, z0 = hanger
    wc, zc = contact
    substeps = max(1, int(np.ceil(wc * step_s / 0.2)))
    dt = step_s / substeps
    x = gap_m if gap_m >= 0 else gap_m * w0 * w0 / (w0 * w0 + wc * wc)
    v = start_m_s
    rest = max(0.0, -wc * wc * x)
    force = np.zeros(node_m.size, dtype=np.float32)
    before = 0.0
    for i in range(node_m.size):
        speed = (node_m[i] - before) / step_s
        total = 0.0
        for k in range(substeps):
            press = before + speed * dt * (k + 1) - x
            push = 0.0
            if press > 0.0:
                push = max(0.0, wc * wc * press + 2.0 * zc * wc * (speed - v))
            v += dt * (push - w0 * w0 * (x - gap_m) - 2.0 * z0 * w0 * v - ground_m_s2[i])
            x += dt * v
            total += push
        before = node_m[i]
        force[i] = total / substeps - rest
    return force


@partial(numba.njit, cache=False)
def limit_slew(volts: FloatArray, step_v: float) -> FloatArray:
    """The output of an amplifier that moves by at most `step_v` a sample, shape (n,)."""
    out = np.empty_like(volts)
    level = volts[0] if volts.size else 0.0
    for i in range(volts.size):
        level += min(step_v, max(-step_v, volts[i] - level))
        out[i] = level
    return out


def build_network(rng: np.random.Generator) -> tuple[Network, dict[str, IntArray]]:
    """A random door's network, and its nodes by group: random places, near nodes joined, groups joined by fixings."""
    counts = {name: int(rng.integers(low, high, endpoint=True)) for name, ((low, high), *_) in GROUPS.items()}
    ends = np.cumsum(list(counts.values()))
    groups = {name: np.arange(end - counts[name], end) for name, end in zip(counts, ends, strict=True)}
    mass = np.array([log_uniform(rng, *GROUPS[name][1]) for name, count in counts.items() for _ in range(count)])
    place = rng.uniform((0.0, 0.0), (1.0, 0.7), (mass.size, 2))
    angle = np.sort(rng.uniform(0, 2 * np.pi, counts["frame"]))
    place[groups["frame"]] = np.column_stack([0.5 + 0.55 * np.cos(angle), 0.35 + 0.4 * np.sin(angle)])
    stiffer, deader = log_uniform(rng, 0.65, 1.5), log_uniform(rng, 0.5, 2.0)
    rows: list[tuple[int, int, float, float]] = []

    def join(i: int, j: int, hz: tuple[float, float], loss: tuple[float, float]) -> None:
        reduced = mass[i] * mass[j] / (mass[i] + mass[j])
        stiffness = reduced * (2 * np.pi * stiffer * log_uniform(rng, *hz)) ** 2
        rows.append((i, j, float(stiffness), float(np.minimum(0.6, deader * log_uniform(rng, *loss)))))

    for name, nodes in groups.items():
        for at, node in enumerate(nodes[1:], start=1):  # each node to the nearest before it: the group holds together
            nearest = nodes[:at][np.argsort(np.hypot(*(place[nodes[:at]] - place[node]).T))]
            for other in nearest[: int(rng.integers(1, 4))]:
                join(int(node), int(other), GROUPS[name][2], GROUPS[name][3])
    for (first, second), (many, hz, loss) in JOINTS.items():
        for node in rng.permutation(groups[first])[: int(rng.integers(many[0], many[1], endpoint=True))]:
            distance = np.hypot(*(place[groups[second]] - place[node]).T)
            join(int(node), int(groups[second][int(np.argmin(distance))]), hz, loss)
    hinges = rng.permutation(groups["frame"])[:3]
    for node in groups["frame"]:  # two hinges and the latch carry the door; the seal runs all round
        hz, loss = ((60.0, 220.0), (0.08, 0.25)) if node in hinges else ((8.0, 22.0), (0.2, 0.5))
        stiffness = mass.sum() / 3 * (2 * np.pi * log_uniform(rng, *hz)) ** 2
        rows.append((int(node), GROUND, float(stiffness), log_uniform(rng, *loss)))
    table = np.array(rows)
    return Network(mass, table[:, :2].astype(np.int64), table[:, 2], table[:, 3]), groups | {"hinges": hinges}


def ring_time_s(response: Float32Array, fs: float) -> FloatArray:
    """Time in which the energy left (Schroeder's backward integral) falls by 20 dB, for each row; shape (p,)."""
    left = np.cumsum(response[:, ::-1].astype(np.float64) ** 2, axis=1)[:, ::-1]
    return np.asarray(np.argmax(left < 0.01 * left[:, :1], axis=1) / fs)


def _place_sensors(
    rng: np.random.Generator, network: Network, groups: dict[str, IntArray], ring_s: FloatArray
) -> list[Sensor]:
    """Three or four sensors: bare skin that rings for long, a bracket, a dead place on the frame, perhaps one more."""
    matrix, few = stiffness_matrix(network), rng.permutation(groups["skin"])[:8]
    nodes = {"skin": few[np.argmax(ring_s[few])], "bracket": rng.choice(groups["bracket"])}
    if rng.random() < 0.7:
        extra = str(rng.choice(["trim", "lock", "glass"]))
        nodes[extra] = rng.choice(groups[extra])
    nodes["frame"] = groups["frame"][np.argmin(ring_s[groups["frame"]])]
    sensors = []
    for name, node in nodes.items():
        weights = np.zeros(ring_s.size)
        weights[node] = 1.0
        strained = bool(rng.random() < (0.25 if name == "frame" else 0.4))
        if strained:  # glued across a joint: it follows the distance to the neighbour on the stiffest spring
            weights[np.argmin(np.where(np.arange(ring_s.size) == node, 0.0, matrix[node]))] = -1.0
        sensors.append(Sensor(name, weights, "displacement" if strained else "acceleration"))
    return sensors


def _loose_parts(
    rng: np.random.Generator, network: Network, groups: dict[str, IntArray], tap_m: FloatArray
) -> list[LoosePart]:
    """Two to five loose parts, their gaps in proportion to what the reference tap moves their nodes."""
    places = np.concatenate([groups[name] for name in ("skin", "bracket", "trim", "linkage", "glass", "lock")])
    parts = []
    for node in rng.choice(places, int(rng.integers(2, 6)), replace=False):
        gap = tap_m[node] * 10 ** rng.uniform(-0.8, 0.6)
        if rng.random() < 0.35:
            gap = -tap_m[node] * 10 ** rng.uniform(0.0, 1.4)
        restitution = np.log(rng.uniform(0.25, 0.75))
        parts.append(
            LoosePart(
                node=int(node),
                mass_kg=float(np.minimum(log_uniform(rng, 0.003, 0.05), 0.35 * network.mass_kg[node])),
                gap_m=float(gap),
                hanger_hz=log_uniform(rng, 3.0, 18.0),
                hanger_damping=float(rng.uniform(0.03, 0.2)),
                contact_hz=log_uniform(rng, 120.0, 900.0),
                contact_damping=float(-restitution / np.hypot(np.pi, restitution)),
            )
        )
    return parts


def build_front_end(rng: np.random.Generator) -> FrontEnd:
    """A random amplifier and converter: how loud, how fine, and which of the usual faults of cheap ones."""
    bits = int(rng.choice([8, 10, 10, 10, 12, 12, 16]))
    low, high, bias = [(-2.5, 2.5, 0.0), (0.0, 5.0, 2.5), (0.0, 3.3, 1.65), (0.0, 5.0, 1.7), (-1.0, 1.0, 0.0)][
        int(rng.integers(5))
    ]
    if rng.random() < 0.14:  # single-ended without bias: the negative half is lost
        low, bias = 0.0, 0.0
    half, count = (high - low) / 2, (high - low) / 2**bits
    typical = half * 10 ** (rng.uniform(max(20 * np.log10(20 * count / half), -48.0), 12.0) / 20)
    ceiling = high if rng.random() < 0.7 else bias + rng.uniform(0.45, 0.9) * (high - bias)
    floor = low if rng.random() < 0.8 else bias - rng.uniform(0.5, 0.95) * (bias - low)
    centre = int((bias - low) / count)
    missing: set[int] = set()
    if rng.random() < 0.3:  # codes just under a major transition, and a few others near the bias
        missing |= {code for code in range(15, 2**bits - 1, 16) if rng.random() < 0.4}
        missing |= {int(code) for code in rng.integers(max(0, centre - 40), min(2**bits - 1, centre + 40), 6)}
    return FrontEnd(
        typical_v=float(typical),
        range_v=(low, high),
        adc_bits=bits,
        bias_v=bias,
        limits_v=(float(floor), float(ceiling)),
        highpass_hz=log_uniform(rng, 5.0, 30.0),
        lowpass=str(rng.choice(["none", "rc", "rc", "sharp"])),
        lowpass_hz=log_uniform(rng, 300.0, 4000.0),
        slew_v_s=log_uniform(rng, 1.5e3, 4e4) if rng.random() < 0.35 else np.inf,
        soft=bool(rng.random() < 0.4),
        white_v=float(typical * 10 ** (-rng.uniform(32.0, 60.0) / 20)),
        pink_v=float(typical * 10 ** (-rng.uniform(32.0, 60.0) / 20)),
        hum_v=float(typical * 10 ** (-rng.uniform(22.0, 60.0) / 20)),
        mains_hz=float(rng.choice([50.0, 60.0])),
        jitter_s=log_uniform(rng, 5e-6, 8e-5) if rng.random() < 0.35 else 0.0,
        missing_codes=tuple(sorted(missing)),
        stuck_bit=int(rng.integers(2)) if rng.random() < 0.15 else None,
    )


def build_door(door: int) -> Door:
    """The door of this number."""
    rng = np.random.default_rng([door, 6101])
    network, groups = build_network(rng)
    modes = compute_modes(network)
    spots = np.concatenate(
        [rng.choice(groups["skin"], 4, replace=False), rng.choice(groups["glass"], 1), rng.choice(groups["frame"], 1)]
    )
    fs, nodes = 8000.0, np.eye(network.mass_kg.size)
    forces = np.zeros((1, round(0.6 * fs)), dtype=np.float32)
    count = round(REFERENCE_S * fs)
    forces[0, :count] = REFERENCE_N * np.sin(np.pi * np.arange(count) / count)

    def responses(outputs: list[tuple[FloatArray, str]]) -> list[Float32Array]:  # reference tap on each skin spot
        struck = kernels(modes, fs, outputs=outputs, inputs=nodes[spots[:4]], duration_s=0.6)
        return [transmit(forces, struck[:, [at]]) for at in range(4)]

    def peaks(outputs: list[tuple[FloatArray, str]]) -> FloatArray:
        return np.median([np.abs(response).max(axis=1) for response in responses(outputs)], axis=0)

    tap_m = peaks([(row, "displacement") for row in nodes])
    parts = _loose_parts(rng, network, groups, tap_m)
    candidates = np.concatenate([groups["skin"], groups["frame"]])
    ringing = responses([(row, "acceleration") for row in nodes[candidates]])
    ring_s = np.full(len(nodes), np.nan)
    ring_s[candidates] = np.median([ring_time_s(response, fs) for response in ringing], axis=0)
    sensors = _place_sensors(rng, network, groups, ring_s)
    front_end = build_front_end(rng)
    reference = peaks([(sensor.weights, sensor.quantity) for sensor in sensors])
    calibrated = tuple(
        replace(sensor, gain_v=float(front_end.typical_v / peak * 10 ** (np.clip(rng.normal(0.0, 4.0), -8, 8) / 20)))
        for sensor, peak in zip(sensors, reference, strict=True)
    )
    return Door(network, modes, groups, spots, tuple(parts), calibrated, front_end)


def respond(
    door: Door, patterns: FloatArray, forces: Float32Array, fs: float, *, ground_m_s2: Float32Array | None = None
) -> Float32Array:
    """Volts of each sensor before the front end, shape (p, n), for force patterns (s, nodes) with histories (s, n).

    Loose parts feel the linear motion of their nodes; their contact forces are then transmitted like any other.
    """
    outputs = [(sensor.weights * sensor.gain_v, sensor.quantity) for sensor in door.sensors]
    unit = np.eye(door.network.mass_kg.size)
    loose = unit[[part.node for part in door.parts]]
    count, ring_s = len(outputs), 1.6
    everywhere = outputs + [(row, "displacement") for row in loose]
    moved = transmit(forces, kernels(door.modes, fs, outputs=everywhere, inputs=patterns, duration_s=ring_s))
    ground = np.zeros(forces.shape[1], dtype=np.float32) if ground_m_s2 is None else ground_m_s2
    pushes = np.zeros((len(door.parts), forces.shape[1]), dtype=np.float32)
    for row, part, node_m in zip(pushes, door.parts, moved[count:], strict=True):
        hanger = (2 * np.pi * part.hanger_hz, part.hanger_damping)
        contact = (2 * np.pi * part.contact_hz, part.contact_damping)
        row[:] = -part.mass_kg * contact_force(node_m, ground, 1 / fs, part.gap_m, hanger, contact, 0.0)
    echo = transmit(pushes, kernels(door.modes, fs, outputs=outputs, inputs=loose, duration_s=ring_s))
    return moved[:count] + echo


def band_limit(volts: FloatArray, fs: float, front_end: FrontEnd, *, sample_rate_hz: float) -> FloatArray:
    """The piezo's RC high-pass, the front end's low-pass and the amplifier's slew limit, shape (n,)."""
    b, a = signal.butter(1, front_end.highpass_hz, "highpass", fs=fs)
    volts = signal.lfilter(b, a, volts)
    if front_end.lowpass == "rc" and front_end.lowpass_hz < 0.45 * fs:
        b, a = signal.butter(1, front_end.lowpass_hz, fs=fs)
        volts = signal.lfilter(b, a, volts)
    elif front_end.lowpass == "sharp" and sample_rate_hz < fs:
        volts = signal.sosfilt(signal.butter(6, 0.4 * sample_rate_hz, fs=fs, output="sos"), volts)
    if np.isfinite(front_end.slew_v_s):
        volts = limit_slew(np.ascontiguousarray(volts, dtype=np.float64), front_end.slew_v_s / fs)
    return np.asarray(volts, dtype=np.float64)


def pick_up(front_end: FrontEnd, n: int, fs: float, rng: np.random.Generator) -> FloatArray:
    """Noise in volts, shape (n,): white, 1/f above 0.5 Hz, and mains hum whose level breathes slowly."""
    spectrum = fft.rfft(rng.standard_normal(n))
    spectrum *= 1 / np.sqrt(np.maximum(fft.rfftfreq(n, 1 / fs), 0.5))
    spectrum[0] = 0.0
    pink = fft.irfft(spectrum, n)
    time_s = np.arange(n) / fs
    hum = np.zeros(n)
    for order, share in ((1, 1.0), (2, 0.3), (3, 0.45), (5, 0.2), (7, 0.1)):
        if order * front_end.mains_hz < 0.5 * fs:
            share *= rng.uniform(0.3, 1.0)
            hum += share * np.sin(2 * np.pi * order * front_end.mains_hz * time_s + rng.uniform(0, 2 * np.pi))
    hum *= 1 + 0.1 * np.sin(2 * np.pi * rng.uniform(0.05, 0.4) * time_s + rng.uniform(0, 2 * np.pi))
    noise = front_end.white_v * rng.standard_normal(n) + front_end.hum_v * hum
    return noise + front_end.pink_v * pink / max(float(np.std(pink)), 1e-30)


def saturate(volts: FloatArray, front_end: FrontEnd) -> FloatArray:
    """The amplifier's output about its bias, bent (tanh) or cut at its limits, shape (n,)."""
    low, high = front_end.limits_v
    out = volts + front_end.bias_v
    if front_end.soft:
        for side, room in ((volts > 0, high - front_end.bias_v), (volts < 0, front_end.bias_v - low)):
            if room > 0:
                out[side] = front_end.bias_v + np.sign(volts[side]) * room * np.tanh(np.abs(volts[side]) / room)
    return np.clip(out, low, high)


def convert(volts: FloatArray, front_end: FrontEnd) -> FloatArray:
    """What the converter gives, in volts, shape (n,): rounded counts, stuck bit, missing codes, its rails."""
    (low, high), top = front_end.range_v, 2**front_end.adc_bits - 1
    step = (high - low) / (top + 1)
    codes = np.arange(top + 1)
    while (absent := np.isin(codes, front_end.missing_codes)).any():
        codes[absent] += 1  # the next code that exists; the top code is never missing
    if front_end.stuck_bit is not None:
        codes = codes | 1 if front_end.stuck_bit else codes & ~1
    counts = np.clip(np.floor((volts - low) / step + 0.5), 0, top).astype(np.int64)
    return np.asarray(low + codes[counts] * step, dtype=np.float64)


def at_instants(volts: FloatArray, fs: float, instants_s: FloatArray) -> FloatArray:
    """Values at given instants by linear interpolation, shape of `instants_s`."""
    at = np.clip(instants_s * fs, 0, volts.size - 1.001)
    first = at.astype(np.int64)
    return volts[first] + (at - first) * (volts[first + 1] - volts[first])
