"""Notes on the findings of files, once for each file, or once for a corpus."""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from tapsig.cli.output import note, track
from tapsig.cli.terminal import name_options

if TYPE_CHECKING:
    from tapsig.analysis.faults import HealthFinding
    from tapsig.loading.corpus import Corpus, CorpusEntry
    from tapsig.records import Finding, Recording

FORMAT_OPTIONS = ("channel", "column", "full_scale_v", "adc_bits", "fs", "time_unit")
"""What a file may lack; `tapsig.loading.ReadOptions` has arguments of these names."""


def note_findings(name: object, findings: "Iterable[Finding]", *, of_corpus: bool = False) -> None:
    """A note for each finding of one file; `of_corpus`, what it lacks is to be given in the manifest."""
    for finding in findings:
        note(f"{name}: {name_options(str(finding), () if of_corpus else FORMAT_OPTIONS)}")


def reword(finding: "HealthFinding", *, of_corpus: bool) -> "HealthFinding":
    """The finding in the words of the command line, as `note_findings` has them."""
    if of_corpus:
        return replace(finding, message=name_options(finding.message))
    advice = finding.advice if finding.code != "unreadable" else "repair the file, or leave it out"
    return replace(finding, message=name_options(finding.message, FORMAT_OPTIONS), advice=advice)


def note_summary(where: object, read: "Iterable[tuple[str, Sequence[Finding]]]") -> None:
    """One note for a corpus: the number of files with findings, and which; `read` has an item for each channel."""
    codes: dict[str, set[str]] = {}
    for source, findings in read:
        codes.setdefault(source, set()).update(finding.code for finding in findings)
    found = Counter(code for of_file in codes.values() for code in of_file)
    if found:
        ordered = sorted(found.items(), key=lambda kind: (-kind[1], kind[0]))
        kinds = ", ".join(f"{code} {count}" for code, count in ordered)
        note(
            f"findings in {sum(map(bool, codes.values()))} of {len(codes)} files ({kinds}); 'tapsig health {where}'"
            " says more"
        )


def load_entries(entries: "Sequence[tuple[Corpus, CorpusEntry]]", *, bar: bool = True) -> "Iterator[Recording]":
    """The recordings of the entries in order, with a progress bar; ends with a summary of their findings."""
    seen: list[tuple[str, Sequence[Finding]]] = []
    for corpus, entry in track(entries, len(entries), "recordings") if bar else entries:
        recording = corpus.load(entry)
        seen.append((recording.source, recording.findings))
        yield recording
    if entries:
        note_summary(" ".join(dict.fromkeys(str(corpus.folder) for corpus, _ in entries)), seen)
