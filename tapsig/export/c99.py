"""C99 source of a detector, and of the entry machine behind it: one header, one source, and a program to replay.

The algorithms stand as C files in `tapsig/export/c`; an export puts them together under the numbers of one detector.
Nothing is computed here that the Python reference does not compute: the numbers come from the same integer variant.
"""

from collections.abc import Mapping, Sequence
from importlib import resources

import numpy as np

from tapsig.entry import EntryParameters, to_ms
from tapsig.errors import ExportError
from tapsig.export.integer_gate import LEAF, IntegerTrees
from tapsig.units import seconds_to_samples

Define = int | str
GUARD = "TAPSIG_DETECTOR_H"


def read_part(name: str) -> str:
    """Text of one of the C files."""
    return resources.files("tapsig.export").joinpath("c", name).read_text(encoding="utf-8")


def unsigned(value: int) -> str:
    """A 32-bit unsigned constant.

    >>> unsigned(7)
    'UINT32_C(7)'
    """
    if not 0 <= value < 2**32:
        raise ExportError(f"{value} does not fit 32 bits without sign")
    return f"UINT32_C({value})"


def render_table(ctype: str, name: str, values: Sequence[int]) -> str:
    """A constant array.

    >>> print(render_table("uint8_t", "steps", [1, 2]), end="")
    static const uint8_t steps[2] = {
        1, 2,
    };
    """
    lines = [f"static const {ctype} {name}[{len(values)}] = {{"]
    lines += ["    " + ", ".join(str(v) for v in values[i : i + 16]) + "," for i in range(0, len(values), 16)]
    return "\n".join([*lines, "};"]) + "\n"


def render_nodes(name: str, trees: IntegerTrees) -> str:
    """The trees of a gate: their nodes and where each begins."""
    if trees.feature.size > 65535:
        raise ExportError(f"the gate has {trees.feature.size} nodes; at most 65535 can be exported")
    leaf = trees.feature == LEAF
    threshold = np.where(leaf, trees.value, trees.threshold)
    right = np.where(leaf, 0, trees.right - np.arange(leaf.size))
    if right.max(initial=0) > 255:
        raise ExportError("a tree of the gate has over 255 nodes; fit it with fewer leaves")
    if threshold.size and (threshold.min() < -32768 or threshold.max() > 32767):
        raise ExportError("a number of the gate is outside -32768..32767 in its integer form; fit it again")
    columns = (threshold, trees.feature, right)
    rows = ["    {" + ", ".join(map(str, row)) + "}," for row in zip(*(c.tolist() for c in columns), strict=True)]
    nodes = "\n".join([f"static const tree_node {name}_nodes[{len(rows)}] = {{", *rows, "};"]) + "\n"
    return nodes + render_table("uint16_t", f"{name}_roots", trees.roots.tolist())


def advance_samples(fs: int) -> int:
    """Samples without a tap after which the entry machine hears of the time: 20 ms, as far as eight bits count."""
    return min(max(fs // 50, 1), 255)


def late_ms(latency_s: float) -> int:
    """Whole milliseconds before now that no tap can still come to lie before."""
    return to_ms(latency_s) + 1


def entry_defines(parameters: EntryParameters, code: Sequence[int], *, fs: int, latency_s: float) -> dict[str, Define]:
    """Numbers of the entry machine; all times in whole milliseconds.

    Raises ExportError for a wait that is not a whole number of milliseconds.
    """
    for name in ("wait_s", "wait_limit_s"):
        value = getattr(parameters, name)
        if abs(value * 1000 - round(value * 1000)) > 1e-6:
            raise ExportError(f"{name} is {value!r}; the exported machine counts whole milliseconds")
    return {
        "TAPSIG_CODE_LENGTH": len(code),
        "TAPSIG_CODE": "{" + ", ".join(map(str, code)) + "}",
        "TAPSIG_DIGIT_MAX": parameters.digit_max,
        "TAPSIG_DIGIT_PAUSE_MS": unsigned(to_ms(parameters.digit_pause_s)),
        "TAPSIG_SILENCE_MS": unsigned(to_ms(parameters.entry_silence_s)),
        "TAPSIG_TOLERANCE_PERCENT": unsigned(seconds_to_samples(parameters.tolerance, 100)),
        "TAPSIG_PAUSE_LOW_MS": unsigned(to_ms(parameters.pause_bounds_s[0])),
        "TAPSIG_PAUSE_HIGH_MS": unsigned(to_ms(parameters.pause_bounds_s[1])),
        "TAPSIG_WAKE_TAPS": parameters.wake_taps,
        "TAPSIG_AWAKE_MS": unsigned(to_ms(parameters.awake_s)),
        "TAPSIG_FREE_FAILURES": parameters.free_failures,
        "TAPSIG_WAIT_MS": unsigned(to_ms(parameters.wait_s)),
        "TAPSIG_WAIT_FACTOR": parameters.wait_factor,
        "TAPSIG_WAIT_LIMIT_MS": unsigned(to_ms(parameters.wait_limit_s)),
        "TAPSIG_FAILURE_LIMIT": parameters.failure_limit,
        "TAPSIG_LATENCY_MS": unsigned(late_ms(latency_s)),
        "TAPSIG_ADVANCE_SAMPLES": advance_samples(fs),
    }


def render_header(defines: Mapping[str, Define], core_header: str, *, with_entry: bool) -> str:
    """The header: numbers, state, and the three functions."""
    numbers = "\n".join(f"#define {name} {value}" for name, value in defines.items())
    nothing = "" if with_entry else "#define TAPSIG_CODE_LENGTH 0\n#define TAPSIG_NO_VERDICT 0\n"
    parts = [
        f"#ifndef {GUARD}\n#define {GUARD}\n",
        "#include <stdbool.h>\n#include <stdint.h>\n#include <string.h>\n",
        numbers + "\n" + nothing,
        read_part(core_header),
        read_part("entry.h") if with_entry else "",
        read_part("push.h"),
        f"#endif /* {GUARD} */\n",
    ]
    return "\n".join(part for part in parts if part)


def render_source(core_sources: Sequence[str], tables: str, *, with_entry: bool, comment: str) -> str:
    """The source: tables, arithmetic, the core, the entry machine, and the push that joins them."""
    parts = [
        f"/* {comment} */\n",
        '#include "tapsig_detector.h"\n',
        tables,
        *(read_part(name) for name in core_sources),
        read_part("entry.c") if with_entry else "",
        read_part("push.c"),
    ]
    return "\n".join(part for part in parts if part)
