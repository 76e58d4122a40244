"""The converter: volts to counts and back."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from tapsig.core import load
from tapsig.errors import ParameterError
from tapsig.records import Recording
from tapsig.units import FloatArray, check_count, check_rails, counts_to_volts, require_kind

DEFAULT_RANGE_V = (-5.0, 5.0)
CountArray = npt.NDArray[np.uint16]


@dataclass(frozen=True, slots=True)
class Converter:
    """A converter with the rails `range_v` (low, high) in volts and `adc_bits` bits, 8 to 16.

    One count is (high - low) / 2**adc_bits. The default replaces an unknown converter: 16 bits from -5 to 5 V.

    >>> Converter((0.0, 5.0), 10).count_v
    0.0048828125
    """

    range_v: tuple[float, float] = DEFAULT_RANGE_V
    adc_bits: int = 16

    def __post_init__(self) -> None:
        object.__setattr__(self, "adc_bits", check_count("adc_bits", self.adc_bits, 8, 16))
        object.__setattr__(self, "range_v", check_rails("range_v", self.range_v))

    @classmethod
    def of(cls, recording: Recording) -> "Converter":
        """The recording's converter; 16 bits where its resolution is not known or finer, and from -5 to 5 V where its
        rails are not known.
        """
        bits = 16 if recording.adc_bits is None else min(max(recording.adc_bits, 8), 16)
        return cls(recording.range_v or DEFAULT_RANGE_V, bits if recording.range_v else 16)

    @property
    def count_v(self) -> float:
        """Volts a count."""
        return (self.range_v[1] - self.range_v[0]) / (1 << self.adc_bits)

    def scale(self) -> Any:
        """The core's numbers of the conversion to counts: a `tapsig_scale *` of cffi."""
        ffi, _ = load()
        return ffi.new("tapsig_scale *", (self.range_v[0], 1.0 / self.count_v, (1 << self.adc_bits) - 1))

    def to_counts(self, samples: FloatArray) -> CountArray:
        """Counts of `samples` (volts, finite, shape (n,)); nearest, halves up; the rails limit them.

        Raises ParameterError for nan or inf.
        """
        ffi, library = load()
        samples = np.ascontiguousarray(samples, dtype=np.float64)
        counts = np.empty(samples.size, dtype=np.uint16)
        done = library.tapsig_quantise(
            ffi.from_buffer("double[]", samples), samples.size, self.scale(), ffi.from_buffer("uint16_t[]", counts)
        )
        if done < samples.size:
            raise ParameterError(f"samples[{done}] is {samples[done]}; every sample must be finite")
        return counts

    def to_volts(self, counts: CountArray) -> FloatArray:
        """Volts of `counts`: low + counts * count_v."""
        return counts_to_volts(counts, self.range_v, self.adc_bits)

    def level_of(self, volts: float) -> int:
        """The core's level of a power of `volts` squared (fixed.h); 0 for no volts."""
        units = volts / self.count_v * (1 << (16 - self.adc_bits))
        return min(max(math.floor(8.0 * math.log2(units**2)), 0), 255) if units > 0 else 0


UNKNOWN = Converter()
"""Replaces an unknown converter; detectors with it refuse counts, whose scale in volts is unknown."""


def require_converter(given: Converter | None) -> Converter:
    """The converter that was given, UNKNOWN for None; ParameterError for anything else."""
    if given is None:
        return UNKNOWN
    return require_kind("converter", given, Converter, "Converter((low, high), adc_bits) of tapsig.converter")
