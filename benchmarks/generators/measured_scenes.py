"""What happens beside the taps: scenes of measured nuisances, at random levels against a usual tap's."""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from scipy import signal

from benchmarks.generators.measured_sources import SPEED_STEPS, pool, sound
from tapsig.records import Label
from tapsig.units import FloatArray, db_to_amplitude

TAP_STEPS = (8, SPEED_STEPS)
"""Steps of the speeds from 0.7 to 1.4."""


@dataclass(slots=True)
class Stage:
    """What happens beside the taps: three buses (struck structure, airborne sound, sensor's wire) and its labels."""

    half: str
    rate_hz: float
    size: int
    rng: np.random.Generator
    struck: FloatArray = field(init=False)
    air: FloatArray = field(init=False)
    wire: FloatArray = field(init=False)
    labels: list[Label] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.struck, self.air, self.wire = np.zeros((3, self.size))

    @property
    def duration_s(self) -> float:
        """Duration in seconds."""
        return self.size / self.rate_hz

    def times(self, low_s: float, high_s: float) -> list[float]:
        """Random times with gaps between `low_s` and `high_s` until the end."""
        time = self.rng.uniform(0.0, high_s)
        found = []
        while time < self.duration_s - 0.05:
            found.append(float(time))
            time += self.rng.uniform(low_s, high_s)
        return found

    def pick(self, *kinds: str, steps: tuple[int, int] = TAP_STEPS, longest_s: float = 3.0) -> FloatArray:
        """A random sound of these kinds at a random speed, peak 1, its end faded out."""
        sources = pool(self.half, *kinds)
        chosen = sound(sources[int(self.rng.integers(len(sources)))], self.rate_hz, int(self.rng.integers(*steps)))
        return fade_out(chosen[: int(longest_s * self.rate_hz)], 0.02 * self.rate_hz)

    def play(self, bus: FloatArray, time_s: float, samples: FloatArray, level_db: float, kind: str = "") -> None:
        """Add a sound to a bus, its peak at `level_db` over a usual tap's; labelled where a kind is given."""
        start = int(time_s * self.rate_hz)
        part = samples[: self.size - start]
        bus[start : start + part.size] += db_to_amplitude(level_db) * part
        if kind:
            self.labels.append(Label(start / self.rate_hz, kind))

    def bed(self, *kinds: str, level_db: float, steps: tuple[int, int] = TAP_STEPS, gap_s: float = 0.0) -> FloatArray:
        """One long noise of sounds joined with fades, rms at `level_db` over a usual tap's peak where it sounds."""
        out = np.zeros(self.size)
        fade = int(0.05 * self.rate_hz)
        start = 0
        while start < self.size:
            part = self.pick(*kinds, steps=steps, longest_s=8.0)
            scale = db_to_amplitude(level_db) / max(np.sqrt(np.mean(part**2)), 0.02)
            part = fade_out(part[::-1], fade)[::-1][: self.size - start] * scale
            out[start : start + part.size] += part
            start += max(part.size - fade, fade) + int(self.rng.uniform(0.0, gap_s) * self.rate_hz)
        return out

    def shower(self, rate_per_s: float, level_db: float, *kinds: str) -> FloatArray:
        """Many small impacts: a few measured ones, cut to 30 ms, at random times and log-normal strengths."""
        out = np.zeros(self.size)
        for _ in range(6):
            drop = self.pick(*kinds, longest_s=float(self.rng.uniform(0.005, 0.04)))
            train = np.zeros(self.size)
            count = self.rng.poisson(rate_per_s / 6 * self.duration_s)
            where = self.rng.integers(self.size, size=count)
            np.add.at(train, where, 10.0 ** (self.rng.normal(level_db, 7.0, count) / 20))
            out += signal.oaconvolve(train, drop)[: self.size]
        return out


def fade_out(samples: FloatArray, size: float) -> FloatArray:
    """A copy whose last `size` samples fall to 0."""
    faded = np.array(samples)
    count = min(int(size), faded.size)
    if count:
        faded[-count:] *= np.linspace(1.0, 0.0, count)
    return faded


def quiet(stage: Stage) -> None:
    """Nothing but the sensor's own noise."""


def rain(stage: Stage) -> None:
    """Running water far below the taps, and drops."""
    rng = stage.rng
    stage.air += stage.bed("water", level_db=rng.uniform(-45, -25))
    stage.struck += stage.shower(rng.uniform(4, 40), rng.uniform(-32, -16), "click", "footstep", "thump", "rattle")
    stage.labels.append(Label(0.0, "rain"))


def hail(stage: Stage) -> None:
    """Hard drops, some as strong as taps."""
    rng = stage.rng
    stage.air += stage.bed("water", "rattle", level_db=rng.uniform(-35, -20))
    stage.struck += stage.shower(rng.uniform(8, 60), rng.uniform(-22, -8), "click", "hit", "tap", "thump")
    stage.labels.append(Label(0.0, "hail"))


def driving(stage: Stage) -> None:
    """An engine and wind, thumps of the road, now and then a knock of the load."""
    rng = stage.rng
    stage.air += stage.bed("engine", level_db=rng.uniform(-32, -12), steps=(0, 10))
    stage.air += stage.bed("wind", level_db=rng.uniform(-40, -18))
    for time in stage.times(0.3, 4.0):
        thump = stage.pick("thump", "footstep", "kick", steps=(0, 10), longest_s=0.6)
        stage.play(stage.struck, time, thump, rng.uniform(-20, 4), "thump")
    for time in stage.times(4.0, 20.0):
        stage.play(stage.struck, time, stage.pick("impact"), rng.uniform(-12, 6), "knock")


def slams(stage: Stage) -> None:
    """This door and others are shut."""
    rng = stage.rng
    for time in stage.times(3.0, 14.0):
        bang = stage.pick("door", "impact", steps=(2, 14))
        stage.play(stage.struck, time, bang, rng.uniform(-14, 22), "slam")
        if rng.random() < 0.4:
            stage.play(stage.struck, time, stage.pick("kick", "tom", steps=(0, 9)), rng.uniform(-6, 18))


def music(stage: Stage) -> None:
    """A drum pattern with bass notes through a loudspeaker in the door."""
    rng = stage.rng
    beat_s, level_db = rng.uniform(0.32, 0.75), rng.uniform(-22, 8)
    parts = {kind: stage.pick(kind, longest_s=1.0) for kind in ("kick", "tom", "cymbal")}
    pattern = {kind: rng.random(8) < share for kind, share in (("kick", 0.4), ("tom", 0.25), ("cymbal", 0.5))}
    notes = [stage.pick("tom", "bass", steps=(0, 12), longest_s=1.0) for _ in range(4)]
    stage.labels.append(Label(0.0, "music"))
    for index, time in enumerate(np.arange(rng.uniform(0, beat_s), stage.duration_s - 0.05, beat_s / 2)):
        for kind, part in parts.items():
            if pattern[kind][index % 8]:
                level = level_db - (14.0 if kind == "cymbal" else 0.0) + rng.normal(0, 1.5)
                stage.play(stage.air, time, part, level, "beat" if kind == "kick" else "")
        if index % 4 == 0 or rng.random() < 0.2:
            stage.play(stage.air, time, notes[int(rng.integers(4))], level_db - 4.0)


def voices(stage: Stage) -> None:
    """Somebody speaks near the door; sometimes a crowd, a cry or a laugh behind."""
    rng = stage.rng
    stage.air += stage.bed("voice", level_db=rng.uniform(-32, -6), gap_s=2.0)
    if rng.random() < 0.5:
        stage.air += stage.bed("crowd", "animal", level_db=rng.uniform(-40, -18), gap_s=4.0)
    stage.labels.append(Label(0.0, "voices"))


def handling(stage: Stage) -> None:
    """Keys, a handle, things put down: bursts of small clicks and scrapes."""
    rng = stage.rng
    for time in stage.times(1.0, 5.0):
        level_db = rng.uniform(-24, 4)
        for _ in range(int(rng.integers(1, 9))):
            part = stage.pick("click", "rattle", "impact", "noise", longest_s=rng.uniform(0.05, 0.8))
            stage.play(stage.struck, time, part, level_db + rng.normal(0, 4), "handling")
            time += rng.uniform(0.04, 0.5)
            if time > stage.duration_s - 0.05:
                break


def rattling(stage: Stage) -> None:
    """A loose part strikes the structure in quick trains."""
    rng = stage.rng
    part = stage.pick("click", "hit", "tap", "impact", longest_s=rng.uniform(0.02, 0.15))
    for time in stage.times(1.0, 7.0):
        level_db, period_s, end = rng.uniform(-22, 2), rng.uniform(0.03, 0.18), time + rng.uniform(0.2, 2.5)
        kind = "rattle"
        while time < min(end, stage.duration_s - 0.05):
            stage.play(stage.struck, time, part, level_db + rng.normal(0, 3), kind)
            time, kind = time + period_s * rng.uniform(0.75, 1.25), ""


def bumps(stage: Stage) -> None:
    """Single foreign blows: somebody leans on the door, drops something, knocks it with a bag or a ball."""
    rng = stage.rng
    for time in stage.times(2.5, 11.0):
        part = stage.pick("hit", "thump", "impact", "footstep", "click", steps=(4, SPEED_STEPS))
        stage.play(stage.struck, time, part, rng.uniform(-16, 14), "bump")


def footsteps(stage: Stage) -> None:
    """Somebody walks past or climbs in: regular blows, growing and fading."""
    rng = stage.rng
    for time in stage.times(4.0, 12.0):
        source = pool(stage.half, "footstep")[int(rng.integers(len(pool(stage.half, "footstep"))))]
        like = [other for other in pool(stage.half, "footstep") if other.instrument == source.instrument]
        step, count, period_s = int(rng.integers(4, 15)), int(rng.integers(3, 10)), rng.uniform(0.35, 0.75)
        nearest, level_db = rng.uniform(0, count), rng.uniform(-20, 6)
        for index in range(count):
            part = sound(like[int(rng.integers(len(like)))], stage.rate_hz, step)
            if time < stage.duration_s - 0.05:
                stage.play(stage.struck, time, part, level_db - 3.0 * abs(index - nearest), "footstep")
            time += period_s * rng.uniform(0.93, 1.07)


def motors(stage: Stage) -> None:
    """A lock, a fan, a wiper or a tool runs for a while; it starts and stops with a click."""
    rng = stage.rng
    noise = stage.bed("machine", level_db=rng.uniform(-30, -6))
    for time in stage.times(1.0, 8.0):
        length_s = rng.uniform(0.2, 4.0)
        part = fade_out(noise[: int(length_s * stage.rate_hz)], 0.01 * stage.rate_hz)
        stage.play(stage.struck, time, part, 0.0, "motor")
        for edge in (time, time + length_s):
            if edge < stage.duration_s - 0.05:
                stage.play(stage.struck, edge, stage.pick("click", "impact", longest_s=0.1), rng.uniform(-25, 0))


def electrical(stage: Stage) -> None:
    """Clicks and steps on the sensor's wire, past the structure."""
    rng = stage.rng
    for time in stage.times(0.4, 4.0):
        level_db = rng.uniform(-20, 10)
        if rng.random() < 0.5:
            click = stage.pick("click", longest_s=float(rng.uniform(0.001, 0.01)))
            stage.play(stage.wire, time, click, level_db, "click")
        else:
            step = np.exp(-np.arange(int(0.5 * stage.rate_hz)) / (rng.uniform(0.002, 0.2) * stage.rate_hz))
            stage.play(stage.wire, time, step * rng.choice([-1, 1]), level_db - 6, "step")


def storm(stage: Stage) -> None:
    """Wind, thunder and some rain."""
    rng = stage.rng
    stage.air += stage.bed("wind", "water", level_db=rng.uniform(-36, -14))
    for time in stage.times(3.0, 15.0):
        stage.play(stage.air, time, stage.pick("thunder", steps=(4, 15), longest_s=6.0), rng.uniform(-8, 14), "thunder")
    stage.struck += stage.shower(rng.uniform(2, 20), rng.uniform(-34, -20), "click", "thump")


def street(stage: Stage) -> None:
    """Vehicles pass, a horn, an animal, a crowd, something falls."""
    rng = stage.rng
    for time in stage.times(1.0, 8.0):
        part = stage.pick("engine", "machine", "horn", "animal", "crowd", longest_s=6.0)
        stage.play(stage.air, time, part, rng.uniform(-22, 8), "street")
    for time in stage.times(5.0, 25.0):
        stage.play(stage.struck, time, stage.pick("impact", "thump"), rng.uniform(-20, 4), "knock")


def carwash(stage: Stage) -> None:
    """Water at full force, machines, and brushes that beat the panel."""
    rng = stage.rng
    stage.struck += stage.bed("water", "noise", level_db=rng.uniform(-30, -12))
    stage.air += stage.bed("machine", level_db=rng.uniform(-30, -12))
    stage.struck += stage.shower(rng.uniform(20, 120), rng.uniform(-28, -14), "footstep", "rattle", "thump")
    stage.labels.append(Label(0.0, "carwash"))


SCENES: dict[str, Callable[[Stage], None]] = {
    scene.__name__: scene
    for scene in (
        quiet,
        rain,
        hail,
        driving,
        slams,
        music,
        voices,
        handling,
        rattling,
        bumps,
        footsteps,
        motors,
        electrical,
        storm,
        street,
        carwash,
    )
}
