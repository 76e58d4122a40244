"""Quality of the detectors on vehicles that nothing was fitted to or chosen on; all recordings are simulated.

    python -m benchmarks.detection                 writes its section of benchmarks/README.md
    python -m benchmarks.detection --format json   prints the same as "rows"
    python -m benchmarks.detection --detector module:attribute     scores yours beside ours

The plain detectors are tuned on the train vehicles first. A match is at most 25 ms from the tap.
"""

import dataclasses
import itertools
import json
import math
import sys
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from benchmarks.sections import Rows, make_parser, publish
from tapsig.detectors import CATALOGUE, load_detector
from tapsig.detectors.base import Variant
from tapsig.detectors.tap import Tap
from tapsig.records import Recording
from tapsig.scoring.outcomes import score
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


def list_recordings(simulated: Iterable[SimulatedScene]) -> Iterator[Recording]:
    """The recordings of scenes at all four positions."""
    return (recording for scene in simulated for recording in scene.recordings.values())


def scored_scenes() -> Iterator[SimulatedScene]:
    """What the detectors are scored on: every scene, DRAWS times on each test vehicle."""
    return simulate_scenes(TEST, tuple(SCENES), duration_s=DRAW_S, seed=9300, draws=DRAWS)


def tune_all(duration_s: float) -> dict[str, Variant]:
    """The plain detectors, ring-following and innovation at their best setting on the train vehicles."""
    recordings = list(list_recordings(simulate_scenes(TRAIN, tuple(SCENES), duration_s=duration_s, seed=9100, draws=2)))
    found = {}
    for name in TUNED:
        tuned = tune(CATALOGUE[name], recordings, limit=24 if name == "spectral-flux" else 60, window_s=WINDOW_S)
        say(f"tuned {name}: F1 {tuned.f1:.3f} after {tuned.tried} settings: {tuned.variant}")
        found[name] = tuned.variant
    return found


def false_alarm_rows(variants: Mapping[str, Variant], hours: float) -> list[Row]:
    """False alarms over `hours` of recordings without taps, at all positions together, in driving and in rain."""
    rows: list[Row] = []
    piece_s = 300.0
    pieces = math.ceil(hours * 3600.0 / (len(POSITIONS) * piece_s))
    for scene in ("driving", "rain"):
        simulated = itertools.chain.from_iterable(
            simulate_scenes([TEST[k % len(TEST)]], [scene], duration_s=piece_s, seed=9500 + k, taps="none")
            for k in range(pieces)
        )
        table = score(variants, list_recordings(simulated), window_s=WINDOW_S)
        for row in table.rows():
            if row["position"] == "all" and row["scene"] == scene:
                rows.append(
                    {
                        "table": "false alarms",
                        "detector": row["detector"],
                        "scene": scene,
                        "hours": pieces * piece_s * len(POSITIONS) / 3600.0,
                        "count": row["fp"],
                        "per_hour": row["false_alarms_per_hour"],
                        "low": row["false_alarms_per_hour_low"],
                        "high": row["false_alarms_per_hour_high"],
                    }
                )
        say(f"false alarms in {scene}")
    return rows


CONDITIONS: dict[str, dict[str, Any]] = {
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
        simulated = simulate_scenes(TEST, ("quiet", "driving", "rain", "wind"), duration_s=duration_s, seed=9700, **how)
        table = score(variants, list_recordings(simulated), window_s=WINDOW_S)
        f1 = {(row["detector"], row["scene"]): row["f1"] for row in table.rows() if row["position"] == "all"}
        for name in variants:
            row: Row = {"table": "robustness", "detector": name, "condition": condition}
            rows.append({**row, "f1": f1[name, "all"], "f1_quiet": f1[name, "quiet"]})
        say(f"robustness, {condition}")
    return rows


def render(rows: Sequence[Row], tuned: Mapping[str, Variant]) -> list[str | Rows]:
    """The section's prose and tables."""
    cells = {(row["table"], row["detector"], row["position"], row["scene"]): row for row in rows if "position" in row}
    detectors = list(dict.fromkeys(str(row["detector"]) for row in rows if row["table"] == "quality"))

    def f1(detector: str, position: str, scene: str, table: str = "quality") -> object:
        return cells[table, detector, position, scene]["f1"]

    def entries(detector: str, position: str, scene: str, table: str = "quality") -> str:
        row = cells[table, detector, position, scene]
        return f"{row['entries_opened']}/{row['entries']}"

    every = []
    for name in detectors:
        total = cells["quality", name, "all", "all"]
        row = {"detector": name, **{position: f1(name, position, "all") for position in (*POSITIONS, "all")}}
        every.append({**row, "errors": total["fn"] + total["fp"]})  # type: ignore[operator]
    parts: list[str | Rows] = [
        "All recordings are simulated: they prove plumbing and rank detectors, not accuracy on a door. Test"
        f" vehicles {', '.join(TEST)}, each scene {DRAWS} times of {DRAW_S:g} s on each: another person, road and"
        " weather every time. Match within ±25 ms; F1 with its 95 % interval in the JSON.",
        "F1 over all scenes, and errors (misses and false alarms):",
        every,
    ]
    for title, table in (("any of the three spots", "quality"), ("the usual spot alone", "usual spot")):
        parts.append(f"F1 in quiet, and code entries decoded digit for digit, tapped at {title}:")
        parts.append(
            [
                {"detector": name}
                | {position: f1(name, position, "quiet", table) for position in POSITIONS}
                | {"entries": " ".join(entries(name, position, "quiet", table) for position in POSITIONS)}
                for name in detectors
            ]
        )
    shown = [name for name in detectors if name in ("tap", "innovation", "ring-following")] + [
        name for name in detectors if name not in CATALOGUE and not name.startswith("tap,")
    ]
    by_scene = []
    for scene in SCENES:
        row = {"scene": scene}
        for name in shown:
            row |= {f"{name} F1": f1(name, "all", scene), f"{name} entries": entries(name, "all", scene)}
        by_scene.append(row)
    false = ("detector", "scene", "hours", "count", "per_hour", "low", "high")
    conditions: dict[object, dict[str, object]] = {}
    for row in rows:
        if row["table"] == "robustness":
            condition = conditions.setdefault(row["condition"], {"condition": row["condition"]})
            condition |= {f"{row['detector']}": row["f1"], f"{row['detector']} quiet": row["f1_quiet"]}
    return [
        *parts,
        "F1 and share of entries decoded by scene, all positions:",
        by_scene,
        "False alarms in recordings without taps (hours count each of four positions; 95 % of recordings that differ):",
        [{key.replace("_", " "): row[key] for key in false} for row in rows if row["table"] == "false alarms"],
        "F1 under other conditions, detectors unchanged (quiet, driving, rain and wind; quiet alone):",
        list(conditions.values()),
        "Tuned on the train vehicles: " + "; ".join(f"`{variant}`" for variant in tuned.values()) + ".",
    ]


def main() -> None:
    """Tune, simulate, score, write."""
    parser = make_parser("detection", __doc__)
    parser.add_argument("--format", choices=("table", "json"), default="table")
    parser.add_argument("--detector", action="append", default=[], metavar="MODULE:ATTRIBUTE")
    parser.add_argument("--hours", type=float, default=5.0, help="of driving and of rain; default: 5")
    args = parser.parse_args()
    tuned = tune_all(20.0)
    variants: dict[str, Variant] = {**tuned, "tap": CATALOGUE["tap"]}
    strict = {f"tap, probability {least:g}": Tap(probability=least) for least in STRICT}
    variants |= strict
    variants |= {spec: load_detector(spec) for spec in args.detector}
    recordings = {
        "quality": scored_scenes(),
        "usual spot": simulate_scenes(TEST, ("quiet",), duration_s=DRAW_S, seed=9300, draws=DRAWS, usual_spot=True),
    }
    rows: list[Row] = []
    for name, simulated in recordings.items():
        table = score(variants, list_recordings(simulated), window_s=WINDOW_S)
        rows += [{"table": name, **row} for row in table.rows()]
        say(f"scored: {name}")
    chosen = {name: variants[name] for name in ("innovation", "tap", *args.detector)}
    rows += false_alarm_rows(chosen | strict, args.hours)
    rows += robustness_rows(chosen, 30.0)
    if args.format == "json":
        print(json.dumps({"rows": json.loads(json.dumps(rows).replace("NaN", "null"))}, indent=1))
        return
    publish("Detection", COMMAND, *render(rows, tuned))


if __name__ == "__main__":
    main()
