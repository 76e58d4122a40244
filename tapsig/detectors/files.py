"""Detection straight from a WAV file, in blocks: memory does not grow with the length of the recording."""

from pathlib import Path

from tapsig.converter import Converter
from tapsig.detectors.base import Variant, blame, build_detector, feed
from tapsig.errors import RecordingError
from tapsig.loading import read_wav_blocks, read_wav_info
from tapsig.records import Detections

BLOCK_SAMPLES = 1 << 18


def detect_wav(
    variant: Variant, path: str | Path, *, channel: int = 0, full_scale_v: float = 1.0, keep_rejected: bool = False
) -> Detections:
    """What `detect` finds in one channel of the WAV file, without holding its samples.

    The result equals that of loading the file and calling `detect`; features are left out, since those of a day's
    detections take more memory than all else. A batch-only detector (its latency is inf) keeps the samples itself.

    Raises RecordingError when it is no usable WAV file or holds a sample that is nan or infinite; ParameterError when
    the detector fails.
    """
    info = read_wav_info(path)
    converter = Converter((-full_scale_v, full_scale_v), min(max(info.adc_bits or 16, 8), 16))
    running = build_detector(variant, info.fs, where=str(path), keep_rejected=keep_rejected, converter=converter)
    blocks = read_wav_blocks(path, channel=channel, full_scale_v=full_scale_v, block_samples=BLOCK_SAMPLES)
    with blame(variant, str(path), passing=RecordingError):
        return feed(running, blocks, lean=True)
