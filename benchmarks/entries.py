"""Decoders `rule` and `evidence` on the same entries: `python -m benchmarks.entries --kept DIR [--hours N]`.

Demo test vehicles, doors of the generators that `tap` was not trained on, and `--hours` of simulated rain, driving and
music without taps. All of it is simulated. The decoder's model is fitted to the doors of home, plate and resonators
(`train_evidence.py`); the other sources it has not met, but for the spread of gaps.
"""

import math
import timeit
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from benchmarks.entry_tables import Heard, count_openings, list_heard, overlaps, try_codes, watch
from benchmarks.sections import Rows, make_parser, publish, to_markdown
from benchmarks.train_evidence import SOURCES as FITTED
from benchmarks.transfer_data import collect_once, gather
from tapsig.core import load
from tapsig.core.evidence import KEPT, JudgeCore
from tapsig.core.evidence_model import NAT, EvidenceModel
from tapsig.detectors.tap import Tap
from tapsig.entry import EntryParameters
from tapsig.entry.decoding import DECODERS
from tapsig.entry.evidence import Evidence, judge_config
from tapsig.fitting.candidates import CandidateTable
from tapsig.loading import load_corpus
from tapsig.risks.openings import (
    MIN_THRESHOLD,
    RULE,
    EntryTrial,
    TapFreeDecoding,
    choose_threshold,
    list_decoder_rows,
    observe_openings,
)
from tapsig.simulation import simulate_blocks

CORPUS = Path(__file__).parent.parent / "corpus_demo"
DOORS = range(10)
JUDGED = ("lumped", "measured", *FITTED)
SCENES = ("rain", "driving", "music")
NO_TAPS = "none"
NEAR_SHARE = 0.01
CODE = (3, 1, 4)
CURVE = (0.003, 0.01, 0.02, 0.05)
TRIES = (1, 2, 3)
LATE_S = (5.0, 8.0, 13.0)
SHIPPED = Evidence()


def observe_demo() -> list[EntryTrial]:
    """The entries of the test vehicles."""
    labelled = (each for each in load_corpus(CORPUS).select(split="test") if each.labels is not None)
    return [tried for recording in labelled for tried in observe_openings(recording, Tap())[0]]


def hear_doors(name: str, kept: Path | None) -> list[Heard]:
    """The recordings of a generator's doors that `tap` was not trained on."""
    return list(list_heard(gather(name, "test", DOORS, kept=kept)))


def list_delays(doors: Mapping[str, Sequence[Heard]]) -> Rows:
    """When the entries that open are over: as shipped, and where any likely candidate keeps an entry open."""
    rows: list[dict[str, object]] = []
    for source, heard in doors.items():
        for name, model in (("as shipped", SHIPPED.model), ("any likely one", replace(SHIPPED.model, open_span=15.9))):
            delays_s = np.array([delay_s for each in heard for delay_s in _find_delays(each, model)])
            late = {f"over {limit:g} s": f"{(delays_s > limit).mean():.3f}" for limit in LATE_S}
            median, most = np.percentile(delays_s, (50, 90))
            row = {"source": source, "kept open by": name, "opened": delays_s.size, "median s": f"{median:.1f}"}
            rows.append({**row, "90 % s": f"{most:.1f}", **late})
    return rows


def _find_delays(heard: Heard, model: EvidenceModel) -> Iterator[float]:
    """From the last tap of each entry that opens to its end, in seconds."""
    weighed = heard.weigh(model)
    for entry in heard.tapped:
        ends_s = [
            each.end_ms / 1000.0
            for each in weighed
            if overlaps(each, entry) and each.compute_ratio(entry.digits) >= SHIPPED.least_ratio
        ]
        if ends_s:
            yield min(ends_s) - entry.taps_s[-1]


def gather_nuisance(scene: str, hours: float, kept: Path | None) -> CandidateTable:
    """Candidates of simulated hours without taps at 2 kHz: a new random vehicle every ten minutes, at its frame."""
    seconds, position = hours * 3600.0, ["frame"]
    blocks = simulate_blocks(scene, duration_s=seconds, seed=90, block_s=600.0, positions=position, fs=2000.0)
    recordings = (replace(block.recordings["frame"], split=NO_TAPS) for block in blocks)
    return collect_once(recordings, kept / f"nuisance-{scene}-{hours:g}.npz" if kept else None)


def hear_nuisance(table: CandidateTable, tap: Tap | None = None) -> list[tuple[Heard, float]]:
    """The recordings of hours without taps with their durations in s, as `tap` hears them; default: as shipped."""
    return list(zip(list_heard(table, tap, plan=NO_TAPS), table.durations_s.tolist(), strict=True))


def list_nuisances(hours: float, kept: Path | None) -> Rows:
    """Both decoders on simulated hours without taps: openings of one code, and of all codes of its length."""
    rows = []
    for scene in SCENES:
        table, seen, opened = gather_nuisance(scene, hours, kept), TapFreeDecoding(), np.zeros(2, dtype=int)
        for heard, duration_s in hear_nuisance(table):
            seen += watch(heard, duration_s, SHIPPED.model, length=len(CODE))
            opened += count_openings(heard, duration_s, SHIPPED, CODE)
        for name, own, threshold in zip(DECODERS, opened.tolist(), (math.nan, SHIPPED.threshold), strict=True):
            count, upper = seen.count_passing(threshold), seen.compute_upper(threshold, 0.95)
            rows.append(
                {
                    "scene": scene,
                    "decoder": name,
                    "exposure h": f"{seen.hours:.1f}",
                    f"opened, code {'-'.join(map(str, CODE))}": own,
                    "possible codes": count,
                    "one code in 24 h, mean": f"{24 * count / seen.hours / 9 ** len(CODE):.2g}",
                    "at most (95 %)": f"{24 * upper / 9 ** len(CODE):.2g}",
                }
            )
    return rows


def find_limit(tried: Sequence[EntryTrial], share: float, distances: Sequence[int] = (1,)) -> float:
    """The lowest threshold that at most `share` of the codes at these distances pass."""
    ratios = sorted((ratio for each in tried for k in distances for ratio in each.near_ratios[k - 1]), reverse=True)
    place = int(share * len(ratios))
    return max(ratios[place] + 1 / NAT, MIN_THRESHOLD) if place < len(ratios) else MIN_THRESHOLD


def summarise(source: str, tried: Sequence[EntryTrial]) -> Rows:
    """The rule, evidence as shipped, at the rule's own rate of wrong codes, and at 1 % of codes at distance one."""
    settings = {
        "as shipped": SHIPPED.threshold,
        "at the rule's rate": choose_threshold(tried, TapFreeDecoding()),
        "at 1 % nearby": find_limit(tried, NEAR_SHARE),
    }
    rows = list_decoder_rows(tried, TapFreeDecoding(), settings.values())
    lines = []
    for decoder, threshold in ((RULE, math.nan), *(("evidence " + name, value) for name, value in settings.items())):
        row = next(row for row in rows if row.threshold == threshold or (decoder == row.decoder == RULE))
        lines.append(
            {
                "source": source,
                "decoder": decoder,
                "threshold": "–" if decoder == RULE else f"{threshold:.2f}",
                "opened": f"{row.opened}/{row.entries}",
                "share (95 %)": f"{row.success:.2f} ({row.success_low:.2f}–{row.success_high:.2f})",
                "nearby 1": f"{100 * row.near_1_share:.2f} %",
                "nearby 2": f"{100 * row.near_2_share:.2f} %",
                **{f"in {tries}": f"{_within(tried, decoder, threshold, tries):.2f}" for tries in TRIES},
            }
        )
    return lines


def list_curve(sources: Mapping[str, Sequence[EntryTrial]]) -> Rows:
    """Opened on evidence against codes nearby that pass, and entries with any likely series of the code at all."""
    rows: list[dict[str, object]] = []
    for source, tried in sources.items():

        def count(threshold: float, tried: Sequence[EntryTrial] = tried) -> str:
            return f"{sum(each.log_ratio >= threshold for each in tried) / len(tried):.2f}"

        rows.append(
            {
                "source": source,
                **{f"{100 * share:g} %, 1 tap away": count(find_limit(tried, share)) for share in CURVE},
                **{f"{100 * share:g} %, 1 or 2": count(find_limit(tried, share, (1, 2))) for share in CURVE[1:3]},
                "has a series": f"{sum(each.log_ratio > -math.inf for each in tried) / len(tried):.2f}",
            }
        )
    return rows


def _opens(tried: EntryTrial, decoder: str, threshold: float) -> bool:
    return tried.code in tried.by_rule if decoder == RULE else tried.log_ratio >= threshold


def _within(tried: Iterable[EntryTrial], decoder: str, threshold: float, tries: int) -> float:
    """Mean over doors and positions of the chance that one of `tries` entries opens, were they independent there."""
    groups: dict[tuple[str, str], list[bool]] = {}
    for each in tried:
        groups.setdefault((each.vehicle, each.position), []).append(_opens(each, decoder, threshold))
    return float(np.mean([1.0 - (1.0 - np.mean(opened)) ** tries for opened in groups.values()]))


def list_scenes(tried: Sequence[EntryTrial]) -> Rows:
    """Opened by scene, by the rule and on evidence as shipped."""
    return [
        {
            "scene": scene,
            "entries": len(part),
            "rule": sum(_opens(each, RULE, math.nan) for each in part),
            "evidence": sum(_opens(each, "evidence", SHIPPED.threshold) for each in part),
        }
        for scene in dict.fromkeys(each.scene for each in tried)
        if (part := [each for each in tried if each.scene == scene])
    ]


def _count_steps(candidates: int, code: Sequence[int]) -> tuple[int, float]:
    """Steps of the core for a verdict on `candidates` likely ones (a controller takes one a millisecond), and the
    seconds that they take on this machine.
    """
    core = JudgeCore(*judge_config(EntryParameters(), (), SHIPPED))
    for index in range(candidates):
        core.push(1000 + 120 * index, 128, bytes(29))
    [(weighed, _)] = core.finish()
    seconds = min(timeit.repeat(lambda: weighed.compute_ratio(code), number=1, repeat=20))
    return weighed.count_steps(code), seconds


def measure_cost() -> str:
    """Memory of the core, and the work of one comparison at its worst: all candidates likely, a code of nine taps."""
    ffi, _ = load()
    code = (3, 2, 4)
    worst, seconds = _count_steps(KEPT, code)
    fewer, _ = _count_steps(20, code)
    return (
        f"Memory: {ffi.sizeof('tapsig_evidence')} bytes for candidates, which also serve while it decides,"
        f" {ffi.sizeof('tapsig_comparing')} for where that stands."
        f" A comparison at its worst ({KEPT} candidates 120 ms apart, all likely, nine taps):"
        f" {1e3 * seconds:.1f} ms on this machine. A controller, which takes a step in seven of eight milliseconds,"
        f" needs {worst / 875:.1f} s for the worst and {fewer / 875:.1f} s for 20, after the silence of 3 s."
    )


def main() -> None:
    """Judge, and write the section."""
    parser = make_parser("entries", __doc__, kept=True)
    parser.add_argument("--hours", type=float, default=0.0, metavar="N", help="of each nuisance; default: none")
    args = parser.parse_args()
    demo = observe_demo()
    sources = {"demo test vehicles": demo}
    doors = {f"{name} (fitted to)" if name in FITTED else name: hear_doors(name, args.kept) for name in JUDGED}
    for name, heard in doors.items():
        sources[name] = [tried for each in heard for tried in try_codes(each, SHIPPED.model)]
    rows = [line for name, tried in sources.items() for line in summarise(name, tried)]
    parts = [
        "Entries that open, and codes nearby (one tap away, two taps away; every one is tried on every entry) that open"
        " too. `in N`: at least one of N entries opens, by door and position, were they independent there.",
        to_markdown(rows),
        "Opened on evidence, where that share of the codes nearby opens too; and entries whose candidates hold a likely"
        " series of the code: no threshold can open more.",
        to_markdown(list_curve(sources)),
        "Entries that open: seconds from the last tap until they are over, and shares that are over later. The silence"
        " is 3 s. A candidate keeps an entry open if it is likely and not far below its best (`open_span`).",
        to_markdown(list_delays(doors)),
        "Demo test vehicles by scene, opened:",
        to_markdown(list_scenes(demo)),
    ]
    if args.hours:
        words = (
            "Without taps, evidence as shipped. Opened: by the machine with its code and its waits after wrong entries."
            " Possible codes: all of three digits that a machine without waits would open to; of the 729, one is right."
        )
        parts += [words, to_markdown(list_nuisances(args.hours, args.kept))]
    command = f"python -m benchmarks.entries --kept DIR --hours {args.hours:g}"
    publish("Entries", command, *parts, measure_cost())


if __name__ == "__main__":
    main()
