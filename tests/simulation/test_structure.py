"""Coupled modes and how they ring, against closed forms and a reference library."""

import itertools
import math

import numpy as np
import pytest
from pyroomacoustics.experimental import measure_rt60

from tapsig.errors import ParameterError
from tapsig.simulation import structure
from tapsig.simulation.excitation import sample_half_sines
from tapsig.simulation.panel import Bar, Plate
from tapsig.simulation.structure import Structure, Tie, assemble, compute_step, pad_lanes, ring
from tapsig.simulation.vehicle import build_structure, find_vehicle, random_vehicle
from tests.fakes import third_octaves

NOTHING = np.zeros(0, np.int64)
NO_PULSES = (NOTHING, NOTHING, 0, NOTHING, NOTHING, np.zeros(0, np.float32), np.zeros((1, 16), np.float32))


def at_rest(modes: int) -> tuple[np.ndarray, np.ndarray]:
    return pad_lanes(np.zeros(modes)), pad_lanes(np.zeros(modes))


def ring_one_mode(hz: float, zeta: float, pulse: np.ndarray, seconds: float, fs: float) -> np.ndarray:
    """One mode driven by a force `pulse`."""
    omega = np.array([2 * math.pi * hz])
    return ring_freely(omega, zeta * omega, np.ones(1), pulse, seconds, fs)


def ring_freely(
    omega: np.ndarray,
    decay: np.ndarray,
    weights: np.ndarray,
    pulse: np.ndarray,
    seconds: float,
    fs: float,
    rows: np.ndarray | None = None,
) -> np.ndarray:
    """Σ weights·q of modes driven by a force `pulse` from sample 0 through `rows` (ones when not given)."""
    count = round(seconds * fs)
    drives, out = np.zeros((1, count), np.float32), np.zeros((4, count), np.float32)
    drives[0, : pulse.size] = pulse
    driving = (drives, pad_lanes(np.ones((1, omega.size)) if rows is None else rows[None]))
    step, sense = compute_step(omega, decay, fs), pad_lanes(np.tile(weights, (4, 1)))
    ring(at_rest(omega.size), step, driving, NO_PULSES, sense, out, 0, count)
    return out[0].astype(np.float64)


def schroeder_decay_s(samples: np.ndarray, fs: float, upper_db: float, lower_db: float) -> float:
    """Decay time of a free ring-down, extrapolated to 60 dB from the range between two levels (ISO 3382-1)."""
    energy = np.cumsum(samples[::-1] ** 2)[::-1]
    level = 10 * np.log10(energy / energy[0])
    inside = (level <= upper_db) & (level >= lower_db)
    slope = np.polyfit(np.flatnonzero(inside) / fs, level[inside], 1)[0]
    return float(-60.0 / slope)


@pytest.mark.parametrize(("hz", "zeta"), [(120.0, 0.004), (440.0, 0.002), (900.0, 0.01), (2500.0, 0.03)])
def test_ring_down_has_the_decay_time_of_its_loss_factor(hz: float, zeta: float) -> None:
    # T60 = 2.1988/(η f) with η = 2ζ, from 60 dB = 3·ln 10/(ζω); recovered by Schroeder's backward integration.
    fs, expected = 8000.0, 2.1988 / (2 * zeta * hz)
    heard = ring_one_mode(hz, zeta, np.ones(1), min(max(1.4 * expected, 0.1), 4.0), fs)
    for decay_db in (20, 30):
        assert schroeder_decay_s(heard, fs, -5, -5 - decay_db) == pytest.approx(expected, rel=0.01)
        theirs = measure_rt60(heard, fs=round(fs), decay_db=decay_db)  # the reference library
        assert theirs == pytest.approx(expected, rel=0.03)


def test_one_mode_equals_the_closed_step_response() -> None:
    # q'' + 2ζω q' + ω² q = 1: q = (1 − e^(−ζωt)(cos ω_d t + ζω/ω_d sin ω_d t))/ω² (any text on vibration).
    fs, omega, zeta = 8000.0, 2 * math.pi * 300.0, 0.02
    found = ring_one_mode(300.0, zeta, np.ones(800), 0.1, fs)
    t, damped = np.arange(1, 801) / fs, omega * math.sqrt(1 - zeta**2)
    decay = np.exp(-zeta * omega * t)
    exact = (1 - decay * (np.cos(damped * t) + zeta * omega / damped * np.sin(damped * t))) / omega**2
    assert found == pytest.approx(exact, abs=1e-5 / omega**2)


def test_any_division_into_segments_gives_the_same_samples() -> None:
    rng = np.random.default_rng(1)
    omega = 2 * math.pi * rng.uniform(50, 3000, 37)
    step = compute_step(omega, 0.01 * omega, 8000.0)
    drives = rng.standard_normal((2, 900)).astype(np.float32)
    rows, sense = (pad_lanes(rng.standard_normal((count, 37))) for count in (2, 4))
    starts, lengths, offsets, values = sample_half_sines(
        np.array([0.01, 0.0101, 0.05]), np.array([3e-3, 1e-4, 8e-3]), np.array([5.0, 50.0, 2.0]), 8000.0
    )
    places, modal_rows = np.array([0, 1, 0]), pad_lanes(rng.standard_normal((2, 37)))
    pulses = (starts, lengths, int(lengths.max()), offsets, places, values.astype(np.float32), modal_rows)
    outputs = []
    for edges in ([0, 900], [0, 1, 80, 81, 401, 402, 420, 900]):
        phasors, out = at_rest(37), np.zeros((4, 900), np.float32)
        for begin, end in itertools.pairwise(edges):
            ring(phasors, step, (drives, rows), pulses, sense, out, begin, end)
        outputs.append(out)
    assert np.array_equal(outputs[0], outputs[1])


def two_bars(stiffness: float) -> Structure:
    parts = {name: Bar(1.0, 4000.0, 1.5).solve(3000.0) for name in ("left", "right")}
    zetas = {name: np.full(parts[name].omega.size, zeta) for name, zeta in (("left", 0.01), ("right", 0.03))}
    return assemble(parts, zetas, (Tie(("left", 0.5, 0.5), ("right", 0.5, 0.5), stiffness),), 3000.0)


def test_two_equal_bars_on_a_spring_split_as_symmetry_demands() -> None:
    # In phase the spring does nothing; out of phase it acts as 2k on one bar. Damping is the mean of both parts'.
    structure = two_bars(1e4)
    alone = Bar(1.0, 4000.0, 1.5).solve(3000.0)
    assert np.min(np.abs(structure.omega - alone.omega[0])) < 1e-6
    split = math.sqrt(alone.omega[0] ** 2 + 2e4 * alone.shape(0.5, 0.5)[0] ** 2)
    assert structure.omega[1] == pytest.approx(split, rel=2e-3)  # higher modes soften it a little
    assert structure.zeta[0] == pytest.approx(0.02, rel=1e-6)
    assert structure.share("left")[0] == pytest.approx(0.5, rel=1e-6)


def test_reciprocity_between_two_points() -> None:
    # Rayleigh's reciprocity: the response at B to a force at A equals that at A to the same force at B.
    structure = build_structure(find_vehicle("heron"), 1500.0)
    tap, other = structure.vector("outer", 0.8, 0.7), structure.vector("inner", 0.4, 0.4)
    omega, decay = structure.omega, structure.omega * structure.zeta
    there = ring_freely(omega, decay, other, np.ones(8), 0.2, 8000.0, rows=tap)
    back = ring_freely(omega, decay, tap, np.ones(8), 0.2, 8000.0, rows=other)
    assert there == pytest.approx(back, abs=1e-4 * np.abs(there).max())
    assert np.abs(there).max() > 0


def test_a_tie_to_nowhere_is_refused() -> None:
    part = Bar(1.0, 4000.0, 1.5).solve(1000.0)
    tie = Tie(("left", 0.5, 0.5), ("roof", 0.5, 0.5), 1e3)
    with pytest.raises(ParameterError, match="roof"):
        assemble({"left": part}, {"left": np.full(part.omega.size, 0.01)}, (tie,), 1000.0)


def test_doubling_the_modes_changes_the_spectrum_little() -> None:
    # Coupled modes up to 7.2 instead of 3.6 kHz (and twice as many of each part behind them): the first thirty move by
    # less than 0.5 %, and third octaves from 50 Hz to 2 kHz that carry the sound (within 25 dB of the loudest) by less
    # than 3 dB each, 1.3 dB rms.
    vehicle, fs = find_vehicle("otter"), 16000.0
    few, many = build_structure(vehicle, 3600.0), build_structure(vehicle, 7200.0)
    assert many.omega.size > 1.8 * few.omega.size
    assert many.frequencies_hz[:30] == pytest.approx(few.frequencies_hz[:30], rel=5e-3)
    pulse = np.sin(np.pi * (np.arange(16) + 0.5) / 16)  # 1 ms
    for place in vehicle.sensor_places.values():
        levels = []
        for each in (few, many):
            decay, rows = each.omega * each.zeta, each.vector(*vehicle.tap_places[0])
            heard = ring_freely(each.omega, decay, each.sense(*place, 0.01), pulse, 1.5, fs, rows=rows)
            power = np.abs(np.fft.rfft(heard)) ** 2
            levels.append(third_octaves(np.fft.rfftfreq(heard.size, 1 / fs), power, 50.0, 2000.0))
        change = (levels[1] - levels[0])[levels[1] > levels[1].max() - 25.0]
        assert np.abs(change).max() < 3.0
        assert np.sqrt(np.square(change).mean()) < 1.3


@pytest.mark.parametrize("seed", range(5))
def test_bare_skins_ring_for_long_and_frames_do_not(seed: int) -> None:
    # Bare steel skin ζ 0.2–0.8 %, frame 3–8 %: common figures; ring-down of 0.3–1.5 s on the skin.
    structure = build_structure(random_vehicle(seed), 3600.0)
    low = (structure.frequencies_hz > 80) & (structure.frequencies_hz < 600)
    inner = low & (structure.share("inner") > 0.8)
    frame = structure.share("frame") > 0.6
    assert 0.3 < np.median(structure.t60_s[inner]) < 2.5
    assert np.median(structure.t60_s[frame]) < 0.12
    assert 200 < structure.omega.size < 1200


def test_plates_of_one_size_differ_in_stiffening_only_by_the_root() -> None:
    flat, beaded = Plate(0.5, 0.4, 0.7e-3).solve(100.0), Plate(0.5, 0.4, 0.7e-3, stiffening=4.0).solve(200.0)
    assert beaded.omega == pytest.approx(2.0 * flat.omega, rel=1e-12)


def test_what_is_compiled_is_kept_on_no_disk() -> None:
    """A cache there can be stale, cut short or out of reach."""
    assert structure.ring.stats.cache_path is None
    assert structure.ring_with_rattler.stats.cache_path is None
