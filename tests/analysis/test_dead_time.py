"""The map against a run of the detector for every cell, against a closed form, and its refusals."""

import math

import numpy as np
import pytest

from tapsig.analysis.dead_time import compute_dead_time_map
from tapsig.detectors.base import run_detector
from tapsig.detectors.fixed_threshold import FixedThreshold
from tapsig.errors import LabelError, ParameterError
from tapsig.records import Gap, Label, Recording
from tapsig.scoring.matching import match_onsets
from tests.fakes import ring_down

FS = 1000.0


def ringing(
    t60_s: float,
    taps_s: list[float],
    *,
    noise_v: float = 0.0,
    bias_v: float = 0.0,
    seed: int = 0,
    length_s: float = 4.0,
    gaps: tuple[Gap, ...] = (),
) -> Recording:
    rng = np.random.default_rng(seed)
    time_s = np.arange(int(length_s * FS)) / FS
    samples = bias_v + noise_v * rng.standard_normal(time_s.size)
    for tap in taps_s:
        samples += ring_down(time_s, tap, 90.0, t60_s)
    return Recording(samples, FS, labels=tuple(Label(tap) for tap in taps_s), gaps=gaps)


@pytest.mark.parametrize("seed", range(4))
def test_the_map_equals_a_run_of_the_detector_but_for_rounding(seed: int) -> None:
    rng = np.random.default_rng(seed)
    taps = np.sort(rng.uniform(0.1, 3.8, 9)).tolist()
    gaps = (Gap(1500, 0.25), Gap(2700, 0.031)) if seed % 2 else ()
    recording = ringing(rng.uniform(0.1, 0.8), taps, noise_v=0.03, bias_v=1.6, seed=seed, gaps=gaps)
    levels = np.arange(-42.0, 2.0, 4.0)
    dead_times_s = 0.013 * np.arange(0, 12)
    found = compute_dead_time_map(recording, thresholds_db=levels, dead_times_s=dead_times_s)
    for i, level in enumerate(levels):
        for j, dead_s in enumerate(dead_times_s):
            variant = FixedThreshold(threshold_v=10.0 ** (level / 20.0), dead_time_s=float(dead_s))
            onsets = run_detector(variant.build(FS), recording).onset_samples
            # From 10 ms before a tap to 50 ms after it: within 30 ms of 20 ms after it.
            matching = match_onsets(recording.taps_s + 0.02, recording.times_s(onsets), window_s=0.03)
            expected = (matching.missed.size, matching.spurious.size)
            assert found.missed[i, j] == expected[0], (level, dead_s)
            # The detector works on counts of 0.15 mV: it differs on samples that lie that near to the threshold.
            assert abs(found.extra[i, j] - expected[1]) <= max(1, 0.005 * expected[1]), (level, dead_s)
    assert found.extra.max() > 50  # the grid reaches into the noise


def test_counts_add_up_over_recordings() -> None:
    one, two = ringing(0.2, [1.0, 2.0]), ringing(0.5, [0.5, 0.9, 3.0])
    axes = {"thresholds_db": np.arange(-40.0, 0.0, 5.0)}
    maps = [compute_dead_time_map(given, **axes) for given in (one, two, [one, two])]
    np.testing.assert_array_equal(maps[0].missed + maps[1].missed, maps[2].missed)
    np.testing.assert_array_equal(maps[0].extra + maps[1].extra, maps[2].extra)
    assert maps[2].taps == 5


def test_the_exact_region_of_an_exponential_is_bounded_by_its_decay() -> None:
    # Closed form: with the carrier's peaks dense against the decay, a threshold L dB under the peak is crossed until
    # L / 60 · T60, so a dead time longer than that, and shorter than the taps' spacing, counts each tap once.
    t60_s, spacing_s = 0.4, 0.3
    recording = ringing(t60_s, [0.5, 0.5 + spacing_s, 0.5 + 2 * spacing_s])
    found = compute_dead_time_map(recording, thresholds_db=np.arange(-56.0, 1.0), bias_time_s=1e4)
    for i, level in enumerate(found.thresholds_db[:-1]):
        exact_s = found.dead_times_s[found.exact[i]]
        shortest_s = -level / 60 * t60_s  # and the sum of rings is a little higher than one
        if shortest_s < spacing_s - 0.02:
            assert exact_s.min() == pytest.approx(max(shortest_s, 0.02), abs=0.012)  # two half-periods and a cell
            assert exact_s.max() == pytest.approx(spacing_s, abs=0.0251)  # later, the tap's own ring still fires
        elif shortest_s > spacing_s + 0.02:  # it still rings when the next tap comes
            assert not (exact_s < spacing_s - found.early_s).any()


def test_a_long_ring_leaves_no_room_and_a_short_one_much() -> None:
    taps = [0.5, 0.85, 1.2, 2.5, 2.85]
    short, long = (compute_dead_time_map(ringing(t60_s, taps, noise_v=0.01)) for t60_s in (0.08, 1.5))
    assert short.operating_area_db_ms > 3000
    assert long.operating_area_db_ms < 0.25 * short.operating_area_db_ms
    row, column = short.best_cell
    assert short.missed[row, column] == short.extra[row, column] == 0
    assert short.exact[row - 2 : row + 3, column - 2 : column + 3].all()  # the advice lies well inside


def test_the_dict_holds_plain_types_and_the_same_numbers() -> None:
    found = compute_dead_time_map(ringing(0.1, [1.0, 2.0]))
    document = found.to_dict()
    assert document["operating_area_db_ms"] == found.operating_area_db_ms
    assert math.isclose(found.operating_area_db_ms, 1.0 * 5.0 * found.exact.sum())
    assert isinstance(document["missed"][0][0], int)
    assert len(found.cells()) == found.missed.size


def test_what_cannot_be_counted_is_refused() -> None:
    with pytest.raises(LabelError, match="needs labels"):
        compute_dead_time_map(Recording(np.ones(100), FS))
    with pytest.raises(LabelError, match="no label of the kind 'tap'"):
        compute_dead_time_map(Recording(np.ones(100), FS, labels=()))
    with pytest.raises(LabelError, match=r"\(kinds: knock, rain\)"):
        compute_dead_time_map(Recording(np.ones(100), FS, labels=(Label(0.01, "rain"), Label(0.02, "knock"))))
    with pytest.raises(ParameterError, match="constant"):
        compute_dead_time_map(Recording(np.ones(100), FS, labels=(Label(0.05),)))
    with pytest.raises(ParameterError, match="dead_times_s"):
        compute_dead_time_map(ringing(0.1, [1.0]), dead_times_s=np.array([0.1, 0.05]))
    with pytest.raises(ParameterError, match="thresholds_db"):
        compute_dead_time_map(ringing(0.1, [1.0]), thresholds_db=np.array([-10.0]))
