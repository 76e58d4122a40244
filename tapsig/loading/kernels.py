"""The two inner loops of reading a log, compiled: lines of plain numbers to columns, and stamps to their steps."""

import numpy as np
import numpy.typing as npt
from numba import njit

from tapsig.units import FloatArray, IntArray

ByteArray = npt.NDArray[np.uint8]

NEWLINE, SPACE, NUL = 10, 32, 0
PLUS, MINUS, ZERO = 43, 45, 48
MOST_DIGITS = 18  # which an integer of 64 bits can hold
LARGEST_EXACT = 1 << 53  # up to it, mantissa and power of ten are exact, and so their quotient is correctly rounded
POWERS = 10.0 ** np.arange(MOST_DIGITS + 1)


@njit(cache=True, nogil=True)
def parse_lines(
    text: ByteArray,
    start: int,
    delimiter: int,
    decimal: int,
    columns: int,
    trailing: bool,
    time: int,
    value: int,
    stamps: FloatArray,
    values: FloatArray,
    row: int,
) -> tuple[int, int]:
    """Parse lines from `start` on into stamps[row:] and values[row:]; stop before the first that is not plain.

    A plain line has `columns` cells (and a delimiter at its end if `trailing`), and a decimal number, of digits up to
    2**53, in the columns `time` (-1 = none) and `value`. Returns (position of the line not taken, or the end; rows).
    """
    end = np.uint64(text.size)
    at = line = np.uint64(start)  # unsigned: an index that may be negative costs a branch a byte
    one, ten, zero = np.uint64(1), np.uint64(10), np.uint8(ZERO)
    while line < end:
        stamp = number = 0.0
        for column in range(columns):
            if column == time or column == value:  # noqa: SIM109 (a tuple would be slower)
                while text[at] == SPACE:
                    at += one
                negative = text[at] == MINUS
                if negative or text[at] == PLUS:
                    at += one
                first, mantissa, result = at, np.uint64(0), 0.0
                digit = np.uint8(text[at] - zero)
                while digit <= 9:
                    mantissa = mantissa * ten + np.uint64(digit)
                    at += one
                    digit = np.uint8(text[at] - zero)
                digits = at - first
                if text[at] == decimal:
                    at += one
                    first = at
                    digit = np.uint8(text[at] - zero)
                    while digit <= 9:
                        mantissa = mantissa * ten + np.uint64(digit)
                        at += one
                        digit = np.uint8(text[at] - zero)
                    decimals = at - first
                    digits += decimals
                    if digits == 0 or digits > MOST_DIGITS or mantissa > LARGEST_EXACT:
                        return int(line), row
                    result = np.float64(np.int64(mantissa)) / POWERS[decimals]
                else:
                    if digits == 0 or digits > MOST_DIGITS or mantissa > LARGEST_EXACT:
                        return int(line), row
                    result = np.float64(np.int64(mantissa))
                if negative:
                    result = -result
                while text[at] == SPACE and delimiter != SPACE:
                    at += one
                if column == time:
                    stamp = result
                else:
                    number = result
            else:
                while text[at] != delimiter and text[at] != NEWLINE:
                    if text[at] == NUL:
                        return int(line), row
                    at += one
            if column < columns - 1 or trailing:
                if text[at] != delimiter:
                    return int(line), row
                at += one
        if text[at] != NEWLINE:
            return int(line), row
        at += one
        line = at
        stamps[row] = stamp
        values[row] = number
        row += 1
    return int(line), row


@njit(cache=True, nogil=True)
def scan_steps(
    ticks: FloatArray, shortest_loss: float, shortest_gap: float, edges: IntArray
) -> tuple[int, int, int, float, float]:
    """Count what the steps between stamps are.

    Fills `edges` with the first samples after steps above `shortest_gap`, as many as fit. Returns how many those are;
    steps of 0; steps above `shortest_loss` that are no gap; their sum; the sum of all steps that are no gap.
    """
    gaps = zeros = losses = 0
    lost = steady = 0.0
    for index in range(1, ticks.size):
        step = ticks[index] - ticks[index - 1]
        if step > shortest_gap:
            if gaps < edges.size:
                edges[gaps] = index
            gaps += 1
            continue
        steady += step
        zeros += step == 0.0
        if step > shortest_loss:
            losses += 1
            lost += step
    return gaps, zeros, losses, lost, steady


@njit(cache=True, nogil=True)
def measure_stretch(
    ticks: FloatArray, start: int, stop: int, origin: float, period: float, shortest_loss: float
) -> tuple[float, float, float, float]:
    """How far the stamps of samples [start, stop) are from an even grid, and how even their steps are.

    With the deviations stamp - (origin + index * period): returns their mean, least and greatest, and the standard
    deviation of the steps up to `shortest_loss` (nan without any).
    """
    total = 0.0
    least, greatest = np.inf, -np.inf
    count = 0
    mean = squares = 0.0
    for index in range(start, stop):
        deviation = ticks[index] - (origin + index * period)
        total += deviation
        least = min(least, deviation)
        greatest = max(greatest, deviation)
        if index > start:
            excess = ticks[index] - ticks[index - 1] - period  # around the period, so that no digits are lost
            if excess + period <= shortest_loss:
                count += 1
                mean += excess
                squares += excess * excess
    spread = np.nan
    if count > 0:
        spread = np.sqrt(max(0.0, squares / count - (mean / count) ** 2))
    return total / (stop - start), least, greatest, spread


@njit(cache=True, nogil=True)
def goes_back(ticks: FloatArray) -> bool:
    """Whether any stamp is below the one before it."""
    back = False
    for index in range(1, ticks.size):
        back |= ticks[index] < ticks[index - 1]
    return back
