"""Settings that are chosen on some taps and counted on others, where the outcome is known by construction."""

import numpy as np
import pytest

from tapsig.detectors import CATALOGUE
from tapsig.detectors.fixed_threshold import FixedThreshold
from tapsig.errors import LabelError, ParameterError
from tapsig.records import Label, Recording
from tapsig.scoring.held_out import choose_grid, divide, tune_held_out
from tapsig.scoring.tuning import GRIDS
from tests.fakes import pulses

FS = 2000.0


def test_taps_clearly_above_thumps_are_separated_in_the_middle_and_hold_out() -> None:
    tuned = tune_held_out(FixedThreshold(), [pulses([(0.5, True), (0.1, False)] * 8)])
    assert (tuned.taps, tuned.missed, tuned.false) == (8, 0, 0)
    assert (tuned.held_out_missed, tuned.held_out_false, tuned.held_out.value) == (0, 0, 1.0)
    assert isinstance(tuned.variant, FixedThreshold)
    assert 0.14 < tuned.variant.threshold_v < 0.36  # the geometric middle of 0.1 and 0.5 is 0.22
    # 95 % Wilson interval of n of n: 1/(1 + 1.96²/n) to 1; F1 = 2·J/(1 + J). Parts of 3, 2, 2 and 1 taps have the
    # design effect 1 + (18/8 - 1)/4 (Kish), with the correlation that is assumed without misses.
    low = 1 / (1 + 1.96**2 / (8 / 1.3125))
    assert tuned.held_out.low == pytest.approx(2 * low / (1 + low), abs=1e-3)


def test_what_only_one_piece_has_is_not_foreseen_on_it() -> None:
    # Three pairs of strong taps with thumps between, and one pair weaker than the thumps, with nothing beside it.
    strong = [(0.5, True), (0.12, False), (0.5, True), (0.12, False)] * 3
    tuned = tune_held_out(FixedThreshold(), [pulses([*strong, (0.05, True), (0.05, True)])])
    assert tuned.groups == 4
    assert tuned.held_out_missed == 2
    assert tuned.held_out.value == pytest.approx(2 * 6 / (2 * 6 + 2))


def test_each_tap_is_in_one_piece_and_no_cut_is_near_a_tap() -> None:
    rng = np.random.default_rng(0)
    taps = np.cumsum(rng.uniform(0.2, 3.0, 41))
    recording = Recording(np.zeros(int(130 * FS)), FS, labels=tuple(map(Label, taps)), source="a")
    [edges], [group], count = divide([recording])
    assert count == edges.size + 1 == 8
    assert np.abs(edges[:, None] - taps[None]).min() > 0.05
    sizes = np.bincount(group[np.searchsorted(edges, taps)], minlength=count)
    assert sizes.sum() == 41
    assert sizes.min() >= 2


def test_channels_of_a_file_are_cut_together_and_four_files_are_a_group_each() -> None:
    levels = [(0.5, True)] * 8
    two = [pulses(levels, source="a"), pulses(levels, source="a"), pulses(levels, source="b")]
    edges, groups, count = divide(two)
    assert count == 8
    np.testing.assert_array_equal(edges[0], edges[1])
    np.testing.assert_array_equal(groups[0], groups[1])
    assert not set(groups[0]) & set(groups[2])
    four = [pulses(levels, source=name) for name in "aabcd"]
    edges, groups, count = divide(four)
    assert count == 4
    assert [group.tolist() for group in groups] == [[0], [0], [1], [2], [3]]


@pytest.mark.parametrize("name", sorted(GRIDS))
def test_every_plain_detector_can_be_tuned_at_any_gain(name: str) -> None:
    rng = np.random.default_rng(0)
    taps = np.arange(1.0, 9.0, 1.0)
    samples = 1e-3 * rng.standard_normal(int(10 * FS))
    for tap in taps:
        since = np.arange(int(0.3 * FS)) / FS
        at = int(tap * FS)
        samples[at : at + since.size] += 0.4 * np.exp(-since / 0.03) * np.sin(2 * np.pi * 140 * since)
    f1 = []
    for gain in (1.0, 0.01):
        recording = Recording(gain * samples, FS, labels=tuple(map(Label, taps)))
        f1.append(tune_held_out(CATALOGUE[name], [recording], limit=40).held_out.value)
    assert min(f1) > 0.85


def test_volts_scale_with_the_taps_and_nothing_else_does() -> None:
    small, large = (choose_grid(CATALOGUE["sta-lta"], volts) for volts in (0.04, 0.4))
    assert large["floor_v"] == GRIDS["sta-lta"]["floor_v"]
    assert small["floor_v"] == pytest.approx([0.1 * value for value in large["floor_v"]])  # type: ignore[operator]
    assert small["on"] == large["on"]


def test_what_cannot_be_tuned_on_is_refused() -> None:
    with pytest.raises(LabelError, match="needs labels"):
        tune_held_out(FixedThreshold(), [Recording(np.zeros(4000), FS)])
    with pytest.raises(LabelError, match="3 labelled taps; 6 or more"):
        tune_held_out(FixedThreshold(), [pulses([(0.5, True)] * 3)])
    silent = Recording(np.zeros(80000), FS, labels=tuple(Label(float(k)) for k in range(1, 9)))
    with pytest.raises(LabelError, match="does not move; check the channel"):
        tune_held_out(FixedThreshold(), [silent])
    with pytest.raises(ParameterError, match="no grid"):
        tune_held_out(CATALOGUE["tap"], [pulses([(0.5, True)] * 8)])
