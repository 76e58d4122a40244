"""Units: conversions against closed forms and a converter's data-sheet arithmetic."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapsig.errors import ParameterError
from tapsig.units import (
    amplitude_to_db,
    check_positive,
    check_range,
    counts_to_volts,
    db_to_amplitude,
    seconds_to_samples,
    volts_to_counts,
)


def test_one_count_is_the_range_over_two_to_the_bits() -> None:
    # Converter arithmetic: 10 bits on 5 V is 4.883 mV a count, 12 bits on 3.3 V is 0.806 mV.
    assert counts_to_volts(np.array([1]), (0.0, 5.0), 10)[0] == pytest.approx(4.883e-3, abs=5e-7)
    assert counts_to_volts(np.array([1]), (0.0, 3.3), 12)[0] == pytest.approx(0.806e-3, abs=5e-7)


@given(st.integers(1, 24), st.integers(0, 2**24 - 1), st.floats(-10, 10), st.floats(0.1, 20))
def test_counts_survive_volts_and_back(bits: int, count: int, low: float, span: float) -> None:
    count %= 2**bits
    range_v = (low, low + span)
    back = volts_to_counts(counts_to_volts(np.array([count]), range_v, bits), range_v, bits)
    assert back[0] == count


def test_volts_beyond_the_rails_stop_at_the_rails() -> None:
    assert volts_to_counts(np.array([-9.0, 9.0]), (0.0, 5.0), 10).tolist() == [0, 1023]


def test_decibels_of_common_ratios() -> None:
    # 20 lg 2 = 6.0206 dB (definition of the decibel, IEC 60027-3, from memory).
    assert amplitude_to_db(2.0) == pytest.approx(6.0206, abs=1e-4)
    assert amplitude_to_db(0.0) == -np.inf
    assert db_to_amplitude(amplitude_to_db(0.37)) == pytest.approx(0.37)
    assert amplitude_to_db(np.array([1.0, 10.0])).tolist() == [0.0, 20.0]


def test_seconds_round_to_the_nearest_sample_halves_up() -> None:
    assert seconds_to_samples(0.0005, 1000) == 1
    assert seconds_to_samples(0.00049, 1000) == 0
    assert seconds_to_samples(0.0, 8000, at_least=1) == 1


@pytest.mark.parametrize("value", [0, -1, float("nan"), float("inf")])
def test_a_value_that_must_be_positive_is_named_in_the_error(value: float) -> None:
    with pytest.raises(ParameterError, match=r"fs is .*above 0"):
        check_positive("fs", value)


def test_a_value_outside_its_range_is_named_with_the_range() -> None:
    with pytest.raises(ParameterError, match=r"recall is 1.5; it must lie between 0 and 1"):
        check_range("recall", 1.5, 0, 1)


@pytest.mark.parametrize(("range_v", "bits"), [((5.0, 5.0), 10), ((0.0, 5.0), 0), ((0.0, 5.0), 25)])
def test_impossible_converters_are_refused(range_v: tuple[float, float], bits: int) -> None:
    with pytest.raises(ParameterError):
        volts_to_counts(np.zeros(1), range_v, bits)
