"""Doors put together from measured sounds: real hits, impulse responses and nuisances through a simulated piezo chain.

A door is either a struck body (a tap is a recorded hit as it is) or a measured response (a tap is the start of a
recorded hit, and excites a recorded impulse response). Positions differ in how much of the ring they hear and for how
long. Sources and licences: measured_sources.py. Positions, paths, levels, times and the electronics are simulated;
no field accuracy is claimed. The halves "fit" and "unseen" share no kit.
"""

import zlib
from dataclasses import dataclass

import numpy as np
from scipy import signal

from benchmarks.generators import Generator, TapPlan, quantise
from benchmarks.generators.measured_scenes import SCENES, TAP_STEPS, Stage, fade_out
from benchmarks.generators.measured_sources import SPEED_STEPS, pool, sound, tapped_objects
from benchmarks.open_sources import Source
from tapsig.errors import ParameterError
from tapsig.records import Label, Recording
from tapsig.units import FloatArray, check_positive, db_to_amplitude

LOWEST_RATE_HZ = 6000.0  # what a converter without an alias filter folds back is simulated up to half of this
RAILS_V = ((-2.5, 2.5), (0.0, 5.0), (0.0, 3.3), (-1.0, 1.0))


@dataclass(frozen=True, slots=True)
class Position:
    """Where a sensor sits: how much of the ring it hears (0 to 1), what rings on with it, and its gain."""

    name: str
    ring: float
    mix: float
    decay_s: float
    gain_db: float
    response: Source
    response_step: int


@dataclass(frozen=True, slots=True)
class Door:
    """A door: its positions and the electronics behind them."""

    excited: bool
    positions: tuple[Position, ...]
    full_scale_share: float
    range_v: tuple[float, float]
    adc_bits: int
    highpass_hz: float
    alias_filter: bool
    half_lost: bool
    noise_share: float
    hum_share: float
    hum_hz: float
    sign: float
    air_hz: float


# name: ring, mix, decay_s and gain_db, each from - to; from a bare skin to a stiff frame (invented, no source)
PLACES = {
    "skin": ((0.8, 1.0), (0.5, 0.9), (0.08, 0.25), (3.0, 10.0)),
    "panel": ((0.5, 1.0), (0.3, 0.6), (0.03, 0.08), (-3.0, 3.0)),
    "beam": ((0.2, 0.5), (0.1, 0.3), (0.008, 0.025), (-8.0, -2.0)),
    "frame": ((0.02, 0.15), (0.0, 0.15), (0.002, 0.008), (-12.0, -5.0)),
}


def make_door(door: int, half: str) -> Door:
    """The door of this number; the half only decides which responses it is made of."""
    rng = np.random.default_rng([301, door])
    excited = bool(rng.random() < 0.5)
    responses = pool(half, "response", "tom", "cymbal")
    left_out = "" if rng.random() < 0.5 else str(rng.choice(list(PLACES)))
    names = [name for name in PLACES if name != left_out]
    positions = []
    for name in names:
        ring, mix, decay_s, gain_db = (float(rng.uniform(*span)) for span in PLACES[name])
        place = int(rng.integers(1 << 30)) % len(responses)
        step = int(rng.integers(2, SPEED_STEPS))
        if excited:
            ring, mix = 0.0, 1.0
        positions.append(Position(name, ring, mix, decay_s, gain_db, responses[place], step))
    bits = int(rng.choice([8, 10, 12, 16], p=[0.15, 0.4, 0.3, 0.15]))
    share = max(10.0 ** rng.uniform(-2.0, 0.5), 20.0 / 2 ** (bits - 1))
    half_lost = bool(rng.random() < 0.12)
    rails = RAILS_V[int(rng.integers(1, 3) if half_lost else rng.integers(len(RAILS_V)))]
    return Door(
        excited,
        tuple(positions),
        float(share),
        rails,
        bits,
        highpass_hz=float(rng.uniform(5.0, 30.0)),
        alias_filter=bool(rng.random() < 0.5),
        half_lost=half_lost,
        noise_share=float(10.0 ** rng.uniform(-4.5, -2.7)),
        hum_share=float(10.0 ** rng.uniform(-5.0, -2.5)),
        hum_hz=float(rng.choice([50.0, 60.0])),
        sign=float(rng.choice([-1.0, 1.0])),
        air_hz=float(rng.uniform(200.0, 1500.0)),
    )


def contact_kernel(duration_s: float, rate_hz: float) -> FloatArray:
    """A half-sine of this duration, of sum 1; a single 1 where it is shorter than two samples."""
    size = round(duration_s * rate_hz)
    if size < 2:
        return np.ones(1)
    kernel = np.sin(np.pi * (np.arange(size) + 0.5) / size)
    return np.asarray(kernel / kernel.sum())


def high_pass(samples: FloatArray, rate_hz: float, *, corner_hz: float) -> FloatArray:
    """A capacitive source into a resistor: first order, bilinear, corner 1/(2 pi R C)."""
    b, a = signal.butter(1, corner_hz, "highpass", fs=rate_hz)
    return np.asarray(signal.lfilter(b, a, samples))


def plan_entries(duration_s: float, taps: TapPlan, rng: np.random.Generator) -> list[list[float]]:
    """Onsets of the taps in seconds, one list an entry (or an isolated tap), within the recording."""
    cold = rng.random() < 1 / 3
    time = rng.uniform(0.2, 0.6) if cold else rng.uniform(0.6, max(0.7, min(8.0, 0.4 * duration_s)))
    entries: list[list[float]] = []
    while taps != "none" and time < duration_s - 0.3:
        entry = [float(time)]
        if taps == "entries":
            gap_s = rng.uniform(0.14, 0.17) if rng.random() < 0.15 else rng.uniform(0.17, 0.55)
            pause_s = rng.uniform(1.1, 2.0)
            for digit in range(int(rng.integers(3, 5))):
                if digit:
                    time += np.clip(pause_s * rng.normal(1, 0.08), 1.05, 2.2)
                    entry.append(float(time))
                for _ in range(int(rng.integers(0, 6))):
                    time += np.clip(gap_s * rng.normal(1, 0.06), 0.14, 0.6)
                    entry.append(float(time))
            time += rng.uniform(3.2, 9.0)
        else:
            time += rng.uniform(1.6, 8.0)
        entries.append([onset for onset in entry if onset < duration_s - 0.3])
    return entries


@dataclass(slots=True)
class Taps:
    """The taps of a recording: whole hits and their starts alone, labels, and where each entry begins and ends."""

    whole: FloatArray
    starts: FloatArray
    labels: list[Label]
    spans: list[tuple[int, int]]


def strike(files: tuple[Source, ...], rate_hz: float, step: int, *, hardness: float, contact_s: float) -> FloatArray:
    """One hit of an object, peak 1: the file for this hardness (0 to 1), softened by the contact's duration."""
    hit = sound(files[min(int(hardness * len(files)), len(files) - 1)], rate_hz, step)
    hit = fade_out(hit[: int(0.7 * rate_hz)], 0.1 * rate_hz)
    soft = np.convolve(hit, contact_kernel(contact_s, rate_hz))
    while np.abs(soft).max() < 0.15 and contact_s * rate_hz > 2:  # so long a contact would not excite this object
        contact_s /= 2
        soft = np.convolve(hit, contact_kernel(contact_s, rate_hz))
    return np.asarray(soft / np.abs(soft).max())


def perform(
    door: Door, half: str, entries: list[list[float]], rate_hz: float, size: int, rng: np.random.Generator
) -> Taps:
    """Play the taps: one hand, object and speed for each entry."""
    found = Taps(np.zeros(size), np.zeros(size), [], [])
    objects = tapped_objects(half)
    for entry in entries:
        files, step = objects[int(rng.integers(len(objects)))], int(rng.integers(*TAP_STEPS))
        hand_db, contact_s = rng.uniform(-10, 10), 10.0 ** rng.uniform(-3.3, -2.1)
        rebound_db = rng.uniform(-25, -10) if rng.random() < 0.25 else None
        for onset_s in entry:
            deviation_db = float(np.clip(rng.normal(0, 2), -4, 4))
            hardness = np.clip(0.5 + (hand_db + 2 * deviation_db) / 36, 0, 0.999)
            hit = strike(files, rate_hz, step, hardness=hardness, contact_s=contact_s * rng.uniform(0.85, 1.15))
            hit *= db_to_amplitude(hand_db + deviation_db)
            start = round(onset_s * rate_hz)
            found.labels.append(Label(start / rate_hz, "tap"))
            _strike_at(found, hit, start, rate_hz, door.excited)
            if rebound_db is not None:
                later = start + int(rng.uniform(0.02, 0.06) * rate_hz)
                _strike_at(found, hit * db_to_amplitude(rebound_db), later, rate_hz, door.excited)
        found.spans.append((round(entry[0] * rate_hz), round((entry[-1] + 1.0) * rate_hz)))
    return found


def _strike_at(found: Taps, hit: FloatArray, start: int, rate_hz: float, excited: bool) -> None:
    hit = hit[: found.whole.size - start]
    found.whole[start : start + hit.size] += hit
    decay_s = 0.003 if excited else 0.006
    short = (hit * np.exp(-np.arange(hit.size) / (decay_s * rate_hz)))[: int(12 * decay_s * rate_hz)]
    found.starts[start : start + short.size] += short


def path_of(position: Position, rate_hz: float) -> FloatArray:
    """Impulse response from the structure to a position: direct, and a measured response that decays with it.

    It is scaled so that a half-sine of 2 ms gives a peak of 1.
    """
    longest = int(min(7 * position.decay_s, 0.7) * rate_hz)
    response = sound(position.response, rate_hz, position.response_step)[:longest]
    tail = response * np.exp(-np.arange(response.size) / (position.decay_s * rate_hz))
    tail = fade_out(tail / np.sqrt((tail**2).sum()), 0.2 * tail.size)
    path = position.mix * tail
    path[0] += 1.0 - position.mix
    return np.asarray(path / np.abs(np.convolve(path, contact_kernel(0.002, rate_hz))).max())


def listen(door: Door, position: Position, stage: Stage, taps: Taps, rng: np.random.Generator) -> FloatArray:
    """What the piezo at a position gives, 1 for a usual tap at a usual position; before gain, noise and converter."""
    rate_hz = stage.rate_hz
    bus = position.ring * taps.whole + (1 - position.ring) * taps.starts
    for first, last in taps.spans:  # each entry has a spot of its own
        bus[first:last] *= db_to_amplitude(rng.uniform(-4, 4))
    spot = position.ring if not door.excited else 1.0
    path = path_of(position, rate_hz)
    heard = signal.oaconvolve(bus + spot * stage.struck, path)
    heard[: stage.size] += (1 - spot) * stage.struck  # a stiff place hears foreign blows with less ring
    air = signal.lfilter(*signal.butter(1, min(door.air_hz, 0.45 * rate_hz), fs=rate_hz), stage.air)
    heard[: stage.size] += air * (0.3 + 0.7 * position.ring)
    return np.asarray(heard[: stage.size] * db_to_amplitude(position.gain_db) + stage.wire)


def reference_peak(door: Door, half: str, rate_hz: float) -> float:
    """Median peak, over positions and objects, of a tap of strength 1 with 3 ms of contact."""
    objects = tapped_objects(half)
    peaks = []
    for files in objects[:: max(1, len(objects) // 5)]:
        found = Taps(np.zeros(int(0.7 * rate_hz)), np.zeros(int(0.7 * rate_hz)), [], [])
        _strike_at(found, strike(files, rate_hz, 12, hardness=0.5, contact_s=0.003), 0, rate_hz, door.excited)
        for position in door.positions:
            bus = position.ring * found.whole + (1 - position.ring) * found.starts
            peaks.append(np.abs(signal.oaconvolve(bus, path_of(position, rate_hz))).max())
    return float(np.median(peaks))


def convert(door: Door, heard: FloatArray, rate_hz: float, every: int, rng: np.random.Generator) -> FloatArray:
    """Volts at the converter's steps: high-pass, noise, hum, bias, alias filter where there is one, rails."""
    low, high = door.range_v
    half_scale_v = (high - low) / 2
    volts = high_pass(heard, rate_hz, corner_hz=door.highpass_hz) * (half_scale_v * door.full_scale_share * door.sign)
    if door.alias_filter and every > 1:
        volts = signal.lfilter(*signal.butter(2, 0.4 * rate_hz / every, fs=rate_hz), volts)
    volts = np.asarray(volts)[::every]
    time = np.arange(volts.size) * every / rate_hz
    hum = np.sin(2 * np.pi * door.hum_hz * time) + 0.4 * np.sin(2 * np.pi * 3 * door.hum_hz * time + 1.0)
    volts = volts + half_scale_v * (door.hum_share * hum + door.noise_share * rng.standard_normal(volts.size))
    bias_v = low if door.half_lost else low + half_scale_v
    return quantise(volts + bias_v, door.range_v, door.adc_bits)


def make(
    door: int, scene: str, *, fs: float, duration_s: float, taps: TapPlan, seed: int, half: str = "fit"
) -> dict[str, Recording]:
    """The recordings of `Generator.simulate`.

    `half` ("fit" or "unseen") decides which measured sounds are used: for fitting, or for judging alone.
    Raises ParameterError for another half, RegistryOutOfReachError where the packages cannot be had.
    """
    check_positive("duration_s", duration_s)
    if half not in ("fit", "unseen"):
        raise ParameterError(f"half is {half!r}; it must be 'fit' or 'unseen'")
    every = int(np.ceil(LOWEST_RATE_HZ / fs))
    rate_hz, size = fs * every, int(duration_s * fs) * every
    rng = np.random.default_rng([302, door, zlib.crc32(scene.encode()), seed])
    made = make_door(door, half)
    events_rng, taps_rng, *rngs = rng.spawn(2 + len(made.positions))
    stage = Stage(half, rate_hz, size, events_rng)
    SCENES[scene](stage)
    played = perform(made, half, plan_entries(duration_s, taps, taps_rng), rate_hz, size, taps_rng)
    scale = 1.0 / reference_peak(made, half, rate_hz)
    found = {}
    for position, own in zip(made.positions, rngs, strict=True):
        heard = listen(made, position, stage, played, own) * scale
        found[position.name] = Recording(
            convert(made, heard, rate_hz, every, own),
            fs,
            labels=(*played.labels, *stage.labels),
            range_v=made.range_v,
            adc_bits=made.adc_bits,
        )
    return found


GENERATOR = Generator("measured", tuple(SCENES), make)
