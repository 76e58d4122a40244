"""A long WAV file as recordings of some minutes, one after the other: memory does not grow with its length."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tapsig.errors import RecordingError
from tapsig.loading.files import show_path
from tapsig.loading.wav import read_wav_blocks, read_wav_info
from tapsig.records import Label, Recording
from tapsig.units import FloatArray, seconds_to_samples

LARGE_SAMPLES = 1 << 23
"""Files of more samples a channel are read in parts where a command can: 17 min at 8 kHz."""
PART_S = 300.0


@dataclass(frozen=True, slots=True)
class Part:
    """A part of a recording from sample `start` on; of its samples, [first, stop) belong to no other part."""

    recording: Recording
    start: int
    first: int
    stop: int


def read_wav_parts(
    path: str | Path,
    *,
    channel: int = 0,
    full_scale_v: float | None = None,
    adc_bits: int | None = None,
    labels: tuple[Label, ...] | None = None,
    overlap_s: float = 0.0,
) -> Iterator[Part]:
    """One channel of a WAV file in parts of five minutes, each with `overlap_s` of its neighbours at either side.

    Each part holds those of `labels` that lie in it, in its own time. Raises RecordingError as `read_wav_blocks` does.
    """
    info, scale_v = read_wav_info(path), 1.0 if full_scale_v is None else full_scale_v
    size, overlap = (seconds_to_samples(seconds, info.fs) for seconds in (PART_S, overlap_s))
    blocks = read_wav_blocks(path, channel=channel, full_scale_v=scale_v, block_samples=max(size, overlap, 1))
    before, here = np.zeros(0), next(blocks)
    start = 0
    while here.size:
        after = next(blocks, np.zeros(0))
        if 0 < after.size < overlap + 1 or after.size < size // 8:  # a short rest goes with the part before it
            here, after = np.concatenate([here, after]), np.zeros(0)
        begin = start - before.size
        yield _make_part(
            np.concatenate([before, here, after[:overlap]]),
            begin,
            before.size,
            here.size,
            info.fs,
            labels,
            range_v=(-scale_v, scale_v),
            adc_bits=adc_bits or info.adc_bits,
            source=show_path(Path(path)),
        )
        start += here.size
        before, here = here[max(0, here.size - overlap) :], after


def read_wav_span(
    path: str | Path,
    start_s: float,
    stop_s: float,
    *,
    channel: int = 0,
    full_scale_v: float | None = None,
    adc_bits: int | None = None,
    labels: tuple[Label, ...] | None = None,
) -> Recording:
    """One channel of a WAV file from `start_s` to before `stop_s`, without reading the rest.

    It equals `load_recording(path)[start_s:stop_s]`. Raises RecordingError where there is no sample, and as
    `read_wav_blocks` does.
    """
    info, scale_v = read_wav_info(path), 1.0 if full_scale_v is None else full_scale_v
    first, stop = (min(max(0, math.ceil(time_s * info.fs - 1e-6)), info.frames) for time_s in (start_s, stop_s))
    if first >= stop:
        raise RecordingError(
            f"{path}: there is no sample from {start_s:g} to {stop_s:g} s; it lasts {info.duration_s:g} s"
        )
    blocks = read_wav_blocks(path, channel=channel, full_scale_v=scale_v, first=first, stop=stop)
    begin_s = first / info.fs
    return Recording(
        np.concatenate(list(blocks)),
        info.fs,
        labels=None
        if labels is None
        else tuple(Label(one.onset_s - begin_s, one.kind) for one in labels if begin_s <= one.onset_s < stop_s),
        range_v=(-scale_v, scale_v),
        adc_bits=adc_bits or info.adc_bits,
        source=show_path(Path(path)),
        findings=info.findings,
        start_s=begin_s,
    )


def _make_part(
    samples: FloatArray,
    start: int,
    first: int,
    count: int,
    fs: float,
    labels: tuple[Label, ...] | None,
    *,
    range_v: tuple[float, float],
    adc_bits: int | None,
    source: str,
) -> Part:
    own = None
    if labels is not None:
        times = ((label.onset_s - start / fs, label.kind) for label in labels)
        own = tuple(Label(onset_s, kind) for onset_s, kind in times if 0 <= onset_s * fs < samples.size)
    recording = Recording(samples, fs, labels=own, range_v=range_v, adc_bits=adc_bits, source=source)
    return Part(recording, start, first, first + count)
