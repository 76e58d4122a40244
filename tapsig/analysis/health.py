"""Faults of a recording and their remedies. A recording without problems has no findings."""

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np

from tapsig.analysis.faults import HealthFinding, carry_over, describe_fault, rank_severity
from tapsig.analysis.signal_faults import find_signal_faults, measure_noise
from tapsig.loading.findings import LoadReport
from tapsig.records import Recording, require_recording
from tapsig.results import Result, field_names
from tapsig.units import require_kind


@dataclass(frozen=True, slots=True, repr=False, eq=False)
class HealthReport(Result):
    """Findings, worst first, and general figures of the recording.

    Parameters
    ----------
    bias_v : median.
    noise_v : root mean square in the quietest 5 % of the windows of 50 ms.
    effective_bits : log2 of the span between the rails over √12 times the noise, which is at least the quantisation
        noise (IEEE 1241, from memory); nan where the rails are not known.
    peak_v : largest deviation from the bias.
    """

    findings: tuple[HealthFinding, ...]
    duration_s: float
    fs: float
    bias_v: float
    noise_v: float
    effective_bits: float
    peak_v: float
    source: str = ""
    position: str = ""

    def __iter__(self) -> Iterator[HealthFinding]:
        return iter(self.findings)

    def rows(self) -> list[dict[str, object]]:
        """One row for each finding."""
        return [asdict(finding) for finding in self.findings]

    def _columns(self) -> list[str]:
        return field_names(HealthFinding)

    def _describe(self) -> str:
        found = ", ".join(f"{finding.severity} {finding.code}" for finding in self.findings[:4]) or "nothing found"
        more = f" and {len(self.findings) - 4} more" if len(self.findings) > 4 else ""
        return f"{self.duration_s:.4g} s at {self.fs:g} Hz: {found}{more}"

    @property
    def ok(self) -> bool:
        """Whether no finding is worse than a note."""
        return all(finding.severity == "note" for finding in self.findings)

    def codes(self) -> tuple[str, ...]:
        """The codes of the findings."""
        return tuple(finding.code for finding in self.findings)

    def shift(self, by_s: float) -> "HealthReport":
        """The same with all times later by `by_s`: those of a file of which this is a part."""
        return replace(self, findings=tuple(replace(one, first_s=one.first_s + by_s) for one in self.findings))

    def to_dict(self) -> dict[str, object]:
        """Plain Python types."""
        return {**asdict(self), "findings": self.rows()}


def check_health(recording: Recording, report: LoadReport | None = None) -> HealthReport:
    """Check a recording for faults.

    Parameters
    ----------
    recording : Recording
        The recording.
    report : LoadReport
        Findings of the loader (see `tapsig.loading.read_recording`); None: those of the recording.

    Returns
    -------
    HealthReport
        Findings, worst first, and general figures of the recording.

    Examples
    --------
    >>> import tapsig
    >>> rng = np.random.default_rng(0)
    >>> noise = tapsig.Recording(0.01 * rng.standard_normal(8000), 8000.0, range_v=(-1.0, 1.0))
    >>> tapsig.health(noise).codes()
    ('nothing-heard',)
    """
    samples, fs = require_recording(recording).samples, recording.fs
    bias = float(np.median(samples)) if samples.size else math.nan
    noise = measure_noise(samples, fs)
    peak = float(np.max(np.abs(samples - bias))) if samples.size else math.nan
    gap_s = recording.gaps[0].sample / fs if recording.gaps else math.nan
    if report is None:
        report = LoadReport(recording.source, recording.findings)
    findings = list(
        carry_over(require_kind("report", report, LoadReport, "tapsig.loading.read_recording gives one"), gap_s)
    )
    findings += find_signal_faults(recording, bias=bias, noise=noise, peak=peak)
    figures = recording.duration_s, fs, bias, noise, _count_bits(recording, noise), peak
    return HealthReport(tuple(sorted(findings, key=rank_severity)), *figures, recording.source, recording.position)


def _count_bits(recording: Recording, noise: float) -> float:
    """Effective bits; the noise is at least the quantisation noise, which constant input does not show."""
    if recording.range_v is None:
        return math.nan
    spread = max(noise * math.sqrt(12.0), recording.step_v)
    return math.log2((recording.range_v[1] - recording.range_v[0]) / spread) if spread > 0 else math.nan


def compare_channels(digests: Sequence[str], loudness: Sequence[float]) -> tuple[HealthFinding, ...]:
    """Faults between the channels of one recording: identical channels, and a silent one among others.

    A channel is given by a digest of its samples and by its peak over its noise. Swapped channels cannot be found from
    the samples alone: tap on one sensor and see which channel rises.
    """
    found = [
        describe_fault("channels-same", f"channels {i} and {j} hold the same samples")
        for i, j in itertools.combinations(range(len(digests)), 2)
        if digests[i] == digests[j]
    ]
    loudest = max(loudness, default=0.0)
    for i, level in enumerate(loudness):
        if level < 8.0 and loudest > 40.0:
            message = (
                f"channel {i} never rises over {level:.0f} times its noise, another channel rises to {loudest:.0f}"
            )
            found.append(describe_fault("channel-silent", message, level))
    return tuple(found)
