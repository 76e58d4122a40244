"""The random resonators hold the closed forms that apply to them, the timing of taps, and the spread of levels."""

import itertools
from dataclasses import replace

import numpy as np
import pytest

from benchmarks.generators.resonator_events import BODY, Sheet, blow, coloured_noise, contact_pulse, drops
from benchmarks.generators.resonators import (
    GENERATOR,
    MODE_HZ,
    T60_S,
    convert,
    draw_door,
    draw_hand,
    entry_onsets,
    impulse_responses,
    plan_taps,
)

DOORS = [draw_door(door) for door in range(60)]


SILENT = replace(
    DOORS[0][2],
    range_v=(-1.0, 1.0),
    bias_v=0.0,
    adc_bits=16,
    high_pass_hz=5.0,
    low_pass_hz=0.0,
    anti_alias=False,
    clamp=0.0,
    hum_db=-300.0,
    noise_slope=0.0,
    tap_db=np.zeros(4),
    noise_db=np.full(4, -300.0),
)
"""The front end of door 0 without noise, hum, clamp or filters but a high-pass of 5 Hz; half the range is 1 V."""


def converted(excitation, fs, front):
    """What the converter gives for an excitation that reaches the sensor unchanged."""
    answers = {BODY: np.ones(1)}
    sheet = Sheet(fs, fs, excitation.size / fs, [answers])
    sheet.add(BODY, 0.0, excitation)
    return convert(sheet, answers, front, 0, np.random.default_rng(0))


# --- closed forms -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("contact_s", [0.3e-3, 2.5e-3, 0.02])
@pytest.mark.parametrize(("skew", "power"), [(1.0, 1.0), (0.5, 2.5), (1.6, 0.8)])
def test_contacts_of_any_length_and_shape_have_the_energy_of_the_nominal_half_sine(contact_s, skew, power):
    pulse = contact_pulse(contact_s, 16000.0, skew=skew, power=power, offset_s=2e-5)
    assert np.sum(pulse**2) / 16000.0 == pytest.approx(2.5e-3 / 2)  # ∫ sin²(πt/T) dt = T/2


def test_a_mode_decays_by_its_logarithmic_decrement():
    zeta, hz, rate = 0.01, 100.0, 48000.0
    t60_s = 6.9078 / (zeta * 2 * np.pi * hz)  # T60·f = 109.94 at ζ = 0.01
    bank = replace(
        DOORS[0][1][0],
        modes_hz=np.array([hz]),
        t60_s=np.array([t60_s]),
        gains=np.ones((8, 1), complex),
        direct=np.zeros(8),
        diffuse=(0.0, 0.1),
        delay_s=np.zeros(8),
    )
    answer = impulse_responses(bank, rate, [0])[0]
    peaks = [answer[round(k * rate / hz) : round((k + 1) * rate / hz)].max() for k in range(20)]
    np.testing.assert_allclose(-np.diff(np.log(peaks)), 0.062835, rtol=1e-3)  # δ = 2πζ/√(1 − ζ²)


def test_quantisation_noise_is_a_twelfth_root_of_a_count():
    fs = 8000.0
    tone = 0.9 * np.sin(2 * np.pi * 997.0 * np.arange(16000) / fs)
    fine, coarse = (converted(tone, fs, replace(SILENT, adc_bits=bits)) for bits in (16, 8))
    assert np.std(coarse - fine) == pytest.approx(2 / 2**8 / np.sqrt(12), rel=0.02)  # LSB/√12


def test_a_contact_undershoots_behind_the_high_pass():
    fs = 48000.0
    pulse = np.zeros(48000)
    pulse[4800:4945] = np.sin(np.pi * np.arange(145) / 144)  # 3 ms through 16 nF into 1 MΩ: peak .944, −.109 (computed)
    volts = converted(0.9 * pulse, fs, replace(SILENT, high_pass_hz=9.947)) / 0.9
    assert volts.max() == pytest.approx(0.944, rel=0.01)
    assert volts.min() == pytest.approx(-0.109, rel=0.01)


def test_without_a_bias_the_negative_half_is_lost():
    fs, height_v = 48000.0, 0.4  # half the range is 0.5 V, so a level of 0.8 is 0.4 V
    tone = 0.8 * np.sin(2 * np.pi * 1000.0 * np.arange(48000) / fs)
    volts = converted(tone, fs, replace(SILENT, range_v=(0.0, 1.0)))[4800:]
    assert volts.mean() == pytest.approx(height_v / np.pi, rel=1e-2)  # half-wave: mean A/π, rms A/2
    assert np.sqrt(np.mean(volts**2)) == pytest.approx(height_v / 2, rel=1e-2)


def test_coloured_noise_has_the_slope_asked_for():
    power = np.abs(np.fft.rfft(coloured_noise(2**17, 16000.0, np.random.default_rng(0), slope=-1.0))) ** 2
    hz = np.fft.rfftfreq(2**17, 1 / 16000.0)
    octaves = [power[(hz > low) & (hz <= 2 * low)].mean() for low in (100.0, 200.0, 400.0, 800.0, 1600.0)]
    np.testing.assert_allclose(10 * np.diff(np.log10(octaves)), -6.02, atol=0.6)  # 20 lg 2 an octave


class HitList(Sheet):
    """A sheet that only notes its contacts: (onset_s, level_db)."""

    def hit(self, spot, onset_s, level_db, contact_s, *, skew=1.0, power=1.0, share=1.0):
        self.electric = np.append(self.electric, [onset_s, level_db])


def test_a_dropped_thing_bounces_with_one_coefficient_of_restitution():
    """Flight times shrink by e, and so does the speed of each impact: −20 lg(1/e) in level (Newton)."""
    seen = 0
    for seed in range(60):
        sheet = HitList(1000.0, 1000.0, 0.001, [{BODY: np.ones(1)}])
        blow(sheet, 0.0, 0.0, np.random.default_rng(seed))
        times, levels_db = sheet.electric[1:].reshape(-1, 2).T
        if sheet.labels[0][1] == "drop" and times.size > 4:
            seen += 1
            restitution = np.diff(times)[1:] / np.diff(times)[:-1]
            np.testing.assert_allclose(restitution, restitution[0])
            np.testing.assert_allclose(np.diff(levels_db), 20 * np.log10(restitution[0]))
    assert seen >= 5


def test_drops_come_as_a_poisson_process():
    """Counts in equal windows have a variance equal to their mean; contacts are too short to merge."""
    counts = []
    for seed in range(24):
        sheet = Sheet(16000.0, 2000.0, 4.0, [dict.fromkeys(range(9), np.ones(1))])
        drops(sheet, np.random.default_rng(seed), 5.0, 0.0, (0.3, 0.31))
        for channel in sheet.spots.values():
            struck = np.flatnonzero(np.abs(channel) > 0)
            onsets = struck[np.diff(struck, prepend=-99) > 8]
            counts += list(np.histogram(onsets, 4, (0, 64000))[0])
    assert np.mean(counts) == pytest.approx(5.0, rel=0.15)
    assert np.var(counts) / np.mean(counts) == pytest.approx(1.0, abs=0.3)


# --- doors --------------------------------------------------------------------------------------------------------


def test_doors_spread_over_the_priors():
    fronts = [front for _, _, front in DOORS]
    banks = [bank for _, banks, _ in DOORS for bank in banks]
    levels_db = np.array([front.tap_db.mean() for front in fronts])
    assert np.ptp(levels_db) >= 40
    counts = np.concatenate([10 ** (front.tap_db / 20) * 2 ** (front.adc_bits - 1) for front in fronts])
    assert counts.min() >= 7.9
    assert np.mean((counts >= 8) & (counts <= 30)) > 0.05
    assert {front.adc_bits for front in fronts} == {8, 10, 12, 16}
    assert all(front.noise_db.min() >= -60 and front.noise_db.max() <= -18 for front in fronts)
    assert all(5 <= front.high_pass_hz <= 30 for front in fronts)
    assert {len(names) for names, _, _ in DOORS} == {3, 4}
    sizes = [bank.modes_hz.size for bank in banks]
    assert min(sizes) == 1
    assert 35 <= max(sizes) <= 40
    for bank in banks:
        assert MODE_HZ[0] <= bank.modes_hz.min() <= bank.modes_hz.max() <= MODE_HZ[1]
        assert T60_S[0] <= bank.t60_s.min() <= bank.t60_s.max() <= T60_S[1]


def test_a_skin_rings_longer_than_a_frame():
    skins, frames = zip(*((banks[0], banks[-1]) for _, banks, _ in DOORS), strict=True)
    skin_s, frame_s = (np.median([np.median(bank.t60_s) for bank in banks]) for banks in (skins, frames))
    assert skin_s > 5 * frame_s


# --- taps ---------------------------------------------------------------------------------------------------------


def test_an_entry_keeps_one_hand_at_one_spot():
    planned = plan_taps("entries", 120.0, np.random.default_rng(1), 4)
    for (before_s, before), (after_s, after) in itertools.pairwise(planned):
        assert (after is before) == (after_s - before_s < 3.2)


def test_quick_hands_and_slow_ones_both_occur():
    rng = np.random.default_rng(0)
    hands = [draw_hand(rng, 4) for _ in range(300)]
    gaps = [np.diff(entry_onsets(1.0, hand, rng)).min() for hand in hands]
    assert min(gaps) < 0.145
    assert max(hand.gap_s for hand in hands) > 0.5
    levels_db = [hand.level_db for hand in hands]
    assert 18 < np.ptp(levels_db) <= 20
    assert all(0.5e-3 <= hand.contact_s <= 8e-3 for hand in hands)


@pytest.mark.parametrize("plan", ["entries", "single"])
def test_a_third_of_the_recordings_start_cold(plan):
    firsts = np.array([plan_taps(plan, 30.0, np.random.default_rng(seed), 4)[0][0] for seed in range(250)])
    cold = np.mean(firsts < 0.6)
    assert abs(cold - 1 / 3) < 3 * np.sqrt(2 / 9 / 250)  # three standard errors of a binomial share
    assert firsts.min() >= 0.15


# --- recordings ---------------------------------------------------------------------------------------------------


def test_taps_come_at_the_same_times_at_any_rate():
    low, high = (
        GENERATOR.simulate(2, "rain", fs=fs, duration_s=6.0, taps="entries", seed=1)["frame"] for fs in (800.0, 8000.0)
    )
    np.testing.assert_array_equal(low.taps_s, high.taps_s)


def test_nothing_answers_before_the_contact():
    front = replace(SILENT, adc_bits=24)
    _, banks, _ = DOORS[4]
    answers = impulse_responses(banks[0], 16000.0, range(8))
    sheet = Sheet(16000.0, 8000.0, 1.0, [answers])
    sheet.hit(0, 0.50003, 0.0, 2e-3)
    volts = convert(sheet, answers, front, 0, np.random.default_rng(0))
    assert np.ptp(volts[:4001]) == 0
    assert np.ptp(volts[4001:4100]) > 0.01
