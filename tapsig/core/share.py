"""`tapsig_share` of follow.h: the smoothing coefficient of a running mean, as a 16-bit number and a shift."""

import math

from tapsig.errors import ParameterError
from tapsig.units import check_positive

HIGHEST_SHIFT = 24


def one_pole_coefficient(time_s: float, fs: float) -> float:
    """Weight of the new sample in a first-order low-pass with the time constant `time_s`: 1 - exp(-1/(time_s·fs)).

    Impulse-invariant, so that the decay after a step is exp(-t/time_s) exactly.

    >>> round(one_pole_coefficient(0.125, 8000.0), 6)
    0.001
    """
    return -math.expm1(-1.0 / (check_positive("time_s", time_s) * check_positive("fs", fs)))


def high_pass_time_s(cutoff_hz: float, fs: float, *, name: str = "cutoff_hz") -> float:
    """Time constant of the running mean whose subtraction gives a high-pass with its -3 dB point at `cutoff_hz`.

    That of the analogue filter, 1/(2π f): the sampled one attenuates less near the cutoff where the rate is low, such
    as 2.9 dB at 20 Hz and 8 kHz, but 1.7 dB at 20 Hz and 400 Hz. The detectors are defined with it.

    Raises ParameterError, with `name`, unless 0 < cutoff_hz < fs/2.
    """
    if not 0 < cutoff_hz < check_positive("fs", fs) / 2:
        raise ParameterError(f"{name} is {cutoff_hz!r}; at {fs:g} Hz it must lie between 0 and {fs / 2:g}")
    return 1.0 / (2.0 * math.pi * cutoff_hz)


def fill_share(struct: object, name: str, share: float) -> None:
    """Write `share`, above 0 and up to 1, into a `tapsig_share` of cffi.

    Raises ParameterError for a share under 2^-25; `name` is the parameter that it comes from.
    """
    shift = max(math.ceil(-math.log2(share)) - 1, 0)
    if shift > HIGHEST_SHIFT:
        raise ParameterError(
            f"{name} needs a mean over {1.0 / share:.3g} steps; the core allows at most"
            f" {2**HIGHEST_SHIFT:.3g}: choose a shorter time or a higher cutoff"
        )
    struct.share_q15 = min(round(share * 2.0 ** (15 + shift)), 2**15 - 1)  # type: ignore[attr-defined]
    struct.shift = shift  # type: ignore[attr-defined]
