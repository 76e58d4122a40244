"""Entries from tables of candidates (`transfer_data.gather`), for fitting and judging the decoder evidence."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from benchmarks.tally import accept, each_recording
from tapsig.core.evidence import UNREACHED, JudgeCore, Weighed
from tapsig.core.evidence_model import NAT, EvidenceModel
from tapsig.core.tap import DECISION_MS
from tapsig.detectors.model import to_score
from tapsig.detectors.tap import Tap
from tapsig.entry import Entry, EntryParameters, Verdict, decode_taps, to_ms
from tapsig.entry.evidence import VERDICTS, Evidence, judge_config
from tapsig.fitting.candidates import CandidateTable
from tapsig.risks.openings import Code, EntryTrial, TapFreeDecoding, WatchedSegment, list_near_codes, list_passing
from tapsig.scoring.outcomes import MIN_DIGITS
from tapsig.units import FloatArray

ENTRIES = "entries"
"""The plan of taps of recordings that hold code entries."""


@dataclass(frozen=True, slots=True)
class Heard:
    """The candidates of one recording, in the order of decision, with what was tapped."""

    vehicle: str
    scene: str
    position: str
    onset_ms: list[int]
    score: list[int]
    rows: list[bytes]
    accepted_s: FloatArray
    tapped: tuple[Entry, ...]

    def weigh(self, model: EvidenceModel) -> list[Weighed]:
        """Its entries on evidence."""
        core = JudgeCore(*judge_config(EntryParameters(), (), Evidence(model=model)))
        return [weighed for weighed, _ in (*self.feed(core), *core.finish())]

    def feed(self, core: JudgeCore, *, begin_ms: int = 0) -> Iterator[tuple[Weighed, int]]:
        """Give all candidates to `core`, for which the recording begins at `begin_ms`; what its `tick` tells is over
        before the last of them.
        """
        for onset_ms, score, row in zip(self.onset_ms, self.score, self.rows, strict=True):
            yield from core.tick(max(begin_ms + onset_ms - DECISION_MS, 0))
            core.push(begin_ms + onset_ms, score, row)


def list_heard(table: CandidateTable, tap: Tap | None = None, *, plan: str = ENTRIES) -> Iterator[Heard]:
    """The recordings of a table with that plan of taps, as `tap` (as shipped, if None) hears them; those with the plan
    of entries hold at least one.
    """
    tap = tap or Tap()
    scores = tap.model.score(table.rows)
    for index, part in each_recording(table):
        group = table.groups[index]
        vehicle, scene, position, _, planned = group.split("|")
        tapped = tuple(entry for entry in decode_taps(table.taps_s[index].tolist()) if len(entry.digits) >= MIN_DIGITS)
        if planned != plan or (plan == ENTRIES and not tapped):
            continue
        onset_s, score = table.onset_s[part].astype(np.float64), scores[part]
        yield Heard(
            vehicle,
            scene,
            position,
            [to_ms(max(time, 0.0)) for time in onset_s.tolist()],
            score.tolist(),
            [row.tobytes() for row in table.rows[part]],
            np.sort(accept(onset_s, score >= to_score(tap.probability), tap.dead_time_s)),
            tapped,
        )


def try_codes(heard: Heard, model: EvidenceModel, *, second: bool = True) -> list[EntryTrial]:
    """Both decoders on the entries of a recording; codes at distance two only when asked for."""
    weighed = heard.weigh(model)
    ruled = decode_taps(heard.accepted_s.tolist(), EntryParameters(digit_max=255))
    tried = []
    for entry in heard.tapped:
        around = [each for each in weighed if overlaps(each, entry)]

        def ratio(code: Code, around: list[Weighed] = around) -> float:
            ratios = [each.compute_ratio(code) for each in around]
            return max((value / NAT for value in ratios if value != UNREACHED), default=-math.inf)

        near = [list_near_codes(entry.digits, distance) if distance == 1 or second else () for distance in (1, 2)]
        by_rule = tuple(one.digits for one in ruled if one.start_s < entry.end_s and entry.start_s < one.end_s)
        tried.append(
            EntryTrial(
                heard.vehicle,
                heard.position,
                heard.scene,
                entry.digits,
                by_rule,
                ratio(entry.digits),
                (tuple(map(ratio, near[0])), tuple(map(ratio, near[1]))),
            )
        )
    return tried


def watch(heard: Heard, duration_s: float, model: EvidenceModel, *, length: int = 3) -> TapFreeDecoding:
    """Codes that both decoders find in a recording without taps, where even the longest could begin and end."""
    parameters = EntryParameters()
    begin_s, end_s = parameters.memory_s, duration_s - parameters.compute_longest_s(length)
    ruled = decode_taps(heard.accepted_s.tolist(), EntryParameters(digit_max=255))
    weighed = heard.weigh(model)
    by_rule = sum(begin_s <= e.start_s < end_s and len(e.digits) == length and max(e.digits) <= 9 for e in ruled)
    inside = [each for each in weighed if begin_s <= each.onset_ms[0] / 1000.0 < end_s]
    ratios = tuple(ratio for each in inside for ratio in list_passing(each, length, parameters.digit_max))
    return TapFreeDecoding((WatchedSegment((end_s - begin_s) / 3600.0, by_rule, ratios),))


def count_openings(heard: Heard, duration_s: float, decoder: Evidence, code: Code) -> tuple[int, int]:
    """How often a machine with its usual waits opens before the end of a recording: by the rule, and on evidence."""
    parameters = EntryParameters()
    judge = JudgeCore(*judge_config(parameters, code, decoder))
    over = [*heard.feed(judge), *judge.tick(to_ms(duration_s) - DECISION_MS)]
    accepted = sum(VERDICTS[verdict] is Verdict.ACCEPTED for _, verdict in over)
    ruled = decode_taps(heard.accepted_s.tolist(), parameters, code=code, end_s=duration_s)
    return sum(entry.verdict is Verdict.ACCEPTED for entry in ruled), accepted


def overlaps(weighed: Weighed, entry: Entry) -> bool:
    """Whether two entries share a time."""
    return weighed.onset_ms[0] / 1000.0 < entry.end_s and entry.start_s < weighed.end_ms / 1000.0
