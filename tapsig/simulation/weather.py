"""Rain, hail and wind on the outer skin."""

import math

import numpy as np

from tapsig.simulation.excitation import (
    Drive,
    Excitation,
    Impacts,
    Place,
    Span,
    label_onsets,
    log_uniform,
    scatter_places,
)
from tapsig.simulation.road import band_noise, poisson_times, slow_noise
from tapsig.simulation.vehicle import Vehicle
from tapsig.units import FloatArray

SMALLEST_DROP_MM = 1.5  # a 1.5 mm drop has a thousandth of a knuckle's impulse; smaller ones are left out
NAMED_IMPULSE_NS = 1.2e-4  # drops of at least this impulse get a label
SITES = 48
ICE_KG_M3, WATER_KG_M3 = 900.0, 1000.0


def drop_density(rain_mm_h: float) -> tuple[float, float]:
    """Drops per m³ larger than SMALLEST_DROP_MM, and Λ in 1/mm of their exponential sizes.

    Marshall & Palmer (1948): N(D) = 8000·exp(−ΛD) per m³ and mm, Λ = 4.1·R^−0.21 (from memory).
    """
    slope = 4.1 * rain_mm_h**-0.21
    return 8000.0 / slope * math.exp(-slope * SMALLEST_DROP_MM), slope


def _scatter(rng: np.random.Generator, count: int) -> tuple[Place, ...]:
    return scatter_places("outer", rng, count, margin=0.04)


def _sphere_kg(diameter_mm: FloatArray, density_kg_m3: float) -> FloatArray:
    return density_kg_m3 * math.pi / 6.0 * (diameter_mm * 1e-3) ** 3


def rain(vehicle: Vehicle, span: Span, rng: np.random.Generator) -> Excitation:
    """Wind-driven drops all over the outer skin, large drips from ledges, and sometimes a leak that drips steadily."""
    rain_mm_h = log_uniform(rng, 8.0, 100.0)
    wind_m_s = rng.uniform(4.0, 12.0)
    skin = vehicle.skins["outer"]
    per_m3, slope = drop_density(rain_mm_h)
    onsets = poisson_times(span, per_m3 * wind_m_s * skin.length_m * skin.width_m, rng)
    diameters = np.minimum(SMALLEST_DROP_MM + rng.exponential(1.0 / slope, onsets.size), 6.0)
    speeds = np.full(onsets.size, wind_m_s)
    drops = _drops(onsets, diameters, speeds, _scatter(rng, SITES), rng, span.strength)
    # Drips: 4–6 mm drops that fell 0.3–5 m from roof and ferry deck onto ledges.
    drip_s = poisson_times(span, log_uniform(rng, 1.5, 20.0), rng)
    if rng.random() < 0.4:
        drip_s = np.sort(np.concatenate([drip_s, _leak(span, rng)]))
    falls = np.sqrt(2.0 * 9.81 * rng.uniform(0.3, 5.0, drip_s.size))
    ledge: tuple[Place, ...] = tuple(("outer", float(x), rng.uniform(0.85, 0.95)) for x in rng.random(8))
    drips = _drops(drip_s, rng.uniform(4.0, 6.0, drip_s.size), falls, ledge, rng, span.strength)
    return Excitation(impacts=(drops, drips))


def _leak(span: Span, rng: np.random.Generator) -> FloatArray:
    """A steady drip: a period of 0.25–1.2 s with 2 % of jitter."""
    period = rng.uniform(0.25, 1.2)
    count = int(span.duration_s / period) + 1
    times = rng.uniform(0.0, period) + period * np.arange(count) + 0.02 * period * rng.standard_normal(count)
    return times[(times > 0.0) & (times < span.duration_s)]


def _drops(
    onsets: FloatArray,
    diameter_mm: FloatArray,
    speed_m_s: FloatArray,
    places: tuple[Place, ...],
    rng: np.random.Generator,
    strength: float,
) -> Impacts:
    """Drops that transfer their momentum while they collapse: contact time D/v, impulse m·v."""
    impulse = strength * _sphere_kg(diameter_mm, WATER_KG_M3) * speed_m_s
    contact = diameter_mm * 1e-3 / speed_m_s
    place = rng.integers(len(places), size=onsets.size)
    force = impulse * math.pi / (2.0 * contact)
    return Impacts("rain", onsets, contact, force, place, places, impulse >= NAMED_IMPULSE_NS)


def hail(vehicle: Vehicle, span: Span, rng: np.random.Generator) -> Excitation:
    """Ice balls of 4–20 mm driven against the door, contact 0.1–0.4 ms, with a little rebound."""
    onsets = poisson_times(span, log_uniform(rng, 1.5, 15.0), rng)
    diameters = np.minimum(4.0 + rng.exponential(rng.uniform(1.5, 3.5), onsets.size), 20.0)
    # Terminal speed √(4gρD/(3·Cd·ρ_air)) with Cd = 0.6; the wind directs 10–40 % of it at the door (invented).
    fall = np.sqrt(4.0 * 9.81 * ICE_KG_M3 * diameters * 1e-3 / (3.0 * 0.6 * 1.2))
    speed = fall * rng.uniform(0.1, 0.4, onsets.size)
    impulse = span.strength * _sphere_kg(diameters, ICE_KG_M3) * speed * rng.uniform(1.1, 1.5, onsets.size)
    contact = 1e-4 + 2e-5 * (diameters - 4.0) * rng.uniform(0.7, 1.3, onsets.size)
    force = impulse * math.pi / (2.0 * contact)
    place = rng.integers(SITES, size=onsets.size)
    stones = Impacts("hail", onsets, contact, force, place, _scatter(rng, SITES))
    drizzle = rain(vehicle, Span(span.duration_s, span.fs, 0.5 * span.strength), rng)
    return Excitation(impacts=(stones, *drizzle.impacts))


def wind(vehicle: Vehicle, span: Span, rng: np.random.Generator) -> Excitation:
    """Gusts of buffeting, and cloth that slaps the door in the strong ones."""
    gust = np.exp(0.7 * slow_noise(span, rng.uniform(0.4, 1.2), rng))
    base_newtons = span.strength * log_uniform(rng, 0.05, 0.4)
    drives = []
    for low, high, share in ((8.0, 60.0, 1.0), (40.0, 320.0, 0.35), (200.0, 1200.0, 0.06)):
        places = _scatter(rng, 12)
        # Shorter eddies are coherent over less of the skin: random signs, so that they mostly cancel.
        weights = np.where(rng.random(12) < 0.25, -1.0, 1.0) / 12.0
        force = base_newtons * share * gust * band_noise(span, low, high, rng)
        drives.append(Drive(force, places, tuple(weights.tolist())))
    rise = np.diff(gust[:: max(1, int(0.05 * span.fs))])
    fronts = np.flatnonzero((rise[1:] > 0.08) & (rise[:-1] <= 0.08)) + 1
    flaps = poisson_times(span, rng.uniform(0.3, 4.0), rng)
    strong = gust[np.minimum((flaps * span.fs).astype(int), span.samples - 1)]
    flaps, strong = flaps[strong > 1.2], strong[strong > 1.2]
    force = span.strength * rng.uniform(0.2, 1.5, flaps.size) * strong
    lengths, place = rng.uniform(3e-3, 15e-3, flaps.size), rng.integers(4, size=flaps.size)
    slaps = Impacts("wind", flaps, lengths, force, place, _scatter(rng, 4))
    return Excitation(impacts=(slaps,), drives=tuple(drives), labels=label_onsets(0.05 * fronts, "wind"))
