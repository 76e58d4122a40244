"""Quality of the detectors on vehicles that nothing was fitted to or chosen on; all recordings are simulated.

    python -m benchmarks.detection                 writes its section of benchmarks/README.md
    python -m benchmarks.detection --format json   prints the same as "rows"
    python -m benchmarks.detection --detector module:attribute     scores yours beside ours

The plain detectors are tuned on the train vehicles first. A match is at most 25 ms from the tap.
"""

import argparse
import dataclasses
import json
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from benchmarks.sections import Fenced, publish
from tapsig.detectors import CATALOGUE, load_detector
from tapsig.detectors.base import Variant, run_detector
from tapsig.detectors.tap import Tap
from tapsig.records import Recording
from tapsig.scoring.outcomes import ScoreTable, score
from tapsig.scoring.tuning import tune
from tapsig.simulation import FLEET, POSITIONS, SCENES, SimulatedScene, find_vehicle, simulate_scene

WINDOW_S = 0.025
DRAWS, DRAW_S = 8, 30.0  # of each scene on each test vehicle; one draw a scene would rest on one person, one road
PLAIN = ("fixed-threshold", "prominence", "sta-lta", "spectral-flux")
TUNED = (*PLAIN, "ring-following", "innovation")
TEST = tuple(name for name, split in FLEET.items() if split == "test")
TRAIN = tuple(name for name, split in FLEET.items() if split == "train")
STRICT = (0.5, 0.7)
"""Operating points of `tap` above its own, shown beside it."""
COMMAND = "python -m benchmarks.detection"
Row = dict[str, object]
BEGIN = time.perf_counter()


def say(text: str) -> None:
    """Progress, with the time since the start."""
    print(f"{time.perf_counter() - BEGIN:7.0f} s  {text}", file=sys.stderr, flush=True)


def simulate_scenes(
    vehicles: Sequence[str],
    scenes: Sequence[str],
    *,
    duration_s: float,
    seed: int,
    draws: int = 1,
    taps: str = "entries",
    fs: float = 8000.0,
    changes: Mapping[str, Any] | None = None,
    gain_db: float = 0.0,
    usual_spot: bool = False,
) -> Iterator[SimulatedScene]:
    """Every scene on every vehicle, `draws` times each: another person, road, weather and temperature every time.

    `changes` to the vehicles' converters, `gain_db` on their levels; people tap at the usual spot alone if asked.
    """
    for name in vehicles:
        vehicle = find_vehicle(name)
        level = {position: value * 10 ** (gain_db / 20) for position, value in vehicle.level.items()}
        spots = vehicle.tap_places[:1] if usual_spot else vehicle.tap_places
        vehicle = dataclasses.replace(vehicle, level=level, tap_places=spots)
        converter = dataclasses.replace(vehicle.converter, **(changes or {}))
        for number, scene in enumerate(scenes):
            kind = "knuckle" if scene == "quiet" else None
            for draw in range(draws):
                yield simulate_scene(
                    vehicle,
                    scene,
                    duration_s=duration_s,
                    fs=fs,
                    seed=seed + number + 1000 * draw,
                    taps=taps,
                    converter=converter,
                    tap_kind=kind,
                )


def simulate_set(
    vehicles: Sequence[str], scenes: Sequence[str], *, duration_s: float, seed: int, draws: int = 1, **how: Any
) -> Iterator[Recording]:
    """The recordings of `simulate_scenes` at all four positions."""
    for simulated in simulate_scenes(vehicles, scenes, duration_s=duration_s, seed=seed, draws=draws, **how):
        yield from simulated.recordings.values()


def scored_scenes() -> Iterator[SimulatedScene]:
    """What the detectors are scored on: every scene, DRAWS times on each test vehicle."""
    return simulate_scenes(TEST, tuple(SCENES), duration_s=DRAW_S, seed=9300, draws=DRAWS)


def scored_recordings() -> Iterator[Recording]:
    """The recordings of `scored_scenes` at all four positions."""
    for simulated in scored_scenes():
        yield from simulated.recordings.values()


def tune_all(duration_s: float) -> dict[str, Variant]:
    """The plain detectors, ring-following and innovation at their best setting on the train vehicles."""
    recordings = list(simulate_set(TRAIN, tuple(SCENES), duration_s=duration_s, seed=9100, draws=2))
    found = {}
    for name in TUNED:
        tuned = tune(CATALOGUE[name], recordings, limit=24 if name == "spectral-flux" else 60, window_s=WINDOW_S)
        say(f"tuned {name}: F1 {tuned.f1:.3f} after {tuned.tried} settings: {tuned.variant}")
        found[name] = tuned.variant
    return found


def quality_rows(name: str, table: ScoreTable) -> list[Row]:
    """One row a detector × position × scene, for the table `name`."""
    return [{"table": name, **row} for row in table.rows()]


def false_alarm_rows(variants: Mapping[str, Variant], hours: float) -> list[Row]:
    """False alarms over `hours` of recordings without taps, at all positions together, in driving and in rain."""
    from tapsig.scoring.intervals import poisson_rate_interval

    rows: list[Row] = []
    for scene in ("driving", "rain"):
        counts, total = dict.fromkeys(variants, 0), 0.0
        piece_s, number = 300.0, 0
        while total < hours * 3600.0:
            vehicle = TEST[number % len(TEST)]
            for recording in simulate_set([vehicle], [scene], duration_s=piece_s, seed=9500 + number, taps="none"):
                total += recording.duration_s
                for name, variant in variants.items():
                    counts[name] += len(run_detector(variant, recording).accepted())
            number += 1
        for name, count in counts.items():
            low, high = poisson_rate_interval(count, total / 3600.0)
            rows.append(
                {
                    "table": "false alarms",
                    "detector": name,
                    "scene": scene,
                    "hours": total / 3600.0,
                    "count": count,
                    "per_hour": count / total * 3600.0,
                    "low": low,
                    "high": high,
                }
            )
        say(f"false alarms in {scene}: {counts}")
    return rows


CONDITIONS: dict[str, dict[str, object]] = {
    "as it is": {},
    **{f"{fs / 1000:g} kHz": {"fs": fs} for fs in (1000.0, 2000.0, 4000.0, 16_000.0, 44_100.0, 48_000.0)},
    **{f"{bits} bits": {"changes": {"bits": bits}} for bits in (8, 10, 12, 16)},
    "one-sided": {"changes": {"one_sided": True}},
    "bias 10 % off": {"changes": {"bias": 0.1}},
    "+12 dB": {"gain_db": 12.0},
    "-12 dB": {"gain_db": -12.0},
}


def robustness_rows(variants: Mapping[str, Variant], duration_s: float) -> list[Row]:
    """F1 of the same detectors, unchanged, under other rates, resolutions, inputs and gains."""
    rows: list[Row] = []
    for condition, how in CONDITIONS.items():
        recordings = simulate_set(TEST, ("quiet", "driving", "rain", "wind"), duration_s=duration_s, seed=9700, **how)  # type: ignore[arg-type]
        table = score(variants, recordings, window_s=WINDOW_S)
        for name in variants:
            row: Row = {"table": "robustness", "detector": name, "condition": condition}
            for scene in ("all", "quiet"):
                found = next(
                    r for r in table.rows() if (r["detector"], r["position"], r["scene"]) == (name, "all", scene)
                )
                row["f1" if scene == "all" else "f1_quiet"] = found["f1"]
            rows.append(row)
        say(f"robustness, {condition}")
    return rows


def render(rows: Sequence[Row], tuned: Mapping[str, Variant]) -> list[str | Fenced]:
    """The section's prose and tables."""
    parts: list[str | Fenced] = [
        "All recordings are simulated: they prove plumbing and rank detectors, not accuracy on a door. Test"
        f" vehicles {', '.join(TEST)}, each scene {DRAWS} times of {DRAW_S:g} s on each: another person, road and"
        " weather every time. Match within ±25 ms; F1 with its 95 % interval in the JSON."
    ]
    quality = [row for row in rows if row["table"] == "quality"]
    usual = [row for row in rows if row["table"] == "usual spot"]
    detectors = list(dict.fromkeys(str(row["detector"]) for row in quality))

    def cell(detector: str, position: str, scene: str, key: str, among: Sequence[Row] = quality) -> object:
        found = [r for r in among if (r["detector"], r["position"], r["scene"]) == (detector, position, scene)]
        return found[0][key] if found else None

    parts.append("F1 over all scenes, and errors (misses and false alarms):")
    parts.append(
        (
            ["detector", *POSITIONS, "all", "errors"],
            [
                [
                    name,
                    *(cell(name, position, "all", "f1") for position in (*POSITIONS, "all")),
                    sum(int(str(cell(name, "all", "all", key))) for key in ("fn", "fp")),
                ]
                for name in detectors
            ],
        )
    )
    for title, among in (("tapped at any of the three spots", quality), ("tapped at the usual spot alone", usual)):
        parts.append(f"F1 in quiet, and code entries decoded digit for digit, {title}:")
        parts.append(
            (
                ["detector", *POSITIONS, "entries"],
                [
                    [
                        name,
                        *(cell(name, position, "quiet", "f1", among) for position in POSITIONS),
                        " ".join(
                            "{}/{}".format(
                                *(cell(name, p, "quiet", key, among) for key in ("entries_opened", "entries"))
                            )
                            for p in POSITIONS
                        ),
                    ]
                    for name in detectors
                ],
            )
        )
    shown = [name for name in detectors if name in ("tap", "innovation", "ring-following")] + [
        name for name in detectors if name not in CATALOGUE and not name.startswith("tap,")
    ]
    parts.append("F1 and share of entries decoded by scene, all positions:")
    parts.append(
        (
            ["scene", *(f"{name} {what}" for name in shown for what in ("F1", "entries"))],
            [
                [
                    scene,
                    *(
                        value
                        for name in shown
                        for value in (
                            cell(name, "all", scene, "f1"),
                            f"{cell(name, 'all', scene, 'entries_opened')}/{cell(name, 'all', scene, 'entries')}",
                        )
                    ),
                ]
                for scene in SCENES
            ],
        )
    )
    false = [row for row in rows if row["table"] == "false alarms"]
    parts.append("False alarms in recordings without taps (hours count each of four positions; 95 % exact Poisson):")
    parts.append(
        (
            ["detector", "scene", "hours", "count", "per hour", "low", "high"],
            [[row[key] for key in ("detector", "scene", "hours", "count", "per_hour", "low", "high")] for row in false],
        )
    )
    robust = [row for row in rows if row["table"] == "robustness"]
    names = list(dict.fromkeys(str(row["detector"]) for row in robust))
    parts.append("F1 under other conditions, detectors unchanged (quiet, driving, rain and wind; quiet alone):")
    parts.append(
        (
            ["condition", *(f"{name}{part}" for name in names for part in ("", " quiet"))],
            [
                [
                    condition,
                    *(
                        value
                        for name in names
                        for row in robust
                        if (row["condition"], row["detector"]) == (condition, name)
                        for value in (row["f1"], row["f1_quiet"])
                    ),
                ]
                for condition in CONDITIONS
            ],
        )
    )
    parts.append("Tuned on the train vehicles: " + "; ".join(f"`{variant}`" for variant in tuned.values()) + ".")
    return parts


def main() -> None:
    """Tune, simulate, score, write."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--format", choices=("table", "json"), default="table")
    parser.add_argument("--detector", action="append", default=[], metavar="MODULE:ATTRIBUTE")
    parser.add_argument("--hours", type=float, default=5.0, help="of driving and of rain; default: 5")
    args = parser.parse_args()
    tuned = tune_all(20.0)
    variants: dict[str, Variant] = {**tuned, "tap": CATALOGUE["tap"]}
    strict = {f"tap, probability {least:g}": Tap(probability=least) for least in STRICT}
    variants |= strict
    variants |= {spec: load_detector(spec) for spec in args.detector}
    rows = quality_rows("quality", score(variants, scored_recordings(), window_s=WINDOW_S))
    say("scored")
    usual = simulate_set(TEST, ("quiet",), duration_s=DRAW_S, seed=9300, draws=DRAWS, usual_spot=True)
    rows += quality_rows("usual spot", score(variants, usual, window_s=WINDOW_S))
    chosen = {name: variants[name] for name in ("innovation", "tap", *args.detector)}
    rows += false_alarm_rows(chosen | strict, args.hours)
    rows += robustness_rows(chosen, 30.0)
    if args.format == "json":
        print(json.dumps({"rows": json.loads(json.dumps(rows).replace("NaN", "null"))}, indent=1))
        return
    publish("Detection", COMMAND, *render(rows, tuned))


if __name__ == "__main__":
    main()
