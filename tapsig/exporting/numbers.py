"""The one generated file of an export: a header of numbers, read from the structs that Python ran with."""

from collections.abc import Iterator, Sequence
from functools import cache
from pathlib import Path
from typing import Any

from tapsig.core import HERE, load
from tapsig.core.evidence_model import BETWEEN_BINS, TEMPOS, WITHIN_BINS
from tapsig.exporting.chain import Prepared

EVIDENCE_TABLES = {"within": WITHIN_BINS, "between": BETWEEN_BINS, "tempo": TEMPOS}
"""Tables that a `tapsig_evidence_config` points to, and their sizes."""


def read_tables(evidence: Any) -> dict[str, list[int]]:
    """The numbers of EVIDENCE_TABLES of a `tapsig_evidence_config`."""
    return {name: [getattr(evidence, name)[i] for i in range(size)] for name, size in EVIDENCE_TABLES.items()}


@cache
def find_files(name: str) -> tuple[str, ...]:
    """The core's files behind the header `name`: what it and its source include, and so on.

    >>> find_files("fixed_threshold.h")
    ('fixed.c', 'fixed.h', 'fixed_threshold.c', 'fixed_threshold.h', 'follow.c', 'follow.h')
    """
    found: set[str] = set()
    waiting = [name]
    while waiting:
        file = waiting.pop()
        if file in found or not (HERE / file).exists():
            continue
        found.add(file)
        text = (HERE / file).read_text(encoding="ascii")
        waiting += [line.split('"')[1] for line in text.splitlines() if line.startswith('#include "')]
        waiting.append(file.replace(".h", ".c"))
    return tuple(sorted(found))


def entry_headers(prepared: Prepared) -> tuple[str, ...]:
    """The headers of what follows the detector."""
    if prepared.judge is not None:
        return ("judge.h",)
    return ("clock.h", "entry.h") if prepared.code else ()


def core_files(prepared: Prepared) -> tuple[str, ...]:
    """The core's files that this export needs."""
    headers = [f"{prepared.name}.h", *entry_headers(prepared)]
    return tuple(sorted({file for header in headers for file in find_files(header)}))


def flatten(struct: Any, pointers: dict[str, str], prefix: str = "") -> Iterator[tuple[str, str]]:
    """Names (`.rate.step_q24`) and values of all numbers of a struct, as C writes them.

    >>> numbers = load()[0].new("tapsig_clock_config *", (16777216, 37))
    >>> list(flatten(numbers, {}))
    [('.step_q24', 'UINT32_C(16777216)'), ('.latency_ms', '37')]
    """
    ffi, _ = load()
    kind = ffi.typeof(struct)
    for name, field in (kind.item if kind.kind == "pointer" else kind).fields:
        value, path = getattr(struct, name), f"{prefix}.{name}"
        if field.type.kind == "struct":
            yield from flatten(value, pointers, path)
        elif field.type.kind == "array":
            yield from ((f"{path}[{i}]", str(value[i])) for i in range(field.type.length))
        elif field.type.kind == "pointer":
            yield path, pointers[path]
        else:
            yield path, _write(value, field.type.cname)


def _write(value: Any, cname: str) -> str:
    if cname in ("bool", "_Bool"):
        return "true" if value else "false"
    return f"{cname.removesuffix('_t').upper()}_C({value})" if "32" in cname else str(value)


def render_struct(kind: str, name: str, struct: Any, pointers: dict[str, str]) -> str:
    """A constant struct with an initialiser for every number."""
    lines = [f"    {path} = {value}," for path, value in flatten(struct, pointers)]
    return "\n".join([f"static const {kind} {name} = {{", *lines, "};"]) + "\n"


def render_bytes(name: str, values: Sequence[int], attribute: str = "", *, kind: str = "uint8_t") -> str:
    """A constant array of bytes.

    >>> print(render_bytes("steps", [1, 2]), end="")
    static const uint8_t steps[2] = {
        1, 2,
    };
    """
    lines = [f"static const {kind} {name}[{len(values)}]{attribute} = {{"]
    lines += ["    " + ", ".join(map(str, values[i : i + 20])) + "," for i in range(0, len(values), 20)]
    return "\n".join([*lines, "};"]) + "\n"


def render_tables(prepared: Prepared) -> str:
    """All constants that tapsig.c needs."""
    ffi, _ = load()
    parts, pointers, table = [], {}, " TAPSIG_TABLE"
    if prepared.name == "tap":
        trees = prepared.config.trees
        parts.append(render_bytes("tapsig_nodes", bytes(ffi.buffer(trees.nodes, trees.size)), table))
        pointers[".trees.nodes"] = "tapsig_nodes"
    parts.append(render_struct(f"tapsig_{prepared.name}_config", "tapsig_numbers", prepared.config, pointers))
    if prepared.code:
        parts.append(render_bytes("tapsig_code", prepared.code))
    if prepared.judge is not None:
        context = prepared.judge.evidence.context
        parts.append(render_bytes("tapsig_context_nodes", bytes(ffi.buffer(context.nodes, context.size)), table))
        pointers = {".code": "tapsig_code", ".entry.code": "0", ".evidence.context.nodes": "tapsig_context_nodes"}
        for name, values in read_tables(prepared.judge.evidence).items():
            parts.append(render_bytes(f"tapsig_{name}", values, table, kind="int8_t"))
            pointers[f".evidence.{name}"] = f"tapsig_{name}"
        parts.append(render_struct("tapsig_judge_config", "tapsig_judge_numbers", prepared.judge, pointers))
    elif prepared.code:
        pointers = {".code": "tapsig_code"}
        parts.append(render_struct("tapsig_entry_config", "tapsig_entry_numbers", prepared.entry, pointers))
        parts.append(render_struct("tapsig_clock_config", "tapsig_clock_numbers", prepared.clock, {}))
    return "\n".join(parts)


def render_header(prepared: Prepared, comment: Sequence[str]) -> str:
    """tapsig_numbers.h."""
    includes = [f'#include "{prepared.name}.h"']
    defines = [
        f"#define TAPSIG_RUNS_{prepared.name.upper()}",
        f"#define TAPSIG_FS_HZ {prepared.fs!r}",
        f"#define TAPSIG_COUNT_MAX {(1 << prepared.converter.adc_bits) - 1}",
        f"typedef tapsig_{prepared.name} tapsig_core;",
    ]
    if prepared.code:
        includes += [f'#include "{header}"' for header in entry_headers(prepared)]
        defines.insert(1, f"#define TAPSIG_WITH_{'ENTRY' if prepared.judge is None else 'EVIDENCE'}")
    return "\n".join(
        [
            "/* " + "\n".join([f" * {line}".rstrip() for line in comment]).removeprefix(" * ") + "\n */",
            "#ifndef TAPSIG_NUMBERS_H",
            "#define TAPSIG_NUMBERS_H",
            "",
            *includes,
            "",
            *defines,
            "",
            "#ifdef TAPSIG_NUMBERS /* only tapsig.c asks for them */",
            "",
            render_tables(prepared),
            "#endif",
            "",
            "#endif",
            "",
        ]
    )


def measure(prepared: Prepared) -> tuple[int, int]:
    """Bytes of the trees, and of one `tapsig_detector`: here, where 32-bit numbers lie at multiples of four."""
    ffi, _ = load()
    parts = [f"tapsig_{prepared.name}", *(f"tapsig_{Path(header).stem}" for header in entry_headers(prepared))]
    trees = int(prepared.config.trees.size) if prepared.name == "tap" else 0
    trees += int(prepared.judge.evidence.context.size) if prepared.judge is not None else 0
    return trees, sum(ffi.sizeof(part) for part in parts)
