"""A recording from a file, by its content: WAV, frames of a logger, or a CSV log."""

import warnings
from dataclasses import replace
from pathlib import Path
from typing import Literal

import numpy as np

from tapsig.errors import LabelError, RecordingError, RecordingWarning
from tapsig.loading.files import show_path, to_path
from tapsig.loading.findings import ASSUMED, LoadReport, join_findings
from tapsig.loading.frames import read_frames, starts_as_frames
from tapsig.loading.labels import find_labels_beside, load_labels
from tapsig.loading.logtext import CONTROLS
from tapsig.loading.read_options import DEFAULTS, ReadOptions
from tapsig.loading.riff import check_foreign, is_wav_file
from tapsig.loading.wav import read_wav
from tapsig.records import Finding, Label, Recording


def load_recording(
    path: str | Path,
    *,
    channel: int | None = None,
    column: str | None = None,
    full_scale_v: float | None = None,
    adc_bits: int | None = None,
    labels: str | Path | Literal[False] | None = None,
    fs: float | None = None,
    time_unit: str | None = None,
    strict: bool = False,
    position: str = "",
    vehicle: str = "",
    scene: str = "",
) -> Recording:
    """One channel of a WAV file, a CSV log, or a file of frames from a logger (see `loading/frames.py`), in volts.

    The `findings` of the recording list the faults of the file and what had to be assumed; each is also a
    RecordingWarning.

    Parameters
    ----------
    path : str or Path
        The file; its content decides what it is.
    channel : int
        Index of the channel, from 0 (in a log: of the value column). Channels are never mixed. None: the first; in a
        log, the first value column whose header names volts or counts, if there is one.
    column : str
        The value column of a log by its name in the header, in place of `channel`.
    full_scale_v : float
        Volts of a WAV sample of 1, or of 2**adc_bits counts of a log; None: as a log's preamble says, or 1.
    adc_bits : int
        Bits of the converter; a log of counts needs it here or in its preamble.
    labels : str, Path or False
        A label file (see `load_labels`), or a WAV file with cue points. None: X.labels.csv, X.labels.txt or X.csv
        beside X.wav, if it is there, and a finding says so. False: none.
    fs : float
        Rate in Hz of a log without a time column; if the file gives another rate, that of the file is used.
    time_unit : {"s", "ms", "us", "ns"}
        Unit of the time column of a log, if its header does not give it.
    strict : bool
        Refuse a file with any fault; otherwise its sound part is read.
    position, vehicle, scene : str
        What the recording is; kept with it.

    Returns
    -------
    Recording
        Samples in volts, with their rate, labels, gaps and findings.

    Raises
    ------
    RecordingError
        For a file that cannot be used.
    LabelError
        For labels that cannot be used, or that lie after its end.
    ParameterError
        For an argument outside its range.
    """
    recording, _ = read_recording(
        path,
        ReadOptions(channel, column, full_scale_v, adc_bits, labels, fs, time_unit, strict, position, vehicle, scene),
    )
    for finding in recording.findings:
        warnings.warn(f"{recording.source}: {finding}", RecordingWarning, stacklevel=2)
    return recording


def read_recording(path: str | Path, options: ReadOptions = DEFAULTS) -> tuple[Recording, LoadReport]:
    """The recording of `load_recording`, and the report of what was found and done while reading it."""
    path = to_path("path", path)
    if is_wav_file(path):
        recording, report = read_wav(path, options)
    elif starts_as_frames(path):
        recording, report = read_frames(path, options)
    else:
        from tapsig.loading.csv import read_csv  # only logs need it

        with open(path, "rb") as file:
            head = file.read(64)
        if head.translate(None, CONTROLS) != head:  # a log's header may begin as another kind of file does
            check_foreign(path, head)
        recording, report = read_csv(path, options)
    faults = [finding for finding in report.findings if finding.code not in ASSUMED]
    if options.strict and faults:
        raise RecordingError(f"{report.source}: {join_findings(faults)}; read it without strict to accept this")
    if options.labels is None:
        found, said = load_labels_beside(path, recording.span_s)
        report = replace(report, findings=(*report.findings, *said))
    else:
        found = None if options.labels is False else _load_fitting(options.labels, path, recording.span_s)
    if recording.gaps and found:
        report = replace(report, findings=(*report.findings, *_find_unrecorded(recording, found)))
    named = replace(
        recording,
        labels=found,
        position=options.position or recording.position,
        vehicle=options.vehicle or recording.vehicle,
        scene=options.scene or recording.scene,
        source=report.source,
        findings=report.findings,
    )
    return named, report


def _load_fitting(labels: str | Path, path: Path, span_s: float) -> tuple[Label, ...]:
    """The labels of a file; LabelError for one after the end of the recording `path`."""
    found = load_labels(labels)
    if found and found[-1].onset_s > span_s:
        raise LabelError(
            f"{labels}: the label at {found[-1].onset_s:g} s lies after the end of {path}"
            f" ({span_s:g} s); is it the label file of another recording?"
        )
    return found


def _find_unrecorded(recording: Recording, labels: tuple[Label, ...]) -> tuple[Finding, ...]:
    """The finding that labels lie in gaps."""
    onsets_s = np.array([label.onset_s for label in labels])
    lost = recording.in_gaps(onsets_s)
    if not lost.any():
        return ()
    message = f"the label at {onsets_s[lost][0]:g} s lies in a gap, where nothing was recorded: no detector can find it"
    return (Finding("labels-in-gap", message, int(lost.sum())),)


def load_labels_beside(path: Path, span_s: float) -> tuple[tuple[Label, ...] | None, tuple[Finding, ...]]:
    """The labels in a file beside a recording (see `find_labels_beside`), and the finding that says so.

    Labels that cannot be used, or lie after `span_s`, are a finding, not an error, since they were not requested.
    """
    beside = find_labels_beside(path)
    if beside is None:
        return None, ()
    try:
        found = _load_fitting(beside, path, span_s)
    except LabelError as error:
        return None, (Finding("labels-unusable", f"the label file beside it is not used: {error}"),)
    return found, (Finding("labels-beside", f"{len(found)} labels taken from {show_path(beside)}"),)
