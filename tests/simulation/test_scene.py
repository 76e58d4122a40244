"""Whole scenes: determinism, truth, levels, convergence."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import welch

from tapsig.comparison.positions import rank_positions
from tapsig.errors import ParameterError
from tapsig.scoring.outcomes import score
from tapsig.simulation import FLEET, POSITIONS, SCENES, SimulatedConverter, find_vehicle, random_vehicle, simulate_scene
from tapsig.simulation.excitation import Excitation, Impacts, Span, Touch
from tapsig.simulation.impact import Tapper
from tapsig.simulation.ringing import simulate_response
from tapsig.simulation.scene import simulate_blocks
from tapsig.units import FloatArray
from tests.fakes import third_octaves

FINE = SimulatedConverter(24, 2.5, noise_v=0.0)
ROOM = {"temperature_c": 20.0, "max_hz": 3600.0}


@pytest.mark.parametrize("scene", sorted(SCENES))
def test_same_seed_same_samples_and_another_seed_others(scene: str) -> None:
    first, again, other = (
        simulate_scene("lynx", scene, duration_s=2.0, seed=seed, taps="practice") for seed in (4, 4, 5)
    )
    for position in POSITIONS:
        assert np.array_equal(first.recordings[position].samples, again.recordings[position].samples)
        assert not np.array_equal(first.recordings[position].samples, other.recordings[position].samples)
    assert first.recordings["frame"].labels == again.recordings["frame"].labels


@pytest.mark.parametrize("scene", sorted(SCENES))
def test_every_scene_is_louder_than_the_quiet_one(scene: str) -> None:
    def loudness(name: str) -> float:
        levels = []
        for vehicle in ("otter", "lynx", "badger"):
            recordings = simulate_scene(vehicle, name, duration_s=5.0, seed=2, taps="none", converter=FINE).recordings
            levels.append(sum(np.square(recording.samples).mean() for recording in recordings.values()))
        return float(np.median(levels))

    if scene != "quiet":
        assert loudness(scene) > 3.0 * loudness("quiet")


def test_choosing_positions_does_not_change_what_they_hear() -> None:
    every = simulate_scene("crane", "rain", duration_s=2.0, seed=9).recordings
    one = simulate_scene("crane", "rain", duration_s=2.0, seed=9, positions=["frame"]).recordings
    assert list(one) == ["frame"]
    assert np.array_equal(one["frame"].samples, every["frame"].samples)


def test_labels_are_the_taps_of_the_truth() -> None:
    simulated = simulate_scene("heron", "quiet", duration_s=None, seed=3, codes=["213", "12"], taps="both")
    recording = simulated.recordings["frame"]
    assert recording.taps_s == pytest.approx(np.sort(simulated.truth.taps_s))
    assert [code for code, _ in simulated.truth.codes] == ["213", "12"]
    entry_taps = recording.taps_s[recording.taps_s >= simulated.truth.codes[0][1]]
    assert entry_taps.size == 6 + 3
    assert recording.duration_s - recording.taps_s[-1] >= 3.0


def test_sound_begins_at_the_label() -> None:
    # The label is the contact's onset: silence before the first tap, sound within 3 ms of it where the skin is hit.
    simulated = simulate_scene(
        "heron", "quiet", duration_s=4.0, seed=12, taps="practice", tap_kind="knuckle", converter=FINE
    )
    recording = simulated.recordings["outer-skin"]
    first = round(recording.taps_s[0] * recording.fs)
    before = np.abs(recording.samples[first - 800 : first - 1]).max()
    after = np.abs(recording.samples[first + 1 : first + 24]).max()
    assert after > 20 * before


def test_usual_tap_reaches_the_level_its_load_was_chosen_for() -> None:
    # 12 N for 3 ms at the usual spot: level·full scale, in a room at 20 °C; forces and places scatter about that.
    for name in FLEET:
        vehicle = find_vehicle(name)
        peaks = {position: [] for position in POSITIONS}
        for seed in range(6):
            truth = simulate_scene(
                vehicle, "quiet", duration_s=4.0, seed=seed, taps="practice", tap_kind="knuckle"
            ).truth
            for position, values in truth.tap_peak_v.items():
                peaks[position] += list(values / vehicle.converter.full_scale_v)
        for position, values in peaks.items():
            assert 0.1 < np.median(values) / vehicle.level[position] < 4.0


def test_gain_spans_decades_and_quiet_taps_rise_above_the_floor() -> None:
    peaks, floors = [], []
    for seed in range(10):
        simulated = simulate_scene(random_vehicle(seed), "quiet", duration_s=6.0, seed=seed, taps="practice")
        for position, values in simulated.truth.tap_peak_v.items():
            peaks += list(values / simulated.converter.full_scale_v)
            floors += list(values > 3 * max(simulated.converter.noise_v, simulated.converter.step_v / 4))
            assert position in POSITIONS
    low, high = np.percentile(peaks, [3, 97])
    assert 20 * math.log10(high / low) > 26.0
    assert np.mean(np.array(peaks) > 1.0) > 0.005  # some clip
    assert np.mean(floors) > 0.97


def test_nuisance_ratio_is_lower_where_the_nuisance_is() -> None:
    quiet = simulate_scene("heron", "quiet", duration_s=8.0, seed=5, taps="practice").truth
    music = simulate_scene("heron", "music", duration_s=8.0, seed=5, taps="practice").truth
    for position in POSITIONS:
        assert np.median(quiet.tap_to_nuisance_db[position]) > np.median(music.tap_to_nuisance_db[position]) + 10.0


def test_bare_inner_skin_rings_longer_than_the_frame() -> None:
    # Fall to −20 dB: about 85 ms for knocks on doors (published for room doors), bare skins 0.3 s and more.
    falls: dict[str, list[float]] = {"inner-skin": [], "frame": []}
    for seed in range(8):
        one_tap = {"duration_s": None, "codes": ["1"], "tap_kind": "knuckle", "converter": FINE}
        simulated = simulate_scene(random_vehicle(100 + seed), "quiet", seed=seed, **one_tap)
        for position, found in falls.items():
            recording = simulated.recordings[position]
            begin = round(recording.taps_s[0] * recording.fs)
            samples = recording.samples[begin : begin + 16000]
            frames = np.sqrt(np.square(samples[: samples.size // 160 * 160]).reshape(-1, 160).mean(axis=1))
            found.append(0.02 * int(np.flatnonzero(frames > 0.1 * frames.max())[-1]))
    assert np.median(falls["inner-skin"]) > 0.2
    assert np.median(falls["frame"]) < 0.25
    assert np.median(falls["inner-skin"]) > 1.5 * np.median(falls["frame"])


def test_short_contacts_reach_above_two_kilohertz() -> None:
    # A half-sine of T is down 20 dB at fT = 1.3: 3 ms ends near 430 Hz, 0.3 ms near 4.3 kHz.
    def share(kind: str) -> float:
        shares = []
        for seed in range(8):
            recording = simulate_scene(
                random_vehicle(seed), "quiet", duration_s=None, codes=["2"], seed=seed, tap_kind=kind, converter=FINE
            ).recordings["outer-skin"]
            begin = round(recording.taps_s[0] * 8000)
            samples = recording.samples[begin : begin + 400]
            power = np.abs(np.fft.rfft(samples - samples.mean())) ** 2
            shares.append(power[np.fft.rfftfreq(samples.size, 1 / 8000.0) > 2000].sum() / power.sum())
        return float(np.median(shares))

    assert share("key") > 0.005  # of the first 50 ms
    assert share("key") > 30 * share("fingertip")


def third_octaves_of_taps(name: str, fs: float) -> dict[str, FloatArray]:
    """Levels from 50 Hz to 2 kHz of three knuckle taps without any background, modes up to 3.6 kHz."""
    vehicle, rng = find_vehicle(name), np.random.default_rng(3)
    tapping = Tapper.draw(rng, vehicle.tap_places[:1], kind="knuckle").strike(rng, np.array([0.1, 0.8, 1.5]))
    volts = simulate_response(vehicle, tapping, Excitation(), Span(2.4, fs), np.random.default_rng(1), **ROOM).volts
    return {
        position: third_octaves(*welch(signal, fs, nperseg=int(fs / 2)), 50.0, 2000.0)
        for position, signal in volts.items()
    }


@pytest.mark.parametrize("name", ["heron", "lynx", "ibex"])
def test_halving_the_time_step_changes_the_spectrum_little(name: str) -> None:
    # Same modes, same blows: third octaves to 1 kHz move by less than 0.7 dB. Above that the hold over one step tells:
    # sinc(f/fs) twice is 1.8 dB at 2 kHz and 8 kHz, 0.4 dB at 16 kHz.
    coarse, fine = third_octaves_of_taps(name, 8000.0), third_octaves_of_taps(name, 16000.0)
    for position in POSITIONS:
        change = fine[position] - coarse[position]
        assert np.abs(change[:13]).max() < 0.7
        assert np.abs(change).max() < 2.5


def test_a_resting_hand_shortens_the_ring() -> None:
    vehicle = find_vehicle("ibex")
    tap = Impacts("tap", np.array([0.1]), np.array([2e-3]), np.array([10.0]), np.array([0]), (("inner", 0.4, 0.4),))
    hand = Touch(0.1, 2.0, ("inner", 0.45, 0.45), 20.0)

    def tail(excitation: Excitation) -> float:
        rng = np.random.default_rng(0)
        sound = simulate_response(vehicle, excitation, Excitation(), Span(1.5, 8000.0), rng, **ROOM)
        return float(np.abs(sound.volts["inner-skin"][4000:]).max())

    assert tail(Excitation(impacts=(tap,), touches=(hand,))) < 0.3 * tail(Excitation(impacts=(tap,)))


def test_moving_the_tap_or_the_sensor_changes_what_is_heard() -> None:
    vehicle = find_vehicle("heron")
    moved = replace(vehicle, sensor_places={**vehicle.sensor_places, "inner-skin": ("inner", 0.11, 0.83)})
    tapped = replace(vehicle, tap_places=(("outer", 0.2, 0.2),) * 3)
    base, sensor, spot = (
        simulate_scene(each, "quiet", duration_s=3.0, seed=1, taps="practice", positions=["inner-skin"], converter=FINE)
        .recordings["inner-skin"]
        .samples
        for each in (vehicle, moved, tapped)
    )
    assert abs(np.corrcoef(base, sensor)[0, 1]) < 0.95
    assert abs(np.corrcoef(base, spot)[0, 1]) < 0.95


def test_modes_drift_between_recordings() -> None:
    first, second = (simulate_scene("lynx", "quiet", duration_s=1.0, seed=seed, taps="none").truth for seed in (1, 2))
    change = second.frequencies_hz / first.frequencies_hz - 1.0
    assert 0.002 < np.abs(change).mean() < 0.1
    assert not np.array_equal(first.t60_s, second.t60_s)


def test_rattling_thing_hits_irregularly_and_says_when() -> None:
    found = 0
    for seed in range(4):
        simulated = simulate_scene(random_vehicle(seed), "rattle", duration_s=10.0, seed=seed, taps="none")
        hits = next(group for group in simulated.truth.impacts if group.kind == "rattle")
        assert np.all(hits.force_n > 0)
        assert hits.force_n.max(initial=0.0) < 400.0
        assert np.isfinite(simulated.recordings["frame"].samples).all()
        named = sum(label.kind == "rattle" for label in simulated.recordings["frame"].labels or ())
        found += named
        assert named <= hits.onset_s.size
    assert found > 10


def test_slow_rates_keep_every_kth_sample() -> None:
    slow = simulate_scene("heron", "quiet", duration_s=3.0, seed=4, fs=1000.0, taps="practice").recordings["frame"]
    fast = simulate_scene("heron", "quiet", duration_s=3.0, seed=4, fs=8000.0, taps="practice").recordings["frame"]
    assert slow.fs == 1000.0
    assert np.array_equal(slow.samples, fast.samples[::8])


@pytest.mark.parametrize("scene", sorted(SCENES))
@pytest.mark.parametrize(("duration_s", "fs"), [(0.011, 8000.0), (0.3, 500.0), (1.7, 2000.0), (0.2, 9000.0)])
def test_any_length_and_rate_gives_finite_samples_within_the_rails(scene: str, duration_s: float, fs: float) -> None:
    simulated = simulate_scene("lynx", scene, duration_s=duration_s, fs=fs, seed=8, taps="both", max_hz=3600.0)
    for recording in simulated.recordings.values():
        assert recording.samples.size == pytest.approx(duration_s * fs, abs=1)
        assert np.abs(recording.samples).max() <= 2.5
        assert all(label.onset_s < duration_s for label in recording.labels or ())


def test_random_vehicles_differ_widely_and_stay_door_like() -> None:
    levels, sizes = [], []
    for seed in range(30):
        vehicle = random_vehicle(seed)
        levels += list(vehicle.level.values())
        sizes.append(vehicle.skins["inner"].length_m * vehicle.skins["inner"].width_m)
        assert 0.002 <= vehicle.zeta["inner"] <= 0.008
        assert 0.03 <= vehicle.zeta["frame"] <= 0.08
    assert max(levels) / min(levels) > 2.0
    assert max(sizes) / min(sizes) > 1.5
    assert random_vehicle(3) == random_vehicle(3)


def test_truth_of_a_scene_without_taps_has_every_position() -> None:
    truth = simulate_scene("lynx", "rain", duration_s=1.0, seed=1, taps="none", positions=["frame"]).truth
    for values in (truth.taps_s, truth.tap_peak_v["frame"], truth.tap_to_nuisance_db["frame"]):
        assert values.shape == (0,)


def test_positions_of_a_scene_are_one_recording_to_statistics() -> None:
    # As the channels of a file they record the same taps, so they are one unit (Kish, Survey Sampling (1965), ch. 5).
    scenes = [simulate_scene("lynx", "quiet", duration_s=3.0, seed=seed, taps="practice") for seed in (1, 2)]
    table = score("fixed-threshold", [one for scene in scenes for one in scene.recordings.values()])
    ranking = rank_positions(table, "fixed-threshold")
    assert ranking.paired
    assert ranking.recordings == 2


@pytest.mark.parametrize(("duration_s", "block_s", "blocks"), [(3.6, 1.2, 3), (4.001, 2.0, 2), (2.5, 1.0, 3)])
def test_blocks_end_with_the_duration_whatever_its_rounding(duration_s: float, block_s: float, blocks: int) -> None:
    lengths = [
        block.recordings["frame"].duration_s
        for block in simulate_blocks(
            "quiet", duration_s=duration_s, seed=1, block_s=block_s, vehicle="lynx", positions=["frame"], fs=500.0
        )
    ]
    assert len(lengths) == blocks
    assert sum(lengths) == pytest.approx(duration_s, abs=0.01)


def test_blocks_are_independent_and_bounded() -> None:
    blocks = list(simulate_blocks("truck", duration_s=4.5, seed=1, block_s=2.0, positions=["frame"]))
    assert [round(block.recordings["frame"].duration_s, 3) for block in blocks] == [2.0, 2.0, 0.5]
    assert len({block.vehicle.name for block in blocks}) == 3
    assert all(label.kind != "tap" for block in blocks for label in block.recordings["frame"].labels or ())


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        ({"scene": "moon"}, "scene"),
        ({"positions": ["roof"]}, "position"),
        ({"taps": "many"}, "taps"),
        ({"tap_kind": "elbow"}, "tap_kind"),
        ({"fs": 10.0}, "fs"),
        ({"duration_s": -1.0}, "duration_s"),
        ({"vehicle": "swan"}, "vehicle"),
        ({"strength": -1.0}, "strength"),
        ({"seed": -1}, "seed"),
        ({"duration_s": None}, "duration_s"),
        ({"codes": ["9999"], "duration_s": 3.0}, "code"),
        ({"codes": ["213"], "taps": "practice"}, "codes are tapped with"),
        ({"positions": []}, "positions"),
    ],
)
def test_wrong_arguments_are_named(arguments: dict[str, object], word: str) -> None:
    with pytest.raises(ParameterError, match=word):
        simulate_scene(**{"vehicle": "heron", "duration_s": 1.0, **arguments})  # type: ignore[arg-type]
