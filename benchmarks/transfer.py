"""What transfers: `tap` trained without one source and judged on it: `python -m benchmarks.transfer --kept DIR`.

Every source (five generators of doors that differ in kind, and two of composed real hits) is left out in turn. Beside
it stand the shipped model, which was trained on other doors of all sources, and the rise of the prediction error alone
(`innovation`), its threshold tuned on the training sources; and, on a part of the recordings, the other pickers
(transfer_peers.py). Recordings are simulated or composed: figures rank
detectors and show what transfers, not what happens on a door.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from benchmarks.sections import Rows, make_parser, publish, to_markdown
from benchmarks.tally import WINDOW_S, Tally, accept, each_recording
from benchmarks.train_tap import BOOSTING, DEAD_TIME_S, PROBABILITY, fit_trees, gather_all
from benchmarks.transfer_data import SOURCES, others_than
from benchmarks.transfer_peers import RECORDINGS, SETTINGS, compare_pickers
from tapsig.detectors.features import FEATURES, TABLE
from tapsig.detectors.model import SCALE, Model, to_score
from tapsig.detectors.tap import Tap, shipped_model
from tapsig.fitting.boosting import Boosting
from tapsig.fitting.candidates import LATE_S, CandidateTable, evaluate_threshold
from tapsig.scoring.matching import match_onsets
from tapsig.scoring.outcomes import find_first_taps
from tapsig.units import FloatArray, IntArray

Cells = dict[str, object]
SIZES = (10, 25, 50, 100, 200)
"""Trees, of the curve of size against the worst source. The first trees of a larger fit are those of a smaller one."""
BANDS_DB = (6.0, 12.0, 18.0, 24.0)
STEPS = np.arange(-2.0, 1.01, 0.5)
PROBABILITIES = (0.2, 0.27, 0.33, 0.4, 0.5)
RATES = ("1000", "2000", "8000", "44100")
RISES = np.arange(64, 180, 8)
EASY = ("quiet", "voices", "crowd", "street", "blow", "blows", "bumps")


def judge(
    table: CandidateTable, scores: FloatArray | IntArray, least: float, *, kind: Callable[[str], bool] = lambda _: True
) -> Tally:
    """What accepting from `least` on gives on the recordings of a source whose group is of this kind."""
    tally = Tally()
    for number, part in each_recording(table):
        if kind(table.groups[number]):
            found_s = accept(table.onset_s[part], scores[part] >= least, DEAD_TIME_S)
            tally.count(table.taps_s[number], found_s, float(table.durations_s[number]))
    return tally


def at_rate(rate: str) -> Callable[[str], bool]:
    """The kind of the recordings at one rate in Hz."""
    return lambda group: group.split("|")[3] == rate


def is_easy(group: str) -> bool:
    """Whether nothing but voices, a street or single foreign blows is heard beside the taps, or nothing."""
    return group.split("|")[1] in EASY


def train_without(source: str, train: Mapping[str, CandidateTable], boosting: Boosting) -> Model:
    """A model that has met neither the source nor one that shares its hits."""
    return fit_trees({name: train[name] for name in others_than(source)}, boosting).to_model()


def split_errors(table: CandidateTable, scores: IntArray, least: int, kind: Callable[[str], bool]) -> Cells:
    """Taps, the shares found, without a candidate within 25 ms, with a rejected one, else missed; false; of them late.

    Late: 50 to 250 ms after a tap.
    """
    taps = found = none = rejected = false = late = 0
    for number, part in each_recording(table):
        if not kind(table.groups[number]):
            continue
        taps_s, likely, onset_s = table.taps_s[number], scores[part] >= least, table.onset_s[part]
        accepted = accept(onset_s, likely, DEAD_TIME_S)
        matching = match_onsets(taps_s, accepted, window_s=WINDOW_S)
        taps += taps_s.size
        found += len(matching.pairs)
        for missed in taps_s[matching.missed]:
            near = np.abs(onset_s - missed) <= LATE_S
            none += not near.any()
            rejected += bool(near.any() and not likely[near].any())
        false += len(matching.spurious)
        since = accepted[matching.spurious][:, None] - taps_s[None, :]
        late += int(((since > 0.05) & (since < 0.25)).any(axis=1).sum())
    counts = {"found": found, "no candidate": none, "rejected": rejected, "else missed": taps - found - none - rejected}
    shares = {name: count / max(taps, 1) for name, count in counts.items()}
    return {"taps": taps, **shares, "false": false, "of them late": late}


def find_by_rise(table: CandidateTable, scores: IntArray, least: int) -> Cells:
    """Taps with a candidate whose smaller rise over the 48 ms before lies in each band, and the shares found of all
    and of the first ones.
    """
    columns = [FEATURES.index(name) for name in ("innovation_rise", "fast_rise")]
    seen: list[tuple[float, bool, bool]] = []
    for number, part in each_recording(table):
        taps_s, onset_s, own = table.taps_s[number], table.onset_s[part], scores[part]
        rises = TABLE[columns[0]].to_unit(table.rows[part][:, columns].min(axis=1))
        for tap_s, is_first in zip(taps_s.tolist(), find_first_taps(taps_s).tolist(), strict=True):
            near = np.flatnonzero(np.abs(onset_s - tap_s) <= WINDOW_S)
            if near.size:
                best = near[own[near].argmax()]
                seen.append((float(rises[best]), bool(own[best] >= least), is_first))
    rise, found, first = (np.array(column) for column in zip(*seen, strict=True))
    cells: Cells = {}
    for low, high in pairwise((-math.inf, *BANDS_DB, math.inf)):
        inside = (rise >= low) & (rise < high)
        shares = [part.mean() if part.size else math.nan for part in (found[inside], found[inside & first])]
        words = f"under {high:g} dB" if low < 0 else f"{low:g} to {high:g}" if high < math.inf else f"over {low:g}"
        cells[words] = f"{inside.sum()}: {shares[0]:.2f}, {shares[1]:.2f}"
    return cells


def read_rise(table: CandidateTable) -> IntArray:
    """The rise of the prediction error of each candidate, in the core's bytes."""
    return table.rows[:, FEATURES.index("innovation_rise")].astype(np.int64)


def tune_rise(tables: Sequence[CandidateTable]) -> float:
    """The rise from which on accepting gives the best mean F1 over `tables`."""
    f1 = [
        [evaluate_threshold(table, read_rise(table), float(rise), DEAD_TIME_S).f1 for rise in RISES] for table in tables
    ]
    return float(RISES[int(np.argmax(np.mean(f1, axis=0)))])


def compare(
    models: Mapping[str, Model], train: Mapping[str, CandidateTable], test: Mapping[str, CandidateTable]
) -> tuple[Rows, Rows, Rows, Rows]:
    """The table of sources; F1 by rate and by threshold for models that did not meet the source; what is found by the
    rise; the errors.
    """
    lines: list[Cells] = []
    curves: list[Cells] = []
    rises: list[Cells] = []
    errors: list[Cells] = []
    least = to_score(PROBABILITY)
    for source, without in models.items():
        table = test[source]
        scores, shipped = without.score(table.rows), shipped_model().score(table.rows)
        tuned = tune_rise([train[name] for name in others_than(source)])
        tallies = {
            "tap, trained without it": judge(table, scores, least),
            "tap, as shipped": judge(table, shipped, least),
            "innovation, tuned without it": judge(table, read_rise(table), tuned),
        }
        lines += [{"source": source, "detector": name, **tally.cells()} for name, tally in tallies.items()]
        rates = {rate: judge(table, scores, least, kind=at_rate(rate)).score.f1 for rate in RATES}
        by_probability = {f"p {value:g}": judge(table, scores, to_score(value)).score for value in PROBABILITIES}
        cells = {name: f"{one.f1:.3f}, {one.entries_opened}/{one.entries}" for name, one in by_probability.items()}
        curves.append({"source": source, **rates, **cells})
        rises.append({"source": source, **find_by_rise(table, scores, least)})
        for name, kind in (("easy", is_easy), ("others", lambda group: not is_easy(group))):
            if (split := split_errors(table, shipped, least, kind))["taps"]:
                errors.append({"source": source, "scenes": name, **split})
    return lines, curves, rises, errors


def size_curve(models: Mapping[str, Model], test: Mapping[str, CandidateTable]) -> Rows:
    """F1 of the worst left-out source, at the common threshold that is best for it, for the first trees of each sum."""
    lines = []
    for trees in SIZES:
        first = {source: replace(model, trees=model.trees[:trees]) for source, model in models.items()}
        f1 = np.array(
            [
                [evaluate_threshold(test[source], scores, float(step), DEAD_TIME_S).f1 for step in STEPS]
                for source, model in first.items()
                for scores in [model.score(test[source].rows) / SCALE]
            ]
        )
        best = int(f1.min(axis=0).argmax())
        size = max(len(model.pack()) for model in first.values())
        worst, mean = float(f1[:, best].min()), float(f1[:, best].mean())
        lines.append({"trees": trees, "bytes": size, "F1, worst source": worst, "F1, mean": mean})
    return lines


def main() -> None:
    """Train without each source, judge, write."""
    kept = make_parser("transfer", __doc__, kept=True).parse_args().kept
    train, test = gather_all("train", kept), gather_all("test", kept)
    largest = {source: train_without(source, train, replace(BOOSTING, trees=max(SIZES))) for source in SOURCES}
    models = {source: replace(model, trees=model.trees[: BOOSTING.trees]) for source, model in largest.items()}
    lines, curves, rises, errors = compare(models, train, test)
    taps = {
        source: {"tap, trained without it": Tap(probability=PROBABILITY, model=model), "tap, as shipped": Tap()}
        for source, model in models.items()
    }
    publish(
        "What transfers",
        "python -m benchmarks.transfer --kept DIR",
        "Sources. Five generators of simulated doors: `home` (the simulator of the demo corpus), `plate` (thin plates"
        " by a Ritz method), `resonators` (random banks of resonators, without physics), `lumped` (networks of masses"
        " and springs), `measured` (recorded hits and impulse responses through a simulated piezo chain). Two"
        " compositions of real hits: `hits` (among other percussion) and `table` (on bare objects in a quiet room,"
        " beside voices or a street). No model met these doors and kits; what is trained without `hits` or `table` met"
        " neither of the two. In `hits` taps go on without a silence of 3 s, so that each recording is one code of"
        f" about a dozen digits: none opens. Match within ±50 ms, probability {PROBABILITY:g}. First taps come over a"
        " second after the tap before. Codes are opened by the rule.",
        to_markdown(lines),
        "How plain a tap is: those that raise a candidate within 50 ms, by its rise over the 48 ms before (the smaller"
        " one of prediction error and steps), with the shares found of all and of the first ones, by the model trained"
        " without the source:",
        to_markdown(rises),
        f"Others on a share of the same recordings ({RECORDINGS['test']} of each source), tuned on a few training"
        f" recordings of the other sources ({RECORDINGS['train']} of each), {SETTINGS} settings each:",
        to_markdown(compare_pickers(taps)),
        "Where the errors of `tap` as shipped lie. Easy: nothing but voices, a street or single foreign blows beside"
        " the taps. No candidate: none within 25 ms of the tap. Late: 50 to 250 ms after a tap.",
        to_markdown(errors),
        "The model trained without the source: F1 by sample rate in Hz; F1 and codes opened by probability:",
        to_markdown(curves),
        "Size of the model (its first trees of 8 leaves) against the worst left-out source, at one threshold for all:",
        to_markdown(size_curve(largest, test)),
    )


if __name__ == "__main__":
    main()
