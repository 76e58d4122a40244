"""Duty cycle to current to days: worked numbers, the differential equation itself, and a simulated calendar."""

import dataclasses
import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from tapsig.errors import ParameterError
from tapsig.risks.standby import BATTERIES, DAY_S, MONTH_DAYS, Battery, DutyCycle, compute_days, compute_sensitivity

QUIET = DutyCycle(wakes_per_day=0, false_wakes_per_day=0, releases_per_day=0)


def test_average_current_is_the_sum_of_shares_of_time() -> None:
    # Arithmetic: 8 mA during 1 % and 5 uA during 99 % of the time average 84.95 uA.
    duty = dataclasses.replace(QUIET, sleep_ua=5.0, awake_ma=8.0, sampling_hz=10.0, sample_s=1e-3)
    assert duty.average_ua == pytest.approx(84.95, abs=1e-9)


def test_one_release_pulse_a_day_adds_its_charge() -> None:
    # Arithmetic: 150 mA for 0.25 s is 37.5 mC; over 86400 s that is 0.434 uA.
    with_pulse = dataclasses.replace(QUIET, releases_per_day=1.0)
    assert with_pulse.average_ua - QUIET.average_ua == pytest.approx(37.5e3 / 86400, rel=1e-9)


@pytest.mark.parametrize("rate_per_day", [1.0, 100.0, 1440.0, 20000.0])
def test_share_of_time_awake_equals_that_of_a_simulated_calendar(rate_per_day: float) -> None:
    rng = np.random.default_rng(7)
    events = np.cumsum(rng.exponential(DAY_S / rate_per_day, 100_000))
    awake = np.minimum(np.diff(events), 60.0).sum() / (events[-1] - events[0])
    duty = DutyCycle(wakes_per_day=0, false_wakes_per_day=rate_per_day, awake_s=60.0)
    assert duty.awake_share == pytest.approx(awake, rel=0.02)


def test_awake_all_the_time_never_draws_more_than_awake() -> None:
    duty = dataclasses.replace(QUIET, false_wakes_per_day=1e9)
    assert duty.average_ua == pytest.approx(duty.awake_ma * 1e3)


@pytest.mark.parametrize("loss", [0.0, 0.001, 0.05, 0.3])
@pytest.mark.parametrize("average_ua", [5.0, 85.0, 30000.0])
def test_days_solve_the_equation_of_a_leaking_battery(loss: float, average_ua: float) -> None:
    # scipy integrates dq/dt = -I - s q on its own.
    battery = Battery("test", 60.0, 0.3, loss)
    days = compute_days(average_ua, battery)
    s = -math.log(1 - loss) / MONTH_DAYS
    solution = solve_ivp(lambda _, q: -average_ua * 24e-6 - s * q, (0, days), [60.0], rtol=1e-10, atol=1e-12)
    assert solution.y[0, -1] == pytest.approx(60.0 * 0.7, rel=1e-6)


def test_self_discharge_alone_takes_its_share_in_a_month() -> None:
    battery = Battery("test", 60.0, 0.05, 0.05)
    assert compute_days(0.0, battery) == pytest.approx(MONTH_DAYS)
    assert compute_days(0.0, Battery("test", 60.0)) == math.inf
    assert compute_days(0.0, Battery("test", 60.0, 1.0, 0.05)) == math.inf  # halving never reaches empty


def test_days_shrink_smoothly_towards_no_self_discharge() -> None:
    without = compute_days(100.0, Battery("", 1.0, 0.5))
    assert compute_days(100.0, Battery("", 1.0, 0.5, 1e-12)) == pytest.approx(without)


def test_days_grow_in_proportion_to_capacity_and_the_most_telling_number_comes_first() -> None:
    rows = compute_sensitivity(QUIET, Battery("test", 1.0, 0.4))
    by_name = {row.parameter: row for row in rows}
    assert by_name["capacity_ah"].elasticity == pytest.approx(1.0, abs=1e-6)
    assert by_name["sleep_ua"].elasticity == pytest.approx(-1.0, abs=1e-6)
    assert by_name["awake_ma"].elasticity == 0.0  # it is never awake
    swings = [abs(math.log(row.days_with_double / row.days_with_half)) for row in rows]
    assert swings == sorted(swings, reverse=True)
    base = compute_days(QUIET.average_ua, Battery("test", 1.0, 0.4))
    assert by_name["capacity_ah"].days_with_double == pytest.approx(2 * base)


def test_sensitivity_stays_within_what_a_share_can_be() -> None:
    battery = Battery("test", 1.0, 0.8, 0.7)
    rows = {row.parameter: row for row in compute_sensitivity(dataclasses.replace(QUIET, sampling_hz=9000.0), battery)}
    assert rows["usable_share"].days_with_double == compute_days(
        dataclasses.replace(QUIET, sampling_hz=9000.0).average_ua, dataclasses.replace(battery, usable_share=1.0)
    )
    assert math.isfinite(rows["sampling_hz"].days_with_double)
    assert math.isfinite(rows["self_discharge_per_month"].days_with_double)


def test_nothing_matters_to_a_battery_that_nothing_drains() -> None:
    assert compute_sensitivity(dataclasses.replace(QUIET, sleep_ua=0.0), Battery("test", 1.0)) == ()


@pytest.mark.parametrize(
    ("of", "field", "value"),
    [
        (QUIET, "awake_ma", -1.0),
        (QUIET, "sleep_ua", math.nan),
        (QUIET, "sampling_hz", 20000.0),
        (QUIET, "awake_s", math.inf),
        (BATTERIES[0], "capacity_ah", 0.0),
        (BATTERIES[0], "usable_share", 0.0),
        (BATTERIES[0], "usable_share", 1.5),
        (BATTERIES[0], "self_discharge_per_month", 1.0),
    ],
)
def test_a_duty_cycle_or_battery_outside_its_range_is_refused_by_name(of: object, field: str, value: float) -> None:
    with pytest.raises(ParameterError, match=field):
        dataclasses.replace(of, **{field: value})  # type: ignore[type-var]
