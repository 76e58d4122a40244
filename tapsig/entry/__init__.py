"""From taps, or from candidates with their evidence, to digits and to the verdict on an entry."""

from tapsig.entry.machine import Entry, EntryMachine, State, Verdict, check_code, decode_taps, parse_code
from tapsig.entry.parameters import MILLISECONDS, EntryParameters, to_ms

__all__ = [
    "MILLISECONDS",
    "Entry",
    "EntryMachine",
    "EntryParameters",
    "State",
    "Verdict",
    "check_code",
    "decode_taps",
    "parse_code",
    "to_ms",
]
