"""The road: ISO 8608 profiles under a quarter car, potholes and joints, and passing trucks."""

from collections.abc import Mapping

import numpy as np
from scipy.signal import butter, lfilter, sosfilt

from tapsig.errors import ParameterError
from tapsig.simulation.excitation import (
    Drive,
    Excitation,
    Span,
    label_onsets,
    log_uniform,
    log_uniforms,
    scatter_places,
)
from tapsig.simulation.vehicle import Vehicle
from tapsig.units import FloatArray, check_positive

# ISO 8608: geometric mean of the displacement spectrum Gd at n0 = 0.1 cycle/m, in 1e-6 m³.
ROAD_CLASSES: Mapping[str, float] = dict(zip("ABCDEFGH", (16 * 4**i for i in range(8)), strict=True))
REFERENCE_CYCLES_M = 0.1
# The quarter car of ASTM E1926: tyre and spring stiffness, damping and unsprung mass, all over the sprung mass.
GOLDEN_CAR = {"tyre": 653.0, "spring": 63.3, "damper": 6.0, "unsprung": 0.15}


def simulate_road_profile(spacing_m: FloatArray, road_class: str, rng: np.random.Generator) -> FloatArray:
    """Height in metres of a road of an ISO 8608 class after each step of `spacing_m` (n,): Gd(n) = Gd(n0)·(n/n0)⁻².

    A slope that is white noise of the one-sided density (2π·n0)²·Gd(n0) has that spectrum; hills longer than 200 m are
    left out. Raises ParameterError for an unknown class.
    """
    if road_class not in ROAD_CLASSES:
        raise ParameterError(f"road_class is {road_class!r}; there are: {', '.join(ROAD_CLASSES)}")
    density = (2.0 * np.pi * REFERENCE_CYCLES_M) ** 2 * ROAD_CLASSES[road_class] * 1e-6
    rises = np.sqrt(density * spacing_m / 2.0) * rng.standard_normal(spacing_m.size)
    keep = float(np.exp(-2.0 * np.pi * 0.005 * spacing_m.mean()))
    return np.asarray(lfilter([1.0], [1.0, -keep], rises))


def quarter_car_matrix(parameters: Mapping[str, float] = GOLDEN_CAR) -> FloatArray:
    """State matrix of (body height, its speed, wheel height, its speed); its eigenvalues are the car's poles."""
    k1, k2, c, mu = (parameters[name] for name in ("tyre", "spring", "damper", "unsprung"))
    return np.array(
        [[0.0, 1.0, 0.0, 0.0], [-k2, -c, k2, c], [0.0, 0.0, 0.0, 1.0], [k2 / mu, c / mu, -(k1 + k2) / mu, -c / mu]]
    )


def quarter_car_acceleration(profile_m: FloatArray, fs: float) -> FloatArray:
    """Acceleration of the body in m/s² over a profile sampled in time; exact for a profile held between samples."""
    check_positive("fs", fs)
    matrix = quarter_car_matrix()
    entry = np.array([0.0, 0.0, 0.0, GOLDEN_CAR["tyre"] / GOLDEN_CAR["unsprung"]])
    poles, vectors = np.linalg.eig(matrix)
    weights = np.linalg.solve(vectors, entry.astype(complex))
    output = matrix[1] @ vectors  # the body's acceleration is the second row of the state equation
    total = np.zeros(profile_m.size)
    for pole, weight, gain in zip(poles, weights, output, strict=True):
        if pole.imag <= 0.0:  # the conjugate follows from the real part
            continue
        turn = np.exp(pole / fs)
        state = lfilter([0.0, gain * weight * (turn - 1.0) / pole], [1.0, -turn], profile_m.astype(complex))
        total += 2.0 * np.asarray(state).real
    return total


def band_noise(span: Span, low_hz: float, high_hz: float, rng: np.random.Generator) -> FloatArray:
    """Gaussian noise of rms 1 between two frequencies (second-order slopes)."""
    sos = butter(2, [low_hz, min(high_hz, 0.45 * span.fs)], "bandpass", fs=span.fs, output="sos")
    settle = int(0.2 * span.fs)
    noise = np.asarray(sosfilt(sos, rng.standard_normal(span.samples + settle)))[settle:]
    return noise * np.sqrt(0.5 * span.fs / ((high_hz - low_hz) * 1.11))


def slow_noise(span: Span, rate_hz: float, rng: np.random.Generator) -> FloatArray:
    """Gaussian noise of about `rate_hz` of bandwidth: rms 1 at its knots, √(2/3) in all, since it is linear between."""
    knots = rng.standard_normal(int(span.duration_s * rate_hz) + 4)
    return np.interp(span.times_s * rate_hz, np.arange(knots.size), knots)


def pulse_train(span: Span, onsets_s: FloatArray, lengths_s: FloatArray, newtons: FloatArray) -> FloatArray:
    """Half-sine forces on the body, added up, shape (n,)."""
    force = np.zeros(span.samples)
    for onset, length, peak in zip(onsets_s, lengths_s, newtons, strict=True):
        begin, end = int(onset * span.fs), min(int((onset + length) * span.fs), span.samples)
        phase = (np.arange(begin, end) / span.fs - onset) / length
        force[begin:end] += peak * np.sin(np.pi * np.clip(phase, 0.0, 1.0))
    return force


def poisson_times(span: Span, rate_hz: float, rng: np.random.Generator) -> FloatArray:
    """Times of a Poisson process over the span, ascending."""
    count = int(rng.poisson(rate_hz * span.duration_s))
    return np.sort(rng.uniform(0.0, span.duration_s, count))


def driving(vehicle: Vehicle, span: Span, rng: np.random.Generator) -> Excitation:
    """Rolling over a class A–E road: body motion, structure-borne noise, engine, potholes and joints ("thump")."""
    road_class = str(rng.choice(list("ABCDE"), p=[0.15, 0.35, 0.3, 0.15, 0.05]))
    speed = np.clip(rng.uniform(3.0, 17.0) * (1.0 + 0.15 * slow_noise(span, 0.2, rng)), 1.5, 30.0)
    profile = simulate_road_profile(speed / span.fs, road_class, rng)
    footprint = max(1, int(0.12 / float(speed.mean()) * span.fs))  # a tyre averages over its contact length
    averaged = lfilter(np.full(footprint, 1.0 / footprint), [1.0], profile)
    base = quarter_car_acceleration(np.asarray(averaged), span.fs)
    # Structure-borne noise: 0.06 m/s² rms at 15 m/s on a class B road, 70–400 Hz (invented, of the order of floors).
    roughness = np.sqrt(ROAD_CLASSES[road_class] / ROAD_CLASSES["B"])
    base = base + 0.06 * roughness * (speed / 15.0) * band_noise(span, 70.0, 400.0, rng)
    base = base + _engine(span, rng, rng.uniform(0.01, 0.05))
    onsets, lengths, newtons = _bumps(span, float(speed.mean()), float(roughness), rng)
    pulses = pulse_train(span, onsets, lengths, newtons * span.strength)
    base = span.strength * base + vehicle.body.accelerate(pulses, span.fs)
    return Excitation(base=base, labels=label_onsets(onsets, "thump"))


def _bumps(
    span: Span, speed_m_s: float, roughness: float, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Random potholes and regular joints, each hit by both axles: onsets (s), lengths (s), forces (N)."""
    holes = poisson_times(span, 0.12 * max(roughness, 0.5), rng)
    spacing_s = rng.uniform(8.0, 20.0) / speed_m_s
    joints = np.arange(rng.uniform(0.0, spacing_s), span.duration_s, spacing_s) if rng.random() < 0.4 else np.zeros(0)
    front = np.concatenate([holes, joints])
    at_holes = log_uniforms(rng, 300.0, 3000.0, holes.size)
    newtons = np.append(at_holes, log_uniform(rng, 80.0, 400.0) * rng.uniform(0.8, 1.2, joints.size))
    lengths = np.clip(rng.uniform(0.1, 0.35, front.size) / speed_m_s, 0.006, 0.04)
    axle_s = rng.uniform(2.4, 3.2) / speed_m_s
    onsets, newtons = np.append(front, front + axle_s), np.append(newtons, newtons * rng.uniform(0.5, 1.1, front.size))
    order = np.argsort(onsets, kind="stable")
    return onsets[order], np.tile(lengths, 2)[order], newtons[order]


def _engine(span: Span, rng: np.random.Generator, level_m_s2: float) -> FloatArray:
    """Firing order of a four-cylinder engine and adjacent orders, with a slowly varying speed."""
    firing_hz = rng.uniform(25.0, 90.0) * (1.0 + 0.08 * slow_noise(span, 0.3, rng))
    phase = 2.0 * np.pi * np.cumsum(firing_hz) / span.fs
    amplitudes = level_m_s2 * np.array([0.4, 1.0, 0.35, 0.3, 0.15])
    total = np.zeros(span.samples)
    for order, amplitude in zip((0.5, 1.0, 1.5, 2.0, 3.0), amplitudes, strict=True):
        total += amplitude * np.sin(order * phase + rng.uniform(0.0, 6.28))
    return total


def truck(vehicle: Vehicle, span: Span, rng: np.random.Generator) -> Excitation:
    """Passing trucks: low-frequency noise through air and ground, a gust, and the clatter of a loose tailgate."""
    passes = rng.uniform(0.0, 1.0) * 6.0 + np.arange(0.0, span.duration_s, 12.0)
    passes = passes[passes < span.duration_s] if passes[0] < span.duration_s else np.array([0.5 * span.duration_s])
    times = span.times_s
    shaking, growling, gusts = np.zeros(span.samples), np.zeros(span.samples), np.zeros(span.samples)
    clatter = np.zeros(0)
    for nearest in passes:
        swell = np.exp(-0.5 * ((times - nearest) / rng.uniform(0.6, 2.0)) ** 2)
        shaking += rng.uniform(0.3, 1.5) * swell
        growling += rng.uniform(0.1, 0.6) * swell
        gusts += rng.uniform(0.5, 4.0) * np.exp(-0.5 * ((times - nearest - 0.2) / 0.12) ** 2)
        clatter = np.concatenate([clatter, nearest + rng.uniform(-1.2, 1.2, int(rng.integers(1, 5)))])
    clatter = np.sort(clatter[(clatter > 0.0) & (clatter < span.duration_s)])
    base = shaking * (_engine(span, rng, 0.2) + 0.1 * band_noise(span, 25.0, 160.0, rng))
    force = growling * band_noise(span, 30.0, 250.0, rng) + gusts
    lengths, newtons = rng.uniform(3e-3, 15e-3, clatter.size), log_uniforms(rng, 50.0, 800.0, clatter.size)
    base += vehicle.body.accelerate(pulse_train(span, clatter, lengths, newtons), span.fs)
    drive = Drive(span.strength * force, scatter_places("outer", rng, 8, margin=0.1), (1.0 / 8.0,) * 8)
    labels = label_onsets(np.append(passes, clatter), "truck")
    return Excitation(drives=(drive,), base=span.strength * base, labels=labels)
