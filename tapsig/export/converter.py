"""The controller's converter, and how numbers in volts and seconds become integers for it."""

import math
from dataclasses import dataclass

from tapsig.detect.ring_following import BLOCK_HZ
from tapsig.errors import ExportError
from tapsig.units import check_range

SAMPLE_BITS = 15
RAILS_V = (-2.5, 2.5)
FULL_SCALE_V = (1e-3, 1e4)
LOWEST_FS, HIGHEST_FS = 100, 48000
"""Rates in Hz that the clock of the exported chain can count (32 bits); HIGHEST_FS also bounds the sums of a block."""


@dataclass(frozen=True, slots=True)
class Converter:
    """The controller's converter: `bits` (8–15) between the rails `range_v` in volts, 1 mV to 10 kV apart.

    Raises ParameterError for others.
    """

    bits: int = 10
    range_v: tuple[float, float] = RAILS_V

    def __post_init__(self) -> None:
        check_range("adc_bits", self.bits, 8, SAMPLE_BITS)
        low, high = self.range_v
        check_range("the full scale in volts, range_v[1] - range_v[0],", high - low, *FULL_SCALE_V)

    @property
    def count_v(self) -> float:
        """Volts a count."""
        return (self.range_v[1] - self.range_v[0]) / (1 << self.bits)

    @property
    def unit_v(self) -> float:
        """Volts a unit of the 15-bit sample."""
        return (self.range_v[1] - self.range_v[0]) / (1 << SAMPLE_BITS)

    @property
    def shift(self) -> int:
        """Left shift from a count to a 15-bit sample."""
        return SAMPLE_BITS - self.bits


def samples_per_block(fs: float) -> int:
    """Samples in a millisecond. Raises ExportError unless that is a whole number, up to HIGHEST_FS."""
    ratio = fs / BLOCK_HZ
    if abs(ratio - round(ratio)) > 1e-9 or not BLOCK_HZ <= round(fs) <= HIGHEST_FS:
        raise ExportError(
            f"fs is {fs:g} Hz; the integer form needs a whole number of samples a millisecond:"
            f" 1000, 2000, … {HIGHEST_FS} Hz"
        )
    return round(ratio)


def whole(name: str, value: float, low: int, high: int) -> int:
    """`value` rounded to the nearest, halves up. Raises ExportError when it leaves low..high."""
    if not low <= value + 0.5 < high + 1:
        raise ExportError(f"{name} would be {value:.10g} in integers; it must lie between {low} and {high}")
    return math.floor(value + 0.5)
