"""Features against values that follow from how the rings were filled."""

import numba
import numpy as np
import pytest

from tapsig.features import AFTER, BLOCKS, FEATURES, Memory, Rings, fill_features, new_memory, new_rings

TRIGGER, FLOOR = 300, 1e-8
_fill = numba.njit(lambda *of: fill_features(*of))  # by itself it can be called by kernels only


def features(rings: Rings, memory: Memory | None = None) -> tuple[int, dict[str, float]]:
    """Onset block and named features of a candidate triggered at block 300."""
    row = np.full(len(FEATURES), np.nan)
    onset = _fill(row, rings, memory or new_memory(), TRIGGER, FLOOR, 8000.0)
    return onset, dict(zip(FEATURES, row.tolist(), strict=True))


def steady(innovation: float = 1e-4) -> Rings:
    """Rings of a steady innovation power; the signal has a hundred times, the fast power ten times as much."""
    rings = new_rings()
    rings.raw_innovation[:], rings.innovation[:] = innovation, innovation
    rings.fast[:], rings.turn[:] = 10.0 * innovation, 20.0 * innovation
    rings.signal[:] = 10.0 * np.sqrt(innovation) * np.sign(np.sin(0.7 * np.arange(BLOCKS) + 0.1))
    return rings


def test_every_feature_is_written_and_finite() -> None:
    _, values = features(new_rings())
    assert np.isfinite(list(values.values())).all()


def test_a_rise_of_twenty_decibels_is_twenty_decibels() -> None:
    rings = steady()
    rings.innovation[TRIGGER], rings.raw_innovation[TRIGGER - 2] = 1e-2, 1e-2
    onset, values = features(rings)
    assert onset == TRIGGER - 2
    for name in ("innovation_rise", "innovation_rise_100ms", "innovation_over_mean"):
        assert values[name] == pytest.approx(20.0, abs=1e-6)
    assert values["innovation_width"] == 1
    # 27 blocks from the onset on, one of them a hundred times the others.
    assert values["innovation_crest"] == pytest.approx(10 * np.log10(27 * 100 / (100 + 26)), abs=1e-6)
    assert values["innovation_fall_early"] == pytest.approx(10 * np.log10((100 + 5) / 6), abs=1e-6)


def test_decay_of_the_innovation_is_told_in_decibels() -> None:
    """Half the amplitude every 3 ms from the onset: the first 6 blocks against the blocks from the twelfth on."""
    rings = steady(1e-12)
    tail = 0.25 ** (np.arange(AFTER + 3) / 3.0)
    rings.raw_innovation[TRIGGER - 2 : TRIGGER + AFTER + 1] = tail
    rings.innovation[TRIGGER] = 1e-2
    _, values = features(rings)
    for name, later in (("innovation_fall_early", tail[6:12]), ("innovation_fall_late", tail[12:])):
        assert values[name] == pytest.approx(10 * np.log10(tail[:6].mean() / later.mean()), abs=1e-3)


@pytest.mark.parametrize(("hz", "name"), [(83.3, "share_40hz"), (146.0, "share_125hz"), (250.0, "share_210hz"),
                                          (416.7, "share_330hz")])
def test_power_falls_into_the_band_of_its_frequency(hz: float, name: str) -> None:
    rings = steady(1e-8)
    rings.signal[:] += 0.3 * np.sin(2 * np.pi * hz * np.arange(BLOCKS) / 1000.0)
    _, values = features(rings)
    shares = {band: values[band] for band in FEATURES if band.startswith("share_")}
    assert max(shares, key=lambda band: shares[band]) == name
    assert sum(10 ** (share / 10) for share in shares.values()) == pytest.approx(1.0)


def test_gain_of_the_sensor_changes_levels_only() -> None:
    rings = steady()
    rings.innovation[TRIGGER], rings.raw_innovation[TRIGGER - 2] = 1e-2, 1e-2
    _, quiet = features(rings)
    gain = 100.0  # in power
    louder = Rings(rings.signal * 10.0, *(ring * gain for ring in rings[1:]))
    memory = new_memory()
    memory.usual[:] = np.log2(gain)  # the memory of usual levels would have been louder as well
    _, loud = features(louder, memory)
    for name, value in quiet.items():
        shift = 20.0 if name == "level_v_db" else 0.0
        assert loud[name] == pytest.approx(value + shift, abs=0.01), name


def test_candidates_of_late_are_counted_by_age_and_level() -> None:
    memory = new_memory()
    level = 10 * np.log10(1e-2 + FLOOR)
    for block, step in ((TRIGGER - 4000, 0.0), (TRIGGER - 800, -10.0), (TRIGGER - 250, -3.0)):
        memory.block[memory.seen[0]], memory.level[memory.seen[0]] = block, level + step
        memory.seen[0] += 1
    rings = steady()
    rings.innovation[TRIGGER] = rings.raw_innovation[TRIGGER] = 1e-2
    _, values = features(rings, memory)
    assert (values["count_1s"], values["count_5s"], values["loud_1s"], values["loud_5s"]) == (2, 3, 1, 2)
    assert values["since_any"] == pytest.approx(np.log2(251))
    assert values["step_up"] == pytest.approx(3.0, abs=1e-6)
    assert values["over_loudest"] == pytest.approx(0.0, abs=1e-6)
    assert memory.seen[0] == 4
