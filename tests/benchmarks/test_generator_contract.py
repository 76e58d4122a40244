"""What every generator promises: labels, counts, seeds, the timing of taps, clear errors; closed forms of several."""

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pytest

from benchmarks.generators import TapPlan, lumped, lumped_door, measured, plate, resonators
from benchmarks.generators.plate_structure import half_sine_pulses
from benchmarks.generators.resonator_events import contact_pulse
from benchmarks.transfer_data import GENERATORS, find_generator
from tapsig.errors import ParameterError
from tapsig.records import Recording
from tapsig.simulation import POSITIONS
from tapsig.units import FloatArray

DURATION_S = 8.0
PLANNED_S = 60.0
SEEDS = 40
Plan = Callable[[TapPlan, int], FloatArray]
FETCHED = pytest.mark.network
EVERY = [pytest.param(name, marks=FETCHED if name == "measured" else ()) for name in GENERATORS]
SCENES = [
    pytest.param(name, scene, marks=FETCHED if name == "measured" else ())
    for name in GENERATORS
    for scene in find_generator(name).scenes
]


def simulate(name: str, scene: str = "quiet", **changes: object) -> dict[str, Recording]:
    given = {"door": 3, "fs": 1000.0, "duration_s": DURATION_S, "taps": "single", "seed": 5} | changes
    return find_generator(name).simulate(given.pop("door"), scene, **given)


@pytest.mark.parametrize("name", GENERATORS)
def test_quiet_is_the_first_of_ten_scenes_or_more(name: str) -> None:
    scenes = find_generator(name).scenes
    assert scenes[0] == "quiet"
    assert len(scenes) >= 10


@pytest.mark.parametrize(("name", "scene"), SCENES)
def test_all_positions_hold_whole_counts_and_the_same_sorted_labels(name: str, scene: str) -> None:
    recordings = simulate(name, scene)
    assert len(recordings) == len(POSITIONS) if name == "home" else len(recordings) in (3, 4)
    first = next(iter(recordings.values()))
    for position, recording in recordings.items():
        assert recording.position == position
        assert recording.labels == first.labels
        assert recording.samples.size == 1000 * DURATION_S
        assert recording.range_v is not None
        counts = (recording.samples - recording.range_v[0]) / recording.step_v
        np.testing.assert_allclose(counts, np.rint(counts), atol=1e-6)
        assert -0.5 < counts.min() < counts.max() < 2**recording.adc_bits - 0.5
    assert first.labels
    onsets = [label.onset_s for label in first.labels]
    assert onsets == sorted(onsets)
    assert 0 <= onsets[0] <= onsets[-1] < DURATION_S
    if name in ("lumped", "resonators"):  # in the others a short recording may hold none
        assert {label.kind for label in first.labels} != {"tap"} or scene == "quiet"


@pytest.mark.parametrize("name", EVERY)
def test_the_same_arguments_give_the_same_samples_and_another_seed_gives_others(name: str) -> None:
    scene = find_generator(name).scenes[1]
    once, again, other = (simulate(name, scene, seed=seed, taps="entries", duration_s=14.0) for seed in (7, 7, 8))
    for position, recording in once.items():
        np.testing.assert_array_equal(recording.samples, again[position].samples)
        assert recording.labels == again[position].labels
        assert not np.array_equal(recording.samples, other[position].samples)


@pytest.mark.parametrize("name", EVERY)
def test_no_taps_where_none_are_wanted(name: str) -> None:
    assert next(iter(simulate(name, taps="none").values())).taps_s.size == 0


@pytest.mark.parametrize("name", EVERY)
def test_energy_rises_at_most_labelled_onsets_in_quiet(name: str) -> None:
    """The 25 ms from the onset on hold four times the power of those before; the rest drown in weak positions."""
    fs, rises = 4000.0, []
    for door in range(4):
        for recording in simulate(name, door=door, fs=fs, duration_s=10.0, seed=door).values():
            sound = recording.samples - np.median(recording.samples)
            for onset in np.ceil(recording.taps_s * fs).astype(int):
                after, before = sound[onset : onset + 100], sound[onset - 100 : onset]
                rises.append(np.mean(after**2) > 4 * np.mean(before**2))
    assert np.mean(rises) > 0.8


def plan_lumped(plan: TapPlan, seed: int) -> FloatArray:
    excitation = lumped.Excitation(lumped_door.build_door(5), fs=500.0, internal_hz=1000.0, duration_s=PLANNED_S)
    lumped.make_taps(excitation, plan, np.random.default_rng(seed))
    return np.sort([label.onset_s for label in excitation.labels])


def plan_plate(plan: TapPlan, seed: int) -> FloatArray:
    planned = plate.plan_taps(plate.make_door(0), plan, PLANNED_S, np.random.default_rng(seed))
    return np.concatenate([np.zeros(0), *(times for _, times in planned)])


def plan_measured(plan: TapPlan, seed: int) -> FloatArray:
    return np.concatenate([np.zeros(0), *measured.plan_entries(PLANNED_S, plan, np.random.default_rng(seed))])


def plan_resonators(plan: TapPlan, seed: int) -> FloatArray:
    planned = resonators.plan_taps(plan, PLANNED_S, np.random.default_rng(seed), 4)
    return np.array([onset_s for onset_s, _ in planned])


PLANS = [plan_lumped, plan_plate, plan_measured, plan_resonators]
"""Those of all generators but home, whose timing tests/simulation checks."""


@pytest.mark.parametrize("plan", PLANS)
def test_entries_keep_the_timing_of_codes(plan: Plan) -> None:
    firsts = []
    for seed in range(SEEDS):
        onsets = plan("entries", seed)
        gaps = np.diff(onsets) + 1e-9
        within, pauses, silences = (gaps >= 0.14) & (gaps <= 0.601), (gaps >= 1.05) & (gaps <= 2.201), gaps >= 3.2
        assert (within | pauses | silences).all()
        for entry in np.split(onsets, np.flatnonzero(silences) + 1)[:-1]:  # the end may cut the last
            digits = np.split(entry, np.flatnonzero(np.diff(entry) > 0.8) + 1)
            assert len(digits) in (3, 4)
            assert max(digit.size for digit in digits) <= 6
        assert 0.15 <= onsets[0] <= onsets[-1] < PLANNED_S
        firsts.append(onsets[0])
    # A third start cold, within three standard errors of a binomial share.
    assert abs(np.mean(np.array(firsts) <= 0.6) - 1 / 3) < 3 * np.sqrt(2 / 9 / SEEDS)


@pytest.mark.parametrize("plan", PLANS)
def test_single_taps_stand_apart_and_none_means_none(plan: Plan) -> None:
    for seed in range(10):
        gaps = np.diff(plan("single", seed)) + 1e-9
        assert gaps.min() >= 1.6
        assert gaps.max() <= 8.0 + 2e-9
        assert plan("none", seed).size == 0


REFUSED = (
    ("scene", "moonquake", "'moonquake'"),
    ("taps", "many", "'many'"),
    ("door", -1, "door is -1"),
    ("seed", -1, "seed is -1"),
    ("fs", 100.0, "fs is 100"),
)
"""By every generator."""


@pytest.mark.parametrize(
    ("name", "changes", "message"),
    [
        *((name, {argument: value}, words) for name in GENERATORS for argument, value, words in REFUSED),
        ("lumped", {"duration_s": 5.0, "taps": "entries"}, "duration_s is 5"),
        ("resonators", {"duration_s": 0.0}, "duration_s is 0.0"),
        ("plate", {"duration_s": 2.0, "taps": "entries"}, "no code entry fits"),
        ("measured", {"half": "all"}, "half is 'all'"),
    ],
)
def test_a_bad_argument_is_named(name: str, changes: dict[str, object], message: str) -> None:
    with pytest.raises(ParameterError, match=message):
        simulate(name, **changes)  # type: ignore[arg-type]


CONTACT_S, RATE_HZ = 2e-3, 1e6
HALF_SINES = {
    "lumped": lumped.pulse((np.arange(2000) + 0.5) / 2000, "half-sine"),
    "measured": measured.contact_kernel(CONTACT_S, RATE_HZ),
    "plate": half_sine_pulses(0.001, 0.3, CONTACT_S, size=4000, fs=RATE_HZ),
    "resonators": contact_pulse(CONTACT_S, RATE_HZ),
}


@pytest.mark.parametrize("name", HALF_SINES)
@pytest.mark.parametrize(
    ("cycles", "level"),
    # |X|/X(0) = |cos πfT|/|1 − 4f²T²|: π/4 at fT = 0.5, −3, −10 and −20 dB, nulls at 1.5 and 2.5 (closed form)
    [(0.5, np.pi / 4), (0.5935, 10**-0.15), (1.0194, 10**-0.5), (1.3033, 0.1), (1.5, 0.0), (2.5, 0.0)],
)
def test_a_plain_contact_has_the_spectrum_of_a_half_sine(name: str, cycles: float, level: float) -> None:
    force = HALF_SINES[name]
    wave = np.exp(-2j * np.pi * cycles / CONTACT_S * np.arange(force.size) / RATE_HZ)
    assert abs(force @ wave) / force.sum() == pytest.approx(level, abs=1e-3)


def test_a_pulse_of_a_plate_keeps_its_momentum() -> None:
    assert HALF_SINES["plate"].sum() / RATE_HZ == pytest.approx(0.3, rel=1e-9)


@pytest.mark.parametrize("poles", [lumped.golden_car()[1], np.roots(plate.quarter_car()[2])], ids=["lumped", "plate"])
def test_the_quarter_car_has_the_modes_of_the_golden_car(poles: npt.NDArray[np.complex128]) -> None:
    upper = np.array(sorted((pole for pole in poles if pole.imag > 0), key=abs))
    # ASTM E1926: k1 = 653, k2 = 63.3, c = 6, µ = 0.15: damped 1.166 and 10.253 Hz, ζ .333 and .302 (computed).
    np.testing.assert_allclose(upper.imag / (2 * np.pi), [1.166, 10.253], rtol=1e-3)
    np.testing.assert_allclose(-upper.real / np.abs(upper), [0.333, 0.302], atol=1e-3)
