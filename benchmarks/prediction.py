"""Which predictor finds taps in ringing: `python -m benchmarks.prediction`, on the train vehicles (simulated).

Each predictor's innovation at 1 kHz goes through the trigger of the default detector; counted are the taps that raise
no candidate, the candidates a second, and how far the second of two taps rises over the 50 ms before it. RLS: Haykin,
Adaptive Filter Theory, ch. 9; Burg: librosa.lpc over the second before, renewed every quarter of a second. Each is
timed in a loop of its own, also the shipped rule, whose loop in the core does more than predict.
"""

import argparse
import itertools
import json
import time
from collections.abc import Callable, Mapping

import numba
import numpy as np
from scipy.signal import lfilter

from benchmarks.detection import TRAIN, count_missed, simulate_set
from benchmarks.sections import write_section
from tapsig.cli.output import render_table
from tapsig.detect.candidates import APART, HIGH_PASS, SETTLING, SMOOTHING
from tapsig.detect.tap import CORE_FLOOR_V, STEP, TRIGGER_DB
from tapsig.dsp.prediction import compute_innovation, decimate
from tapsig.records import Recording
from tapsig.units import FloatArray, IntArray

SCENES = ("quiet", "driving", "rain", "slam", "music", "rattle")


@numba.njit(cache=True)
def predict_rls(samples: FloatArray, order: int, forgetting: float, floor: float) -> FloatArray:
    """Recursive least squares: the a-priori error of each sample."""
    weights, past = np.zeros(order), np.zeros(order)
    inverse = np.eye(order) / (100.0 * floor)
    errors = np.empty(samples.size)
    for n in range(samples.size):
        gain = inverse @ past
        gain /= forgetting + past @ gain
        errors[n] = samples[n] - weights @ past
        weights += gain * errors[n]
        inverse = (inverse - np.outer(gain, past @ inverse)) / forgetting
        if n % 64 == 0:  # rounding takes its symmetry away, and silence lets it grow without bound
            inverse = 0.5 * (inverse + inverse.T)
            if np.trace(inverse) > order / floor:
                inverse = np.eye(order) / (100.0 * floor)
        past[1:] = past[:-1].copy()
        past[0] = samples[n]
    return errors


@numba.njit(cache=True)
def predict_nlms(samples: FloatArray, order: int, step: float, floor: float) -> FloatArray:
    """NLMS at any order; order 32 equals `compute_innovation`."""
    weights, past = np.zeros(order), np.zeros(order)
    errors = np.empty(samples.size)
    for n in range(samples.size):
        errors[n] = samples[n] - weights @ past
        weights += step * errors[n] / (order * floor + past @ past) * past
        past[1:] = past[:-1].copy()
        past[0] = samples[n]
    return errors


def predict_burg(samples: FloatArray, order: int, *, past: int = 1000, every: int = 250) -> FloatArray:
    """Coefficients of the last `past` samples predict the next `every`: nothing of the future is used."""
    import librosa  # heavy

    errors = samples.copy()
    for start in range(past, samples.size, every):
        before = samples[start - past : start]
        if np.mean(before**2) > CORE_FLOOR_V**2 / 100.0:
            around = samples[start - order : start + every]
            errors[start : start + every] = lfilter(librosa.lpc(before, order=order), [1.0], around)[order:]
    return errors


PREDICTORS: Mapping[str, Callable[[FloatArray], FloatArray]] = {
    "none (high-passed signal)": lambda x: x,
    "NLMS, order 16": lambda x: predict_nlms(x, 16, STEP, CORE_FLOOR_V**2),
    "NLMS, order 32 (shipped rule)": lambda x: compute_innovation(x, step=STEP, floor_v=CORE_FLOOR_V),
    "NLMS, order 40": lambda x: predict_nlms(x, 40, STEP, CORE_FLOOR_V**2),
    "RLS, order 32, forgetting .998": lambda x: predict_rls(x, 32, 0.998, CORE_FLOOR_V**2),
    "RLS, order 32, forgetting .9995": lambda x: predict_rls(x, 32, 0.9995, CORE_FLOOR_V**2),
    "Burg, order 32": lambda x: predict_burg(x, 32),
}


@numba.njit(cache=True)
def find_triggers(power: FloatArray, floor: float, ratio: float) -> IntArray:
    """Blocks whose smoothed power exceeds the highest of the 5 to 50 before by `ratio`, faint ones as well."""
    found, last = [-1], -APART
    for n in range(SETTLING, power.size):
        if n - last >= APART and power[n] > ratio * max(power[n - 48 : n - 4].max(), floor):
            last = n
            found.append(n)
    return np.array(found[1:], dtype=np.int64)


def measure(predict: Callable[[FloatArray], FloatArray], blocks: FloatArray, taps_s: FloatArray) -> dict[str, object]:
    """Missed taps, candidates, and the rises of second taps in decibels, for one recording in blocks of 1 ms."""
    power = lfilter([SMOOTHING], [1.0, SMOOTHING - 1.0], predict(blocks) ** 2)
    triggers = find_triggers(power, CORE_FLOOR_V**2, 10.0 ** (TRIGGER_DB / 10.0)) / 1000.0
    rises = []
    for before, tap in itertools.pairwise(taps_s):
        n = int(tap * 1000.0)
        if 0.1 < tap - before < 0.5 and n + 15 < power.size and n > 60:
            rises.append(10.0 * np.log10((power[n : n + 15].max() + 1e-12) / (power[n - 50 : n - 2].max() + 1e-12)))
    return {"missed": count_missed(triggers, taps_s), "candidates": triggers.size, "rises": rises}


def to_blocks(recording: Recording) -> FloatArray:
    """Means over a millisecond, high-passed at 20 Hz as in the candidate core."""
    means = decimate(recording.samples, recording.fs)
    slow = np.asarray(lfilter([HIGH_PASS], [1.0, HIGH_PASS - 1.0], means - means[0]))
    return np.asarray(means - means[0] - np.concatenate([[0.0], slow[:-1]]))


def main() -> None:
    """Measure, print or write."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.prediction", description=__doc__)
    parser.add_argument("--format", choices=("section", "json"), default="section")
    args = parser.parse_args()
    recordings = list(simulate_set(TRAIN, SCENES, duration_s=40.0, seed=9900))
    blocks = [to_blocks(recording) for recording in recordings]
    seconds, taps = sum(b.size for b in blocks) / 1000.0, sum(r.taps_s.size for r in recordings)
    rows = []
    for name, predict in PREDICTORS.items():
        predict(blocks[0][:3000])  # compiles
        begin = time.process_time()
        found = [measure(predict, part, recording.taps_s) for part, recording in zip(blocks, recordings, strict=True)]
        cost = (time.process_time() - begin) / sum(b.size for b in blocks) * 1e9
        inner = [rise for one, recording in zip(found, recordings, strict=True)
                 if (recording.position, recording.scene) == ("inner-skin", "quiet") for rise in one["rises"]]  # type: ignore[attr-defined]
        rows.append({"predictor": name, "missed": sum(int(str(one["missed"])) for one in found), "taps": taps,
                     "candidates_per_s": sum(int(str(one["candidates"])) for one in found) / seconds,
                     "rise_median_db": float(np.median(inner)), "rise_10_percent_db": float(np.quantile(inner, 0.1)),
                     "ns_per_block": cost})
    if args.format == "json":
        print(json.dumps({"rows": rows}, indent=1))
        return
    header = list(rows[0])
    table = render_table(header, [[row[key] for key in header] for row in rows])
    body = ("Train vehicles, all positions, simulated; the rise is that of a tap 0.1 to 0.5 s after another on the"
            " inner skin in quiet. Each predictor is timed in a loop of its own, the shipped rule outside the core."
            f"\n\n```\n{table}\n```\n")
    write_section("Prediction", body, "python -m benchmarks.prediction")
    print(body)


if __name__ == "__main__":
    main()
