"""What to record next: the most useful step first, each for a reason that the recordings themselves give."""

from collections.abc import Collection
from dataclasses import dataclass

from tapsig.analysis.faults import HealthFinding

ENOUGH_TAPS = 40
"""Taps that `tapsig fit` can use (see README); fewer also leave wide intervals."""
ENOUGH_HOURS = 3.0
"""Hours without a false tap that bound the rate to one an hour: the rule of three, 3/n (Jovanovic & Levy 1997)."""
USUAL_NUISANCES = ("rain", "driving", "slam", "music")


@dataclass(frozen=True, slots=True)
class Held:
    """What there is: of one recording or of a corpus."""

    labelled: bool
    taps: int
    tap_free_hours: float
    positions: Collection[str]
    scenes: Collection[str]
    findings: Collection[HealthFinding]
    simulated: bool = False


def advise_next(held: Held) -> tuple[str, ...]:
    """Sentences, the most useful first."""
    steps = []
    if held.simulated:
        steps.append("A recording of your own door: these are simulated, and say nothing of its accuracy.")
    faults = [finding for finding in held.findings if finding.severity == "error"]
    steps += [f"The same once more without the fault '{fault.code}': {fault.advice}." for fault in faults[:3]]
    if not held.labelled:
        steps.append(
            "Nothing yet: label this one first. tapsig propose FILE --out proposed.csv proposes labels, and"
            " tapsig review FILE --labels proposed.csv --out review.html makes the page to correct"
            " them."
        )
    elif held.taps < ENOUGH_TAPS:
        steps.append(
            f"More taps in quiet: {ENOUGH_TAPS} or more from the same position; there are {held.taps}. Fewer"
            " leave wide intervals, and tapsig fit needs them."
        )
    if len([name for name in held.positions if name]) < 2:
        steps.append(
            "The same taps at a second position, best on another channel at the same time, so that tapsig"
            " positions can compare the two."
        )
    if held.tap_free_hours < ENOUGH_HOURS:
        steps.append(
            f"What must not count, without any tap and with a label file that has no rows: {ENOUGH_HOURS:g} hours"
            f" without a false tap show that there is less than one an hour (95 %, rule of three); there are"
            f" {_describe_hours(held.tap_free_hours)}."
        )
    missing = [name for name in USUAL_NUISANCES if name not in held.scenes]
    if missing:
        steps.append(f"Scenes that are not among these: {', '.join(missing)}.")
    return tuple(steps)


def _describe_hours(hours: float) -> str:
    if hours <= 0:
        return "none"
    return f"{hours:.1f} hours" if hours >= 1 else f"{60 * hours:.1f} minutes"
