"""The generator of doors as lumped networks: its physics against closed forms, and what its recordings promise."""

import functools
import itertools
from dataclasses import replace

import numpy as np
import pytest
from scipy import signal

from benchmarks.generators import lumped_door as structure
from benchmarks.generators.lumped import SHAPES, Excitation, Hand, entry_times, pulse, random_hand

STEEL_LOSS = 0.02


@functools.cache
def some_door() -> structure.Door:
    return structure.build_door(5)


def chain(count: int, *, mass_kg: float = 0.1, stiffness_n_m: float = 4e4) -> structure.Network:
    """Equal masses in a row, on equal springs, fixed at both ends."""
    inner = [(i, i + 1) for i in range(count - 1)]
    edges = np.array([(0, structure.GROUND), (count - 1, structure.GROUND), *inner])
    springs = np.full(len(edges), stiffness_n_m)
    return structure.Network(np.full(count, mass_kg), edges, springs, np.full(len(edges), STEEL_LOSS))


CLEAN = structure.FrontEnd(
    typical_v=1.0,
    range_v=(0.0, 5.0),
    adc_bits=10,
    bias_v=2.5,
    limits_v=(0.0, 5.0),
    highpass_hz=10.0,
    lowpass="none",
    lowpass_hz=1000.0,
    slew_v_s=np.inf,
    soft=False,
    white_v=0.0,
    pink_v=0.0,
    hum_v=0.0,
    mains_hz=50.0,
    jitter_s=0.0,
)


def test_the_modes_of_a_uniform_chain_are_the_closed_form() -> None:
    modes = structure.compute_modes(chain(7))
    # w_r = 2 sqrt(k/m) sin(r pi / 2(n+1)), fixed ends: any text on vibration, e.g. Meirovitch (from memory).
    expected = 2 * np.sqrt(4e4 / 0.1) * np.sin(np.arange(1, 8) * np.pi / 16) / (2 * np.pi)
    np.testing.assert_allclose(modes.frequency_hz, expected, rtol=1e-9)


def test_equal_loss_factors_give_every_mode_half_of_it_as_damping_ratio() -> None:
    # Loss factor eta = 2 zeta (REFERENCES, damping and ring-down).
    np.testing.assert_allclose(structure.compute_modes(chain(7)).damping_ratio, STEEL_LOSS / 2, rtol=1e-9)


def test_a_free_decay_has_the_logarithmic_decrement_of_its_damping() -> None:
    fs, modes = 16000.0, structure.compute_modes(chain(1))
    decay = structure.modal_responses(modes, fs, duration_s=1.0, quantity="displacement")[0]
    peaks, _ = signal.find_peaks(decay[: int(0.5 * fs)])
    decrement = np.log(decay[peaks[0]] / decay[peaks[20]]) / 20
    # zeta = 0.01: delta = 2 pi zeta / sqrt(1 - zeta^2) = 0.062835 (REFERENCES); peaks are read off the grid.
    assert decrement == pytest.approx(0.062835, rel=2e-3)


def test_displacement_settles_at_force_over_stiffness_and_acceleration_starts_at_force_over_mass() -> None:
    fs, network = 16000.0, chain(3)
    modes, node = structure.compute_modes(network), np.eye(3)
    force = np.ones((1, 16000), dtype=np.float32)
    outputs = [(node[1], "displacement"), (node[0], "acceleration")]
    at_middle = structure.kernels(modes, fs, outputs=outputs, inputs=node[[1]], duration_s=2.0)
    moved = structure.transmit(force, at_middle)[0]
    # Static compliance is the inverse of the stiffness matrix; Newton's second law at the first instant.
    assert moved[-2000:].mean() == pytest.approx(np.linalg.inv(structure.stiffness_matrix(network))[1, 1], rel=0.01)
    at_end = structure.kernels(modes, fs, outputs=outputs, inputs=node[[0]], duration_s=2.0)
    assert structure.transmit(force, at_end)[1, 0] == pytest.approx(1 / 0.1, rel=0.01)


def test_overlap_add_equals_plain_convolution() -> None:
    rng = np.random.default_rng(1)
    forces = rng.standard_normal((2, 5000)).astype(np.float32)
    responses = rng.standard_normal((3, 2, 300)).astype(np.float32)
    expected = [sum(np.convolve(forces[s], responses[p, s])[:5000] for s in range(2)) for p in range(3)]
    np.testing.assert_allclose(structure.transmit(forces, responses), np.array(expected), atol=1e-3)


@pytest.mark.parametrize("damping", [0.05, 0.2])
def test_a_loose_part_rebounds_with_its_restitution_after_half_a_period(damping: float) -> None:
    fs, contact_hz, speed = 200_000.0, 400.0, -0.1
    still = np.zeros(int(0.004 * fs), dtype=np.float32)
    omega = 2 * np.pi * contact_hz
    force = structure.contact_force(still, still, 1 / fs, 1e-5, (0.1, 0.0), (omega, damping), speed)
    # A mass m that lands on a spring and dashpot which cannot pull leaves when the force has fallen to 0: at
    # tan(wd t) = 2 z sqrt(1-z^2) / (2 z^2 - 1), wd t = pi - 2 asin(z) (closed form, derived from the force's zero).
    damped = omega * np.sqrt(1 - damping**2)
    angle = np.pi - 2 * np.arcsin(damping)
    touching = np.flatnonzero(force > 0)
    assert touching.size / fs == pytest.approx(angle / damped, rel=0.02)
    time_s = angle / damped
    left = np.exp(-damping * omega * time_s) * (
        np.cos(angle) - damping / np.sqrt(1 - damping**2) * np.sin(angle)
    )  # speed at that instant as a share of the speed of impact
    assert force.sum() / fs == pytest.approx(-speed * (1 - left), rel=0.02)  # impulse = change of momentum


def test_a_part_in_reach_rattles_only_when_its_node_moves_farther_than_the_gap() -> None:
    fs = 8000.0
    node_m = (1e-4 * np.sin(2 * np.pi * 40 * np.arange(8000) / fs)).astype(np.float32)
    still = np.zeros(8000, dtype=np.float32)

    def force(gap_m: float) -> np.ndarray:
        return structure.contact_force(node_m, still, 1 / fs, gap_m, (30.0, 0.1), (2500.0, 0.2), 0.0)

    assert not force(1.1e-4).any()
    contacts = np.flatnonzero(np.diff((force(0.5e-4) > 0).astype(int)) == 1)
    assert contacts.size > 5


def test_a_door_is_linear_until_its_loose_part_is_reached() -> None:
    door, fs = some_door(), 8000.0
    struck = np.eye(door.network.mass_kg.size)[door.spots[:1]]
    force = np.zeros((1, 4000), dtype=np.float32)
    force[0, 100:124] = np.sin(np.pi * np.arange(24) / 24)
    node = int(door.spots[0])
    output = [(struck[0], "displacement")]
    moved_m = np.abs(
        structure.transmit(force, structure.kernels(door.modes, fs, outputs=output, inputs=struck, duration_s=0.5))
    ).max()
    part = structure.LoosePart(node, 0.01, 3.0 * float(moved_m), 5.0, 0.1, 400.0, 0.1)
    door = replace(door, parts=(part,))
    soft, double, hard = (structure.respond(door, struck, level * force, fs) for level in (1, 2, 20))
    scale = np.abs(soft).max(axis=1, keepdims=True)
    assert np.abs(double - 2 * soft).max() < 1e-4 * scale.max()  # superposition: the gap stays open
    assert (np.abs(hard / 20 - soft).max(axis=1) > 1e-3 * scale[:, 0]).all()  # every position hears the part


@pytest.mark.parametrize("shape", SHAPES)
def test_every_pulse_starts_and_ends_at_zero_and_peaks_at_one(shape: str) -> None:
    u = np.linspace(-0.5, 1.5, 4001)
    force = pulse(u, shape)
    assert np.abs(force[(u <= 0) | (u >= 1)]).max() < 1e-12
    assert force.max() == pytest.approx(1.0, abs=1e-3)
    assert force.min() >= -1e-12


def test_the_piezo_in_its_load_gives_the_tabulated_peak_and_undershoot() -> None:
    fs = 48000.0
    volts = np.zeros(4800)
    volts[:144] = np.sin(np.pi * np.arange(144) / 144)
    loaded = structure.band_limit(volts, fs, replace(CLEAN, highpass_hz=9.947), sample_rate_hz=fs)
    # REFERENCES, converter and sensor: 3 ms half-sine through 16 nF and 1 MOhm (9.95 Hz): 0.944, undershoot -0.109.
    assert loaded.max() == pytest.approx(0.944, rel=0.01)
    assert loaded.min() == pytest.approx(-0.109, rel=0.01)


def test_rounding_noise_is_a_count_over_the_root_of_twelve() -> None:
    volts = 2.5 + 2.4 * np.sin(np.arange(50000) * 0.7071)
    error = structure.convert(volts, CLEAN) - volts
    assert error.std() == pytest.approx(5 / 1024 / np.sqrt(12), rel=0.01)  # REFERENCES: LSB 4.883 mV


def test_without_bias_the_negative_half_is_lost() -> None:
    volts = 2.0 * np.sin(2 * np.pi * np.arange(10000) / 100)
    clean = replace(CLEAN, bias_v=0.0, adc_bits=16)
    taken = structure.convert(structure.saturate(volts, clean), clean)
    # REFERENCES: mean A/pi, rms A/2.
    assert taken.mean() == pytest.approx(2 / np.pi, abs=1e-3)
    assert np.sqrt(np.mean(taken**2)) == pytest.approx(1.0, abs=1e-3)


def test_missing_codes_never_appear_and_a_stuck_bit_never_changes() -> None:
    ramp = np.linspace(0, 5, 20001)
    counts = structure.convert(ramp, replace(CLEAN, missing_codes=(100, 101, 511))) * 1024 / 5
    present = set(np.rint(counts).astype(int).tolist())
    assert set(range(1024)) - present == {100, 101, 511}
    stuck = np.rint(structure.convert(ramp, replace(CLEAN, stuck_bit=1)) * 1024 / 5).astype(int)
    assert np.all(stuck % 2 == 1)


def test_the_slew_limit_bounds_every_step() -> None:
    out = structure.limit_slew(np.array([0.0, 1.0, 1.0, 1.0, -3.0]), 0.4)
    np.testing.assert_allclose(out, [0.0, 0.4, 0.8, 1.0, 0.6])


def test_networks_hold_together_and_have_twenty_to_sixty_nodes() -> None:
    for door in range(25):
        network, groups = structure.build_network(np.random.default_rng(door))
        assert 20 <= network.mass_kg.size <= 60
        assert structure.compute_modes(network).frequency_hz[0] > 5.0  # no part moves without a spring
        assert len(np.unique(np.concatenate([groups[name] for name in structure.GROUPS]))) == network.mass_kg.size


def test_the_skin_rings_for_longer_than_the_frame() -> None:
    ratios = []
    for number in range(5):
        door = structure.build_door(number)
        ends = [(sensor.weights, sensor.quantity) for sensor in (door.sensors[0], door.sensors[-1])]
        struck = np.eye(door.network.mass_kg.size)[door.spots[:1]]
        response = structure.kernels(door.modes, 8000.0, outputs=ends, inputs=struck, duration_s=1.0)[:, 0]
        skin_s, frame_s = structure.ring_time_s(response, 8000.0)
        ratios.append(skin_s / frame_s)
    assert np.median(ratios) > 1.5


def test_hands_spread_over_twenty_decibels() -> None:
    rng = np.random.default_rng(2)
    levels_db = [random_hand(rng).level_db for _ in range(200)]
    assert 18 < max(levels_db) - min(levels_db) <= 20


def test_doors_differ_in_level_and_converter() -> None:
    ends = [structure.build_front_end(np.random.default_rng([door, 1])) for door in range(200)]
    counts = np.array([end.typical_v / (end.range_v[1] - end.range_v[0]) * 2**end.adc_bits for end in ends])
    assert 20 * np.log10(counts.max() / counts.min()) > 40
    assert counts.min() < 30
    assert {end.adc_bits for end in ends} == {8, 10, 12, 16}
    assert max(end.typical_v / (end.range_v[1] - end.range_v[0]) for end in ends) > 1  # taps clip
    assert 0.05 < np.mean([end.bias_v == end.range_v[0] for end in ends]) < 0.25
    assert min(end.highpass_hz for end in ends) >= 5
    assert max(end.highpass_hz for end in ends) <= 30


def test_the_response_rises_at_the_labelled_onset_and_not_before() -> None:
    door = some_door()
    ex = Excitation(door, fs=8000.0, internal_hz=16000.0, duration_s=1.0)
    ex.hit(0.4, int(door.spots[0]), level_db=0.0, width_s=0.002)
    before = ex.time_s < 0.4
    within = (ex.time_s >= 0.4) & (ex.time_s < 0.42)
    for volts in ex.volts():
        loudest = np.abs(volts[within]).max()
        assert np.abs(volts[before]).max() < 1e-3 * loudest
        assert loudest > 0.1 * door.front_end.typical_v * 10 ** (-8 / 20)


def test_a_hand_without_spread_taps_evenly() -> None:
    hand = Hand(0.0, 0.003, "half-sine", 0.3, 0.15, 0.0, 0.0, 1.5, 0.0)
    times_s = entry_times(hand, [4], np.random.default_rng(0))
    np.testing.assert_allclose([b - a for a, b in itertools.pairwise(times_s)], 0.3)
