"""Decimation against SciPy's."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.signal import resample_poly

from tapsig.dsp.decimate import CHUNK, decimate


@pytest.mark.parametrize("size", [2, 7, 1000, 2 * CHUNK + 3])
@pytest.mark.parametrize("every", [2, 5, 11])
def test_equals_the_reference_library(size: int, every: int) -> None:
    values = 3.0 + np.random.default_rng(size).standard_normal(size * every)
    assert_allclose(decimate(values, every), resample_poly(values, 1, every, padtype="line"), atol=1e-13)


def test_one_sample_stays() -> None:
    assert decimate([2.5], 4).tolist() == [2.5]
