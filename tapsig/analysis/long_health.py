"""Faults of a recording of many hours, read in parts, in memory independent of its length."""

import hashlib
import math
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tapsig.analysis.faults import HealthFinding, carry_over, describe_fault, rank_severity
from tapsig.analysis.health import HealthReport, check_health
from tapsig.analysis.signal_faults import find_drift, floor_noise
from tapsig.errors import TapsigError
from tapsig.loading import LoadReport, load_labels, read_wav_info
from tapsig.loading.files import show_path
from tapsig.loading.findings import FindingList
from tapsig.loading.parts import PART_S, read_wav_parts
from tapsig.loading.read_options import DEFAULTS, ReadOptions
from tapsig.loading.wav import add_rate_difference
from tapsig.records import Recording

EVERYWHERE = frozenset({"nothing-heard", "few-counts", "noisy", "labels-unheard"})
"""Faults that count only if every part has them; for any other, one part is enough."""


@dataclass(frozen=True, slots=True)
class FileHealth:
    """The health of one channel, and a digest of its samples, to find identical channels.

    `floor_v` is the noise, at least that of rounding to counts; 0 for a constant channel.
    """

    report: HealthReport
    digest: str
    floor_v: float

    @property
    def readable(self) -> bool:
        """Whether its file could be read."""
        return not math.isnan(self.report.duration_s)

    @property
    def loudness(self) -> float:
        """Peak over noise; 0 for a constant channel."""
        return self.report.peak_v / self.floor_v if self.floor_v > 0 else 0.0


def check_health_of_recording(recording: Recording, report: LoadReport | None = None) -> FileHealth:
    """The health of a loaded recording (see `tapsig.analysis.health.check_health`)."""
    checked = check_health(recording, report)
    return FileHealth(
        checked, hashlib.sha256(recording.samples.data).hexdigest(), floor_noise(checked.noise_v, recording)
    )


def describe_unreadable(path: Path, error: TapsigError) -> FileHealth:
    """The health report of a recording that cannot be read, or whose labels cannot."""
    finding, nan = describe_fault("unreadable", str(error)), math.nan
    return FileHealth(HealthReport((finding,), nan, nan, nan, nan, nan, nan, show_path(path)), "", nan)


def check_health_of_file(
    path: str | Path, options: ReadOptions = DEFAULTS, *, progress: Callable[[int], None] | None = None
) -> FileHealth:
    """As `tapsig.analysis.health.check_health`, part by part, for one channel of a WAV file of any length.

    Each fault has the figures of its worst part and the time of its first. The bias is the median over the parts, the
    noise that of their quietest twentieth, the peak their maximum. `progress` is called with the samples done.

    Raises RecordingError as `tapsig.loading.read_wav_blocks` does, LabelError as `tapsig.loading.load_labels`.
    """
    info = read_wav_info(path)
    own = load_labels(options.labels) if options.labels else None
    noted = FindingList()
    add_rate_difference(noted, info.fs, options.fs)
    digest = hashlib.sha256()
    reports: list[HealthReport] = []
    rounding_v: list[float] = []
    labelled: list[bool] = []
    found: dict[str, list[HealthFinding]] = defaultdict(list)
    for part in read_wav_parts(path, options, labels=own, findings=noted, progress=progress):
        digest.update(part.recording.samples.data)
        report = check_health(part.recording).shift(part.start / part.recording.fs)
        reports.append(report)
        rounding_v.append(floor_noise(0.0, part.recording))
        labelled.append(part.recording.taps_s.size >= 2)
        for finding in report.findings:
            found[finding.code].append(finding)
    needed = {code: sum(labelled) if code == "labels-unheard" else len(reports) for code in EVERYWHERE}
    findings = [_describe(faults, len(reports)) for code, faults in found.items() if len(faults) >= needed.get(code, 1)]
    noises = sorted(report.noise_v for report in reports)
    noise = float(np.mean(noises[: max(1, len(noises) // 20)]))
    biases = np.array([report.bias_v for report in reports])
    span_v = 2.0 * options.wav_scale_v
    if "bias-drift" not in found:
        findings += find_drift(biases, PART_S * np.arange(biases.size, dtype=np.float64), span_v, noise)
    findings += carry_over(LoadReport(show_path(Path(path)), (*info.findings, *noted)))
    findings.sort(key=rank_severity)
    effective_bits = [report.effective_bits for report in reports]
    report = replace(
        reports[0],
        findings=tuple(findings),
        duration_s=info.duration_s,
        bias_v=float(np.median(biases)),
        noise_v=noise,
        peak_v=max(report.peak_v for report in reports),
        effective_bits=max((bits for bits in effective_bits if not math.isnan(bits)), default=math.nan),
    )
    least_v = min((one for one in rounding_v if one > 0), default=0.0)  # a constant part shows no step
    return FileHealth(report, digest.hexdigest(), max(noise, least_v))


def _describe(faults: Sequence[HealthFinding], parts: int) -> HealthFinding:
    """The worst of one kind of fault, at the time of the first."""
    worst = min(faults, key=lambda fault: (rank_severity(fault), -abs(fault.value)))
    where = f"; in {len(faults)} of {parts} parts of {PART_S / 60:.0f} min, this the worst" if parts > 1 else ""
    return replace(worst, message=worst.message + where, first_s=faults[0].first_s)
