"""The risk of a detector at a position: right codes that do not open, false taps that do.

Success comes from the recordings themselves, and for comparison from a model that knows only how often single taps
are heard. Wrong openings come from stretches without deliberate taps, in three ways that do not assume the same:

- *seen* and *bound*: possible codes that false taps entered there, and the exact upper limit of that count, divided by
  the keyspace. They assume nothing but a code drawn at random. Only the time counts in which any code could have begun
  and ended (`nuisance.watch_lulls`). Little of it gives a large bound, none an undefined one: that is the truth.
- *Poisson*: false taps at the rate measured between deliberate taps, independent of each other, solved exactly.
- *gaps*: the same with the measured gaps of long stretches, which keep bursts and rhythms, as far as few show them.
"""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from tapsig.detectors.base import Variant, run_detector
from tapsig.entry import EntryParameters, decode_taps, parse_code
from tapsig.errors import ParameterError
from tapsig.records import Recording, require_labels
from tapsig.results import Records
from tapsig.risks.guessing import compute_keyspace
from tapsig.risks.hand import HandTiming, Hearing, compute_success, simulate_successes
from tapsig.risks.nuisance import (
    YEAR_HOURS,
    Lull,
    Watch,
    build_poisson_gaps,
    compute_least_s,
    compute_openings_per_s,
    compute_possible_per_s,
    fit_gaps,
    split_between_taps,
    watch_lulls,
)
from tapsig.scoring.intervals import poisson_rate_interval, wilson_interval
from tapsig.scoring.matching import match_onsets
from tapsig.scoring.outcomes import LEAST_DIGITS, count_opened, name_variants
from tapsig.units import FloatArray, check_range


@dataclass(frozen=True, slots=True)
class Observation:
    """What one or more recordings showed; observations add with +.

    Of `taps` labelled taps `heard` were detected; of `codes`, the code entries, `opened` were decoded digit for digit;
    `false_in_entries` detections within `entry_s` seconds of entries (silence around them included) match no tap.
    `lulls` hold the false taps where nobody tapped.
    """

    taps: int = 0
    heard: int = 0
    codes: tuple[tuple[int, ...], ...] = ()
    opened: int = 0
    entry_s: float = 0.0
    false_in_entries: int = 0
    lulls: tuple[Lull, ...] = ()

    def __add__(self, other: "Observation") -> "Observation":
        return Observation(
            self.taps + other.taps,
            self.heard + other.heard,
            self.codes + other.codes,
            self.opened + other.opened,
            self.entry_s + other.entry_s,
            self.false_in_entries + other.false_in_entries,
            self.lulls + other.lulls,
        )


def observe_taps(recording: Recording, detected_s: FloatArray, parameters: EntryParameters) -> Observation:
    """What a detector that found taps at `detected_s` (seconds) made of a labelled recording.

    Every entry finds the machine awake and free of waits. Raises LabelError for a recording without labels.
    """
    require_labels(recording)
    reference_s = recording.taps_s
    matching = match_onsets(reference_s, detected_s)
    awake = _listen_awake(parameters)
    wanted = [entry for entry in decode_taps(reference_s, awake) if len(entry.digits) >= LEAST_DIGITS]
    _, opened = count_opened(wanted, decode_taps(detected_s, awake))
    spurious_s = detected_s[np.asarray(matching.spurious, dtype=np.int64)]
    silence = parameters.entry_silence_s
    spans = [(entry.start_s - silence, entry.end_s) for entry in wanted]
    return Observation(
        taps=reference_s.size,
        heard=len(matching.pairs),
        codes=tuple(entry.digits for entry in wanted),
        opened=opened,
        entry_s=math.fsum(stop - start for start, stop in spans),
        false_in_entries=sum(int(((spurious_s >= start) & (spurious_s <= stop)).sum()) for start, stop in spans),
        lulls=tuple(split_between_taps(recording, detected_s)),
    )


def _listen_awake(parameters: EntryParameters) -> EntryParameters:
    """The same machine, needing no wake-up taps, for any digits: only hearing is asked about."""
    return replace(parameters, wake_taps=0, digit_max=255)


@dataclass(frozen=True, slots=True)
class RiskRow:
    """Risk of one detector at one position in one scene.

    `tap_recall` and `false_per_entry` (detections without a tap in an entry and the silence around it) tell why entries
    fail: a panel whose ringing is counted as taps has a high recall and many false ones. `false_taps` came in
    `listened_h` without deliberate taps; in `watched_h` of it a possible code could have begun and ended.
    `per_year_…` are wrong openings in a year spent in this scene: as seen and its bound for a code drawn at random, the
    two models for the code that was given, if any. `failures_per_day` are possible codes that false taps enter: each
    counts as a wrong entry, makes the owner wait, and in the end locks the machine.
    """

    detector: str
    position: str
    scene: str
    entries: int
    opened: int
    success: float
    success_low: float
    success_high: float
    tap_recall: float
    false_per_entry: float
    success_model: float
    listened_h: float
    false_taps: int
    false_taps_per_h: float
    watched_h: float
    possible_codes: int
    failures_per_day: float
    per_year_seen: float
    per_year_bound: float
    per_year_poisson: float
    per_year_poisson_high: float
    per_year_gaps: float


@dataclass(frozen=True, slots=True)
class RiskQuestion:
    """What is asked of all observations: the machine, the length of the codes, a code or any, the hand, and the
    confidence of intervals and bounds.
    """

    parameters: EntryParameters = field(default_factory=EntryParameters)
    length: int = 3
    code: tuple[int, ...] | None = None
    hand: HandTiming = field(default_factory=HandTiming)
    confidence: float = 0.95
    tries: int = 500
    seed: int = 1

    def __post_init__(self) -> None:
        check_range("confidence", self.confidence, 0.75, 0.9999)
        if self.code is not None and len(self.code) != self.length:
            raise ParameterError(f"code has {len(self.code)} digits, but length is {self.length}; make them agree")

    @property
    def least_s(self) -> float:
        """How long a stretch without deliberate taps must be to show anything of codes, in seconds."""
        return compute_least_s(self.parameters, self.length)

    @property
    def keyspace(self) -> int:
        """How many codes there are."""
        return compute_keyspace(self.length, self.parameters.digit_max)

    def compute_openings_per_year(self, false_taps_per_s: float) -> float:
        """Wrong openings a year under Poisson false taps; nan with a tolerance, which has no exact rate."""
        if self.parameters.tolerance:
            return math.nan
        gaps = build_poisson_gaps(false_taps_per_s, self.parameters)
        if self.code is not None:
            return 3600 * YEAR_HOURS * compute_openings_per_s(gaps, self.code, self.parameters)
        return 3600 * YEAR_HOURS * compute_possible_per_s(gaps, self.length, self.parameters) / self.keyspace

    def compute_highest_per_year(self, low_per_s: float, high_per_s: float) -> float:
        """The most wrong openings a year that any rate of false taps between the two gives.

        It need not be at an end: very many false taps run together and open nothing.
        """
        rates = np.geomspace(max(low_per_s, high_per_s * 1e-6), high_per_s, 200)
        return max(self.compute_openings_per_year(float(rate)) for rate in rates)


def assess_observation(
    observation: Observation, question: RiskQuestion, *, detector: str, position: str, scene: str
) -> RiskRow:
    """The risk that `observation` shows, in figures; what it does not show is nan."""
    entries = len(observation.codes)
    low, high = wilson_interval(observation.opened, entries, confidence=question.confidence)
    recall = observation.heard / observation.taps if observation.taps else math.nan
    seconds = math.fsum(lull.duration_s for lull in observation.lulls)
    false_taps = sum(lull.onsets_s.size for lull in observation.lulls)
    rates = poisson_rate_interval(false_taps, seconds, confidence=question.confidence)
    watch = watch_lulls(observation.lulls, question.parameters, length=question.length)
    possible_per_h = watch.possible / watch.hours if watch.hours else math.nan
    return RiskRow(
        detector,
        position,
        scene,
        entries=entries,
        opened=observation.opened,
        success=observation.opened / entries if entries else math.nan,
        success_low=low,
        success_high=high,
        tap_recall=recall,
        false_per_entry=observation.false_in_entries / entries if entries else math.nan,
        success_model=_model_success(observation, recall, question),
        listened_h=seconds / 3600,
        false_taps=false_taps,
        false_taps_per_h=false_taps / seconds * 3600 if seconds else math.nan,
        watched_h=watch.hours,
        possible_codes=watch.possible,
        failures_per_day=possible_per_h * 24,
        per_year_seen=possible_per_h * YEAR_HOURS / question.keyspace,
        per_year_bound=_compute_upper(watch.possible, watch.hours, question) * YEAR_HOURS / question.keyspace,
        per_year_poisson=question.compute_openings_per_year(false_taps / seconds) if seconds else math.nan,
        per_year_poisson_high=question.compute_highest_per_year(*rates) if seconds else math.nan,
        per_year_gaps=_compute_gaps_per_year(watch, question),
    )


def compute_hours_needed(question: RiskQuestion) -> float:
    """Watched hours without one possible code that bring the bound down to one wrong opening a year."""
    return _compute_upper(0, 1.0, question) * YEAR_HOURS / question.keyspace


def _compute_upper(count: int, hours: float, question: RiskQuestion) -> float:
    """One-sided exact upper limit of a Poisson rate per hour: the upper end of a two-sided interval."""
    return poisson_rate_interval(count, hours, confidence=2 * question.confidence - 1)[1]


def _model_success(observation: Observation, recall: float, question: RiskQuestion) -> float:
    if not observation.codes or not observation.taps:
        return math.nan
    false_per_s = observation.false_in_entries / observation.entry_s
    hearing, parameters = Hearing(recall, false_per_s), _listen_awake(question.parameters)
    if parameters.tolerance:
        rng = np.random.default_rng(question.seed)
        count = simulate_successes(observation.codes, hearing, question.hand, parameters, tries=question.tries, rng=rng)
        return count / question.tries
    chances = [compute_success(code, hearing, question.hand, parameters) for code in observation.codes]
    return math.fsum(chances) / len(chances)


def _compute_gaps_per_year(watch: Watch, question: RiskQuestion) -> float:
    if question.parameters.tolerance or not watch.lulls:
        return math.nan
    gaps = fit_gaps(
        [lull.onsets_s.tolist() for lull in watch.lulls],
        math.fsum(lull.duration_s for lull in watch.lulls),
        question.parameters,
    )
    if question.code is not None:
        return 3600 * YEAR_HOURS * compute_openings_per_s(gaps, question.code, question.parameters)
    rate = compute_possible_per_s(gaps, question.length, question.parameters)
    return 3600 * YEAR_HOURS * rate / question.keyspace


Observations = dict[tuple[str, str, str], Observation]
"""Keyed by detector, position, scene."""


def observe_recordings(
    variants: Mapping[str, Variant],
    recordings: Iterable[Recording],
    question: RiskQuestion,
    *,
    progress: Callable[[int], object] = lambda done: None,
) -> Observations:
    """Run each variant over each labelled recording and gather what it showed by detector, position and scene.

    `progress` is called with the number of recordings done.
    """
    observations: Observations = {}
    for done, recording in enumerate(recordings, start=1):
        for name, variant in variants.items():
            detections = run_detector(variant, recording)
            detected_s = np.sort(recording.times_s(detections.accepted().onset_samples))
            seen = observe_taps(recording, detected_s, question.parameters)
            key = (name, recording.position, recording.scene)
            observations[key] = observations.get(key, Observation()) + seen
        progress(done)
    return observations


def estimate_risk(
    variants: Mapping[str, Variant | str] | Sequence[Variant | str],
    recordings: Iterable[Recording],
    *,
    code: Sequence[int] | str | None = None,
    length: int = 3,
    parameters: EntryParameters | None = None,
) -> Records[RiskRow]:
    """Chance of a missed and of a wrong opening, by detector, position and scene.

    Parameters
    ----------
    variants : list or dict of Variant or str
        The detectors, or what `load_detector` takes.
    recordings : several Recording
        Labelled recordings, such as a corpus.
    code : str or sequence of int
        The code; None: one of `length` digits, drawn at random.
    length : int
        How many digits a code has, where none is given.
    parameters : EntryParameters
        The entry machine's pauses and limits.

    Returns
    -------
    Records of RiskRow
        A tuple with one row for each detector, position and scene.

    Raises
    ------
    LabelError
        For a recording that is not labelled.
    """
    machine = parameters or EntryParameters()
    digits = parse_code(code, digit_max=machine.digit_max) if isinstance(code, str) else code
    question = RiskQuestion(
        machine, length=length if digits is None else len(digits), code=None if digits is None else tuple(digits)
    )
    return Records(list_risk_rows(observe_recordings(name_variants(variants), recordings, question), question))


def list_risk_rows(
    observations: Mapping[tuple[str, str, str], Observation], question: RiskQuestion
) -> tuple[RiskRow, ...]:
    """Risk by detector, position and scene."""
    return tuple(
        assess_observation(seen, question, detector=detector, position=position, scene=scene)
        for (detector, position, scene), seen in sorted(observations.items())
    )
