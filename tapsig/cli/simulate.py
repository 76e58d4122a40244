"""Recordings simulated from physics, with labels: the demo corpus again, or hours of one scene.

  tapsig simulate --scene driving --position inner-skin --hours 0.01 --seed 7 --out drive
  tapsig simulate --scene quiet --taps entries --hours 0.01 --vehicle heron --truth --out entries

`--corpus demo --out corpus_demo` writes the demo corpus again, which takes minutes. The folder that is written is a
corpus: other commands take it as it is. The same call writes the same bytes on the same machine. The physics are
plausible, not measured on a vehicle: what holds here need not hold in the field.
"""

import argparse
from collections import Counter
from pathlib import Path

from tapsig.cli.output import note, render_rows, show
from tapsig.errors import ParameterError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument("--corpus", choices=("demo",), help="write the demo corpus")
    what.add_argument(
        "--scene", help="quiet, driving, rain, hail, wind, slam, music, rattle, whine, brush, lean, truck or handling"
    )
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to write; made if need be")
    parser.add_argument("--force", action="store_true", help="replace files that exist")
    parser.add_argument(
        "--format", choices=("table", "csv", "json"), default="table", help="of the summary; default: table"
    )
    scene = parser.add_argument_group("with --scene")
    scene.add_argument(
        "--position",
        action="append",
        metavar="NAME",
        help="inner-skin, outer-skin, frame or latch-bracket; repeat for more; default: all four",
    )
    scene.add_argument(
        "--vehicle",
        default="random",
        help="a vehicle of the demo fleet, or random: another one for each block (default)",
    )
    scene.add_argument("--hours", type=float, default=0.1, help="default: 0.1")
    scene.add_argument(
        "--block",
        type=float,
        default=120.0,
        metavar="SECONDS",
        help="length of each file, which is simulated on its own; default: 120",
    )
    scene.add_argument("--fs", type=float, default=8000.0, metavar="HZ", help="sample rate; default: 8000")
    scene.add_argument("--seed", type=int, default=0, help="same seed, same recordings; default: 0")
    scene.add_argument(
        "--taps",
        choices=("none", "practice", "entries", "both"),
        default="none",
        help="deliberate taps to add; default: none",
    )
    scene.add_argument("--strength", type=float, default=1.0, help="factor on the nuisances' forces; default: 1")
    scene.add_argument(
        "--split",
        choices=("train", "validation", "test"),
        default="test",
        help="what the manifest calls them; default: test",
    )
    scene.add_argument("--truth", action="store_true", help="also write every contact and every mode")


def run(args: argparse.Namespace) -> int:
    # Heavy: numba and scipy load with the simulator.
    from tqdm import tqdm

    from tapsig.simulation import corpus
    from tapsig.simulation.scene import simulate_blocks
    from tapsig.simulation.vehicle import POSITIONS
    from tapsig.units import check_positive, check_range

    if args.out.exists() and not args.out.is_dir():
        raise ParameterError(f"--out: {args.out} is a file; a folder is needed")
    if args.corpus:
        items = tqdm(corpus.demo_items(), unit="recording", disable=None)
        rendered = (corpus.render_item(item) for item in items)
    else:
        duration_s = 3600.0 * check_positive("--hours", args.hours)
        check_range("--block", args.block, 1.0, 1800.0)
        blocks = simulate_blocks(
            args.scene,
            duration_s=duration_s,
            seed=args.seed,
            block_s=args.block,
            vehicle=None if args.vehicle == "random" else args.vehicle,
            positions=args.position or POSITIONS,
            fs=args.fs,
            taps=args.taps,
            strength=args.strength,
        )
        total = max(1, -int(-duration_s // args.block))
        rendered = (
            corpus.render_scene(f"{args.scene}-{args.seed}-{index:04d}", block, split=args.split, truth=args.truth)
            for index, block in enumerate(tqdm(blocks, total=total, unit="block", disable=None))
        )
    written = corpus.write_rendered(rendered, args.out, force=args.force)
    counts: Counter[str] = Counter()
    for file in written:
        folder = file.path.split("/")[0]
        counts[folder] += 1
        counts["bytes"] += len(file.content)
        if folder == "labels":
            kinds = [line.rsplit(",", 1)[1] for line in file.content.decode().splitlines()[1:]]
            counts["taps"] += kinds.count("tap")
            counts["nuisances"] += len(kinds) - kinds.count("tap")
    row = {
        "folder": str(args.out),
        "recordings": counts["recordings"],
        "taps": counts["taps"],
        "labelled nuisances": counts["nuisances"],
        "megabytes": round(counts["bytes"] / 1e6, 3),
    }
    show(render_rows([row], args.format))
    note("simulated: no figure from these recordings is an accuracy in the field")
    return 0
