"""Risk and standby current over a year of parking and 1000 km of driving, each scene weighted by its hours."""

import itertools
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

from tapsig.entry import EntryParameters
from tapsig.errors import ParameterError
from tapsig.records import Recording
from tapsig.results import compute_ratio
from tapsig.risks.entries import RiskQuestion, RiskRow, assess_observation
from tapsig.risks.nuisance import YEAR_HOURS
from tapsig.risks.observation import Observation
from tapsig.risks.standby import Battery, DutyCycle, compute_days
from tapsig.risks.wake_up import WakeUp, WakeUpTally, build_duty, tally_wake_up
from tapsig.units import check_positive, db_to_amplitude

DRIVING = "driving"

PARKED_HOURS: Mapping[str, float] = {
    "rain": 500.0,
    "hail": 2.0,
    "wind": 400.0,
    "slam": 20.0,
    "music": 50.0,
    "rattle": 20.0,
    "whine": 50.0,
    "brush": 2.0,
    "lean": 2.0,
    "truck": 100.0,
    "handling": 10.0,
}
"""Hours a year of each nuisance around a parked vehicle; the rest is quiet. Assumptions, no source."""

ESTIMATES = ("seen", "bound", "poisson", "gaps")
"""Of wrong openings (see `tapsig.risks.entries`)."""
WAKE_LEVELS_V = (0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0)


def complete_year(parked_hours: Mapping[str, float]) -> dict[str, float]:
    """The hours of each scene in a year of parking; "quiet" takes the remainder.

    >>> round(complete_year({"rain": 766.0})["quiet"])
    8000

    Raises ParameterError for hours below 0, or a sum above one year.
    """
    named = {scene: float(hours) for scene, hours in parked_hours.items() if scene != "quiet"}
    rest = YEAR_HOURS - math.fsum(named.values())
    if rest < 0 or min(named.values(), default=0.0) < 0:
        raise ParameterError(
            f"hours of parking are {named!r}; each must be 0 or above, and all together at most {YEAR_HOURS:g}"
        )
    return {**named, "quiet": rest}


@dataclass(frozen=True, slots=True)
class RiskSummary:
    """One detector at one position over all scenes, weighted by their hours, by one decoder.

    `success` pools the entries of all scenes but driving; `success_model` is the model's value for them.
    `wrong_per_year_…` are wrong openings in a year of parking, `wrong_per_1000_km_…` per 1000 km of driving.
    `failures_per_day` counts the wrong entries by false taps while parked. Each figure covers the scenes in
    which it is defined; `uncovered_h` are the hours of scenes whose bound is undefined: not recorded, or only in
    segments that are too short.
    """

    detector: str
    decoder: str
    position: str
    entries: int
    success: float
    success_low: float
    success_high: float
    success_model: float
    failures_per_day: float
    wrong_per_year_seen: float
    wrong_per_year_bound: float
    wrong_per_year_poisson: float
    wrong_per_year_gaps: float
    uncovered_h: float
    wrong_per_1000_km_seen: float
    wrong_per_1000_km_bound: float
    wrong_per_1000_km_poisson: float
    tap_free_h: float
    exposure_h: float


def summarise_risk(
    observations: Mapping[tuple[str, str, str], Observation],
    question: RiskQuestion,
    *,
    parked_hours: Mapping[str, float] = PARKED_HOURS,
    speed_km_h: float = 40.0,
) -> tuple[RiskSummary, ...]:
    """Risk by detector, position and decoder; the sum of the scenes' bounds is a conservative bound.

    Raises ParameterError when the hours of the scenes add up to more than a year.
    """
    hours = complete_year(parked_hours)
    summaries = []
    per_1000_km = 1000 / check_positive("speed_km_h", speed_km_h) / YEAR_HOURS
    for (detector, position), group in itertools.groupby(sorted(observations), key=lambda key: key[:2]):
        scenes = {scene: observations[detector, position, scene] for _, _, scene in group}
        pooled = sum((seen for scene, seen in scenes.items() if scene != DRIVING), Observation())
        for decoder in next(iter(scenes.values())).decoders:
            assess = partial(
                assess_observation, question=question, detector=detector, position=position, decoder=decoder
            )
            rows = {scene: assess(seen, scene=scene) for scene, seen in scenes.items()}
            whole = assess(pooled, scene="parked")
            driving = rows.get(DRIVING)
            summaries.append(
                RiskSummary(
                    detector,
                    decoder,
                    position,
                    whole.entries,
                    whole.success,
                    whole.success_low,
                    whole.success_high,
                    success_model=_compute_mean_model(list(rows.values())),
                    failures_per_day=_weigh(rows, "failures_per_day", hours),
                    **{f"wrong_per_year_{name}": _weigh(rows, f"per_year_{name}", hours) for name in ESTIMATES},
                    **{
                        f"wrong_per_1000_km_{name}": getattr(driving, f"per_year_{name}", math.nan) * per_1000_km
                        for name in ESTIMATES[:3]
                    },
                    uncovered_h=YEAR_HOURS - math.fsum(_list_covered(rows, "per_year_bound", hours).values()),
                    tap_free_h=math.fsum(row.tap_free_h for row in rows.values()),
                    exposure_h=math.fsum(row.exposure_h for row in rows.values()),
                )
            )
    return tuple(summaries)


def _compute_mean_model(rows: Sequence[RiskRow]) -> float:
    """Mean of the scenes' model success, weighted by entries."""
    used = [row for row in rows if row.entries and row.scene != DRIVING]
    entries = sum(row.entries for row in used)
    return compute_ratio(math.fsum(row.success_model * row.entries for row in used), entries)


def _list_covered(rows: Mapping[str, RiskRow], name: str, hours: Mapping[str, float]) -> dict[str, float]:
    """Hours of the scenes in which the figure `name` is defined."""
    return {scene: hours[scene] for scene in hours if scene in rows and not math.isnan(getattr(rows[scene], name))}


def _weigh(rows: Mapping[str, RiskRow], name: str, hours: Mapping[str, float]) -> float:
    """Sum of a yearly figure over the scenes, weighted by hours; nan when it is defined in none."""
    covered = _list_covered(rows, name, hours)
    if not covered:
        return math.nan
    return math.fsum(getattr(rows[scene], name) * hours / YEAR_HOURS for scene, hours in covered.items())


@dataclass(frozen=True, slots=True)
class StandbySummary:
    """A comparator at one position over a year of parking: level, missed and false wake-ups, days on a battery."""

    position: str
    level_v: float
    entries: int
    missed_entries: float
    missed_first_taps: float
    false_wakes_per_day: float
    awake_share: float
    average_ua: float
    days: float


def tally_comparators(
    recordings: Iterable[Recording], parameters: EntryParameters, *, levels_v: Sequence[float] = WAKE_LEVELS_V
) -> dict[tuple[str, str, float], WakeUpTally]:
    """A comparator at each level on each labelled recording, by position, scene and level."""
    tallies: dict[tuple[str, str, float], WakeUpTally] = {}
    for recording in recordings:
        if recording.labels is None:
            continue
        for level_v in levels_v:
            key = (recording.position, recording.scene, level_v)
            tally = tally_wake_up(WakeUp("comparator", level_v=level_v), recording, parameters)
            tallies[key] = tallies.get(key, WakeUpTally()) + tally
    return tallies


def choose_level_v(
    tallies: Mapping[tuple[str, str, float], WakeUpTally],
    position: str,
    *,
    missed_share: float = 0.02,
    reserve_db: float = 6.0,
) -> float:
    """The level to set: `reserve_db` below the highest at which at most `missed_share` of the entries fail to wake it.

    It is one of the levels in `tallies`; nan when none is low enough, or without entries. The reserve allows for
    another hand and another sensor (6 dB is common practice, no source). Evaluate it on other recordings than these.
    """
    levels = sorted({level_v for where, _, level_v in tallies if where == position}, reverse=True)
    for highest_v in levels:
        total = sum((tally for key, tally in tallies.items() if key[::2] == (position, highest_v)), WakeUpTally())
        if total.missed_entries_share <= missed_share:
            limit_v = highest_v / db_to_amplitude(reserve_db) * (1 + 1e-9)
            return max((level_v for level_v in levels if level_v <= limit_v), default=math.nan)
    return math.nan


def summarise_standby(
    tallies: Mapping[tuple[str, str, float], WakeUpTally],
    position: str,
    level_v: float,
    *,
    duty: DutyCycle,
    battery: Battery,
    parked_hours: Mapping[str, float] = PARKED_HOURS,
) -> StandbySummary:
    """A comparator at `level_v` over a year of parking, from the recorded scenes, weighted by their hours."""
    hours = complete_year(parked_hours)
    scenes = {scene: tally for (where, scene, level), tally in tallies.items() if (where, level) == (position, level_v)}
    covered = {scene: hours[scene] for scene in hours if scene in scenes and scenes[scene].tap_free_s > 0}
    whole = sum((tally for scene, tally in scenes.items() if scene != DRIVING), WakeUpTally())
    duties = {scene: build_duty(WakeUp("comparator", level_v=level_v), scenes[scene], duty) for scene in covered}

    def mean(name: str) -> float:
        total = math.fsum(getattr(duties[scene], name) * share for scene, share in covered.items())
        return compute_ratio(total, math.fsum(covered.values()))

    current_ua = mean("average_ua")
    return StandbySummary(
        position,
        level_v,
        whole.firsts,
        whole.missed_entries_share,
        whole.missed_share,
        mean("false_wakes_per_day"),
        mean("awake_share"),
        current_ua,
        math.nan if math.isnan(current_ua) else compute_days(current_ua, battery),
    )
