"""Detectors on real hits that nobody here made: `python -m benchmarks.open_recordings [--format json]`.

Recordings are composed of open one-shots (see open_sources.py) so that every onset is known. Everything that can be
tuned is tuned on the half "fit" and judged on the half "unseen", which shares no kit and no instrument with it. The
shipped model of `tap` was fitted to simulated doors and to the half "fit" (train_tap.py), never to the other. In a
recording someone taps on one object, as on a door; how the detectors fare where every tap may be on another object is
shown beside. These are microphone recordings, not a piezo on a door.
"""

import dataclasses
import itertools
import json
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from benchmarks.composition import CONDITIONS, compose_recording, panel_response
from benchmarks.open_sources import PACKAGES, Hit, list_sources, load_hit
from benchmarks.peers import PEERS
from benchmarks.sections import Rows, make_parser, publish, to_markdown
from tapsig.detectors import CATALOGUE, Variant
from tapsig.fitting.fit import fit_detector
from tapsig.records import Recording
from tapsig.scoring.outcomes import score, summarise
from tapsig.scoring.tuning import tune
from tapsig.simulation import find_vehicle, random_vehicle

DURATION_S = 30.0
REPEATS = {"fit": 20, "unseen": 5}  # of each condition; every object of the unseen half comes in each
FITTED_REPEATS = 20
SEEDS = {"fit": 1000, "unseen": 2000, "fitted": 10_000}
"""Of the first composition of each half, and of those to fit `tap` to, which are too many to begin below the unseen."""
KITS = (
    ("rock kit",),
    ("layered kit", "acoustic kit"),
    ("second layered kit",),
    ("studio kit",),
    ("general kit",),
    ("one-shots",),
    ("first stage kit",),
    ("second stage kit",),
    ("concert kit",),
    ("free kit",),
)
"""Of the half "fit": one group of kits a recording, so that fitting can judge itself on kits that it has not seen."""
PANEL_VEHICLES = {"fit": ("heron", "otter", "lynx"), "unseen": ("crane", "ibex", "badger")}
MORE_PANELS = range(730_000, 730_004)
"""Random vehicles of the half "fit", so that as many panels and kits as can be meet."""
PLAIN = ("fixed-threshold", "prominence", "sta-lta", "spectral-flux", "ring-following", "innovation")
WINDOWS_S = (0.05, 0.025)
TRIES = 60
"""Settings that each of our plain variants may try."""


def load_half(half: str) -> list[Hit]:
    """The hits of one half."""
    return [load_hit(source) for source in list_sources() if source.half == half]


def tapped_objects(hits: Sequence[Hit]) -> list[tuple[str, str]]:
    """Kit and instrument of what is tapped."""
    return sorted({(hit.source.kit, hit.source.instrument) for hit in hits if hit.source.kind == "tap"})


def compose_half(
    half: str, *, mixed: bool = False, repeats: int | None = None, seed: int | None = None
) -> list[Recording]:
    """Recordings of every condition, `repeats` of each (None: REPEATS); panels of other vehicles for each half.

    `seed` is that of the first composition (None: SEEDS).

    One object is tapped in a recording, or, when `mixed`, any of them at every tap.
    """
    hits = load_half(half)
    recordings = []
    groups = KITS if half == "fit" else (tuple({hit.source.kit for hit in hits}),)
    panels = [find_vehicle(name) for name in PANEL_VEHICLES[half]]
    panels += [random_vehicle(seed) for seed in MORE_PANELS if half == "fit"]
    for number, (condition, repeat) in enumerate(itertools.product(CONDITIONS, range(repeats or REPEATS[half]))):
        rng = np.random.default_rng((SEEDS[half] if seed is None else seed) + number)
        response = None
        if condition.panel:
            response = panel_response(panels[repeat % len(panels)], condition.fs)
        group = groups[repeat % len(groups)]
        chosen = [hit for hit in hits if hit.source.kit in group]
        if not mixed:
            objects = tapped_objects(chosen)
            tapped = objects[number // len(groups) % len(objects)]
            chosen = [
                hit for hit in chosen if hit.source.kind != "tap" or (hit.source.kit, hit.source.instrument) == tapped
            ]
        recording = compose_recording(
            chosen, condition, duration_s=DURATION_S, rng=rng, response=response, source=f"{half}-{number}"
        )
        recordings.append(dataclasses.replace(recording, vehicle=group[0] if half == "fit" else recording.vehicle))
    return recordings


def count_errors(summary: Mapping[str, object]) -> int:
    """Missed taps and false detections."""
    return int(str(summary["fp"])) + int(str(summary["fn"]))


def tune_all(fit: Sequence[Recording], kept: Path | None) -> dict[str, Variant]:
    """Everything that has settings, tuned on the half "fit"; settings found before are read from `kept`."""
    found = json.loads(kept.read_text(encoding="utf-8")) if kept is not None and kept.exists() else {}
    tuned: dict[str, Variant] = {}
    for name in PLAIN:
        if name not in found:
            best = tune(CATALOGUE[name], fit, window_s=WINDOWS_S[0], limit=TRIES).variant
            found[name] = dataclasses.asdict(best)  # type: ignore[call-overload]
        plain = {key: tuple(value) if isinstance(value, list) else value for key, value in found[name].items()}
        tuned[f"{name}, tuned"] = type(CATALOGUE[name])(**plain)
    for peer in PEERS:
        if peer.name not in found:
            least = min(peer.grid(), key=lambda variant: count_errors(summarise(score([variant], fit).outcomes)))
            found[peer.name] = dataclasses.asdict(least)  # type: ignore[call-overload]
        tuned[f"{peer.name}, tuned"] = peer(**found[peer.name])
    if kept is not None:
        kept.write_text(json.dumps(found, indent=1), encoding="utf-8")
    return tuned


def contestants(fit: Sequence[Recording], kept: Path | None) -> dict[str, Variant]:
    """Every detector as shipped and as tuned or fitted on the half "fit"."""
    found: dict[str, Variant] = {f"{name}, as shipped": CATALOGUE[name] for name in ("tap", *PLAIN)}
    found |= {f"{peer.name}, defaults": peer() for peer in PEERS}
    found |= tune_all(fit, kept)
    found["tap, fitted"] = fit_detector(compose_half("fit", repeats=FITTED_REPEATS, seed=SEEDS["fitted"])).variant
    return found


def rows_of(found: dict[str, Variant], recordings: Sequence[Recording]) -> list[dict[str, object]]:
    """One row for each contestant: both windows over all, and F1 by condition."""
    rows = []
    for name, variant in found.items():
        row: dict[str, object] = {"subject": name}
        for window_s in WINDOWS_S:
            table = score({name: variant}, recordings, window_s=window_s)
            total, tag = summarise(table.outcomes), f"{window_s * 1e3:g}ms"
            row |= {f"f1_{tag}": total["f1"], f"errors_{tag}": count_errors(total)}
            if window_s == WINDOWS_S[0]:
                row |= {key: total[key] for key in ("taps", "tp", "fp", "fn", "precision", "recall")}
                for condition in CONDITIONS:
                    chosen = [outcome for outcome in table.outcomes if outcome.scene == condition.name]
                    row[condition.name] = summarise(chosen)["f1"]
        rows.append(row)
    return rows


def settings_of(variant: object) -> str:
    """The setting in one line, trees left out."""
    if not dataclasses.is_dataclass(variant):
        return ""
    plain = {f.name: getattr(variant, f.name) for f in dataclasses.fields(variant)}
    return ", ".join(f"{key} {value:g}" for key, value in plain.items() if isinstance(value, (int, float)))


def render(
    found: dict[str, Variant], rows: list[dict[str, object]], fit_rows: list[dict[str, object]]
) -> tuple[str, ...]:
    """The parts of the section."""
    fitted = {str(row["subject"]): row["f1_50ms"] for row in fit_rows}
    columns = {
        "detector": "subject",
        "F1 ±50 ms": "f1_50ms",
        "F1 ±25 ms": "f1_25ms",
        "errors ±50 ms": "errors_50ms",
        "missed": "fn",
        "false": "fp",
        "F1, mixed objects": "f1_mixed",
    }
    ordered = sorted(rows, key=lambda row: -float(str(row["f1_50ms"])))
    every: Rows = [
        {title: row[key] for title, key in columns.items()} | {"F1 on the fit half": fitted[str(row["subject"])]}
        for row in ordered
    ]
    names = [condition.name for condition in CONDITIONS]
    used = dict.fromkeys(source.package for source in list_sources())
    sources = [f"{p.name} {p.version} ({p.registry})" for p in PACKAGES.values() if p.name in used]
    return (
        f"{rows[0]['taps']} taps in {len(CONDITIONS) * REPEATS['unseen']} recordings of {DURATION_S:g} s,"
        " composed of hits of the unseen half, one tapped object a recording (mixed: any of them at every tap)."
        " Real hits, recorded by microphones: not a piezo on a door.",
        to_markdown(every),
        "F1 (±50 ms) on the unseen half by condition:",
        to_markdown([{"detector": row["subject"], **{name: row[name] for name in names}} for row in ordered]),
        "Settings:",
        "\n".join(f"- {name}: {settings_of(variant)}" for name, variant in found.items()),
        f"Sources: {'; '.join(sources)}.",
    )


def main(argv: Sequence[str] | None = None) -> None:
    """Run, and print or write the section."""
    parser = make_parser("open_recordings", __doc__)
    parser.add_argument("--format", choices=("section", "json"), default="section")
    parser.add_argument("--settings", type=Path, metavar="FILE", help="keep tuned settings there, and read them again")
    args = parser.parse_args(argv)
    fit, unseen = compose_half("fit"), compose_half("unseen")
    found = contestants(fit, args.settings)
    rows = rows_of(found, unseen)
    for row, mixed in zip(rows, rows_of(found, compose_half("unseen", mixed=True)), strict=True):
        row["f1_mixed"] = mixed["f1_50ms"]
    if args.format == "json":
        print(json.dumps({"rows": rows}, indent=1, default=float))
    else:
        publish("Real hits", "python -m benchmarks.open_recordings", *render(found, rows, rows_of(found, fit)))


if __name__ == "__main__":
    main()
