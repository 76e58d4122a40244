"""What a detector finds in the recording that the arguments name; a long WAV file is read in blocks."""

import argparse
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from tapsig.cli.recording_options import has_span, is_long_wav, read, read_long, read_options
from tapsig.records import TAP

if TYPE_CHECKING:
    from tapsig.detections import Detections
    from tapsig.detectors import Variant
    from tapsig.records import Recording

COLUMNS = ("onset_s", "kind", "gap_s", "strength", "decided_after_ms")


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
    variant: "Variant",
    args: argparse.Namespace,
    *,
    keep_rejected: bool = False,
    whole: bool = False,
    labels: Path | None = None,
    run: "Callable[[Recording], Detections] | None" = None,
) -> FoundInFile:
    """Detect in `args.recording`; with `whole` it is held in memory, to be drawn; `run` is used instead of `detect`.

    A recording that is held has the labels of the file `labels`, or of one beside it.
    """
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
    recording = read(args, labels=labels)
    found = detect(variant, recording, keep_rejected=keep_rejected) if run is None else run(recording)
    times_s = recording.times_s(found.onset_samples) + recording.start_s
    return FoundInFile(found, times_s.tolist(), recording.fs, recording.start_s, recording.span_s, recording)


def list_rows(
    found: "Detections", times_s: list[float], fs: float, *, rejected: bool, last_s: float | None = None
) -> list[dict[str, object]]:
    """A row for each detection, in order of time; `last_s` is the time of the tap before them, if there was one."""
    after_ms = ((found.decided_samples - found.onset_samples) * (1e3 / fs)).tolist()
    rows: list[dict[str, object]] = []
    last = last_s
    entries = sorted(zip(times_s, found.strength.tolist(), after_ms, found.reason, strict=True))
    for time, strength, wait, reason in entries:
        row: dict[str, object] = {
            "onset_s": round(time, 5),
            "kind": "rejected" if reason else TAP,
            "gap_s": None if last is None or reason else round(time - last, 5),
            "strength": round(strength, 3),
            "decided_after_ms": round(wait, 3),
        }
        if rejected:
            row["reason"] = reason
        rows.append(row)
        last = last if reason else time
    return rows


def render_event(row: dict[str, object]) -> str:
    """One row as a line of JSON."""
    return json.dumps({"event": row["kind"], **{name: value for name, value in row.items() if name != "kind"}}) + "\n"
