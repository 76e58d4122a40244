"""The risk of a detector at a position: right codes that do not open, and false taps that do.

Success is counted on the recordings, and compared with a model that knows only the recall of single taps and the rate
of false ones. Wrong openings are estimated from tap-free time by three methods with different assumptions:

- *seen* and *bound*: the possible codes that false taps entered, and the upper limit of that count (exact for Poisson
  counts, and wider by how much segments or files differ), each divided by the keyspace. The only assumption is a code
  drawn at random. Only time in which the longest code fits counts (`nuisance.count_possible_entries`): little such
  time gives a large bound, none an undefined one.
- *Poisson*: independent false taps at the measured rate, solved exactly.
- *gaps*: independent gaps with the measured distribution, which keeps bursts and rhythms.

Both decoders are judged where the detector gives log-odds; the models are of the rule.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from tapsig.detectors.base import Variant
from tapsig.entry import EntryParameters, check_code
from tapsig.entry.decoding import refuse_evidence
from tapsig.entry.evidence import Evidence
from tapsig.entry.parameters import require_parameters
from tapsig.errors import ParameterError
from tapsig.records import Recording, require_recording
from tapsig.results import Records, compute_ratio
from tapsig.risks.guessing import compute_keyspace
from tapsig.risks.hand import HandTiming, TapChannel, compute_success, simulate_successes
from tapsig.risks.nuisance import (
    YEAR_HOURS,
    GapModel,
    build_poisson_gaps,
    compute_openings_per_s,
    compute_possible_per_s,
    count_possible_entries,
    fit_gaps,
    list_exposures,
)
from tapsig.risks.observation import Observation, listen_awake, observe_recordings
from tapsig.risks.openings import EVIDENCE, RULE
from tapsig.scoring.intervals import clustered_rate_interval, clustered_rate_limit, clustered_share_interval
from tapsig.scoring.outcomes import name_variants
from tapsig.units import check_count, check_range

HAND = HandTiming()
TRIES = 500
"""Simulated entries, where a tolerance leaves no formula for their success."""


@dataclass(frozen=True, slots=True)
class RiskRow:
    """Risk of one detector at one position in one scene, by one decoder.

    `tap_recall` and `false_per_entry` (detections without a tap during an entry and the silence before it) show why
    entries fail: ringing that is counted as taps gives a high recall and many false detections. `false_taps` occurred
    in `tap_free_h`; in `exposure_h` of it a possible code could have begun and ended. `per_year_…` are wrong openings
    in a year spent in this scene: the observed rate and its bound for a code drawn at random, and the two models for
    the given code, if any. `failures_per_day` are wrong entries by false taps: possible codes, on evidence those below
    its threshold too. They lead to waits, and in the end lock the machine. The models know the rule alone: on evidence
    they are nan.
    """

    detector: str
    decoder: str
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
    tap_free_h: float
    false_taps: int
    false_taps_per_h: float
    exposure_h: float
    possible_codes: int
    failures_per_day: float
    per_year_seen: float
    per_year_bound: float
    per_year_poisson: float
    per_year_poisson_high: float
    per_year_gaps: float


@dataclass(frozen=True, slots=True)
class RiskQuestion:
    """Settings of the risk estimate: the entry machine, the code or only its length, the confidence."""

    parameters: EntryParameters = field(default_factory=EntryParameters)
    length: int = 3
    code: tuple[int, ...] | None = None
    confidence: float = 0.95

    def __post_init__(self) -> None:
        check_range("confidence", self.confidence, 0.75, 0.9999)
        check_count("length", self.length, 1, 64)
        if self.code is not None and len(self.code) != self.length:
            raise ParameterError(f"code has {len(self.code)} digits, but length is {self.length}; make them agree")

    @property
    def min_segment_s(self) -> float:
        """Shortest tap-free segment, in seconds, in which a code can be counted."""
        return self.parameters.memory_s + self.parameters.compute_longest_s(self.length)

    @property
    def keyspace(self) -> int:
        """Number of codes."""
        return compute_keyspace(self.length, self.parameters.digit_max)

    def refuse_evidence(self, variant: Variant) -> str:
        """Why the decoder evidence cannot decide, or ""."""
        return refuse_evidence(variant, self.parameters, self.code or (1,) * self.length)

    def compute_openings_per_year(self, false_taps_per_s: float) -> float:
        """Wrong openings a year under Poisson false taps; nan with a tolerance, which has no exact rate."""
        if self.parameters.tolerance:
            return math.nan
        return self.convert_gaps(build_poisson_gaps(false_taps_per_s, self.parameters))

    def convert_gaps(self, gaps: GapModel) -> float:
        """Wrong openings a year under these gaps between false taps."""
        if self.code is not None:
            return 3600 * YEAR_HOURS * compute_openings_per_s(gaps, self.code, self.parameters)
        return 3600 * YEAR_HOURS * compute_possible_per_s(gaps, self.length, self.parameters) / self.keyspace

    def compute_highest_per_year(self, low_per_s: float, high_per_s: float) -> float:
        """The most wrong openings a year over all rates of false taps between the two.

        The maximum may lie inside the range: very frequent false taps merge into long digits and open nothing.
        """
        rates = np.geomspace(max(low_per_s, high_per_s * 1e-6), high_per_s, 200)
        return max(self.compute_openings_per_year(float(rate)) for rate in rates)


def assess_observation(
    observation: Observation, question: RiskQuestion, *, detector: str, position: str, scene: str, decoder: str = RULE
) -> RiskRow:
    """Compute the risk from an `observation`; undefined figures are nan."""
    entries = len(observation.codes)
    opened_of = observation.list_opened(decoder)
    files, made, opened = zip(*opened_of, strict=True) if opened_of else ((), (), ())
    low, high = clustered_share_interval(
        np.array(opened, dtype=np.float64),
        np.array(made, dtype=np.float64),
        files=files,
        confidence=question.confidence,
    )
    recall = compute_ratio(observation.taps_found, observation.taps)
    seconds = math.fsum(segment.duration_s for segment in observation.segments)
    false_taps = sum(segment.onsets_s.size for segment in observation.segments)
    rates = clustered_rate_interval(
        np.array([float(segment.onsets_s.size) for segment in observation.segments]),
        np.array([segment.duration_s for segment in observation.segments]),
        files=[segment.source for segment in observation.segments],
        confidence=question.confidence,
    )
    hours, possible, failures, upper_per_h = _count_possible(observation, question, decoder)
    has_models = decoder == RULE
    has_rate = has_models and seconds > 0
    return RiskRow(
        detector,
        decoder,
        position,
        scene,
        entries=entries,
        opened=sum(opened),
        success=compute_ratio(sum(opened), entries),
        success_low=low,
        success_high=high,
        tap_recall=recall,
        false_per_entry=compute_ratio(observation.false_in_entries, entries),
        success_model=_model_success(observation, recall, question) if has_models else math.nan,
        tap_free_h=seconds / 3600,
        false_taps=false_taps,
        false_taps_per_h=compute_ratio(false_taps, seconds) * 3600,
        exposure_h=hours,
        possible_codes=possible,
        failures_per_day=compute_ratio(failures, hours) * 24,
        per_year_seen=compute_ratio(possible, hours) * YEAR_HOURS / question.keyspace,
        per_year_bound=upper_per_h * YEAR_HOURS / question.keyspace,
        per_year_poisson=question.compute_openings_per_year(false_taps / seconds) if has_rate else math.nan,
        per_year_poisson_high=question.compute_highest_per_year(*rates) if has_rate else math.nan,
        per_year_gaps=_compute_gaps_per_year(observation, question) if has_models else math.nan,
    )


def _count_possible(observation: Observation, question: RiskQuestion, decoder: str) -> tuple[float, int, int, float]:
    """Hours of exposure, possible codes in them, failures, and the upper limit of possible codes in an hour."""
    if decoder == EVIDENCE:
        idle, least = observation.idle, Evidence().threshold
        upper_per_h = idle.compute_upper(least, question.confidence)
        return idle.hours, idle.count_passing(least), idle.count_passing(0.0), upper_per_h
    watch = count_possible_entries(observation.segments, question.parameters, length=question.length)
    return watch.hours, watch.possible, watch.possible, watch.compute_upper(question.confidence)


def compute_hours_needed(question: RiskQuestion) -> float:
    """Hours of exposure without a possible code after which the bound is one wrong opening a year."""
    return clustered_rate_limit(np.zeros(1), np.ones(1), question.confidence) * YEAR_HOURS / question.keyspace


def _model_success(observation: Observation, recall: float, question: RiskQuestion) -> float:
    if not observation.codes or not observation.taps:
        return math.nan
    false_per_s = observation.false_in_entries / observation.entry_s
    channel, parameters = TapChannel(recall, false_per_s), listen_awake(question.parameters)
    if parameters.tolerance:
        rng = np.random.default_rng(1)
        return simulate_successes(observation.codes, channel, HAND, parameters, tries=TRIES, rng=rng) / TRIES
    chances = [compute_success(code, channel, HAND, parameters) for code in observation.codes]
    return math.fsum(chances) / len(chances)


def _compute_gaps_per_year(observation: Observation, question: RiskQuestion) -> float:
    long_enough = [one for one, _, _ in list_exposures(observation.segments, question.parameters, question.length)]
    if question.parameters.tolerance or not long_enough:
        return math.nan
    return question.convert_gaps(fit_gaps(long_enough, question.parameters))


def estimate_risk(
    variants: Mapping[str, Variant | str] | Sequence[Variant | str],
    recordings: Iterable[Recording],
    *,
    code: Sequence[int] | str | None = None,
    length: int | None = None,
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
        How many digits a code has, 1 to 64. None: those of `code`, or 3.
    parameters : EntryParameters
        The entry machine's pauses and limits.

    Returns
    -------
    Records of RiskRow
        A tuple with one row for each detector, position, scene and decoder: the rule, and evidence where the detector
        gives log-odds, unless the code is too long for it or a parameter is given that only the rule uses.

    Raises
    ------
    ParameterError
        For recordings that are none, or a `length` that is not that of `code`.
    LabelError
        For a recording that is not labelled.
    """
    given: object = recordings
    if isinstance(given, Recording) or not isinstance(given, Iterable):
        raise ParameterError(
            f"recordings is a {type(given).__name__}; give a list of recordings, or tapsig.load_corpus(folder)"
        )
    machine = require_parameters(parameters)
    digits = None if code is None else check_code(code, digit_max=machine.digit_max)
    if length is None:
        length = 3 if digits is None else len(digits)
    question = RiskQuestion(machine, length=length, code=digits)
    labelled = map(require_recording, recordings)
    rows = list_risk_rows(observe_recordings(name_variants(variants), labelled, question), question)
    if not rows:
        raise ParameterError("there are no recordings to judge; check the selected split, position and scene")
    return Records(rows, RiskRow)


def list_risk_rows(
    observations: Mapping[tuple[str, str, str], Observation], question: RiskQuestion
) -> tuple[RiskRow, ...]:
    """Risk by detector, position, scene and decoder."""
    return tuple(
        assess_observation(seen, question, detector=detector, position=position, scene=scene, decoder=decoder)
        for detector, position, scene in sorted(observations)
        for seen in [observations[detector, position, scene]]
        for decoder in seen.decoders
    )
