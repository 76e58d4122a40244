"""Two channels in turn (a, b, a, b) that are read as one signal."""

import numpy as np

from tapsig.loading.findings import FindingList
from tapsig.units import FloatArray

HEAD, BLOCK = 1 << 16, 1 << 10
LEVEL_RATIO, STEADY_RATIO = 8.0, 0.5
MIRRORED, STEP_RATIO = 0.9, 2.0
EDGE_BINS = 4


def note_turns(samples: FloatArray, findings: FindingList) -> None:
    """The finding that every second sample belongs to another signal: by two levels, or by a mirrored spectrum.

    Only the first `HEAD` samples are looked at. No single recording of the demo corpus or of the generators in
    benchmarks comes near the limits of the spectrum (.59 and 1.8, never both); of its pairs in turn 19 in 20 pass them.
    """
    head = samples[:HEAD]
    blocks = head[: head.size // BLOCK * BLOCK].reshape(-1, BLOCK)
    if blocks.size and (_has_two_levels(blocks) or _is_mirrored(blocks)):
        findings.add("channels-alternate", "values of two channels seem to alternate (a, b, a, b); read as one signal")


def _has_two_levels(blocks: FloatArray) -> bool:
    """Whether odd and even samples rest at levels far apart, as steadily as no tone near half the rate is."""
    even, odd = blocks[:, ::2], blocks[:, 1::2]
    low, high = np.quantile(np.abs(np.median(even, axis=1) - np.median(odd, axis=1)), (0.1, 0.9))
    counts = [np.diff(np.unique(half)).min(initial=np.inf) for half in (even, odd)]
    steps = float(np.median(np.abs(blocks[:, 2:] - blocks[:, :-2])))
    own = max(steps, min(counts)) if np.isfinite(counts).any() else steps
    return bool(low > STEADY_RATIO * high and low > LEVEL_RATIO * own)


def _is_mirrored(blocks: FloatArray) -> bool:
    """Whether the spectrum is mirrored about a quarter of the rate, which is half of each channel's own rate, and
    samples two apart are nearer to each other than neighbours. Steady lines of mains pulses pass the first alone.
    """
    near, far = np.sum(np.diff(blocks, axis=1) ** 2), np.sum((blocks[:, 2:] - blocks[:, :-2]) ** 2)
    if not near > STEP_RATIO * far:
        return False
    centred = blocks - blocks.mean(axis=1, keepdims=True)
    power = np.mean(np.abs(np.fft.rfft(centred * np.hanning(BLOCK), axis=1)) ** 2, axis=0)[EDGE_BINS:-EDGE_BINS]
    level = np.log(power + np.finfo(float).tiny)
    half = level.size // 2
    return bool(np.corrcoef(level[:half], level[::-1][:half])[0, 1] > MIRRORED)
