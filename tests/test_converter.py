"""Volts to counts at the rails and between, by the transfer function of an ideal converter."""

import math
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapsig.converter import Converter
from tapsig.errors import ParameterError


@pytest.mark.parametrize("bits", [8, 10, 12, 16])
def test_a_converter_of_n_bits_gives_counts_from_0_to_2_to_the_n_less_1(bits: int) -> None:
    """IEEE 1241: 2**N codes; what lies beyond a rail gets the code of that rail. An even power of two volts a count."""
    converter = Converter((0.0, 1.0), bits)
    top, count_v = 2**bits - 1, 2.0**-bits
    volts = np.array([-9.0, 0.0, 0.49 * count_v, 0.5 * count_v, (top - 0.5) * count_v, top * count_v, 1.0, 1e9])
    assert converter.to_counts(volts).tolist() == [0, 0, 0, 1, top, top, top, top]


@given(st.floats(-2.6, 2.6), st.sampled_from([8, 10, 12, 16]))
def test_a_count_is_the_nearest_code(volts: float, bits: int) -> None:
    converter = Converter((-2.5, 2.5), bits)
    [count] = converter.to_counts(np.array([volts])).tolist()
    exact = (volts + 2.5) * 2**bits / 5.0
    assert abs(count - min(max(exact, 0.0), 2**bits - 1)) <= 0.5 + 1e-9
    [again] = converter.to_counts(converter.to_volts(np.array([count], dtype=np.uint16))).tolist()
    assert again == count


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize(("size", "index"), [(4, 2), (1300, 0), (1300, 511), (1300, 512), (1300, 1299)])
def test_the_first_sample_that_is_no_number_is_named(bad: float, size: int, index: int) -> None:
    """Long recordings are converted in parts of 512."""
    volts = np.zeros(size)
    volts[index:] = bad
    with pytest.raises(ParameterError, match=rf"samples\[{index}\] is {bad}"):
        Converter().to_counts(volts)


@pytest.mark.parametrize("range_v", [(0.0, 5.0), (-2.5, 2.5), (1000.0, 1001.0), (-1e-6, 1e-6), (-1e12, 1e12)])
@pytest.mark.parametrize("within", [True, False])
def test_long_recordings_give_the_nearest_codes_at_any_rails(range_v: tuple[float, float], within: bool) -> None:
    """The definition, one sample at a time in fractions; samples within the rails are converted by a shorter loop."""
    (low, high), rng = range_v, np.random.default_rng(4)
    volts = rng.uniform(low, high - (high - low) / 1000, 1300)
    if not within:
        volts[[3, 700, 1299]] = low - (high - low), 1e300, -1e300
    exact = [(Fraction(one) - Fraction(low)) * 1024 / (Fraction(high) - Fraction(low)) for one in volts.tolist()]
    counts = Converter(range_v, 10).to_counts(volts).tolist()
    assert len(set(counts)) > 500
    for count, one in zip(counts, exact, strict=True):
        assert abs(count - min(max(one, 0), 1023)) <= Fraction(1, 2) + Fraction(1, 10**6)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (
            lambda one: one.to_volts(np.array([-1, 4095])),
            "counts holds counts from -1 to 4095; .* 10 bits gives 0 to 1023",
        ),
        (lambda one: one.to_volts([np.nan]), "counts holds counts from nan"),
        (lambda one: one.to_volts("x"), "counts is 'x'"),
        (lambda one: one.to_volts(np.array([1j])), "counts holds complex"),
        (lambda one: one.to_counts(np.zeros((3, 2))), r"samples has shape \(3, 2\); one channel"),
        (lambda one: one.to_counts("x"), "samples is 'x'"),
        (lambda one: one.to_counts(np.array([1j])), "samples holds complex"),
        (lambda one: one.of("x"), "recording is a str"),
        (lambda one: replace(one, range_v=(0.0, 1e-320)), "range_v is"),
        (lambda one: replace(one, range_v=(-1e308, 1e308)), "range_v is"),
    ],
)
def test_what_is_no_count_or_no_voltage_is_refused(call: Callable[[Converter], object], words: str) -> None:
    """Counts of 12 bits taken for 10 would give four times the voltage."""
    with pytest.raises(ParameterError, match=words):
        call(Converter((0.0, 5.0), 10))
