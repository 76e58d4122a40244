"""Run the core's `evidence`: candidates in, entries with their most likely series out."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np

from tapsig.core import load
from tapsig.errors import ParameterError
from tapsig.units import check_range

KEPT = 64
"""Candidates of one entry, and taps of a code, at most (evidence.h)."""
CODE_DIGITS = 16
WITHIN_BINS, BETWEEN_BINS, LIKENESS_BINS, TEMPOS = 32, 48, 32, 12
NAT = 64  # steps of a score
TABLE_NAT = 16  # steps of a table
BINS_PER_OCTAVE = 16
_BIN = math.log(2.0) / BINS_PER_OCTAVE
_NONE = 255
UNREACHED = -(2**15)


def bin_of(ms: float) -> int:
    """The core's bin of a time: 16 log2(ms), the fraction linear between octaves.

    >>> bin_of(256), bin_of(384)
    (128, 136)
    """
    octave = math.floor(math.log2(ms))
    return BINS_PER_OCTAVE * octave + math.floor((ms / 2.0**octave - 1.0) * BINS_PER_OCTAVE)


@dataclass(frozen=True, slots=True)
class EvidenceModel:
    """Timing of hands, likeness of their blows, and how candidates are weighed.

    Parameters
    ----------
    gap_s, gap_prior_spread : median of the tempo within digits over hands, and its spread in nats (log-normal).
    gap_spread, pause_s, pause_spread : spread of one hand's gaps around its tempo; median and spread of the pauses
        between digits (log-normal).
    gap_stray, pause_stray : share of gaps that follow no rhythm.
    gap_gain, pause_gain : log-likelihood ratio of a gap right on the tempo, or on the median of pauses, in nats.
    likeness : log-likelihood ratio that two candidates are blows of one hand, by the mean difference of their shapes, in
        levels (0.376 dB) from 0 to 31, in nats.
    weight, bias : the log-odds of each candidate times `weight` plus `bias`, in nats.
    likely : log-odds from which a candidate opens an entry and keeps it open.
    least, highest : candidates below are not kept; log-odds count no more than this.
    lead_s : kept from before the candidate that opens an entry.
    least_gap_s : between two taps of one hand.

    Raises ParameterError for a number out of its range.
    """

    gap_s: float = 0.29
    gap_prior_spread: float = 0.4
    gap_spread: float = 0.1
    gap_stray: float = 0.01
    gap_gain: float = 0.5
    pause_s: float = 1.6
    pause_spread: float = 0.25
    pause_stray: float = 0.003
    pause_gain: float = 0.0
    likeness: tuple[float, ...] = (0.0,) * LIKENESS_BINS
    difference_cap: int = 32
    weight: float = 1.0
    bias: float = 0.0
    likely: float = 0.5
    least: float = -5.0
    highest: float = 5.0
    lead_s: float = 3.0
    least_gap_s: float = 0.1

    def __post_init__(self) -> None:
        limits = {
            "gap_s": (0.05, 1.0), "gap_prior_spread": (0.01, 10.0), "gap_spread": (0.01, 1.0), "gap_stray": (1e-6, 0.5),
            "gap_gain": (-4.0, 4.0), "pause_s": (0.2, 3.0), "pause_spread": (0.01, 2.0), "pause_stray": (1e-6, 0.5),
            "pause_gain": (-4.0, 4.0), "difference_cap": (1, 255), "weight": (0.0625, 15.9), "bias": (-20.0, 20.0), "likely": (-20.0, 20.0),
            "least": (-20.0, 20.0), "highest": (0.0, 20.0), "lead_s": (0.0, 30.0), "least_gap_s": (0.001, 1.0),
        }  # fmt: skip
        for name, (low, high) in limits.items():
            check_range(name, getattr(self, name), low, high)
        if len(self.likeness) != LIKENESS_BINS or not all(-7.9 <= value <= 7.9 for value in self.likeness):
            raise ParameterError(f"likeness is {str(self.likeness)[:60]}; it must be {LIKENESS_BINS} numbers from -7.9 to 7.9")

    def fill(self, config: Any, silence_s: float) -> None:
        """Write the tables into a `tapsig_evidence_config` of cffi."""
        def table(values: np.ndarray[Any, Any]) -> list[int]:
            return np.clip(np.round(values * TABLE_NAT), -127, 127).astype(int).tolist()

        def bell(distance: np.ndarray[Any, Any], spread: float, stray: float) -> np.ndarray[Any, Any]:
            return np.log((1.0 - stray) * np.exp(-0.5 * (distance / spread) ** 2) + stray)

        first, step = bin_of(140), 3
        config.first_tempo, config.tempo_step, config.first_bin = first, step, bin_of(500)
        config.within = table(self.gap_gain + bell(np.arange(WITHIN_BINS) * _BIN, self.gap_spread, self.gap_stray))
        pauses = (np.arange(BETWEEN_BINS) + config.first_bin + 0.5 - bin_of(self.pause_s * 1000)) * _BIN
        config.between = table(self.pause_gain + bell(pauses, self.pause_spread, self.pause_stray))
        tempos = (first + step * np.arange(TEMPOS) - bin_of(self.gap_s * 1000)) * _BIN
        config.tempo = table(-0.5 * (tempos / self.gap_prior_spread) ** 2)
        config.likeness = table(np.array(self.likeness))
        config.difference_cap = self.difference_cap
        config.weight_q4 = round(self.weight * 16)
        config.bias, config.likely_score = round(self.bias * NAT), round(self.likely * NAT)
        config.least_score, config.highest_score = round(self.least * NAT), round(self.highest * NAT)
        config.least_gap_ms, config.lead_ms = round(self.least_gap_s * 1000), round(self.lead_s * 1000)
        config.silence_ms = round(silence_s * 1000)
