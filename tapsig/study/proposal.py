"""Propose tap onsets in an unlabelled recording, with the future in hand.

Three things that no detector at a door can do: the prediction error is that of a model fitted to both sides (Burg's
method on overlapping blocks); what each candidate adds to the panel's ringing is cut out by extrapolating the ringing
from before it; and candidates are compared with one another, for the taps of one hand on one panel look alike. The
one that the others resemble most is the pattern: its onset is the first sample over 10 % of its own peak, and the
others are timed by sliding it along them.
"""

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy.ndimage import maximum_filter1d, percentile_filter
from scipy.signal import find_peaks, resample_poly

from tapsig.detect.gate import Trees, sum_trees
from tapsig.errors import ParameterError
from tapsig.records import TAP, Recording
from tapsig.units import FloatArray, IntArray, check_positive, check_range, seconds_to_samples

ORDER_S = 0.032  # length of the predictor: 32 coefficients at 1 kHz
BLOCK_S = 1.0
SEARCH_HZ, CUT_HZ = 1000.0, 2000.0
HISTORY_S = 0.6  # ringing before a candidate from which its continuation is told
LEAD_S, TAIL_S = 0.026, 0.064  # what is cut out around a candidate
PATTERN_S, PATTERN_LEAD_S = 0.034, 0.004
SLIDE_S = 0.03
FAMILY = 60  # candidates among which the pattern is sought
ALIKE = 0.6  # correlation from which a candidate is timed by the pattern
FLOOR_DB = -180.0


@dataclass(frozen=True, slots=True)
class ProposalParameters:
    """How proposals are made.

    Parameters
    ----------
    rise_db : least rise of the prediction error over its floor and over its maximum 6–50 ms before.
    apart_s : least time between two candidates.
    rise_share : an onset is the first sample over this share of the tap's own peak.
    contact_lead_s : how long before that sample the knuckle touched. Bending waves take their time and low modes
        rise slowly: 0.5–6.5 ms on the simulated doors, by vehicle and position; the middle of that is taken off.
    doubtful_below : a confidence under this asks for a look.
    """

    rise_db: float = 3.0
    apart_s: float = 0.05
    rise_share: float = 0.1
    contact_lead_s: float = 0.0028
    doubtful_below: float = 0.8

    def __post_init__(self) -> None:
        check_range("rise_db", self.rise_db, 0.0, 60.0)
        check_positive("apart_s", self.apart_s)
        check_range("rise_share", self.rise_share, 0.001, 0.9)
        check_range("contact_lead_s", self.contact_lead_s, 0.0, 0.02)
        check_range("doubtful_below", self.doubtful_below, 0.0, 1.0)


@dataclass(frozen=True, slots=True)
class Proposal:
    """One proposed onset.

    Parameters
    ----------
    onset_s : when the knuckle touched, in seconds from the recording's start.
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


def propose_onsets(
    recording: Recording, parameters: ProposalParameters = ProposalParameters()
) -> tuple[Proposal, ...]:
    """Every candidate onset of `recording`, in order of time, each with a confidence that it is a tap.

    Uses the whole recording at once. Gaps are never bridged.

    Raises ParameterError for a sample rate under 500 Hz, which cannot tell taps from ringing.
    """
    onsets_s, features = compute_candidates(recording, parameters)
    confidence = compute_confidence(features)
    return tuple(
        Proposal(float(onset), float(sure), *map(float, row[[0, 1, 3, 4]]))
        for onset, sure, row in zip(onsets_s, confidence, features, strict=True)
    )


def compute_candidates(
    recording: Recording, parameters: ProposalParameters = ProposalParameters()
) -> tuple[FloatArray, FloatArray]:
    """Onsets (s, ascending, shape (n,)) and features (shape (n, 12), in the order of FEATURES) of all candidates.

    Raises ParameterError for a sample rate under 500 Hz.
    """
    if recording.fs < 500.0:
        raise ParameterError(f"fs is {recording.fs:g} Hz; proposals need 500 Hz or more to tell taps from ringing")
    parts = [
        _cut_out(recording, start, stop, parameters) for start, stop in recording.stretches() if stop - start >= 16
    ]
    cuts = _Cuts.join([part for part in parts if part.rise_db.size])
    if not cuts.rise_db.size:
        return np.zeros(0), np.zeros((0, len(FEATURES)))
    onsets_s, likeness = _time_by_pattern(cuts, parameters)
    kept = _leave_one(onsets_s, likeness, cuts.rise_db, parameters.apart_s)
    onsets_s = np.clip(onsets_s[kept], 0.0, recording.span_s)
    return onsets_s, _describe(cuts.select(kept), onsets_s, likeness[kept])


# ---------------------------------------------------------------- prediction


def fit_burg(blocks: FloatArray, order: int) -> FloatArray:
    """Prediction-error filters (1, a1, … a_order), shape (n, order + 1), of `blocks`, shape (n, samples).

    Burg's method (Marple, Digital Spectral Analysis, 1987, ch. 8), on all blocks at once. Silence gives (1, 0, …).
    """
    forward, backward = blocks[:, 1:], blocks[:, :-1]
    filters = np.zeros((blocks.shape[0], order + 1))
    filters[:, 0] = 1.0
    for m in range(1, order + 1):
        power = np.einsum("ij,ij->i", forward, forward) + np.einsum("ij,ij->i", backward, backward)
        crossed = np.einsum("ij,ij->i", forward, backward)
        reflection = np.divide(-2.0 * crossed, power, out=np.zeros_like(power), where=power > 0.0)[:, None]
        filters[:, 1 : m + 1] += reflection * filters[:, :m][:, ::-1]
        forward, backward = (forward + reflection * backward)[:, 1:], (backward + reflection * forward)[:, :-1]
    return filters


def compute_innovation(samples: FloatArray, *, order: int, block: int) -> FloatArray:
    """Forward prediction error of `samples`, each block of `block` predicted by its own filter, cross-faded by half."""
    half = block // 2
    count = -(-samples.size // half) + 1
    padded = np.concatenate([np.zeros(half + order), samples, np.zeros(count * half + 2 * half - samples.size)])
    spans = sliding_window_view(padded, order + 2 * half)[:: half][:count]
    filters = fit_burg(spans[:, order:], order)
    error = np.zeros((count, 2 * half))
    for k in range(order + 1):
        error += filters[:, k : k + 1] * spans[:, order - k : order - k + 2 * half]
    error *= np.hanning(2 * half + 1)[:-1]  # sums to one at half overlap
    joined = np.zeros((count + 1) * half)
    joined[:-half] = error[:, :half].ravel()
    joined[half:] += error[:, half:].ravel()
    return joined[half : half + samples.size]


def _extrapolate(filters: FloatArray, past: FloatArray, count: int) -> FloatArray:
    """The next `count` samples as the filters predict them from `past` alone; shapes (n, …)."""
    order = filters.shape[1] - 1
    line = np.concatenate([past[:, -order:], np.zeros((past.shape[0], count))], axis=1)
    backwards = -filters[:, :0:-1]
    for i in range(count):
        line[:, order + i] = np.einsum("ij,ij->i", backwards, line[:, i : i + order])
    return line[:, order:]


# ---------------------------------------------------------------- candidates


@dataclass(frozen=True, slots=True)
class _Cuts:
    """Candidates: `begins_s` is the time of the first sample of `shapes` (n, samples), at `rate` Hz."""

    rate: float
    begins_s: FloatArray
    shapes: FloatArray
    rise_db: FloatArray
    peak_v: FloatArray
    clear_db: FloatArray

    def select(self, kept: IntArray) -> "_Cuts":
        """The candidates `kept`."""
        return _Cuts(
            self.rate, self.begins_s[kept], self.shapes[kept], self.rise_db[kept], self.peak_v[kept],
            self.clear_db[kept],
        )  # fmt: skip

    @classmethod
    def join(cls, parts: Sequence["_Cuts"]) -> "_Cuts":
        if not parts:
            return cls(CUT_HZ, *(np.zeros(0) for _ in range(5)))
        names = ("begins_s", "shapes", "rise_db", "peak_v", "clear_db")
        return cls(parts[0].rate, *(np.concatenate([getattr(part, name) for part in parts]) for name in names))


def _slow_down(samples: FloatArray, fs: float, rate: float) -> tuple[FloatArray, float]:
    """`samples` at about `rate`, never faster than they are; without delay."""
    every = max(1, math.floor(fs / rate))
    # A Hann kernel has no negative lobes: a sharp tap must not announce itself by the ringing of a filter.
    window = np.hanning(4 * every + 1)[1:-1]
    return (samples if every == 1 else resample_poly(samples, 1, every, window=window / window.sum())), fs / every


def _find_rises(samples: FloatArray, fs: float, parameters: ProposalParameters) -> tuple[FloatArray, FloatArray]:
    """Times (s) and rises (dB) of the candidates: where the prediction error rises over floor and recent past."""
    slow, rate = _slow_down(samples, fs, SEARCH_HZ)

    def whole(seconds: float) -> int:
        return seconds_to_samples(seconds, rate, at_least=1)

    order = whole(ORDER_S)
    error = compute_innovation(slow, order=order, block=min(whole(BLOCK_S), max(4 * order, slow.size)))
    window = np.hanning(whole(0.006) + 2)[1:-1]
    power = np.convolve(error * error, window / window.sum(), "same")
    tiny = max(float(power.max(initial=0.0)) * 1e-12, 1e-30)
    level = 10.0 * np.log10(power + tiny)
    near, far = whole(0.006), whole(0.05)
    recent = maximum_filter1d(level, far - near + 1, mode="nearest", origin=0)
    middle = (near + far) // 2
    recent = np.concatenate([np.full(middle, FLOOR_DB), recent])[: level.size]
    every = whole(0.01)
    floor = np.repeat(percentile_filter(level[::every], 50, 401, mode="nearest"), every)[: level.size]
    rise = level - np.maximum(recent, floor)
    peaks, _ = find_peaks(
        np.concatenate([[FLOOR_DB], rise, [FLOOR_DB]]), height=parameters.rise_db, distance=whole(parameters.apart_s)
    )
    return (peaks - 1) / rate, rise[peaks - 1]


def _cut_out(recording: Recording, start: int, stop: int, parameters: ProposalParameters) -> _Cuts:
    """The candidates of one gap-free stretch, each without the ringing from before it."""
    samples = recording.samples[start:stop] - np.median(recording.samples[start:stop])
    times_s, rise_db = _find_rises(samples, recording.fs, parameters)
    slow, rate = _slow_down(samples, recording.fs, CUT_HZ)
    order, history, lead, tail = (
        seconds_to_samples(seconds, rate, at_least=2) for seconds in (ORDER_S, HISTORY_S, LEAD_S, TAIL_S)
    )
    firsts = np.floor(times_s * rate).astype(np.int64) - lead
    padded = np.concatenate([np.zeros(history + lead), slow, np.zeros(lead + tail + 2)])
    shapes = np.concatenate(
        [np.zeros((0, lead + tail)), *(
            _remove_ringing(padded, some + lead, history, lead + tail, order)
            for some in np.array_split(firsts, max(1, firsts.size // 128))
        )]
    )  # fmt: skip
    quiet = seconds_to_samples(0.012, rate)
    peak_v = np.abs(shapes).max(axis=1, initial=0.0)
    before = np.abs(shapes[:, :quiet]).max(axis=1, initial=0.0)
    clear_db = 20.0 * np.log10(np.maximum(peak_v, 1e-12) / np.maximum(before, 1e-12))
    offset_s = float(recording.times_s(np.array([start]))[0])
    return _Cuts(rate, offset_s + firsts / rate, shapes, rise_db, peak_v, np.clip(clear_db, -20.0, 80.0))


def _remove_ringing(padded: FloatArray, firsts: IntArray, history: int, length: int, order: int) -> FloatArray:
    """What `length` samples hold beyond the extrapolation of the `history` before; `firsts` index that history."""
    spans = sliding_window_view(padded, history + length)[firsts]
    past, now = spans[:, :history], spans[:, history:]
    return now - _extrapolate(fit_burg(past, order), past, length)


# ---------------------------------------------------------------- timing


def _time_by_pattern(cuts: _Cuts, parameters: ProposalParameters) -> tuple[FloatArray, FloatArray]:
    """Onsets (s), and the likeness of each candidate to the pattern."""
    rough = _first_over(cuts, parameters.rise_share)
    lead, length, slide = (
        seconds_to_samples(seconds, cuts.rate, at_least=1) for seconds in (PATTERN_LEAD_S, PATTERN_S, SLIDE_S)
    )
    starts = np.clip(rough - lead, 0, cuts.shapes.shape[1] - length)
    shift, likeness = np.zeros(rough.size), np.full(rough.size, np.nan)
    chosen = _choose_pattern(cuts, starts, length, slide)
    if chosen is not None:
        pattern = cuts.shapes[chosen, starts[chosen] : starts[chosen] + length]
        shift, likeness = _slide(cuts.shapes, pattern, slide + length)
        shift = shift + _pattern_onset(cuts, shift, likeness, lead, parameters.rise_share)
    samples = np.where(np.nan_to_num(likeness, nan=-1.0) >= ALIKE, shift, rough)
    return cuts.begins_s + samples / cuts.rate - parameters.contact_lead_s, likeness


def _leave_one(onsets_s: FloatArray, likeness: FloatArray, rise_db: FloatArray, apart_s: float) -> IntArray:
    """Indices, in order of time, of those that no likelier one lies within `apart_s` of.

    Two rises of one blow, as from a rebound, slide along the pattern to the same onset.
    """
    order = np.argsort(onsets_s, kind="stable")
    times = onsets_s[order]
    firsts, lasts = (np.searchsorted(times, times + step) for step in (-apart_s, apart_s))
    free = np.ones(times.size, dtype=bool)
    kept = []
    for place in np.lexsort((-rise_db[order], -np.nan_to_num(likeness[order]).round(3))):
        if free[place]:
            free[firsts[place] : lasts[place]] = False
            kept.append(place)
    return order[np.sort(np.array(kept, dtype=np.int64))]


def _first_over(cuts: _Cuts, share: float) -> IntArray:
    """The first sample over `share` of each shape's peak, and over four times its error before."""
    size = np.abs(cuts.shapes)
    lead = seconds_to_samples(0.012, cuts.rate)
    noise = np.sqrt(np.square(size[:, :lead]).mean(axis=1))
    limit = np.minimum(np.maximum(share * cuts.peak_v, 4.0 * noise), 0.5 * cuts.peak_v)
    return np.argmax(size[:, lead:] > limit[:, None], axis=1) + lead


def _pattern_onset(cuts: _Cuts, shift: FloatArray, likeness: FloatArray, lead: int, share: float) -> float:
    """Onset in samples after the pattern's start: first over `share` of the mean of the clearest alike, laid together.

    Ringing that was not quite removed differs from one to the next and averages out; what they share stays.
    """
    alike = np.flatnonzero(likeness >= ALIKE)
    clearest = alike[np.argsort(-cuts.clear_db[alike], kind="stable")[: max(3, alike.size // 2)]]
    reach = 3 * lead
    grid = np.arange(-reach, 4 * reach)
    index = np.arange(cuts.shapes.shape[1])
    laid = [np.interp(grid + shift[i], index, cuts.shapes[i] / cuts.peak_v[i]) for i in clearest]
    mean = np.abs(np.mean(laid, axis=0))
    noise = float(np.sqrt(np.mean(np.square(mean[: reach - lead]))))
    limit = min(max(share * float(mean.max()), 4.0 * noise), 0.5 * float(mean.max()))
    first = int(np.argmax(mean > limit))
    return float(grid[first])


def _choose_pattern(cuts: _Cuts, starts: IntArray, length: int, slide: int) -> int | None:
    """The clearest, most often resembled one of the candidates that rose most; None when no two are alike."""
    best = np.argsort(-cuts.rise_db, kind="stable")[:FAMILY]
    score = np.zeros(best.size)
    for place, i in enumerate(best):
        _, likeness = _slide(cuts.shapes[best], cuts.shapes[i, starts[i] : starts[i] + length], slide + length)
        score[place] = np.count_nonzero(likeness >= ALIKE) - 1 + 0.02 * min(cuts.clear_db[i], 40.0)
    winner = int(np.argmax(score))
    return int(best[winner]) if score[winner] >= 1.0 else None


def _slide(shapes: FloatArray, pattern: FloatArray, reach: int) -> tuple[FloatArray, FloatArray]:
    """Shift in samples at which each shape, within its first `reach` samples, is most like `pattern`, and how much."""
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
    "rise_db", "likeness", "level_db", "clear_db", "rhythm", "crowd", "strangers", "hardness",
    "family", "usual_rise_db", "usual_clear_db", "pace",
)  # fmt: skip


def _describe(cuts: _Cuts, onsets_s: FloatArray, likeness: FloatArray) -> FloatArray:
    """Features of every candidate, shape (n, 12), in the order of FEATURES."""
    alike = np.nan_to_num(likeness, nan=0.0)
    weight = np.clip((alike - 0.3) / 0.5, 0.0, 1.0) * np.clip((cuts.rise_db - 3.0) / 9.0, 0.0, 1.0)
    strong = weight >= 0.5
    usual_v = float(np.median(cuts.peak_v[strong])) if strong.any() else float(cuts.peak_v.max())
    level_db = 20.0 * np.log10(np.maximum(cuts.peak_v, 1e-12) / max(usual_v, 1e-12))
    own = [cuts.rise_db, alike, np.clip(level_db, -40.0, 20.0), cuts.clear_db]
    around = _look_around(onsets_s, weight, cuts.rise_db)
    energy = np.square(cuts.shapes).sum(axis=1)
    hardness = np.log10((np.square(np.diff(cuts.shapes, axis=1)).sum(axis=1) + 1e-30) / (energy + 1e-30))
    usual = [0.0, 0.0, 0.0, math.log2(60.0)]  # without a family
    if strong.any():
        gaps = np.diff(np.sort(onsets_s[strong]))
        pace_s = float(np.median(gaps)) if gaps.size else 60.0
        usual = [float(np.mean(alike[strong])), float(np.median(cuts.rise_db[strong])),
                 float(np.median(cuts.clear_db[strong])), math.log2(min(max(pace_s, 0.03), 60.0))]  # fmt: skip
    return np.column_stack([*own, *around, hardness, np.tile(usual, (onsets_s.size, 1))])


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
def _read_trees() -> Trees:
    """The sum of trees that benchmarks/proposal_confidence.py fitted and wrote."""
    text = resources.files("tapsig.study").joinpath("proposal_confidence.json").read_text("utf-8")
    return Trees.from_json(json.loads(text), FEATURES)


def compute_confidence(features: FloatArray) -> FloatArray:
    """Chance of a tap, shape (n,), for `features` in the order of FEATURES, shape (n, 12).

    Gradient-boosted trees on those features, fitted to the simulated training vehicles.
    """
    trees = _read_trees()
    score = np.array([sum_trees(trees, row) for row in features], dtype=np.float64)
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
