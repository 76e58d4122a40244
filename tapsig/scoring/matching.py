"""Maximum one-to-one matching of reference onsets and detected ones within a window."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tapsig.errors import ParameterError
from tapsig.units import IntArray, check_positive, to_floats

MATCH_WINDOW_S = 0.05
"""A detection counts as a tap when it is at most this far from it (common practice, no source)."""

EDGE_SLACK_S = 1e-9
"""Added to the window, so that an error of exactly the window is inside whatever the rounding of its two times."""


@dataclass(frozen=True, slots=True)
class Matching:
    """Matched pairs of reference and detection.

    Parameters
    ----------
    pairs : (reference index, detected index), shape (n, 2), in order of time.
    missed : reference indices without a detection.
    spurious : detected indices without a reference.
    """

    pairs: IntArray
    missed: IntArray
    spurious: IntArray


def match_onsets(
    reference_s: npt.ArrayLike, detected_s: npt.ArrayLike, *, window_s: float = MATCH_WINDOW_S
) -> Matching:
    """Match as many references as possible, each to one detection at most `window_s` away (edge included).

    Among the matchings with the most pairs, the one with the least sum of absolute errors is chosen, so that a false
    detection next to a tap stays unmatched. An optimal matching without crossing pairs exists, so one sweep in order of
    time finds it. Its cost is the number of references and detections within the window of each other.

    Raises ParameterError for times that are not finite or a window that is not above 0.

    >>> match_onsets([1.00, 1.04], [0.96, 1.00], window_s=0.05).pairs.tolist()
    [[0, 0], [1, 1]]
    >>> match_onsets([1.00], [0.96, 1.00]).spurious.tolist()
    [0]
    """
    reference, detected = _check_onsets("reference_s", reference_s), _check_onsets("detected_s", detected_s)
    check_positive("window_s", window_s)
    by_reference, by_detected = np.argsort(reference, kind="stable"), np.argsort(detected, kind="stable")
    reach_s = window_s + EDGE_SLACK_S
    pairs = _sweep(reference[by_reference].tolist(), detected[by_detected].tolist(), reach_s)
    matched = np.array([(by_reference[i], by_detected[j]) for i, j in pairs], dtype=np.int64).reshape(-1, 2)
    missed = np.setdiff1d(np.arange(reference.size), matched[:, 0])
    spurious = np.setdiff1d(np.arange(detected.size), matched[:, 1])
    return Matching(matched, missed, spurious)


def _check_onsets(name: str, onsets_s: npt.ArrayLike) -> npt.NDArray[np.float64]:
    onsets = to_floats(name, onsets_s)
    if onsets.ndim != 1:
        raise ParameterError(f"{name} has the shape {onsets.shape}; give a list of times in seconds, shape (n,)")
    if not np.isfinite(onsets).all():
        at = int(np.argmin(np.isfinite(onsets)))
        raise ParameterError(f"{name}[{at}] is {onsets[at]}; every time must be a finite number of seconds")
    return onsets


_SKIP_REFERENCE, _SKIP_DETECTED, _PAIR = range(3)


def _sweep(reference: list[float], detected: list[float], window_s: float) -> list[tuple[int, int]]:
    """Index pairs of the best matching of two ascending lists.

    best[j] is the value of the best matching of the references so far with the first j detections. A pair is worth more
    than the sum of all possible errors, so the number of pairs has priority.
    """
    pair_worth = window_s * (min(len(reference), len(detected)) + 1)
    best, reach = [0.0] * (len(detected) + 1), 0  # beyond `reach`, best[reach] holds
    bands: list[tuple[int, list[int]]] = []
    first = last = 0
    for onset in reference:
        while first < len(detected) and detected[first] + window_s < onset:
            first += 1
        last = max(last, first)
        while last < len(detected) and detected[last] - window_s <= onset:
            last += 1
        best[reach + 1 : last + 1] = [best[reach]] * (last - reach)
        reach = max(reach, last)
        choices = []
        before = best[first]  # best without this reference, one detection less
        for j in range(first, last):
            without, paired = best[j + 1], before + pair_worth - abs(detected[j] - onset)
            before = without
            worth, choice = max((without, -_SKIP_REFERENCE), (best[j], -_SKIP_DETECTED), (paired, -_PAIR))
            best[j + 1] = worth
            choices.append(-choice)
        bands.append((first, choices))
    return _walk_back(bands, len(detected))


def _walk_back(bands: list[tuple[int, list[int]]], j: int) -> list[tuple[int, int]]:
    """Pairs from the choice stored for each reference (a band of detections from `first` on)."""
    pairs = []
    for i in range(len(bands) - 1, -1, -1):
        first, choices = bands[i]
        j = min(j, max(first + len(choices), first))
        while j > first and choices[j - first - 1] == _SKIP_DETECTED:
            j -= 1
        if j > first and choices[j - first - 1] == _PAIR:
            j -= 1
            pairs.append((i, j))
    return pairs[::-1]
