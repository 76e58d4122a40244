"""Contacts: half-sine pulses and their spectrum, Hertz contact, and how people tap."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from tapsig.errors import ParameterError
from tapsig.simulation.excitation import Excitation, Impacts, Place, Touch, log_uniform
from tapsig.units import FloatArray

# Contact time (s) and peak force (N), log-uniform between the two. Fingertip force transients last under 5 ms
# (Jindrich et al. 2003); knuckle 1–8 ms, 2–40 N: common practice, no source; nail and key: invented.
TAP_KINDS: Mapping[str, tuple[tuple[float, float], tuple[float, float]]] = {
    "knuckle": ((1.2e-3, 5e-3), (5.0, 28.0)),
    "fingertip": ((3e-3, 5e-3), (1.5, 6.0)),
    "nail": ((0.25e-3, 0.8e-3), (2.0, 8.0)),
    "key": ((0.15e-3, 0.5e-3), (3.0, 20.0)),
}
DIGIT_PAUSE_S = (1.2, 1.9)
ENTRY_SILENCE_S = 3.2  # slightly longer than the 3 s that end an entry


@dataclass(frozen=True, slots=True)
class Tapper:
    """One person on one occasion.

    `interval_s` is the mean interval between taps and `cv` its coefficient of variation; `force_n` the median peak
    force and `force_spread` the standard deviation of its logarithm; `wander` the scatter of taps about the spot
    (fractions of the sides); `rebound` the chance of a light second contact; `rest_s` the range of times that the hand
    stays on the panel; `buzz` the response of a loose trim clip, as a fraction of the force.
    """

    kind: str
    interval_s: float
    cv: float
    contact_s: float
    force_n: float
    force_spread: float
    wander: float
    rebound: float
    place: Place
    rest_s: tuple[float, float]
    buzz: float

    @classmethod
    def draw(cls, rng: np.random.Generator, places: Sequence[Place], *, kind: str | None = None) -> "Tapper":
        """A random person; taps at the first of `places` (the usual spot) with chance 3/4, rarely at later ones."""
        if kind is None:
            kind = str(rng.choice(list(TAP_KINDS), p=[0.82, 0.08, 0.05, 0.05]))
        if kind not in TAP_KINDS:
            raise ParameterError(f"kind is {kind!r}; there are: {', '.join(TAP_KINDS)}")
        contact, force = (log_uniform(rng, *limits) for limits in TAP_KINDS[kind])
        part, x, y = places[min(int(rng.geometric(0.75)), len(places)) - 1]
        shift = rng.uniform(-0.05, 0.05, 2)
        place = (part, float(np.clip(x + shift[0], 0.03, 0.97)), float(np.clip(y + shift[1], 0.03, 0.97)))
        stays = (0.02, rng.uniform(0.03, 0.15)) if rng.random() < 0.4 else (0.0, 0.0)
        interval_s, cv = rng.uniform(0.18, 0.45), rng.uniform(0.03, 0.08)
        spread, wander, rebound = rng.uniform(0.08, 0.3), rng.uniform(0.005, 0.03), rng.uniform(0.0, 0.15)
        buzz = log_uniform(rng, 0.01, 0.08) if rng.random() < 0.2 else 0.0
        return cls(kind, interval_s, cv, contact, force, spread, wander, rebound, place, stays, buzz)

    def beats(self, rng: np.random.Generator, count: int) -> FloatArray:
        """Times of `count` taps from 0: a timekeeper plus a motor delay.

        Wing & Kristofferson (1973): variance splits between both, so neighbouring intervals are negatively correlated.
        """
        motor = 0.35 * self.cv * self.interval_s
        clock = math.sqrt(max((self.cv * self.interval_s) ** 2 - 2.0 * motor**2, 0.0))
        intervals = self.interval_s + clock * rng.standard_normal(max(count - 1, 0))
        times = np.concatenate(([0.0], np.cumsum(intervals))) + motor * rng.standard_normal(count)
        return np.asarray(times - times[0])

    def strike(self, rng: np.random.Generator, onsets_s: FloatArray) -> Excitation:
        """The contacts of taps at `onsets_s`: forces, places, rebounds, and the hand that stays on the panel."""
        count = onsets_s.size
        force = np.clip(self.force_n * np.exp(self.force_spread * rng.standard_normal(count)), 1.0, 40.0)
        contact = self.contact_s * np.exp(0.12 * rng.standard_normal(count)) * (force / self.force_n) ** -0.2
        part, x, y = self.place
        spots = np.clip(np.array([x, y]) + self.wander * rng.standard_normal((count, 2)), 0.02, 0.98)
        places: tuple[Place, ...] = tuple((part, float(px), float(py)) for px, py in spots)
        index = np.arange(count)
        taps = Impacts("tap", onsets_s, contact, force, index, places)
        # Bone under skin: the contact begins with a harder, shorter pulse of part of the force (invented).
        edge_share, edge_time = rng.uniform(0.1, 0.7, count), rng.uniform(0.12, 0.4, count)
        edges = Impacts("edge", onsets_s, contact * edge_time, force * edge_share, index, places, named=False)
        again = rng.random(count) < self.rebound
        # A light second contact 9–28 ms later, 10–40 % as strong: too close to count as a tap.
        rebounds = Impacts(
            "rebound",
            onsets_s[again] + rng.uniform(0.009, 0.028, count)[again],
            contact[again],
            (force * rng.uniform(0.1, 0.4, count))[again],
            index[again],
            places,
        )
        touches: list[Touch] = []
        if self.rest_s[1] > 0.0:
            stays = rng.uniform(*self.rest_s, count)
            strength = rng.uniform(2.0, 20.0, count)
            touches = [
                Touch(float(onset), float(onset + stay), place, float(drag))
                for onset, stay, place, drag in zip(onsets_s, stays, places, strength, strict=True)
            ]
        groups = (taps, edges, rebounds, *((self._buzz(rng, onsets_s, force),) if self.buzz else ()))
        return Excitation(impacts=groups, touches=tuple(touches))

    def _buzz(self, rng: np.random.Generator, onsets_s: FloatArray, force: FloatArray) -> Impacts:
        """A clip that chatters for a tenth of a second after each tap and decays; it has no label."""
        owner = np.repeat(np.arange(onsets_s.size), rng.integers(3, 15, onsets_s.size))
        delay = 0.004 + rng.exponential(0.04, owner.size)
        strength = self.buzz * force[owner] * np.exp(-delay / 0.06) * rng.uniform(0.3, 1.0, owner.size)
        clip = ("inner", rng.uniform(0.1, 0.9), rng.uniform(0.1, 0.9))
        lengths = rng.uniform(4e-4, 2e-3, owner.size)
        return Impacts.at(clip, "buzz", onsets_s[owner] + delay, lengths, strength, named=False)


def entry_onsets(tapper: Tapper, code: str, rng: np.random.Generator) -> FloatArray:
    """Onsets in seconds from the first tap for the digits of `code` ("0" is ten taps).

    Raises ParameterError when `code` is not made of digits.
    """
    if not code.isascii() or not code.isdigit():
        raise ParameterError(f"code is {code!r}; it must be made of the digits 0 to 9")
    onsets: list[FloatArray] = []
    start = 0.0
    for digit in code:
        times = start + tapper.beats(rng, int(digit) or 10)
        onsets.append(times)
        start = float(times[-1]) + rng.uniform(*DIGIT_PAUSE_S)
    return np.concatenate(onsets)


def plan_entries(
    tapper: Tapper, codes: Sequence[str] | None, start_s: float, end_s: float, rng: np.random.Generator
) -> tuple[FloatArray, tuple[tuple[str, float], ...]]:
    """Consecutive entries from `start_s`, each followed by 3.2 s of silence, as many as end before `end_s`.

    Random codes when `codes` is None. Returns the onsets, and each code with its first.
    Raises ParameterError when not all of the given codes fit.
    """
    onsets: list[FloatArray] = []
    entered: list[tuple[str, float]] = []
    start = start_s
    for code in _draw_codes(rng) if codes is None else codes:
        times = start + entry_onsets(tapper, code, rng)
        needed = times[-1] + ENTRY_SILENCE_S
        if needed > end_s:
            if codes is None:
                break
            raise ParameterError(f"code {code!r} needs {needed:.1f} s; duration_s is {end_s:g}: make it longer")
        onsets.append(times)
        entered.append((code, float(times[0])))
        start = float(times[-1]) + ENTRY_SILENCE_S + rng.uniform(0.1, 0.6)
    return np.concatenate([np.zeros(0), *onsets]), tuple(entered)


def _draw_codes(rng: np.random.Generator) -> Iterator[str]:
    """Random codes of 3–4 digits from 1 to 5, without end."""
    while True:
        yield "".join(map(str, rng.integers(1, 6, int(rng.integers(3, 5)))))


def plan_practice(tapper: Tapper, start_s: float, end_s: float, rng: np.random.Generator) -> FloatArray:
    """Groups of one to five taps until `end_s`, with breaks of 0.5–0.9 s, which do not end a digit."""
    onsets: list[FloatArray] = []
    start = start_s
    while start < end_s:
        times = start + tapper.beats(rng, int(rng.integers(1, 6)))
        onsets.append(times[times < end_s])
        start = float(times[-1]) + rng.uniform(0.5, 0.9)
    return np.concatenate([np.zeros(0), *onsets])
