"""A recording from a file, by its content: WAV, frames of a logger, or a CSV log."""

import warnings
from dataclasses import replace
from pathlib import Path
from typing import Literal

from tapsig.errors import LabelError, ParameterError, RecordingWarning
from tapsig.loading.files import check_file, show_path, to_path
from tapsig.loading.findings import LoadReport
from tapsig.loading.frames import read_frames, refuse_options, starts_as_frames
from tapsig.loading.labels import find_labels_beside, load_labels
from tapsig.loading.wav import read_wav
from tapsig.records import Finding, Label, Recording
from tapsig.units import SECONDS, check_positive

WAV_SUFFIXES = (".wav", ".wave")


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

    What was wrong with the file, or had to be assumed of it, is in the `findings` of the recording, and a
    RecordingWarning says each.

    Parameters
    ----------
    path : str or Path
        The file; its content decides what it is.
    channel : int
        Index of the channel, from 0 (in a log: of the value column). Channels are never mixed. None: the first; in a
        log,
        the first value column whose header names volts or counts, if one does.
    column : str
        The value column of a log by its name in the header, in place of `channel`.
    full_scale_v : float
        Volts of a WAV sample of 1, or of 2**adc_bits counts of a log; None: as a log's preamble says, or 1.
    adc_bits : int
        Bits of the converter; a log of counts needs it here or in its preamble.
    labels : str, Path or False
        A label file (see `load_labels`), or a WAV file with cue points. None: X.labels.csv, X.labels.txt or X.csv
        beside
        X.wav, if it is there, and a finding says so. False: none.
    fs : float
        Rate in Hz of a log without a time column; where the file says another one, the file is right.
    time_unit : {"s", "ms", "us", "ns"}
        For a log whose time column does not say.
    strict : bool
        Refuse a file with any fault, instead of reading what is sound in it.
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
        channel=channel,
        column=column,
        full_scale_v=full_scale_v,
        adc_bits=adc_bits,
        labels=labels,
        fs=fs,
        time_unit=time_unit,
        strict=strict,
        position=position,
        vehicle=vehicle,
        scene=scene,
    )
    for finding in recording.findings:
        warnings.warn(f"{recording.source}: {finding}", RecordingWarning, stacklevel=2)
    return recording


def read_recording(
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
) -> tuple[Recording, LoadReport]:
    """The recording of `load_recording`, and the report of what was found and done while reading it."""
    path = to_path("path", path)
    check_file(path)
    _check_arguments(channel, column, full_scale_v, adc_bits, fs, time_unit)
    if path.suffix.lower() in WAV_SUFFIXES or _starts_as_wav(path):
        if column is not None:
            raise ParameterError(f"column is {column!r}; {path} is a WAV file, which has no names: give channel=")
        scale = 1.0 if full_scale_v is None else full_scale_v
        recording, report = read_wav(path, channel=channel, full_scale_v=scale, adc_bits=adc_bits, fs=fs, strict=strict)
    elif starts_as_frames(path):
        refuse_options(path, channel=channel, column=column, adc_bits=adc_bits)
        recording, report = read_frames(path, full_scale_v=full_scale_v, fs=fs, strict=strict)
    else:
        from tapsig.loading.csv import read_csv  # only logs need it

        recording, report = read_csv(
            path,
            channel=channel,
            column=column,
            full_scale_v=full_scale_v,
            adc_bits=adc_bits,
            fs=fs,
            time_unit=time_unit,
            strict=strict,
        )
    if labels is None:
        found, said = load_labels_beside(path, recording.span_s)
        report = replace(report, findings=(*report.findings, *said))
    else:
        found = None if labels is False else _load_fitting(labels, path, recording.span_s)
    named = replace(
        recording,
        labels=found,
        position=position or recording.position,
        vehicle=vehicle or recording.vehicle,
        scene=scene or recording.scene,
        source=show_path(path),
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


def _starts_as_wav(path: Path) -> bool:
    with open(path, "rb") as file:
        head = file.read(12)
    return head[:4] in (b"RIFF", b"RF64", b"BW64") and head[8:] == b"WAVE"


def _check_arguments(
    channel: int | None,
    column: str | None,
    full_scale_v: float | None,
    adc_bits: int | None,
    fs: float | None,
    time_unit: str | None,
) -> None:
    if channel is not None and (isinstance(channel, bool) or not isinstance(channel, int) or channel < 0):
        raise ParameterError(f"channel is {channel!r}; it must be a whole number from 0")
    if channel is not None and column is not None:
        raise ParameterError(f"channel is {channel} and column is {column!r}; give one of them")
    if full_scale_v is not None:
        check_positive("full_scale_v", full_scale_v)
    if fs is not None:
        check_positive("fs", fs)
    if adc_bits is not None and not (isinstance(adc_bits, int) and 1 <= adc_bits <= 24):
        raise ParameterError(f"adc_bits is {adc_bits!r}; it must lie between 1 and 24")
    if time_unit is not None and not (isinstance(time_unit, str) and time_unit in SECONDS):
        raise ParameterError(f"time_unit is {time_unit!r}; it must be {', '.join(SECONDS)}")
