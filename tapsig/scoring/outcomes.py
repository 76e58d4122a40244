"""Detectors on labelled recordings: one outcome for each pair, and the rows that sum them up."""

import itertools
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
import numpy.typing as npt

from tapsig.core.evidence import can_hold
from tapsig.detections import Detections
from tapsig.detectors.base import Variant, run_detector
from tapsig.detectors.saved import find_variant
from tapsig.detectors.tap import Tap
from tapsig.entry import Entry, decode_taps
from tapsig.entry.decoding import listen
from tapsig.entry.evidence import Evidence, EvidenceEntry, EvidenceMachine
from tapsig.errors import ParameterError, RecordingError
from tapsig.loading.corpus import Corpus
from tapsig.records import Finding, Recording, require_labels, require_recording
from tapsig.results import Result
from tapsig.scoring.cache import KeptResults, ResultCache
from tapsig.scoring.criteria import CRITERIA, FIELDS
from tapsig.scoring.matching import MATCH_WINDOW_S, Matching, match_onsets
from tapsig.scoring.parallel import run_tasks
from tapsig.scoring.tally import Score
from tapsig.units import BoolArray, FloatArray, check_positive, check_progress

ALL = "all"
FIRST_AFTER_S = 1.0
MIN_DIGITS = 3
"""Fewest digits of a code entry; shorter groups of taps are practice."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """One detector on one recording.

    Parameters
    ----------
    source : the file, or without one the number of the recording; the channels of a file record the same taps.
    found : for each tap, in order of time, whether it was matched.
    errors_s : detected less reference time of the matched taps.
    hits, strengths : for each detection, in order of time, whether it was matched, and its strength.
    findings : findings of the recording's file.
    opened_on_evidence : code entries that the decoder evidence opens; None for a detector without log-odds.
    """

    detector: str
    source: str
    vehicle: str
    position: str
    scene: str
    score: Score
    found: tuple[bool, ...]
    errors_s: FloatArray
    hits: npt.NDArray[np.bool_]
    strengths: FloatArray
    findings: tuple[Finding, ...] = ()
    opened_on_evidence: int | None = None


def list_codes(entries: Iterable[Entry]) -> list[Entry]:
    """The entries that are long enough for a code."""
    return [entry for entry in entries if len(entry.digits) >= MIN_DIGITS]


def overlap(one: Entry, other: Entry) -> bool:
    """Whether two entries overlap in time."""
    return one.start_s < other.end_s and other.start_s < one.end_s


def count_opened(reference: Iterable[Entry], detected: Iterable[Entry]) -> tuple[int, int]:
    """Number of code entries in `reference`, and of those with an overlapping, identical entry in `detected`."""
    codes, heard = list_codes(reference), list(detected)
    opened = (any(other.digits == code.digits and overlap(other, code) for other in heard) for code in codes)
    return len(codes), sum(opened)


def find_first_taps(taps_s: FloatArray) -> BoolArray:
    """Which taps (ascending, in seconds) come over a second after the one before; the very first one counts too."""
    return np.asarray(np.diff(taps_s, prepend=-np.inf) > FIRST_AFTER_S)


def count_matching(matching: Matching, taps_s: FloatArray, detected_s: FloatArray, duration_s: float) -> Score:
    """The counts of a recording from the matching of its taps and the detections, both ascending, in seconds."""
    first = find_first_taps(taps_s)
    return Score(
        *(len(matching.pairs), len(matching.spurious), len(matching.missed), duration_s),
        *count_opened(decode_taps(taps_s), decode_taps(detected_s)),
        *(int(first.sum()), int(first[matching.pairs[:, 0]].sum())),
    )


def score_recording(
    name: str,
    variant: Variant,
    recording: Recording,
    *,
    window_s: float = MATCH_WINDOW_S,
    kept: KeptResults | None = None,
) -> Outcome:
    """The outcome of `variant` (called `name` in tables) on a labelled recording, whose `kept` results are used.

    Raises LabelError when the recording is not labelled.
    """
    require_labels(recording)

    opened_on_evidence = None

    def detect() -> Detections:
        return run_detector(variant, recording).accepted()

    if isinstance(variant, Tap):  # run even where its results are kept: evidence needs the candidates
        entries_on_evidence, found = listen(EvidenceMachine(), variant, recording)
        opened_on_evidence = _count_on_evidence(entries_on_evidence, recording)
    else:
        found = detect() if kept is None else kept.find(variant, detect)
    times_s = recording.times_s(found.onset_samples)
    order = np.argsort(times_s, kind="stable")
    detected_s, reference_s = times_s[order], recording.taps_s
    matching = match_onsets(reference_s, detected_s, window_s=window_s)
    met, hits = np.zeros(reference_s.size, dtype=bool), np.zeros(detected_s.size, dtype=bool)
    met[matching.pairs[:, 0]], hits[matching.pairs[:, 1]] = True, True
    return Outcome(
        name,
        recording.source,
        recording.vehicle,
        recording.position,
        recording.scene,
        count_matching(matching, reference_s, detected_s, recording.duration_s),
        found=tuple(met.tolist()),
        errors_s=detected_s[matching.pairs[:, 1]] - reference_s[matching.pairs[:, 0]],
        hits=hits,
        strengths=found.strength[order],
        findings=recording.findings,
        opened_on_evidence=opened_on_evidence,
    )


def _count_on_evidence(entries: Sequence[EvidenceEntry], recording: Recording) -> int:
    """How many of the labelled code entries evidence, asked for each, opens with an overlapping entry."""
    codes = [code for code in list_codes(decode_taps(recording.taps_s)) if can_hold(code.digits)]
    least = Evidence().threshold
    return sum(
        any(overlap(entry, code) and entry.compute_log_ratio(code.digits) >= least for entry in entries)
        for code in codes
    )


def count_by_file(outcomes: Iterable[Outcome]) -> dict[str, FloatArray]:
    """The counts (in the order of FIELDS) of each file; its channels record the same taps, so they are one unit."""
    sums: dict[str, FloatArray] = {}
    for outcome in outcomes:
        scored = (getattr(outcome.score, name) for name in FIELDS[:-1])
        counts = np.array([*scored, outcome.opened_on_evidence], dtype=np.float64)  # None becomes nan
        sums[outcome.source] = sums.get(outcome.source, 0.0) + counts
    return sums


RATES = {"precision": "precision", "recall": "recall", "f1": "f1", "false_alarms_per_hour": "false-alarms"}
"""Values that `summarise` gives with an interval, and their criteria."""


def summarise(outcomes: Sequence[Outcome]) -> dict[str, object]:
    """Counts, rates and 95 % intervals (see `tapsig.scoring.criteria`) over `outcomes` of one detector."""
    score = sum((outcome.score for outcome in outcomes), Score())
    counts = np.array(list(count_by_file(outcomes).values())).reshape(-1, len(FIELDS))
    errors = np.concatenate([np.zeros(0), *(outcome.errors_s for outcome in outcomes)])
    on_evidence = [one.opened_on_evidence for one in outcomes if one.opened_on_evidence is not None]
    row: dict[str, object] = {"taps": score.taps, "tp": score.tp, "fp": score.fp, "fn": score.fn}
    for name, criterion in RATES.items():
        row |= CRITERIA[criterion].estimate(counts).to_dict(name)
    return row | {
        "entries": score.entries,
        "entries_opened": score.entries_opened,
        "entries_opened_evidence": sum(on_evidence) if on_evidence else None,
        "first_taps": score.first_taps,
        "first_taps_found": score.first_taps_found,
        "median_error_ms": float(np.median(errors) * 1e3) if errors.size else float("nan"),
        "recordings": len(outcomes),
        "duration_s": score.duration_s,
    }


@dataclass(frozen=True, slots=True, repr=False, eq=False)
class ScoreTable(Result):
    """All outcomes, in the order detector, recording. Iterating gives the rows."""

    outcomes: tuple[Outcome, ...]
    window_s: float

    def __iter__(self) -> Iterator[dict[str, object]]:
        return iter(self.rows())

    def _describe(self) -> str:
        totals = (sum((one.score for one in self.select(name)), Score()) for name in self.detectors)
        return "F1 " + ", ".join(f"{total.f1:.2f} {name}" for name, total in zip(self.detectors, totals, strict=True))

    @property
    def detectors(self) -> tuple[str, ...]:
        """Names of the detectors, in order."""
        return tuple(dict.fromkeys(outcome.detector for outcome in self.outcomes))

    def select(self, detector: str, position: str = ALL, scene: str = ALL) -> list[Outcome]:
        """The outcomes of a detector at a position in a scene, either of which may be "all"."""
        return [
            outcome
            for outcome in self.outcomes
            if outcome.detector == detector and position in (ALL, outcome.position) and scene in (ALL, outcome.scene)
        ]

    def rows(self) -> list[dict[str, object]]:
        """One row for every detector × position × scene, "all" included, with the keys of `summarise`."""
        groups: dict[tuple[str, str, str], list[Outcome]] = {}
        for outcome in self.outcomes:
            for position, scene in itertools.product((ALL, outcome.position), (ALL, outcome.scene)):
                groups.setdefault((outcome.detector, position, scene), []).append(outcome)
        positions = [ALL, *dict.fromkeys(outcome.position for outcome in self.outcomes)]
        scenes = [ALL, *dict.fromkeys(outcome.scene for outcome in self.outcomes)]
        return [
            {"detector": detector, "position": position, "scene": scene} | summarise(groups[detector, position, scene])
            for detector, position, scene in itertools.product(self.detectors, positions, scenes)
            if (detector, position, scene) in groups
        ]


Task = Recording | Callable[[], Recording]
"""A recording, or a function that loads it in the process that scores it."""


def _score_all(
    task: Task, *, variants: Mapping[str, Variant], window_s: float, cache: ResultCache | None
) -> list[Outcome]:
    """The outcomes of all detectors on one recording."""
    recording = task() if callable(task) else task
    for name in ("position", "scene"):
        if getattr(recording, name) == ALL:
            where = recording.source or "the recording"
            raise RecordingError(f"{where}: its {name} is {ALL!r}, which stands for every {name}; name it otherwise")
    kept = None if cache is None else cache.open(recording)
    return [score_recording(name, one, recording, window_s=window_s, kept=kept) for name, one in variants.items()]


def score(
    variants: Variant | str | Mapping[str, Variant | str] | Sequence[Variant | str],
    recordings: Corpus | Iterable[Recording],
    *,
    window_s: float = MATCH_WINDOW_S,
    jobs: int = 1,
    cluster: str | None = None,
    cache: ResultCache | None = None,
    progress: Callable[[int], None] | None = None,
) -> ScoreTable:
    """Run every detector on every labelled recording.

    Parameters
    ----------
    variants : Variant, str, or a list or dict of them
        The detectors, or what `load_detector` takes; a dict gives each a name of its own.
    recordings : Corpus or list of Recording
        A corpus, whose recordings are read where they are scored, one at a time; or recordings.
    window_s : float
        A detection counts when it is at most this far from a tap's onset.
    jobs : int
        Processes on this machine; the result does not depend on them.
    cluster : str
        Address of a Dask scheduler, in place of `jobs`.
    cache : ResultCache
        Stores detections, so that an interrupted scoring can continue.
    progress : callable
        Called with the number of recordings done.

    Returns
    -------
    ScoreTable
        `rows()` has one for every detector, position and scene, with 95 % intervals.

    Raises
    ------
    ParameterError
        For no detectors, two of one name, no recordings, or one that is not in a list.
    LabelError
        For a recording without labels.
    RecordingError
        For a recording whose position or scene is called "all", which stands for every one in the table.
    """
    check_positive("window_s", window_s)
    named = name_variants(variants)
    if isinstance(recordings, (Recording, str, Path)) or not isinstance(recordings, (Corpus, Iterable)):
        raise ParameterError(
            f"recordings is a {type(recordings).__name__}; give a list of recordings, or tapsig.load_corpus(folder)"
        )
    if cache is not None and not isinstance(cache, ResultCache):
        raise ParameterError(f"cache is {cache!r:.80}; it must be a tapsig.scoring.cache.ResultCache")
    check_progress(progress)
    tasks: Iterator[Task] = map(require_recording, () if isinstance(recordings, Corpus) else recordings)
    if isinstance(recordings, Corpus):
        place = replace(recordings, entries=())  # loads an entry without holding the others
        tasks = (partial(place.load, entry) for entry in recordings.entries)
    score_all = partial(_score_all, variants=named, window_s=window_s, cache=cache)
    groups: list[list[Outcome]] = []
    for group in run_tasks(score_all, tasks, jobs=jobs, cluster=cluster):
        alone = f"recording {len(groups) + 1}"  # without a file
        groups.append([replace(outcome, source=outcome.source or alone) for outcome in group])
        if progress is not None:
            progress(len(groups))
    if not groups:
        raise ParameterError("there are no recordings to score; check the selected split, position and scene")
    return ScoreTable(tuple(outcome for column in zip(*groups, strict=True) for outcome in column), window_s)


def name_variants(
    variants: Variant | str | Mapping[str, Variant | str] | Sequence[Variant | str],
) -> dict[str, Variant]:
    """One detector or several by name; ParameterError for none, or two of one name."""
    if isinstance(variants, (str, Variant)):
        variants = [variants]
    if not isinstance(variants, Iterable):
        raise ParameterError(f"variants is {variants!r:.80}; give detectors, such as ['tap', 'sta-lta']")
    if isinstance(variants, Mapping):
        named = {name: find_variant(variant) for name, variant in variants.items()}
    else:
        named = {}
        for variant in map(find_variant, variants):
            if variant.name in named:
                raise ParameterError(
                    f"two detectors have the name {variant.name!r}; give them as a dictionary, by names of their own"
                )
            named[variant.name] = variant
    if not named:
        raise ParameterError("there are no detectors to score; name at least one")
    return named
