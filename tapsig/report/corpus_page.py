"""The page of `tapsig report` on a corpus, to be read from top to bottom."""

from collections.abc import Sequence

from tapsig.comparison.advice import advise
from tapsig.report.page import CAUTIONS, Section, Table, note_simulated, render_page, tabulate
from tapsig.report.positions_page import advise_positions, describe_ranking, draw_levels, tabulate_levels
from tapsig.report.report_sections import (
    LIMITS,
    METHOD,
    describe_area,
    describe_areas,
    describe_entries,
    describe_ringing,
    tabulate_causes,
)
from tapsig.report.score_page import (
    INTERVALS,
    draw_scores,
    list_totals,
    split_rows,
    summarise_scores,
    tabulate_codes,
    tabulate_scores,
)
from tapsig.report.timeline import draw_timeline
from tapsig.summary.corpus import CorpusSummary
from tapsig.summary.recording import RecordingSummary

MOST_NAMES = 4


def render_corpus_page(
    summary: CorpusSummary, *, command: str, steps: Sequence[str], window_s: float, warnings: Sequence[str] = ()
) -> str:
    """The page as HTML; `steps` say what to record next, `warnings` stand at the top."""
    pair = summary.examples[: summary.pair]
    return render_page(
        title=f"Report on {summary.name}",
        summary=[*warnings, *note_simulated(summary.simulated, summary.entries), *_summarise(summary)],
        sections=[
            _describe_contents(summary),
            *_describe_scores(summary),
            *(_describe_example(one, worst=k >= summary.pair) for k, one in enumerate(summary.examples)),
            describe_ringing(pair),
            *describe_areas(pair),
            describe_entries(pair[-1]),
            *_describe_causes(summary),
            *_describe_positions(summary),
            Section("What to record next", steps=steps),
        ],
        method=[f"Matching window ±{window_s * 1e3:g} ms.", *METHOD, INTERVALS],
        limits=LIMITS,
        command=command,
        cautions=CAUTIONS,
    )


def _summarise(summary: CorpusSummary) -> list[str]:
    texts = []
    if summary.table is not None:
        texts += summarise_scores(summary.table)
    else:
        texts.append(
            "No recording has labels: nothing here says which detections are right. Name label files in the"
            " column 'labels' of corpus.csv."
        )
    texts += [f"{one.name}: {describe_area(one)}" for one in summary.examples[: summary.pair] if one.plain is not None]
    if summary.study is not None:
        texts.append(f"With {summary.study.rankings[-1].detector}: {advise(summary.study.rankings[-1])}")
    return texts


def _describe_contents(summary: CorpusSummary) -> Section:
    survey = summary.survey
    rows = [
        [scene, str(count), f"{survey.minutes[scene]:.1f}", str(survey.taps[scene])]
        for scene, count in survey.recordings.items()
    ]
    rows.append(["all", str(summary.entries), f"{sum(survey.minutes.values()):.1f}", str(sum(survey.taps.values()))])
    tables = [Table("Channels, each counted by itself", ["scene", "channels", "minutes", "labelled taps"], rows)]
    if survey.faults:
        faults = tabulate(
            "Faults, with the words of the worst recording",
            survey.faults,
            {
                "how bad": lambda fault: fault.worst.severity,
                "recordings": lambda fault: f"{len(fault.names)}: {_list_names(fault.names)}",
                "what": lambda fault: fault.worst.message,
                "what to do": lambda fault: fault.worst.advice,
            },
            prose=True,
        )
        tables.append(faults)
    faulty = {name for fault in survey.faults if fault.worst.severity != "note" for name in fault.names}
    text = f"{len(faulty)} of {summary.entries} have an error or a warning." if faulty else "No fault was found."
    return Section("What the corpus is, and what is wrong with it", [text], tables=tables)


def _list_names(names: Sequence[str]) -> str:
    return ", ".join(names[:MOST_NAMES]) + (" …" if len(names) > MOST_NAMES else "")


def _describe_scores(summary: CorpusSummary) -> list[Section]:
    table = summary.table
    if table is None:
        return []
    rows, last = table.rows(), table.detectors[-1]
    totals, scenes = list_totals(rows), split_rows(rows, last)["scene"]
    pictures = [draw_scores("F1, all recordings", "detector", totals)]
    tables = [tabulate_scores("All recordings", "detector", totals)]
    if len(scenes) > 1:
        pictures.append(draw_scores(f"F1 of {last} by scene", "scene", scenes))
        tables.append(tabulate_scores(f"{last}, by scene", "scene", scenes))
    return [Section("How many taps are found", [], pictures, [*tables, tabulate_codes(rows)])]


def _describe_example(example: RecordingSummary, *, worst: bool) -> Section:
    text = [f"The recording on which {example.last.detector} makes the most errors."] if worst else []
    return Section(f"{example.name}: waveform and detections", text, timelines=[draw_timeline(example)])


def _describe_causes(summary: CorpusSummary) -> list[Section]:
    texts = [f"{name} makes no error." for name, advice in summary.advice if not advice]
    tables = [tabulate_causes(name, advice, times=False) for name, advice in summary.advice if advice]
    if not tables:
        return []
    texts.append(f"Changes of parameters were tried on {summary.tried_on} labelled channels at once.")
    return [Section("Errors: causes and remedies", texts, tables=tables)]


def _describe_positions(summary: CorpusSummary) -> list[Section]:
    study = summary.study
    if study is None:
        return []
    return [
        Section("Which position", advise_positions(study), draw_levels(study), [tabulate_levels(study)]),
        *(describe_ranking(study, ranking, title=f"Positions with {ranking.detector}") for ranking in study.rankings),
    ]
