"""Fixed-point primitives against an independent DSP library (`pip install 'tapsig[reference]'`; builds from source)."""

import numpy as np
import pytest

from tapsig.export.fixed_point import saturate, shift_down

dsp = pytest.importorskip("cmsisdsp", reason="cmsisdsp is not installed: pip install 'tapsig[reference]'")


def pairs() -> tuple[np.ndarray, np.ndarray]:
    """Random and extreme pairs of Q15 values."""
    rng = np.random.default_rng(7)
    corners = np.array([-32767, -1, 0, 1, 32767])
    first, second = (np.concatenate([grid.ravel(), rng.integers(-32767, 32768, 5000)])
                     for grid in np.meshgrid(corners, corners))  # fmt: skip
    return first.astype(np.int16), second.astype(np.int16)


def test_saturated_sums_are_equal() -> None:
    first, second = pairs()
    mine = [saturate(int(a) + int(b), 32767) for a, b in zip(first, second, strict=True)]
    theirs = np.maximum(dsp.arm_add_q15(first, second), -32767)  # ours is symmetric: it stops at -32767
    np.testing.assert_array_equal(mine, theirs)


def test_q15_products_differ_by_the_rounding_only() -> None:
    """The library truncates a product towards minus infinity, we round to the nearest: at most one step apart."""
    first, second = pairs()
    products = [int(a) * int(b) for a, b in zip(first, second, strict=True)]
    theirs = dsp.arm_mult_q15(first, second)
    np.testing.assert_array_equal([product >> 15 for product in products], theirs)
    mine = np.array([shift_down(product, 15) for product in products])
    assert set((mine - theirs).tolist()) <= {0, 1}
