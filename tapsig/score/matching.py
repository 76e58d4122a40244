"""Reference onsets against detected ones: maximum one-to-one matching within a window."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tapsig.errors import ParameterError
from tapsig.units import IntArray, check_positive


@dataclass(frozen=True, slots=True)
class Matching:
    """Which detection met which reference.

    Parameters
    ----------
    pairs : (reference index, detected index), shape (n, 2), in order of time.
    missed : reference indices without a detection.
    spurious : detected indices without a reference.
    """

    pairs: IntArray
    missed: IntArray
    spurious: IntArray


def _check_onsets(name: str, onsets_s: npt.ArrayLike) -> npt.NDArray[np.float64]:
    onsets = np.asarray(onsets_s, dtype=np.float64)
    if onsets.ndim != 1 or not np.isfinite(onsets).all():
        raise ParameterError(f"{name} must be a 1-D list of finite times in seconds")
    return onsets


def match_onsets(reference_s: npt.ArrayLike, detected_s: npt.ArrayLike, *, window_s: float = 0.05) -> Matching:
    """Match as many references as possible, each to one detection at most `window_s` away (edge included).

    One sweep in order of time suffices: with one width for all, taking the earliest possible partner never costs a
    pair (the interval graph is convex; Glover 1967), so the matching is a maximum one.

    Raises ParameterError for times that are not finite or a window that is not above 0.

    >>> match_onsets([1.00, 1.04], [0.96, 1.00], window_s=0.05).pairs.tolist()
    [[0, 0], [1, 1]]
    """
    reference, detected = _check_onsets("reference_s", reference_s), _check_onsets("detected_s", detected_s)
    check_positive("window_s", window_s)
    by_reference, by_detected = np.argsort(reference, kind="stable"), np.argsort(detected, kind="stable")
    pairs = []
    i = j = 0
    while i < reference.size and j < detected.size:
        r, d = by_reference[i], by_detected[j]
        if abs(reference[r] - detected[d]) <= window_s:
            pairs.append((r, d))
            i, j = i + 1, j + 1
        elif detected[d] < reference[r]:
            j += 1
        else:
            i += 1
    matched = np.array(pairs, dtype=np.int64).reshape(-1, 2)
    missed = np.setdiff1d(np.arange(reference.size), matched[:, 0])
    spurious = np.setdiff1d(np.arange(detected.size), matched[:, 1])
    return Matching(matched, missed, spurious)
