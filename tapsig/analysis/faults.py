"""Findings on the health of a recording: the severity, the unit and the remedy of each fault, by its code."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

from tapsig.loading.findings import LoadReport

SEVERITIES = ("error", "warning", "note")

MEASURED = {
    "too-short": ("error", "s", "record at least a few seconds"),
    "rate-low": ("error", "Hz", "record at 1 kHz or more, 8 kHz for studies"),
    "constant": ("error", "V", "check the wiring and --channel"),
    "clipped": ("error", "share", "lower the gain: a larger load capacitor or a divider"),
    "half-lost": ("error", "ratio", "bias the input to mid-scale with a divider of two equal resistors"),
    "bias-off": ("warning", "share", "check the bias divider, and that full scale is given right"),
    "bias-drift": ("warning", "V", "look for a loose bias divider, or a floating input"),
    "stuck": ("warning", "s", "the reader repeated a value or stopped: check the converter's driver"),
    "noisy": ("note", "V", "unless the scene is that loud: shield the cable, twist its pair, load the disc with 1 MΩ"),
    "few-counts": ("warning", "counts", "raise the gain, or use a smaller reference voltage"),
    "hum": ("warning", "Hz", "shield the cable, run the logger from a battery, keep away from chargers"),
    "tone": ("note", "Hz", "find its source (a pump, a switching supply), or record it as a nuisance on purpose"),
    "band-too-wide": ("warning", "share", "sample faster, or put a low-pass before the converter"),
    "nothing-heard": ("note", "x", "tap beside the sensor; if nothing changes, check the wiring"),
    "labels-unheard": (
        "warning",
        "share",
        "check that labels and channel belong together; or the scene masks the taps",
    ),
    "channels-same": ("error", "", "check the wiring; one input was recorded twice"),
    "channel-silent": ("error", "x", "check this sensor's wiring, then tap beside it"),
    "unreadable": ("error", "", "repair the file, or remove its row from corpus.csv"),
}
"""Severity, unit and remedy of the faults that are measured here."""

LOADED = {
    "gap": ("warning", "log faster than you sample, or write binary: bytes a line against the baud rate"),
    "resampled": ("warning", "sample from a timer interrupt instead of the main loop"),
    "lost-samples": ("warning", "log faster than you sample, or write binary: bytes a line against the baud rate"),
    "jitter": ("warning", "sample from a timer interrupt instead of the main loop"),
    "coarse-stamps": ("note", "stamp in microseconds"),
    "rate-varies": ("warning", "sample from a timer interrupt; split the log where the rate changes"),
    "rate-differs": ("warning", "correct the rate you gave, or the file's"),
    "volts-assumed": ("note", "name the column volts or mv, or give the bits of the converter"),
    "decimal-comma": ("note", "nothing, if it is one column; else put a header such as time_us,adc before it"),
    "signed-counts": ("note", "nothing, if the converter gives signed counts"),
    "out-of-range": ("error", "check adc_bits; a count outside the converter's range is a reading fault"),
    "beyond-full-scale": ("error", "give the full scale that the recorder was set to"),
    "malformed-line": ("warning", "lower the line rate or raise the baud rate: lines were cut or merged"),
    "channels-alternate": (
        "error",
        "write both on each line, such as time_us,a0,a1; a WAV file of two channels must say so in its header",
    ),
    "clock-restart": ("error", "move the lines after the restart to another file; find what reset the logger"),
    "spoilt-stamp": ("note", "nothing, if they are few; else check baud rate and cable"),
    "undefined-samples": ("warning", "find what interrupted the recorder"),
    "full-scale-assumed": ("warning", "without it, volts are fractions of the converter's range"),
    "labels-beside": ("note", "nothing, if they are those of this recording"),
    "labels-unusable": ("warning", "correct the label file, or name another with --labels"),
    "labels-in-gap": ("warning", "remove them from the label file, or record these taps again: they count as missed"),
    "column-chosen": ("note", "nothing, if it is the right one; else --column NAME or --channel N"),
    "channel-chosen": ("note", "nothing, if it is the right one; else --channel N"),
    "padding": ("warning", "close the file before you switch the logger off"),
    "padded-end": ("warning", "close the file before you switch the recorder off"),
    "data-size-missing": ("warning", "close the file before you switch the recorder off"),
    "data-size-small": ("warning", "close the file before you switch the recorder off"),
    "data-size-wrapped": ("note", "nothing; other programs may read only the first part: split such recordings"),
    "trailing-bytes": ("warning", "find what wrote to the file after the recorder"),
    "counter-wrap": ("note", "nothing, unless it has 16 bits: then stamp with 32"),
    "doubled-line": ("warning", "find why the logger writes lines twice"),
    "truncated": ("warning", "stop the recorder before you remove its card or cable"),
    "cut-end": ("note", "nothing: a sample at most is missing at the end"),
    "cut-start": ("note", "nothing: a sample is missing at the beginning"),
    "data-before-format": ("note", "nothing; other programs may refuse the file: convert it"),
    "data-size-unknown": (
        "note",
        "nothing, if the recorder was streaming; else close the file before you switch it off",
    ),
    "foreign-text": ("note", "nothing, if no value is among these lines; else put it into a column of its own"),
    **dict.fromkeys(
        ("frames-lost", "frames-spoilt"),
        ("warning", "check cable and baud rate, and that every byte is saved as it comes"),
    ),
    "no-byte-order-mark": ("note", "nothing; export as UTF-8 where you can"),
    "no-padding": ("note", "nothing; other programs may miss what follows the samples"),
    "nul-bytes": ("note", "nothing, if they are few; else check how the logger closes its file"),
    "partial-frame": ("note", "nothing: less than a sample of each channel is missing"),
    "repeated-chunk": ("warning", "convert the file with a program that joins its chunks, or split it"),
    "repeated-header": ("note", "nothing, unless the logger restarted there"),
    "repeated-stamp": ("note", "stamp in microseconds, and find why a stamp is sent twice"),
    "starts-undefined": (
        "warning",
        "count the times of labels from the first defined sample, or export the file again",
    ),
    "undefined-value": ("warning", "find why the logger or its range gave no number there"),
    **dict.fromkeys(
        ("fs-overruled", "full-scale-v-overruled", "adc-bits-overruled", "time-unit-overruled"),
        ("warning", "correct what you gave, or the first lines of the file"),
    ),
}
"""Severity and remedy of the loader's findings."""


@dataclass(frozen=True, slots=True)
class HealthFinding:
    """One fault: a stable code, its severity, a description, `value` in `unit`, the remedy, and its first time."""

    code: str
    severity: str
    message: str
    advice: str
    value: float = math.nan
    unit: str = ""
    first_s: float = math.nan


def describe_fault(
    code: str, message: str, value: float = math.nan, *, first_s: float = math.nan, severity: str = ""
) -> HealthFinding:
    """The finding of a fault of MEASURED; `severity` replaces that of the table."""
    usual, unit, advice = MEASURED[code]
    return HealthFinding(code, severity or usual, message, advice, value, unit, first_s)


def rank_severity(finding: HealthFinding) -> int:
    """Place of the finding's severity, the worst first."""
    return SEVERITIES.index(finding.severity)


def carry_over(report: LoadReport, gap_s: float = math.nan) -> Iterator[HealthFinding]:
    """The loader's findings with their remedies; `gap_s` is the time of the first gap."""
    for found in report.findings:
        severity, advice = LOADED.get(found.code, ("note", "nothing, unless it is unexpected"))  # of other loaders
        message, first_s = str(found).rsplit(" [", 1)[0], gap_s if found.code == "gap" else math.nan
        yield HealthFinding(found.code, severity, message, advice, float(found.count), "times", first_s)
