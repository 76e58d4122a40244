"""The plate generator against closed forms of plates, contacts, damping and converters, and its timing rules."""

import numpy as np
import pytest
from scipy.signal import oaconvolve

from benchmarks.generators import plate
from benchmarks.generators import plate_structure as structure

SMALL = (16, 14, 8)
SUPPORTED, CLAMPED = ((1e9, 0.0),) * 4, ((1e9, 1e6),) * 4


def test_a_supported_steel_plate_has_the_frequencies_of_the_closed_form() -> None:
    # f = (π/2)[(m/a)² + (n/b)²]√(D/ρh): Leissa, NASA SP-160, ch. 4; 0.7 mm steel, 0.5 × 0.4 m (computed).
    modes = structure.compute_modes(structure.Structure(0.5, 0.4, 0.7e-3, orders=SMALL, edges=SUPPORTED))
    np.testing.assert_allclose(modes.frequency_hz[:5], [17.64, 38.29, 49.91, 70.56, 72.71], rtol=1e-3)


@pytest.mark.parametrize(
    ("length_m", "height_m", "expected"),
    [(0.5, 0.5, [35.99, 73.41, 73.41, 108.27, 131.64, 132.24]), (0.6, 0.4, [60.772]), (0.4, 1.0, [23.648])],
)
def test_a_clamped_plate_has_the_tabled_frequencies(length_m: float, height_m: float, expected: list[float]) -> None:
    # λ² = 2πa²f√(ρh/D): Leissa, NASA SP-160; J. Sound Vib. 31 (1973) 257; the rectangles from memory, computed.
    s = structure.Structure(length_m, height_m, 0.7e-3, orders=SMALL, edges=CLAMPED)
    found = structure.compute_modes(s).frequency_hz[: len(expected)]
    scale = 2.0 * np.pi * length_m**2 * np.sqrt(s.area_mass_kg_m2 / s.rigidity_nm)
    np.testing.assert_allclose(found * scale, expected, rtol=1e-3)


def test_curvature_of_the_skin_adds_to_every_frequency_in_squares() -> None:
    # Shallow spherical shell: ω² = ω_plate² + E/ρR² (Soedel, Vibrations of Shells and Plates; from memory).
    flat = structure.compute_modes(structure.Structure(0.5, 0.4, 0.7e-3, orders=SMALL, edges=SUPPORTED)).frequency_hz[
        :8
    ]
    domed = structure.compute_modes(structure.Structure(0.5, 0.4, 0.7e-3, orders=SMALL, edges=SUPPORTED, radius_m=20.0))
    ring_hz = np.sqrt(210e9 / 7850.0) / (2.0 * np.pi * 20.0)
    np.testing.assert_allclose(domed.frequency_hz[:8], np.hypot(flat, ring_hz), rtol=1e-6)


def test_a_free_frame_beam_has_the_frequencies_of_the_closed_form() -> None:
    # Free beam: f = (βL)²/(2πL²)√(EI/m), βL = 4.7300, 7.8532 (Blevins; from memory). A plate of no mass and stiffness
    # worth mention lies beside it untied.
    frame = (1e4, 3.0, 0.01, 1e-3, 1e-3, 0.0)
    s = structure.Structure(1.0, 0.5, 0.7e-3, orders=SMALL, edges=((1e9, 1e6),) * 3 + ((0.0, 0.0),), frame=frame)
    modes = structure.compute_modes(s)
    own = np.abs(modes.vectors[s.orders[0] * s.orders[1] :]).max(axis=0) > 0.1
    expected = np.array([4.73004, 7.85320]) ** 2 / (2.0 * np.pi) * np.sqrt(1e4 / 3.0)
    np.testing.assert_allclose(modes.frequency_hz[own][2:3], expected[:1], rtol=1e-3)


def test_the_modes_of_a_plate_are_orthonormal_and_a_blow_on_one_is_felt_on_the_other() -> None:
    # Maxwell-Betti reciprocity: force at A, deflection at B equals force at B, deflection at A.
    modes = plate.make_door(3).modes
    a, b = modes.skin(0.11, 0.13), modes.beam(0.2)[None]
    there, back = (structure.compute_responses(modes, *pair, fs=8000.0) for pair in ((a, b), (b, a)))
    np.testing.assert_allclose(there, back, rtol=1e-9, atol=1e-12 * np.abs(there).max())
    assert np.abs(there).max() > 0.0


def test_a_single_mode_rings_down_by_the_log_decrement() -> None:
    # δ = 2πζ/√(1−ζ²) = 0.062835 for ζ = 0.01 (closed form).
    s = structure.Structure(0.5, 0.4, 0.7e-3, orders=SMALL, edges=SUPPORTED, loss=(0.02, 0.02, 0.02, 0.02))
    modes = structure.compute_modes(s)
    np.testing.assert_allclose(modes.loss_factor, 0.02, rtol=1e-6)  # every part has the same loss
    only = np.zeros((1, modes.frequency_hz.size))
    only[0, 0] = 1.0
    h = structure.compute_responses(modes, only, only, fs=48000.0)[0, 0]
    tops = np.flatnonzero((h[1:-1] > h[:-2]) & (h[1:-1] > h[2:])) + 1
    np.testing.assert_allclose(np.log(h[tops[0]] / h[tops[10]]) / 10.0, 0.062835, rtol=1e-3)


def test_a_steel_ball_touches_steel_for_as_long_as_hertz_says() -> None:
    # T = 2.868 (m²/(R E*² v))^0.2: 10 mm ball at 1 m/s 34.6 µs (computed; Johnson eq. 11.24 from memory); the rigid
    # plate is one without modes. k = 4/3 E* √R.
    modes = structure.Modes(None, np.empty(0), np.empty(0), *(np.empty(0),) * 3, 1.0, np.empty(0))
    radius, stiff = 0.005, 210e9 / (1.0 - 0.3**2) / 2.0
    mass = 7850.0 * 4.0 / 3.0 * np.pi * radius**3
    values = (mass, 1.0, 4.0 / 3.0 * stiff * np.sqrt(radius), 0.0, 0.0, 0.0)
    ball = structure.Strikes(*(np.array([value]) for value in values))
    force = structure.integrate_contacts(modes, np.empty((1, 0)), ball, step_s=2e-8, span_s=6e-5)[0]
    assert np.count_nonzero(force) * 2e-8 == pytest.approx(34.6e-6, rel=0.01)
    assert force.sum() * 2e-8 == pytest.approx(2.0 * mass, rel=1e-3)  # without loss it leaves as fast as it came


def test_a_compliant_skin_lengthens_a_contact_and_makes_it_recur() -> None:
    modes = plate.make_door(2).modes
    s = modes.structure
    drive = modes.skin(np.array([0.5, 0.5]) * s.length_m, np.array([0.5, 0.5]) * s.height_m)
    drive[1] = 0.0  # a rigid wall
    body = structure.hertz_strikes(np.full(2, 0.018), 0.05, 1e-3, 0.9)
    force = structure.integrate_contacts(modes, drive, body) > 0.0
    contacts = (np.diff(force.astype(int), axis=1) > 0).sum(axis=1)
    assert force[1].sum() * 2e-5 == pytest.approx(1e-3, rel=0.1)
    assert force[0].sum() > force[1].sum() or contacts[0] > contacts[1]


def test_the_block_convolution_equals_a_plain_one() -> None:
    # Reference library: scipy.signal.oaconvolve.
    door, rng = plate.make_door(1), np.random.default_rng(0)
    events = plate.Events(door, 6000.0, 60000)
    layer, ports = events.layer(), [("skin", 0.2, 0.1), ("frame", 0.1, 0.0)]
    expected = np.zeros((len(door.positions), events.size))
    for port in ports:
        force = rng.standard_normal(events.size) * (np.arange(events.size) > 30000)
        layer.add(port, force)
        response = structure.compute_responses(door.modes, door.drive(port)[None], door.sense, fs=6000.0)[0]
        expected += oaconvolve(response * door.gain[:, None], force[None], axes=1)[:, : events.size]
    heard = np.zeros_like(expected)
    plate._hear(events, layer, heard)
    np.testing.assert_allclose(heard, expected, atol=1e-9 * np.abs(expected).max())


def test_doors_differ_in_gain_by_40_db_and_in_bits_and_levels() -> None:
    doors = [plate.make_door(number) for number in range(12)]
    gain_db = 20.0 * np.log10([door.gain[0] for door in doors])
    assert np.ptp(gain_db) > 40.0
    assert len({door.adc_bits for door in doors}) >= 3
    heads = np.array([door.reference_v[0] / (door.range_v[1] - door.bias_v) for door in doors])
    assert heads.max() > 1.0  # taps clip
    middling_v = [np.exp(np.log(door.reference_v).mean()) for door in doors]
    counts = [v * 2**door.adc_bits / np.ptp(door.range_v) for v, door in zip(middling_v, doors, strict=True)]
    assert 10.0 < min(counts) < 30.0


def test_nothing_is_felt_before_a_labelled_onset_and_much_soon_after() -> None:
    events = plate.Events(plate.make_door(4), 6000.0, 60000)
    plate._add_taps(events, "single", np.random.default_rng(7))
    events.solve_contacts()
    felt = np.zeros((len(events.door.positions), events.size))
    plate._hear(events, events.layers[0], felt)
    first = int(np.ceil(events.labels[0].onset_s * events.fs))
    power = felt**2
    assert power[:, :first].max() < 1e-18 * power.max()
    assert (power[:, first : first + 60].max(axis=1) > 0.05 * power[:, : first + 3000].max(axis=1)).all()  # in 10 ms
