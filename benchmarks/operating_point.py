"""What the thresholds cost: `python -m benchmarks.operating_point --kept DIR`.

For the probability from which `tap` accepts a candidate, and for the threshold of the decoder evidence: taps found and
codes opened on doors that the models have not met, beside openings by false taps in 24 simulated hours of each scene
without taps, for the code 3-1-4, as a rate a year of parking or for 1000 km. All of it is simulated.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from benchmarks.entries import CODE, CORPUS, DOORS, SCENES, gather_nuisance, hear_nuisance
from benchmarks.entry_tables import ENTRIES, Heard, list_heard, overlaps
from benchmarks.sections import Rows, make_parser, publish, render_markdown, to_markdown
from benchmarks.train_tap import BOOSTING, gather_all
from benchmarks.transfer import judge, train_without
from benchmarks.transfer_data import GENERATORS, SOURCES, TABLE, describe, gather
from tapsig.core.evidence import JudgeCore, Weighed
from tapsig.core.evidence_model import NAT
from tapsig.detectors.model import to_score
from tapsig.detectors.tap import Tap
from tapsig.entry import EntryParameters, Verdict, decode_taps, to_ms
from tapsig.entry.evidence import VERDICTS, Evidence, judge_config, shipped_model
from tapsig.fitting.candidates import CandidateTable, collect_candidates
from tapsig.loading import load_corpus
from tapsig.records import Recording
from tapsig.results import compute_ratio
from tapsig.risks.nuisance import TapFreeSegment, compute_openings_per_s, fit_gaps
from tapsig.risks.openings import find_best, list_near_codes
from tapsig.risks.yearly import PARKED_HOURS
from tapsig.scoring.intervals import clustered_rate_limit

HOURS = 24.0
PROBABILITIES = (0.2, 0.27, 0.33, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)
SETTINGS = (*((prior, 0.5) for prior in (0, 2, 4, 6, 8, 12, 16)), *((4, limit) for limit in (0.0, 0.25, 1.0, 1.5)))
"""Prior log-odds of no taps, and threshold, of the decoder evidence."""
EXPOSURE_H = {"rain": PARKED_HOURS["rain"], "music": PARKED_HOURS["music"], "driving": 25.0}
"""Hours of each scene: in a year of parking, and for 1000 km at 40 km/h."""
NOT_MET = ("lumped", "measured")
"""Sources of doors that neither `tap` nor the decoder evidence was fitted to, beside the demo's test vehicles."""
PARAMETERS = EntryParameters()
MODEL = replace(shipped_model(), no_taps=0.0)
Margins = tuple[float, float]


def count_like(code: Sequence[int]) -> int:
    """Codes with as many digits and taps as `code`: the ways to part its taps into digits of one or more.

    >>> count_like((3, 1, 4))
    21
    """
    return math.comb(sum(code) - 1, len(code) - 1)


def rate_by_rule(table: CandidateTable, probability: float) -> tuple[float, float]:
    """False taps an hour without taps, and openings of CODE an hour by the rule, from the measured gaps."""
    pairs = hear_nuisance(table, Tap(probability=probability))
    gaps = fit_gaps([TapFreeSegment(heard.accepted_s, duration_s) for heard, duration_s in pairs], PARAMETERS)
    return 3600.0 * gaps.taps_per_s, 3600.0 * compute_openings_per_s(gaps, CODE, PARAMETERS)


def find_margins(weighed: Weighed, code: Sequence[int]) -> Margins | None:
    """How far the code's series is above the best other one, and above no taps at all, in nats."""
    own, other = weighed.find_series(code)
    return ((own.score - other.score) / NAT, own.score / NAT) if own.score > 0 else None


def opens(margins: Iterable[Margins], threshold: float, no_taps: float) -> bool:
    """Whether a code opens with one of these."""
    return any(min(over_other, over_none - no_taps) >= threshold for over_other, over_none in margins)


def list_like(heard: Heard) -> list[Margins]:
    """Of the entries whose best series has as many digits and taps as CODE: no other code like it opens."""
    found = []
    for weighed in heard.weigh(MODEL):
        best = find_best(weighed, len(CODE))
        if len(best) == len(CODE) and sum(best) == sum(CODE):
            found.append(find_margins(weighed, best))
    return [each for each in found if each is not None]


def try_codes(table: CandidateTable) -> tuple[list[list[Margins]], list[list[Margins]]]:
    """For each entry in the recordings of a table: of its code, and of each code one tap away."""
    right: list[list[Margins]] = []
    near: list[list[Margins]] = []
    for heard in list_heard(table):
        entries = heard.weigh(MODEL)
        for tapped in heard.tapped:
            around = [weighed for weighed in entries if overlaps(weighed, tapped)]
            for code in (tapped.digits, *list_near_codes(tapped.digits, 1)):
                found = [each for weighed in around if (each := find_margins(weighed, code)) is not None]
                (right if code == tapped.digits else near).append(found)
    return right, near


def list_probabilities(
    train: Mapping[str, CandidateTable], test: Mapping[str, CandidateTable], nuisances: Mapping[str, CandidateTable]
) -> list[list[object]]:
    """One line a probability; each source judged by a model trained without it."""
    scores = {name: train_without(name, train, BOOSTING).score(test[name].rows) for name in SOURCES}
    lines: list[list[object]] = []
    for probability in PROBABILITIES:
        tallies = {name: judge(test[name], scores[name], to_score(probability)).score for name in SOURCES}
        doors = [tallies[name] for name in GENERATORS]
        first = {name: compute_ratio(one.first_taps_found, one.first_taps) for name, one in tallies.items()}
        opened = [tallies[name] for name in (*GENERATORS, TABLE)]
        rates = {scene: rate_by_rule(table, probability) for scene, table in nuisances.items()}
        lines.append(
            [
                f"{probability:g}",
                min(tally.f1 for tally in doors),
                float(np.mean([tally.f1 for tally in doors])),
                tallies[TABLE].f1,
                min(first[name] for name in GENERATORS),
                first[TABLE],
                f"{sum(tally.entries_opened for tally in opened)}/{sum(tally.entries for tally in opened)}",
                f"{rates['rain'][0]:.3g}",
                *(f"{EXPOSURE_H[scene] * rates[scene][1] + 0.0:.2g}" for scene in SCENES),
            ]
        )
    return lines


def list_settings(tables: Mapping[str, CandidateTable], nuisances: Mapping[str, CandidateTable]) -> list[list[object]]:
    """One line a setting of evidence; openings a year as counted, with the upper limit (95 %)."""
    idle = {scene: [list_like(heard) for heard, _ in hear_nuisance(table)] for scene, table in nuisances.items()}
    tried = [try_codes(table) for table in tables.values()]
    nearby = [margins for _, near in tried for margins in near]
    lines: list[list[object]] = []
    for no_taps, threshold in SETTINGS:
        cells = []
        for scene in SCENES:
            counts = np.array([float(sum(opens([one], threshold, no_taps) for one in part)) for part in idle[scene]])
            hours, share = nuisances[scene].durations_s / 3600.0, EXPOSURE_H[scene] / count_like(CODE)
            limit = clustered_rate_limit(counts, hours, 0.95)
            cells.append(f"{share * counts.sum() / hours.sum():.2g} (≤ {share * limit:.2g})")
        shares = [np.mean([opens(margins, threshold, no_taps) for margins in right]) for right, _ in tried]
        passing = 100.0 * np.mean([opens(margins, threshold, no_taps) for margins in nearby])
        lines.append([f"{no_taps:g}", f"{threshold:g}", *(f"{x:.2f}" for x in shares), f"{passing:.2f} %", *cells])
    return lines


def share_waiting(hour: Sequence[tuple[Heard, float]]) -> tuple[float, float]:
    """How much of a time without taps a machine with CODE ignores taps: by the rule and on evidence.

    The recordings, each with its duration in s, follow one another.
    """
    judge = JudgeCore(*judge_config(PARAMETERS, CODE, Evidence()))
    waits: list[tuple[float, float]] = []
    taps_s: list[float] = []
    now_s = 0.0
    for heard, duration_s in hour:
        for weighed, verdict in heard.feed(judge, begin_ms=to_ms(now_s)):
            if VERDICTS[verdict] is Verdict.WRONG:
                waits.append((weighed.end_ms / 1000.0, PARAMETERS.compute_wait_s(judge.failures)))
        taps_s += (now_s + heard.accepted_s).tolist()
        now_s += duration_s
    ruled = decode_taps(sorted(taps_s), PARAMETERS, code=CODE, end_s=now_s)
    by_rule = [(entry.end_s, entry.wait_s) for entry in ruled if entry.verdict is Verdict.WRONG]
    rule, evidence = (sum(min(wait_s, now_s - end_s) for end_s, wait_s in each) / now_s for each in (by_rule, waits))
    return rule, evidence


def list_waits(nuisances: Mapping[str, CandidateTable]) -> Rows:
    """One line a scene: the mean share of the first hour in waits."""
    lines = []
    for scene, table in nuisances.items():
        pairs = hear_nuisance(table)
        size = round(3600.0 / pairs[0][1])
        shares = [share_waiting(pairs[first : first + size]) for first in range(0, len(pairs), size)]
        rule, evidence = np.mean(shares, axis=0).tolist()
        lines.append({"scene": scene, "rule": rule, "evidence": evidence})
    return lines


def describe_entries(recording: Recording) -> str:
    """The group of a recording that holds entries."""
    return describe(replace(recording, split=ENTRIES))


def main() -> None:
    """Judge, write."""
    kept = make_parser("operating_point", __doc__, kept=True).parse_args().kept
    nuisances = {scene: gather_nuisance(scene, HOURS, kept) for scene in SCENES}
    train, test = gather_all("train", kept), gather_all("test", kept)
    recordings = [each for each in load_corpus(CORPUS).select(split="test") if each.labels is not None]
    demo = replace(collect_candidates(recordings), groups=tuple(map(describe_entries, recordings)))
    tables = {"demo": demo, **{name: gather(name, "test", DOORS, kept=kept) for name in NOT_MET}}
    openings = [f"{scene}, {EXPOSURE_H[scene]:g} h" for scene in SCENES]
    head = ["p", "F1, worst", "F1, mean", "table", "first taps, worst", "table", "codes, rule", "false/h, rain"]
    publish(
        "Operating point",
        "python -m benchmarks.operating_point --kept DIR",
        "The probability from which `tap` accepts a candidate. Left: doors of five generators and hits on bare objects"
        " (`table`), each judged by a model trained without it. Right: `tap` as shipped in"
        f" {HOURS:g} simulated hours of each scene without taps at 2 kHz; openings by false taps with the code"
        f" {'-'.join(map(str, CODE))} by the rule, by the model of gaps of `tapsig risk`, in those hours of a year"
        " (driving: 1000 km).",
        render_markdown([*head, *openings], list_probabilities(train, test, nuisances)),
        "The decoder evidence: the prior log-odds of no taps at all and the threshold, in nats. Entries opened, codes"
        " one tap away that open too (all three sources), and openings by false taps with a code of three digits and"
        f" eight taps, as counted in the same hours (mean of the {count_like(CODE)} such codes; upper limit of 95 %)."
        " The demo's codes have four to six taps, the others' nine on average.",
        render_markdown(["no taps", "threshold", *tables, "nearby", *openings], list_settings(tables, nuisances)),
        "Wrong entries that nobody tapped make a machine wait as others do. Share of the first hour of a scene, without"
        " taps, in which it ignores taps. Later hours have more by the rule, up to the longest wait after every wrong"
        " entry; on evidence such entries raise the prior of no taps:",
        to_markdown(list_waits(nuisances), form=".2f"),
    )


if __name__ == "__main__":
    main()
