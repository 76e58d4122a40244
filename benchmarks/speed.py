"""Speed of every detector beside general libraries, on one thread; memory over a day; start-up.

    python -m benchmarks.speed                 writes its section of benchmarks/README.md
    python -m benchmarks.speed --format json   prints it: {"rows": [{"subject", "samples_per_s"}, …], …}

A subject of your own is added with --detector module:attribute. Times are processor time, the best of --repeat, after a
first call that compiles or loads; all subjects take the same samples in the same run.
"""

# ruff: noqa: E402 - the number of threads must be set before numpy loads

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ[_name] = "1"

import argparse
import json
import math
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import soundfile

from benchmarks.sections import publish, render_markdown
from tapsig.detectors import CATALOGUE, load_detector
from tapsig.detectors.base import Variant
from tapsig.testing import make_test_signal
from tapsig.units import FloatArray

FS = 8000.0
COMMAND = "python -m benchmarks.speed"
LIBROSA, SCIPY, OBSPY = "librosa onset_detect, hop 32", "scipy hilbert + find_peaks, wlen", "obspy recursive_sta_lta"
SPARSE = 15
"""Knocks a minute of the second signal."""
LINEARITY = ("tap", "ring-following", "fixed-threshold")


def make_samples(duration_s: float) -> FloatArray:
    """Knocks on a ringing panel, volts around 0: seven in every four seconds."""
    pieces = [make_test_signal(FS, seed=seed) - 2.5 for seed in range(16)]
    count = max(1, round(duration_s / 4.0))
    return np.concatenate([pieces[i % len(pieces)] for i in range(count)])


def make_sparse(duration_s: float, taps: int) -> FloatArray:
    """Noise with `taps` knocks, evenly spaced."""
    rng = np.random.default_rng(0)
    samples = 0.002 * rng.standard_normal(int(duration_s * FS))
    after = np.arange(int(0.1 * FS)) / FS
    ring = sum(np.sin(2 * np.pi * mode * after) for mode in (71.0, 167.0, 331.0)) * np.exp(-after / 0.03) * 0.2
    for i in range(taps):
        start = int((0.5 + (duration_s - 1.0) * i / taps) * FS)
        samples[start : start + ring.size] += ring
    return samples


def run_librosa(samples: FloatArray) -> None:
    """Onsets with its defaults and a hop of 4 ms, single precision as its own loader gives."""
    from librosa.onset import onset_detect

    onset_detect(y=samples.astype(np.float32), sr=FS, hop_length=32, units="samples")


def run_scipy(samples: FloatArray) -> None:
    """The analytic signal's magnitude and its prominent peaks within half a second."""
    from scipy import signal

    signal.find_peaks(np.abs(signal.hilbert(samples)), prominence=0.05, distance=int(0.08 * FS), wlen=int(0.5 * FS) | 1)


def run_obspy(samples: FloatArray) -> None:
    """Its compiled recursion alone, without a trigger."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from obspy.signal.trigger import recursive_sta_lta

    recursive_sta_lta(samples, int(0.005 * FS), int(0.2 * FS))


PEERS: dict[str, Callable[[FloatArray], None]] = {LIBROSA: run_librosa, SCIPY: run_scipy, OBSPY: run_obspy}


def detector_runner(variant: Variant) -> Callable[[FloatArray], None]:
    """A function that runs the variant over samples as one chunk."""

    def run(samples: FloatArray) -> None:
        detector = variant.build(FS)
        detector.push(samples)
        detector.flush()

    return run


def best_seconds(works: Sequence[Callable[[FloatArray], None]], samples: FloatArray, repeat: int) -> list[float]:
    """Least processor time of `repeat` runs of each, after one on the first four seconds.

    They take turns, so that a busy neighbour on the machine slows all and not one.
    """
    for work in works:
        work(samples[: int(4 * FS)])
    best = [math.inf] * len(works)
    for _ in range(repeat):
        for i, work in enumerate(works):
            begin = time.process_time()
            work(samples)
            best[i] = min(best[i], time.process_time() - begin)
    return [max(seconds, 1e-9) for seconds in best]


def measure_speed(variants: dict[str, Variant], samples: FloatArray, repeat: int) -> list[dict[str, object]]:
    """One row a subject."""
    samples.flags.writeable = False
    works = {name: detector_runner(variant) for name, variant in variants.items()} | PEERS
    rows: list[dict[str, object]] = []
    for name, seconds in zip(works, best_seconds(list(works.values()), samples, repeat), strict=True):
        rows.append({"subject": name, "samples_per_s": samples.size / seconds, "seconds": seconds})
    speed = {str(row["subject"]): float(str(row["samples_per_s"])) for row in rows}
    for row in rows:
        for peer, key in ((LIBROSA, "times_librosa"), (SCIPY, "times_scipy"), (OBSPY, "times_obspy")):
            row[key] = speed[str(row["subject"])] / speed[peer]
    return rows


def measure_linearity(variants: dict[str, Variant], minutes: float, repeat: int) -> list[dict[str, object]]:
    """Nanoseconds a sample as the recording grows, and as its taps grow more."""
    rows: list[dict[str, object]] = []
    whole = make_samples(60.0 * minutes)
    for name in LINEARITY:
        if name not in variants:
            continue
        work = detector_runner(variants[name])
        for part in (8, 4, 2, 1):
            samples = whole[: whole.size // part]
            each = best_seconds([work], samples, repeat)[0] / samples.size
            rows.append({"subject": name, "case": f"{minutes / part:g} min", "ns_per_sample": 1e9 * each})
        for per_minute in (0, 15, 60, 240):
            samples = make_sparse(60.0 * minutes / 2, int(per_minute * minutes / 2))
            each = best_seconds([work], samples, repeat)[0] / samples.size
            rows.append({"subject": name, "case": f"{per_minute} taps/min", "ns_per_sample": 1e9 * each})
    return rows


DAY_SCRIPT = """
import json, re, sys, time
from tapsig.detectors import load_detector
from tapsig.detectors.files import detect_wav
begin = time.perf_counter()
found = detect_wav(load_detector(sys.argv[1]), sys.argv[2])
seconds = time.perf_counter() - begin
# Not getrusage: its highest memory is inherited from the process that started this one.
peak = int(re.search(r"VmHWM:\\s+(\\d+)", open("/proc/self/status").read()).group(1)) / 1024
print(json.dumps({"seconds": seconds, "peak_mb": peak, "taps": len(found)}))
"""


def measure_day(names: Sequence[str], hours: float) -> list[dict[str, object]]:
    """Time and highest memory of a process that detects from a WAV file of that length."""
    rows: list[dict[str, object]] = []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "day.wav"
        block = np.clip(make_samples(64.0), -1, 1)
        with soundfile.SoundFile(path, "w", int(FS), 1, "PCM_16") as sound:
            for _ in range(max(1, round(hours * 3600.0 / 64.0))):
                sound.write(block)
        for name in names:
            command = [sys.executable, "-c", DAY_SCRIPT, name, str(path)]
            done = subprocess.run(command, check=True, capture_output=True, text=True)
            size = path.stat().st_size / 1e6
            rows.append({"subject": name, "hours": hours, "file_mb": size, **json.loads(done.stdout)})
    return rows


def measure_start(name: str) -> list[dict[str, object]]:
    """Time of a whole process: the first after installation (nothing compiled yet), and later ones."""
    rows: list[dict[str, object]] = []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "short.wav"
        soundfile.write(path, np.clip(make_samples(8.0), -1, 1), int(FS), subtype="PCM_16")
        environment = {**os.environ, "NUMBA_CACHE_DIR": str(Path(folder) / "cache")}
        for case in ("first", "second", "third"):
            before, begin = os.times(), time.perf_counter()
            command = [sys.executable, "-m", "tapsig", "detect", "--detector", name, str(path)]
            subprocess.run(command, check=True, capture_output=True, env=environment)
            after = os.times()
            used = after.children_user + after.children_system - before.children_user - before.children_system
            rows.append(
                {
                    "subject": f"tapsig detect --detector {name}, {case} start",
                    "processor_s": used,
                    "wall_s": time.perf_counter() - begin,
                }
            )
    return rows


def render(found: dict[str, list[dict[str, object]]], minutes: float) -> list[str]:
    """The parts of the section of benchmarks/README.md."""

    def table(rows: list[dict[str, object]]) -> str:
        return render_markdown(list(rows[0]), (list(row.values()) for row in rows), form=".4g")

    def speeds(rows: list[dict[str, object]]) -> str:
        rows = [{**row, "samples_per_s": f"{float(str(row['samples_per_s'])):,.0f}"} for row in rows]
        return table(sorted(rows, key=lambda row: float(str(row["seconds"]))))

    text = [
        f"{minutes:g} min at 8 kHz, one thread, processor time. `times_…`: speed over that peer's in the same run.",
        "Knocks without pause on a ringing panel, 105 a minute, each with its echoes to judge:",
        speeds(found["rows"]),
        f"Noise with {SPARSE} knocks a minute, nearer to what a day holds:",
        speeds(found["sparse"]),
        "Cost against length, and against the number of taps:",
        table(found["linearity"]),
    ]
    if found["day"]:
        text += [
            "From a WAV file in blocks, a process of its own; memory is the highest of the process, Python and"
            " libraries included; `seconds` is wall time:",
            table(found["day"]),
        ]
    return [*text, "Start-up of the whole command; nothing is compiled:", table(found["start"])]


def main(argv: Sequence[str] | None = None) -> None:
    """Run, and print or write the section."""
    parser = argparse.ArgumentParser(
        prog=COMMAND, description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--format", choices=("section", "json"), default="section")
    parser.add_argument("--detector", action="append", default=[], metavar="SPEC", help="one more subject")
    parser.add_argument("--minutes", type=float, default=10.0, help="length of the recording")
    parser.add_argument("--hours", type=float, default=24.0, help="length of the long WAV file; 0 leaves it out")
    parser.add_argument("--repeat", type=int, default=15)
    args = parser.parse_args(argv)
    variants = {name: CATALOGUE[name] for name in CATALOGUE} | {name: load_detector(name) for name in args.detector}
    main_name = "tap" if "tap" in CATALOGUE else "innovation"
    found = {
        "rows": measure_speed(variants, make_samples(60.0 * args.minutes), args.repeat),
        "sparse": measure_speed(variants, make_sparse(60.0 * args.minutes, int(SPARSE * args.minutes)), args.repeat),
        "linearity": measure_linearity(variants, args.minutes, args.repeat),
        "day": measure_day([main_name, "ring-following"], args.hours) if args.hours > 0 else [],
        "start": measure_start(main_name),
    }
    if args.format == "json":
        print(json.dumps(found, indent=1))
    else:
        publish("Speed", COMMAND, *render(found, args.minutes))


if __name__ == "__main__":
    main()
