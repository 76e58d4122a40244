"""Write WAV files, and labels as their cue points."""

import io
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile

from tapsig.errors import LabelError, ParameterError
from tapsig.loading.cue_points import replace_cue_points
from tapsig.loading.files import replace_file
from tapsig.loading.riff import PCM, read_wav_info
from tapsig.loading.wav import SUBTYPES
from tapsig.records import Label
from tapsig.units import check_positive, seconds_to_samples


def write_wav(
    path: str | Path,
    samples: npt.ArrayLike | Sequence[npt.ArrayLike],
    fs: float,
    *,
    full_scale_v: float,
    bits: int = 16,
    labels: Sequence[Label] = (),
) -> None:
    """Write volts, shape (n,) or (channels, n), to an integer WAV file of 8, 16, 24 or 32 bits; replaces `path`.

    A volt becomes 2**(bits-1) / full_scale_v counts, to the nearest. `labels` go in as cue points.

    Raises ParameterError for a rate that is no whole number, samples beyond ±full_scale_v or not finite.
    """
    path, volts = Path(path), np.atleast_2d(np.asarray(samples, dtype=np.float64))
    full_scale_v, rate = check_positive("full_scale_v", full_scale_v), check_positive("fs", fs)
    if (PCM, bits) not in SUBTYPES:
        raise ParameterError(f"bits is {bits!r}; a WAV file has 8, 16, 24 or 32")
    if rate != int(rate) or rate > 2**31 - 1:
        raise ParameterError(f"fs is {fs!r}; a WAV file holds whole numbers of Hz only: resample, or write a CSV log")
    if volts.ndim != 2 or not volts.size:
        raise ParameterError(f"samples have shape {volts.shape}; (n,) or (channels, n) with n above 0 is needed")
    peak = float(np.abs(volts).max())
    if not peak <= full_scale_v:
        raise ParameterError(f"samples reach {peak:g} V; full_scale_v is {full_scale_v:g}: choose one that holds them")
    steps = 1 << (bits - 1)
    counts = np.minimum(np.floor(volts / full_scale_v * steps + 0.5), steps - 1).astype(np.int64)
    left_justified = (counts << (32 - bits)).astype(np.int32)
    buffer = io.BytesIO()
    soundfile.write(buffer, left_justified.T, int(rate), format="WAV", subtype=SUBTYPES[PCM, bits])
    replace_file(path, buffer.getvalue())
    if labels:
        write_cue_labels(path, labels)


def write_cue_labels(path: str | Path, labels: Sequence[Label]) -> None:
    """Write `labels` as cue points into a WAV file and remove its old ones; the samples stay unchanged.

    Onsets round to the nearest frame. Raises LabelError for an onset after the end of the file.
    """
    path = Path(path)
    info = read_wav_info(path)
    points = []
    for label in sorted(labels):
        frame = seconds_to_samples(label.onset_s, info.fs)
        if frame >= info.frames:
            raise LabelError(f"a label at {label.onset_s:g} s lies after the end of {path} ({info.duration_s:g} s)")
        points.append((frame, label.kind))
    replace_cue_points(path, points)
