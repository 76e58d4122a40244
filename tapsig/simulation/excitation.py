"""Excitations of a door: short contacts, continuous forces, touching hands, and electrical pick-up.

Sources (road, weather, cabin) return an Excitation in physical units; `scene` joins them and simulates the response.
"""

import math
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from tapsig.errors import ParameterError
from tapsig.records import Label
from tapsig.units import BoolArray, FloatArray, IntArray

Place = tuple[str, float, float]  # part, and position on it as fractions of its sides


def random_stream(seed: int, *words: str) -> np.random.Generator:
    """An independent random generator for each purpose, so that the draws of one source do not change another's.

    >>> a, b = random_stream(7, "rain"), random_stream(7, "wind")
    >>> bool(a.random() == random_stream(7, "rain").random()), bool(a.random() == b.random())
    (True, False)
    """
    if not isinstance(seed, (int, np.integer)) or not 0 <= seed < 2**63:
        raise ParameterError(f"seed is {seed!r}; it must be a whole number from 0 up")
    keys = tuple(zlib.crc32(word.encode()) for word in words)
    return np.random.default_rng(np.random.SeedSequence(int(seed), spawn_key=keys))


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """One draw from the log-uniform distribution between `low` and `high`."""
    return math.exp(rng.uniform(math.log(low), math.log(high)))


def log_uniforms(rng: np.random.Generator, low: float, high: float, count: int) -> FloatArray:
    """`count` draws of `log_uniform`."""
    return np.asarray(np.exp(rng.uniform(math.log(low), math.log(high), count)))


def scatter_places(part: str, rng: np.random.Generator, count: int, *, margin: float) -> tuple[Place, ...]:
    """Random places on a part, at least `margin` (a fraction of the sides) from its edges."""
    return tuple((part, float(x), float(y)) for x, y in rng.uniform(margin, 1.0 - margin, (count, 2)))


def label_onsets(onsets_s: Iterable[float], kind: str) -> tuple[Label, ...]:
    """One label of this kind at each onset."""
    return tuple(Label(float(onset), kind) for onset in onsets_s)


@dataclass(frozen=True, slots=True)
class Impacts:
    """Half-sine contacts of one kind: onset (s), contact time (s), peak force (N), index into `places`.

    `named` marks those that get a label; True: all, False: none.
    """

    kind: str
    onset_s: FloatArray
    duration_s: FloatArray
    force_n: FloatArray
    place: IntArray
    places: tuple[Place, ...]
    named: BoolArray | bool = True

    @classmethod
    def at(
        cls,
        place: Place,
        kind: str,
        onset_s: FloatArray,
        duration_s: FloatArray,
        force_n: FloatArray,
        *,
        named: BoolArray | bool = True,
    ) -> "Impacts":
        """Contacts that are all at one place."""
        return cls(kind, onset_s, duration_s, force_n, np.zeros(onset_s.size, np.int64), (place,), named)

    def labels(self) -> tuple[Label, ...]:
        """One label at the onset of each named contact."""
        return label_onsets(self.onset_s[np.broadcast_to(self.named, self.onset_s.shape)], self.kind)


@dataclass(frozen=True, slots=True)
class Drive:
    """A continuous force: newtons over time, distributed over `places` with `weights`."""

    newtons: FloatArray
    places: tuple[Place, ...]
    weights: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Touch:
    """A hand on the structure from `start_s` to `stop_s`: a dashpot of `damping_ns_m` at a place."""

    start_s: float
    stop_s: float
    place: Place
    damping_ns_m: float


@dataclass(frozen=True, slots=True)
class LoosePart:
    """A loose part (strap end, key) on a soft spring beside the structure; it strikes at `place` when the gap closes.

    `stiffness_n_m` and `damping_ns_m` describe the contact; `rest_m` is the gap at rest (negative: preloaded); `pull`
    is its acceleration (m/s², shape (n,)) in addition to the door's motion.
    """

    mass_kg: float
    swing_hz: float
    swing_zeta: float
    rest_m: float
    stiffness_n_m: float
    damping_ns_m: float
    place: Place
    pull: FloatArray

    def as_array(self) -> FloatArray:
        """Its numbers as the compiled loop takes them."""
        swing = 2.0 * math.pi * self.swing_hz
        drag = 2.0 * self.swing_zeta * swing
        return np.array([self.mass_kg, swing**2, drag, self.rest_m, self.stiffness_n_m, self.damping_ns_m])


@dataclass(frozen=True, slots=True)
class Excitation:
    """All excitations by one source.

    `base` is the acceleration of the door's mounts in m/s², shape (n,); `pickup` is the electrical interference at
    every input, as a fraction of full scale, shape (n,). None = no such excitation.
    """

    impacts: tuple[Impacts, ...] = ()
    drives: tuple[Drive, ...] = ()
    touches: tuple[Touch, ...] = ()
    base: FloatArray | None = None
    pickup: FloatArray | None = None
    loose: LoosePart | None = None
    labels: tuple[Label, ...] = ()


@dataclass(frozen=True, slots=True)
class Span:
    """Settings of a source: duration in seconds, sample rate of the simulation in Hz, strength (1 = typical)."""

    duration_s: float
    fs: float
    strength: float = 1.0

    @property
    def samples(self) -> int:
        return round(self.duration_s * self.fs)

    @property
    def times_s(self) -> FloatArray:
        return np.arange(self.samples) / self.fs


def join_excitations(parts: Sequence[Excitation]) -> Excitation:
    """The sum of `parts`. At most one may hold a loose part; raises ParameterError otherwise."""
    loose = [part.loose for part in parts if part.loose is not None]
    if len(loose) > 1:
        raise ParameterError("two sources hold a loose part; a door can be simulated with one")

    def total(signals: list[FloatArray]) -> FloatArray | None:
        return np.sum(signals, axis=0) if signals else None

    return Excitation(
        tuple(impacts for part in parts for impacts in part.impacts),
        tuple(drive for part in parts for drive in part.drives),
        tuple(touch for part in parts for touch in part.touches),
        total([part.base for part in parts if part.base is not None]),
        total([part.pickup for part in parts if part.pickup is not None]),
        loose[0] if loose else None,
        tuple(label for part in parts for label in part.labels),
    )


def sample_half_sines(
    onset_s: FloatArray, duration_s: FloatArray, force_n: FloatArray, fs: float
) -> tuple[IntArray, IntArray, IntArray, FloatArray]:
    """Half-sine pulses as means over each sampling interval, which keeps every impulse exact.

    Returns first sample, number of samples and offset of each pulse, and all values one after the other.

    >>> start, length, offset, values = sample_half_sines(np.array([0.5]), np.array([0.001]), np.array([10.0]), 8000)
    >>> round(float(values.sum() / 8000 / (10 * 0.001 * 2 / np.pi)), 9)
    1.0
    """
    starts = np.floor(onset_s * fs).astype(np.int64)
    lengths = np.ceil((onset_s + duration_s) * fs).astype(np.int64) - starts
    offsets = np.concatenate(([0], np.cumsum(lengths)))[:-1].astype(np.int64)
    owner = np.repeat(np.arange(starts.size), lengths)
    left = (starts[owner] + np.arange(owner.size) - offsets[owner]) / fs
    begin = np.clip((left - onset_s[owner]) / duration_s[owner], 0.0, 1.0)
    end = np.clip((left + 1.0 / fs - onset_s[owner]) / duration_s[owner], 0.0, 1.0)
    values = force_n[owner] * duration_s[owner] / np.pi * (np.cos(np.pi * begin) - np.cos(np.pi * end)) * fs
    return starts, lengths, offsets, values
