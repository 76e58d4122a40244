"""A detector as a folder of C: header, source, parameters with their provenance, test vectors, a program to replay."""

import datetime
import os
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from tapsig._version import __version__
from tapsig.detect.base import Variant
from tapsig.detect.fixed_threshold import FixedThreshold
from tapsig.detect.history import COMPARED, HISTORY
from tapsig.detect.ring_following import RingFollowing
from tapsig.detect.tap import Tap
from tapsig.entry import EntryParameters, check_code
from tapsig.errors import ExportError
from tapsig.export import c99
from tapsig.export.converter import HIGHEST_FS, LOWEST_FS, Converter, samples_per_block
from tapsig.export.fixed_point import LOG_TABLE, RECIPROCAL_TABLE
from tapsig.export.integer import IntegerFixedThreshold, IntegerRingFollowing, IntegerTap, IntegerVariant
from tapsig.export.integer_core import FAINT_Q8, FAST_Q8, recent_samples
from tapsig.export.integer_features import SINE_Q14, WINDOW_Q14
from tapsig.export.integer_gate import (
    ALIKE,
    ALIKE_BITS,
    CLOSELY,
    CLOSELY_BITS,
    HOPELESS_Q10,
    LARGEST,
    LIKELY_TABLE,
    PER_UNIT_Q12,
    UNLIKEST,
)
from tapsig.export.sizes import measure_sizes
from tapsig.export.vectors import render_vectors
from tapsig.features import BAND_OF_BIN, FEATURES
from tapsig.load.files import check_target, replace_file

HEADER = "tapsig_detector.h"
CAUTION = (
    "Not a security product, and never the only way to reach a person or an animal. Doors hold airbag sensors and"
    " wiring; local law and licensed practice come first."
)


def to_integer(variant: Variant, converter: Converter) -> IntegerVariant:
    """The integer form of `variant`. Raises ExportError when it has none."""
    if isinstance(variant, FixedThreshold):
        return IntegerFixedThreshold(variant, converter)
    if isinstance(variant, RingFollowing):
        return IntegerRingFollowing(variant, converter)
    if isinstance(variant, Tap):
        return IntegerTap(variant, converter)
    known = ", ".join(form.name for form in (FixedThreshold, RingFollowing, Tap))
    raise ExportError(f"the detector {variant.name!r} has no integer form; there are: {known}")


@dataclass(frozen=True, slots=True)
class CSource:
    """One export: text of the header and of the source, and the numbers they hold."""

    header: str
    source: str
    defines: Mapping[str, c99.Define]


def _core_of(form: IntegerVariant, fs: int) -> tuple[dict[str, c99.Define], str, tuple[str, ...], str]:
    """Numbers, header part, source parts and tables of the detector."""
    if isinstance(form, IntegerFixedThreshold):
        threshold = form.numbers(fs)
        numbers: dict[str, c99.Define] = {
            "TAPSIG_THRESHOLD_Q8": threshold.threshold_q8,
            "TAPSIG_DEAD_SAMPLES": c99.unsigned(threshold.dead_samples),
            "TAPSIG_BIAS_SHIFT": threshold.bias_shift,
        }
        return numbers, "fixed_threshold.h", ("arithmetic.c", "fixed_threshold.c"), ""
    if isinstance(form, IntegerRingFollowing):
        ring = form.numbers(fs)
        numbers = {
            "TAPSIG_SAMPLES_PER_BLOCK": ring.samples_per_block,
            "TAPSIG_COUNT_SHIFT": ring.count_shift,
            "TAPSIG_HIGH_PASS_Q16": ring.high_pass_q16,
            "TAPSIG_LEAST": ring.least,
            "TAPSIG_THRESHOLD": f"({ring.threshold})",
            "TAPSIG_OVER_USUAL": ring.over_usual,
            "TAPSIG_OVER_RING": ring.over_ring,
            "TAPSIG_DECAY_SHARE_Q8": ring.decay_share_q8,
            "TAPSIG_RATE": ring.rate,
            "TAPSIG_RATE_LOW": ring.rate_low,
            "TAPSIG_RATE_HIGH": ring.rate_high,
            "TAPSIG_HYSTERESIS": ring.hysteresis,
            "TAPSIG_LEARN": ring.learn,
            "TAPSIG_DEAD_BLOCKS": ring.dead_blocks,
        }
        tables = c99.render_table("uint8_t", "log_table", LOG_TABLE.tolist())
        return numbers, "ring_following.h", ("arithmetic.c", "logarithm.c", "ring_following.c"), tables
    if isinstance(form, IntegerTap):
        return _tap_core(form, fs)
    raise ExportError(f"the detector {form.source.name!r} has no C source")


def _tap_core(form: IntegerTap, fs: int) -> tuple[dict[str, c99.Define], str, tuple[str, ...], str]:
    core, gate = form.core_numbers(fs), form.gate_numbers(fs)
    numbers: dict[str, c99.Define] = {
        "TAPSIG_SAMPLES_PER_BLOCK": core.samples_per_block,
        "TAPSIG_RECIPROCAL_Q16": core.reciprocal_q16,
        "TAPSIG_COUNT_SHIFT": core.count_shift,
        "TAPSIG_STEP_Q16": core.step_q16,
        "TAPSIG_TRIGGER_Q8": core.trigger_q8,
        "TAPSIG_FAST_Q8": FAST_Q8,
        "TAPSIG_FLOOR": c99.unsigned(core.floor),
        "TAPSIG_OCTAVE": core.octave_q8,
        "TAPSIG_RECENT": recent_samples(core.samples_per_block),
        "TAPSIG_FEATURES": len(FEATURES),
        "TAPSIG_SHARES": FEATURES.index("share_40hz"),
        "TAPSIG_FAST_SHARE": FEATURES.index("fast_share"),
        "TAPSIG_OVER_NOISE": FEATURES.index("level_over_noise"),
        "TAPSIG_LEVEL": FEATURES.index("level_v_db"),
        "TAPSIG_HISTORY": len(HISTORY),
        "TAPSIG_FIRST_TREES": gate.first.roots.size,
        "TAPSIG_FIRST_BASE": f"({gate.first.base})",
        "TAPSIG_SECOND_TREES": gate.second.roots.size,
        "TAPSIG_SECOND_BASE": f"({gate.second.base})",
        "TAPSIG_REMEMBER_LOWER": int(gate.remember_lower),
        "TAPSIG_HOPELESS": f"({HOPELESS_Q10})",
        "TAPSIG_COMPARED": len(COMPARED),
        "TAPSIG_UNLIKEST": c99.unsigned(UNLIKEST),
        "TAPSIG_ALIKE": c99.unsigned(ALIKE),
        "TAPSIG_ALIKE_BITS": ALIKE_BITS,
        "TAPSIG_CLOSELY": c99.unsigned(CLOSELY),
        "TAPSIG_CLOSELY_BITS": CLOSELY_BITS,
        "TAPSIG_FAINT": f"({FAINT_Q8})",
        "TAPSIG_LEAST_SCORE": f"({gate.least_score})",
        "TAPSIG_LEAST_LEVEL": f"({gate.least_level})",
        "TAPSIG_DEAD_SAMPLES": c99.unsigned(gate.dead_samples),
    }
    tables = [
        c99.render_table("uint8_t", "log_table", LOG_TABLE.tolist()),
        c99.render_table("uint16_t", "reciprocal_table", RECIPROCAL_TABLE.tolist()),
        c99.render_table("int16_t", "sine_table", SINE_Q14.tolist()),
        c99.render_table("int16_t", "window_table", WINDOW_Q14.tolist()),
        c99.render_table("uint8_t", "band_of_bin", BAND_OF_BIN.tolist()),
        c99.render_table("uint16_t", "likely_table", LIKELY_TABLE.tolist()),
        c99.render_table("uint8_t", "compared", COMPARED.tolist()),
        c99.render_table("int32_t", "largest", LARGEST.tolist()),
        c99.render_table("int32_t", "per_unit_q12", PER_UNIT_Q12.tolist()),
        c99.read_part("tree_node.c"),
        c99.render_nodes("first", gate.first),
        c99.render_nodes("second", gate.second),
    ]
    return numbers, "tap.h", ("arithmetic.c", "logarithm.c", "tap.c", "gate.c"), "\n".join(tables)


def render_c(
    form: IntegerVariant, fs: int, *, code: Sequence[int] | None = None, entry: EntryParameters | None = None
) -> CSource:
    """The C of an integer form at `fs` Hz, with the entry machine behind it when `code` is given.

    Raises ExportError for numbers that do not fit.
    """
    if not LOWEST_FS <= fs <= HIGHEST_FS:
        raise ExportError(f"fs is {fs} Hz; the exported chain works from {LOWEST_FS} to {HIGHEST_FS} Hz")
    entry = entry or EntryParameters()
    core, core_header, core_sources, tables = _core_of(form, fs)
    defines: dict[str, c99.Define] = {
        "TAPSIG_FS": c99.unsigned(fs), "TAPSIG_COUNT_MAX": (1 << form.converter.bits) - 1, **core,
    }  # fmt: skip
    if code is not None:
        digits = check_code(code, digit_max=entry.digit_max)
        defines |= c99.entry_defines(entry, digits, fs=fs, latency_s=form.latency_s(fs))
    what = f"tapsig {__version__}: {form.source.name}, {fs} Hz, {form.converter.bits} bits. {CAUTION}"
    header = c99.render_header(defines, core_header, with_entry=code is not None)
    source = c99.render_source(core_sources, tables, with_entry=code is not None, comment=what)
    low, high = form.converter.range_v
    needs = (
        f"Thresholds hold where {form.converter.bits} bits span {high - low:g} V from rail to rail.",
        f"Call tapsig_init once, then tapsig_push exactly {fs} times a second.",
        f"Size: {measure_sizes(header, source)}.",
        "Two exports cannot be linked into one image: they have the same names.",
    )
    comment = "\n *\n * ".join([what, "\n * ".join(needs)])
    return CSource(f"/* {comment}\n */\n\n{header}", source, defines)


def render_parameters(source: CSource, provenance: Mapping[str, str]) -> str:
    """A table of every number in the header, and where the detector comes from."""
    lines = ["name,value", *(f'{name},"{value}"' for name, value in source.defines.items())]
    facts = {"tapsig": __version__, "date": datetime.date.today().isoformat(), **provenance}
    lines += [f'"{name}","{value}"' for name, value in facts.items()]
    return "\n".join(lines) + "\n"


def render_package(
    form: IntegerVariant, fs: int, *, code: Sequence[int] | None = None, entry: EntryParameters | None = None,
    provenance: Mapping[str, str] | None = None,
) -> dict[str, str]:  # fmt: skip
    """The files of an export, name -> text.

    Raises ExportError when the detector, the rate or a number does not fit the integer form.
    """
    if not isinstance(form, IntegerFixedThreshold):
        samples_per_block(fs)
    source = render_c(form, fs, code=code, entry=entry)
    values, events = render_vectors(form, fs, code=code, entry=entry)
    return {
        HEADER: source.header,
        "tapsig_detector.c": source.source,
        "replay.c": c99.read_part("replay.c"),
        "parameters.csv": render_parameters(source, provenance or {}),
        "vector_counts.csv": values,
        "vector_events.csv": events,
    }


def write_package(files: Mapping[str, str], folder: Path, *, force: bool = True) -> None:
    """Publish the files of an export in `folder`, which is made if need be, as one.

    They are written beside, then moved in. The header goes first and comes last: where the process is killed between,
    there is none, and nothing compiles. A failure puts back what was there.

    Raises ParameterError for a file that exists when not `force`, or that is no regular file.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for name in files:
        check_target(folder / name, force=force)
    names = [HEADER, *(name for name in files if name != HEADER)]
    with tempfile.TemporaryDirectory(dir=folder, prefix=".export-") as beside:
        new, old = Path(beside, "new"), Path(beside, "old")
        new.mkdir()
        old.mkdir()
        for name in names:
            replace_file(new / name, files[name].encode("utf-8", "backslashreplace"))
        standing = [name for name in names if (folder / name).exists()]
        try:
            for name in standing:
                os.replace(folder / name, old / name)
            for name in reversed(names):
                os.replace(new / name, folder / name)
        except BaseException:
            for name in reversed(standing):
                if (old / name).exists():
                    os.replace(old / name, folder / name)
            raise
