"""Why an entry did not come out as the code: which digit, and which tap or pause may be to blame."""

import itertools
import statistics
from collections.abc import Sequence

from tapsig.entry.evidence import EvidenceEntry
from tapsig.entry.machine import Entry, Verdict
from tapsig.entry.parameters import EntryParameters

LONG_GAP = 1.6  # times the usual gap: a tap may be missing (two usual gaps are 2, a hand's spread is a few per cent)
SHORT_GAP = 0.5  # times the usual gap: one tap may have been detected twice
NEAR_PAUSE = 0.15  # a gap this near the digit pause (as a share of it) could have fallen on the other side


def explain_entry(
    entry: Entry,
    code: Sequence[int],
    parameters: EntryParameters,
    *,
    missed_s: Sequence[float] = (),
    spurious_s: Sequence[float] = (),
    left_out_s: Sequence[float] = (),
) -> tuple[str, ...]:
    """What is wrong with `entry`, as sentences; empty when its digits are the code.

    Where labels are at hand, the fault is known: `missed_s` and `spurious_s` (seconds) are labelled taps that were
    missed and false taps, which are not labelled; `left_out_s` are labelled taps whose candidate the decoder evidence
    did not take. Otherwise the rhythm of the entry tells where to look, and by the rule its pauses do.

    >>> from tapsig.entry import decode_taps
    >>> [entry] = decode_taps([0.0, 0.4, 2.0, 2.4, 3.2])
    >>> for line in explain_entry(entry, (2, 4), EntryParameters()):
    ...     print(line)
    digit 2: 3 taps, the code has 4
    between 2.400 and 3.200 s (0.800 s) there is room for one more tap of this rhythm
    """
    if entry.digits == tuple(code):
        return ()
    lines = [*_compare_digits(entry, code, parameters)]
    start, stop = entry.start_s - parameters.entry_silence_s, entry.end_s
    known = []
    for kind, times in (("missed", missed_s), ("left-out", left_out_s), ("false", spurious_s)):
        inside = [f"{time_s:.3f}" for time_s in times if start <= time_s <= stop]
        if inside:
            known.append(f"{kind} tap{'s' * (len(inside) > 1)} at {', '.join(inside)} s")
    pauses = [] if isinstance(entry, EvidenceEntry) else _suspect_pauses(entry, parameters)
    return (*lines, *(known or _suspect_rhythm(entry)), *pauses)


def _compare_digits(entry: Entry, code: Sequence[int], parameters: EntryParameters) -> list[str]:
    heard = entry.digits
    if len(heard) != len(code):
        return [f"{len(heard)} digit{'s' * (len(heard) != 1)} ({entry}), the code has {len(code)}"]
    if entry.verdict is Verdict.VOID:
        return [f"{entry}: no digit may be above {parameters.digit_max}"]
    return [
        f"digit {number}: {have} tap{'s' * (have != 1)}, the code has {want}"
        for number, (have, want) in enumerate(zip(heard, code, strict=True), start=1)
        if have != want
    ]


def _suspect_rhythm(entry: Entry) -> list[str]:
    gaps = [(before, after) for digit in entry.digits_taps_s for before, after in itertools.pairwise(digit)]
    if len(gaps) < 2:
        return []
    usual = statistics.median_low([after - before for before, after in gaps])
    lines = []
    for before, after in gaps:
        ratio = (after - before) / usual if usual else 1.0
        if ratio >= LONG_GAP:
            lines.append(
                f"between {before:.3f} and {after:.3f} s ({after - before:.3f} s) there is room"
                " for one more tap of this rhythm"
            )
        elif ratio <= SHORT_GAP:
            lines.append(f"the taps at {before:.3f} and {after:.3f} s may be one tap detected twice")
    return lines


def _suspect_pauses(entry: Entry, parameters: EntryParameters) -> list[str]:
    if parameters.tolerance:  # the limit moved while the entry went on
        return []
    limit = parameters.digit_pause_s
    lines = []
    for before, after in itertools.pairwise(entry.taps_s):
        gap = after - before
        if limit * (1 - NEAR_PAUSE) <= gap <= limit:
            lines.append(f"the gap of {gap:.3f} s before {after:.3f} s is within a digit (up to {limit:g} s)")
        elif limit < gap <= limit * (1 + NEAR_PAUSE):
            lines.append(f"the gap of {gap:.3f} s before {after:.3f} s starts a new digit (over {limit:g} s)")
    return lines
