"""Long fuzzing, guided by coverage where the fuzzing engine `atheris` is installed, by seeded mutation otherwise.

    python -m tests.fuzz.run wav --runs 300000 [--guided] [--seed 1]

The first input that crashes is written to tests/fuzz/crashes/TARGET-N.bin, where the short run takes it up. An input
that takes over 5 s or 2 GB counts as a crash.
"""

import argparse
import hashlib
import signal
import sys
import time
import traceback
from collections.abc import Callable
from pathlib import Path

import numpy as np

CRASHES = Path(__file__).parent / "crashes"
LONGEST_S, MAX_BYTES = 5, 2 << 30


def save_crash(name: str, data: bytes) -> Path:
    """Keep an input for the short run."""
    CRASHES.mkdir(exist_ok=True)
    path = CRASHES / f"{name}-{hashlib.sha256(data).hexdigest()[:12]}.bin"
    path.write_bytes(data)
    return path


def _too_long(*_: object) -> None:
    raise TimeoutError(f"an input took over {LONGEST_S} s")


def guarded(name: str, target: Callable[[bytes], bool], counts: dict[str, int]) -> Callable[[bytes], None]:
    """The target with a limit of time; crashes are kept, counted, and shown once a place."""
    shown: set[str] = set()

    def run(data: bytes) -> None:
        signal.alarm(LONGEST_S)
        try:
            counts["read"] += target(data)
        except Exception as error:  # any error that is not tapsig's own
            counts["crashes"] += 1
            place = "".join(traceback.format_tb(error.__traceback__)[-1:]) + type(error).__name__
            if place not in shown:
                shown.add(place)
                sys.stderr.write(f"{save_crash(name, data)}: {error!r}\n{place}\n")
        finally:
            signal.alarm(0)
        counts["inputs"] += 1

    return run


def main() -> int:
    """Run one target and print inputs, those read, crashes, and seconds."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("target")
    parser.add_argument("--runs", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--guided", action="store_true")
    args = parser.parse_args()
    import resource  # only Unix has it

    if args.guided:
        import atheris

        watched = ["tapsig.loading", "tapsig.detectors.saved", "tapsig.cli", "csv", "json"]
        with atheris.instrument_imports(include=watched):
            from tests.fuzz.targets import TARGETS, mutate
    else:
        from tests.fuzz.targets import TARGETS, mutate
    target, seeds, tokens = TARGETS[args.target]
    for seed in seeds:
        target(seed)  # compiles and imports, which the limit of time is not for
    resource.setrlimit(resource.RLIMIT_DATA, (MAX_BYTES, MAX_BYTES))
    signal.signal(signal.SIGALRM, _too_long)
    counts = {"inputs": 0, "read": 0, "crashes": 0}
    run = guarded(args.target, target, counts)
    started = time.perf_counter()

    def report() -> None:
        way, seconds = "guided" if args.guided else "mutation", time.perf_counter() - started
        sys.stdout.write(f"{args.target},{way},{','.join(map(str, counts.values()))},{seconds:.0f} s\n")
        sys.stdout.flush()

    if args.guided:
        rng = np.random.default_rng(args.seed)

        def one(data: bytes) -> None:
            run(data)
            if counts["inputs"] in (args.runs, args.runs // 2):
                report()

        def custom_mutator(data: bytes, max_size: int, seed: int) -> bytes:
            return (mutate([data, *seeds], tokens, rng) if seed % 2 else atheris.Mutate(data, max_size))[:max_size]

        corpus = Path(target.__globals__["FOLDER"]) / f"seeds-{args.target}"
        corpus.mkdir(exist_ok=True)
        for index, data in enumerate(seeds):
            (corpus / str(index)).write_bytes(data)
        options = [f"-runs={args.runs}", f"-seed={args.seed}", "-max_len=2000", "-verbosity=0", "-rss_limit_mb=0"]
        atheris.Setup([sys.argv[0], *options, str(corpus)], one, custom_mutator=custom_mutator)
        atheris.Fuzz()
        return 0
    rng = np.random.default_rng(args.seed)
    for index in range(args.runs):
        run(mutate(seeds, tokens, rng))
        if index % max(1, args.runs // 10) == 0:
            report()
    report()
    return int(counts["crashes"] > 0)


if __name__ == "__main__":
    sys.exit(main())
