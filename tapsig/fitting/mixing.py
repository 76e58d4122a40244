"""Mixtures of an owner's taps, recorded in quiet, with recordings of disturbances without taps.

A sensor is linear, so the sum of two recordings of one disc is its response to both at once; only the converter's noise
counts twice. Recordings are mixed if they have the same position, rate and converter.
"""

import itertools
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tapsig.converter import Converter
from tapsig.records import TAP, Label, Recording
from tapsig.units import db_to_amplitude

PIECE_S = 30.0
"""Duration of a piece; a mixture is made of one piece with taps and one without, from the same fold."""
SHORTEST_S = 2.0
GAIN_DB = 4.0
"""Standard deviation of the taps' gain, since force varies with surroundings (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Piece:
    """Part of a recording, and its fold."""

    recording: Recording
    fold: int


def cut_pieces(recordings: Iterable[Recording], folds: int) -> list[Piece]:
    """Cut each gap-free stretch into pieces of about PIECE_S and assign them to the folds in turn.

    Files with taps and files without are counted apart, so that a fold has both to mix. Cuts are at least 0.5 s from
    labelled taps if possible.
    """
    pieces: list[Piece] = []
    files: tuple[dict[str, int], dict[str, int]] = {}, {}
    for number, recording in enumerate(recordings):
        of_kind = files[recording.taps_s.size > 0]
        file = of_kind.setdefault(recording.source or str(number), len(of_kind))  # its channels record the same taps
        for start, stop in recording.stretches():
            begin_s = float(recording.times_s(np.array([start]))[0])
            taps_s = recording.taps_s - begin_s
            length_s = (stop - start) / recording.fs
            count = max(1, round(length_s / PIECE_S), min(folds, int(length_s / 6.0)))
            edges = [_clear_of_taps(length_s * k / count, taps_s, length_s) for k in range(1, count)]
            bounds = [0.0, *sorted(edges), length_s]
            for k, (first_s, last_s) in enumerate(itertools.pairwise(bounds)):
                if 0.0 < last_s - first_s >= min(SHORTEST_S, length_s):
                    first_s, last_s = (
                        begin_s + round(at_s * recording.fs) / recording.fs for at_s in (first_s, last_s)
                    )
                    pieces.append(Piece(recording[first_s:last_s], (file + k) % folds))
    return pieces


def _clear_of_taps(edge_s: float, taps_s: np.ndarray, length_s: float) -> float:
    """The time within 2 s of `edge_s` that is farthest from any tap, the nearest to `edge_s` of equal ones."""
    times = edge_s + np.linspace(-2.0, 2.0, 81)
    times = times[(times > 0.0) & (times < length_s)]
    if not taps_s.size or not times.size:
        return edge_s
    distance = np.minimum(np.abs(times[:, None] - taps_s[None, :]).min(axis=1), 0.5)
    return float(times[np.lexsort((np.abs(times - edge_s), -distance))[0]])


def mix_pieces(pieces: Sequence[Piece], rng: np.random.Generator, *, most: int) -> Iterator[Piece]:
    """At most `most` mixtures of a piece with taps and one without, of one fold and one `disc`."""
    tapped = [piece for piece in pieces if piece.recording.taps_s.size]
    free = [piece for piece in pieces if not piece.recording.taps_s.size]
    pairs = [
        (one, other)
        for one in tapped
        for other in free
        if one.fold == other.fold and disc(one.recording) == disc(other.recording)
    ]
    for index in rng.permutation(len(pairs))[:most]:
        one, other = pairs[index]
        yield Piece(_mix(one.recording, other.recording, rng), one.fold)


def disc(recording: Recording) -> tuple[object, ...]:
    """Key that is equal for recordings of one disc: position, rate and converter."""
    return recording.vehicle, recording.position, round(recording.fs, 1), recording.range_v, recording.adc_bits


def _mix(tapped: Recording, free: Recording, rng: np.random.Generator) -> Recording:
    size = min(tapped.samples.size, free.samples.size)
    first = int(rng.integers(free.samples.size - size + 1))
    taps = tapped.samples[:size] - np.median(tapped.samples)
    samples = free.samples[first : first + size] + db_to_amplitude(rng.normal(0.0, GAIN_DB)) * taps
    converter = Converter.of(tapped)
    volts = converter.to_volts(converter.to_counts(samples))
    labels = tuple(Label(onset, TAP) for onset in tapped.taps_s.tolist() if onset < size / tapped.fs)
    return replace(tapped, samples=volts, labels=labels, source=f"{tapped.source} + {free.source}")
