"""Tuning finds the setting that is best by construction, and says when it cannot."""

import itertools

import pytest

from tapsig.detectors import CATALOGUE
from tapsig.detectors.fixed_threshold import FixedThreshold
from tapsig.errors import ParameterError
from tapsig.scoring.tuning import GRIDS, build_setting, tune
from tests.fakes import pulses


def test_the_only_threshold_between_thumps_and_taps_is_found() -> None:
    recording = pulses([(0.5, True), (0.1, False), (0.6, True), (0.15, False), (0.5, True)])
    grid = {"threshold_v": (0.05, 0.12, 0.3, 0.9), "dead_time_s": (0.1,)}
    tuned = tune(FixedThreshold(threshold_v=0.05), [recording], grid=grid)
    assert (tuned.variant, tuned.f1, tuned.tried) == (FixedThreshold(threshold_v=0.3, dead_time_s=0.1), 1.0, 5)


def test_the_variant_as_given_is_kept_when_nothing_is_better() -> None:
    recording = pulses([(0.5, True)] * 2)
    start = FixedThreshold(threshold_v=0.2)
    assert tune(start, [recording], grid={"threshold_v": (2.0, 3.0)}).variant is start


def test_settings_that_a_variant_refuses_are_passed_over() -> None:
    recording = pulses([(0.5, True)] * 2)
    tuned = tune(CATALOGUE["sta-lta"], [recording], grid={"on": (4.0, 6.0), "off": (5.0,)})
    assert tuned.tried == 2  # as given, and on = 6; on = 4 under off = 5 is refused


def test_a_large_grid_is_sampled_the_same_way_every_time() -> None:
    recording = pulses([(0.5, True), (0.1, False)])
    one, two = (tune(CATALOGUE["fixed-threshold"], [recording], limit=7) for _ in range(2))
    assert one == two
    assert one.tried == 8


@pytest.mark.parametrize("name", sorted(GRIDS))
def test_every_value_of_a_grid_is_one_that_its_variant_takes_in_rising_order(name: str) -> None:
    for parameter, values in GRIDS[name].items():
        assert list(values) == sorted(set(values)), parameter
        steps = [second / first for first, second in itertools.pairwise(values)]
        assert 1.1 < min(steps) <= max(steps) <= 4.0, parameter  # coarse enough to differ, fine enough to miss nothing
        for value in values:
            assert build_setting(CATALOGUE[name], {parameter: value}) is not None, (parameter, value)


def test_no_recordings_and_no_grid_are_refused() -> None:
    with pytest.raises(ParameterError, match=r"recordings is \[\]"):
        tune(CATALOGUE["fixed-threshold"], [])
    with pytest.raises(ParameterError, match="grid"):
        tune(CATALOGUE["null"], [pulses([(0.5, True)])])
