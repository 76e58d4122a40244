"""Scoring over the size of the corpus, over workers, and from kept results.

    python -m benchmarks.scaling [--recordings 100,200,400] [--sets 20]

A corpus is made of the demo corpus's recordings, over and over, with a hair of noise so that no two are equal. The
slope is the least-squares one of computing time over recordings (the clock's depends on what else the machine
does); its exponent that of time over size on a double logarithmic
scale (1 = linear). Peak memory is that of the process and its workers.
"""

import resource
import shutil
import tempfile
import time
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import soundfile

from benchmarks.sections import make_parser, publish
from tapsig.detectors import CATALOGUE
from tapsig.detectors.base import Variant
from tapsig.detectors.fixed_threshold import FixedThreshold
from tapsig.loading import Corpus, load_corpus
from tapsig.scoring.cache import ResultCache
from tapsig.scoring.outcomes import score

DEMO = Path(__file__).parent.parent / "corpus_demo"


def make_corpus(folder: Path, count: int) -> Corpus:
    """`count` one-channel recordings of about eight seconds, no two equal."""
    demo = load_corpus(DEMO)
    sources = [entry for entry in demo.entries if entry.split == "test" and entry.recording.endswith(".wav")]
    rng = np.random.default_rng(1)
    rows = ["recording,labels,vehicle,position,scene,split,full_scale_v"]
    for number in range(count):
        entry = sources[number % len(sources)]
        recording = demo.load(entry)
        volts = recording.samples + 1e-4 * rng.standard_normal(recording.samples.size)
        soundfile.write(folder / f"{number}.wav", np.clip(volts / 2.5, -1, 1), int(recording.fs), "PCM_16")
        shutil.copy(entry.labels_path or "", folder / f"{number}.csv")
        rows.append(f"{number}.wav,{number}.csv,{entry.vehicle},{entry.position},{entry.scene},test,2.5")
    (folder / "corpus.csv").write_text("\n".join(rows) + "\n")
    return load_corpus(folder)


def make_sets(count: int) -> dict[str, Variant]:
    """So many parameter sets of the plain detector, and one of the elaborate one."""
    levels = np.geomspace(0.01, 1.0, count - 1)
    plain: dict[str, Variant] = {f"{level:.3f} V": FixedThreshold(threshold_v=float(level)) for level in levels}
    return plain | {"sta-lta": CATALOGUE["sta-lta"]}


def time_score(
    variants: Mapping[str, Variant],
    corpus: Corpus,
    *,
    jobs: int = 1,
    cache: ResultCache | None = None,
    cluster: str | None = None,
) -> tuple[float, float, int]:
    """Seconds by the clock, seconds of this process's computing, and a count by which results are compared."""
    begun, computed = time.perf_counter(), time.process_time()
    table = score(variants, corpus, jobs=jobs, cache=cache, cluster=cluster)
    taken, computed = time.perf_counter() - begun, time.process_time() - computed
    return taken, computed, sum(outcome.score.tp + 7 * outcome.score.fp for outcome in table.outcomes)


def peak_mb() -> float:
    """Largest resident memory so far of this process and of its largest worker, in MB (Linux counts in kB)."""
    own, others = (resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return (own + others) / 1024


def main() -> None:
    parser = make_parser("scaling", __doc__)
    parser.add_argument("--recordings", default="100,200,400")
    parser.add_argument("--sets", type=int, default=20)
    parser.add_argument("--dask", action="store_true", help="also on a local cluster of two workers")
    args = parser.parse_args()
    sizes = [int(word) for word in args.recordings.split(",")]
    variants = make_sets(args.sets)
    rows: list[dict[str, object]] = []
    seconds = []

    def add_row(size: int, where: str, taken_s: float, computing_s: float | None, equal: object) -> None:
        each_ms = None if computing_s is None else 1e3 * computing_s / size / args.sets
        row = {"recordings": size, "where": where, "s": taken_s, "computing s": computing_s}
        rows.append({**row, "ms a recording and set": each_ms, "peak MB": peak_mb(), "equal": equal})

    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "corpus"
        folder.mkdir()
        corpus = make_corpus(folder, sizes[-1])
        time_score(variants, Corpus(folder, corpus.entries[:2]))  # compiles
        for size in sizes:
            taken, own, one = time_score(variants, Corpus(folder, corpus.entries[:size]))
            seconds.append(own)
            add_row(size, "1 process", taken, own, "–")
        taken, _, two = time_score(variants, corpus, jobs=2)
        add_row(sizes[-1], "2 processes", taken, None, one == two)
        cache = ResultCache(Path(place) / "kept")
        for words in ("1 process, keeping results", "1 process, from kept results"):
            taken, own, kept = time_score(variants, corpus, cache=cache)
            add_row(sizes[-1], words, taken, own, one == kept)
        if args.dask:
            from distributed import LocalCluster

            with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
                time_score(variants, Corpus(folder, corpus.entries[:4]), cluster=cluster.scheduler_address)
                taken, _, there = time_score(variants, corpus, cluster=cluster.scheduler_address)
            add_row(sizes[-1], "2 Dask workers", taken, None, one == there)
    slope = np.polyfit(sizes, seconds, 1)[0]
    exponent = np.polyfit(np.log(sizes), np.log(seconds), 1)[0]
    publish(
        "Scaling",
        f"python -m benchmarks.scaling --recordings {args.recordings} --sets {args.sets}{' --dask' * args.dask}",
        f"{args.sets} parameter sets.",
        rows,
        f"Slope {slope * 1e3:.1f} ms a recording with {args.sets} sets; exponent {exponent:.2f};"
        f" 10 000 recordings: {slope * 10_000 / 60:.0f} min on one core.",
    )


if __name__ == "__main__":
    main()
