"""Chance that a tapped code opens, from the timing of the hand and the detector's error rates."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from tapsig.entry import EntryParameters, check_code, decode_taps
from tapsig.errors import ParameterError
from tapsig.units import FloatArray, check_positive, check_range


@dataclass(frozen=True, slots=True)
class HandTiming:
    """Timing of a hand. Gaps, pauses and the tempo of each entry are log-normal around their medians.

    A steady hand's gaps vary by 3 to 6 % (Wing & Kristofferson 1973, from memory); the other values are assumptions.
    """

    gap_s: float = 0.4
    gap_spread: float = 0.06
    pause_s: float = 1.7
    pause_spread: float = 0.15
    tempo_spread: float = 0.15

    def __post_init__(self) -> None:
        check_positive("gap_s", self.gap_s)
        check_positive("pause_s", self.pause_s)
        for name in ("gap_spread", "pause_spread", "tempo_spread"):
            check_range(name, getattr(self, name), 0, 2)

    def draw_taps(self, code: Sequence[int], rng: np.random.Generator) -> FloatArray:
        """Onsets in seconds of one entry of `code`, the first at 0, shape (sum of the digits,)."""
        is_pause = np.zeros(sum(code) - 1, dtype=bool)
        is_pause[np.cumsum(code[:-1], dtype=int) - 1] = True
        median = np.where(is_pause, self.pause_s, self.gap_s)
        spread = np.where(is_pause, self.pause_spread, self.gap_spread)
        tempo = self.tempo_spread * rng.standard_normal()
        gaps = median * np.exp(spread * rng.standard_normal(median.size) + tempo)
        return np.concatenate([[0.0], np.cumsum(gaps)])

    def compute_entry_s(self, length: int, digit_max: int) -> float:
        """Mean duration of a random code with digits from 1 to `digit_max`: the sum of the means of its gaps.

        >>> hand = HandTiming(gap_s=0.5, pause_s=2.0, gap_spread=0, pause_spread=0, tempo_spread=0)
        >>> hand.compute_entry_s(3, 9)  # 3 digits of 5 taps on average: 3 * 4 gaps, 2 pauses
        10.0
        """
        gap = self.gap_s * math.exp((self.gap_spread**2 + self.tempo_spread**2) / 2)
        pause = self.pause_s * math.exp((self.pause_spread**2 + self.tempo_spread**2) / 2)
        return length * (digit_max - 1) / 2 * gap + (length - 1) * pause


@dataclass(frozen=True, slots=True)
class TapChannel:
    """A detector that finds each tap with chance `tap_recall` and adds false taps at the rate `false_taps_per_s`."""

    tap_recall: float
    false_taps_per_s: float = 0.0

    def __post_init__(self) -> None:
        check_range("tap_recall", self.tap_recall, 0, 1)
        check_range("false_taps_per_s", self.false_taps_per_s, 0, 1e6)

    def transmit(self, taps_s: FloatArray, around_s: float, rng: np.random.Generator) -> FloatArray:
        """The detected taps, and false ones up to `around_s` before the first and after the last tap, sorted."""
        found = taps_s[rng.random(taps_s.size) < self.tap_recall]
        start, stop = float(taps_s[0]) - around_s, float(taps_s[-1]) + around_s
        false = rng.uniform(start, stop, rng.poisson(self.false_taps_per_s * (stop - start)))
        return np.sort(np.concatenate([found, false]))


def compute_success(code: Sequence[int], channel: TapChannel, hand: HandTiming, parameters: EntryParameters) -> float:
    """Chance that an entry of `code` is decoded correctly: every gap is classified correctly and every tap detected.

    Given the tempo, gaps are independent and log-normal; the tempo is integrated out. A false tap spoils an entry from
    one silence before it to one silence after it, at its mean length. The case of a lost tap that a false one replaces
    is neglected. Raises ParameterError for a tolerance: simulate it instead.
    """
    if parameters.tolerance:
        raise ParameterError("tolerance is not 0: the digit pause depends on the hand; use simulate_successes")
    digits = check_code(code, digit_max=parameters.digit_max)
    # An even grid: where gaps hardly vary, the integrand is nearly a step, which Gauss nodes resolve worse.
    deviations = np.linspace(-6.0, 6.0, 2001)
    weights = np.exp(-(deviations**2) / 2)
    tempo = hand.tempo_spread * deviations
    gaps, pauses = sum(digits) - len(digits), len(digits) - 1

    def share_below(limit_s: float, median_s: float, spread: float) -> FloatArray:
        distance = math.log(limit_s / median_s) - tempo
        below = special.ndtr(distance / spread) if spread else (distance >= 0).astype(np.float64)
        return np.asarray(below, dtype=np.float64)

    within = share_below(parameters.digit_pause_s, hand.gap_s, hand.gap_spread)
    between = share_below(parameters.entry_silence_s, hand.pause_s, hand.pause_spread)
    between = between - share_below(parameters.digit_pause_s, hand.pause_s, hand.pause_spread)
    gap = hand.gap_s * math.exp(hand.gap_spread**2 / 2)
    pause = hand.pause_s * math.exp(hand.pause_spread**2 / 2)
    span = (gaps * gap + pauses * pause) * np.exp(tempo) + 2 * parameters.entry_silence_s
    right = within**gaps * between**pauses * np.exp(-channel.false_taps_per_s * span)
    return float(weights @ right / weights.sum()) * channel.tap_recall ** sum(digits)


def simulate_successes(
    codes: Sequence[Sequence[int]],
    channel: TapChannel,
    hand: HandTiming,
    parameters: EntryParameters,
    *,
    tries: int,
    rng: np.random.Generator,
) -> int:
    """Number of `tries` entries that are decoded as tapped; `codes` are used in turn.

    Each simulated entry, with twice the entry silence before and after it, runs through the awake entry machine.
    """
    around_s = 2 * parameters.entry_silence_s
    checked = [check_code(code, digit_max=parameters.digit_max) for code in codes]
    successes = 0
    for index in range(tries):
        code = checked[index % len(checked)]
        taps_s = hand.draw_taps(code, rng)
        found_s = channel.transmit(taps_s, around_s, rng) + around_s
        successes += any(entry.digits == code for entry in decode_taps(found_s, parameters))
    return successes
