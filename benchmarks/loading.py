"""How fast a serial log and a WAV file load, against general readers and the plain copy of a file, in one run.

    python -m benchmarks.loading [--lines 2000000] [--repeat 3] [--wav-minutes 10]

Writes the files to a temporary folder. Every reader gives the two columns of the log as arrays; tapsig also settles
the clock, looks for gaps, checks every value and scales to volts. `numpy.loadtxt` reads a share of the lines and its
time is scaled up. An hour at 8 kHz is --lines 28800000. A peer that is not installed is left out.
"""

import importlib.util
import resource
import tempfile
import timeit
from collections import deque
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np

from benchmarks.sections import Rows, make_parser, publish
from tapsig.loading import load_recording, read_wav_blocks, write_wav

LOADTXT_LINES = 400_000


def write_log(path: Path, lines: int) -> None:
    """A clean log `us,adc` of an 8 kHz converter of 10 bits."""
    rng = np.random.default_rng(0)
    with path.open("w", newline="") as file:
        file.write("us,adc\n")
        for start in range(0, lines, 500_000):
            size = min(500_000, lines - start)
            stamps = 1_203_448 + 125 * np.arange(start, start + size, dtype=np.int64) + rng.integers(0, 5, size)
            counts = rng.integers(480, 545, size)
            file.write("".join(f"{a},{b}\n" for a, b in zip(stamps.tolist(), counts.tolist(), strict=True)))


def log_readers(path: Path) -> dict[str, Callable[[], object]]:
    """Readers of the log that are installed, tapsig first."""
    readers: dict[str, Callable[[], object]] = {"tapsig": lambda: load_recording(path, adc_bits=10, full_scale_v=5.0)}
    if importlib.util.find_spec("polars"):
        import polars

        readers["polars.read_csv"] = lambda: [column.to_numpy() for column in polars.read_csv(path)]
    if importlib.util.find_spec("pyarrow"):
        import pyarrow.csv

        readers["pyarrow.csv"] = lambda: [column.to_numpy() for column in pyarrow.csv.read_csv(path)]
    if importlib.util.find_spec("pandas"):
        import pandas

        readers["pandas.read_csv"] = lambda: pandas.read_csv(path).to_numpy()
    return readers


def best_s(work: Callable[[], object], repeat: int) -> float:
    """Shortest of `repeat` runs, in seconds."""
    return min(timeit.repeat(work, number=1, repeat=repeat))


def list_rows(kind: str, size: int, unit: str, seconds: Mapping[str, float], ours: str) -> Rows:
    """One row for each reader by its `seconds`; the ratios are to those of `ours`."""
    return [
        {
            "subject": f"{kind}{name}",
            "size": size,
            "unit": unit,
            "seconds": f"{value:.4g}",
            "per_second": f"{size / value:.4g}",
            "ratio_to_tapsig": f"{value / seconds[ours]:.4g}",
        }
        for name, value in seconds.items()
    ]


def log_rows(folder: Path, lines: int, repeat: int) -> Rows:
    """Rows of all readers of a log."""
    path = folder / "log.csv"
    write_log(path, lines)
    seconds = {name: best_s(work, repeat) for name, work in log_readers(path).items()}
    share = min(lines, LOADTXT_LINES)
    loadtxt_s = best_s(lambda: np.loadtxt(path, delimiter=",", skiprows=1, max_rows=share), 1)
    seconds["numpy.loadtxt"] = loadtxt_s * lines / share
    path.unlink()
    return list_rows("log by ", lines, "lines", seconds, "tapsig")


def wav_rows(folder: Path, minutes: float, repeat: int) -> Rows:
    """Rows of a WAV file read whole, in blocks, and as plain bytes."""
    path = folder / "one.wav"
    samples = int(minutes * 60 * 8000)
    write_wav(path, np.random.default_rng(0).uniform(-1, 1, samples), 8000, full_scale_v=1.0)
    works: dict[str, Callable[[], object]] = {
        "whole": lambda: load_recording(path),
        "blocks": lambda: deque(read_wav_blocks(path), maxlen=0),
        "plain bytes": path.read_bytes,
    }
    seconds = {name: best_s(work, repeat) for name, work in works.items()}
    path.unlink()
    return list_rows("WAV, ", samples, "samples", seconds, "blocks")


def main() -> None:
    """Measure, and write."""
    parser = make_parser("loading", __doc__)
    parser.add_argument("--lines", type=int, default=2_000_000)
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--wav-minutes", type=float, default=10.0)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        rows = [*log_rows(Path(name), args.lines, args.repeat), *wav_rows(Path(name), args.wav_minutes, args.repeat)]
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    absent = [name for name in ("polars", "pyarrow") if not importlib.util.find_spec(name)]
    publish(
        "Loading",
        f"python -m benchmarks.loading --lines {args.lines} --repeat {args.repeat} --wav-minutes {args.wav_minutes:g}",
        f"{args.lines / 1e6:g} million lines, every reader in the same run; what each does stands in"
        f" benchmarks/loading.py. Not installed: {', '.join(absent) or 'none'}.",
        rows,
        f"Highest memory of this process: {peak:.0f} MB.",
    )


if __name__ == "__main__":
    main()
