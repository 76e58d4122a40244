"""The predictors that are compared, against what each must do on a signal whose recursion is known."""

from collections.abc import Callable

import numpy as np
import pytest
from scipy.signal import lfilter

from benchmarks.prediction import predict_burg, predict_nlms, predict_rls
from tapsig.dsp.prediction import compute_innovation
from tapsig.units import FloatArray


@pytest.fixture(scope="module")
def noise() -> FloatArray:
    """White noise of 10 mV."""
    return 0.01 * np.random.default_rng(0).standard_normal(8000)


def test_nlms_of_order_32_is_the_shipped_predictor(noise: FloatArray) -> None:
    mine = predict_nlms(noise, 32, 0.03, 9e-8)
    np.testing.assert_allclose(mine, compute_innovation(noise, step=0.03, floor_v=3e-4), rtol=1e-9, atol=1e-15)


@pytest.mark.parametrize("predict", [
    lambda x: predict_rls(x, 32, 0.9995, 9e-8), lambda x: predict_burg(x, 32),
], ids=["rls", "burg"])  # fmt: skip
def test_an_autoregression_is_whitened(predict: Callable[[FloatArray], FloatArray], noise: FloatArray) -> None:
    """AR(2) with a = [1, -1.6, .9]: what is left is the noise that drove it, within 10 % of its amplitude."""
    signal = np.asarray(lfilter([1.0], [1.0, -1.6, 0.9], noise))
    left = predict(signal)[4000:]
    assert np.std(left) == pytest.approx(np.std(noise[4000:]), rel=0.1)
    assert np.std(signal) > 3.0 * np.std(left)
