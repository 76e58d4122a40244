"""A scene on a vehicle's door: taps and nuisances excite it, and four sensors record its response."""

import itertools
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from tapsig.errors import ParameterError
from tapsig.records import Recording
from tapsig.results import ComparedByFields
from tapsig.simulation import cabin, road, weather
from tapsig.simulation.excitation import Excitation, Impacts, Span, join_excitations, log_uniform, random_stream
from tapsig.simulation.impact import ENTRY_SILENCE_S, TAP_KINDS, Tapper, plan_entries, plan_practice
from tapsig.simulation.ringing import DoorSound, simulate_response
from tapsig.simulation.sensor import SimulatedConverter
from tapsig.simulation.vehicle import FLEET, POSITIONS, Vehicle, find_vehicle, random_vehicle
from tapsig.units import FloatArray, check_choice, check_positive, check_range, check_texts, require_kind

Source = Callable[[Vehicle, Span, np.random.Generator], Excitation]

# What each scene adds to the depot's background.
SCENES: Mapping[str, tuple[Source, ...]] = {
    "quiet": (),
    "driving": (road.driving,),
    "rain": (weather.rain,),
    "hail": (weather.hail,),
    "wind": (weather.wind,),
    "slam": (cabin.slam,),
    "music": (cabin.music,),
    "rattle": (cabin.rattle,),
    "whine": (cabin.whine,),
    "brush": (cabin.brush,),
    "lean": (cabin.lean,),
    "truck": (road.truck,),
    "handling": (cabin.handling,),
}
TAP_PLANS = ("entries", "practice", "both", "none")
LOWEST_RATE_HZ = 8000.0  # of the simulation; lower sample rates keep every k-th sample, as a controller does
HIGHEST_MODE_HZ = 7200.0  # above, a thin skin's modes overlap and resemble noise
SHORTEST_S = 0.01
MODE_LIMITS_HZ = (200.0, 24_000.0)
LONGEST_S = 1800.0  # held in memory at once; `simulate_blocks` has no limit
TAP_WINDOW_S = 0.05


@dataclass(frozen=True, slots=True)
class SceneTruth:
    """Ground truth of a scene.

    Parameters
    ----------
    impacts : every contact, tap or nuisance: onset, contact time, peak force, place.
    codes : the codes that were entered, each with the onset of its first tap.
    frequencies_hz, t60_s, loudest_part : the coupled modes at the start of the recording, their decay times by 60 dB,
        and the part with most of each mode's motion.
    taps_s : onsets of the taps, shape (n,).
    tap_peak_v, tap_to_nuisance_db : per position, shape (n,): highest voltage of the taps alone, and power of the taps
        over power of everything else (nuisances and ringing excited by them, no converter noise), both over the
        50 ms after the onset.
    temperature_c : of the door.
    """

    impacts: tuple[Impacts, ...]
    codes: tuple[tuple[str, float], ...]
    frequencies_hz: FloatArray
    t60_s: FloatArray
    loudest_part: tuple[str, ...]
    taps_s: FloatArray
    tap_peak_v: Mapping[str, FloatArray]
    tap_to_nuisance_db: Mapping[str, FloatArray]
    temperature_c: float


@dataclass(frozen=True, slots=True, repr=False, eq=False)
class SimulatedScene(ComparedByFields):
    """Simultaneous recordings, one for each position, and their ground truth."""

    recordings: Mapping[str, Recording]
    truth: SceneTruth
    vehicle: Vehicle
    converter: SimulatedConverter
    seed: int

    def __repr__(self) -> str:
        places = ", ".join(self.recordings)
        return f"<SimulatedScene: {self.vehicle.name}, seed {self.seed}, {self.truth.taps_s.size} taps, {places}>"


def simulate_scene(
    vehicle: Vehicle | str,
    scene: str = "quiet",
    *,
    positions: Sequence[str] = POSITIONS,
    duration_s: float | None = 20.0,
    fs: float = 8000.0,
    seed: int = 0,
    taps: str = "entries",
    codes: Sequence[str] | None = None,
    tap_kind: str | None = None,
    strength: float = 1.0,
    converter: SimulatedConverter | None = None,
    max_hz: float | None = None,
) -> SimulatedScene:
    """Simulate one scene at several positions at once.

    Parameters
    ----------
    vehicle : Vehicle or str
        A vehicle, or the name of one of the fleet.
    scene : str
        One of SCENES, such as "quiet" or "rain".
    positions : list of str
        Of POSITIONS.
    duration_s : float
        Length in seconds, up to 1800; None: as long as the given `codes` need.
    fs : float
        Sample rate in Hz, 500 to 48000. Below 8000 Hz the door is simulated at a multiple of it and every k-th sample
        is kept without a filter, so it aliases as a converter without a filter does.
    seed : int
        The same seed gives the same recording; each source has its own random stream.
    taps : {"entries", "practice", "both", "none"}
        As many code entries as fit; groups of taps; groups, then entries; nuisances only.
    codes : list of str
        The codes to enter in order, such as ["213", "4121"]; random ones of 3 to 4 digits when not given.
    tap_kind : {"knuckle", "fingertip", "nail", "key"}
        Mostly knuckle when not given.
    strength : float
        Scales the nuisances' forces.
    converter : converter of tapsig.simulation
        Replaces the vehicle's.
    max_hz : float
        Highest mode; default: 0.45 of the simulation's rate, and 7200 Hz at most.

    Returns
    -------
    SimulatedScene
        `recordings` by position, and their ground `truth`.

    Raises
    ------
    ParameterError
        For an unknown name or a value out of range.

    Examples
    --------
    >>> import tapsig
    >>> simulated = tapsig.simulate("heron", duration_s=12.0, seed=1, codes=["213"], positions=["frame"])
    >>> len(simulated.recordings["frame"].taps_s), simulated.truth.codes[0][0]
    (6, '213')
    """
    vehicle = find_vehicle(vehicle) if isinstance(vehicle, str) else vehicle
    require_kind(
        "vehicle", vehicle, Vehicle, f"give one of the names {', '.join(FLEET)}, or one made by random_vehicle"
    )
    check_choice("scene", scene, SCENES)
    check_choice("taps", taps, TAP_PLANS)
    if tap_kind is not None:
        check_choice("tap_kind", tap_kind, TAP_KINDS)
    positions = check_texts("positions", positions)
    if not positions:
        raise ParameterError(f"positions is empty; name at least one of {', '.join(POSITIONS)}")
    for k, position in enumerate(positions):
        check_choice(f"positions[{k}]", position, POSITIONS)
    codes = None if codes is None else check_texts("codes", codes)
    if duration_s is not None:
        check_range("duration_s", duration_s, SHORTEST_S, LONGEST_S)
    if max_hz is not None:
        check_range("max_hz", max_hz, *MODE_LIMITS_HZ)
    check_range("fs", fs, 500.0, 48000.0)
    keep_every = math.ceil(LOWEST_RATE_HZ / fs)
    rate = fs * keep_every
    used = vehicle.converter if converter is None else converter
    require_kind("converter", used, SimulatedConverter, "tapsig.simulation has its class")

    def stream(purpose: str) -> np.random.Generator:
        return random_stream(seed, vehicle.name, scene, purpose)

    rng = stream("recording")
    temperature_c = float(rng.uniform(-5.0, 38.0))
    loudness = check_range("strength", strength, 0.0, 1e3) * log_uniform(rng, 0.6, 1.5)
    tapping, entered, needed_s = _plan_taps(vehicle, duration_s, taps, codes, tap_kind, stream("taps"))
    duration_s = check_range("duration_s", needed_s if duration_s is None else duration_s, SHORTEST_S, LONGEST_S)
    span = Span(duration_s, rate, loudness)
    nuisances = [source(vehicle, span, stream(source.__name__)) for source in (cabin.background, *SCENES[scene])]
    everything = join_excitations([*nuisances, tapping])
    sound = simulate_response(
        vehicle,
        everything,
        tapping,
        span,
        stream("drift"),
        temperature_c=temperature_c,
        max_hz=max_hz or min(0.45 * rate, HIGHEST_MODE_HZ),
    )
    impacts = (*everything.impacts, *sound.hits)
    named = [*everything.labels, *(label for group in impacts for label in group.labels())]
    labels = tuple(sorted(label for label in named if label.onset_s < duration_s))
    recordings = {}
    for position in positions:
        volts = sound.volts[position]
        if everything.pickup is not None:
            volts = volts + everything.pickup * used.full_scale_v
        samples = used.convert(volts, rate, stream(f"converter at {position}"))[::keep_every]
        recordings[position] = Recording(
            samples,
            fs,
            labels=labels,
            position=position,
            vehicle=vehicle.name,
            scene=scene,
            range_v=used.range_v,
            adc_bits=used.bits,
            source=f"simulated:{vehicle.name}/{scene}/{seed}",  # of all positions, as channels of a file
        )
    truth = _record_truth(impacts, entered, sound, positions, rate, temperature_c)
    return SimulatedScene(recordings, truth, vehicle, used, seed)


def simulate_blocks(
    scene: str,
    *,
    duration_s: float,
    seed: int,
    block_s: float = 120.0,
    vehicle: Vehicle | str | None = None,
    positions: Sequence[str] = POSITIONS,
    fs: float = 8000.0,
    taps: str = "none",
    strength: float = 1.0,
) -> Iterator[SimulatedScene]:
    """A long recording as independent blocks, one in memory at a time: nuisances only, unless `taps` says otherwise.

    Every block is independent: it has its own weather, its own person and, when `vehicle` is None, its own random
    vehicle. A rest of under 10 ms is left out. Raises ParameterError as `simulate_scene` does.

    >>> [round(block.recordings["frame"].duration_s) for block in
    ...  simulate_blocks("rain", duration_s=5.0, seed=7, block_s=2.0, positions=["frame"], vehicle="lynx")]
    [2, 2, 1]
    """
    check_positive("duration_s", duration_s)
    check_range("block_s", block_s, 1.0, LONGEST_S)
    for index in itertools.count():
        rest_s = duration_s - index * block_s
        if index and rest_s < SHORTEST_S:
            return
        number = int(random_stream(seed, "blocks", scene, str(index)).integers(2**62))
        used = random_vehicle(number) if vehicle is None else vehicle
        yield simulate_scene(
            used,
            scene,
            positions=positions,
            duration_s=min(block_s, rest_s),
            fs=fs,
            seed=number,
            taps=taps,
            strength=strength,
        )


def _plan_taps(
    vehicle: Vehicle,
    duration_s: float | None,
    taps: str,
    codes: Sequence[str] | None,
    tap_kind: str | None,
    rng: np.random.Generator,
) -> tuple[Excitation, tuple[tuple[str, float], ...], float]:
    """The taps of a recording, the codes entered with the onset of their first tap, and the duration."""
    if codes is not None and taps not in ("entries", "both"):
        raise ParameterError(f"codes is {codes!r:.80}, but taps is {taps!r}; codes are tapped with 'entries' or 'both'")
    if duration_s is None and codes is None:
        raise ParameterError("duration_s is None, which needs codes to derive it from; give a duration in seconds")
    if taps == "none":
        return Excitation(), (), 0.0
    end_s = math.inf if duration_s is None else duration_s
    tapper = Tapper.draw(rng, vehicle.tap_places, kind=tap_kind)
    start = float(rng.uniform(0.4, 0.9))
    onsets = []
    if taps in ("practice", "both"):
        stop = end_s if taps == "practice" else min(start + 2.0, end_s)
        onsets.append(plan_practice(tapper, start, stop - 0.6, rng))
        start = float(onsets[-1][-1]) + ENTRY_SILENCE_S if onsets[-1].size else start
    entered: tuple[tuple[str, float], ...] = ()
    if taps in ("entries", "both"):
        entry_taps, entered = plan_entries(tapper, codes, start, end_s, rng)
        onsets.append(entry_taps)
    times = np.concatenate([np.zeros(0), *onsets])
    needed_s = math.ceil(100.0 * (float(times.max(initial=0.0)) + ENTRY_SILENCE_S)) / 100.0
    return tapper.strike(rng, times), entered, needed_s


def _record_truth(
    impacts: tuple[Impacts, ...],
    entered: tuple[tuple[str, float], ...],
    sound: DoorSound,
    positions: Sequence[str],
    fs: float,
    temperature_c: float,
) -> SceneTruth:
    structure = sound.modes.structure
    shares = np.stack([structure.share(part) for part in structure.parts])
    names = tuple(structure.parts)
    taps_s = np.concatenate([np.zeros(0), *(group.onset_s for group in impacts if group.kind == "tap")])
    peaks, ratios = {}, {}
    for position in positions:
        all_of_it = sound.volts[position]
        alone = sound.taps_volts.get(position, all_of_it)  # without taps there is none, and no window either
        begins = np.floor(taps_s * fs).astype(int)
        stops = np.minimum(begins + round(TAP_WINDOW_S * fs), all_of_it.size)
        windows = [slice(begin, stop) for begin, stop in zip(begins, stops, strict=True)]
        peaks[position] = np.array([np.abs(alone[window]).max(initial=0.0) for window in windows])
        power = np.array([np.square(alone[window]).mean() for window in windows])
        rest = np.array([np.square(all_of_it[window] - alone[window]).mean() for window in windows])
        ratios[position] = 10.0 * np.log10(power / np.maximum(rest, 1e-18))
    return SceneTruth(
        impacts,
        entered,
        sound.modes.omega / (2.0 * math.pi),
        3.0 * math.log(10.0) / sound.modes.decay,
        tuple(names[i] for i in shares.argmax(axis=0)),
        taps_s,
        peaks,
        ratios,
        temperature_c,
    )
