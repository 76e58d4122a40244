"""Constants of the core for a sample rate and a converter's bits."""

import math
from dataclasses import dataclass

from tapsig.units import check_range

LOWEST_FS, HIGHEST_FS = 334.0, 200_000.0
INTERPOLATED_BELOW_HZ = 2000.0
HIGHEST_GROUPED_HZ = 16_000.0
LEVELS_PER_OCTAVE = 8
DB_PER_LEVEL = 10.0 * math.log10(2.0) / LEVELS_PER_OCTAVE


@dataclass(frozen=True, slots=True)
class Rate:
    """`tapsig_rate` of blocks.h for a sample rate in Hz and a converter's bits."""

    step_q24: int
    reciprocal_q15: tuple[int, int]
    per_block_q14: int
    per_block_q8: int
    step_offset: tuple[int, int]
    short_fill: int
    count_shift: int
    group: int
    interpolated: int

    @classmethod
    def of(cls, fs: float, adc_bits: int) -> "Rate":
        """Raises ParameterError for a rate or resolution that the core does not take."""
        check_range("fs", fs, LOWEST_FS, HIGHEST_FS)
        check_range("adc_bits", adc_bits, 8, 16)
        group = max(1, math.ceil(fs / HIGHEST_GROUPED_HZ))
        per_block = fs / group / 1000.0
        interpolated = fs < INTERPOLATED_BELOW_HZ
        short = 1 if interpolated else int(per_block + 1e-9)
        fills = (short, short + 1)
        return cls(
            step_q24=round(2**24 / per_block),
            reciprocal_q15=(round(2**15 / fills[0]) if short > 1 else 2**15 - 1, round(2**15 / fills[1])),
            per_block_q14=min(round(per_block * 2**14), 2**16 - 1) if interpolated else 0,
            per_block_q8=round(fs / 1000.0 * 256.0),
            step_offset=(0, 0) if interpolated else tuple(round(LEVELS_PER_OCTAVE * math.log2(n)) for n in fills),  # type: ignore[arg-type]
            short_fill=short,
            count_shift=16 - adc_bits,
            group=group,
            interpolated=int(interpolated),
        )

    def fill(self, struct: object) -> None:
        """Write the numbers into a `tapsig_rate` of cffi."""
        for name in self.__slots__:
            setattr(struct, name, getattr(self, name))
