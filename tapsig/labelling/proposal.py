"""Propose tap onsets in an unlabelled recording, with the future in hand.

Three things that no detector at a door can do: the prediction error is that of a model fitted to both sides (Burg's
method on overlapping blocks); what each candidate adds to the panel's ringing is cut out by extrapolating the ringing
from before it; and candidates are compared with one another, for the taps of one hand on one panel look alike. The
one that the others resemble most is the pattern, and the others are timed by sliding it along them. An onset is where
the prediction error's power changes: the first sign in the signal, with nothing taken off for the way from the contact.
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
from tapsig.records import TAP, Recording, require_recording
from tapsig.results import Records
from tapsig.units import FloatArray, IntArray, check_positive, check_range, seconds_to_samples

PATTERN_S, PATTERN_LEAD_S = 0.034, 0.004
SLIDE_S = 0.03
FAMILY = 60  # candidates among which the pattern is sought
ALIKE, SURELY_ALIKE = 0.6, 0.85  # correlations from which a candidate is timed by the pattern
AGREED_S = 0.003
FULL_RISE_DB = 20.0
ROWS = 4096
PART_OVERLAP_S = 5.0  # the floor of a candidate is the median of 2 s to either side

Shapes = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class ProposalParameters:
    """How proposals are made.

    Parameters
    ----------
    rise_db : least rise of the prediction error over its floor and over its maximum 6–50 ms before.
    apart_s : least time between two candidates.
    doubtful_below : a confidence under this asks for a look.
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
    onset_s : the first sign of it in the signal, in seconds from the recording's start.
    confidence : that it is a tap, 0–1.
    rise_db : how far the prediction error rose.
    likeness : greatest correlation with the pattern, −1 to 1; 0 where there is none.
    clear_db : peak of what it added to the ringing, over the largest error of the extrapolated ringing before it.
    rhythm : 0–1, how well it sits between alike neighbours at the pace of a hand (0.12–0.9 s).
    """

    onset_s: float
    confidence: float
    rise_db: float
    likeness: float
    clear_db: float
    rhythm: float


def propose_onsets(recording: Recording, parameters: ProposalParameters = ProposalParameters()) -> Records[Proposal]:
    """Every candidate onset of a recording, in order of time, each with a confidence that it is a tap.

    Uses the whole recording at once. Gaps are never bridged.

    Parameters
    ----------
    recording : Recording
        What to search.
    parameters : ProposalParameters
        How proposals are made.

    Returns
    -------
    Records of Proposal
        A tuple of proposals.

    Raises
    ------
    ParameterError
        For a sample rate under 500 Hz, which cannot tell taps from ringing.
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
    """What `propose_onsets` finds in one channel of a WAV file, read in parts: a day at 8 kHz takes under 1 GB.

    Candidates are compared over the whole file; only the search for them sees one part after the other. `findings`
    and `progress` as in `tapsig.loading.parts.read_wav_parts`.

    Raises RecordingError as `tapsig.loading.read_wav_blocks` does, ParameterError as `propose_onsets`.
    """
    info = read_wav_info(path)
    _check_rate(info.fs)
    parts = read_wav_parts(
        path, channel=channel, full_scale_v=full_scale_v, overlap_s=PART_OVERLAP_S, findings=findings, progress=progress
    )
    found = (extract_part_transients(part, rise_db=parameters.rise_db, apart_s=parameters.apart_s) for part in parts)
    blows = Transients.join([one for one in found if one.rise_db.size])
    return _make_proposals(*_compare_blows(blows, info.duration_s, parameters))


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
    blows = extract_transients(recording, rise_db=parameters.rise_db, apart_s=parameters.apart_s)
    return _compare_blows(blows, recording.span_s, parameters)


def _check_rate(fs: float) -> None:
    if fs < 500.0:
        raise ParameterError(f"fs is {fs:g} Hz; proposals need 500 Hz or more to tell taps from ringing")


def _compare_blows(blows: Transients, span_s: float, parameters: ProposalParameters) -> tuple[FloatArray, FloatArray]:
    """Onsets and features of the candidates that stay, as `compute_candidates` returns them."""
    if not blows.rise_db.size:
        return np.zeros(0), np.zeros((0, len(FEATURES)))
    onsets_s, likeness = _time_by_pattern(blows)
    kept = _leave_strongest(onsets_s, blows.rise_db, parameters.apart_s)
    onsets_s = np.clip(onsets_s[kept], 0.0, span_s)
    return onsets_s, _describe(blows.select(kept), onsets_s, likeness[kept])


# ---------------------------------------------------------------- timing


def _time_by_pattern(blows: Transients) -> tuple[FloatArray, FloatArray]:
    """Onsets (s), and the likeness of each candidate to the pattern.

    A candidate's own onset is uncertain where it is weak; those that are alike are timed by sliding the pattern along
    them, and the median of their own onsets says where in the pattern the onset is. Where the two times of one
    candidate disagree and the likeness is moderate, its own onset counts: the pattern has slipped by a period.
    """
    lead, length, slide = (
        seconds_to_samples(seconds, blows.rate, at_least=1) for seconds in (PATTERN_LEAD_S, PATTERN_S, SLIDE_S)
    )
    own = np.rint((blows.picked_s - blows.begins_s) * blows.rate).astype(np.int64)
    starts = np.clip(own - lead, 0, blows.shapes.shape[1] - length)
    chosen = _choose_pattern(blows, starts, length, slide)
    if chosen is None:
        return blows.picked_s, np.full(own.size, np.nan)
    pattern = blows.shapes[chosen, starts[chosen] : starts[chosen] + length]
    shift, likeness = _slide(blows.shapes, pattern, slide + length)
    slid_s = blows.begins_s + shift / blows.rate
    alike = np.flatnonzero(likeness >= ALIKE)
    alike = alike[2.0 * blows.rise_db[alike] >= blows.rise_db[alike].max()]  # noise may resemble the pattern as well
    clearest = alike[np.argsort(-blows.clear_db[alike], kind="stable")[: max(3, alike.size // 2)]]
    slid_s = slid_s + np.median((blows.picked_s - slid_s)[clearest])
    agreed = np.abs(slid_s - blows.picked_s) <= AGREED_S
    return np.where((likeness >= SURELY_ALIKE) | ((likeness >= ALIKE) & agreed), slid_s, blows.picked_s), likeness


def _leave_strongest(onsets_s: FloatArray, rise_db: FloatArray, apart_s: float) -> IntArray:
    """Indices, in order of time, of those that none that rises more lies within `apart_s` of.

    Two rises of one blow, as from a rebound, slide along the pattern to the same onset.
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


def _choose_pattern(blows: Transients, starts: IntArray, length: int, slide: int) -> int | None:
    """The clearest, most often resembled one of the candidates that rose most; None when no two are alike."""
    best = np.argsort(-blows.rise_db, kind="stable")[:FAMILY]
    weight = np.minimum(blows.rise_db[best], FULL_RISE_DB) / FULL_RISE_DB  # noise may resemble taps as well
    score = np.zeros(best.size)
    for place, i in enumerate(best):
        _, likeness = _slide(blows.shapes[best], blows.shapes[i, starts[i] : starts[i] + length], slide + length)
        alike = (likeness >= ALIKE) & (np.arange(best.size) != place)
        if alike.any():
            score[place] = weight[place] * weight[alike].sum() + 0.02 * min(max(blows.clear_db[i], 0.0), 40.0)
    winner = int(np.argmax(score))
    return int(best[winner]) if score[winner] > 0.0 else None


def _slide(shapes: Shapes, pattern: Shapes, reach: int) -> tuple[FloatArray, FloatArray]:
    """Shift in samples at which each shape, within its first `reach` samples, is most like `pattern`, and how much."""
    parts = [_slide_few(few.astype(np.float64), pattern.astype(np.float64), reach) for few in _divide(shapes)]
    return np.concatenate([shift for shift, _ in parts]), np.concatenate([likeness for _, likeness in parts])


def _divide(shapes: Shapes) -> list[Shapes]:
    """Views of some rows at a time, so that what is computed of them stays small."""
    return [shapes[start : start + ROWS] for start in range(0, shapes.shape[0], ROWS)]


def _slide_few(shapes: FloatArray, pattern: FloatArray, reach: int) -> tuple[FloatArray, FloatArray]:
    length = pattern.size
    windows = sliding_window_view(shapes[:, : max(reach, length)], length, axis=1)
    energy = np.einsum("ijk,ijk->ij", windows, windows) * float(pattern @ pattern)
    likeness = (windows @ pattern) / np.sqrt(np.maximum(energy, 1e-30))
    at = np.argmax(likeness, axis=1)
    rows = np.arange(at.size)
    inner = np.clip(at, 1, likeness.shape[1] - 2) if likeness.shape[1] > 2 else at
    left, here, right = (likeness[rows, inner + step] for step in (-1, 0, 1)) if likeness.shape[1] > 2 else (0, 0, 0)
    bend = left - 2.0 * here + right
    fine = np.where((bend < 0) & (inner == at), 0.5 * (left - right) / np.where(bend < 0, bend, 1.0), 0.0)
    return at + fine, likeness[rows, at]


# ---------------------------------------------------------------- confidence

FEATURES = (
    "rise_db",
    "likeness",
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


def _describe(blows: Transients, onsets_s: FloatArray, likeness: FloatArray) -> FloatArray:
    """Features of every candidate, shape (n, 12), in the order of FEATURES."""
    alike = np.nan_to_num(likeness, nan=0.0)
    weight = np.clip((alike - 0.3) / 0.5, 0.0, 1.0) * np.clip((blows.rise_db - 3.0) / 9.0, 0.0, 1.0)
    strong = weight >= 0.5
    usual_v = float(np.median(blows.peak_v[strong])) if strong.any() else float(blows.peak_v.max())
    level_db = 20.0 * np.log10(np.maximum(blows.peak_v, 1e-12) / max(usual_v, 1e-12))
    own = [blows.rise_db, alike, np.clip(level_db, -40.0, 20.0), blows.clear_db]
    around = _look_around(onsets_s, weight, blows.rise_db)
    hardness = np.concatenate([_measure_hardness(few.astype(np.float64)) for few in _divide(blows.shapes)])
    usual = [0.0, 0.0, 0.0, math.log2(60.0)]  # without a family
    if strong.any():
        gaps = np.diff(np.sort(onsets_s[strong]))
        pace_s = float(np.median(gaps)) if gaps.size else 60.0
        usual = [
            float(np.mean(alike[strong])),
            float(np.median(blows.rise_db[strong])),
            float(np.median(blows.clear_db[strong])),
            math.log2(min(max(pace_s, 0.03), 60.0)),
        ]
    return np.column_stack([*own, *around, hardness, np.tile(usual, (onsets_s.size, 1))])


def _measure_hardness(shapes: FloatArray) -> FloatArray:
    energy = np.square(shapes).sum(axis=1)
    return np.log10((np.square(np.diff(shapes, axis=1)).sum(axis=1) + 1e-30) / (energy + 1e-30))


def _look_around(onsets_s: FloatArray, weight: FloatArray, rise_db: FloatArray) -> list[FloatArray]:
    """Best weight of a neighbour 0.12–0.9 s away (a hand seldom taps once); how many rises, and how many unlike ones,
    lie within 1 s (log2 of one more).
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
    """Chance of a tap, shape (n,), for `features` in the order of FEATURES, shape (n, 12).

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
