"""Integer arithmetic of the exported detectors: the definition that Python and C share, bit for bit.

Q formats: Qn is an integer that stands for value·2⁻ⁿ. Right shifts round to the nearest, halves upwards
(`shift_down`); nothing wraps: a value that could leave its width stops at the end of it (`saturate`). Logarithms are
to base 2 in Q8, reciprocals a 16-bit mantissa and a power of two; both come from tables of 64 entries, so that no
division happens while samples flow.
"""

import math

import numba
import numpy as np

from tapsig.units import IntArray

LOG_ZERO = -12 * 256
"""log2 in Q8 that stands for the logarithm of 0."""

TABLE_BITS = 6
LOG_TABLE: IntArray = np.array(
    [math.floor(256 * math.log2(1 + (i + 0.5) / 64) + 0.5) for i in range(64)], dtype=np.int64
)
"""256·log2(1 + (i + ½)/64): the fraction of a Q8 logarithm; fits 8 bits."""

RECIPROCAL_TABLE: IntArray = np.array([math.floor(2**21 / (64 + i + 0.5) + 0.5) for i in range(64)], dtype=np.int64)
"""2¹⁵/(1 + (i + ½)/64): the mantissa of a reciprocal in Q15; between 2¹⁴ and 2¹⁵."""


@numba.njit(cache=True)
def shift_down(value: int, bits: int) -> int:
    """value·2^-bits, rounded to the nearest, halves upwards; `bits` from 0 to 62.

    >>> shift_down(5, 1), shift_down(-5, 1), shift_down(7, 0)
    (3, -2, 7)
    """
    return value if bits == 0 else (value + (1 << (bits - 1))) >> bits


@numba.njit(cache=True)
def saturate(value: int, limit: int) -> int:
    """`value`, but at most `limit` and at least -limit.

    >>> saturate(40000, 32767), saturate(-40000, 32767)
    (32767, -32767)
    """
    return min(max(value, -limit), limit)


@numba.njit(cache=True)
def highest_bit(value: int) -> int:
    """Index of the highest set bit of `value` > 0.

    >>> highest_bit(1), highest_bit(255), highest_bit(256)
    (0, 7, 8)
    """
    bit = 0
    while value > 1:
        value >>= 1
        bit += 1
    return bit


@numba.njit(cache=True)
def mantissa(value: int, bit: int) -> int:
    """The six bits of `value` below its highest bit `bit`."""
    if bit >= TABLE_BITS:
        return (value >> (bit - TABLE_BITS)) & 63
    return (value << (TABLE_BITS - bit)) & 63


@numba.njit(cache=True)
def log2_q8(value: int) -> int:
    """log2 of `value` >= 0 in Q8, within 0.012 (0.04 dB of power); `LOG_ZERO` for 0.

    >>> log2_q8(0) == LOG_ZERO, abs(log2_q8(1000) / 256 - 9.9658) < 0.012
    (True, True)
    """
    if value <= 0:
        return LOG_ZERO
    bit = highest_bit(value)
    return (bit << 8) + LOG_TABLE[mantissa(value, bit)]
