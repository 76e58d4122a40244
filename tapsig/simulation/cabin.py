"""Excitations of a door by people, loudspeakers and loose parts."""

import math

import numpy as np

from tapsig.records import Label
from tapsig.simulation.excitation import (
    Drive,
    Excitation,
    Impacts,
    LoosePart,
    Place,
    Span,
    Touch,
    label_onsets,
    log_uniform,
    log_uniforms,
    scatter_places,
)
from tapsig.simulation.road import band_noise, poisson_times, pulse_train, slow_noise
from tapsig.simulation.vehicle import Vehicle
from tapsig.units import FloatArray


def background(vehicle: Vehicle, span: Span, rng: np.random.Generator) -> Excitation:
    """Background of a depot: distant machines, and steps beside the vehicle ("step")."""
    base = log_uniform(rng, 3e-4, 4e-3) * band_noise(span, 8.0, 150.0, rng)
    steps = poisson_times(span, 0.08, rng)
    newtons = rng.uniform(5.0, 60.0, steps.size)
    base += vehicle.body.accelerate(pulse_train(span, steps, rng.uniform(0.02, 0.05, steps.size), newtons), span.fs)
    return Excitation(base=base, labels=label_onsets(steps, "step"))


def slam(vehicle: Vehicle, span: Span, rng: np.random.Generator) -> Excitation:
    """Closing doors, mostly other ones: a long push on the body, latch clicks and chattering trim."""
    onsets = np.arange(rng.uniform(0.3, 2.0), span.duration_s, 2.5)
    onsets = onsets + rng.uniform(0.0, 1.5, onsets.size)
    onsets = onsets[onsets < span.duration_s - 0.05]
    own = rng.random(onsets.size) < 0.3
    newtons = span.strength * log_uniforms(rng, 800.0, 5000.0, onsets.size) * np.where(own, 1.0, 0.25)
    lengths = rng.uniform(0.016, 0.04, onsets.size)
    base = vehicle.body.accelerate(pulse_train(span, onsets, lengths, newtons), span.fs)
    latches = (onsets[own, None] + np.array([0.004, 0.022])).ravel()
    lengths, forces = rng.uniform(1e-3, 3e-3, latches.size), rng.uniform(20.0, 120.0, latches.size)
    clicks = Impacts.at(("bracket", 0.7, 0.5), "latch", latches, lengths, forces, named=False)
    lengths = rng.uniform(0.02, 0.045, own.sum())
    forces = span.strength * log_uniforms(rng, 60.0, 300.0, own.sum())
    place = ("frame", rng.uniform(0.2, 0.8), 0.5)
    seal = Impacts.at(place, "slam", onsets[own], lengths, forces, named=False)
    chatter = _chatter(onsets, newtons / 5000.0, rng)
    return Excitation(impacts=(clicks, seal, chatter), base=base, labels=label_onsets(onsets, "slam"))


def _chatter(onsets: FloatArray, level: FloatArray, rng: np.random.Generator) -> Impacts:
    """Trim clips that chatter for 0.1–0.3 s after an impact and decay."""
    counts = rng.integers(5, 25, onsets.size)
    owner = np.repeat(np.arange(onsets.size), counts)
    delay = rng.exponential(0.08, owner.size) + 0.01
    force = 4.0 * level[owner] * np.exp(-delay / 0.1) * rng.uniform(0.2, 1.0, owner.size)
    places = scatter_places("inner", rng, 4, margin=0.05)
    lengths = rng.uniform(4e-4, 2e-3, owner.size)
    return Impacts("chatter", onsets[owner] + delay, lengths, force, rng.integers(4, size=owner.size), places, False)


def _burst(span: Span, sound: FloatArray, onset_s: float, into: FloatArray) -> None:
    begin = int(onset_s * span.fs)
    end = min(begin + sound.size, span.samples)
    into[begin:end] += sound[: max(end - begin, 0)]


def music(vehicle: Vehicle, span: Span, rng: np.random.Generator) -> Excitation:
    """A random tune from a loudspeaker in the same door, whose frame pushes on the inner skin.

    Bass drum and snare strokes carry the label "music".
    """
    beat_s = 60.0 / rng.uniform(84.0, 146.0)
    loud = span.strength * log_uniform(rng, 0.1, 1.5)
    time = np.arange(int(0.35 * span.fs)) / span.fs
    sweep = rng.uniform(45.0, 60.0) * time + 1.6 * (1.0 - np.exp(-time / 0.03))
    kick = np.sin(2.0 * math.pi * sweep) * np.exp(-time / rng.uniform(0.06, 0.12))
    force, labels = np.zeros(span.samples), []
    snare = (0.5 * np.sin(2 * math.pi * 190.0 * time) + rng.standard_normal(time.size) * 0.4) * np.exp(-time / 0.05)
    hat = np.diff(rng.standard_normal(time.size + 1)) * 0.08 * np.exp(-time / 0.015)
    root = rng.uniform(38.0, 62.0)
    scale = root * 2.0 ** (np.array([0, 3, 5, 7, 10, 12]) / 12.0)
    pattern = rng.random(16) < np.array([1, 0.1, 0.2, 0.1, 0.1, 0.1, 0.5, 0.2, 0.6, 0.1, 0.5, 0.1, 0.1, 0.1, 0.3, 0.2])
    step_s = beat_s / 4.0
    start = rng.uniform(0.0, beat_s)
    for index in range(int((span.duration_s - start) / step_s)):
        onset = start + index * step_s
        place_in_bar = index % 16
        if pattern[place_in_bar]:
            _burst(span, kick * rng.uniform(0.8, 1.0), onset, force)
        if place_in_bar in (4, 12):
            _burst(span, snare * rng.uniform(0.7, 1.0), onset, force)
        if pattern[place_in_bar] or place_in_bar in (4, 12):
            labels.append(Label(onset, "music"))
        if index % 2 == 0:
            _burst(span, hat, onset, force)
            _burst(span, _note(float(rng.choice(scale)), 2.0 * step_s, 0.35, span.fs), onset, force)
        if index % 8 == 0:
            for interval in (4.0, 5.0, 6.0):
                _burst(span, _note(float(rng.choice(scale)) * interval, 8.0 * step_s, 0.08, span.fs), onset, force)
    place = ("inner", rng.uniform(0.25, 0.75), rng.uniform(0.2, 0.5))
    return Excitation(drives=(Drive(loud * force, (place,), (1.0,)),), labels=tuple(labels))


def _note(hz: float, length_s: float, level: float, fs: float) -> FloatArray:
    """A plucked tone with a few harmonics."""
    time = np.arange(int(length_s * fs)) / fs
    body = sum(np.sin(2.0 * math.pi * hz * order * time) / order**1.5 for order in (1, 2, 3, 4))
    return np.asarray(level * body * np.minimum(time / 0.008, 1.0) * np.exp(-2.0 * time / length_s))


def rattle(vehicle: Vehicle, span: Span, rng: np.random.Generator) -> Excitation:
    """A strap end or a key that hangs against the door of an idling vehicle and hits it irregularly."""
    idle_hz = rng.uniform(18.0, 34.0) * (1.0 + 0.02 * slow_noise(span, 0.5, rng))
    phase = 2.0 * math.pi * np.cumsum(idle_hz) / span.fs
    shake = np.sin(phase) + 0.5 * np.sin(2.0 * phase + 1.0) + 0.3 * np.sin(0.5 * phase)
    swell = np.exp(0.4 * slow_noise(span, 0.8, rng))
    base = span.strength * log_uniform(rng, 0.08, 0.6) * swell * shake
    pull = span.strength * rng.uniform(0.3, 2.5) * swell * band_noise(span, 1.0, 12.0, rng)
    mass, stiffness = log_uniform(rng, 0.004, 0.04), log_uniform(rng, 1e4, 8e4)
    # A damping of 0.3–0.6 of critical gives a coefficient of restitution of about 0.2–0.4.
    damping = rng.uniform(0.3, 0.6) * 2.0 * math.sqrt(mass * stiffness)
    swing_hz, rest_m = rng.uniform(1.5, 7.0), rng.uniform(-0.3e-3, 1.5e-3)
    part = str(rng.choice(["outer", "inner", "frame"]))
    place = (part, rng.uniform(0.15, 0.85), rng.uniform(0.15, 0.85))
    return Excitation(base=base, loose=LoosePart(mass, swing_hz, 0.05, rest_m, stiffness, damping, place, pull))


def whine(vehicle: Vehicle, span: Span, rng: np.random.Generator) -> Excitation:
    """Alternator and blower: engine orders on the supply and as vibration; relays ("click")."""
    rpm = rng.uniform(700.0, 2200.0) * np.exp(0.15 * slow_noise(span, 0.4, rng))
    slot_hz = rpm * rng.uniform(2.4, 3.0) / 60.0 * 36.0
    phase = 2.0 * math.pi * np.cumsum(slot_hz) / span.fs
    tone = np.where(slot_hz < 0.45 * span.fs, np.sin(phase), 0.0)
    tone += 0.4 * np.sin(phase / 3.0) + 0.2 * np.sin(phase / 6.0)
    level = span.strength * log_uniform(rng, 0.003, 0.04)
    blower = 0.3 * np.sin(2.0 * math.pi * rng.uniform(120.0, 420.0) * span.times_s)
    pickup = level * (tone + blower)
    clicks = poisson_times(span, 0.5, rng)
    for onset in clicks:
        time = np.arange(int(0.012 * span.fs)) / span.fs
        spike = np.exp(-time / rng.uniform(3e-4, 2e-3)) * np.sin(2 * math.pi * rng.uniform(300.0, 2500.0) * time + 1.0)
        _burst(span, span.strength * rng.uniform(0.02, 0.3) * spike, float(onset), pickup)
    firing = 0.03 * np.sin(2.0 * math.pi * np.cumsum(rpm) / 30.0 / span.fs)
    base = span.strength * (firing + 0.02 * np.sin(phase / 3.0))
    return Excitation(base=base, pickup=pickup, labels=label_onsets(clicks, "click"))


def brush(vehicle: Vehicle, span: Span, rng: np.random.Generator) -> Excitation:
    """A sleeve or a bag drawn along the panel: thousands of small contacts, a few buttons, a hand that damps."""
    begins = poisson_times(span, 0.5, rng)
    kept = np.concatenate(([True], np.diff(begins) > 0.4)) if begins.size else np.zeros(0, dtype=bool)
    begins, grains, buttons, touches = begins[kept], [], [], []
    places: tuple[Place, ...] = tuple(
        ("outer", 0.08 + 0.84 * i / 23.0, float(np.clip(0.5 + 0.1 * math.sin(i), 0.1, 0.9))) for i in range(24)
    )
    for begin in begins:
        length = rng.uniform(0.3, 1.5)
        count = int(length * log_uniform(rng, 150.0, 900.0))
        progress = np.sort(rng.random(count))
        strength = span.strength * log_uniform(rng, 0.02, 0.25)
        force = strength * np.sin(math.pi * progress) * rng.exponential(1.0, count)
        grains.append(np.stack([begin + length * progress, rng.uniform(3e-4, 2e-3, count), force, 23.0 * progress]))
        hits = np.sort(rng.random(int(rng.integers(0, 4))))
        contact = rng.uniform(1e-3, 3e-3, hits.size)
        newtons = span.strength * log_uniforms(rng, 0.5, 6.0, hits.size)
        buttons.append(np.stack([begin + length * hits, contact, newtons, 23.0 * hits]))
        touches.append(Touch(float(begin), float(begin) + length, places[12], rng.uniform(3.0, 25.0)))
    groups = tuple(
        Impacts("brush", onset, contact, force, place.astype(np.int64), places, named)
        for (onset, contact, force, place), named in ((_join(grains, 4), False), (_join(buttons, 4), True))
    )
    return Excitation(impacts=groups, touches=tuple(touches), labels=label_onsets(begins, "brush"))


def _join(parts: list[FloatArray], fields: int) -> FloatArray:
    """Contacts of all parts, shape (fields, n)."""
    return np.concatenate([np.zeros((fields, 0)), *parts], axis=1)


def lean(vehicle: Vehicle, span: Span, rng: np.random.Generator) -> Excitation:
    """A person leans on the door: a slow push, cloth, a damped panel, and sometimes snap-through of the sheet."""
    force, labels, touches = np.zeros(span.samples), [], []
    rustle, bumps = [], []
    part, x, y = "outer", rng.uniform(0.2, 0.8), rng.uniform(0.3, 0.8)
    begin = rng.uniform(0.2, 1.5)
    while begin < span.duration_s - 0.5:
        rise, hold = rng.uniform(0.08, 0.3), rng.uniform(0.6, 3.0)
        push = span.strength * rng.uniform(15.0, 120.0)
        stop = begin + rise + hold
        ramp = np.clip((span.times_s - begin) / rise, 0.0, 1.0) * np.clip((stop + rise - span.times_s) / rise, 0.0, 1.0)
        sway = 1.0 + 0.05 * slow_noise(span, 1.5, rng)
        force += push * np.sin(0.5 * math.pi * ramp) ** 2 * sway
        touches.append(Touch(begin, stop + 0.7 * rise, (part, x, y), rng.uniform(15.0, 80.0)))
        bumps.append(np.array([[begin], [rng.uniform(0.008, 0.03)], [span.strength * rng.uniform(2.0, 15.0)]]))
        count = int(rng.integers(20, 120))
        onsets, contact = rng.uniform(begin, stop, count), rng.uniform(4e-4, 2e-3, count)
        rustle.append(np.stack([onsets, contact, rng.exponential(0.06, count)]))
        labels += [Label(begin, "lean"), Label(float(stop), "lean")]
        if rng.random() < 0.4:  # the sheet snaps through, and back
            snap = begin + rng.uniform(0.5, 1.0) * rise
            bumps.append(np.array([[snap], [rng.uniform(1e-3, 4e-3)], [rng.uniform(4.0, 25.0)]]))
            labels.append(Label(float(snap), "lean"))
        begin = stop + rise + rng.uniform(0.8, 4.0)
    groups = tuple(Impacts.at((part, x, y), "lean", *_join(parts, 3), named=False) for parts in (rustle, bumps))
    drive = Drive(force, ((part, x, y),), (1.0,))
    return Excitation(impacts=groups, drives=(drive,), touches=tuple(touches), labels=tuple(labels))


def handling(vehicle: Vehicle, span: Span, rng: np.random.Generator) -> Excitation:
    """Handles, keys, buckles, a pat with the palm: single or double impacts that resemble taps."""
    onsets = poisson_times(span, rng.uniform(0.15, 0.6), rng)
    onsets = np.sort(np.concatenate([onsets, onsets[rng.random(onsets.size) < 0.35] + rng.uniform(0.06, 0.3)]))
    onsets = onsets[onsets < span.duration_s - 0.02]
    soft = rng.random(onsets.size) < 0.4
    contact = np.where(soft, rng.uniform(8e-3, 20e-3, onsets.size), log_uniforms(rng, 3e-4, 4e-3, onsets.size))
    force = span.strength * np.where(
        soft, log_uniforms(rng, 4.0, 40.0, onsets.size), log_uniforms(rng, 1.0, 20.0, onsets.size)
    )
    places: tuple[Place, ...] = (
        ("frame", 0.2, 0.5),
        ("frame", 0.8, 0.5),
        ("bracket", 0.6, 0.5),
        ("outer", 0.85, 0.75),
        ("outer", 0.3, 0.4),
        ("inner", 0.6, 0.3),
    )
    place = rng.integers(len(places), size=onsets.size)
    return Excitation(impacts=(Impacts("handling", onsets, contact, force, place, places),))
