"""The columns of a log by its header: times, values with their units, line numbers, and other data."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from tapsig.units import TIME_UNITS, VOLT_UNITS

WORD = re.compile(r"[a-zµμ%]+")
BRACKET = re.compile(r"[(\[]([^)\]]*)[)\]]")
FIGURE = re.compile(r"(?<![A-Za-z_\d])\d+(?:\.\d+)?\s*(?:m?v|volts?|bits?|[km]?hz)\b", re.IGNORECASE)
"""A figure with its unit: a line that has one and names no time column is a remark, not a header."""
FACTOR = re.compile(r"(?:(?<![a-z])x|[×*/÷])\s*\d|\d\s*[x×*](?![a-z])|\d[eE][+-]?\d|10\s*\^")
"""A factor beside a unit, such as `volts x10`, whose direction is ambiguous."""


def split_words(text: str) -> frozenset[str]:
    """The words of a text."""
    return frozenset(text.split())


TIME_WORDS = split_words("time t dt timestamp stamp elapsed uptime clock date datetime zeit uhrzeit datum")
STEP_WORDS = split_words("dt delta diff interval step")
COUNT_WORDS = split_words("adc count counts raw code lsb")
INDEX_WORDS = split_words("index idx line no nr n i seq sequence counter frame packet id")
OTHER_WORDS = split_words(
    """
    temp temperature degc humidity pressure battery vbat vcc
    min max minimum maximum lo hi low high lower upper limit threshold
    label event trigger flag
    """
)
"""Words of columns beside a signal: what else was measured, and the fixed lines of a plotter."""
FOREIGN_UNITS = split_words("db dbv dbu dbfs ma ua na pa kpa psi pc nc vrms mvrms vpp mvpp vac %")


@dataclass(frozen=True, slots=True)
class Column:
    """One column by its header.

    `kind` is "time", "value", "other" (a value that is not the signal) or "index". `unit` of a time is a key of
    `tapsig.units.SECONDS`; of a value "V", "counts", or "?" for an unknown unit; "" if none is named. `step`: each
    time is the time since the previous line.
    """

    kind: str
    unit: str = ""
    scale_v: float = 1.0
    step: bool = False


def describe_column(name: str) -> Column:
    """The column that a header cell describes.

    >>> describe_column("time (µs)").unit, describe_column("a0_mv").scale_v, describe_column("v_raw").unit
    ('us', 0.001, 'counts')
    >>> describe_column("volts x10").unit
    '?'
    """
    bracket = BRACKET.search(name.lower())
    inside = bracket[1].strip() if bracket else ""
    bare = BRACKET.sub(" ", name.lower())
    words = WORD.findall(FIGURE.sub(" ", bare))
    timed = [TIME_UNITS[word] for word in (inside, *words) if word in TIME_UNITS]
    if (timed or TIME_WORDS.intersection(words)) and inside not in VOLT_UNITS:
        return Column("time", timed[0] if timed else "", step=not STEP_WORDS.isdisjoint(words))
    if name.strip() in ("", "#") or (INDEX_WORDS.intersection(words) and not COUNT_WORDS.intersection(words)):
        return Column("index")
    unit, scale_v = _value_unit(name.lower(), words, inside)
    return Column("other" if OTHER_WORDS.intersection(words) else "value", unit, scale_v)


def _value_unit(name: str, words: Sequence[str], inside: str) -> tuple[str, float]:
    """The unit of a value, and volts of one: from the text in brackets, otherwise from the last word."""
    units = [word for word in words if word in VOLT_UNITS]
    counted = not COUNT_WORDS.isdisjoint((*words, inside))
    if inside in VOLT_UNITS:
        return "V", VOLT_UNITS[inside]
    if (units or counted) and FACTOR.search(FIGURE.sub(" ", name)):
        return "?", 1.0
    if counted and (inside or words[-1] not in VOLT_UNITS or FIGURE.search(name)):
        return "counts", 1.0  # `adc (5 V)`: counts and their span; `v_raw`: counts; but `adc_mv`: volts
    if inside and "v" not in words and units:
        return "V", VOLT_UNITS[units[-1]]  # `volts (A0)`
    if inside or FOREIGN_UNITS.intersection(words) or len({VOLT_UNITS[word] for word in units}) > 1:
        return "?", 1.0  # `v (dBV)`, `level_db`
    return ("V", VOLT_UNITS[units[-1]]) if units else ("", 1.0)
