"""WAV files: one channel as volts, whole or in blocks."""

import contextlib
import io
import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import soundfile

from tapsig.converter import CountArray
from tapsig.errors import ParameterError, RecordingError
from tapsig.loading.files import show_path
from tapsig.loading.findings import FindingList, LoadReport, Stretch
from tapsig.loading.read_options import ReadOptions
from tapsig.loading.riff import A_LAW, FLOAT, MU_LAW, PCM, WavInfo, read_wav_info
from tapsig.loading.turns import note_turns
from tapsig.records import Gap, Recording
from tapsig.units import FloatArray, check_positive

BLOCK_SAMPLES = 1 << 16
MAX_GAPS = 1000
RATE_TOLERANCE = 1e-3
UNDEFINED = "samples are nan or infinite; left out, and a gap stands for them"
SUBTYPES = {
    (PCM, 8): "PCM_U8",
    (PCM, 16): "PCM_16",
    (PCM, 24): "PCM_24",
    (PCM, 32): "PCM_32",
    (FLOAT, 32): "FLOAT",
    (FLOAT, 64): "DOUBLE",
    (A_LAW, 8): "ALAW",
    (MU_LAW, 8): "ULAW",
}


def read_wav(path: Path, options: ReadOptions) -> tuple[Recording, LoadReport]:
    """One channel of a WAV file as a Recording in volts; see `tapsig.loading.read_recording`.

    Samples that are nan or infinite are left out, and leave a gap of their own length.
    """
    if options.column is not None:
        raise ParameterError(f"column is {options.column!r}; {path} is a WAV file, without column names: give channel=")
    info = read_wav_info(path)
    findings, channel, full_scale_v = FindingList(info.findings), options.channel or 0, options.wav_scale_v
    if options.channel is None:
        add_channel_choice(findings, info.channels)
    _check_channel(path, info, channel)
    add_rate_difference(findings, info.fs, options.fs)
    samples = np.concatenate(list(_read_channel(path, info, channel, BLOCK_SAMPLES, 0, info.frames)))
    samples, gaps = _leave_out_undefined(path, samples, info.fs, findings)
    if info.tag == FLOAT:
        _add_beyond_full_scale(findings, samples, 0)
    note_turns(samples, findings)
    samples *= full_scale_v
    recording = Recording(
        samples,
        info.fs,
        range_v=(-full_scale_v, full_scale_v),
        adc_bits=options.adc_bits or info.adc_bits,
        gaps=gaps,
        source=str(path),
    )
    stretches = tuple(Stretch(start, stop, info.fs, float("nan")) for start, stop in recording.stretches())
    return recording, LoadReport(show_path(path), tuple(findings), stretches, channel=channel)


def add_rate_difference(findings: FindingList, header_fs: float, fs: float | None) -> None:
    """The finding that the call gives another rate than the header."""
    if fs is not None and abs(fs - header_fs) > RATE_TOLERANCE * header_fs:
        findings.add("rate-differs", f"the header says {header_fs:g} Hz, not {fs:g} Hz; the rate of the header is used")


def add_channel_choice(findings: FindingList, channels: int) -> None:
    """The finding that channel 0 of several was read by default."""
    if channels > 1:
        findings.add(
            "channel-chosen", f"took channel 0 of the channels 0 to {channels - 1}: choose another with channel="
        )


def read_wav_blocks(
    path: str | Path,
    *,
    channel: int = 0,
    full_scale_v: float = 1.0,
    block_samples: int = BLOCK_SAMPLES,
    first: int = 0,
    stop: int | None = None,
    findings: FindingList | None = None,
) -> Iterator[FloatArray]:
    """One channel of a WAV file as consecutive blocks in volts, float64; memory does not grow with the file.

    Joined, the blocks equal the samples of `load_recording`, from sample `first` to before `stop`. `read_wav_info`
    gives the rate.

    With `findings`, which take samples that are nan, infinite or beyond full scale, these are in the blocks.

    Raises RecordingError when it is no usable WAV file, or, without `findings`, at a sample that is nan or infinite
    (only `load_recording` can leave a gap there); ParameterError for a channel that the file does not have.
    """
    path = Path(path)
    if not 1 <= block_samples <= 1 << 26:
        raise ParameterError(f"block_samples is {block_samples!r}; it must lie between 1 and {1 << 26}")
    full_scale_v = check_positive("full_scale_v", full_scale_v)
    info = read_wav_info(path)
    _check_channel(path, info, channel)
    stop = info.frames if stop is None else min(stop, info.frames)
    blocks = _read_channel(path, info, channel, block_samples, first, stop)
    checked = _check_blocks(path, blocks, findings, first) if info.tag == FLOAT else blocks
    return (block * full_scale_v for block in checked)


def read_wav_counts(path: str | Path, *, channel: int = 0, block_samples: int = BLOCK_SAMPLES) -> Iterator[CountArray]:
    """One channel of a 16-bit WAV file as consecutive blocks of counts of a 16-bit converter: 2**15 is 0 V.

    Raises RecordingError when it is no usable WAV file, ParameterError for one of another width or without the channel.
    """
    path = Path(path)
    info = read_wav_info(path)
    _check_channel(path, info, channel)
    if not info.is_counts:
        raise ParameterError(f"{path}: its samples are not 16-bit integers; read_wav_blocks gives them in volts")
    for frames in _read_frames(path, info, block_samples, 0, info.frames):
        yield frames[:, channel].view(np.uint16) ^ np.uint16(1 << 15)


def _check_blocks(
    path: Path, blocks: Iterable[FloatArray], findings: FindingList | None, first: int
) -> Iterator[FloatArray]:
    """The same blocks of float samples, full scale = 1, from sample `first` on.

    `findings` takes undefined samples and those beyond full scale; without it, RecordingError for an undefined one.
    """
    for block in blocks:
        kept = np.isfinite(block)
        if not kept.all():
            bad = first + int(np.argmin(kept))
            if findings is None:
                raise RecordingError(
                    f"{path}: sample {bad} is nan or infinite; load the file whole, which leaves a gap"
                )
            findings.add("undefined-samples", UNDEFINED, count=int(np.count_nonzero(~kept)), sample=bad)
        if findings is not None:
            _add_beyond_full_scale(findings, np.where(kept, block, 0.0), first)
        first += block.size
        yield block


def _add_beyond_full_scale(findings: FindingList, samples: FloatArray, first: int) -> None:
    """The finding that samples, full scale = 1, are beyond it; `first` is the number of samples[0]."""
    beyond = np.abs(samples) > 1.0
    if beyond.any():
        findings.add(
            "beyond-full-scale",
            "float samples beyond ±1, kept as they are; check full_scale_v",
            count=int(beyond.sum()),
            sample=first + int(np.argmax(beyond)),
        )


def _read_channel(
    path: Path, info: WavInfo, channel: int, block_samples: int, first: int, stop: int
) -> Iterator[FloatArray]:
    """Blocks of one channel with full scale 1, copied so that the other channels take no memory."""
    for frames in _read_frames(path, info, block_samples, first, stop):
        yield frames[:, channel] * (2.0**-15 if frames.dtype == np.int16 else 1.0)


def _read_frames(path: Path, info: WavInfo, block_samples: int, first: int, stop: int) -> Iterator[npt.NDArray[Any]]:
    """Blocks of frames from sample `first` to before `stop`, shape (n, channels). 16-bit integers are as they are:
    those that are not wanted need no conversion; all else has full scale 1.
    """
    try:
        with _open(path, info) as sound:
            if first:
                sound.seek(first)
            left = stop - first
            dtype = "int16" if sound.subtype == "PCM_16" else "float64"
            while left > 0:
                frames = sound.read(min(block_samples, left), dtype=dtype, always_2d=True)
                if not len(frames):
                    raise RecordingError(f"{path}: its last {left} frames cannot be decoded; convert it to 16-bit WAV")
                left -= len(frames)
                yield frames
    except soundfile.SoundFileError as error:
        raise RecordingError(f"{path}: its samples cannot be decoded ({error}); convert it to 16-bit WAV") from error


def _open(path: Path, info: WavInfo) -> soundfile.SoundFile:
    """The file itself if its header is sound and the library agrees with it; else its samples alone."""
    if not info.findings:
        with contextlib.suppress(soundfile.SoundFileError):  # it does not know BW64
            sound = soundfile.SoundFile(str(path) if os.name == "nt" else os.fsencode(path))
            if (sound.frames, sound.channels, sound.samplerate) == (info.frames, info.channels, info.fs):
                return sound
            sound.close()
    return soundfile.SoundFile(
        _Window(path, info.data_offset, info.frames * info.frame_bytes),
        format="RAW",
        subtype=SUBTYPES[info.tag, info.bits],
        endian="LITTLE",
        channels=info.channels,
        samplerate=int(info.fs),
    )


class _Window(io.RawIOBase):
    """A stretch of a file, as a file of its own."""

    def __init__(self, path: Path, offset: int, size: int) -> None:
        self._file, self._offset, self._size, self._at = open(path, "rb"), offset, size, 0  # noqa: SIM115

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        self._at = max(0, offset + {io.SEEK_SET: 0, io.SEEK_CUR: self._at, io.SEEK_END: self._size}[whence])
        return self._at

    def tell(self) -> int:
        return self._at

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        self._file.seek(self._offset + self._at)
        raw = self._file.read(max(0, min(len(buffer), self._size - self._at)))
        buffer[: len(raw)] = raw
        self._at += len(raw)
        return len(raw)

    def close(self) -> None:
        self._file.close()
        super().close()


def _check_channel(path: Path, info: WavInfo, channel: int) -> None:
    if not 0 <= channel < info.channels:
        raise ParameterError(f"channel is {channel!r}; {path} has the channels 0 to {info.channels - 1}")


def _leave_out_undefined(
    path: Path, samples: FloatArray, fs: float, findings: FindingList
) -> tuple[FloatArray, tuple[Gap, ...]]:
    """Take nan and inf out; each run inside the recording becomes a gap."""
    kept = np.isfinite(samples)
    if kept.all():
        return samples, ()
    places = np.flatnonzero(kept)
    if not places.size:
        raise RecordingError(f"{path}: every sample is nan or infinite; export it again")
    findings.add("undefined-samples", UNDEFINED, count=int(samples.size - places.size), sample=int(np.argmin(kept)))
    gaps = find_gaps(path, places, fs)
    if places[0]:
        findings.add(
            "starts-undefined",
            f"the first {places[0]} samples are undefined: time 0 is the first defined"
            " one, labels must count from there",
            sample=0,
        )
    return samples[kept], gaps


def find_gaps(path: Path, places: npt.NDArray[np.intp], fs: float) -> tuple[Gap, ...]:
    """The gaps between samples that stood at `places` of a file. Raises RecordingError where they are many."""
    steps = np.diff(places)
    starts = np.flatnonzero(steps > 1)
    if starts.size > MAX_GAPS:
        raise RecordingError(
            f"{path}: nan or infinite samples in {starts.size} places; at most {MAX_GAPS} gaps are"
            " sensible: export it again"
        )
    return tuple(Gap(int(i) + 1, float(steps[i] - 1) / fs) for i in starts)
