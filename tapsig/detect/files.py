"""Detection straight from a WAV file, in blocks: memory does not grow with the length of the recording."""

from dataclasses import replace
from pathlib import Path

from tapsig.detect.base import Variant
from tapsig.load import read_wav_blocks, read_wav_info
from tapsig.records import Detections

BLOCK_SAMPLES = 1 << 18


def detect_wav(
    variant: Variant, path: str | Path, *, channel: int = 0, full_scale_v: float = 1.0, keep_rejected: bool = False,
    keep_features: bool = False,
) -> Detections:  # fmt: skip
    """What `detect` finds in one channel of the WAV file, without holding its samples.

    The result equals that of loading the file and calling `detect`; features are left out unless `keep_features`, since
    those of a day's detections take more memory than all else. A batch-only detector (its latency is inf) keeps
    the samples itself.

    Raises RecordingError when it is no usable WAV file or holds a sample that is nan or infinite.
    """
    detector = variant.build(read_wav_info(path).fs, keep_rejected=keep_rejected)
    blocks = read_wav_blocks(path, channel=channel, full_scale_v=full_scale_v, block_samples=BLOCK_SAMPLES)
    found = [detector.push(block) if keep_features else replace(detector.push(block), features={}) for block in blocks]
    last = detector.flush()
    return Detections.concatenate([*found, last if keep_features else replace(last, features={})])
