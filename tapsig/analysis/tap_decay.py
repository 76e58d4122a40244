"""A recording without what is below 20 Hz, where it is quiet, and how long its taps ring."""

import numpy as np

from tapsig.analysis.signal_faults import find_step_v
from tapsig.dsp.decay import compute_decay_curve
from tapsig.dsp.filters import high_pass_time_s, one_pole_coefficient, remove_slow
from tapsig.records import TAP, Recording
from tapsig.units import BoolArray, FloatArray, seconds_to_samples

HIGH_PASS_HZ = 20.0
"""Below it, the body sways and the bias drifts; a knock has little energy there (common practice, no source)."""
PEAK_S = 0.03
"""A tap's peak comes within this time of contact, on a thin panel too."""
QUIET_BEFORE_S, QUIET_AFTER_S = 0.05, 1.0
"""Excluded from the noise around labels, since taps still ring."""
RINGING_S = 1.5
MIN_RINGING_S = 0.1


def remove_sway(recording: Recording) -> FloatArray:
    """The samples above 20 Hz in volts, shape (n,); the filter restarts after every gap."""
    fs = recording.fs
    share = one_pole_coefficient(high_pass_time_s(min(HIGH_PASS_HZ, 0.2 * fs), fs), fs)
    return np.concatenate(
        [remove_slow(recording.samples[start:stop], np.zeros(2), share) for start, stop in recording.stretches()]
    )


def mark_quiet(recording: Recording, *, taps_only: bool = False, after_s: float = QUIET_AFTER_S) -> BoolArray:
    """Which samples are not from 50 ms before to `after_s` after a label (with `taps_only`, a tap), shape (n,)."""
    times_s = recording.times_s(np.arange(recording.samples.size))
    quiet = np.ones(times_s.size, dtype=bool)
    for label in recording.labels or ():
        if label.kind == TAP or not taps_only:
            first, last = np.searchsorted(times_s, [label.onset_s - QUIET_BEFORE_S, label.onset_s + after_s])
            quiet[first:last] = False
    return quiet


def measure_tap_decays(recording: Recording, volts: FloatArray) -> FloatArray:
    """T60 in seconds of each tap that `measure_decays` can measure."""
    decays_s = measure_decays(recording, volts, recording.taps_s)
    return decays_s[np.isfinite(decays_s)]


def measure_decays(recording: Recording, volts: FloatArray, onsets_s: FloatArray) -> FloatArray:
    """T60 in seconds of each event that rings for long enough before the next label, a gap or the end; nan of others.

    From T20, or the early decay where T20 cannot be measured (ISO 3382-1); `volts` are what `remove_sway` gives. The
    noise away from labels counts as half a count at least: the error of a rest of one or two counts.
    """
    fs, times_s = recording.fs, recording.times_s(np.arange(volts.size))
    quiet = volts[mark_quiet(recording)]
    rounding_power = 0.25 * max(0.0, find_step_v(recording)) ** 2
    noise_power = max(rounding_power, float(np.mean(quiet**2)) if quiet.size else 0.0)
    labels_s = [label.onset_s for label in recording.labels or ()]
    edges = np.array([*np.searchsorted(times_s, labels_s), *(gap.sample for gap in recording.gaps), volts.size])
    found = np.full(onsets_s.size, np.nan)
    for number, onset in enumerate(np.searchsorted(times_s, onsets_s)):
        stop = min(int(edges[edges > onset].min(initial=volts.size)), onset + seconds_to_samples(RINGING_S, fs))
        if stop - onset < MIN_RINGING_S * fs:
            continue
        top = onset + int(np.argmax(np.abs(volts[onset : onset + seconds_to_samples(PEAK_S, fs, at_least=1)])))
        curve = compute_decay_curve(volts[top:stop], fs, noise_power=noise_power)
        times = (curve.compute_time(name) for name in ("t20", "edt"))
        found[number] = next((time.t60_s for time in times if not time.reason and time.t60_s > 0), np.nan)
    return found
