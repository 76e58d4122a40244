"""The tables of `tapsig risk` that need no recordings: guessing, codes, false-taps."""

import argparse
import dataclasses
import math

from tapsig.entry import EntryParameters
from tapsig.errors import ParameterError
from tapsig.risks.guessing import compute_code_shapes, compute_guessing, compute_keyspace
from tapsig.risks.hand import HandTiming
from tapsig.risks.nuisance import YEAR_HOURS, build_poisson_gaps, compute_openings_per_s, compute_possible_per_s
from tapsig.units import check_range

NOTES = {
    "guessing": (
        "wrong entries in a row lock the machine at --failure-limit; NIST SP 800-63B-4 section 3.2.2 allows no more"
        " than 100. A right entry by the owner resets the count, and the attacker can start again.",
        "codes that people choose are easier to guess than codes drawn at random; so are codes that others overhear",
    ),
    "codes": (
        "success: chance that all taps of a random code are detected, each independently with --tap-recall; of codes"
        " with equal bits, those with fewer taps succeed more often. wrong_per_year: by Poisson false taps at"
        " --false-taps-per-hour, for a code drawn at random.",
    ),
    "false-taps": (
        "wrong openings in a year of Poisson false taps, without waits and locking; real false taps come in bursts and"
        " rhythms: measure them with tapsig risk CORPUS",
    ),
}
RATES_PER_HOUR = (1, 10, 30, 60, 120, 300, 600, 1200, 3600)


def list_rows(
    args: argparse.Namespace, parameters: EntryParameters, length: int, code: tuple[int, ...] | None
) -> list[dict[str, object]]:
    """The rows of `args.table`."""
    if args.table == "guessing":
        try_s = HandTiming().compute_entry_s(length, parameters.digit_max) + parameters.entry_silence_s
        return [dataclasses.asdict(row) for row in compute_guessing(length, parameters, try_s=try_s)]
    if args.table == "codes":
        return _list_codes(args, parameters, length)
    return _list_false_taps(parameters, length, code)


def _list_codes(args: argparse.Namespace, parameters: EntryParameters, length: int) -> list[dict[str, object]]:
    bits = length * math.log2(parameters.digit_max) - 1e-9
    hand = HandTiming()
    recall = 0.97 if args.tap_recall is None else args.tap_recall
    false_per_hour = 30.0 if args.false_taps_per_hour is None else args.false_taps_per_hour
    check_range("false_taps_per_hour", false_per_hour, 0, 3.6e9)
    if parameters.digit_max < 2:
        raise ParameterError(f"digit_max is {parameters.digit_max}; for --table codes it must be 2 to 255")
    gaps = build_poisson_gaps(false_per_hour / 3600, parameters)
    rows: list[dict[str, object]] = []
    shapes = compute_code_shapes(bits, recall)
    if not shapes:
        raise ParameterError(
            f"--code-length is {length}; no code of the table has as many bits as {length} digits from 1 to"
            f" {parameters.digit_max}: give a lower --code-length or --digit-max"
        )
    for shape in shapes:
        possible = compute_possible_per_s(
            gaps, shape.length, dataclasses.replace(parameters, digit_max=shape.digit_max)
        )
        rows.append(
            {
                **dataclasses.asdict(shape),
                "tapping_s": hand.compute_entry_s(shape.length, shape.digit_max),
                "wrong_per_year": 3600 * YEAR_HOURS * possible / shape.keyspace,
            }
        )
    return rows


def _list_false_taps(parameters: EntryParameters, length: int, code: tuple[int, ...] | None) -> list[dict[str, object]]:
    codes = {"-".join(map(str, digits)): digits for digits in ((1,) * length, (parameters.digit_max,) * length)}
    if code is not None:
        codes = {"-".join(map(str, code)): code, **codes}
    rows: list[dict[str, object]] = []
    for rate in RATES_PER_HOUR:
        gaps = build_poisson_gaps(rate / 3600, parameters)
        possible = 3600 * YEAR_HOURS * compute_possible_per_s(gaps, length, parameters)
        row: dict[str, object] = {
            "false_taps_per_h": rate,
            "possible_codes": possible,
            "random_code": possible / compute_keyspace(length, parameters.digit_max),
        }
        for text, digits in codes.items():
            row[text] = 3600 * YEAR_HOURS * compute_openings_per_s(gaps, digits, parameters)
        rows.append(row)
    return rows
