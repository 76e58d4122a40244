"""What a detector finds in the recording that the arguments name; a long WAV file is read in blocks."""

import argparse
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tapsig.cli.recording_options import has_span, is_long_wav, read, read_long, read_options

if TYPE_CHECKING:
    from tapsig.detections import Detections
    from tapsig.detectors import Variant
    from tapsig.records import Recording


@dataclass(frozen=True, slots=True)
class FoundInFile:
    """Detections in one file, with their onsets in seconds of the file; `recording` is None where it was not held."""

    found: "Detections"
    times_s: list[float]
    fs: float
    start_s: float
    span_s: float
    recording: "Recording | None"


def detect_in_file(
    variant: "Variant", args: argparse.Namespace, *, keep_rejected: bool = False, whole: bool = False
) -> FoundInFile:
    """Detect in `args.recording`; with `whole` it is held in memory, to be drawn."""
    from tapsig.detectors import detect  # lazy: --help need not wait for these
    from tapsig.detectors.files import detect_wav
    from tapsig.loading import read_wav_info

    if not whole and not has_span(args) and is_long_wav(args):
        info = read_wav_info(args.recording)
        with read_long(args) as (findings, advance):
            found = detect_wav(
                variant,
                args.recording,
                channel=args.channel or 0,
                full_scale_v=read_options(args).wav_scale_v,
                keep_rejected=keep_rejected,
                findings=findings,
                progress=advance,
            )
        return FoundInFile(found, found.onset_s.tolist(), info.fs, 0.0, info.duration_s, None)
    recording = read(args)
    found = detect(variant, recording, keep_rejected=keep_rejected)
    times_s = recording.times_s(found.onset_samples) + recording.start_s
    return FoundInFile(found, times_s.tolist(), recording.fs, recording.start_s, recording.span_s, recording)
