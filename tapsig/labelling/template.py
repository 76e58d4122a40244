"""Timing of candidates by a template: the one that is most similar to the others."""

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

from tapsig.labelling.transients import Transients
from tapsig.units import FloatArray, IntArray, seconds_to_samples

TEMPLATE_S, TEMPLATE_LEAD_S = 0.034, 0.004
SLIDE_S = 0.03
MAX_TEMPLATES = 60  # candidates for the template
SIMILAR, VERY_SIMILAR = 0.6, 0.85  # least correlations for timing by the template
AGREEMENT_S = 0.003
FULL_RISE_DB = 20.0
ROWS = 4096

ShapeArray = npt.NDArray[np.float32]


def time_by_template(events: Transients) -> tuple[FloatArray, FloatArray]:
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
    rise_db = events.rise_db[similar]
    similar = similar[2.0 * rise_db >= rise_db.max()]  # noise may be similar to the template too
    clearest = similar[np.argsort(-events.clear_db[similar], kind="stable")[: max(3, similar.size // 2)]]
    aligned_s = aligned_s + np.median((events.picked_s - aligned_s)[clearest])
    agreed = np.abs(aligned_s - events.picked_s) <= AGREEMENT_S
    timed = (similarity >= VERY_SIMILAR) | ((similarity >= SIMILAR) & agreed)
    return np.where(timed, aligned_s, events.picked_s), similarity


def keep_strongest(onsets_s: FloatArray, rise_db: FloatArray, apart_s: float) -> IntArray:
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


def _align(shapes: ShapeArray, template: ShapeArray, reach: int) -> tuple[FloatArray, FloatArray]:
    """Shift in samples of the largest correlation of each shape (its first `reach` samples) with `template`."""
    parts = [_align_rows(few.astype(np.float64), template.astype(np.float64), reach) for few in divide(shapes)]
    return np.concatenate([shift for shift, _ in parts]), np.concatenate([similarity for _, similarity in parts])


def divide(shapes: ShapeArray) -> list[ShapeArray]:
    """Views of a few rows at a time, to limit memory."""
    return [shapes[start : start + ROWS] for start in range(0, shapes.shape[0], ROWS)]


def _align_rows(shapes: FloatArray, template: FloatArray, reach: int) -> tuple[FloatArray, FloatArray]:
    length = template.size
    windows = sliding_window_view(shapes[:, :reach], length, axis=1)
    energy = np.einsum("ijk,ijk->ij", windows, windows) * float(template @ template)
    similarity = (windows @ template) / np.sqrt(np.maximum(energy, 1e-30))
    at = np.argmax(similarity, axis=1)
    rows = np.arange(at.size)
    inner = np.clip(at, 1, similarity.shape[1] - 2)
    left, here, right = (similarity[rows, inner + step] for step in (-1, 0, 1))
    bend = left - 2.0 * here + right
    fine = np.where((bend < 0) & (inner == at), 0.5 * (left - right) / np.where(bend < 0, bend, 1.0), 0.0)
    return at + fine, similarity[rows, at]
