"""The converter: volts to counts and back."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from tapsig.core import load
from tapsig.errors import ParameterError
from tapsig.records import Recording, require_recording
from tapsig.units import FloatArray, check_count, check_rails, counts_to_volts, require_kind, to_floats

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
        require_recording(recording)
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

        Raises ParameterError for nan or inf, or samples of several channels.
        """
        ffi, library = load()
        samples = np.ascontiguousarray(to_floats("samples", samples))
        if samples.ndim != 1:
            raise ParameterError(f"samples has shape {samples.shape}; one channel (1-D) is needed")
        counts = np.empty(samples.size, dtype=np.uint16)
        done = library.tapsig_quantise(
            ffi.from_buffer("double[]", samples), samples.size, self.scale(), ffi.from_buffer("uint16_t[]", counts)
        )
        if done < samples.size:
            raise ParameterError(f"samples[{done}] is {samples[done]}; every sample must be finite")
        return counts

    def to_volts(self, counts: CountArray) -> FloatArray:
        """Volts of `counts`: low + counts * count_v. Raises ParameterError for counts that it does not give."""
        self.check_counts("counts", to_floats("counts", counts))
        return counts_to_volts(counts, self.range_v, self.adc_bits)

    def check_counts(self, name: str, counts: npt.NDArray[Any]) -> None:
        """Raise ParameterError unless all counts lie between 0 and the highest."""
        highest = (1 << self.adc_bits) - 1
        if counts.size and not 0 <= counts.min() <= counts.max() <= highest:
            raise ParameterError(
                f"{name} holds counts from {counts.min():g} to {counts.max():g}; a converter of {self.adc_bits} bits"
                f" gives 0 to {highest}"
            )

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
