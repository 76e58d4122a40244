"""What an export needs of a controller, reckoned from its text; only the machine code is up to the compiler."""

import re
from math import prod
from typing import NamedTuple

import numpy as np

LARGEST_SMALL = 32767
"""Bytes of the largest array that compilers with 16-bit int take."""

_INTEGERS = ("bool", "int8_t", "uint8_t", "int16_t", "uint16_t", "int32_t", "uint32_t", "int64_t", "uint64_t")


class Sizes(NamedTuple):
    """Bytes of the constant tables together, of the largest, and of one `tapsig_detector`."""

    constants: int
    largest: int
    state: int

    def __str__(self) -> str:
        fits = "any controller" if self.largest <= LARGEST_SMALL else "32 bits (8-bit compilers refuse an array)"
        return f"{self.constants} bytes of constants and {self.state} of RAM, besides the code; for {fits}"


def measure_sizes(header: str, source: str) -> Sizes:
    """Sizes of an export; its structs are laid out with the natural alignment of 32- and 64-bit machines."""
    numbers = {name: int(value) for name, value in re.findall(r"#define (\w+) (\d+)$", header, re.M)}
    text = re.sub(r"/\*.*?\*/", "", header + source, flags=re.S)
    if not numbers["TAPSIG_CODE_LENGTH"]:
        text = re.sub(r"#if TAPSIG_CODE_LENGTH > 0.*?#endif", "", text, flags=re.S)
    types = {name: np.dtype(name.removesuffix("_t")) for name in _INTEGERS}

    def shape(brackets: str) -> tuple[int, ...]:
        return tuple(numbers[n] if n in numbers else int(n) for n in re.findall(r"\w+", brackets))

    for body, name in re.findall(r"typedef struct \{(.*?)\} (\w+);", text, re.S):
        members = re.findall(r"(\w+) (\w+)((?:\[\w+\])*);", body)
        types[name] = np.dtype([(member, types[kind], shape(dims)) for kind, member, dims in members], align=True)
    tables = [
        types[kind].itemsize * prod(shape(dims))
        for kind, dims in re.findall(r"static const (\w+) \w+((?:\[\w+\])+) =", text)
    ]
    return Sizes(sum(tables), max(tables, default=0), types["tapsig_detector"].itemsize)
