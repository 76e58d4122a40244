"""Misses that no detector can avoid: taps too weak at the sensor, by the simulator's ground truth.

`python -m benchmarks.hearable` writes its section of benchmarks/README.md. The recordings and the tuned detectors are
those of `benchmarks.detection`. A tap is called detectable where the voltage of the taps alone reaches three converter
counts and their power over 50 ms is at least that of everything else.
"""

import numpy as np

from benchmarks.detection import PLAIN, TEST, WINDOW_S, say, scored_scenes, tune_all
from benchmarks.sections import make_parser, publish
from tapsig.detectors import CATALOGUE
from tapsig.detectors.base import Variant, run_detector
from tapsig.results import compute_f1
from tapsig.scoring.matching import match_onsets
from tapsig.simulation import POSITIONS, SCENES, SimulatedScene
from tapsig.units import IntArray

COUNTS, RATIO_DB = 3.0, 0.0


def count(variant: Variant, simulated: SimulatedScene, position: str) -> IntArray:
    """Taps, detectable ones, those found of the detectable and of the others, and false detections."""
    recording, truth = simulated.recordings[position], simulated.truth
    heard = truth.tap_peak_v[position] >= COUNTS * simulated.converter.step_v
    heard &= truth.tap_to_nuisance_db[position] >= RATIO_DB
    found_s = np.sort(run_detector(variant, recording).accepted().onset_samples / recording.fs)
    matching = match_onsets(truth.taps_s, found_s, window_s=WINDOW_S)
    hit = np.zeros(truth.taps_s.size, dtype=bool)
    hit[matching.pairs[:, 0]] = True
    return np.array([hit.size, heard.sum(), (hit & heard).sum(), (hit & ~heard).sum(), len(matching.spurious)])


def main() -> None:
    """Tune, simulate, count, write."""
    make_parser("hearable", __doc__).parse_args()
    tuned = tune_all(20.0)
    variants: dict[str, Variant] = {name: tuned[name] for name in (*PLAIN, "innovation")} | {"tap": CATALOGUE["tap"]}
    counts: dict[tuple[str, str, str], IntArray] = {}
    for simulated in scored_scenes():
        scene = next(iter(simulated.recordings.values())).scene
        for position in POSITIONS:
            for name, variant in variants.items():
                found = count(variant, simulated, position)
                for key in ((name, "all", "all"), (name, scene, "all"), (name, scene, position)):
                    counts[key] = counts.get(key, np.zeros(5, dtype=np.int64)) + found
    say("counted")

    def row(label: str, key: tuple[str, str, str]) -> dict[str, object]:
        taps, heard, hits, lucky, false = (int(value) for value in counts[key])
        return {
            "": label,
            "taps": taps,
            "detectable": heard,
            "recall": hits / heard if heard else float("nan"),
            "others found": lucky,
            "false": false,
            "errors": heard - hits + false,
            "F1": compute_f1(hits, false, heard - hits),
        }

    publish(
        "Detectable taps",
        "python -m benchmarks.hearable",
        f"Simulated, test vehicles {', '.join(TEST)}. A tap is detectable where the taps alone reach"
        f" {COUNTS:g} converter counts and at least the power of everything else.",
        "All scenes; recall, errors and F1 of detectable taps:",
        [row(name, (name, "all", "all")) for name in variants],
        "`tap` in quiet; recall, errors and F1 of detectable taps:",
        [row(position, ("tap", "quiet", position)) for position in POSITIONS],
        "`tap` by scene; recall, errors and F1 of detectable taps:",
        [row(scene, ("tap", scene, "all")) for scene in SCENES],
    )


if __name__ == "__main__":
    main()
