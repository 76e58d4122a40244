"""The page of `tapsig report` on one recording, to be read from top to bottom."""

import math
from collections.abc import Sequence

from tapsig.report.page import CAUTIONS, SIMULATED, Section, Table, render_page, tabulate
from tapsig.report.report_sections import (
    LIMITS,
    METHOD,
    describe_area,
    describe_areas,
    describe_causes,
    describe_entries,
    describe_ringing,
)
from tapsig.report.timeline import draw_timeline, format_time
from tapsig.summary.recording import RecordingSummary

HOW_TO_LABEL = (
    "There are no labels, so nothing here says which detections are right. To label: tapsig propose FILE --out"
    " proposed.csv proposes labels; tapsig review FILE --labels proposed.csv --out review.html makes a page to correct"
    " them; then give --labels FILE."
)


def render_recording_page(
    summary: RecordingSummary,
    *,
    command: str,
    steps: Sequence[str],
    window_s: float,
    beside: Sequence[RecordingSummary] = (),
) -> str:
    """The page as HTML; `steps` say what to record next.

    Ringing and operating area are shown of the positions `beside` as well.
    """
    return render_page(
        title=f"Report on {summary.name}",
        summary=[*([SIMULATED] if summary.simulated else []), *summarise(summary)],
        sections=[
            _describe_health(summary),
            _describe_timeline(summary),
            describe_ringing([summary, *beside]),
            *describe_areas([summary, *beside]),
            describe_entries(summary),
            *describe_causes(summary.marks, labelled=summary.labelled),
            Section("What to record next", steps=steps),
        ],
        method=[f"Matching window ±{window_s * 1e3:g} ms.", *METHOD],
        limits=LIMITS,
        command=command,
        cautions=CAUTIONS,
    )


def summarise(summary: RecordingSummary) -> list[str]:
    """The findings that matter most, in a few sentences."""
    errors = sum(finding.severity == "error" for finding in summary.health.findings)
    warnings = sum(finding.severity == "warning" for finding in summary.health.findings)
    state = (
        f"{_count(errors, 'error')} and {_count(warnings, 'warning')} in the recording itself"
        if errors or warnings
        else "No fault was found in the recording itself"
    )
    texts = [f"{state}. {_describe_marks(summary)}"]
    if summary.plain is not None:
        texts.append(describe_area(summary))
    elif not summary.labelled:
        texts.append(HOW_TO_LABEL)
    return texts


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def _describe_marks(summary: RecordingSummary) -> str:
    if not summary.labelled:
        return " ".join(f"{marks.detector} detects {_count(marks.found_s.size, 'tap')}." for marks in summary.marks)
    parts = [
        f"{marks.detector} finds {marks.hit_s.size}, with {_count(marks.false_s.size, 'false detection')}"
        for marks in summary.marks
    ]
    return f"Of {summary.taps_s.size} labelled taps, {'; '.join(parts)}."


def _describe_health(summary: RecordingSummary) -> Section:
    report = summary.health
    recorded = f"{format_time(summary.begin_s)} to {format_time(summary.end_s)}"
    if not math.isclose(summary.duration_s, summary.end_s - summary.begin_s, abs_tol=1e-3):
        recorded += f", of which {summary.duration_s:.1f} s without gaps"
    labels = f"{summary.taps_s.size} taps, {len(summary.others)} of other kinds" if summary.labelled else "none"
    facts = {
        "file": summary.source or "–",
        "position, vehicle, scene": ", ".join(filter(None, [summary.position, summary.vehicle, summary.scene])) or "–",
        "recorded": recorded,
        "sample rate": f"{summary.fs:g} Hz",
        "labels": labels,
        "bias, noise, peak": f"{report.bias_v:.3g} V, {1e3 * report.noise_v:.3g} mV rms, {report.peak_v:.3g} V",
    }
    if not math.isnan(report.effective_bits):
        facts["effective bits"] = f"{report.effective_bits:.1f}"
    tables = [Table("Facts", ["what", "value"], list(facts.items()), prose=True)]
    if report.findings:
        findings = tabulate(
            "Faults and notes",
            report.findings,
            {
                "how bad": lambda finding: finding.severity,
                "what": lambda finding: finding.message,
                "first at": lambda finding: "–" if math.isnan(finding.first_s) else format_time(finding.first_s),
                "what to do": lambda finding: finding.advice,
            },
            prose=True,
        )
        tables.append(findings)
    text = "These figures hold for the whole recording." if report.findings else "No fault was found."
    return Section("What the recording is, and what is wrong with it", [text], tables=tables)


def _describe_timeline(summary: RecordingSummary) -> Section:
    heading = "Waveform and detections"
    texts = []
    if not summary.labelled:
        heading += ", without labels"
        texts.append(HOW_TO_LABEL)
    first, last = summary.examined_s
    if not (math.isclose(first, summary.begin_s) and math.isclose(last, summary.end_s)):
        texts.append(
            "The recording is long. Ringing, operating area and causes are of the part from"
            f" {format_time(first)} to {format_time(last)}, which holds the most taps; --from and --to choose another."
        )
    return Section(heading, texts, timelines=[draw_timeline(summary)])
