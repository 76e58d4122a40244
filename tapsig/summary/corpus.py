"""A corpus looked at from all sides: what it holds, how detectors do, why they err, and which position is best."""

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tapsig.analysis.causes import CauseTable, ErrorCause, find_causes
from tapsig.analysis.faults import SEVERITIES, HealthFinding
from tapsig.analysis.health import check_health
from tapsig.comparison.positions import PositionStudy, study_positions
from tapsig.detectors.base import Variant
from tapsig.errors import ParameterError
from tapsig.loading.corpus import Corpus, CorpusEntry
from tapsig.records import Recording
from tapsig.scoring.cache import ResultCache
from tapsig.scoring.outcomes import ScoreTable, score
from tapsig.scoring.tally import SECONDS_PER_HOUR
from tapsig.summary.next_steps import Held
from tapsig.summary.recording import RecordingSummary, summarise_recording
from tapsig.summary.remedies import ErrorAdvice, explain_errors
from tapsig.summary.ringing import measure_ringing

PREFERRED = ("inner-skin", "frame")
"""The pair of positions that shows best what ringing does, where both were recorded at once."""
MAX_SAMPLES = 20_000_000
"""Samples of recordings held at once while changes of parameters are tried: 160 MB."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One kind of fault over the recordings: the worst of its findings, and which recordings have it."""

    worst: HealthFinding
    names: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Survey:
    """What a corpus holds.

    Parameters
    ----------
    recordings, minutes, taps : by scene.
    faults : most severe first, then the most frequent.
    taps_of : taps of each entry, by its line.
    tap_free_s : length of the labelled recordings without a tap.
    """

    recordings: Mapping[str, int]
    minutes: Mapping[str, float]
    taps: Mapping[str, int]
    faults: tuple[Fault, ...]
    taps_of: Mapping[int, int]
    tap_free_s: float


@dataclass(frozen=True, slots=True)
class CorpusSummary:
    """Everything that a page says about a corpus.

    Parameters
    ----------
    simulated : how many of the entries were simulated, by the manifest.
    examples : recordings in full: two positions of one file where there are, and the one with the most errors.
    pair : how many of the first examples are of one file, to be shown beside each other.
    table : scores; None where nothing is labelled.
    study : positions compared; None where there are not two that are labelled.
    advice : errors of each detector over all labelled recordings; `tried_on` recordings were used to try remedies.
    """

    name: str
    entries: int
    simulated: int
    survey: Survey
    examples: tuple[RecordingSummary, ...]
    pair: int
    table: ScoreTable | None
    study: PositionStudy | None
    advice: tuple[tuple[str, tuple[ErrorAdvice, ...]], ...]
    tried_on: int
    held: Held


def summarise_corpus(
    corpus: Corpus,
    variants: Mapping[str, Variant],
    *,
    name: str,
    window_s: float = 0.05,
    jobs: int = 1,
    cache: ResultCache | None = None,
    progress: Callable[[int], None] | None = None,
) -> CorpusSummary:
    """Look at a corpus from all sides; recordings are read one after the other, some of them several times.

    `progress` is called with what is done, up to five times the number of entries. `cache` keeps the detections that
    are scored; causes are found anew. Raises ParameterError for no entries, and what the loaders and detectors raise.
    """
    if not corpus.entries:
        raise ParameterError("there are no recordings to report on; check the choice of split, position and scene")
    count = len(corpus)
    advance = progress or (lambda done: None)
    labelled = replace(corpus, entries=tuple(entry for entry in corpus.entries if entry.labels))
    survey = _survey(corpus, advance)
    table: ScoreTable | None = None
    study: PositionStudy | None = None
    if labelled.entries:
        places = {entry.position for entry in labelled.entries}
        comparable = len(places) > 1 and "" not in places
        judge: Callable[..., ScoreTable | PositionStudy] = study_positions if comparable else score
        found = judge(
            variants, labelled, window_s=window_s, jobs=jobs, cache=cache, progress=lambda done: advance(count + done)
        )
        study = found if isinstance(found, PositionStudy) else None
        table = found.table if isinstance(found, PositionStudy) else found
    advance(3 * count)
    advice, tried_on = _explain(variants, labelled, window_s, lambda done: advance(3 * count + done))
    chosen, pair = choose_examples(corpus, survey.taps_of, table, list(variants)[-1])
    examples = []
    for entry in chosen:
        recording, report = corpus.read(entry)
        examples.append(
            summarise_recording(
                recording, variants, name=entry.name, report=report, simulated=bool(entry.seed), window_s=window_s
            )
        )
    advance(5 * count)
    simulated = sum(bool(entry.seed) for entry in corpus.entries)
    held = Held(
        bool(labelled.entries),
        sum(survey.taps.values()),
        survey.tap_free_s / SECONDS_PER_HOUR,
        {entry.position for entry in corpus.entries},
        set(survey.recordings),
        [fault.worst for fault in survey.faults],
        simulated > 0,
    )
    return CorpusSummary(name, count, simulated, survey, tuple(examples), pair, table, study, advice, tried_on, held)


def _survey(corpus: Corpus, advance: Callable[[int], None]) -> Survey:
    recordings, taps = Counter[str](), Counter[str]()
    minutes: dict[str, float] = {}
    found: dict[str, list[tuple[HealthFinding, str]]] = {}
    taps_of: dict[int, int] = {}
    tap_free_s = 0.0
    for done, entry in enumerate(corpus.entries, 1):
        recording, report = corpus.read(entry)
        scene = entry.scene or "no scene named"
        recordings[scene] += 1
        minutes[scene] = minutes.get(scene, 0.0) + recording.duration_s / 60.0
        taps[scene] += recording.taps_s.size
        taps_of[entry.line] = recording.taps_s.size
        if recording.labels is not None and not recording.taps_s.size:
            tap_free_s += recording.duration_s
        for finding in check_health(recording, report).findings:
            found.setdefault(finding.code, []).append((finding, entry.name))
        advance(done)
    faults = []
    for pairs in found.values():
        worst = min((finding for finding, _ in pairs), key=lambda one: SEVERITIES.index(one.severity))
        faults.append(Fault(worst, tuple(dict.fromkeys(name for _, name in pairs))))
    faults.sort(key=lambda fault: (SEVERITIES.index(fault.worst.severity), -len(fault.names)))
    return Survey(recordings, minutes, taps, tuple(faults), taps_of, tap_free_s)


def choose_examples(
    corpus: Corpus, taps_of: Mapping[int, int], table: ScoreTable | None, detector: str
) -> tuple[list[CorpusEntry], int]:
    """Two positions of the file that shows most, then the entry on which `detector` errs most; and how many are a pair.

    The file: the one with the most positions, in quiet if there is one, with the most taps.
    """
    files: dict[str, list[CorpusEntry]] = {}
    for entry in corpus.entries:
        files.setdefault(entry.recording, []).append(entry)

    def rank(entries: Sequence[CorpusEntry]) -> tuple[int, bool, int]:
        return len(entries), any(entry.scene == "quiet" for entry in entries), taps_of[entries[0].line]

    best = max(files.values(), key=rank)
    pair = _choose_pair(corpus, best)
    worst = _find_worst(corpus, table, detector)
    further = [] if worst is None or worst in pair else [worst]
    return [*pair, *further], len(pair)


def choose_sibling(entries: Sequence[CorpusEntry]) -> CorpusEntry | None:
    """The position to show beside another of the same file: a preferred one, else the first."""
    return next(iter([*_list_preferred(entries), *entries]), None)


def _list_preferred(entries: Sequence[CorpusEntry]) -> list[CorpusEntry]:
    return [entry for name in PREFERRED for entry in entries if entry.position == name]


def _choose_pair(corpus: Corpus, entries: Sequence[CorpusEntry]) -> list[CorpusEntry]:
    """The preferred two positions, else the one that rings longest and the one that rings shortest."""
    preferred = _list_preferred(entries)
    if len(preferred) == len(PREFERRED):
        return preferred
    if len(entries) == 1:
        return list(entries)
    needed = []
    for entry in entries:
        recording = corpus.load(entry)
        ringing = measure_ringing(recording, recording.taps_s)
        needed.append(-math.inf if ringing is None else ringing.needed_s)
    order = np.argsort(needed, kind="stable")
    return [entries[int(order[-1])], entries[int(order[0])]]


def _find_worst(corpus: Corpus, table: ScoreTable | None, detector: str) -> CorpusEntry | None:
    """The entry with the most errors of the detector; None where nothing is scored or nothing is wrong."""
    if table is None:
        return None
    labelled = [entry for entry in corpus.entries if entry.labels]
    errors = [outcome.score.fp + outcome.score.fn for outcome in table.select(detector)]
    return labelled[errors.index(max(errors))] if any(errors) else None


def _explain(
    variants: Mapping[str, Variant], corpus: Corpus, window_s: float, advance: Callable[[int], None]
) -> tuple[tuple[tuple[str, tuple[ErrorAdvice, ...]], ...], int]:
    """Errors of each detector over the labelled recordings, with remedies tried on as many as can be held at once."""
    errors: dict[str, list[ErrorCause]] = {name: [] for name in variants}
    held: list[Recording] = []
    budget = MAX_SAMPLES
    for done, entry in enumerate(corpus.entries, 1):
        recording = corpus.load(entry)
        if recording.samples.size <= budget:
            held.append(recording)
            budget -= recording.samples.size
        for name, variant in variants.items():
            errors[name] += find_causes(variant, [recording], window_s=window_s).errors
        advance(done)
    advice = []
    for name, variant in variants.items():
        table = CauseTable(name, tuple(errors[name]), 0, 0, 0.0)
        advice.append((name, explain_errors(table, variant, held, window_s=window_s)))
    return tuple(advice), len(held)
