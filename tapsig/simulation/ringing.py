"""Response of a door: from excitations in newtons to the voltages of four sensors, before the converter."""

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from tapsig.simulation.excitation import Excitation, Impacts, Place, Span, Touch, sample_half_sines
from tapsig.simulation.sensor import REFERENCE_C
from tapsig.simulation.structure import (
    FloatArray32,
    Pulses,
    Structure,
    compute_step,
    pad_lanes,
    ring,
    ring_with_rattler,
)
from tapsig.simulation.vehicle import POSITIONS, Vehicle, build_structure
from tapsig.units import FloatArray

DRIFT_STEP_S = 2.0  # modes are constant for this long, then follow the temperature
REFERENCE_TAP = (12.0, 3e-3)  # N and s: the tap for which a sensor's load is chosen
CALIBRATION_RATE_HZ = 8000.0  # fixed, so that levels do not depend on the simulation's rate
RATTLE_LABEL_N = 0.3
RATTLE_PAUSE_S = 0.02


@dataclass(frozen=True, slots=True)
class Modes:
    """A door's modes in one recording, shape (n,) each: angular frequencies at its start and decay rates (rad/s, 1/s).

    `omega_per_s` is the change of the angular frequencies in a second, as a fraction of them.
    """

    structure: Structure
    omega: FloatArray
    decay: FloatArray
    omega_per_s: FloatArray

    @classmethod
    def draw(cls, structure: Structure, temperature_c: float, rng: np.random.Generator) -> "Modes":
        """Warmth softens the skins (low modes most) and moves the damping sheet off its optimum (amounts invented)."""
        frequencies = structure.frequencies_hz
        low = frequencies[0] / frequencies
        # One draw for each mode order, more than any door has: lower modes do not depend on the highest mode.
        own = rng.standard_normal(8000)[: frequencies.size]
        warmth = temperature_c - REFERENCE_C
        slope = rng.uniform(2e-4, 8e-4) + rng.uniform(5e-4, 4e-3) * low
        omega = 1.0 - slope * warmth + 0.004 * own
        sheet = math.exp(-((warmth / 32.0) ** 2)) * float(np.exp(0.15 * rng.standard_normal()))
        decay = 1.0 + structure.share("outer") * (max(sheet, 0.35) - 1.0)
        kelvin_per_s = rng.uniform(-0.02, 0.02)
        decay = decay * np.exp(0.1 * rng.standard_normal(8000)[: frequencies.size])
        return cls(structure, structure.omega * omega, structure.zeta * structure.omega * decay, -slope * kelvin_per_s)


@dataclass(frozen=True, slots=True)
class DoorSound:
    """Volts at each position (before bias, noise and rails), of everything and of the taps alone, and the modes.

    `hits` are the simulated contacts of the loose part, if there is one.
    """

    volts: Mapping[str, FloatArray]
    taps_volts: Mapping[str, FloatArray]
    hits: tuple[Impacts, ...]
    modes: Modes


@lru_cache(maxsize=8)
def calibrate(vehicle: Vehicle) -> Mapping[str, float]:
    """Fraction of full scale per unit of strain at each position, so that a typical tap reaches the chosen level."""
    fs = CALIBRATION_RATE_HZ
    structure = build_structure(vehicle, 0.45 * fs)
    force, contact = REFERENCE_TAP
    tap = Impacts.at(vehicle.tap_places[0], "tap", np.array([1e-3]), np.array([contact]), np.array([force]))
    span, omega = Span(0.3, fs), structure.omega
    modes = Modes(structure, omega, structure.zeta * omega, np.zeros_like(omega))
    strain, _ = _ring_span(modes, vehicle, Excitation(impacts=(tap,)), span, [(0, span.samples)])
    gains = {}
    for index, position in enumerate(POSITIONS):
        volts = vehicle.circuits[position].respond(vehicle.mounts[position].transmit(strain[index], fs), fs)
        gains[position] = vehicle.level[position] / float(np.abs(volts).max())
    return gains


def simulate_response(
    vehicle: Vehicle,
    excitation: Excitation,
    tapping: Excitation,
    span: Span,
    rng: np.random.Generator,
    *,
    temperature_c: float,
    max_hz: float,
) -> DoorSound:
    """Simulate the response to `excitation`, and to its part `tapping` alone for the ground truth."""
    modes = Modes.draw(build_structure(vehicle, max_hz), temperature_c, rng)
    gains = calibrate(vehicle)
    wobble = np.exp(0.05 * rng.standard_normal(len(POSITIONS)))
    windows = _tap_windows(tapping, span)

    def listen(what: Excitation, spans: list[tuple[int, int]]) -> tuple[dict[str, FloatArray], FloatArray32 | None]:
        strain, contact = _ring_span(modes, vehicle, what, span, spans)
        volts = {}
        for index, position in enumerate(POSITIONS):
            passed = vehicle.mounts[position].transmit(strain[index].astype(np.float64), span.fs)
            signal = vehicle.circuits[position].respond(passed, span.fs, temperature_c=temperature_c)
            volts[position] = signal * (gains[position] * wobble[index] * vehicle.converter.full_scale_v)
        return volts, contact

    volts, contact = listen(excitation, [(0, span.samples)])
    taps_volts = listen(tapping, windows)[0] if windows else {}
    loose = excitation.loose
    hits = () if loose is None or contact is None else (_rattle_impacts(contact, loose.place, span.fs),)
    return DoorSound(volts, taps_volts, hits, modes)


def _tap_windows(tapping: Excitation, span: Span) -> list[tuple[int, int]]:
    """Stretches in samples, each from just before a group of taps until the last one has mostly decayed."""
    onsets = np.concatenate([[], *(impacts.onset_s for impacts in tapping.impacts)])
    windows: list[tuple[int, int]] = []
    for onset in np.sort(onsets):
        first, last = int(onset * span.fs) - 1, int((onset + 0.5) * span.fs)
        first, last = max(first, 0), min(last, span.samples)
        if windows and first <= windows[-1][1]:
            windows[-1] = (windows[-1][0], last)
        elif first < last:
            windows.append((first, last))
    return windows


def _sample_contacts(structure: Structure, groups: tuple[Impacts, ...], fs: float) -> Pulses:
    """All contacts as sampled pulses, in order of their start, with the modal row of each place."""
    kept = [impacts for impacts in groups if impacts.onset_s.size]
    places = tuple(place for impacts in kept for place in impacts.places)
    firsts = np.cumsum([0, *(len(impacts.places) for impacts in kept)])[:-1]
    onset, duration, force = (
        np.concatenate([[], *(getattr(impacts, name) for impacts in kept)])
        for name in ("onset_s", "duration_s", "force_n")
    )
    owner = [impacts.place + first for impacts, first in zip(kept, firsts, strict=True)]
    order = np.argsort(onset, kind="stable")
    starts, lengths, offsets, forces = sample_half_sines(onset[order], duration[order], force[order], fs)
    rows = np.concatenate([np.zeros(0, np.int64), *owner])[order].astype(np.int64)
    modal_rows = _vectors(structure, places) if places else np.zeros((1, structure.omega.size))
    longest = int(lengths.max(initial=0))
    return starts, lengths, longest, offsets, rows, forces.astype(np.float32), pad_lanes(modal_rows)


def _ring_span(
    modes: Modes, vehicle: Vehicle, what: Excitation, span: Span, windows: list[tuple[int, int]]
) -> tuple[FloatArray32, FloatArray32 | None]:
    """Strain at the four positions, shape (4, n), zero outside `windows`, and the loose part's contact force."""
    structure = modes.structure
    pulses = _sample_contacts(structure, what.impacts, span.fs)
    discs = [(*vehicle.sensor_places[position], vehicle.mounts[position].radius_m) for position in POSITIONS]
    sense = pad_lanes(np.stack([structure.sense(*disc) for disc in discs]))
    rows = [-structure.heave, *(np.array(drive.weights) @ _vectors(structure, drive.places) for drive in what.drives)]
    base = what.base if what.base is not None else np.zeros(span.samples)
    signals = [base, *(drive.newtons for drive in what.drives)]
    contact, rattling, swing = None, None, np.zeros(2)
    if what.loose is not None:
        rows.append(structure.vector(*what.loose.place))
        signals.append(np.zeros(span.samples))
        contact, thing = np.zeros(span.samples, np.float32), (what.loose.as_array(), swing, what.loose.pull)
        rattling = (thing, pad_lanes(rows[-1]), contact, span.fs)
    driving = (np.stack(signals).astype(np.float32), pad_lanes(np.stack(rows)))
    out = np.zeros((len(POSITIONS), span.samples), np.float32)
    # A hand is a dashpot c at a point: it adds ½·c·φ² to the decay rates, and leaves the mode shapes unchanged.
    touched = [0.5 * touch.damping_ns_m * structure.vector(*touch.place) ** 2 for touch in what.touches]
    for first, last in windows:
        phasors = (np.zeros_like(sense[0]), np.zeros_like(sense[0]))
        swing[:] = 0.0
        for begin, end, held in _segments(first, last, what.touches, span):
            moved = modes.omega * (1.0 + modes.omega_per_s * (begin / span.fs))
            step = compute_step(moved, modes.decay + sum(touched[i] for i in held), span.fs)
            ringing = (phasors, step, driving, pulses, sense, out, begin, end)
            if rattling is None:
                ring(*ringing)
            else:
                ring_with_rattler(*ringing, *rattling)
    return out, contact


def _vectors(structure: Structure, places: tuple[Place, ...]) -> FloatArray:
    return np.stack([structure.vector(*place) for place in places])


def _segments(first: int, last: int, touches: tuple[Touch, ...], span: Span) -> list[tuple[int, int, list[int]]]:
    """Stretches with constant modes: (first sample, last sample, active touches)."""
    step = round(DRIFT_STEP_S * span.fs)
    edges = {first, last, *range((first // step + 1) * step, last, step)}
    bounds = [(round(touch.start_s * span.fs), round(touch.stop_s * span.fs)) for touch in touches]
    edges.update(edge for pair in bounds for edge in pair if first < edge < last)
    ordered = sorted(edges)
    return [
        (begin, end, [i for i, (on, off) in enumerate(bounds) if on <= begin and end <= off])
        for begin, end in itertools.pairwise(ordered)
    ]


def _rattle_impacts(contact: FloatArray32, place: Place, fs: float) -> Impacts:
    """The simulated contacts of the loose part: onset, duration, peak force; strong ones apart get a label."""
    touching = np.diff((contact > 0.0).astype(np.int8), prepend=0, append=0)
    begins, ends = np.flatnonzero(touching == 1), np.flatnonzero(touching == -1)
    peaks = np.array([contact[b:e].max() for b, e in zip(begins, ends, strict=True)])
    onsets = begins / fs
    named = np.zeros(begins.size, dtype=bool)
    last = -math.inf
    for i in np.flatnonzero(peaks >= RATTLE_LABEL_N):
        if onsets[i] - last >= RATTLE_PAUSE_S:
            named[i], last = True, onsets[i]
    return Impacts.at(place, "rattle", onsets, (ends - begins) / fs, peaks, named=named)
