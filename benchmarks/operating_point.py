"""What the thresholds cost: `python -m benchmarks.operating_point --kept DIR`.

For the probability from which `tap` accepts a candidate, and for the threshold of the decoder evidence: taps found and
codes opened on doors that the models have not met, beside openings by false taps in 24 simulated hours of each scene
without taps, for the code 3-1-4, as a rate a year of parking or for 1000 km. All of it is simulated.
"""

import argparse
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from benchmarks.entries import CODE, NO_TAPS, SCENES, gather_nuisance, observe_demo, observe_doors
from benchmarks.entry_tables import Heard, list_heard
from benchmarks.sections import publish, render_markdown
from benchmarks.tally import Tally
from benchmarks.train_tap import BOOSTING, DEAD_TIME_S, gather_all
from benchmarks.transfer import judge, train_without
from benchmarks.transfer_data import GENERATORS, SOURCES, TABLE
from tapsig.core.evidence_model import NAT
from tapsig.detectors.model import to_score
from tapsig.detectors.tap import Tap
from tapsig.entry import EntryParameters
from tapsig.entry.evidence import Evidence
from tapsig.fitting.candidates import CandidateTable
from tapsig.risks.nuisance import TapFreeSegment, compute_openings_per_s, fit_gaps
from tapsig.risks.openings import EntryTrial
from tapsig.risks.yearly import PARKED_HOURS
from tapsig.scoring.intervals import clustered_rate_limit

HOURS = 24.0
PROBABILITIES = (0.2, 0.27, 0.33, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)
THRESHOLDS = (0.0, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0)
EXPOSURE_H = {"rain": PARKED_HOURS["rain"], "music": PARKED_HOURS["music"], "driving": 25.0}
"""Hours of each scene: in a year of parking, and for 1000 km at 40 km/h."""
NOT_MET = ("lumped", "measured")
"""Sources of doors that neither `tap` nor the decoder evidence was fitted to, beside the demo's test vehicles."""
PARAMETERS = EntryParameters()


def count_like(code: Sequence[int]) -> int:
    """Codes with as many digits and taps as `code`: the ways to part its taps into digits of one or more.

    >>> count_like((3, 1, 4))
    21
    """
    return math.comb(sum(code) - 1, len(code) - 1)


@dataclass(frozen=True, slots=True)
class Nuisance:
    """Candidates of simulated hours of a scene without taps."""

    table: CandidateTable

    def hear(self, probability: float) -> list[Heard]:
        """Its recordings, with the taps that `tap` as shipped accepts from this probability on."""
        limits = {"probability": probability, "dead_time_s": DEAD_TIME_S}
        return list(list_heard(self.table, Tap().model, **limits, plan=NO_TAPS))

    def rate_by_rule(self, probability: float) -> tuple[float, float]:
        """False taps an hour, and openings of CODE an hour by the rule, from the measured gaps."""
        pairs = zip(self.hear(probability), self.table.durations_s.tolist(), strict=True)
        gaps = fit_gaps([TapFreeSegment(one.accepted_s, duration_s) for one, duration_s in pairs], PARAMETERS)
        return 3600.0 * gaps.taps_per_s, 3600.0 * compute_openings_per_s(gaps, CODE, PARAMETERS)

    def list_ratios(self) -> list[list[float]]:
        """Of each recording: the log-likelihood ratios, in nats, of the entries whose best series is like CODE."""
        return [list_like(heard) for heard in self.hear(Tap().probability)]


def list_like(heard: Heard) -> list[float]:
    """The ratios of the entries whose best series has as many digits and taps as CODE; no other code reaches 0."""
    found = []
    for weighed in heard.weigh(Evidence().model):
        own, other = weighed.find_series((1,) * len(CODE))
        best = (own if own.score > other.score else other).digits
        if len(best) == len(CODE) and sum(best) == sum(CODE):
            found.append(weighed.compute_ratio(best) / NAT)
    return found


def list_probabilities(
    train: Mapping[str, CandidateTable], test: Mapping[str, CandidateTable], nuisances: Mapping[str, Nuisance]
) -> list[list[object]]:
    """One line a probability; each source judged by a model trained without it."""
    scores = {name: train_without(name, train, BOOSTING).score(test[name].rows) for name in SOURCES}
    lines: list[list[object]] = []
    for probability in PROBABILITIES:
        tallies = {name: judge(test[name], scores[name], to_score(probability)) for name in SOURCES}
        doors = [tallies[name] for name in GENERATORS]
        first = [share_first(tally) for tally in doors]
        opened = [tallies[name] for name in (*GENERATORS, TABLE)]
        rates = {scene: nuisance.rate_by_rule(probability) for scene, nuisance in nuisances.items()}
        lines.append(
            [
                f"{probability:g}",
                min(tally.f1 for tally in doors),
                float(np.mean([tally.f1 for tally in doors])),
                tallies[TABLE].f1,
                min(first),
                share_first(tallies[TABLE]),
                f"{sum(tally.opened for tally in opened)}/{sum(tally.entries for tally in opened)}",
                f"{rates['rain'][0]:.3g}",
                *(f"{EXPOSURE_H[scene] * rates[scene][1]:.2g}" for scene in SCENES),
            ]
        )
    return lines


def share_first(tally: Tally) -> float:
    """Recall of first taps."""
    return tally.first_found / max(tally.first, 1)


def list_thresholds(
    tried: Mapping[str, Sequence[EntryTrial]], nuisances: Mapping[str, Nuisance]
) -> list[list[object]]:
    """One line a threshold of evidence; openings a year as counted, with the upper limit (95 %)."""
    ratios = {scene: nuisance.list_ratios() for scene, nuisance in nuisances.items()}
    near = [ratio for entries in tried.values() for each in entries for ratio in each.near_ratios[0]]
    lines: list[list[object]] = []
    for threshold in THRESHOLDS:
        opened = [np.mean([each.log_ratio >= threshold for each in entries]) for entries in tried.values()]
        cells = []
        for scene in SCENES:
            counts = np.array([float(sum(ratio >= threshold for ratio in part)) for part in ratios[scene]])
            hours, share = nuisances[scene].table.durations_s / 3600.0, EXPOSURE_H[scene] / count_like(CODE)
            limit = clustered_rate_limit(counts, hours, 0.95)
            cells.append(f"{share * counts.sum() / hours.sum():.2g} (≤ {share * limit:.2g})")
        passing = 100.0 * np.mean([ratio >= threshold for ratio in near])
        lines.append([f"{threshold:g}", *(f"{value:.2f}" for value in opened), f"{passing:.2f} %", *cells])
    return lines


def main() -> None:
    """Judge, write."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.operating_point", description=__doc__)
    parser.add_argument("--kept", type=Path, metavar="DIR", help="keep candidates there, and read them again")
    kept = parser.parse_args().kept
    nuisances = {scene: Nuisance(gather_nuisance(scene, HOURS, kept)) for scene in SCENES}
    train, test = gather_all("train", kept), gather_all("test", kept)
    tried = {"demo": observe_demo(), **{name: observe_doors(name, kept) for name in NOT_MET}}
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
        "The threshold of the decoder evidence, in nats: entries opened, codes one tap away that open too (all three"
        " sources), and openings by false taps with a code of three digits and eight taps, as counted in the same"
        f" hours (mean of the {count_like(CODE)} such codes; upper limit of 95 %).",
        render_markdown(["threshold", *tried, "nearby", *openings], list_thresholds(tried, nuisances)),
    )


if __name__ == "__main__":
    main()
