"""The numbers of the decoder evidence: timing of hands, and how candidates are weighed."""

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tapsig.core import load
from tapsig.core.context import ContextNode, place_trees, read_node
from tapsig.units import check_range

WITHIN_BINS, BETWEEN_BINS, TEMPOS = 32, 48, 12
WORK_A_STEP, SLOW_WORK_A_STEP = 28, 10
"""Of a comparison, in a millisecond of a controller at 16 MHz, and of a slower one."""
NAT = 64  # steps of a score
TABLE_NAT = 16  # steps of a table
BINS_PER_OCTAVE = 16
_BIN = math.log(2.0) / BINS_PER_OCTAVE


def bin_of(ms: float) -> int:
    """The core's bin of a time: 16 log2(ms), the fraction linear between octaves.

    >>> bin_of(256), bin_of(384)
    (128, 136)
    """
    octave = math.floor(math.log2(ms))
    return BINS_PER_OCTAVE * octave + math.floor((ms / 2.0**octave - 1.0) * BINS_PER_OCTAVE)


@dataclass(frozen=True, slots=True)
class EvidenceModel:
    """Timing of hands, and how candidates are weighed.

    Parameters
    ----------
    gap_s, gap_prior_spread : median of the tempo within digits over hands, and its spread in nats (log-normal).
    gap_spread, pause_s, pause_spread : spread of one hand's gaps around its tempo; median and spread of the pauses
        between digits (log-normal).
    gap_stray, pause_stray : share of gaps that follow no rhythm.
    gap_gain, pause_gain : log-likelihood ratio of a gap right on the tempo, or on the median of pauses, in nats.
    context_base, context : base, in 1/64 nat, and trees that give the log-odds of a candidate among the others of its
        entry (context.h); without trees the detector's log-odds count.
    weight, bias : these log-odds times `weight` plus `bias`, in nats.
    other_length : what a series loses that has another number of digits than the code, in nats.
    no_taps : log-odds of no taps at all before anything is heard, in nats; a series that is no likelier is none. Rain
        or an engine raise many more entries than a person: wrong entries in a row beyond the free ones raise it, up to
        four times.
    likely : log-odds of the detector from which a candidate opens an entry and keeps it open.
    open_span : how far below the best of the entry, in nats, a candidate still keeps it open.
    least : candidates below are not kept.
    lead_s : kept from before the candidate that opens an entry.
    least_gap_s : between two taps of one hand.
    least_gain : candidates that would add less to a series are in none, in nats.

    Raises ParameterError for a number out of its range, or a tree that the core cannot hold.
    """

    gap_s: float = 0.29
    gap_prior_spread: float = 0.4
    gap_spread: float = 0.1
    gap_stray: float = 0.01
    gap_gain: float = 1.0
    pause_s: float = 1.6
    pause_spread: float = 0.25
    pause_stray: float = 0.003
    pause_gain: float = 0.0
    context_base: int = 0
    context: tuple[ContextNode, ...] = field(default=(), repr=False)
    weight: float = 1.0
    bias: float = 0.0
    other_length: float = 1.0
    no_taps: float = 0.0
    likely: float = 0.0
    open_span: float = 15.9
    least: float = -4.5
    lead_s: float = 3.0
    least_gap_s: float = 0.1
    least_gain: float = -2.0

    def __post_init__(self) -> None:
        limits = {
            "gap_s": (0.05, 1.0),
            "gap_prior_spread": (0.01, 10.0),
            "gap_spread": (0.01, 1.0),
            "gap_stray": (1e-6, 0.5),
            "gap_gain": (-4.0, 4.0),
            "pause_s": (0.2, 3.0),
            "pause_spread": (0.01, 2.0),
            "pause_stray": (1e-6, 0.5),
            "pause_gain": (-4.0, 4.0),
            "context_base": (-(2**14), 2**14),
            "weight": (0.0625, 15.9),
            "bias": (-20.0, 20.0),
            "other_length": (0.0, 20.0),
            "no_taps": (0.0, 50.0),
            "likely": (-5.0, 10.0),
            "open_span": (0.0, 15.9),
            "least": (-20.0, 20.0),
            "lead_s": (0.0, 30.0),
            "least_gap_s": (0.001, 1.0),
            "least_gain": (-7.9, 0.0),
        }
        for name, (low, high) in limits.items():
            check_range(name, getattr(self, name), low, high)
        object.__setattr__(self, "context", tuple(read_node(tree) for tree in self.context))
        place_trees(self.context)

    def fill(self, config: Any, silence_s: float) -> Any:
        """Write the tables into a `tapsig_evidence_config` of cffi; keep what is returned as long as the struct."""

        def table(values: np.ndarray[Any, Any]) -> Any:
            return new("int8_t[]", np.clip(np.round(values * TABLE_NAT), -127, 127).astype(int).tolist())

        def bell(distance: np.ndarray[Any, Any], spread: float, stray: float) -> np.ndarray[Any, Any]:
            return np.log((1.0 - stray) * np.exp(-0.5 * (distance / spread) ** 2) + stray)

        new = load()[0].new
        first, step = bin_of(140), 3
        config.first_tempo, config.tempo_step, config.first_bin = first, step, bin_of(500)
        within = table(self.gap_gain + bell(np.arange(WITHIN_BINS) * _BIN, self.gap_spread, self.gap_stray))
        pauses = (np.arange(BETWEEN_BINS) + config.first_bin + 0.5 - bin_of(self.pause_s * 1000)) * _BIN
        between = table(self.pause_gain + bell(pauses, self.pause_spread, self.pause_stray))
        tempos = (first + step * np.arange(TEMPOS) - bin_of(self.gap_s * 1000)) * _BIN
        tempo = table(-0.5 * (tempos / self.gap_prior_spread) ** 2)
        config.within, config.between, config.tempo = within, between, tempo
        nodes, config.context.size = place_trees(self.context)
        config.context.nodes, config.context.base = nodes, self.context_base
        config.work_a_step = WORK_A_STEP
        config.weight_q4 = round(self.weight * 16)
        config.bias, config.likely_score = round(self.bias * NAT), round(self.likely * TABLE_NAT) * 4
        config.open_span = round(self.open_span * TABLE_NAT)
        config.least_score, config.other_length = round(self.least * NAT), round(self.other_length * NAT)
        config.no_taps = round(self.no_taps * NAT)
        config.least_gap_ms, config.lead_ms = round(self.least_gap_s * 1000), round(self.lead_s * 1000)
        config.silence_ms, config.least_gain = round(silence_s * 1000), round(self.least_gain * TABLE_NAT)
        return nodes, within, between, tempo
