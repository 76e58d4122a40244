"""Inner loops of reading a log, in C: parsing plain lines, and statistics of the steps between stamps."""

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from tapsig.core import load
from tapsig.core.arrays import pointer
from tapsig.units import FloatArray, IntArray

ByteArray = npt.NDArray[np.uint8]
NEWLINE = 10


def make_line_format(*, delimiter: str, decimal: str, trailing: bool, columns: int, time: int, value: int) -> Any:
    """The core's description of a plain line: `columns` cells (and a delimiter at its end if `trailing`), a decimal
    number, of digits up to 2**53, in the columns `time` (-1 = none) and `value`.
    """
    return load()[0].new("tapsig_line_format *", (ord(delimiter), ord(decimal), trailing, columns, time, value))


def parse_lines(text: ByteArray, start: int, line: Any, stamps: FloatArray, values: FloatArray) -> tuple[int, int]:
    """Parse lines of the format `line` from `start` on into stamps and values; stop before the first that is not plain.

    `text` ends with a line feed, and there is a row for each of its lines. Returns the position of the line not taken,
    or the end; and the number of rows.
    """
    if text.size and text[-1] != NEWLINE:
        raise ValueError("text must end with a line feed")
    parsed = load()[1].tapsig_parse_lines(pointer(text), start, text.size, line, pointer(stamps), pointer(values))
    return parsed.position, parsed.rows


def scan_steps(
    ticks: FloatArray, shortest_loss: float, shortest_gap: float, edges: IntArray
) -> tuple[int, int, int, float, float]:
    """Classify and count the steps between stamps.

    Fills `edges` with the first samples after steps above `shortest_gap`, as many as fit. Returns how many those are;
    steps of 0; steps above `shortest_loss` that are no gap; their sum; the sum of all steps that are no gap.
    """
    found = load()[1].tapsig_scan_steps(
        pointer(ticks), ticks.size, shortest_loss, shortest_gap, pointer(edges), edges.size
    )
    return found.gaps, found.zeros, found.losses, found.lost, found.steady


def measure_stretch(
    ticks: FloatArray, start: int, stop: int, origin: float, period: float, shortest_loss: float
) -> tuple[float, float, float, float]:
    """Deviation of the stamps of samples [start, stop) from an even grid, and variation of their steps.

    With the deviations stamp - (origin + index * period): returns their mean, least and greatest, and the standard
    deviation of the steps up to `shortest_loss` (nan without any).
    """
    found = load()[1].tapsig_measure_stretch(pointer(ticks), start, stop, origin, period, shortest_loss)
    return found.mean, found.least, found.greatest, math.sqrt(found.variance) if found.steps else math.nan
