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
from tapsig.loading.riff import FLOAT, read_wav_info
from tapsig.loading.turns import note_turns
from tapsig.loading.wav import add_channel_choice, find_gaps, read_wav_blocks
from tapsig.records import Label, Recording, describe_empty_part
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
    findings = FindingList() if findings is None else findings
    file = _File(Path(path), options, labels)
    size, overlap = (seconds_to_samples(seconds, file.info.fs) for seconds in (PART_S, overlap_s))
    blocks = file.read_blocks(findings, block_samples=max(size, overlap, 1))
    before, here = np.zeros(0), next(blocks)
    note_turns(here, findings)
    start = 0
    while here.size:
        after = next(blocks, np.zeros(0))
        if 0 < after.size < overlap + 1 or after.size < size // 8:  # a short rest goes with the part before it
            here, after = np.concatenate([here, after]), np.zeros(0)
        joined = np.concatenate([before, here, after[:overlap]])
        part = file.make_part(joined, start - before.size, before.size, here.size)
        if part is not None:
            yield part
        start += here.size
        if progress is not None:
            progress(start)
        before, here = here[max(0, here.size - overlap) :], after


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
    findings = FindingList()
    file = _File(Path(path), options, labels and tuple(label for label in labels if label.onset_s < stop_s))
    info = file.info
    if options.channel is None:
        add_channel_choice(findings, info.channels)
    first, stop = (
        min(max(0, file.origin + math.ceil(min(time_s, info.duration_s) * info.fs - 1e-6)), info.frames)
        for time_s in (start_s, stop_s)
    )
    samples = np.concatenate([np.zeros(0), *file.read_blocks(findings, first=first, stop=stop)])
    note_turns(samples, findings)
    part = file.make_part(samples, first, 0, stop - first) if first < stop else None
    if part is None:
        raise RecordingError(describe_empty_part(str(path), start_s, stop_s, info.duration_s))
    return replace(part.recording, findings=(*info.findings, *findings), start_s=part.start / info.fs)


class _File:
    """One channel of a WAV file, of which parts are made; time begins at its first defined sample, `origin`."""

    def __init__(self, path: Path, options: ReadOptions, labels: tuple[Label, ...] | None) -> None:
        self.info, self._path, self._options, self._labels = read_wav_info(path), path, options, labels
        self.origin = self._find_first_defined() if self.info.tag == FLOAT else 0

    def read_blocks(self, findings: FindingList, **which: int) -> Iterator[FloatArray]:
        """Blocks in volts, as `read_wav_blocks` gives them."""
        options = self._options
        return read_wav_blocks(
            self._path, channel=options.channel or 0, full_scale_v=options.wav_scale_v, findings=findings, **which
        )

    def _find_first_defined(self) -> int:
        """The first sample that is neither nan nor infinite. Raises RecordingError where there is none."""
        done = 0
        for block in self.read_blocks(FindingList()):
            kept = np.isfinite(block)
            if kept.any():
                return done + int(np.argmax(kept))
            done += block.size
        raise RecordingError(f"{self._path}: every sample is nan or infinite; export it again")

    def make_part(self, samples: FloatArray, begin: int, first: int, count: int) -> Part | None:
        """The part of `samples`, the first of which is sample `begin` of the file; None where none of its own, `count`
        from `first` on, is defined.
        """
        kept = np.isfinite(samples)
        places = np.flatnonzero(kept)
        own = [int(place) for place in np.searchsorted(places, [first, first + count])]
        if own[0] == own[1]:
            return None
        start = begin + int(places[0]) - self.origin
        scale_v = self._options.wav_scale_v
        recording = Recording(
            samples if places.size == samples.size else samples[kept],
            self.info.fs,
            labels=self._select_labels(start, int(places[-1] - places[0]) + 1),
            range_v=(-scale_v, scale_v),
            adc_bits=self._options.adc_bits or self.info.adc_bits,
            gaps=find_gaps(self._path, places, self.info.fs),
            source=show_path(self._path),
        )
        return Part(recording, start, *own)

    def _select_labels(self, start: int, span: int) -> tuple[Label, ...] | None:
        if self._labels is None:
            return None
        times = ((label.onset_s - start / self.info.fs, label.kind) for label in self._labels)
        return tuple(Label(onset_s, kind) for onset_s, kind in times if 0 <= onset_s * self.info.fs < span)
