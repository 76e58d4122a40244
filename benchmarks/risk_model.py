"""The rates that `tapsig risk` gives from a few hours, against the count of the other hours.

`python -m benchmarks.risk_model --kept DIR [--hours N]` takes the simulated hours without taps of `benchmarks.entries`,
gives a tenth of them to the risk study, and counts the codes that false taps enter in the other nine; each in turn.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from benchmarks.entries import CODE, SCENES, gather_nuisance, hear_nuisance
from benchmarks.sections import make_parser, publish
from tapsig.entry import EntryParameters
from tapsig.risks.nuisance import (
    TapFreeSegment,
    build_poisson_gaps,
    compute_possible_per_s,
    count_possible_entries,
    fit_gaps,
)

PARTS = 10
PARAMETERS = EntryParameters()


@dataclass(frozen=True, slots=True)
class Prediction:
    """Possible codes an hour: by the models and the count of one part, with its upper limit; and in the rest."""

    gaps: float
    poisson: float
    counted: float
    bound: float
    rest: float


def count(segments: Sequence[TapFreeSegment]) -> tuple[float, float]:
    """Possible codes an hour, and the one-sided upper limit of 95 %."""
    found = count_possible_entries(segments, PARAMETERS, length=len(CODE))
    return found.possible / found.hours, found.compute_upper(0.95)


def predict(part: Sequence[TapFreeSegment], rest: Sequence[TapFreeSegment]) -> Prediction:
    """What `tapsig risk` gives from the part, and what the rest holds."""
    gaps = fit_gaps(part, PARAMETERS)
    models = (gaps, build_poisson_gaps(gaps.taps_per_s, PARAMETERS))
    by_gaps, by_poisson = (3600.0 * compute_possible_per_s(model, len(CODE), PARAMETERS) for model in models)
    return Prediction(by_gaps, by_poisson, *count(part), count(rest)[0])


def list_segments(scene: str, hours: float, kept: Path | None) -> list[TapFreeSegment]:
    """The taps of `tap` as shipped in the simulated hours of a scene, by recording."""
    pairs = hear_nuisance(gather_nuisance(scene, hours, kept))
    return [TapFreeSegment(one.accepted_s, duration_s) for one, duration_s in pairs]


def summarise(scene: str, segments: Sequence[TapFreeSegment]) -> dict[str, object]:
    """One row: the rate counted in all hours, and how the predictions of the parts relate to the rest."""
    found = [
        predict(segments[k::PARTS], [one for i, one in enumerate(segments) if i % PARTS != k]) for k in range(PARTS)
    ]

    def spread(name: str) -> str:
        ratios = [getattr(one, name) / one.rest for one in found]
        return f"{np.median(ratios):.2f} ({min(ratios):.2f}–{max(ratios):.2f})"

    return {
        "scene": scene,
        "codes an hour": count(segments)[0],
        "count / rest": spread("counted"),
        "gaps / rest": spread("gaps"),
        "random / rest": spread("poisson"),
        "limit held": f"{sum(one.rest <= one.bound for one in found)}/{PARTS}",
    }


def main() -> None:
    """Predict, count, write."""
    parser = make_parser("risk_model", __doc__, kept=True)
    parser.add_argument("--hours", type=float, default=24.0, metavar="N", help="of each nuisance (default: 24)")
    args = parser.parse_args()
    rows = [summarise(scene, list_segments(scene, args.hours, args.kept)) for scene in SCENES]
    publish(
        "Risk from a few hours",
        f"python -m benchmarks.risk_model --kept DIR --hours {args.hours:g}",
        f"Codes of three digits that false taps enter by the rule in {args.hours:g} simulated hours of each scene"
        " without taps. From a tenth of the hours `tapsig risk` gives a count with its upper limit (95 %), and rates by"
        " two models of the gaps: as measured, or as if taps came at random. Each tenth against the other nine: the"
        " ratio of the rates, median and range.",
        rows,
    )


if __name__ == "__main__":
    main()
