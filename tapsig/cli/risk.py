"""Chances of a missed opening, a wrong opening and a guessed code, from labelled recordings.

  tapsig risk first --detector tap
  tapsig risk first --table scenes --detector tap --code-length 4 --digit-max 6
  tapsig risk first --table decoders
  tapsig risk --table guessing --code-length 3
  tapsig risk --table codes --tap-recall 0.97
  tapsig risk --table false-taps --wake-taps 3

Tables from a corpus: summary (by detector and position), scenes (also by scene), decoders (rule and evidence over
thresholds: entries opened, near codes that open too, openings by false taps). Summary and scenes have a row for each
decoder; evidence needs tap. Tables without a corpus: guessing (by a stranger and by observers), codes (lengths and
highest digits with equal bits: how often the owner and false taps open each), false-taps (wrong openings a year by the
rate of false taps); the last two are by the rule.
"""

import argparse
import dataclasses
import itertools
import math
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tapsig.cli.corpus_options import CHOICES, add_corpus_arguments, choose_labelled, list_given
from tapsig.cli.detector_options import load_variants
from tapsig.cli.entry import add_entry_arguments, build_parameters, note_unused_settings
from tapsig.cli.findings import load_entries
from tapsig.cli.output import add_output_arguments, emit, format_cell, note, progress_bar, refuse_given, render_rows
from tapsig.entry import parse_code
from tapsig.errors import ParameterError
from tapsig.results import format_named
from tapsig.units import check_positive

if TYPE_CHECKING:
    from tapsig.detectors import Variant
    from tapsig.loading.corpus import Corpus, CorpusEntry
    from tapsig.risks.entries import RiskQuestion
    from tapsig.risks.observation import Observations
    from tapsig.risks.yearly import StandbySummary

    Chosen = Sequence[tuple[Corpus, CorpusEntry]]

MODEL_TABLES = ("guessing", "codes", "false-taps")
CORPUS_TABLES = ("summary", "scenes", "decoders")
TABLES = (*CORPUS_TABLES, *MODEL_TABLES)
GOES_WITH = {
    ("tap_recall", "false_taps_per_hour"): ("codes",),
    ("parked", "wake_level_v", "speed"): ("summary",),
    ("detector", "confidence", *CHOICES): CORPUS_TABLES,
}
"""Options that would do nothing with another table."""
SECURITY = (
    "caution: these are figures about a model and about recordings, not a certificate. A tapped code is no security"
    " product; local law and the insurer decide whether a vehicle may carry one, and it must never be the only way to"
    " reach a person or an animal."
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "corpus", nargs="*", type=Path, metavar="CORPUS", help="folder with corpus.csv and labels; several are pooled"
    )
    parser.add_argument("--table", choices=TABLES, default="summary", help="default: summary")
    parser.add_argument("--detector", action="append", metavar="NAME", help="repeat for more; default: the catalogue")
    parser.add_argument("--code-length", type=int, metavar="N", help="digits of a code; default: 3")
    parser.add_argument("--code", metavar="3-1-4", help="this code instead of one drawn at random")
    parser.add_argument("--tap-recall", type=float, metavar="X", help="for --table codes; default: 0.97")
    parser.add_argument("--false-taps-per-hour", type=float, metavar="X", help="for --table codes; default: 30")
    parser.add_argument(
        "--parked",
        action="append",
        default=[],
        metavar="SCENE=HOURS",
        help="hours a year of this scene while parked; the output lists the defaults",
    )
    parser.add_argument(
        "--wake-level-v",
        type=float,
        metavar="V",
        help="level of the wake-up comparator; default: chosen on train and validation, less 6 dB",
    )
    parser.add_argument("--speed", type=float, metavar="KM/H", help="mean speed; default: 40")
    parser.add_argument("--confidence", type=float, metavar="X", help="of intervals and bounds; default: 0.95")
    add_output_arguments(parser)
    add_corpus_arguments(parser)
    add_entry_arguments(parser)


def run(args: argparse.Namespace) -> int:
    parameters = build_parameters(args)
    code = None if args.code is None else parse_code(args.code, digit_max=parameters.digit_max)
    if code is not None and args.code_length not in (None, len(code)):
        raise ParameterError(f"--code {args.code} has {len(code)} digits, and --code-length is {args.code_length}")
    length = len(code) if code is not None else 3 if args.code_length is None else args.code_length
    for names, tables in GOES_WITH.items():
        if args.table not in tables:
            what = "needs a table from a corpus:" if tables[0] in CORPUS_TABLES else "goes with"
            refuse_given(args, names, f"{what} --table {' or '.join(tables)}")
    # Heavy: the studies bring numpy, scipy and the detectors.
    if args.table in MODEL_TABLES:
        from tapsig.cli import risk_models

        if args.corpus:
            raise ParameterError(f"--table {args.table} needs no recordings; leave out {args.corpus[0]}")
        emit(render_rows(risk_models.list_rows(args, parameters, length, code), args.format), args)
        for line in risk_models.NOTES[args.table]:
            note(line)
        note(SECURITY)
        return 0
    if not args.corpus:
        raise ParameterError(f"--table {args.table} needs a corpus: tapsig risk CORPUS")
    from tapsig.loading import load_corpus
    from tapsig.risks.entries import RiskQuestion, list_risk_rows
    from tapsig.risks.observation import observe_recordings
    from tapsig.scoring.outcomes import MIN_DIGITS

    confidence = {} if args.confidence is None else {"confidence": args.confidence}
    question = RiskQuestion(parameters, length=length, code=code, **confidence)
    corpora = [load_corpus(folder) for folder in args.corpus]
    chosen = choose_labelled(corpora, list_given(args))
    if length < MIN_DIGITS:
        note(f"entries counts those of {MIN_DIGITS} digits and more: shorter ones are taken for practice")
    if args.table == "decoders":
        from tapsig.cli import risk_decoders

        return risk_decoders.run(args, chosen, question)
    for name in ("wake_level_v", "speed"):
        if getattr(args, name) is not None:
            check_positive(name, getattr(args, name))
    parked_hours = _parse_parked(args.parked, {entry.scene for _, entry in chosen})
    variants = _load_variants(args, question, chosen)
    with progress_bar(len(chosen), "recordings") as advance:
        recordings = load_entries(chosen, bar=False)
        observations = observe_recordings(variants, recordings, question, progress=advance)
    if args.table == "scenes":
        rows = [dataclasses.asdict(row) for row in list_risk_rows(observations, question)]
        emit(render_rows(rows, args.format, columns=SCENE_COLUMNS if args.format == "table" else None), args)
    else:
        standby = _summarise_standby(args, corpora, chosen, question, parked_hours)
        if missing := ", ".join(position for position, row in standby.items() if math.isnan(row.level_v)):
            note(
                f"days: no wake-up level for {missing}; it is chosen on entries in the train and validation recordings"
                " there: mark some so in corpus.csv, or give --wake-level-v"
            )
        rows = _list_summary(args, observations, standby, question, parked_hours)
        emit(render_rows([_shorten(row) for row in rows] if args.format == "table" else rows, args.format), args)
        _note_uncovered([row["uncovered_h"] for row in rows])
    _note_risk(args, question, observations, parked_hours)
    return 0


SCENE_COLUMNS = (
    "detector",
    "decoder",
    "position",
    "scene",
    "entries",
    "success",
    "false_taps_per_h",
    "exposure_h",
    "per_year_seen",
    "per_year_bound",
)


def _shorten(row: Mapping[str, object]) -> dict[str, object]:
    """A row of the summary for a terminal: the main columns, with their intervals."""
    values = {name: format_cell(value) for name, value in row.items()}
    return {
        "detector": row["detector"],
        "decoder": row["decoder"],
        "position": row["position"],
        "opened (interval)": format_named(row, "success"),
        "wrong/year seen (bound)": f"{values['wrong_per_year_seen']} ({values['wrong_per_year_bound']})",
        "wrong/1000 km (bound)": f"{values['wrong_per_1000_km_seen']} ({values['wrong_per_1000_km_bound']})",
        "failures/day": row["failures_per_day"],
        "days": row["days"],
    }


def _load_variants(args: argparse.Namespace, question: "RiskQuestion", chosen: "Chosen") -> "dict[str, Variant]":
    """The detectors by name; a note says why `tap` is not judged on evidence, where it is not."""
    from tapsig.detectors import CATALOGUE
    from tapsig.detectors.tap import Tap

    names = args.detector or [name for name in CATALOGUE if name not in ("null", "random")]
    variants, _ = load_variants(names, [entry for _, entry in chosen])
    for name, variant in variants.items():
        if isinstance(variant, Tap) and (reason := question.refuse_evidence(variant)):
            note(f"{name}: by the rule alone: {reason}")
        elif isinstance(variant, Tap):
            note_unused_settings(name)
    return variants


def _list_summary(
    args: argparse.Namespace,
    observations: "Observations",
    standby: "Mapping[str, StandbySummary]",
    question: "RiskQuestion",
    parked_hours: Mapping[str, float],
) -> list[dict[str, Any]]:
    """One row for each detector, decoder and position; standby depends on the position alone."""
    from tapsig.risks.yearly import summarise_risk

    speed = {} if args.speed is None else {"speed_km_h": args.speed}
    summaries = summarise_risk(observations, question, parked_hours=parked_hours, **speed)
    return [
        {
            **dataclasses.asdict(row),
            "wake_level_v": standby[row.position].level_v,
            "missed_wakes": standby[row.position].missed_entries,
            "false_wakes_per_day": standby[row.position].false_wakes_per_day,
            "days": standby[row.position].days,
        }
        for row in summaries
    ]


def _summarise_standby(
    args: argparse.Namespace,
    corpora: "Sequence[Corpus]",
    chosen: "Chosen",
    question: "RiskQuestion",
    parked_hours: Mapping[str, float],
) -> dict[str, "StandbySummary"]:
    """A wake-up comparator at each position; its level is chosen on the train and validation recordings there."""
    from tapsig.risks.standby import BATTERIES, DutyCycle
    from tapsig.risks.yearly import choose_level_v, summarise_standby, tally_comparators

    parameters = question.parameters
    levels = {} if args.wake_level_v is None else {"levels_v": (args.wake_level_v,)}
    judged = tally_comparators((corpus.load(entry) for corpus, entry in chosen), parameters, **levels)
    level_v = dict.fromkeys((entry.position for _, entry in chosen), args.wake_level_v)
    if args.wake_level_v is None:
        others = (corpus.select(split=("train", "validation"), position=list(level_v)) for corpus in corpora)
        learnt = tally_comparators(itertools.chain.from_iterable(others), parameters)
        level_v = {position: choose_level_v(learnt, position) for position in level_v}
    duty = DutyCycle(awake_s=parameters.awake_s)
    return {
        position: summarise_standby(judged, position, level, duty=duty, battery=BATTERIES[0], parked_hours=parked_hours)
        for position, level in level_v.items()
    }


def _parse_parked(texts: Sequence[str], scenes: Collection[str]) -> Mapping[str, float]:
    """Hours a year of each scene; raises ParameterError for one that is neither in `scenes` nor has a default."""
    from tapsig.risks.yearly import DRIVING, PARKED_HOURS, complete_year

    hours = dict(PARKED_HOURS)
    for text in texts:
        scene, equals, number = text.partition("=")
        try:
            hours[scene] = float(number)
        except ValueError:
            equals = ""
        if scene == "quiet":
            raise ParameterError("--parked names quiet, which has the hours that the other scenes leave; give theirs")
        if scene == DRIVING:
            raise ParameterError("--parked names driving, which has figures of its own, per 1000 km: see --speed")
        if scene not in {*PARKED_HOURS, *scenes}:
            names = ", ".join(sorted({*PARKED_HOURS, *scenes} - {"quiet", DRIVING}))
            raise ParameterError(f"--parked names the scene {scene!r}; there are: {names}")
        if not equals:
            raise ParameterError(f"--parked is {text!r}; write a scene and hours a year, such as rain=500")
    complete_year(hours)  # refuses more than a year before anything is observed
    return hours


def _note_uncovered(hours: Sequence[float]) -> None:
    """Caution of hours of the year that the figures of the summary leave out."""
    from tapsig.risks.nuisance import YEAR_HOURS

    if max(hours) >= 0.5:
        least, most = f"{min(hours):.0f}", f"{max(hours):.0f}"
        note(
            f"caution: scenes of {least if least == most else f'{least} to {most}'} of the {YEAR_HOURS:.0f} hours of a"
            " year (uncovered_h) were not recorded, or too briefly: wrong/year and failures/day count nothing in them,"
            " and days takes scenes that were not recorded to be like the others"
        )


def _note_risk(
    args: argparse.Namespace, question: "RiskQuestion", observations: "Observations", parked_hours: Mapping[str, float]
) -> None:
    from tapsig.risks.entries import compute_hours_needed
    from tapsig.risks.guessing import NIST_FAILURE_LIMIT
    from tapsig.risks.standby import BATTERIES
    from tapsig.risks.yearly import complete_year

    if args.table == "summary":
        hours = (f"{key} {value:g}" for key, value in complete_year(parked_hours).items())
        note("assumed hours a year, parked (no source): " + ", ".join(hours))
    else:
        note("per_year: as if the scene lasted all year")
    if question.code is not None:
        note(
            "seen and bound are of a code drawn at random, whatever --code is; poisson and gaps, in --format csv and"
            f" json, are of {args.code}"
        )
    if any(len(seen.decoders) > 1 for seen in observations.values()):
        note("evidence: at its default threshold; --table decoders has others. poisson and gaps are by the rule")
    note(
        "seen: possible codes entered by false taps, divided by the keyspace. bound: the sum of each scene's"
        f" {100 * question.confidence:g} % upper limit, which is large after short recordings, and where they differ;"
        f" {format_cell(compute_hours_needed(question))} hours of exposure without a possible code bring one scene's"
        f" bound to one a year. Exposure: each tap-free stretch less {question.min_segment_s:g} s, the longest duration"
        " of a code with the silence before it."
    )
    exposed = {
        key[1:]: any(segment.duration_s > question.min_segment_s for segment in seen.segments)
        for key, seen in observations.items()
    }
    if not all(exposed.values()):
        note(
            f"caution: {list(exposed.values()).count(False)} of {len(exposed)} positions and scenes (exposure_h 0 in"
            " --table scenes) were recorded too briefly to estimate openings by false taps; seen and bound leave out"
            f" their hours of the year. Each needs a tap-free stretch of more than {question.min_segment_s:g} s."
        )
    if args.format == "table":
        note("--format csv and json hold more columns, such as hours and the estimates of the models")
    else:
        note("poisson, gaps: estimates from models of the observed false taps; they are only as good as these models")
    if args.table == "summary":
        note(
            f"days: {BATTERIES[0].name} without the vehicle's own drain, with the default currents of tapsig standby"
            " and the false wakes of a comparator at wake_level_v (the seconds a day with a trigger)"
        )
        note(
            "failures/day: wrong entries by false taps; in a row, each beyond the first"
            f" {question.parameters.free_failures} starts a wait, and"
            f" {question.parameters.failure_limit or 'no number of them'} lock the machine"
        )
    if question.parameters.failure_limit > NIST_FAILURE_LIMIT or not question.parameters.failure_limit:
        note("caution: NIST SP 800-63B-4 section 3.2.2 allows no more than 100 wrong entries in a row")
    note(SECURITY)
