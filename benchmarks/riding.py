"""False taps on a ride without a single tap: `python -m benchmarks.riding` writes its section of benchmarks/README.md.

A sensor on a plate of a motorcycle, invented apart from `tapsig.simulation` and the generators: pulses of uneven
firing, wind whose force rises with the square of the speed, road noise, and, in half of the rides, holes in the road.
Nothing was recorded, nothing is fitted or tuned on it: the figures rank detectors as shipped.
"""

import itertools
from dataclasses import dataclass

import numpy as np
from scipy import signal

from benchmarks.sections import make_parser, publish
from tapsig.converter import Converter
from tapsig.detectors import CATALOGUE
from tapsig.detectors.base import run_detector
from tapsig.records import Recording
from tapsig.units import FloatArray, db_to_amplitude

RIDE_S = 540.0
RATES_HZ = (1000.0, 2000.0, 8000.0)
BITS = (8, 10, 12, 16)
RANGE_V = (0.0, 5.0)
HOLES_A_MINUTE = 2.0
HIGHEST_SPEED = 30.0  # m/s
DETECTORS = tuple(name for name in CATALOGUE if name not in ("null", "random"))


@dataclass(frozen=True, slots=True)
class Machine:
    """How one machine fires, and the plate that the sensor is on.

    Parameters
    ----------
    uneven : crank angles of the firings in two turns, as shares.
    modes_hz, quality, gain : of the plate's resonances.
    """

    uneven: FloatArray
    modes_hz: FloatArray
    quality: FloatArray
    gain: FloatArray


def invent_machine(rng: np.random.Generator) -> Machine:
    """One to four cylinders, five to twelve modes."""
    cylinders = int(rng.integers(1, 5))
    firings = (np.arange(cylinders) / cylinders + rng.uniform(0.0, 0.12, cylinders)) % 1.0
    count = int(rng.integers(5, 13))
    modes = np.exp(rng.uniform(np.log(60.0), np.log(3000.0), count))
    return Machine(np.sort(firings), modes, rng.uniform(8.0, 40.0, count), rng.uniform(0.3, 2.0, count))


def wander(times_s: FloatArray, every_s: float, low: float, high: float, rng: np.random.Generator) -> FloatArray:
    """A value that moves from one level to the next, drawn between `low` and `high`."""
    knots = np.arange(0.0, times_s[-1] + 2 * every_s, every_s)
    return np.interp(times_s, knots, rng.uniform(low, high, knots.size))


def fire(machine: Machine, turns_s: FloatArray, load: FloatArray, fs: float, rng: np.random.Generator) -> FloatArray:
    """A pulse of some milliseconds at every firing, its force by the load and 15 % from one to the next."""
    cycles = np.cumsum(turns_s) / (2.0 * fs)
    pulses = np.zeros(cycles.size)
    for angle in machine.uneven:
        at = np.flatnonzero(np.diff(np.floor(cycles - angle)) > 0)
        pulses[at] += load[at] * rng.normal(1.0, 0.15, at.size)
    length = np.arange(int(0.03 * fs)) / fs
    pulse = np.exp(-length / 0.004) * np.sin(2.0 * np.pi * rng.uniform(70.0, 180.0) * length)
    return np.asarray(signal.fftconvolve(pulses, pulse)[: pulses.size])


def noise_below(corner_hz: float, size: int, fs: float, rng: np.random.Generator) -> FloatArray:
    """Noise of power 1 that falls by 12 dB an octave from the corner on."""
    band = signal.butter(2, min(corner_hz, 0.45 * fs), fs=fs, output="sos")
    noise = signal.sosfilt(band, rng.standard_normal(size))
    return np.asarray(noise / noise.std())


def ride(number: int, fs: float, *, holes: bool) -> Recording:
    """Nine minutes of one machine; every fourth has 8 bits, and so on."""
    rng = np.random.default_rng([number, int(fs), holes])
    machine = invent_machine(rng)
    times_s = np.arange(int(RIDE_S * fs)) / fs
    speed = wander(times_s, 9.0, 0.0, HIGHEST_SPEED, rng)
    gears = np.array([4.0, 8.0, 13.0, 18.0, 24.0])
    turns_s = 18.0 + 75.0 * speed / gears[np.searchsorted(gears[:-1], speed)]
    load = 10.0 ** (wander(times_s, 3.0, -10.0, 6.0, rng) / 20.0)
    force = fire(machine, turns_s, load, fs, rng)
    force /= force.std()
    wind = noise_below(rng.uniform(60.0, 300.0), times_s.size, fs, rng)
    gusts = 10.0 ** (wander(times_s, 2.0, -6.0, 4.0, rng) / 20.0)
    force += rng.uniform(0.3, 1.5) * wind * gusts * (speed / HIGHEST_SPEED) ** 2
    road = noise_below(rng.uniform(200.0, 900.0), times_s.size, fs, rng)
    force += rng.uniform(0.1, 0.6) * road * speed / HIGHEST_SPEED
    if holes:
        for start_s in rng.uniform(1.0, RIDE_S - 1.0, rng.poisson(HOLES_A_MINUTE * RIDE_S / 60.0)):
            first, size = int(start_s * fs), int(rng.uniform(0.02, 0.08) * fs)
            force[first : first + size] += rng.uniform(3.0, 20.0) * np.hanning(size)
    volts = 0.3 * force
    for mode_hz, quality, gain in zip(machine.modes_hz, machine.quality, machine.gain, strict=True):
        if mode_hz < 0.45 * fs:
            volts += gain * signal.lfilter(*signal.iirpeak(mode_hz, quality, fs), force)
    volts *= db_to_amplitude(rng.uniform(-40.0, -12.0)) * 2.5 / volts.std()
    converter = Converter(RANGE_V, BITS[number % len(BITS)])
    counts = converter.to_counts(volts + 2.5 + 0.0005 * rng.standard_normal(volts.size))
    return Recording(converter.to_volts(counts), fs, range_v=RANGE_V, adc_bits=converter.adc_bits, labels=())


def main() -> None:
    """Ride, count, write."""
    parser = make_parser("riding", __doc__)
    parser.add_argument("--rides", type=int, default=8, help="of each kind and rate (default: 8)")
    rides = parser.parse_args().rides
    found: dict[tuple[str, bool], list[int]] = {(name, holes): [] for name in DETECTORS for holes in (False, True)}
    for holes, fs, number in itertools.product((False, True), RATES_HZ, range(rides)):
        recording = ride(number, fs, holes=holes)
        for name in DETECTORS:
            found[name, holes].append(len(run_detector(CATALOGUE[name], recording).onset_s))
    rows = []
    for name in DETECTORS:
        row: dict[str, object] = {"detector": name}
        for holes, title in ((False, "even road"), (True, "with holes")):
            counts, tail = found[name, holes], " " * holes  # no two columns of a table have one name
            none = f"{counts.count(0)}/{len(counts)}"
            row |= {title: sum(counts) / len(counts), f"most{tail}": max(counts), f"none in{tail}": none}
        rows.append(row)
    publish(
        "Riding",
        "python -m benchmarks.riding",
        "A sensor on a plate of a motorcycle, simulated: pulses of uneven firing, wind whose force rises with the"
        " square of the speed, road noise and, in half of the rides, holes in the road."
        f" Rides of {RIDE_S / 60.0:g} minutes without taps, {rides} of each kind at each of"
        f" {', '.join(f'{fs:g}' for fs in RATES_HZ)} Hz, {', '.join(map(str, BITS))} bits in turn:"
        f" false taps of the detectors as shipped, mean and most in a ride. Holes: {HOLES_A_MINUTE:g} a minute.",
        rows,
    )


if __name__ == "__main__":
    main()
