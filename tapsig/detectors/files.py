"""Detection in blocks of a WAV file, in memory independent of its length."""

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from tapsig.converter import Converter, CountArray
from tapsig.detections import Detections
from tapsig.detectors.base import CountDetector, Variant, attribute_errors, build_detector, feed
from tapsig.errors import RecordingError
from tapsig.loading import read_wav_blocks, read_wav_info
from tapsig.loading.findings import FindingList
from tapsig.loading.wav import read_wav_counts
from tapsig.records import Gap
from tapsig.units import FloatArray

BLOCK_SAMPLES = 1 << 18
Piece = tuple[int, npt.NDArray[Any]]
"""Volts or counts, after the first sample of their stretch."""


def detect_wav(
    variant: Variant,
    path: str | Path,
    *,
    channel: int = 0,
    full_scale_v: float = 1.0,
    keep_rejected: bool = False,
    findings: FindingList | None = None,
    progress: Callable[[int], None] = lambda _: None,
) -> Detections:
    """Detect in one channel of a WAV file without holding all its samples.

    The result equals that of `detect` on the loaded file, but without features, which would take most of the memory for
    a day's detections. A batch-only detector (latency inf) keeps all samples itself.
    `findings` takes undefined samples and those beyond full scale; `progress` is told how many samples are done.

    Raises RecordingError when it is no usable WAV file; ParameterError when the detector fails.
    """
    info = read_wav_info(path)
    converter = Converter((-full_scale_v, full_scale_v), min(max(info.adc_bits or 16, 8), 16))
    running = build_detector(variant, info.fs, where=str(path), keep_rejected=keep_rejected, converter=converter)
    gaps: list[Gap] = []
    if info.is_counts and isinstance(running, CountDetector):
        pieces = _follow(read_wav_counts(path, channel=channel, block_samples=BLOCK_SAMPLES), progress)
    else:
        blocks = read_wav_blocks(
            path,
            channel=channel,
            full_scale_v=full_scale_v,
            block_samples=BLOCK_SAMPLES,
            findings=FindingList() if findings is None else findings,
        )
        pieces = _cut_at_undefined(blocks, info.fs, gaps, progress)
    with attribute_errors(variant, str(path), passing=RecordingError):
        found = [
            feed(running, (samples for _, samples in stretch), drop_features=True).shifted(start)
            for start, stretch in groupby(pieces, key=lambda piece: piece[0])
        ]
    if not found:
        raise RecordingError(f"{path}: every sample is nan or infinite; export it again")
    return replace(Detections.concatenate(found), fs=info.fs, gaps=tuple(gaps))


def _follow(blocks: Iterator[CountArray], progress: Callable[[int], None]) -> Iterator[Piece]:
    """Blocks of counts, which are never undefined; the next one is read while one is worked on."""
    done = 0
    for block in _read_ahead(blocks):
        yield 0, block
        done += block.size
        progress(done)


def _read_ahead(blocks: Iterator[CountArray]) -> Iterator[CountArray]:
    with ThreadPoolExecutor(1) as pool:
        waiting = pool.submit(next, blocks, None)
        while (block := waiting.result()) is not None:
            waiting = pool.submit(next, blocks, None)
            yield block


def _cut_at_undefined(
    blocks: Iterator[FloatArray], fs: float, gaps: list[Gap], progress: Callable[[int], None]
) -> Iterator[Piece]:
    """Pieces without undefined samples, each with the first sample of its stretch; `gaps` takes what is between them.

    As in a recording that is loaded whole, undefined samples do not count, and time begins with the first defined one.
    """
    done = size = start = missing = 0
    for block in blocks:
        kept = np.isfinite(block)
        pieces = [block] if kept.all() else np.split(block, np.flatnonzero(np.diff(kept)) + 1)
        for piece in pieces:
            if not np.isfinite(piece[0]):
                missing += piece.size
                continue
            if missing and size:
                start = size
                gaps.append(Gap(size, missing / fs))
            missing = 0
            size += piece.size
            yield start, piece
        done += block.size
        progress(done)
