"""Contacts and human timing."""

import math

import numpy as np
import pytest

from tapsig.errors import ParameterError
from tapsig.simulation.excitation import log_uniform, random_stream, sample_half_sines
from tapsig.simulation.impact import TAP_KINDS, Tapper, entry_onsets, plan_entries, plan_practice

PLACES = (("outer", 0.8, 0.7), ("frame", 0.5, 0.5))


def tapper(seed: int = 0, kind: str | None = None) -> Tapper:
    return Tapper.draw(np.random.default_rng(seed), PLACES, kind=kind)


def test_sampled_pulse_has_the_spectrum_of_a_half_sine() -> None:
    fs, contact = 8000.0, 3e-3
    _, _, _, values = sample_half_sines(np.array([0.0137]), np.array([contact]), np.array([1.0]), fs)
    frequencies = np.linspace(0.0, 900.0, 200)
    spectrum = np.abs(np.exp(-2j * np.pi * np.outer(frequencies, np.arange(values.size)) / fs) @ values)
    # |X|/X(0) = |cos πfT|/|1 − 4f²T²|; no frequency meets its removable singularity at fT = ½.
    x = frequencies * contact
    half_sine = np.abs(np.cos(np.pi * x) / (1 - 4 * x**2))
    held = np.sinc(frequencies / fs)  # means over a sampling interval
    assert spectrum / spectrum[0] == pytest.approx(half_sine * held, abs=4e-3)


def test_sampled_pulses_keep_their_velocity_change() -> None:
    # Δv = 2AT/π; IEC 60068-2-27 prints 3.4, 3.4 and 1.0 m/s for 50 g/11 ms, 30 g/18 ms, 15 g/11 ms (from memory).
    peak, length = 9.80665 * np.array([50.0, 30.0, 15.0]), np.array([11e-3, 18e-3, 11e-3])
    _, lengths, offsets, values = sample_half_sines(np.array([0.01, 0.02003, 0.03]), length, peak, 8000.0)
    found = [values[o : o + n].sum() / 8000.0 for o, n in zip(offsets, lengths, strict=True)]
    assert found == pytest.approx([3.43, 3.37, 1.03], rel=5e-3)
    assert found == pytest.approx([3.4, 3.4, 1.0], rel=0.04)  # as printed, two digits


def test_pulse_shorter_than_a_sample_keeps_its_impulse_and_its_place() -> None:
    starts, lengths, _, values = sample_half_sines(np.array([0.10001]), np.array([5e-5]), np.array([100.0]), 8000.0)
    assert starts[0] == 800
    assert lengths[0] == 1
    assert values.sum() / 8000.0 == pytest.approx(2 * 100.0 * 5e-5 / math.pi, rel=1e-9)


@pytest.mark.parametrize("kind", sorted(TAP_KINDS))
def test_contacts_stay_within_what_is_known_of_taps(kind: str) -> None:
    # Fingertip force transients under 5 ms (Jindrich et al. 2003); knuckle contact 1–8 ms, 2–40 N (common practice).
    contacts, forces = [], []
    for seed in range(60):
        taps = tapper(seed, kind).strike(np.random.default_rng(seed), np.arange(20) * 0.3).impacts[0]
        contacts.append(taps.duration_s)
        forces.append(taps.force_n)
    contact, force = np.concatenate(contacts), np.concatenate(forces)
    if kind == "knuckle":
        assert np.percentile(contact, [1, 99]) == pytest.approx([1e-3, 6e-3], rel=0.35)
        # 26 dB between the weakest and the strongest: a factor of 20 in force.
        assert force.max() / force.min() > 10
    if kind == "fingertip":
        assert np.percentile(contact, 50) < 5e-3
    if kind in ("nail", "key"):
        assert np.percentile(contact, 95) < 1.2e-3
    assert force.min() >= 1.0
    assert force.max() <= 40.0


def test_intervals_vary_as_people_do() -> None:
    # CV of 3–6 % in tapping (Wing & Kristofferson 1973, from memory; 5 % at 600 ms); here 3–8 % by design.
    cvs, correlations = [], []
    for seed in range(40):
        person = tapper(seed)
        intervals = np.diff(person.beats(np.random.default_rng(seed + 1000), 400))
        assert 0.17 < intervals.mean() < 0.46
        assert intervals.std() / intervals.mean() == pytest.approx(person.cv, rel=0.2)
        cvs.append(intervals.std() / intervals.mean())
        correlations.append(np.corrcoef(intervals[:-1], intervals[1:])[0, 1])
    assert 0.03 < np.mean(cvs) < 0.08
    # Their model: neighbouring intervals are negatively correlated, between −0.5 and 0.
    assert -0.5 < np.mean(correlations) < -0.02


@pytest.mark.parametrize("seed", range(6))
def test_entries_keep_the_pauses_that_end_digits_and_entries(seed: int) -> None:
    # A pause over 1 s ends a digit, 3 s of silence end the entry: common practice, no source.
    person = tapper(seed)
    onsets, entered = plan_entries(person, None, 0.5, 90.0, np.random.default_rng(seed))
    assert len(entered) >= 4
    starts = [first for _, first in entered] + [np.inf]
    for (code, first), following in zip(entered, starts[1:], strict=True):
        taps = onsets[(onsets >= first) & (onsets < following)]
        gaps = np.diff(taps)
        assert taps.size == sum(int(digit) for digit in code)
        assert np.count_nonzero(gaps > 1.0) == len(code) - 1
        assert gaps[gaps <= 1.0].max(initial=0.0) < 0.65
        assert gaps.max() < 2.5
        assert following - taps[-1] > 3.0
    assert onsets[-1] <= 90.0 - 3.0


def test_zero_is_ten_taps() -> None:
    assert entry_onsets(tapper(), "0", np.random.default_rng(0)).size == 10


def test_practice_never_pauses_long_enough_to_end_a_digit() -> None:
    onsets = plan_practice(tapper(3), 0.5, 20.0, np.random.default_rng(3))
    assert onsets.size > 15
    assert np.diff(onsets).max() < 1.0


@pytest.mark.parametrize("code", ["", "12a", "½", "1.2"])
def test_codes_that_are_not_digits_are_refused(code: str) -> None:
    with pytest.raises(ParameterError, match="digits"):
        entry_onsets(tapper(), code, np.random.default_rng(0))


def test_codes_that_do_not_fit_are_refused() -> None:
    with pytest.raises(ParameterError, match="duration_s"):
        plan_entries(tapper(), ["1234"], 0.5, 4.0, np.random.default_rng(0))


def test_unknown_tap_kind_is_refused() -> None:
    with pytest.raises(ParameterError, match="elbow"):
        tapper(0, "elbow")


def test_streams_differ_by_purpose_and_by_seed() -> None:
    draws = {random_stream(seed, word).random() for seed in (0, 1) for word in ("rain", "wind", "")}
    assert len(draws) == 6
    with pytest.raises(ParameterError, match="seed"):
        random_stream(-1)


def test_log_uniform_has_the_median_of_its_logarithms() -> None:
    rng = np.random.default_rng(5)
    draws = [log_uniform(rng, 1.0, 100.0) for _ in range(4000)]
    assert np.median(draws) == pytest.approx(10.0, rel=0.1)
    assert 1.0 <= min(draws) <= max(draws) <= 100.0
