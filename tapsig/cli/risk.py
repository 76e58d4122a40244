"""Chance of a missed and of a wrong opening, guessing included, from labelled recordings.

  tapsig risk corpus_demo --split test
  tapsig risk corpus_demo --table scenes --detector tap --code-length 4 --digit-max 6
  tapsig risk --table guessing --code-length 3
  tapsig risk --table codes --tap-recall 0.97

Tables: summary (detector × position), scenes (the same scene by scene), guessing (by a stranger, and by someone who
listened; no corpus needed), codes (lengths and highest digits with as many bits: which one opens most often; no corpus
needed).
"""

import argparse
import dataclasses
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from tapsig.cli.entry import add_entry_arguments, build_parameters
from tapsig.cli.output import add_output_arguments, emit, note, render_rows
from tapsig.entry import EntryParameters, parse_code
from tapsig.errors import ParameterError

if TYPE_CHECKING:
    from tapsig.study.risk import Observations, RiskQuestion

TABLES = ("summary", "scenes", "guessing", "codes")
SECURITY = (
    "caution: these are figures about a model and about recordings, not a certificate. A tapped code is no security"
    " product; local law and the insurer decide whether a vehicle may carry one, and it must never be the only way to"
    " reach a person or an animal."
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `tapsig risk`."""
    parser.add_argument("corpus", nargs="?", type=Path, metavar="CORPUS", help="folder with corpus.csv, labelled")
    parser.add_argument("--table", choices=TABLES, default="summary", help="default: summary")
    parser.add_argument("--detector", action="append", metavar="NAME", help="repeat for more; default: the catalogue")
    parser.add_argument("--split", choices=("train", "validation", "test"), help="only these recordings")
    parser.add_argument("--position", metavar="NAME", help="only this position")
    parser.add_argument("--scene", metavar="NAME", help="only this scene")
    parser.add_argument("--code-length", type=int, default=3, metavar="N", help="digits of a code; default: 3")
    parser.add_argument("--code", metavar="3-1-4", help="this code instead of one drawn at random")
    parser.add_argument("--tap-recall", type=float, default=0.97, metavar="X", help="for --table codes; default: 0.97")
    parser.add_argument("--parked", action="append", default=[], metavar="SCENE=HOURS",
                        help="hours a year of this scene around the parked vehicle; see the note for the default")
    parser.add_argument("--speed", type=float, default=40.0, metavar="KM/H", help="mean speed; default: 40")
    parser.add_argument("--level", type=float, default=0.95, help="of intervals and bounds; default: 0.95")
    add_output_arguments(parser)
    add_entry_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Print the table that was asked for."""
    parameters = build_parameters(args)
    code = None if args.code is None else parse_code(args.code, digit_max=parameters.digit_max)
    length = args.code_length if code is None else len(code)
    # Heavy: the studies bring numpy, scipy and the detectors.
    if args.table in ("guessing", "codes"):
        rows = _list_guessing(parameters, length) if args.table == "guessing" else _list_codes(args, length)
        emit(render_rows(rows, args.format), args)
        _note_guessing(parameters) if args.table == "guessing" else note(
            "success: all taps of a random code heard, each with the same chance by itself; "
            "fewer taps for as many bits open more often"
        )
        note(SECURITY)
        return 0
    if args.corpus is None:
        raise ParameterError(f"--table {args.table} needs a corpus: tapsig risk CORPUS")
    from tapsig.study.risk import RiskQuestion, list_risk_rows

    question = RiskQuestion(parameters, length=length, code=code, level=args.level)
    observations = _observe(args, question)
    if args.table == "scenes":
        rows = [dataclasses.asdict(row) for row in list_risk_rows(observations, question)]
        emit(render_rows(rows, args.format, columns=SCENE_COLUMNS if args.format == "table" else None), args)
    else:
        rows = _list_summary(args, observations, question)
        emit(render_rows(rows, args.format), args)
    _note_risk(args, question)
    return 0


SCENE_COLUMNS = (
    "detector", "position", "scene", "entries", "success", "success_low", "success_high", "tap_recall",
    "success_model", "listened_h", "false_taps_per_h", "possible_codes", "per_year_poisson", "per_year_gaps",
    "per_year_bound",
)  # fmt: skip


def _observe(args: argparse.Namespace, question: "RiskQuestion") -> "Observations":
    from tqdm import tqdm

    from tapsig.detect import CATALOGUE, load_detector
    from tapsig.load import load_corpus
    from tapsig.study.risk import observe_recordings

    names = args.detector or [name for name in CATALOGUE if name not in ("null", "random")]
    variants = {name: load_detector(name) for name in names}
    corpus = load_corpus(args.corpus).select(split=args.split, position=args.position, scene=args.scene)
    if not corpus.entries:
        raise ParameterError(f"{args.corpus} holds no recording of that split, position and scene")
    recordings = (recording for recording in tqdm(corpus, total=len(corpus.entries), unit="recording", disable=None))
    return observe_recordings(variants, recordings, question)


def _list_summary(
    args: argparse.Namespace, observations: "Observations", question: "RiskQuestion"
) -> list[dict[str, object]]:
    from tapsig.study.risk import summarise_risk

    hours = _parse_parked(args.parked)
    summaries = summarise_risk(observations, question, parked_hours=hours, speed_km_h=args.speed)
    return [dataclasses.asdict(summary) for summary in summaries]


def _parse_parked(texts: Sequence[str]) -> Mapping[str, float]:
    from tapsig.study.risk import PARKED_HOURS

    hours = dict(PARKED_HOURS)
    for text in texts:
        scene, equals, number = text.partition("=")
        try:
            hours[scene] = float(number)
        except ValueError:
            equals = ""
        if not equals:
            raise ParameterError(f"--parked is {text!r}; write a scene and hours a year, such as rain=500")
    return hours


def _list_guessing(parameters: EntryParameters, length: int) -> list[dict[str, object]]:
    from tapsig.study.guessing import compute_guessing
    from tapsig.study.hand import HandTiming

    try_s = HandTiming().compute_entry_s(length, parameters.digit_max) + parameters.entry_silence_s
    return [
        {
            "who": row.who,
            "codes_left": row.candidates,
            "bits": row.bits,
            "first_try": row.chance_first,
            "before_a_wait": row.chance_free,
            "before_the_lock": row.chance_limit,
            "hours_if_it_opens": row.expected_s / 3600,
            "hours_for_all": row.whole_s / 3600,
        }
        for row in compute_guessing(length, parameters, try_s=try_s)
    ]


def _list_codes(args: argparse.Namespace, length: int) -> list[dict[str, object]]:
    from tapsig.study.guessing import compute_code_shapes
    from tapsig.study.hand import HandTiming

    bits = length * math.log2(args.digit_max) - 1e-9
    hand = HandTiming()
    return [
        {**dataclasses.asdict(shape), "tapping_s": hand.compute_entry_s(shape.length, shape.digit_max)}
        for shape in compute_code_shapes(bits, args.tap_recall)
    ]


def _note_guessing(parameters: EntryParameters) -> None:
    limit = parameters.failure_limit
    note(
        f"lock after {limit or 'no number of'} wrong entries in a row; NIST SP 800-63B-4 section 3.2.2 allows no more"
        " than 100. A right entry by the owner sets the count back, and the tries begin anew."
    )
    note("codes that people choose, and entries that others can hear, are easier to guess than codes drawn at random")


def _note_risk(args: argparse.Namespace, question: "RiskQuestion") -> None:
    from tapsig.study.guessing import NIST_FAILURE_LIMIT
    from tapsig.study.risk import complete_year, compute_hours_needed

    hours = complete_year(_parse_parked(args.parked))
    note("assumed hours a year, parked (no source): " + ", ".join(f"{key} {value:g}" for key, value in hours.items()))
    note(
        f"bound: exact {100 * question.level:g} % upper limit for a code drawn at random. To bring it under one a year"
        f" takes {compute_hours_needed(question):.0f} h without taps in which no possible code is entered."
    )
    note("poisson, gaps: estimates from models of the false taps that were seen; they fail where the false taps do")
    if question.parameters.failure_limit > NIST_FAILURE_LIMIT or not question.parameters.failure_limit:
        note("caution: NIST SP 800-63B-4 section 3.2.2 allows no more than 100 wrong entries in a row")
    note(SECURITY)
