"""Findings on a file, and the report of reading it."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from tapsig.records import Finding

ASSUMED = frozenset(
    {"volts-assumed", "full-scale-assumed", "column-chosen", "channel-chosen"}
    | {"signed-counts", "decimal-comma", "labels-beside"}
)
"""Codes of findings on facts that the file lacks and that were assumed; these are not faults."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """A gap-free stretch of samples [start, stop): its own mean rate, and the jitter of its stamps.

    `jitter_s` is the standard deviation of the sampling interval; nan where a file has no stamps.
    """

    start: int
    stop: int
    fs: float
    jitter_s: float


@dataclass(frozen=True, slots=True)
class LoadReport:
    """Report of reading a recording. `clean`: without findings, the file was read unchanged.

    `channel` is the index of the channel that was read, `column` its name in a log's header ("" without one).
    `timing_error_s` is how far any sample's time, from the recording's rate and gaps, is from its stamp at most (nan
    without stamps).
    """

    source: str
    findings: tuple[Finding, ...] = ()
    stretches: tuple[Stretch, ...] = ()
    timing_error_s: float = float("nan")
    channel: int = 0
    column: str = ""

    @property
    def clean(self) -> bool:
        """Whether there is no finding."""
        return not self.findings

    def codes(self) -> tuple[str, ...]:
        """The codes of the findings, in the order found."""
        return tuple(finding.code for finding in self.findings)

    def find(self, code: str) -> Finding | None:
        """The finding of that code, if there is one."""
        return next((finding for finding in self.findings if finding.code == code), None)


class FindingList:
    """Collects findings; those with the same code are counted together, with the place of the first."""

    def __init__(self, found: Iterable[Finding] = ()) -> None:
        self._found = {finding.code: finding for finding in found}

    def __iter__(self) -> Iterator[Finding]:
        return iter(self._found.values())

    def add(
        self, code: str, message: str, *, count: int = 1, line: int | None = None, sample: int | None = None
    ) -> None:
        """Note `count` more faults of this code."""
        first = self._found.get(code)
        if first is None:
            self._found[code] = Finding(code, message, count, line, sample)
        else:
            self._found[code] = replace(first, count=first.count + count)


def join_findings(findings: Iterable[Finding]) -> str:
    """The texts of findings, for an error."""
    return "; ".join(map(str, findings))
