"""Test vectors of an export: counts with the intermediate value after each, and what the C prints for them."""

from collections.abc import Sequence

import numpy as np

from tapsig.converter import Converter
from tapsig.entry import EntryParameters
from tapsig.exporting.chain import CLOCK_HZ, Chain, Prepared
from tapsig.units import FloatArray, IntArray

BLOWS = ((0.25, 0.2), (0.45, 0.1), (0.70, 0.3), (1.0, 1.5), (1.2, 0.9))
"""Onset in seconds, and amplitude over half the full scale: the last two clip."""
NOISE = 0.0008
SEEDS = 20
VERDICT_S = 8.0
"""On evidence, the work on a verdict takes longer than on few candidates, and longer still at a slow clock."""


def plan_entries(code: Sequence[int], entry: EntryParameters, start_s: float) -> list[float]:
    """Onsets in seconds of the right code and of one with another last digit, each after an entry's silence."""
    longest = entry.pause_bounds_s[1] if entry.tolerance else entry.digit_pause_s
    tap_s = 0.3 * entry.digit_pause_s
    rest_s = 0.9 * longest + 0.1 * entry.entry_silence_s - tap_s  # ends a digit, and no entry
    onsets, now = [], start_s
    other = code[-1] - 1 if code[-1] == entry.digit_max > 1 else code[-1] + 1
    for digits in (code, (*code[:-1], other)):
        now += entry.entry_silence_s - rest_s
        for digit in digits:
            now += rest_s
            for _ in range(digit):
                onsets.append(now)
                now += tap_s
    return onsets


def make_stimulus(
    converter: Converter,
    fs: float,
    *,
    code: Sequence[int] = (),
    entry: EntryParameters | None = None,
    seed: int = 1,
    verdict_s: float = 0.5,
) -> IntArray:
    """Counts of a test vector: noise, and blows that ring at two frequencies; five, then those of the entries.

    It ends `verdict_s` after the silence that ends the last entry.
    """
    entry, blows, end_s, rng = entry or EntryParameters(), list(BLOWS), 1.5, np.random.default_rng(seed)
    if code:
        level, onsets = rng.uniform(0.1, 0.7), plan_entries(code, entry, end_s)
        blows += [(onset, level) for onset in onsets]
        end_s = onsets[-1] + entry.entry_silence_s + verdict_s
    signal = rng.normal(0.0, NOISE, round(end_s * fs))
    for onset, level in blows:
        first = int(np.ceil(onset * fs))
        part = signal[first : first + round(fs / 2)]
        part += level * _ring((first + np.arange(part.size)) / fs - onset)
    middle, steps = 1 << (converter.adc_bits - 1), 1 << converter.adc_bits
    return np.clip(np.floor(middle + signal * middle + 0.5), 0, steps - 1).astype(np.int64)


def _ring(since_s: FloatArray) -> FloatArray:
    return (np.sin(2 * np.pi * 170 * since_s) + 0.6 * np.sin(2 * np.pi * 310 * since_s)) * np.exp(-since_s / 0.03)


def render_vectors(prepared: Prepared) -> tuple[str, str]:
    """Test vectors: the intermediate value after each count, with the count last, as replay.c reads it; the events.

    With a code, of SEEDS stimuli the first in which the detector hears the right code and a wrong one, else the last.
    """
    verdict_s = 0.5 if prepared.judge is None else VERDICT_S * max(1.0, CLOCK_HZ / prepared.clock_hz)
    for seed in range(1, SEEDS + 1):
        counts = make_stimulus(
            prepared.converter,
            prepared.fs,
            code=prepared.code,
            entry=prepared.parameters,
            seed=seed,
            verdict_s=verdict_s,
        )
        events = list(Chain(prepared).lines(counts))
        verdicts = [line.split(",")[0] for line in events if not line.startswith("tap")]
        if not prepared.code or verdicts[-2:] == ["accepted", "wrong"]:
            break
    chain, values = Chain(prepared), ["probe,count"]
    for count in counts.tolist():
        chain.push(count)
        values.append(f"{chain.probe()},{count}")
    return "\n".join(values) + "\n", "\n".join(["event,sample,onset_sample", *events]) + "\n"
