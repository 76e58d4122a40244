"""Logs whose lines name each value, such as `adc:512 low:0 high:1023`: the format of live serial plotters."""

import re
from collections import Counter

HEAD_BYTES = 1 << 14
PAIR = rb"([A-Za-z_][^:,;\t\n]*?)[ ]*:[ ]*([^\s:,;]*)"
LINE = re.compile(rb"(?:[^A-Za-z\n]*[ \t>])??" + PAIR + rb"(?:[ ]*[,;\t ][ ]*" + PAIR + rb")*[ ]*\r?")
FIRST = re.compile(rb"[A-Za-z_]")
ONE = re.compile(PAIR)


def find_names(block: bytes) -> tuple[str, ...]:
    """The names that stand before the values on most lines; () where the lines do not name their values."""
    lines = [line for line in block[:HEAD_BYTES].split(b"\n") if line.strip()]
    found: Counter[tuple[bytes, ...]] = Counter()
    for line in lines:
        start = FIRST.search(line)
        if start and LINE.fullmatch(line):
            found[tuple(match[1].strip() for match in ONE.finditer(line, start.start()))] += 1
    if not found:
        return ()
    names, count = found.most_common(1)[0]
    return tuple(name.decode("utf-8", errors="replace") for name in names) if 2 * count > len(lines) else ()


def strip_names(block: bytes, names: tuple[str, ...]) -> bytes:
    """The block with the values alone, separated by commas; a line with other names stays as it is."""
    pairs = rb"[ ]*[,;\t ][ ]*".join(re.escape(name.encode()) + rb"[ ]*:[ ]*([^\s:,;]*)" for name in names)
    line = re.compile(rb"(?m)^((?:[^A-Za-z\n]*[ \t>])?)" + pairs + rb"[ ]*$")
    return line.sub(lambda match: match[1] + b",".join(match.groups()[1:]), block)
