"""Simulated doors without physics: random banks of resonators, random front ends, random taps.

Each door, each mounting position and each nuisance is drawn from broad priors (domain randomisation) and follows no
plate, joint or vehicle. A position is a bank of 1 to 40 decaying sinusoids whose gains depend on the struck spot.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from scipy import signal
from threadpoolctl import threadpool_limits

from benchmarks.generators import Generator, TapPlan, log_uniform, quantise
from benchmarks.generators.resonator_events import (
    AIR,
    BODY,
    NOMINAL_CONTACT_S,
    OTHER_SPOTS,
    SCENES,
    TAP_SPOTS,
    Sheet,
    contact_pulse,
    rattle_train,
)
from tapsig.records import Label, Recording
from tapsig.units import FloatArray, check_range, db_to_amplitude

INTERNAL_RATE_HZ = 16000.0
MODE_HZ = (35.0, 6000.0)
T60_S = (0.01, 1.5)
LN_60_DB = 6.907755  # ln 1000: T60 = 6.9078 time constants


@dataclass(frozen=True, slots=True)
class Hand:
    """How one person taps at one spot during one entry."""

    level_db: float
    contact_s: float
    skew: float
    power: float
    gap_s: float
    jitter: float
    rebound: float
    knuckles: int
    spot: int
    wander: float


def draw_hand(rng: np.random.Generator, spots: int) -> Hand:
    """A hand at one of the first `spots` spots: 20 dB of strength, contacts from 0.5 to 8 ms, any tempo."""
    quick = rng.random() < 0.15
    return Hand(
        level_db=rng.uniform(-10.0, 10.0),
        contact_s=log_uniform(rng, 0.6e-3, 7e-3),
        skew=log_uniform(rng, 0.5, 1.6),
        power=rng.uniform(0.8, 2.5),
        gap_s=rng.uniform(0.142, 0.16) if quick else log_uniform(rng, 0.17, 0.55),
        jitter=log_uniform(rng, 0.01, 0.1),
        rebound=rng.choice([0.0, 0.0, 0.3, 0.9]),
        knuckles=int(rng.choice([1, 1, 2, 3])),
        spot=int(rng.integers(spots)),
        wander=rng.uniform(0.0, 0.5),
    )


def strike(sheet: Sheet, hand: Hand, onset_s: float, rng: np.random.Generator, *, loose: bool) -> None:
    """One tap: a contact, perhaps of several knuckles, perhaps a rebound, perhaps loose parts set off by it."""
    level_db = hand.level_db + float(np.clip(rng.normal(0.0, 2.0), -4.0, 4.0))
    contact_s = float(np.clip(hand.contact_s * np.exp(rng.normal(0.0, 0.12)), 0.5e-3, 8e-3))
    shift = hand.wander * rng.uniform(-1.0, 1.0)
    neighbour = TAP_SPOTS[(hand.spot + 1) % len(TAP_SPOTS)]
    for knuckle in range(hand.knuckles):
        later_s, weaker_db = (0.0, 0.0) if knuckle == 0 else (rng.uniform(0.3e-3, 5e-3), rng.uniform(2.0, 14.0))
        for spot, share in ((hand.spot, np.sqrt(1.0 - shift**2)), (neighbour, shift)):
            sheet.hit(
                spot, onset_s + later_s, level_db - weaker_db, contact_s, skew=hand.skew, power=hand.power, share=share
            )
    if rng.random() < hand.rebound:
        sheet.hit(hand.spot, onset_s + rng.uniform(0.012, 0.07), level_db - rng.uniform(6.0, 22.0), contact_s * 1.3)
    if loose:
        rattle_train(sheet, onset_s + rng.uniform(1e-3, 0.02), level_db - rng.uniform(10.0, 30.0), rng)
    sheet.label(onset_s, "tap")


def entry_onsets(start_s: float, hand: Hand, rng: np.random.Generator) -> list[float]:
    """Onsets of three or four digits of one to six taps, the first at `start_s`."""
    onsets, pause_s = [start_s], rng.uniform(1.1, 2.1)
    for digit, count in enumerate(rng.integers(1, 7, rng.integers(3, 5))):
        if digit > 0:
            onsets.append(onsets[-1] + float(np.clip(pause_s * (1 + rng.normal(0.0, 0.08)), 1.051, 2.199)))
        for _ in range(count - 1):
            onsets.append(onsets[-1] + float(np.clip(hand.gap_s * (1 + rng.normal(0.0, hand.jitter)), 0.141, 0.599)))
    return onsets


def plan_taps(plan: str, duration_s: float, rng: np.random.Generator, spots: int) -> list[tuple[float, Hand]]:
    """Onset and hand of every tap; an entry that would not end within the recording is drawn again, then left out.

    Where not even the first entry fits, the recording ends in its midst.
    """
    last_s = duration_s - 0.1
    cold = rng.random() < 1 / 3
    first_s = rng.uniform(0.2, 0.6) if cold else rng.uniform(0.6, max(0.7, min(8.0, 0.4 * duration_s)))
    planned: list[tuple[float, Hand]] = []
    hand = draw_hand(rng, spots)
    if plan == "single":
        steady = rng.random() < 0.5
        while first_s < last_s:
            planned.append((first_s, hand))
            first_s += rng.uniform(1.6, 8.0)
            hand = hand if steady else draw_hand(rng, spots)
        return planned
    while plan == "entries" and first_s < last_s:
        onsets = entry_onsets(first_s, hand, rng)
        for _ in range(12):
            if onsets[-1] >= last_s:
                onsets = entry_onsets(first_s, hand, rng)
        if onsets[-1] >= last_s and planned:
            break
        onsets = [onset_s for onset_s in onsets if onset_s < last_s]
        planned += [(onset_s, hand) for onset_s in onsets]
        first_s = onsets[-1] + rng.uniform(3.25, 9.0)
        hand = draw_hand(rng, spots)
    return planned


# --- doors --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Bank:
    """The resonators of one mounting position; rows of `gains` (complex, with phase) are spots, columns are modes."""

    modes_hz: FloatArray
    t60_s: FloatArray
    gains: "np.ndarray[tuple[int, int], np.dtype[np.complex128]]"
    direct: FloatArray
    delay_s: FloatArray
    diffuse: tuple[float, float]
    spot_level_db: FloatArray
    body_gain: float
    seed: int


def draw_modes_hz(rng: np.random.Generator) -> FloatArray:
    """1 to 40 frequencies: log-uniform or uniform in a part of the band, in clusters, or a stretched harmonic row."""
    count = round(log_uniform(rng, 1, 40))
    low_hz, high_hz = sorted((log_uniform(rng, *MODE_HZ), log_uniform(rng, *MODE_HZ)))
    kind = rng.integers(5)
    if kind <= 1:
        part = MODE_HZ if kind == 0 else (low_hz, high_hz)
        hz = np.array([log_uniform(rng, *part) for _ in range(count)])
    elif kind == 2:
        hz = rng.uniform(low_hz, high_hz, count)
    elif kind == 3:
        centres = [log_uniform(rng, *MODE_HZ) for _ in range(rng.integers(1, 5))]
        hz = rng.choice(centres, count) * np.exp(rng.normal(0.0, log_uniform(rng, 0.005, 0.2), count))
    else:
        hz = low_hz * np.arange(1, count + 1) ** rng.uniform(0.6, 2.0)
    return np.sort(np.clip(hz, *MODE_HZ))


def draw_bank(rng: np.random.Generator, stiffness: float) -> Bank:
    """A position's bank; `stiffness`, 0 (rings for long) to 1 (hardly rings), shifts the priors of decay and path."""
    hz = draw_modes_hz(rng)
    spots = BODY  # as many as there are spots before the body's own
    middle_s = np.exp(np.interp(stiffness, [0.0, 1.0], np.log([0.7, 0.02])) + rng.normal(0.0, 0.5))
    trend = (hz / np.median(hz)) ** rng.uniform(-1.0, 0.3)
    t60_s = middle_s * trend * np.exp(rng.normal(0.0, rng.uniform(0.0, 0.7), hz.size))
    tilt, spread = rng.uniform(-1.5, 0.8), rng.uniform(0.2, 1.2)
    sizes = (hz / 300.0) ** tilt * np.exp(rng.normal(0.0, spread, (1, hz.size)) + rng.normal(0, 0.6, (spots, hz.size)))
    if rng.random() < 0.7:  # displacement starts at zero, as a sine does; other sensors start anywhere
        phases = np.pi * rng.integers(0, 2, sizes.shape).astype(float)
    else:
        phases = rng.uniform(0.0, 2 * np.pi, sizes.shape)
    has_direct = rng.random() < 0.3 + 0.5 * stiffness
    return Bank(
        modes_hz=hz,
        t60_s=np.clip(t60_s, *T60_S),
        gains=sizes * np.exp(1j * phases),
        direct=has_direct * log_uniform(rng, 0.05, 5.0) * rng.choice([-1.0, 1.0], spots),
        delay_s=rng.choice([0.0, 1.0]) * rng.uniform(0.0, 2.5e-3, spots),
        diffuse=(log_uniform(rng, 0.01, 0.5) if rng.random() < 0.4 else 0.0, log_uniform(rng, 5e-3, 0.3)),
        spot_level_db=np.clip(rng.normal(0.0, 4.0, spots), -8.0, 8.0),
        body_gain=rng.choice([-1.0, 1.0]) * log_uniform(rng, 0.3, 2.0),
        seed=int(rng.integers(2**31)),
    )


def impulse_responses(bank: Bank, rate: float, spots: Iterable[int]) -> dict[int, FloatArray]:
    """Response of the position to a unit impulse at each spot.

    A nominal tap's response peaks at the spot's level.
    Σ g·exp(−6.9078 t/T60)·sin(2πft + φ), perhaps with the impulse itself and a decaying noise, perhaps late.
    """
    length = int(1.05 * rate * min(T60_S[1], bank.t60_s.max())) + 64
    poles = (2j * np.pi * bank.modes_hz - LN_60_DB / bank.t60_s) / rate
    block = int(np.sqrt(length)) + 1
    coarse, fine = np.arange(0, length, block), np.arange(block)
    by_block, within = np.exp(np.outer(coarse, poles)), np.exp(np.outer(poles, fine))  # exp(a + b) = exp(a)·exp(b)
    nominal = contact_pulse(NOMINAL_CONTACT_S, rate)
    answers: dict[int, FloatArray] = {BODY: np.array([bank.body_gain])}
    for spot in spots:
        if spot == BODY:
            continue
        answer = (by_block * bank.gains[spot] @ within).ravel()[:length].imag.copy()
        height = np.abs(answer).max() or 1.0
        answer[0] += bank.direct[spot] * height
        share, decay_s = bank.diffuse
        if share > 0:
            size = min(length, int(7 * decay_s * rate))
            noise = np.random.default_rng([bank.seed, spot]).standard_normal(size)
            answer[:size] += share * height * noise * np.exp(-np.arange(size) / (decay_s * rate))
        peak = np.abs(signal.oaconvolve(answer[: int(0.3 * rate)], nominal)).max()
        late = np.zeros(round(bank.delay_s[spot] * rate))
        answers[spot] = np.concatenate([late, answer * (db_to_amplitude(float(bank.spot_level_db[spot])) / peak)])
    return answers


@dataclass(frozen=True, slots=True)
class FrontEnd:
    """From the disc to the converter's counts; levels in decibels over a nominal tap unless said otherwise."""

    range_v: tuple[float, float]
    bias_v: float
    adc_bits: int
    high_pass_hz: float
    low_pass_hz: float
    anti_alias: bool
    clamp: float
    hum_hz: float
    hum_db: float
    noise_slope: float
    tap_db: FloatArray
    noise_db: FloatArray
    loose: bool


def draw_front_end(rng: np.random.Generator, positions: int) -> FrontEnd:
    """A converter and its surroundings; `tap_db`, by position, is the nominal tap's peak over half the range."""
    bits = int(rng.choice([8, 10, 10, 12, 12, 16]))
    low_v, high_v = ((-2.5, 2.5), (0.0, 5.0), (0.0, 3.3), (0.0, 1.1), (-1.0, 1.0), (-10.0, 10.0))[rng.integers(6)]
    bias_v = (low_v + high_v) / 2 + rng.uniform(-0.05, 0.05) * (high_v - low_v)
    if low_v == 0.0 and rng.random() < 0.25:  # without a bias the negative half is lost
        bias_v = rng.uniform(0.0, 0.03) * high_v
    counts_db = 20 * np.log10(2 ** (bits - 1))
    level_db = rng.uniform(max(-46.0, 20 * np.log10(12) - counts_db), 4.0)
    tap_db = np.maximum(level_db + rng.uniform(-12.0, 8.0, positions), 20 * np.log10(8) - counts_db)
    return FrontEnd(
        range_v=(low_v, high_v),
        bias_v=bias_v,
        adc_bits=bits,
        high_pass_hz=log_uniform(rng, 5.0, 30.0),
        low_pass_hz=rng.choice([0.0, 0.0, 1.0]) * log_uniform(rng, 300.0, 6000.0),
        anti_alias=bool(rng.random() < 0.4),
        clamp=rng.choice([0.0, 0.0, 0.0, 1.0]) * rng.uniform(0.5, 1.5),
        hum_hz=float(rng.choice([50.0, 60.0, rng.uniform(20.0, 500.0)])),
        hum_db=rng.uniform(-75.0, -20.0),
        noise_slope=rng.choice([0.0, 0.0, rng.uniform(0.0, 0.98)]),
        tap_db=tap_db,
        noise_db=np.clip(rng.uniform(-60.0, -18.0) + rng.normal(0.0, 3.0, positions), -60.0, -18.0),
        loose=bool(rng.random() < 0.15),
    )


def draw_door(door: int) -> tuple[tuple[str, ...], tuple[Bank, ...], FrontEnd]:
    """The names and banks of a door's three or four positions, from thin skin to stiff frame, and its front end."""
    rng = np.random.default_rng([0x5E50, door])
    names: tuple[str, ...] = ("skin", "panel", "beam", "frame")
    if rng.random() < 0.5:
        names = ("skin", str(rng.choice(names[1:3])), "frame")
    stiffness = np.linspace(0.0, 1.0, len(names)) + rng.normal(0.0, 0.08, len(names))
    banks = tuple(draw_bank(rng, float(value)) for value in stiffness.clip(0.0, 1.0))
    return names, banks, draw_front_end(rng, len(names))


def convert(
    sheet: Sheet, answers: dict[int, FloatArray], front: FrontEnd, which: int, rng: np.random.Generator
) -> FloatArray:
    """What the converter of position `which` gives, in volts."""
    heard = np.zeros(sheet.size)
    for spot, excitation in sheet.spots.items():
        heard += signal.oaconvolve(excitation, answers[spot])[: sheet.size]
    heard = signal.lfilter(*signal.butter(1, front.high_pass_hz, "highpass", fs=sheet.rate), heard)
    if front.low_pass_hz > 0:
        heard = signal.lfilter(*signal.butter(1, front.low_pass_hz, fs=sheet.rate), heard)
    step = round(sheet.rate / sheet.fs)
    if front.anti_alias and step > 1:
        heard = signal.sosfilt(signal.butter(4, 0.42 * sheet.fs, fs=sheet.rate, output="sos"), heard)
    heard = heard[::step][: sheet.electric.size]
    times = np.arange(heard.size) / sheet.fs
    phase = 2 * np.pi * front.hum_hz * times
    hum = np.sum([rng.normal() / order * np.sin(order * phase + order) for order in (1, 2, 3, 5)], axis=0)
    noise = signal.lfilter([1.0], [1.0, -front.noise_slope], rng.standard_normal(heard.size))
    noise *= np.sqrt(1 - front.noise_slope**2) * db_to_amplitude(float(front.noise_db[which]))
    heard = heard + sheet.electric + db_to_amplitude(front.hum_db) * hum + sheet.noise_gain * noise
    half_v = (front.range_v[1] - front.range_v[0]) / 2
    volts = half_v * db_to_amplitude(float(front.tap_db[which])) * heard
    if front.clamp > 0:
        volts = front.clamp * half_v * np.tanh(volts / (front.clamp * half_v))
    return quantise(volts + front.bias_v, front.range_v, front.adc_bits)


def make(door: int, scene: str, *, fs: float, duration_s: float, taps: TapPlan, seed: int) -> dict[str, Recording]:
    """The recordings of `Generator.simulate`. Raises ParameterError for a duration outside 0.5 s to a day."""
    duration_s = check_range("duration_s", duration_s, 0.5, 86400.0)
    names, banks, front = draw_door(door)
    rate = fs * np.ceil(INTERNAL_RATE_HZ / fs)
    with threadpool_limits(limits=1, user_api="blas"):  # small products: faster, and the same sums on any machine
        answers = [impulse_responses(bank, rate, (*TAP_SPOTS, *OTHER_SPOTS, AIR)) for bank in banks]
    event_seed = [0x5E51, door, list(SCENES).index(scene), seed]
    sheet = Sheet(rate, fs, duration_s, answers)
    rng = np.random.default_rng([*event_seed, 0])
    for onset_s, hand in plan_taps(taps, duration_s, rng, len(TAP_SPOTS)):
        strike(sheet, hand, onset_s, rng, loose=front.loose)
    SCENES[scene](sheet, np.random.default_rng([*event_seed, 1]))
    labels = tuple(Label(onset_s, kind) for onset_s, kind in sheet.labels)
    return {
        name: Recording(
            convert(sheet, answers[which], front, which, np.random.default_rng([*event_seed, 2 + which])),
            fs,
            labels=labels,
            range_v=front.range_v,
            adc_bits=front.adc_bits,
        )
        for which, name in enumerate(names)
    }


GENERATOR = Generator("resonators", tuple(SCENES), make)
