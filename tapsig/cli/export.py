"""Write a detector as portable C99 for a small controller, with test vectors and a program that replays recordings.

  tapsig export ring-following --fs 2000 --adc-bits 10 --out firmware
  tapsig export tap --fs 2000 --adc-bits 10 --code 3-1-4 --out firmware

The C computes what the detector's integer form computes, bit for bit: no heap, no floats, one header, one source. With
--code, the entry machine follows the detector, down to "code accepted". --corpus scores the form as it is exported; as
`tapsig score --detector tapsig.export.integer:IntegerTap` (IntegerRingFollowing, IntegerFixedThreshold) it has 10 bits,
±2.5 V and the shipped parameters.

`tap` takes some 82 kB of code and constants and 6 kB of RAM: a 32-bit controller. The other two take under 4 kB and 100
bytes: any. An export ends with what it takes, and the header what it expects of the converter and its clock.

Not a security product, and never the only way to reach a person or an animal. Doors hold airbag sensors and wiring;
local law and licensed practice come first.
"""

import argparse
from pathlib import Path

from tapsig.cli.findings import load_entries
from tapsig.cli.output import note, render_rows, show
from tapsig.errors import ParameterError
from tapsig.units import check_range


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `tapsig export`."""
    parser.add_argument("detector", metavar="DETECTOR", help="a detector of the catalogue, or a .json file")
    parser.add_argument("--fs", type=int, required=True, metavar="HZ", help="the controller's sample rate")
    parser.add_argument("--adc-bits", type=int, default=10, metavar="N", help="its converter's bits, 8–15; default: 10")
    parser.add_argument(
        "--full-scale-v", type=float, default=5.0, metavar="V",
        help="volts from rail to rail, so that thresholds in volts become counts; default: 5",
    )  # fmt: skip
    parser.add_argument("--code", metavar="D-D-D", help="also export the entry machine, with this code")
    parser.add_argument("--corpus", type=Path, metavar="DIR", help="score the integer form there, for the provenance")
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to write")
    parser.add_argument("--force", action="store_true", help="replace files that exist")


def run(args: argparse.Namespace) -> int:
    """Export, and say what was written."""
    from tapsig.detect import load_detector  # heavy rooms load when they are used
    from tapsig.entry import parse_code
    from tapsig.export import Converter, render_package, to_integer, write_package
    from tapsig.export.converter import FULL_SCALE_V
    from tapsig.export.sizes import measure_sizes

    check_range("--full-scale-v", args.full_scale_v, *FULL_SCALE_V)
    converter = Converter(args.adc_bits, (-args.full_scale_v / 2, args.full_scale_v / 2))
    form = to_integer(load_detector(args.detector), converter)
    provenance = {"detector": str(args.detector), "full scale, V": str(args.full_scale_v)}
    if args.corpus is not None:
        provenance |= _score(form, args.corpus)
    code = None if args.code is None else parse_code(args.code)
    files = render_package(form, args.fs, code=code, provenance=provenance)
    write_package(files, args.out, force=args.force)
    show(render_rows([{"file": str(args.out / name), "bytes": len(text)} for name, text in files.items()], "table"))
    note(f"size: {measure_sizes(files['tapsig_detector.h'], files['tapsig_detector.c'])}")
    note(f"compile: cc -std=c99 -O2 {args.out}/tapsig_detector.c {args.out}/replay.c -o replay")
    return 0


def _score(form: object, folder: Path) -> dict[str, str]:
    """Provenance: how the integer form scores on the test recordings of a corpus, where the rate fits."""
    from tapsig.load import load_corpus
    from tapsig.study.scoring import score, summarise

    corpus = load_corpus(folder)
    entries = [
        entry for entry in corpus.entries
        if entry.split in ("test", "") and entry.labels and entry.fs_hz and entry.fs_hz % 1000 == 0
    ]  # fmt: skip
    if not entries:
        raise ParameterError(f"--corpus: {folder} has no labelled test recording at a whole number of kHz")
    table = score({"exported": form}, load_entries([(corpus, entry) for entry in entries]))  # type: ignore[dict-item]
    total = summarise(table.outcomes)
    shown = {key: total[key] for key in ("recordings", "taps", "precision", "recall", "f1", "false_alarms_per_hour")}
    return {"corpus": str(folder)} | {
        f"scored: {key}": f"{value:.4g}" if isinstance(value, float) else str(value) for key, value in shown.items()
    }
