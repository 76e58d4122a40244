"""Propose tap onsets in an unlabelled recording; non-causal (offline).

It uses three methods that a detector at a door cannot use. The prediction error comes from a model fitted to both
sides (Burg's method on overlapping blocks). The earlier ringing is extrapolated and subtracted from each candidate.
Candidates are compared with each other, since the taps of one hand on one panel are similar: the candidate most similar
to the others is the template, and matched filtering with it times the others. An onset is where the power of the
prediction error changes, at the sensor: the delay from the contact is not subtracted.
"""

import json
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

from tapsig.errors import ParameterError
from tapsig.fitting.boosting import TreeSum
from tapsig.labelling.transients import Transients, extract_part_transients, extract_transients
from tapsig.loading import read_wav_info
from tapsig.loading.findings import FindingList
from tapsig.loading.parts import read_wav_parts
from tapsig.loading.read_options import ReadOptions
from tapsig.records import TAP, Recording, require_recording
from tapsig.results import Records
from tapsig.units import FloatArray, IntArray, check_positive, check_range, seconds_to_samples

TEMPLATE_S, TEMPLATE_LEAD_S = 0.034, 0.004
SLIDE_S = 0.03
MAX_TEMPLATES = 60  # candidates for the template
SIMILAR, VERY_SIMILAR = 0.6, 0.85  # least correlations for timing by the template
AGREEMENT_S = 0.003
FULL_RISE_DB = 20.0
ROWS = 4096
PART_OVERLAP_S = 5.0  # the floor of a candidate is the median of 2 s to either side

Shapes = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class ProposalParameters:
    """Parameters of proposals.

    Parameters
    ----------
    rise_db : least rise of the prediction error over its floor and over its maximum 6–50 ms before.
    apart_s : least time between two candidates.
    doubtful_below : proposals with a confidence below this should be checked.
    """

    rise_db: float = 3.0
    apart_s: float = 0.05
    doubtful_below: float = 0.8

    def __post_init__(self) -> None:
        check_range("rise_db", self.rise_db, 0.0, 60.0)
        check_positive("apart_s", self.apart_s)
        check_range("doubtful_below", self.doubtful_below, 0.0, 1.0)


@dataclass(frozen=True, slots=True)
class Proposal:
    """One proposed onset.

    Parameters
    ----------
    onset_s : onset in the signal, in seconds from the recording's start.
    confidence : probability of a tap, 0–1.
    rise_db : rise of the prediction error.
    similarity : largest correlation with the template, −1 to 1; 0 without a template.
    clear_db : peak after subtraction of the ringing, over the largest extrapolation error before the onset.
    rhythm : 0–1, whether similar neighbours lie at the intervals of a hand (0.12–0.9 s).
    """

    onset_s: float
    confidence: float
    rise_db: float
    similarity: float
    clear_db: float
    rhythm: float


def propose_onsets(recording: Recording, parameters: ProposalParameters = ProposalParameters()) -> Records[Proposal]:
    """Every candidate onset of a recording, in order of time, each with a confidence that it is a tap.

    Uses the whole recording at once. Gaps are never bridged.

    Parameters
    ----------
    recording : Recording
        The recording.
    parameters : ProposalParameters
        Parameters of proposals.

    Returns
    -------
    Records of Proposal
        A tuple of proposals.

    Raises
    ------
    ParameterError
        For a sample rate below 500 Hz, at which taps cannot be distinguished from ringing.
    """
    require_recording(recording)
    return _make_proposals(*compute_candidates(recording, parameters))


def propose_in_file(
    path: str | Path,
    parameters: ProposalParameters = ProposalParameters(),
    *,
    channel: int = 0,
    full_scale_v: float | None = None,
    findings: FindingList | None = None,
    progress: Callable[[int], None] | None = None,
) -> Records[Proposal]:
    """As `propose_onsets`, for one channel of a WAV file read in parts: a day at 8 kHz takes less than 1 GB.

    Candidates are searched part by part, and compared over the whole file. `findings`
    and `progress` as in `tapsig.loading.parts.read_wav_parts`.

    Raises RecordingError as `tapsig.loading.read_wav_blocks` does, ParameterError as `propose_onsets`.
    """
    info = read_wav_info(path)
    _check_rate(info.fs)
    options = ReadOptions(channel=channel, full_scale_v=full_scale_v)
    parts = read_wav_parts(path, options, overlap_s=PART_OVERLAP_S, findings=findings, progress=progress)
    found = (extract_part_transients(part, rise_db=parameters.rise_db, apart_s=parameters.apart_s) for part in parts)
    events = Transients.join([one for one in found if one.rise_db.size])
    return _make_proposals(*_compare(events, info.duration_s, parameters))


def _make_proposals(onsets_s: FloatArray, features: FloatArray) -> Records[Proposal]:
    confidence = compute_confidence(features)
    return Records(
        Proposal(float(onset), float(sure), *map(float, row[[0, 1, 3, 4]]))
        for onset, sure, row in zip(onsets_s, confidence, features, strict=True)
    )


def compute_candidates(
    recording: Recording, parameters: ProposalParameters = ProposalParameters()
) -> tuple[FloatArray, FloatArray]:
    """Onsets (s, ascending, shape (n,)) and features (shape (n, 12), in the order of FEATURES) of all candidates.

    Raises ParameterError for a sample rate under 500 Hz.
    """
    _check_rate(recording.fs)
    events = extract_transients(recording, rise_db=parameters.rise_db, apart_s=parameters.apart_s)
    return _compare(events, recording.span_s, parameters)


def _check_rate(fs: float) -> None:
    if fs < 500.0:
        raise ParameterError(f"fs is {fs:g} Hz; proposals need 500 Hz or more to distinguish taps from ringing")


def _compare(events: Transients, span_s: float, parameters: ProposalParameters) -> tuple[FloatArray, FloatArray]:
    """Onsets and features of the remaining candidates, as `compute_candidates` returns them."""
    if not events.rise_db.size:
        return np.zeros(0), np.zeros((0, len(FEATURES)))
    onsets_s, similarity = _time_by_template(events)
    kept = _keep_strongest(onsets_s, events.rise_db, parameters.apart_s)
    onsets_s = np.clip(onsets_s[kept], 0.0, span_s)
    return onsets_s, _describe(events.select(kept), onsets_s, similarity[kept])


# ---------------------------------------------------------------- timing


def _time_by_template(events: Transients) -> tuple[FloatArray, FloatArray]:
    """Onsets (s), and the similarity of each candidate to the template.

    The onset of a weak candidate is uncertain. Similar candidates are therefore timed by cross-correlation with the
    template; the median of their own onsets gives the onset within the template. If the two times of a candidate differ
    and its similarity is moderate, its own onset is used, since the template may be off by a period.
    """
    lead, length, slide = (
        seconds_to_samples(seconds, events.rate, at_least=1) for seconds in (TEMPLATE_LEAD_S, TEMPLATE_S, SLIDE_S)
    )
    own = np.rint((events.picked_s - events.begins_s) * events.rate).astype(np.int64)
    starts = np.clip(own - lead, 0, events.shapes.shape[1] - length)
    chosen = _choose_template(events, starts, length, slide)
    if chosen is None:
        return events.picked_s, np.full(own.size, np.nan)
    template = events.shapes[chosen, starts[chosen] : starts[chosen] + length]
    shift, similarity = _align(events.shapes, template, slide + length)
    aligned_s = events.begins_s + shift / events.rate
    similar = np.flatnonzero(similarity >= SIMILAR)
    similar = similar[
        2.0 * events.rise_db[similar] >= events.rise_db[similar].max()
    ]  # noise may be similar to the template too
    clearest = similar[np.argsort(-events.clear_db[similar], kind="stable")[: max(3, similar.size // 2)]]
    aligned_s = aligned_s + np.median((events.picked_s - aligned_s)[clearest])
    agreed = np.abs(aligned_s - events.picked_s) <= AGREEMENT_S
    return np.where(
        (similarity >= VERY_SIMILAR) | ((similarity >= SIMILAR) & agreed), aligned_s, events.picked_s
    ), similarity


def _keep_strongest(onsets_s: FloatArray, rise_db: FloatArray, apart_s: float) -> IntArray:
    """Indices, in order of time, of candidates without a stronger one within `apart_s`.

    Two rises of one impact, as from a rebound, are aligned to the same onset by the template.
    """
    order = np.argsort(onsets_s, kind="stable")
    times = onsets_s[order]
    firsts, lasts = (np.searchsorted(times, times + step) for step in (-apart_s, apart_s))
    free = np.ones(times.size, dtype=bool)
    kept = []
    for place in np.argsort(-rise_db[order], kind="stable"):
        if free[place]:
            free[firsts[place] : lasts[place]] = False
            kept.append(place)
    return order[np.sort(np.array(kept, dtype=np.int64))]


def _choose_template(events: Transients, starts: IntArray, length: int, slide: int) -> int | None:
    """Index of the template: of the strongest candidates, the one most similar to others; None without similar ones."""
    best = np.argsort(-events.rise_db, kind="stable")[:MAX_TEMPLATES]
    weight = np.minimum(events.rise_db[best], FULL_RISE_DB) / FULL_RISE_DB  # noise may be similar to taps too
    score = np.zeros(best.size)
    for place, i in enumerate(best):
        _, similarity = _align(events.shapes[best], events.shapes[i, starts[i] : starts[i] + length], slide + length)
        similar = (similarity >= SIMILAR) & (np.arange(best.size) != place)
        if similar.any():
            score[place] = weight[place] * weight[similar].sum() + 0.02 * min(max(events.clear_db[i], 0.0), 40.0)
    winner = int(np.argmax(score))
    return int(best[winner]) if score[winner] > 0.0 else None


def _align(shapes: Shapes, template: Shapes, reach: int) -> tuple[FloatArray, FloatArray]:
    """Shift in samples of the largest correlation of each shape (its first `reach` samples) with `template`."""
    parts = [_align_rows(few.astype(np.float64), template.astype(np.float64), reach) for few in _divide(shapes)]
    return np.concatenate([shift for shift, _ in parts]), np.concatenate([similarity for _, similarity in parts])


def _divide(shapes: Shapes) -> list[Shapes]:
    """Views of a few rows at a time, to limit memory."""
    return [shapes[start : start + ROWS] for start in range(0, shapes.shape[0], ROWS)]


def _align_rows(shapes: FloatArray, template: FloatArray, reach: int) -> tuple[FloatArray, FloatArray]:
    length = template.size
    windows = sliding_window_view(shapes[:, : max(reach, length)], length, axis=1)
    energy = np.einsum("ijk,ijk->ij", windows, windows) * float(template @ template)
    similarity = (windows @ template) / np.sqrt(np.maximum(energy, 1e-30))
    at = np.argmax(similarity, axis=1)
    rows = np.arange(at.size)
    inner = np.clip(at, 1, similarity.shape[1] - 2) if similarity.shape[1] > 2 else at
    left, here, right = (
        (similarity[rows, inner + step] for step in (-1, 0, 1)) if similarity.shape[1] > 2 else (0, 0, 0)
    )
    bend = left - 2.0 * here + right
    fine = np.where((bend < 0) & (inner == at), 0.5 * (left - right) / np.where(bend < 0, bend, 1.0), 0.0)
    return at + fine, similarity[rows, at]


# ---------------------------------------------------------------- confidence

FEATURES = (
    "rise_db",
    "similarity",
    "level_db",
    "clear_db",
    "rhythm",
    "crowd",
    "strangers",
    "hardness",
    "family",
    "usual_rise_db",
    "usual_clear_db",
    "pace",
)


def _describe(events: Transients, onsets_s: FloatArray, similarity: FloatArray) -> FloatArray:
    """Features of every candidate, shape (n, 12), in the order of FEATURES."""
    similar = np.nan_to_num(similarity, nan=0.0)
    weight = np.clip((similar - 0.3) / 0.5, 0.0, 1.0) * np.clip((events.rise_db - 3.0) / 9.0, 0.0, 1.0)
    strong = weight >= 0.5
    median_v = float(np.median(events.peak_v[strong])) if strong.any() else float(events.peak_v.max())
    level_db = 20.0 * np.log10(np.maximum(events.peak_v, 1e-12) / max(median_v, 1e-12))
    own = [events.rise_db, similar, np.clip(level_db, -40.0, 20.0), events.clear_db]
    around = _describe_neighbours(onsets_s, weight, events.rise_db)
    hardness = np.concatenate([_measure_hardness(few.astype(np.float64)) for few in _divide(events.shapes)])
    default = [0.0, 0.0, 0.0, math.log2(60.0)]  # without a family
    if strong.any():
        gaps = np.diff(np.sort(onsets_s[strong]))
        pace_s = float(np.median(gaps)) if gaps.size else 60.0
        default = [
            float(np.mean(similar[strong])),
            float(np.median(events.rise_db[strong])),
            float(np.median(events.clear_db[strong])),
            math.log2(min(max(pace_s, 0.03), 60.0)),
        ]
    return np.column_stack([*own, *around, hardness, np.tile(default, (onsets_s.size, 1))])


def _measure_hardness(shapes: FloatArray) -> FloatArray:
    energy = np.square(shapes).sum(axis=1)
    return np.log10((np.square(np.diff(shapes, axis=1)).sum(axis=1) + 1e-30) / (energy + 1e-30))


def _describe_neighbours(onsets_s: FloatArray, weight: FloatArray, rise_db: FloatArray) -> list[FloatArray]:
    """Largest weight of a neighbour 0.12–0.9 s away (a hand rarely taps once); log2 of 1 + the number of rises, and of
    dissimilar ones, within 1 s.
    """
    order = np.argsort(onsets_s, kind="stable")
    times, heavy = onsets_s[order], weight[order]
    firsts, lasts = (np.searchsorted(times, times + step) for step in (-1.0, 1.0))
    rhythm, counts = np.zeros(times.size), []
    for counting in (rise_db[order] >= 6.0, (rise_db[order] >= 6.0) & (heavy < 0.5)):
        counted = np.concatenate([[0], np.cumsum(counting)])
        counts.append(np.log2(1.0 + counted[lasts] - counted[firsts] - counting))
    for i, (first, last) in enumerate(zip(firsts, lasts, strict=True)):
        apart = np.abs(times[first:last] - times[i])
        rhythm[i] = heavy[first:last][(apart >= 0.12) & (apart <= 0.9)].max(initial=0.0)
    back = np.argsort(order, kind="stable")
    return [values[back] for values in (rhythm, *counts)]


@cache
def _read_trees() -> TreeSum:
    """The sum of trees that benchmarks/proposal_confidence.py fitted and wrote."""
    text = resources.files("tapsig.labelling").joinpath("proposal_confidence.json").read_text("utf-8")
    return TreeSum.from_json(json.loads(text), FEATURES)


def compute_confidence(features: FloatArray) -> FloatArray:
    """Probability of a tap, shape (n,), for `features` in the order of FEATURES, shape (n, 12).

    Gradient-boosted trees on those features, fitted to the simulated training vehicles.
    """
    score = _read_trees().score(features)
    return 1.0 / (1.0 + np.exp(-np.clip(score, -30.0, 30.0)))


def as_label_rows(proposals: Sequence[Proposal], *, keep: float = 0.1) -> list[tuple[float, str, float]]:
    """Rows (onset_s, kind, confidence) of a label file: "tap", or "unsure" when less likely than not.

    Those under `keep` are left out.
    """
    return [
        (round(proposal.onset_s, 6), TAP if proposal.confidence >= 0.5 else "unsure", round(proposal.confidence, 3))
        for proposal in proposals
        if proposal.confidence >= keep
    ]
