"""The summary of a WAV file that is too long to hold, read in parts."""

import contextlib
import dataclasses
import math
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np

from tapsig.analysis.long_health import check_health_of_file
from tapsig.detectors.base import Variant
from tapsig.detectors.files import detect_wav
from tapsig.entry import decode_taps
from tapsig.errors import ParameterError
from tapsig.loading import ReadOptions, load_labels, read_wav_blocks, read_wav_info
from tapsig.loading.parts import LARGE_SAMPLES, read_wav_span
from tapsig.loading.read_options import DEFAULTS
from tapsig.records import TAP, Recording
from tapsig.summary.recording import RecordingSummary, match_times, summarise_recording
from tapsig.summary.spectrogram import Spectrogram, SpectrogramBuilder
from tapsig.summary.trace import Trace, TraceBuilder
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

    inside = [label for label in known or () if first_s <= label.onset_s < last_s]
    taps = np.array([label.onset_s for label in inside if label.kind == TAP])
    marks = []
    for number, (key, variant) in enumerate(variants.items()):
        found = detect_wav(
            variant,
            path,
            channel=options.channel or 0,
            full_scale_v=options.wav_scale_v,
            progress=lambda done, number=number: tell(number, done / info.frames),  # type: ignore[misc]
        )
        times = found.onset_samples / info.fs
        chosen = (times >= first_s) & (times < last_s)
        taps_s = None if known is None else taps
        marks.append(match_times(key, variant, times[chosen], found.strength[chosen], taps_s, window_s=window_s))
    examined = find_busiest(taps if taps.size else marks[-1].found_s, first_s, last_s, wide_s=EXAMINED_S)
    part = summarise_recording(read_part(*examined), variants, name=name, simulated=simulated, window_s=window_s)
    health = check_health_of_file(path, options).report
    trace, spectrogram = _scan(
        path, options, health.bias_v, first_s, last_s, progress=lambda share: tell(len(variants) + 2, share)
    )
    return dataclasses.replace(
        part,
        begin_s=first_s,
        end_s=last_s,
        duration_s=last_s - first_s,
        health=health,
        trace=trace,
        spectrogram=spectrogram,
        taps_s=taps,
        others=tuple(label for label in inside if label.kind != TAP),
        marks=tuple(
            dataclasses.replace(whole, advice=one.advice) for whole, one in zip(marks, part.marks, strict=True)
        ),
        entries=decode_taps(marks[-1].found_s),
        entries_labelled=decode_taps(taps),
    )


def _scan(
    path: str | Path,
    options: ReadOptions,
    bias_v: float,
    first_s: float,
    last_s: float,
    *,
    progress: Callable[[float], None],
) -> tuple[Trace, Spectrogram | None]:
    """Waveform and spectrogram of a span; no spectrogram where the rate is too low or nothing sounds."""
    fs, span_s = read_wav_info(path).fs, last_s - first_s
    trace, tones, spectrogram = TraceBuilder(first_s, span_s, fs=fs), None, None
    with contextlib.suppress(ParameterError):
        tones = SpectrogramBuilder(first_s, span_s, fs=fs)
    at, stop = round(first_s * fs), round(last_s * fs)
    for block in read_wav_blocks(
        path,
        channel=options.channel or 0,
        full_scale_v=options.wav_scale_v,
        block_samples=BLOCK_SAMPLES,
        first=at,
        stop=stop,
    ):
        trace.add(block - bias_v, at / fs)
        if tones is not None:
            tones.add(block - np.median(block), at / fs)
        at += block.size
        progress((at / fs - first_s) / span_s)
    if tones is not None:
        with contextlib.suppress(ParameterError):
            spectrogram = tones.build()
    return trace.build(), spectrogram


def find_busiest(times_s: FloatArray, first_s: float, last_s: float, *, wide_s: float) -> tuple[float, float]:
    """The span of `wide_s` with the most of the times, which ascend; it begins two seconds before the first of them."""
    if not times_s.size:
        return first_s, min(first_s + wide_s, last_s)
    counts = np.searchsorted(times_s, times_s + wide_s - LEAD_S) - np.arange(times_s.size)
    begin = min(max(float(times_s[int(np.argmax(counts))]) - LEAD_S, first_s), max(last_s - wide_s, first_s))
    return begin, min(begin + wide_s, last_s)
