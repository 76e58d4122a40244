"""Average current and days on a battery, and their sensitivity to each parameter.

  tapsig standby --sleep-ua 10 --awake-ma 8 --false-wakes-per-day 200
  tapsig standby --battery "starter 12 V 60 Ah" --sensitivity
  tapsig standby first --level-v 0.05 --level-v 0.2

With a corpus, wake-up methods are compared on its labelled recordings: a comparator at each level, periodic sampling,
always on. The controller is asleep before each entry. A table shows the main columns, csv and json all of them:
missed_first_taps is the share of first taps that do not wake it, missed_entries the share of entries in which no tap
does. Of the first taps that wake it: delay_ms is the mean time from the tap to the first sample, peak_lost the share
whose largest swing came before that sample, energy_lost the mean share of the tap's energy before it, first_tap_found
the share that --detector still finds. false_wakes_per_day is measured over tap_free_h, the hours without taps;
awake_share is the share of the day spent awake.
"""

import argparse
import dataclasses
from pathlib import Path

from tapsig.cli.corpus_options import CHOICES, add_corpus_arguments, choose_labelled, list_given
from tapsig.cli.detector_options import load_variants
from tapsig.cli.findings import load_entries
from tapsig.cli.output import add_output_arguments, emit, format_cell, note, refuse_given, render_rows
from tapsig.errors import ParameterError
from tapsig.risks.standby import BATTERIES, MONTH_DAYS, Battery, DutyCycle, compute_days, compute_sensitivity
from tapsig.units import check_range

COLUMNS = ("position", "wake_up", "level_v", "missed_first_taps", "missed_entries", "false_wakes_per_day", "days")
DUTY_HELP = {
    "sleep_ua": "current asleep, with the wake comparator, in µA",
    "awake_ma": "current awake, in mA",
    "awake_s": "time from the last event until it sleeps, in seconds",
    "wakes_per_day": "wanted wake-ups a day",
    "false_wakes_per_day": "unwanted wake-ups a day; with a corpus they are measured",
    "sampling_hz": "samples a second when its clock wakes it; 0 = a comparator does",
    "sample_s": "time awake for one sample, in seconds",
    "release_ma": "current of the release, in mA",
    "release_s": "length of the release pulse, in seconds",
    "releases_per_day": "release pulses a day",
    "other_ma": "other loads on the battery, in mA; a parked vehicle draws up to 25-50",
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("corpus", nargs="?", type=Path, metavar="CORPUS", help="compare wake-up methods on it")
    add_output_arguments(parser)
    parser.add_argument("--sensitivity", action="store_true", help="effect of each parameter on the days")
    duty = parser.add_argument_group("controller")
    for field in dataclasses.fields(DutyCycle):
        duty.add_argument(
            "--" + field.name.replace("_", "-"),
            type=float,
            metavar="X",
            help=f"{DUTY_HELP[field.name]}; default: {field.default:g}",
        )
    battery = parser.add_argument_group("battery")
    names = "; ".join(known.name for known in BATTERIES)
    battery.add_argument("--battery", metavar="NAME", help=f"one of: {names}; default: all, with a corpus the first")
    battery.add_argument("--capacity-ah", type=float, metavar="AH", help="a battery of your own")
    battery.add_argument("--usable-share", type=float, metavar="X", help="share of the capacity that may be used")
    battery.add_argument("--self-discharge", type=float, metavar="X", help="share lost a month, such as 0.05")
    wake = parser.add_argument_group("with a corpus")
    wake.add_argument(
        "--level-v",
        type=float,
        action="append",
        metavar="V",
        help="wake-up level around the bias; repeat for more; default: 0.05, 0.2, 0.5",
    )
    wake.add_argument(
        "--look-hz",
        type=float,
        action="append",
        metavar="HZ",
        help="rate of periodic sampling; repeat for more; default: 100, 1000",
    )
    wake.add_argument("--start-up-s", type=float, metavar="S", help="from waking to the first sample; default: 0.002")
    wake.add_argument(
        "--detector", metavar="NAME", help="start this detector at the wake-up and count the first taps it finds"
    )
    add_corpus_arguments(parser)


def run(args: argparse.Namespace) -> int:
    given = {field.name: getattr(args, field.name) for field in dataclasses.fields(DutyCycle)}
    duty = DutyCycle(**{name: value for name, value in given.items() if value is not None})
    batteries = _choose_batteries(args)
    if args.corpus is not None:
        if args.sensitivity:
            raise ParameterError("--sensitivity and a corpus give two tables; choose one")
        measured = ("false_wakes_per_day", "sampling_hz")
        refuse_given(args, measured, "goes without a corpus, which gives those of each wake-up method (--look-hz)")
        return _run_corpus(args, duty, batteries[0])
    names = ("level_v", "look_hz", "start_up_s", "detector", *CHOICES)
    refuse_given(args, names, "needs a corpus: tapsig standby CORPUS")
    rows = _render_sensitivity(duty, batteries) if args.sensitivity else _render_days(duty, batteries)
    document = {"average_ua": duty.average_ua, "awake_share": duty.awake_share, "parts_ua": dict(duty.parts_ua)}
    emit(render_rows(rows, args.format, document=document), args)
    if not rows:
        note("no battery is ever drained: nothing to vary")
    if args.format == "table":
        parts = ", ".join(f"{name} {format_cell(value)}" for name, value in duty.parts_ua.items() if value) or "nothing"
        note(f"average {format_cell(duty.average_ua)} µA ({parts}); awake {100 * duty.awake_share:.3g} % of the time")
    for battery in batteries:
        _note_limits(duty, battery, duty.average_ua)
    note("cold and age shorten all of this: measure your own board")
    return 0


def _note_limits(duty: DutyCycle, battery: Battery, average_ua: float) -> None:
    """Caution of a battery that cannot deliver the current, and of a vehicle that draws from it too."""
    peak_ma = max(duty.awake_ma, duty.release_ma if duty.releases_per_day else 0.0)
    if peak_ma > battery.peak_ma:
        note(
            f"caution: {battery.name} delivers about {battery.peak_ma:g} mA at most; {peak_ma:g} mA are drawn,"
            " so its days hold only if the peak comes from elsewhere"
        )
    if battery.name.startswith("starter") and not duty.other_ma:
        parked = [compute_days(average_ua + 1e3 * drain_ma, battery) for drain_ma in (50, 25)]
        note(
            f"caution: a parked vehicle draws up to 25-50 mA itself; with that (--other-ma) {battery.name} lasts"
            f" {parked[0]:.0f} to {parked[1]:.0f} days"
        )


def _choose_batteries(args: argparse.Namespace) -> tuple[Battery, ...]:
    changes = {
        name: value
        for name, value in (("usable_share", args.usable_share), ("self_discharge_per_month", args.self_discharge))
        if value is not None
    }
    if args.capacity_ah is not None:
        if args.battery is not None:
            raise ParameterError("--battery and --capacity-ah are two batteries; give one of them")
        return (Battery(f"{args.capacity_ah:g} Ah", args.capacity_ah, **changes),)
    chosen = [battery for battery in BATTERIES if args.battery in (None, battery.name)]
    if not chosen:
        names = "; ".join(battery.name for battery in BATTERIES)
        raise ParameterError(f"--battery is {args.battery!r}; there are: {names}. Or give --capacity-ah")
    return tuple(dataclasses.replace(battery, **changes) for battery in chosen)


def _render_days(duty: DutyCycle, batteries: tuple[Battery, ...]) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    for battery in batteries:
        days = compute_days(duty.average_ua, battery)
        rows.append(
            {
                "battery": battery.name,
                "capacity_ah": battery.capacity_ah,
                "usable_share": battery.usable_share,
                "loss_per_month": battery.self_discharge_per_month,
                "average_ua": duty.average_ua,
                "days": days,
                "months": days / MONTH_DAYS,
                "days_unused": compute_days(0.0, battery),
            }
        )
    return rows


def _render_sensitivity(duty: DutyCycle, batteries: tuple[Battery, ...]) -> list[dict[str, object]]:
    return [
        {"battery": battery.name, "days": compute_days(duty.average_ua, battery), **dataclasses.asdict(row)}
        for battery in batteries
        for row in compute_sensitivity(duty, battery)
        if row.days_with_half != row.days_with_double
    ]


def _run_corpus(args: argparse.Namespace, duty: DutyCycle, battery: Battery) -> int:
    # Heavy: recordings bring numpy, scipy and soundfile.
    from tapsig.entry import EntryParameters
    from tapsig.loading import load_corpus
    from tapsig.risks.wake_up import WakeUp, compare_wake_ups

    for hz in args.look_hz or []:
        check_range("look_hz", hz, 1e-3, 1 / duty.sample_s if duty.sample_s else 1e9)
    levels = args.level_v or [0.05, 0.2, 0.5]
    rates = args.look_hz or [100.0, 1000.0]
    start_up_s = 0.002 if args.start_up_s is None else args.start_up_s
    wake_ups = [WakeUp("comparator", level_v=level, start_up_s=start_up_s) for level in levels]
    wake_ups += [
        WakeUp("sampling", level_v=level, sampling_hz=rate, start_up_s=start_up_s) for rate in rates for level in levels
    ]
    wake_ups.append(WakeUp("always on", start_up_s=start_up_s))
    labelled = choose_labelled([load_corpus(args.corpus)], list_given(args))
    names = [] if args.detector is None else [args.detector]
    variant = next(iter(load_variants(names, [entry for _, entry in labelled])[0].values()), None)
    recordings = load_entries(labelled)
    compared = compare_wake_ups(wake_ups, recordings, EntryParameters(), duty=duty, battery=battery, variant=variant)
    rows: list[dict[str, object]] = [
        {
            "position": row.position,
            "wake_up": str(row.wake_up),
            "level_v": row.wake_up.level_v or None,
            "entries": row.tally.firsts,
            "missed_first_taps": row.tally.missed_share,
            "missed_entries": row.tally.missed_entries_share,
            "delay_ms": 1e3 * row.tally.mean_delay_s,
            "peak_lost": row.tally.peak_lost_share,
            "energy_lost": row.tally.energy_lost_share,
            "first_tap_found": row.tally.first_found_share,
            "tap_free_h": row.tally.tap_free_s / 3600,
            "false_wakes_per_day": row.tally.false_wakes_per_day if row.wake_up.kind != "always on" else None,
            "awake_share": row.duty.awake_share if row.wake_up.kind != "always on" else 1.0,
            "average_ua": row.duty.average_ua,
            "days": row.days,
        }
        for row in compared
    ]
    lost = "energy_lost" if variant is None else "first_tap_found"
    columns = (*COLUMNS[:5], lost, *COLUMNS[5:]) if args.format == "table" else None
    emit(render_rows(rows, args.format, columns=columns, document={"battery": battery.name}), args)
    if args.detector is not None:
        note(
            "first_tap_found: of the taps that woke it, the share that the detector found although it started during"
            " the tap; where it is low, require wake-up taps before the code (tapsig entry --wake-taps)"
        )
    _note_limits(duty, battery, min((row.duty.average_ua for row in compared), default=duty.average_ua))
    note(
        f"days: on {battery.name}. False wake-ups: seconds a day with a trigger, if the scenes of this corpus filled"
        " the day; --scene selects one of them. A comparator is evaluated at the recording's sample rate."
    )
    return 0
