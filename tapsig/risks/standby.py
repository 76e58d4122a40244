"""Days on a battery from a duty cycle, and their sensitivity to each parameter.

Currents are drawn from the battery and include the regulator's. Unless stated otherwise, defaults are common practice,
no source: measure your own board.
"""

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from tapsig.errors import ParameterError
from tapsig.units import check_positive, check_range

DAY_S = 86400.0
MONTH_DAYS = 365.25 / 12
MOST = 1e9
"""Largest value of each figure of a duty cycle, in its unit."""


@dataclass(frozen=True, slots=True)
class DutyCycle:
    """The controller's currents, and how often it wakes.

    Parameters
    ----------
    sleep_ua : asleep, with the wake comparator.
    awake_ma : awake and sampling.
    awake_s : time from the last event until the controller goes to sleep.
    wakes_per_day, false_wakes_per_day : wanted and unwanted events that wake it or keep it awake, as Poisson processes;
        clustered events keep it awake for less time.
    sampling_hz, sample_s : a controller that wakes by its clock takes samples at this rate, each for `sample_s` at the
        awake current. 0 Hz = woken by a comparator. A controller that never sleeps has sampling_hz * sample_s = 1.
    release_ma, release_s, releases_per_day : the release pulse.
    other_ma : other loads on the same battery; a parked vehicle draws 25 to 50 mA at most (usual limit).
    """

    sleep_ua: float = 10.0
    awake_ma: float = 8.0
    awake_s: float = 60.0
    wakes_per_day: float = 4.0
    false_wakes_per_day: float = 20.0
    sampling_hz: float = 0.0
    sample_s: float = 100e-6
    release_ma: float = 150.0
    release_s: float = 0.25
    releases_per_day: float = 2.0
    other_ma: float = 0.0

    def __post_init__(self) -> None:
        for field in dataclasses.fields(self):
            check_range(field.name, getattr(self, field.name), 0, MOST)
        if self.sampling_hz * self.sample_s > 1:
            raise ParameterError(
                f"sampling_hz is {self.sampling_hz!r}; with {self.sample_s:g} s a sample it can be at most"
                f" {1 / self.sample_s:g}"
            )
        if self.releases_per_day * self.release_s > DAY_S:
            raise ParameterError(
                f"releases_per_day is {self.releases_per_day!r}; with {self.release_s:g} s a release it can be at most"
                f" {DAY_S / self.release_s:g}"
            )

    @property
    def awake_share(self) -> float:
        """Share of the time awake: 1 - exp(-rate * awake_s), the chance of a Poisson event within the last awake_s."""
        return -math.expm1(-(self.wakes_per_day + self.false_wakes_per_day) / DAY_S * self.awake_s)

    @property
    def parts_ua(self) -> Mapping[str, float]:
        """Average current in microamperes by cause; they add up to `average_ua`.

        >>> duty = DutyCycle(sleep_ua=5, awake_ma=8, awake_s=60, wakes_per_day=0, false_wakes_per_day=0)
        >>> sum(duty.parts_ua.values()) == duty.average_ua
        True
        """
        awake = self.awake_share
        sampling = self.sampling_hz * self.sample_s
        wanted = self.wakes_per_day / ((self.wakes_per_day + self.false_wakes_per_day) or 1.0)
        return MappingProxyType(
            {
                "asleep": (1 - awake) * (1 - sampling) * self.sleep_ua,
                "sampling": (1 - awake) * sampling * self.awake_ma * 1e3,
                "awake for wanted events": awake * wanted * self.awake_ma * 1e3,
                "awake for false ones": awake * (1 - wanted) * self.awake_ma * 1e3,
                "release": self.releases_per_day * self.release_s / DAY_S * self.release_ma * 1e3,
                "other": self.other_ma * 1e3,
            }
        )

    @property
    def average_ua(self) -> float:
        """Average current in microamperes: the sum of each share of time times its current."""
        return math.fsum(self.parts_ua.values())


@dataclass(frozen=True, slots=True)
class Battery:
    """A battery: its capacity, the share of it that may be used, and its self-discharge.

    `self_discharge_per_month` is the share of the remaining charge lost in a month (365.25/12 days).
    `peak_ma` is the current that it can deliver for a second; inf = no limit here.
    """

    name: str
    capacity_ah: float
    usable_share: float = 1.0
    self_discharge_per_month: float = 0.0
    peak_ma: float = math.inf

    def __post_init__(self) -> None:
        check_positive("capacity_ah", self.capacity_ah)
        if check_range("usable_share", self.usable_share, 0, 1) == 0:
            raise ParameterError(f"usable_share is {self.usable_share!r}; it must be above 0, and at most 1")
        if check_range("self_discharge_per_month", self.self_discharge_per_month, 0, 1) == 1:
            raise ParameterError("self_discharge_per_month is 1; it must be below 1 (0.05 = 5 % a month)")


# Capacities and self-discharge are nominal, from memory of data sheets. Lead-acid loses 4 to 6 % a month (sources
# disagree); that a starter battery still cranks at 70 % is common practice, no source.
BATTERIES: tuple[Battery, ...] = (
    Battery("starter 12 V 60 Ah", 60.0, 0.3, 0.05),
    Battery("lead-acid 12 V 7 Ah", 7.0, 0.8, 0.04),
    Battery("4 alkaline AA", 2.5, 0.8, 0.002),
    Battery("lithium coin cell 3 V", 0.22, 0.8, 0.001, peak_ma=15.0),
)


def compute_days(average_ua: float, battery: Battery) -> float:
    """Days until `average_ua` and self-discharge have used the usable share of `battery`; inf if never.

    The charge q obeys dq/dt = -I - s q with s = -ln(1 - self-discharge a month) / month, hence
    t = ln((q0 + I/s) / (q1 + I/s)) / s, and (q0 - q1) / I without self-discharge.

    >>> round(compute_days(1000, Battery("", capacity_ah=0.24)), 9)
    10.0
    """
    current = check_range("average_ua", average_ua, 0, math.inf) * 1e-6 * 24  # Ah a day
    used = battery.capacity_ah * battery.usable_share
    left = battery.capacity_ah - used
    loss = -math.log1p(-battery.self_discharge_per_month) / MONTH_DAYS
    if loss == 0:
        return used / current if current else math.inf
    floor = left + current / loss
    return math.log1p(used / floor) / loss if floor else math.inf


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """Days with half and twice the value of one parameter; `elasticity` = % of days per % of the parameter."""

    parameter: str
    value: float
    days_with_half: float
    days_with_double: float
    elasticity: float


def compute_sensitivity(duty: DutyCycle, battery: Battery) -> tuple[Sensitivity, ...]:
    """Sensitivity to each parameter of `duty` and `battery`, the largest effect first; zeros are left out.

    A share above one half cannot double and is set to its limit instead. Empty when the battery is never drained.
    """
    rows: list[Sensitivity] = []
    if not math.isfinite(compute_days(duty.average_ua, battery)):
        return ()
    for field in (*dataclasses.fields(duty), *dataclasses.fields(battery)):
        value = getattr(duty if hasattr(duty, field.name) else battery, field.name)
        if field.name in ("name", "peak_ma") or not value:
            continue
        high = min(value * 1.0001, _compute_ceiling(duty, field.name))
        low = value * 0.9999
        change = math.log(_compute_days_with(duty, battery, field.name, high))
        change -= math.log(_compute_days_with(duty, battery, field.name, low))
        double = min(value * 2.0, _compute_ceiling(duty, field.name))
        rows.append(
            Sensitivity(
                field.name,
                float(value),
                _compute_days_with(duty, battery, field.name, value / 2),
                _compute_days_with(duty, battery, field.name, double),
                change / math.log(high / low),
            )
        )
    return tuple(sorted(rows, key=lambda row: abs(math.log(row.days_with_double / row.days_with_half)), reverse=True))


def _compute_days_with(duty: DutyCycle, battery: Battery, name: str, value: float) -> float:
    if hasattr(duty, name):
        return compute_days(dataclasses.replace(duty, **{name: value}).average_ua, battery)
    changes: dict[str, Any] = {name: value}
    return compute_days(duty.average_ua, dataclasses.replace(battery, **changes))


def _compute_ceiling(duty: DutyCycle, name: str) -> float:
    """The largest value of the field `name`, given the others."""
    ceilings = {"usable_share": 1.0, "self_discharge_per_month": 0.999}
    if duty.sampling_hz:
        ceilings |= {"sampling_hz": 1 / duty.sample_s, "sample_s": 1 / duty.sampling_hz}
    if duty.releases_per_day and duty.release_s:
        ceilings |= {"releases_per_day": DAY_S / duty.release_s, "release_s": DAY_S / duty.releases_per_day}
    return min(ceilings.get(name, MOST), MOST)
