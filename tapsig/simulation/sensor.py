"""From strain to counts: the glued piezo disc, its load, bias, clamp, rails, and the converter."""

import math
from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from tapsig.errors import ParameterError
from tapsig.simulation.excitation import log_uniform
from tapsig.units import FloatArray, check_positive, counts_to_volts, volts_to_counts

REFERENCE_C = 20.0


@dataclass(frozen=True, slots=True)
class Mount:
    """Mounting of a disc on the metal.

    A disc on tape or putty is a small mass on a soft layer and resonates in the band; epoxy does not (resonance_hz
    inf). `sign` is the polarity.
    """

    glue: str
    radius_m: float
    resonance_hz: float
    resonance_q: float
    sign: float

    @classmethod
    def draw(cls, rng: np.random.Generator) -> "Mount":
        """A random mount (ranges invented)."""
        glue = str(rng.choice(["epoxy", "tape", "putty"], p=[0.5, 0.3, 0.2]))
        low, high = {"epoxy": (math.inf, math.inf), "tape": (1800.0, 3400.0), "putty": (1200.0, 2600.0)}[glue]
        hz = math.inf if glue == "epoxy" else rng.uniform(low, high)
        q = rng.uniform(1.0, 4.0) if glue == "tape" else rng.uniform(0.6, 1.5)
        radius = float(rng.choice([0.0075, 0.010, 0.0135, 0.0175]))
        return cls(glue, radius, hz, q, float(rng.choice([-1.0, 1.0])))

    def transmit(self, strain: FloatArray, fs: float) -> FloatArray:
        """Strain of the metal to strain of the ceramic, shape (n,)."""
        if self.resonance_hz >= 0.45 * fs:
            return self.sign * strain
        # H(s) = ω₀²/(s² + sω₀/Q + ω₀²), bilinear, warped so that the resonance stays where it is.
        k = math.tan(math.pi * self.resonance_hz / fs)
        scale = 1.0 + k / self.resonance_q + k * k
        b = np.array([1.0, 2.0, 1.0]) * k * k / scale
        a = [1.0, 2.0 * (k * k - 1.0) / scale, (1.0 - k / self.resonance_q + k * k) / scale]
        return self.sign * np.asarray(lfilter(b, a, strain))


@dataclass(frozen=True, slots=True)
class Circuit:
    """The disc's capacitance with its load resistor, and the temperature coefficient of its gain."""

    capacitance_f: float
    load_ohm: float
    gain_per_k: float

    @classmethod
    def draw(cls, rng: np.random.Generator) -> "Circuit":
        """10–30 nF into 1 MΩ mostly; gain drift up to 0.4 % a kelvin (invented)."""
        load = float(rng.choice([0.47e6, 1.0e6, 1.0e6, 1.0e6, 2.2e6]))
        return cls(rng.uniform(10e-9, 30e-9), load, rng.uniform(-0.004, 0.004))

    @property
    def corner_hz(self) -> float:
        """High-pass corner 1/(2πRC)."""
        return 1.0 / (2.0 * math.pi * self.load_ohm * self.capacitance_f)

    def respond(self, charge_v: FloatArray, fs: float, *, temperature_c: float = REFERENCE_C) -> FloatArray:
        """Voltage across the load for an open-circuit voltage `charge_v`, shape (n,).

        The step response exp(−t/RC) is exact at every sample.
        """
        keep = math.exp(-1.0 / (self.load_ohm * self.capacitance_f * fs))
        gain = 1.0 + self.gain_per_k * (temperature_c - REFERENCE_C)
        return gain * np.asarray(lfilter([1.0, -1.0], [1.0, -keep], charge_v))


@dataclass(frozen=True, slots=True)
class SimulatedConverter:
    """A single-ended converter behind a bias divider (or without: `one_sided`, the clamp removes negative voltages).

    `full_scale_v` is half the span: rails −full_scale_v…+full_scale_v around mid-scale, as a recording states them.
    `bias` is the divider's offset from mid-scale, as a fraction of full_scale_v; `noise_v` is rms.
    """

    bits: int = 10
    full_scale_v: float = 2.5
    bias: float = 0.0
    one_sided: bool = False
    noise_v: float = 0.002
    hum_v: float = 0.0
    hum_hz: float = 50.0

    def __post_init__(self) -> None:
        if not 6 <= self.bits <= 24:
            raise ParameterError(f"bits is {self.bits!r}; it must lie between 6 and 24")
        check_positive("full_scale_v", self.full_scale_v)

    @classmethod
    def draw(cls, rng: np.random.Generator) -> "SimulatedConverter":
        """10 bits mostly, 8 and 12 elsewhere; one in eight without a bias divider (shares invented)."""
        bits = int(rng.choice([8, 10, 12], p=[0.1, 0.65, 0.25]))
        full_scale_v = 1.65 if bits == 12 else 2.5
        noise_v = log_uniform(rng, 0.2e-3, 1.5e-3) * full_scale_v
        return cls(
            bits,
            full_scale_v,
            rng.uniform(-0.04, 0.04),
            bool(rng.random() < 0.125),
            noise_v,
            rng.uniform(0.0, 1e-3) * full_scale_v,
            float(rng.choice([50.0, 100.0])),
        )

    @property
    def range_v(self) -> tuple[float, float]:
        return (-self.full_scale_v, self.full_scale_v)

    @property
    def step_v(self) -> float:
        """One count in volts."""
        return 2.0 * self.full_scale_v / (1 << self.bits)

    def convert(self, volts: FloatArray, fs: float, rng: np.random.Generator) -> FloatArray:
        """Converter output for `volts` at its input, shape (n,): adds noise, hum, bias or clamp, rails and rounding."""
        times = np.arange(volts.size) / fs
        phase = rng.uniform(0.0, 2.0 * math.pi)
        seen = volts + self.noise_v * rng.standard_normal(volts.size)
        seen = seen + self.hum_v * np.sin(2.0 * math.pi * self.hum_hz * times + phase)
        if self.one_sided:  # at rest on the lower rail; lower voltages are clipped
            seen = np.maximum(seen, 0.0) - self.full_scale_v
        else:
            seen = seen + self.bias * self.full_scale_v
        return counts_to_volts(volts_to_counts(seen, self.range_v, self.bits), self.range_v, self.bits)
