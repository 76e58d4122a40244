"""Fit the gate of `tap` to labelled recordings, and choose its operating point.

Recordings of one vehicle are never split between fitting and judging: candidates of one door resemble each other, and
a random split would flatter (by .03 to .08 of F1 in a study of simulated doors).
"""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tapsig.detect.candidates import HIGHEST_FS, LOWEST_FS
from tapsig.detect.gate import ALL_FEATURES, HOPELESS, Gate
from tapsig.detect.saved import name_heard
from tapsig.detect.tap import Tap
from tapsig.errors import ParameterError
from tapsig.features import FEATURES
from tapsig.records import Recording
from tapsig.study.boosting import Boosting, join_sums
from tapsig.study.candidate_table import (
    LATE_S,
    CandidateTable,
    collect_candidates,
    judge_table,
    score_rows,
    score_table,
    with_history,
)
from tapsig.units import FloatArray, IntArray, check_positive

LEAST_TAPS = 20
"""Fewer taps than this are refused."""
FEW_TAPS = 400
"""With fewer taps than this the shipped gate is refined or calibrated; with more a new one is fitted as well, and the
best kept."""
MANY_TAPS = 1500
"""From so many taps on, a new gate may have larger trees."""
FOLDS = 4
"""Parts that are held out in turn."""
SPEEDS = (0.72, 0.85, 1.18, 1.38)
"""A gate is also fitted to the recordings at these speeds: larger and smaller bodies ring lower and higher, and a few
recordings hold only a few bodies. It is judged on the recordings as they are."""


def choose_folds(table: CandidateTable, folds: int, rng: np.random.Generator) -> IntArray:
    """Fold of each candidate; a group lies in one fold whole. A single group is cut into stretches of time."""
    group = table.group
    count = int(group.max()) + 1 if group.size else 0
    if count < 2:
        return np.asarray((table.onset_s // 10.0).astype(np.int64) % folds)
    order = rng.permutation(count)
    return np.asarray(order[group] % min(folds, count))


@dataclass(frozen=True, slots=True)
class Crossed:
    """A gate, and the scores that candidates got from gates that had not seen their group."""

    gate: Gate
    scores: FloatArray


def fit_gate(table: CandidateTable, *, first: Boosting, second: Boosting, folds: int = FOLDS, seed: int = 0,
             columns: FloatArray | None = None, last_weights: FloatArray | None = None, remember_lower: bool = False,
             progress: Callable[[str], None] | None = None) -> Crossed:
    """Fit both sums of trees and the calibration, cross-fitted over groups.

    `last_weights` (n,) are the candidates' weights in the second sum and the calibration, where they differ from the
    table's: where an error costs more, the second sum, which knows what came before, can tell better.
    With `remember_lower` (see Gate) the second sum is grown three times: what it says is part of what it is told.
    `columns` (len(ALL_FEATURES),) of 0 and 1 leaves out features: those with 0 are set to 0 everywhere.
    """
    rng = np.random.default_rng(seed)
    tell = progress or (lambda text: None)
    taps = (table.tap == 1).astype(np.int64)
    weights = np.where(table.tap < 0, 0.0, table.weights)
    keep = np.ones(len(ALL_FEATURES)) if columns is None else columns
    rows = table.rows * keep[: len(FEATURES)]
    table = replace(table, rows=rows)
    fold = choose_folds(table, folds, rng)
    held, firsts = np.zeros(taps.size), {}
    for k in np.unique(fold):
        firsts[k] = first.grow(rows[fold != k], taps[fold != k], weights[fold != k], seed=seed)
        held[fold == k] = score_rows(firsts[k], rows[fold == k])
        tell(f"first sum without part {k}")
    first_trees = first.grow(rows, taps, weights, seed=seed)
    if last_weights is not None:
        weights = np.where(table.tap < 0, 0.0, last_weights)
    asked = _asked(held, taps, weights, fold)
    crossed, remembered = np.zeros(taps.size), held
    rounds = 3 if remember_lower else 1
    for number in range(rounds):
        full = with_history(table, held, remembered) * keep
        for k in np.unique(fold):
            part = fold == k
            trees = second.grow(full[~part], taps[~part], asked[~part], seed=seed)
            gate = Gate(firsts[k], trees, 1.0, 0.0, remember_lower)
            crossed[part] = judge_table(table, gate, part)
            tell(f"second sum without part {k}, round {number + 1} of {rounds}")
        remembered = np.minimum(held, crossed)
    second_trees = second.grow(full, taps, asked, seed=seed)
    slope, offset = calibrate(crossed, taps, weights)
    gate = Gate.from_json(Gate(first_trees, second_trees, slope, offset, remember_lower).to_json())
    return Crossed(gate, crossed)


def _asked(scores: FloatArray, taps: IntArray, weights: FloatArray, fold: IntArray) -> FloatArray:
    """Weights in the second sum: it need only know what it will be asked, and hopeless candidates are not.

    They stay where some part without them would hold taps alone, or others alone.
    """
    asked = np.where(scores < HOPELESS, 0.0, weights)
    both = all(np.unique(taps[(asked > 0) & (fold != k)]).size == 2 for k in np.unique(fold))
    return asked if both else weights


def refine_gate(table: CandidateTable, gate: Gate, boosting: Boosting, *, seed: int = 0) -> Crossed:
    """Keep `gate`, and add a few trees to its second sum that mend what it gets wrong on `table`, cross-fitted."""
    rng = np.random.default_rng(seed)
    taps = (table.tap == 1).astype(np.int64)
    weights = np.where(table.tap < 0, 0.0, table.weights)
    first, start = score_rows(gate.first, table.rows), judge_table(table, gate)
    full = with_history(table, first, np.minimum(first, start) if gate.remember_lower else first)
    fold = choose_folds(table, FOLDS, rng)
    crossed = start.copy()
    asked = _asked(first, taps, weights, fold)
    if boosting.trees:
        for k in np.unique(fold):
            out = fold != k
            trees = boosting.mend(full[out], taps[out], asked[out], start[out], seed=seed)
            crossed[~out] = judge_table(table, replace(gate, second=join_sums(gate.second, trees)), ~out)
        added = boosting.mend(full, taps, asked, start, seed=seed)
        gate = replace(gate, second=join_sums(gate.second, added))
    slope, offset = calibrate(crossed, taps, weights)
    return Crossed(Gate.from_json(replace(gate, slope=slope, offset=offset).to_json()), crossed)


def calibrate(scores: FloatArray, taps: IntArray, weights: FloatArray) -> tuple[float, float]:
    """Slope and offset of the logistic curve from scores to probabilities (Platt 1999), by scikit-learn."""
    from sklearn.linear_model import LogisticRegression  # heavy

    used = weights > 0
    model = LogisticRegression(C=100.0).fit(scores[used, None], taps[used], sample_weight=weights[used])
    return max(float(model.coef_[0, 0]), 1e-3), float(model.intercept_[0])


def log_loss(crossed: Crossed, table: CandidateTable) -> float:
    """Mean −ln of the probability given to the truth, over the clear candidates: what a gate is chosen by."""
    used = table.tap >= 0
    p = np.clip(crossed.gate.probability(crossed.scores[used]), 1e-9, 1 - 1e-9)
    truth = table.tap[used] == 1
    return float(np.average(-np.log(np.where(truth, p, 1.0 - p)), weights=table.weights[used]))


@dataclass(frozen=True, slots=True)
class Operation:
    """What an operating point gave on candidates whose group the gate had not seen."""

    probability: float
    tp: int
    fp: int
    fn: int
    hours: float

    @property
    def f1(self) -> float:
        """2·tp / (2·tp + fp + fn); nan when there is nothing."""
        total = 2 * self.tp + self.fp + self.fn
        return 2 * self.tp / total if total else math.nan

    @property
    def false_alarms_per_hour(self) -> float:
        """False alarms over the time of all recordings."""
        return self.fp / self.hours if self.hours else math.nan


def operate(table: CandidateTable, probability: FloatArray, least: float, dead_time_s: float) -> Operation:
    """Hits, false alarms and misses for accepting from probability `least` on, with the dead time."""
    accepted = np.flatnonzero(probability >= least)
    last_recording, last_onset, hits, false = -1, -math.inf, 0, 0
    for i in accepted:
        if table.recording[i] != last_recording:
            last_recording, last_onset = int(table.recording[i]), -math.inf
        if table.onset_s[i] - last_onset >= dead_time_s:
            last_onset = float(table.onset_s[i])
            near = bool(np.abs(table.taps_s[last_recording] - last_onset).min(initial=math.inf) <= LATE_S)
            hits += near
            false += not near
    taps = sum(taps.size for taps in table.taps_s)
    return Operation(least, hits, false, taps - min(hits, taps), float(table.durations_s.sum()) / 3600.0)


def choose_operation(table: CandidateTable, probability: FloatArray, *, dead_time_s: float,
                     false_alarms_per_hour: float | None) -> Operation:
    """The operating point of best F1, or of the best recall among those with few enough false alarms per hour."""
    steps = 1.0 / (1.0 + np.exp(-np.arange(-2.0, 7.01, 0.25)))
    points = [operate(table, probability, float(step), dead_time_s) for step in steps]
    if false_alarms_per_hour is None:
        return max(points, key=lambda point: point.f1)
    allowed = [point for point in points if point.false_alarms_per_hour <= false_alarms_per_hour]
    return max(allowed, key=lambda point: point.tp) if allowed else points[-1]


@dataclass(frozen=True, slots=True)
class FittedDetector:
    """A detector fitted to recordings, what it is expected to do on others, and what stands against trusting that.

    `expected` counts on recordings of groups that the judging gate had not seen; `before` is the shipped detector on
    the same recordings. `way` is that of the gate: "refined" (trees added to
    the shipped one), "calibrated" (the shipped one, its probability alone fitted) or "new".
    """

    variant: Tap
    way: str
    taps: int
    heard: int
    groups: int
    recordings: int
    expected: Operation
    before: Operation
    notes: tuple[str, ...]

    def to_dict(self) -> dict[str, object]:
        """Plain numbers for a table."""
        return {
            "way": self.way, "taps": self.taps, "heard": self.heard, "groups": self.groups,
            "recordings": self.recordings, "hours": self.expected.hours, "probability": self.expected.probability,
            "f1": self.expected.f1, "tp": self.expected.tp, "fp": self.expected.fp, "fn": self.expected.fn,
            "false_alarms_per_hour": self.expected.false_alarms_per_hour, "f1_before": self.before.f1,
            "false_alarms_per_hour_before": self.before.false_alarms_per_hour,
        }  # fmt: skip


def add_speeds(table: CandidateTable, recordings: Sequence[Recording], *, group_by: str = "vehicle") -> CandidateTable:
    """`table`, which holds the candidates of `recordings`, and after it theirs at SPEEDS, where the rates allow it."""
    rates = [recording.fs for recording in recordings]
    speeds = [speed for speed in SPEEDS if min(rates) * speed >= LOWEST_FS and max(rates) * speed <= HIGHEST_FS]
    others = [collect_candidates(recordings, group_by=group_by, speed=speed) for speed in speeds]
    return CandidateTable.join([table, *others])


def fit_detector(recordings: Sequence[Recording] | Iterable[Recording], *, false_alarms_per_hour: float | None = None,
                 group_by: str = "vehicle", refine: bool = True, seed: int = 0,
                 progress: Callable[[int], None] | None = None) -> FittedDetector:
    """Fit `tap` to labelled recordings of your own.

    Parameters
    ----------
    false_alarms_per_hour : choose the operating point for at most so many (over all recordings); None: for best F1.
    group_by : "vehicle" or "recording": what is never split between fitting and judging.
    refine : the shipped gate may be refined; False: fit a new one. A gate that was itself fitted to these recordings
        would flatter itself here.
    seed : of the random parts of rows and features.
    progress : called with the number of recordings read.

    Raises ParameterError for fewer than 20 taps, no candidates without a tap, or a parameter out of range; LabelError
    for recordings without labels.
    """
    if group_by not in ("vehicle", "recording"):
        raise ParameterError(f"group_by is {group_by!r}; it must be 'vehicle' or 'recording'")
    if false_alarms_per_hour is not None:
        check_positive("false_alarms_per_hour", false_alarms_per_hour)
    recordings = list(recordings)
    table = collect_candidates(recordings, group_by=group_by, progress=progress)
    taps, heard = sum(taps.size for taps in table.taps_s), int((table.tap == 1).sum())
    if taps < LEAST_TAPS or heard < LEAST_TAPS:
        raise ParameterError(
            f"the recordings hold {taps} labelled taps, of which {heard} can be heard; {LEAST_TAPS} are needed at"
            f" least, and 40 from two vehicles or more are advised: label more, or use the shipped detector"
        )
    if not (table.tap == 0).any():
        raise ParameterError("the recordings hold nothing but taps; add some of what must not be taken for a tap")
    if not refine and heard < FEW_TAPS:
        raise ParameterError(f"refine is False, and {heard} taps can be heard; a new gate needs {FEW_TAPS} at least")
    shipped = Tap()
    wide = add_speeds(table, recordings, group_by=group_by)
    ways = {}
    if refine:
        ways["refined"] = _judge(refine_gate(wide, shipped.gate, _small(heard), seed=seed), table)
        ways["calibrated"] = refine_gate(table, shipped.gate, Boosting(trees=0), seed=seed)
    if heard >= FEW_TAPS:
        trees = _large(heard)
        ways["new"] = _judge(fit_gate(wide, first=trees, second=trees, seed=seed, remember_lower=True), table)
    way = min(ways, key=lambda name: log_loss(ways[name], table))
    chosen = ways[way]
    floor_v = min(shipped.floor_v, _quiet_floor_v(table))
    point = choose_operation(table, chosen.gate.probability(chosen.scores), dead_time_s=shipped.dead_time_s,
                             false_alarms_per_hour=false_alarms_per_hour)
    start = score_table(table, shipped.gate)
    before = operate(table, shipped.gate.probability(start), shipped.probability, shipped.dead_time_s)
    seen = {*chosen.gate.fitted_to, *map(name_heard, recordings)} - {""}
    gate = replace(chosen.gate, fitted_to=tuple(sorted(seen)))
    variant = replace(shipped, gate=gate, probability=point.probability, floor_v=floor_v)
    groups = len(set(table.groups))
    notes = tuple(_warnings(taps, heard, groups, point, before, false_alarms_per_hour, way))
    return FittedDetector(variant, way, taps, heard, groups, table.durations_s.size, point, before, notes)


def _judge(crossed: Crossed, table: CandidateTable) -> Crossed:
    """The gate calibrated to `table` alone, the first rows of what it was fitted to."""
    scores = crossed.scores[: table.tap.size]
    weights = np.where(table.tap < 0, 0.0, table.weights)
    slope, offset = calibrate(scores, (table.tap == 1).astype(np.int64), weights)
    return Crossed(Gate.from_json(replace(crossed.gate, slope=slope, offset=offset).to_json()), scores)


def _small(heard: int) -> Boosting:
    """Fewer and smaller trees for fewer taps."""
    leaf = max(5, min(20, heard // 12))
    return Boosting(trees=min(100, 10 + heard // 20), leaves=4 if heard < 200 else 8, rate=0.1, least_leaf=leaf)


def _large(heard: int) -> Boosting:
    """Of a new gate: more and larger trees where there are taps for them (DEVELOPERS.md)."""
    if heard < MANY_TAPS:
        return _small(heard)
    return Boosting(trees=min(300, heard // 15), leaves=min(31, max(16, heard // 1000)),
                    least_leaf=min(60, heard // 60), most_rows=2_400_000)


def _quiet_floor_v(table: CandidateTable) -> float:
    """Half the level of the weakest hundredth of the taps."""
    level = table.rows[table.tap == 1, FEATURES.index("level_v_db")]
    return 0.5 * float(10.0 ** (np.percentile(level, 1.0) / 20.0))


def _warnings(taps: int, heard: int, groups: int, point: Operation, before: Operation, wanted: float | None,
              way: str) -> Iterable[str]:
    if taps < 40:
        yield f"only {taps} taps: too few to trust any of these figures; label at least 40"
    elif taps < FEW_TAPS:
        yield f"{taps} taps: the shipped gate was kept and at most mended; {FEW_TAPS} or more allow a gate of your own"
    if groups < 2:
        yield "one group only: judged on other stretches of the same recordings, which flatters; add another vehicle"
    if heard < taps:
        yield f"{taps - heard} of {taps} taps raise no candidate: no gate can bring them back (buried or too weak)"
    if wanted is not None and point.false_alarms_per_hour > wanted:
        yield f"{wanted:g} false alarms per hour were not reached: {point.false_alarms_per_hour:.3g} is the least"
    if wanted is not None and point.hours * wanted < 3.0:
        yield (
            f"{point.hours:.2g} h are too short to show {wanted:g} false alarms per hour: none in"
            f" {3.0 / wanted:.2g} h would be needed (rule of three)"
        )
    if way != "calibrated" and before.f1 > point.f1 and wanted is None:
        yield f"the shipped detector did better here (F1 {before.f1:.3f} against {point.f1:.3f}): keep it"
