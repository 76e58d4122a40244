"""How a recording is to be read: what its file does not say, and what the caller says of it."""

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from tapsig.errors import ParameterError
from tapsig.units import SECONDS, check_positive


@dataclass(frozen=True, slots=True)
class ReadOptions:
    """The arguments of `load_recording`, which describes them. Raises ParameterError for one outside its range."""

    channel: int | None = None
    column: str | None = None
    full_scale_v: float | None = None
    adc_bits: int | None = None
    labels: str | Path | Literal[False] | None = None
    fs: float | None = None
    time_unit: str | None = None
    strict: bool = False
    position: str = ""
    vehicle: str = ""
    scene: str = ""

    def __post_init__(self) -> None:
        channel, bits, unit = self.channel, self.adc_bits, self.time_unit
        if channel is not None and (isinstance(channel, bool) or not isinstance(channel, int) or channel < 0):
            raise ParameterError(f"channel is {channel!r}; it must be a whole number from 0")
        if channel is not None and self.column is not None:
            raise ParameterError(f"channel is {channel} and column is {self.column!r}; give one of them")
        for name in ("full_scale_v", "fs"):
            if getattr(self, name) is not None:
                check_positive(name, getattr(self, name))
        if bits is not None and not (isinstance(bits, int) and 1 <= bits <= 24):
            raise ParameterError(f"adc_bits is {bits!r}; it must lie between 1 and 24")
        if unit is not None and not (isinstance(unit, str) and unit in SECONDS):
            raise ParameterError(f"time_unit is {unit!r}; it must be {', '.join(SECONDS)}")

    @property
    def wav_scale_v(self) -> float:
        """Volts of a WAV sample of 1."""
        return 1.0 if self.full_scale_v is None else self.full_scale_v


DEFAULTS = ReadOptions()
