"""The summary of a WAV file that is too long to hold, read in parts."""

import dataclasses
import math
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np

from tapsig.analysis.health import HealthReport
from tapsig.analysis.long_health import check_health_of_file
from tapsig.detectors.base import Variant
from tapsig.detectors.files import detect_wav
from tapsig.entry import decode_taps
from tapsig.errors import ParameterError
from tapsig.loading import ReadOptions, load_labels, read_wav_blocks, read_wav_info
from tapsig.loading.parts import LARGE_SAMPLES, read_wav_span
from tapsig.loading.read_options import DEFAULTS
from tapsig.records import TAP, Label, Recording
from tapsig.summary.recording import Marks, RecordingSummary, describe_setting, match_times, summarise_recording
from tapsig.summary.spectrogram import Spectrogram, SpectrogramBuilder
from tapsig.summary.trace import TraceBuilder, shift_trace
from tapsig.units import FloatArray

EXAMINED_S = 300.0
LEAD_S = 2.0
BLOCK_SAMPLES = 1 << 18


def summarise_wav(
    path: str | Path,
    variants: Mapping[str, Variant],
    *,
    name: str,
    options: ReadOptions = DEFAULTS,
    begin_s: float = 0.0,
    end_s: float = math.inf,
    simulated: bool = False,
    window_s: float = 0.05,
    progress: Callable[[float], None] | None = None,
) -> RecordingSummary:
    """The summary of one channel of a WAV file of any length, or of its part from `begin_s` to `end_s`.

    Of more than 2²³ samples, detections, health, waveform and spectrogram are of the whole; what needs many passes
    (ringing, operating area, causes) is of the five minutes with the most taps. Memory does not grow with the length.
    `progress` is called with the share of the work that is done, up to 1.

    Raises RecordingError and LabelError as the loaders do, ParameterError for a span outside the recording.
    """
    info = read_wav_info(path)
    channel, scale_v = options.channel or 0, options.wav_scale_v
    known = load_labels(options.labels) if options.labels else None
    first_s, last_s = begin_s, min(end_s, info.duration_s)
    if not 0.0 <= first_s < last_s:
        raise ParameterError(
            f"from {begin_s:g} to {end_s:g} s: give seconds from 0 to {info.duration_s:g}, the earlier first"
        )

    def read_part(start_s: float, stop_s: float) -> Recording:
        part = read_wav_span(path, start_s, stop_s, options, labels=known)
        return dataclasses.replace(part, position=options.position, vehicle=options.vehicle, scene=options.scene)

    if (last_s - first_s) * info.fs <= LARGE_SAMPLES:
        return summarise_recording(
            read_part(first_s, last_s), variants, name=name, simulated=simulated, window_s=window_s, progress=progress
        )
    passes = len(variants) + 3  # each detector, the part, health, the waveform

    def tell(number: int, share: float) -> None:
        if progress is not None:
            progress((number + share) / passes)

    taps_s = None if known is None else _tap_times(known, first_s, last_s)
    marks = []
    for number, (key, variant) in enumerate(variants.items()):
        found = detect_wav(
            variant,
            path,
            channel=channel,
            full_scale_v=scale_v,
            progress=lambda done, number=number: tell(number, done / info.frames),  # type: ignore[misc]
        )
        times = found.onset_samples / info.fs
        inside = (times >= first_s) & (times < last_s)
        one = match_times(key, times[inside], found.strength[inside], taps_s, window_s=window_s)
        marks.append(dataclasses.replace(one, setting=describe_setting(variant)))
    busy = marks[-1].found_s if taps_s is None or not taps_s.size else taps_s
    examined = find_busiest(busy, first_s, last_s, wide_s=EXAMINED_S)
    part = summarise_recording(read_part(*examined), variants, name=name, simulated=simulated, window_s=window_s)
    health = check_health_of_file(path, options).report
    builder = TraceBuilder(first_s, last_s - first_s, fs=info.fs)
    tones = _start_spectrogram(first_s, last_s - first_s, fs=info.fs)
    at = round(first_s * info.fs)
    for block in read_wav_blocks(
        path, channel=channel, full_scale_v=scale_v, block_samples=BLOCK_SAMPLES, first=at, stop=round(last_s * info.fs)
    ):
        builder.add(block, at / info.fs)
        if tones is not None:
            tones.add(block - np.median(block), at / info.fs)
        at += block.size
        tell(len(variants) + 2, (at / info.fs - first_s) / (last_s - first_s))
    others = tuple(label for label in known or () if label.kind != TAP and first_s <= label.onset_s < last_s)
    part = dataclasses.replace(part, spectrogram=_end_spectrogram(tones))
    return _widen(part, tuple(marks), health, builder, taps_s, others, (first_s, last_s))


def _start_spectrogram(begin_s: float, span_s: float, *, fs: float) -> SpectrogramBuilder | None:
    """None for a rate too low."""
    try:
        return SpectrogramBuilder(begin_s, span_s, fs=fs)
    except ParameterError:
        return None


def _end_spectrogram(builder: SpectrogramBuilder | None) -> Spectrogram | None:
    """None of a recording without a sound."""
    try:
        return None if builder is None else builder.build()
    except ParameterError:
        return None


def _tap_times(labels: tuple[Label, ...], first_s: float, last_s: float) -> FloatArray:
    return np.array([label.onset_s for label in labels if label.kind == TAP and first_s <= label.onset_s < last_s])


def find_busiest(times_s: FloatArray, first_s: float, last_s: float, *, wide_s: float) -> tuple[float, float]:
    """The span of `wide_s` with the most of the times, which ascend; it begins two seconds before the first of them."""
    if not times_s.size:
        return first_s, min(first_s + wide_s, last_s)
    counts = np.searchsorted(times_s, times_s + wide_s - LEAD_S) - np.arange(times_s.size)
    begin = min(max(float(times_s[int(np.argmax(counts))]) - LEAD_S, first_s), max(last_s - wide_s, first_s))
    return begin, min(begin + wide_s, last_s)


def _widen(
    part: RecordingSummary,
    marks: tuple[Marks, ...],
    health: HealthReport,
    builder: TraceBuilder,
    taps_s: FloatArray | None,
    others: tuple[Label, ...],
    span_s: tuple[float, float],
) -> RecordingSummary:
    """The summary of a part with the waveform, marks and health of the whole."""
    advice = {one.detector: one.advice for one in part.marks}
    taps = np.zeros(0) if taps_s is None else taps_s
    return dataclasses.replace(
        part,
        begin_s=span_s[0],
        end_s=span_s[1],
        duration_s=span_s[1] - span_s[0],
        health=health,
        trace=shift_trace(builder.build(), -health.bias_v),
        taps_s=taps,
        others=others,
        marks=tuple(dataclasses.replace(one, advice=advice[one.detector]) for one in marks),
        entries=decode_taps(marks[-1].found_s),
        entries_labelled=decode_taps(taps),
    )
