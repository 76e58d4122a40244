"""A long WAV file as recordings of some minutes, one after the other: memory does not grow with its length."""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tapsig.errors import RecordingError
from tapsig.loading.files import show_path
from tapsig.loading.findings import FindingList
from tapsig.loading.read_options import DEFAULTS, ReadOptions
from tapsig.loading.wav import add_channel_choice, find_gaps, note_unusual, read_wav_blocks, read_wav_info
from tapsig.records import Label, Recording
from tapsig.units import FloatArray, seconds_to_samples

LARGE_SAMPLES = 1 << 23
"""Files of more samples a channel are read in parts where a command can: 17 min at 8 kHz."""
PART_S = 300.0


@dataclass(frozen=True, slots=True)
class Part:
    """A part of a recording, of whose samples [first, stop) belong to no other part.

    `start` is the time of its first sample, times the rate; undefined samples before it count.
    """

    recording: Recording
    start: int
    first: int
    stop: int


def read_wav_parts(
    path: str | Path,
    options: ReadOptions = DEFAULTS,
    *,
    labels: tuple[Label, ...] | None = None,
    overlap_s: float = 0.0,
    findings: FindingList | None = None,
    progress: Callable[[int], None] | None = None,
) -> Iterator[Part]:
    """One channel of a WAV file in parts of five minutes, each with `overlap_s` of its neighbours at either side.

    Of the `options`, channel, full scale and bits count. Each part holds those of `labels` that lie in it, in its own
    time. Samples that are nan or infinite leave a gap, as in `load_recording`; `findings` collects these, and float
    samples beyond full scale. `progress` is called with the number of samples done.

    Raises RecordingError when it is no usable WAV file or holds no defined sample.
    """
    path, findings = Path(path), FindingList() if findings is None else findings
    info, scale_v = read_wav_info(path), options.wav_scale_v
    size, overlap = (seconds_to_samples(seconds, info.fs) for seconds in (PART_S, overlap_s))
    block = max(size, overlap, 1)
    blocks = read_wav_blocks(
        path, channel=options.channel or 0, full_scale_v=scale_v, block_samples=block, keep_undefined=True
    )
    blocks = note_unusual(blocks, findings, full_scale_v=scale_v, is_float=info.adc_bits is None)
    making = _Parts(path, info.fs, scale_v, options.adc_bits or info.adc_bits, labels)
    before, here = np.zeros(0), next(blocks)
    start = 0
    while here.size:
        after = next(blocks, np.zeros(0))
        if 0 < after.size < overlap + 1 or after.size < size // 8:  # a short rest goes with the part before it
            here, after = np.concatenate([here, after]), np.zeros(0)
        joined = np.concatenate([before, here, after[:overlap]])
        part = making.make(joined, start - before.size, before.size, here.size)
        if part is not None:
            yield part
        start += here.size
        if progress is not None:
            progress(start)
        before, here = here[max(0, here.size - overlap) :], after
    if making.origin is None:
        raise RecordingError(f"{path}: every sample is nan or infinite; export it again")


def read_wav_span(
    path: str | Path,
    start_s: float,
    stop_s: float,
    options: ReadOptions = DEFAULTS,
    *,
    labels: tuple[Label, ...] | None = None,
) -> Recording:
    """One channel of a WAV file from `start_s` to before `stop_s`, without reading the rest.

    It equals `load_recording(path)[start_s:stop_s]`, with the findings of the span alone. Raises RecordingError where
    there is no sample.
    """
    path = Path(path)
    info, scale_v, findings = read_wav_info(path), options.wav_scale_v, FindingList()
    channel = options.channel or 0
    if options.channel is None:
        add_channel_choice(findings, info.channels)
    is_float = info.adc_bits is None
    origin = _find_first_defined(path, channel) if is_float else 0  # time begins there
    first, stop = (
        min(max(0, origin + math.ceil(min(time_s, info.duration_s) * info.fs - 1e-6)), info.frames)
        for time_s in (start_s, stop_s)
    )
    blocks = read_wav_blocks(path, channel=channel, full_scale_v=scale_v, first=first, stop=stop, keep_undefined=True)
    noted = list(note_unusual(blocks, findings, full_scale_v=scale_v, is_float=is_float, first=first))
    own = None if labels is None else tuple(label for label in labels if label.onset_s < stop_s)
    making = _Parts(path, info.fs, scale_v, options.adc_bits or info.adc_bits, own, origin)
    part = making.make(np.concatenate(noted), first, 0, stop - first) if first < stop else None
    if part is None:
        raise RecordingError(
            f"{path}: there is no sample from {start_s:g} to {stop_s:g} s; it lasts {info.duration_s:g} s"
        )
    return replace(
        part.recording, findings=(*info.findings, *findings.settle("", strict=False)), start_s=part.start / info.fs
    )


def _find_first_defined(path: Path, channel: int) -> int:
    """The first sample that is neither nan nor infinite. Raises RecordingError where there is none."""
    done = 0
    for block in read_wav_blocks(path, channel=channel, keep_undefined=True):
        kept = np.isfinite(block)
        if kept.any():
            return done + int(np.argmax(kept))
        done += block.size
    raise RecordingError(f"{path}: every sample is nan or infinite; export it again")


@dataclass(slots=True)
class _Parts:
    """Makes parts; `origin` is the first defined sample of the file, at which time begins."""

    path: Path
    fs: float
    scale_v: float
    adc_bits: int | None
    labels: tuple[Label, ...] | None
    origin: int | None = None

    def make(self, samples: FloatArray, begin: int, first: int, count: int) -> Part | None:
        """The part of `samples`, the first of which is sample `begin` of the file; None where none of its own is
        defined.
        """
        kept = np.isfinite(samples)
        places = np.flatnonzero(kept)
        own = [int(place) for place in np.searchsorted(places, [first, first + count])]
        if own[0] == own[1]:
            return None
        if self.origin is None:
            self.origin = begin + int(places[own[0]])
        start = begin + int(places[0]) - self.origin
        recording = Recording(
            samples if places.size == samples.size else samples[kept],
            self.fs,
            labels=self._select_labels(start, int(places[-1] - places[0]) + 1),
            range_v=(-self.scale_v, self.scale_v),
            adc_bits=self.adc_bits,
            gaps=find_gaps(self.path, places, self.fs),
            source=show_path(self.path),
        )
        return Part(recording, start, *own)

    def _select_labels(self, start: int, span: int) -> tuple[Label, ...] | None:
        if self.labels is None:
            return None
        times = ((label.onset_s - start / self.fs, label.kind) for label in self.labels)
        return tuple(Label(onset_s, kind) for onset_s, kind in times if 0 <= onset_s * self.fs < span)
