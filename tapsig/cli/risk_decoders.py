"""`tapsig risk CORPUS --table decoders`: the decoders rule and evidence compared over thresholds."""

import argparse
import dataclasses
from collections.abc import Sequence

from tapsig.cli.detector_options import load_variants
from tapsig.cli.output import emit, format_cell, note, render_rows, track
from tapsig.detectors.tap import Tap
from tapsig.entry.decoding import check_decoder
from tapsig.entry.evidence import Evidence
from tapsig.errors import ParameterError
from tapsig.loading.corpus import Corpus, CorpusEntry
from tapsig.results import format_estimate
from tapsig.risks.entries import RiskQuestion
from tapsig.risks.openings import (
    DecoderRow,
    EntryTrial,
    TapFreeDecoding,
    choose_threshold,
    list_decoder_rows,
    list_thresholds,
    observe_openings,
)


def run(args: argparse.Namespace, chosen: Sequence[tuple[Corpus, CorpusEntry]], question: RiskQuestion) -> int:
    """Observe both decoders on the recordings, and print the curve."""
    names = args.detector or ["tap"]
    if len(names) > 1:
        raise ParameterError(f"--table decoders takes one detector; {len(names)} are given")
    [variant] = load_variants(names, [entry for _, entry in chosen])[0].values()
    check_decoder("evidence", variant)
    assert isinstance(variant, Tap)
    tried: list[EntryTrial] = []
    idle = TapFreeDecoding()
    for corpus, entry in track(chosen, len(chosen), "recordings"):
        entries, nothing = observe_openings(corpus.load(entry), variant, question.parameters, length=question.length)
        tried += entries
        idle += nothing
    shipped = Evidence().threshold
    as_rule = choose_threshold(tried, idle, digit_max=question.parameters.digit_max)
    rows = list_decoder_rows(
        tried,
        idle,
        [*list_thresholds(tried), shipped, as_rule],
        length=question.length,
        digit_max=question.parameters.digit_max,
        confidence=question.confidence,
    )
    plain = [dataclasses.asdict(row) for row in rows]
    emit(render_rows([_shorten(row) for row in rows] if args.format == "table" else plain, args.format), args)
    note(
        f"threshold: the log-likelihood ratio that evidence requires, in nats. The default is {shipped:g}; with"
        f" {as_rule:.3g}, near codes and false taps open here no more often than with the rule"
    )
    if not idle.hours:
        note(
            "caution: recorded too briefly to estimate openings by false taps, which needs a tap-free stretch of more"
            f" than {question.min_segment_s:g} s"
        )
    note(
        "by false taps: of a code drawn at random. Below a threshold of 0 they are undercounted: of each entry only the"
        " most likely code and those that differ from it by one tap are tried"
    )
    note("near: every code that differs from the tapped one by one tap (1) or two taps (2), tested on each entry")
    return 0


def _shorten(row: DecoderRow) -> dict[str, object]:
    return {
        "decoder": row.decoder,
        "threshold": row.threshold,
        "entries": row.entries,
        "opened (interval)": format_estimate(row.success, row.success_low, row.success_high),
        "near 1 % (at most)": f"{format_estimate(100 * row.near_1_share)} ({format_estimate(100 * row.near_1_high)})",
        "near 2 % (at most)": f"{format_estimate(100 * row.near_2_share)} ({format_estimate(100 * row.near_2_high)})",
        "exposure h": row.exposure_h,
        "by false taps/year (bound)": f"{format_cell(row.per_year_seen)} ({format_cell(row.per_year_bound)})",
    }
