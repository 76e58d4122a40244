"""The decoders rule and evidence on the same entries: entries opened, openings by near codes and by false taps.

A near code differs from the tapped one by one tap (distance one) or two taps (distance two). All near codes are tested.
Evidence accepts a code when its log-likelihood ratio reaches a threshold, so each entry gives the whole curve over
thresholds.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tapsig.core.evidence import Weighed, can_hold
from tapsig.core.evidence_model import NAT
from tapsig.detectors.tap import Tap
from tapsig.entry import Entry, EntryParameters, decode_taps
from tapsig.entry.decoding import listen
from tapsig.entry.evidence import EvidenceEntry, EvidenceMachine
from tapsig.records import Recording, require_labels
from tapsig.results import Counts, compute_ratio
from tapsig.risks.guessing import compute_keyspace
from tapsig.risks.nuisance import YEAR_HOURS, is_possible, list_exposures, split_between_taps
from tapsig.scoring.intervals import clustered_rate_limit, clustered_share_interval
from tapsig.scoring.outcomes import MIN_DIGITS, overlap

Code = tuple[int, ...]
RULE, EVIDENCE = "rule", "evidence"
MOST_THRESHOLDS = 12
MIN_THRESHOLD = -1.0
"""In nats: lowest threshold, which excludes codes that are much less likely than the best series."""


def list_near_codes(code: Sequence[int], distance: int, *, digit_max: int = 9) -> tuple[Code, ...]:
    """All codes of the same length whose digits differ by `distance` taps in all (1 or 2), in order.

    >>> list_near_codes((1, 2), 1)
    ((1, 1), (1, 3), (2, 2))
    """
    found = {tuple(code)}
    seen = set(found)
    for _ in range(distance):
        found = set(_step(found, digit_max)) - seen
        seen |= found
    return tuple(sorted(found))


def _step(codes: Iterable[Code], digit_max: int) -> Iterator[Code]:
    for code in codes:
        for place, digit in enumerate(code):
            for other in (digit - 1, digit + 1):
                if 1 <= other <= digit_max:
                    yield (*code[:place], other, *code[place + 1 :])


@dataclass(frozen=True, slots=True)
class EntryTrial:
    """One tapped entry.

    Parameters
    ----------
    code : its digits, from the labels.
    by_rule : digits of overlapping entries that the rule decodes.
    log_ratio : of the tapped code, in nats; -inf where the candidates hold no likely series of it.
    near_ratios : of the codes at distance one, and at distance two.
    source : the file.
    """

    vehicle: str
    position: str
    scene: str
    code: Code
    by_rule: tuple[Code, ...]
    log_ratio: float
    near_ratios: tuple[tuple[float, ...], tuple[float, ...]]
    source: str = ""

    def count_near_by_rule(self, distance: int, *, digit_max: int = 9) -> int:
        """Number of codes at this distance that the rule accepts."""
        return len(set(self.by_rule) & set(list_near_codes(self.code, distance, digit_max=digit_max)))


@dataclass(frozen=True, slots=True)
class WatchedSegment:
    """Codes decoded in one tap-free segment.

    Parameters
    ----------
    hours : exposure, in which a code could have begun and ended.
    by_rule : codes of the given length decoded by the rule.
    log_ratios : log-likelihood ratios of the codes of this length that an entry may open (`list_passing`).
    source : the file.
    """

    hours: float
    by_rule: int
    log_ratios: tuple[float, ...]
    source: str = ""

    def count_passing(self, threshold: float) -> int:
        """Codes that evidence opens to at this threshold; nan stands for the rule."""
        return self.by_rule if math.isnan(threshold) else sum(ratio >= threshold for ratio in self.log_ratios)


@dataclass(frozen=True, slots=True)
class TapFreeDecoding(Counts):
    """Codes decoded in tap-free time, by segment; those of several recordings add with +."""

    segments: tuple[WatchedSegment, ...] = ()

    @property
    def hours(self) -> float:
        """Exposure of all segments."""
        return math.fsum(segment.hours for segment in self.segments)

    def count_passing(self, threshold: float) -> int:
        """As `WatchedSegment.count_passing`, of all segments."""
        return sum(segment.count_passing(threshold) for segment in self.segments)

    def compute_upper(self, threshold: float, confidence: float) -> float:
        """As `PossibleEntries.compute_upper`."""
        counts = np.array([float(segment.count_passing(threshold)) for segment in self.segments])
        hours = np.array([segment.hours for segment in self.segments])
        files = [segment.source for segment in self.segments]
        return clustered_rate_limit(counts, hours, confidence, files=files)


def observe_openings(
    recording: Recording, variant: Tap, parameters: EntryParameters | None = None, *, length: int = 3
) -> tuple[tuple[EntryTrial, ...], TapFreeDecoding]:
    """Run both decoders on a labelled recording.

    Every tapped entry starts with the machine awake and outside waiting times; false taps must wake it first.

    Raises LabelError for a recording without labels.
    """
    require_labels(recording)
    parameters = parameters or EntryParameters()
    awake = replace(parameters, wake_taps=0)
    weighed, ruled = _decode(recording, variant, awake)
    tapped = decode_taps(recording.taps_s.tolist(), replace(awake, digit_max=255))
    tried = tuple(
        _try_code(recording, code, ruled, weighed, parameters)
        for code in tapped
        if len(code.digits) >= MIN_DIGITS and can_hold(code.digits)
    )
    if parameters.wake_taps:
        weighed, ruled = _decode(recording, variant, parameters)
    return tried, _watch(recording, ruled, weighed, parameters, length)


def _decode(
    recording: Recording, variant: Tap, parameters: EntryParameters
) -> tuple[tuple[EvidenceEntry, ...], tuple[Entry, ...]]:
    """The entries on evidence and by the rule, with digits of any height."""
    weighed, found = listen(EvidenceMachine(parameters.for_evidence()), variant, recording)
    found_s = np.sort(recording.times_s(found.onset_samples))
    return weighed, decode_taps(found_s.tolist(), replace(parameters, digit_max=255))


def _try_code(
    recording: Recording,
    code: Entry,
    ruled: Iterable[Entry],
    weighed: Iterable[EvidenceEntry],
    parameters: EntryParameters,
) -> EntryTrial:
    around = [entry for entry in weighed if overlap(entry, code)]

    def ratio(digits: Code) -> float:
        return max((entry.compute_log_ratio(digits) for entry in around), default=-math.inf)

    near = (list_near_codes(code.digits, distance, digit_max=parameters.digit_max) for distance in (1, 2))
    first, second = (tuple(map(ratio, filter(can_hold, codes))) for codes in near)
    by_rule = tuple(entry.digits for entry in ruled if overlap(entry, code))
    names = recording.vehicle, recording.position, recording.scene
    return EntryTrial(*names, code.digits, by_rule, ratio(code.digits), (first, second), recording.source)


def _watch(
    recording: Recording,
    ruled: Iterable[Entry],
    weighed: Iterable[EvidenceEntry],
    parameters: EntryParameters,
    length: int,
) -> TapFreeDecoding:
    """Count possible codes in tap-free time, as `nuisance.count_possible_entries` does."""
    watched: list[WatchedSegment] = []
    for segment, begin_s, end_s in list_exposures(split_between_taps(recording, np.zeros(0)), parameters, length):
        begin_s, end_s = segment.start_s + begin_s, segment.start_s + end_s
        by_rule = sum(begin_s <= one.start_s < end_s and is_possible(one, length, parameters) for one in ruled)
        inside = [one.weighed for one in weighed if begin_s <= one.start_s < end_s and one.weighed is not None]
        ratios = (ratio for one in inside for ratio in list_passing(one, length, parameters.digit_max))
        watched.append(WatchedSegment((end_s - begin_s) / 3600.0, by_rule, tuple(ratios), recording.source))
    return TapFreeDecoding(tuple(watched))


def find_best(weighed: Weighed, length: int) -> Code:
    """The digits of the best series of an entry, compared as for a code of `length` digits; () for no taps at all."""
    own, other = weighed.find_series((1,) * length)
    return (own if own.score > other.score else other).digits


def list_passing(weighed: Weighed, length: int, digit_max: int) -> tuple[float, ...]:
    """Log-likelihood ratios, from MIN_THRESHOLD on, of the codes of `length` digits that one entry may open with.

    A ratio above 0 can only have the best series, compared as for a code of that length. Below 0, the codes at distance
    one from it are asked too.
    """
    best = find_best(weighed, length)
    if len(best) != length or max(best) > digit_max:
        return ()
    codes = (best, *list_near_codes(best, 1, digit_max=digit_max))
    ratios = (weighed.compute_ratio(code) / NAT for code in codes if can_hold(code))
    return tuple(ratio for ratio in ratios if ratio >= MIN_THRESHOLD)


@dataclass(frozen=True, slots=True)
class DecoderRow:
    """One decoder at one threshold (nan for the rule): shares with 95 % intervals, openings by false taps a year.

    The intervals allow for entries and files that differ: near codes of one entry open together.

    `per_year_bound` is the one-sided upper limit of the possible codes in `exposure_h`, divided by the keyspace.
    """

    decoder: str
    threshold: float
    entries: int
    opened: int
    success: float
    success_low: float
    success_high: float
    near_1: int
    near_1_opened: int
    near_1_share: float
    near_1_high: float
    near_2: int
    near_2_opened: int
    near_2_share: float
    near_2_high: float
    exposure_h: float
    possible_codes: int
    per_year_seen: float
    per_year_bound: float


def list_thresholds(tried: Sequence[EntryTrial]) -> list[float]:
    """Thresholds for the curve: at most 12 of the ratios of near codes, evenly spaced by rank."""
    near = {ratio for each in tried for ratios in each.near_ratios for ratio in ratios}
    ratios = sorted(ratio for ratio in near if ratio > MIN_THRESHOLD)
    if not ratios:
        return [MIN_THRESHOLD]
    chosen = np.unique(np.round(np.linspace(0, len(ratios) - 1, MOST_THRESHOLDS)).astype(int))
    return [MIN_THRESHOLD, *(ratios[i] + 1 / NAT for i in chosen)]


def list_decoder_rows(
    tried: Sequence[EntryTrial],
    idle: TapFreeDecoding,
    thresholds: Iterable[float],
    *,
    length: int = 3,
    digit_max: int = 9,
    confidence: float = 0.95,
) -> tuple[DecoderRow, ...]:
    """Rows of the rule and of evidence at each threshold, in nats."""
    files = [each.source for each in tried]
    ones = [1] * len(tried)
    totals = [[len(each.near_ratios[k]) for each in tried] for k in (0, 1)]
    keys = compute_keyspace(length, digit_max)

    def share(counts: Sequence[int], among: Sequence[int]) -> tuple[int, int, float, float, float]:
        parts, wholes = np.array(counts, dtype=np.float64), np.array(among, dtype=np.float64)
        interval = clustered_share_interval(parts, wholes, files=files, confidence=confidence)
        return sum(among), sum(counts), compute_ratio(sum(counts), sum(among)), *interval

    def row(decoder: str, threshold: float, opened: Sequence[int], near: Sequence[Sequence[int]]) -> DecoderRow:
        near_1, near_2 = ((*of[:3], of[4]) for of in map(share, near, totals))
        possible = idle.count_passing(threshold)
        seen = compute_ratio(possible, idle.hours) * YEAR_HOURS / keys
        bound = idle.compute_upper(threshold, confidence) * YEAR_HOURS / keys
        return DecoderRow(decoder, threshold, *share(opened, ones), *near_1, *near_2, idle.hours, possible, seen, bound)

    by_rule = [[each.count_near_by_rule(distance, digit_max=digit_max) for each in tried] for distance in (1, 2)]
    rows = [row(RULE, math.nan, [each.code in each.by_rule for each in tried], by_rule)]
    for threshold in sorted(set(thresholds)):
        near = [[sum(ratio >= threshold for ratio in each.near_ratios[k]) for each in tried] for k in (0, 1)]
        rows.append(row(EVIDENCE, threshold, [each.log_ratio >= threshold for each in tried], near))
    return tuple(rows)


def choose_threshold(tried: Sequence[EntryTrial], idle: TapFreeDecoding, *, digit_max: int = 9) -> float:
    """The lowest threshold, in nats, at which near codes and false taps open no more often than with the rule."""
    least = MIN_THRESHOLD
    for k in (0, 1):
        allowed = sum(each.count_near_by_rule(k + 1, digit_max=digit_max) for each in tried)
        least = max(least, _limit((ratio for each in tried for ratio in each.near_ratios[k]), allowed))
    ratios = (ratio for segment in idle.segments for ratio in segment.log_ratios)
    return max(least, _limit(ratios, idle.count_passing(math.nan)))


def _limit(ratios: Iterable[float], allowed: int) -> float:
    """A threshold reached by at most `allowed` of the ratios."""
    falling = sorted(ratios, reverse=True)
    return max(falling[allowed] + 1 / NAT, MIN_THRESHOLD) if allowed < len(falling) else MIN_THRESHOLD
