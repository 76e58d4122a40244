"""Real hits on bare objects in a quiet room, beside voices or beside a street, through a cheap converter.

The easy case: nothing rings and nobody hits anything else, so that what a person hears as a tap should be found. Hits,
voices and street are recorded sounds (generators/measured_sources.py); levels, times and the electronics are simulated.
"""

import numpy as np
from scipy import signal

from benchmarks.generators import quantise
from benchmarks.generators.measured import LOWEST_RATE_HZ, high_pass, plan_entries, strike
from benchmarks.generators.measured_scenes import SCENES, TAP_STEPS, Stage
from benchmarks.generators.measured_sources import tapped_objects
from tapsig.records import Label, Recording
from tapsig.units import FloatArray, db_to_amplitude

PLACES = ("quiet", "voices", "street")
PLANS = ("entries", "entries", "single")
SHORT_S, LONG_S = 12.0, 18.0  # the shorter above 20 kHz


def play_hits(half: str, plan: str, stage: Stage) -> tuple[FloatArray, list[Label]]:
    """Hits on one object, usually of peak 1, and their labels; harder and softer by up to 12 dB."""
    rng, rate_hz = stage.rng, stage.rate_hz
    objects = tapped_objects(half)
    files, step = objects[int(rng.integers(len(objects)))], int(rng.integers(*TAP_STEPS))
    contact_s, spread_db = 10.0 ** rng.uniform(-3.7, -2.3), rng.uniform(0.0, 3.0)
    track, labels = np.zeros(stage.size), []
    for entry in plan_entries(stage.duration_s, plan, rng):  # type: ignore[arg-type]
        hand_db = rng.uniform(-6.0, 6.0)
        for onset_s in entry:
            deviation_db = float(np.clip(rng.normal(0.0, spread_db), -6.0, 6.0))
            hardness = float(np.clip(0.5 + (hand_db + 2 * deviation_db) / 36, 0.0, 0.999))
            hit = strike(files, rate_hz, step, hardness=hardness, contact_s=contact_s * rng.uniform(0.85, 1.15))
            start = round(onset_s * rate_hz)
            part = hit[: stage.size - start] * db_to_amplitude(hand_db + deviation_db)
            track[start : start + part.size] += part
            labels.append(Label(start / rate_hz, "tap"))
    return track, labels


def compose(half: str, number: int, *, fs: float, rng: np.random.Generator) -> Recording:
    """Recording `number` of a half ("fit" or "unseen") at `fs` Hz; places and plans take turns."""
    every = int(np.ceil(LOWEST_RATE_HZ / fs))
    duration_s = LONG_S if fs < 20_000.0 else SHORT_S
    stage = Stage(half, fs * every, int(duration_s * fs) * every, rng)
    place, plan = PLACES[number % 3], PLANS[number // 3 % 3]
    SCENES[place](stage)
    track, labels = play_hits(half, plan, stage)
    heard = track + (stage.air + 0.3 * stage.struck) * db_to_amplitude(-rng.uniform(0.0, 24.0))
    bits = int(rng.choice([8, 10, 12], p=[0.7, 0.2, 0.1]))
    range_v = (-1.0, 1.0) if rng.random() < 0.7 else (0.0, 3.3)
    gain = 10.0 ** rng.uniform(-1.2, -0.1)
    if rng.random() < 0.5 and every > 1:  # a filter before the converter, or none
        heard = signal.lfilter(*signal.butter(2, 0.4 * fs, fs=stage.rate_hz), heard)
    heard = high_pass(heard, stage.rate_hz, corner_hz=float(rng.uniform(5.0, 30.0)))[::every] * gain
    noise = 10.0 ** rng.uniform(-4.0, -2.0) * min(3.0 * gain, 1.0)
    half_scale_v = (range_v[1] - range_v[0]) / 2
    volts = (heard + noise * rng.standard_normal(heard.size) + 1.0) * half_scale_v + range_v[0]
    return Recording(
        quantise(volts, range_v, bits),
        fs,
        labels=tuple(labels),
        position="table",
        vehicle=f"table-{half}-{number}",
        scene=place,
        range_v=range_v,
        adc_bits=bits,
        source=f"table-{half}-{number}",
        split=plan,
    )
