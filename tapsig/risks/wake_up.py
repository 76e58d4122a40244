"""Methods to wake a sleeping controller, compared on recordings: missed taps, false wake-ups and current.

A *comparator* monitors the sensor continuously and wakes the controller when the voltage leaves a band around the bias.
*Periodic sampling* wakes at a fixed rate and compares one sample. *Always on* never sleeps.
"""

import dataclasses
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from tapsig.detectors.base import Variant, run_detector
from tapsig.entry import EntryParameters, decode_taps
from tapsig.records import Recording
from tapsig.results import Counts, compute_ratio
from tapsig.risks.nuisance import split_between_taps
from tapsig.risks.standby import DAY_S, Battery, DutyCycle, compute_days
from tapsig.scoring.matching import MATCH_WINDOW_S
from tapsig.units import FloatArray, IntArray, check_positive, check_range

TAP_WINDOW_S = 0.05  # duration of a tap, for the energy lost before the first sample
PHASES = 8  # the sampling clock is not synchronised with taps: results are means over this number of phases


@dataclass(frozen=True, slots=True)
class WakeUp:
    """One wake-up method.

    Parameters
    ----------
    kind : "comparator", "sampling" or "always on".
    level_v : volts to either side of the bias at which it wakes.
    sampling_hz : samples a second, for "sampling".
    start_up_s : from the wake-up until the first sample is taken (oscillator, reference, converter); an assumption.
    """

    kind: str
    level_v: float = 0.0
    sampling_hz: float = 0.0
    start_up_s: float = 0.002

    def __post_init__(self) -> None:
        check_range("start_up_s", self.start_up_s, 0, 60)
        if self.kind != "always on":
            check_positive("level_v", self.level_v)
        if self.kind == "sampling":
            check_positive("sampling_hz", self.sampling_hz)

    def __str__(self) -> str:
        return f"sampling {self.sampling_hz:g} Hz" if self.kind == "sampling" else self.kind

    def find_triggers(self, samples_v: FloatArray, fs: float, phase: float = 0.0) -> IntArray:
        """Indices of the samples that would wake it; `samples_v` are volts around the bias.

        `phase` (0 to 1) shifts the sampling clock by a part of its period.
        """
        loud = np.abs(samples_v) >= self.level_v
        if self.kind == "sampling" and self.sampling_hz < fs:
            times = np.arange(phase, samples_v.size * self.sampling_hz / fs) * fs / self.sampling_hz
            index = np.floor(times).astype(np.int64)
            index = index[index < samples_v.size]
            return index[loud[index]]
        return np.flatnonzero(loud)


@dataclass(frozen=True, slots=True)
class WakeUpTally(Counts):
    """Counts for one wake-up method over recordings (means over sampling phases); tallies add with +.

    Of `firsts` first taps of an entry, `first_woken` woke the controller. For those, `delay_s` sums the times from
    onset to the first sample, `peak_lost` counts the taps whose largest swing came before that sample, and
    `energy_lost` sums the share of the tap's energy before it. `entries_woken` counts entries in which any tap woke
    it. Of `tap_free_s` seconds without taps, `triggered_s` held a trigger. A detector that was started by the wake-up
    was run on `tested` first taps and found `first_found` of them.
    """

    firsts: int = 0
    first_woken: float = 0.0
    entries_woken: float = 0.0
    delay_s: float = 0.0
    peak_lost: float = 0.0
    energy_lost: float = 0.0
    tap_free_s: float = 0.0
    triggered_s: float = 0.0
    tested: float = 0.0
    first_found: float = 0.0

    @property
    def missed_share(self) -> float:
        """Share of first taps that did not wake it; nan without any."""
        return 1 - compute_ratio(self.first_woken, self.firsts)

    @property
    def missed_entries_share(self) -> float:
        """Share of entries none of whose taps woke it; nan without any."""
        return 1 - compute_ratio(self.entries_woken, self.firsts)

    @property
    def mean_delay_s(self) -> float:
        """Mean time from a tap's onset to the first sample after it woke the controller."""
        return compute_ratio(self.delay_s, self.first_woken)

    @property
    def peak_lost_share(self) -> float:
        """Share of waking taps whose largest swing was over before the first sample."""
        return compute_ratio(self.peak_lost, self.first_woken)

    @property
    def energy_lost_share(self) -> float:
        """Mean share of a waking tap's energy (within 50 ms of its onset) that came before the first sample."""
        return compute_ratio(self.energy_lost, self.first_woken)

    @property
    def first_found_share(self) -> float:
        """Share of waking taps that a detector started by them still found; nan when none was run."""
        return compute_ratio(self.first_found, self.tested)

    @property
    def false_wakes_per_day(self) -> float:
        """Seconds a day with a false trigger; each wakes the controller or keeps it awake."""
        return compute_ratio(self.triggered_s, self.tap_free_s) * DAY_S


def remove_bias(recording: Recording) -> FloatArray:
    """Volts around the bias, which is the recording's median: a divider sets it, so it is constant."""
    return recording.samples - np.median(recording.samples) if recording.samples.size else recording.samples


def tally_wake_up(
    wake_up: WakeUp, recording: Recording, parameters: EntryParameters, variant: Variant | None = None
) -> WakeUpTally:
    """Apply `wake_up` to a labelled recording; it is asleep before each entry and each second without taps.

    With a `variant`, its detector starts at the first sample after the wake-up and must still find the waking tap.
    """
    samples = remove_bias(recording)
    times_s = recording.times_s(np.arange(samples.size))
    entries = decode_taps(recording.taps_s, parameters)
    phases = np.arange(PHASES) / PHASES if wake_up.kind == "sampling" else np.zeros(1)
    total = WakeUpTally()
    for phase in phases:
        if wake_up.kind == "always on":
            triggers_s = np.empty(0)
        else:
            triggers_s = times_s[wake_up.find_triggers(samples, recording.fs, float(phase))]
        segments = split_between_taps(recording, triggers_s)
        tap_free_s = math.fsum(segment.duration_s for segment in segments)
        triggered_s = float(sum(np.unique(np.floor(segment.onsets_s)).size for segment in segments))
        total += WakeUpTally(tap_free_s=tap_free_s, triggered_s=min(triggered_s, tap_free_s))
        for entry in entries:
            first = FirstTap(recording, samples, times_s, entry.taps_s)
            total += (
                first.tally_awake(variant) if wake_up.kind == "always on" else first.tally(wake_up, triggers_s, variant)
            )
    means = {field.name: getattr(total, field.name) / len(phases) for field in dataclasses.fields(total)}
    return WakeUpTally(**means | {"firsts": len(entries)})


@dataclass(frozen=True, slots=True)
class FirstTap:
    """The first tap of an entry; the controller is asleep before it."""

    recording: Recording
    samples: FloatArray
    times_s: FloatArray
    taps_s: Sequence[float]

    @property
    def next_s(self) -> float:
        """The next tap, or half a second later."""
        return self.taps_s[1] if len(self.taps_s) > 1 else self.taps_s[0] + 0.5

    def tally(self, wake_up: WakeUp, triggers_s: FloatArray, variant: Variant | None) -> WakeUpTally:
        """The first trigger from the tap on wakes the controller, if it comes before the entry ends."""
        after = triggers_s[triggers_s >= self.taps_s[0]]
        if not after.size or after[0] > self.taps_s[-1] + 0.5:
            return WakeUpTally(1)
        if after[0] >= self.next_s:
            return WakeUpTally(1, entries_woken=1.0)
        delay_s = float(after[0]) - self.taps_s[0] + wake_up.start_up_s
        start, awake, stop = np.searchsorted(self.times_s, self.taps_s[0] + np.array([0.0, delay_s, TAP_WINDOW_S]))
        tap = self.samples[start:stop]
        lost = min(awake, stop) - start
        energy = float(tap @ tap)
        return WakeUpTally(
            1,
            1.0,
            1.0,
            delay_s,
            peak_lost=float(tap.size > 0 and np.argmax(np.abs(tap)) < lost),
            energy_lost=float(tap[:lost] @ tap[:lost]) / energy if energy else 0.0,
            tested=float(variant is not None),
            first_found=float(variant is not None and self._is_found(variant, int(awake))),
        )

    def tally_awake(self, variant: Variant | None) -> WakeUpTally:
        """The controller has been awake for a second before the tap."""
        start = int(np.searchsorted(self.times_s, self.taps_s[0] - 1.0))
        found = variant is not None and self._is_found(variant, start)
        return WakeUpTally(1, 1.0, 1.0, tested=float(variant is not None), first_found=float(found))

    def _is_found(self, variant: Variant, start: int) -> bool:
        """Whether a detector that starts at sample `start` finds this tap before the next one comes."""
        stop = int(np.searchsorted(self.times_s, self.next_s - MATCH_WINDOW_S))
        found = dataclasses.replace(self.recording, samples=self.recording.samples[start:stop], labels=None, gaps=())
        index = run_detector(variant, found).accepted().onset_samples + start
        return bool((np.abs(self.recording.times_s(index) - self.taps_s[0]) <= MATCH_WINDOW_S).any())


@dataclass(frozen=True, slots=True)
class WakeUpRow:
    """One wake-up method at one position: its tally, the resulting duty cycle, and the days on a battery."""

    position: str
    wake_up: WakeUp
    tally: WakeUpTally
    duty: DutyCycle
    days: float


def compare_wake_ups(
    wake_ups: Sequence[WakeUp],
    recordings: Iterable[Recording],
    parameters: EntryParameters,
    *,
    duty: DutyCycle,
    battery: Battery,
    variant: Variant | None = None,
) -> tuple[WakeUpRow, ...]:
    """Compare wake-up methods on all labelled recordings, by position.

    `duty` gives the currents; its false wake-ups and sampling rate are replaced by those of each method. Recordings
    without labels are left out, since their taps are unknown.
    """
    tallies: dict[tuple[str, int], WakeUpTally] = {}
    for recording in recordings:
        if recording.labels is None:
            continue
        for number, wake_up in enumerate(wake_ups):
            key = (recording.position, number)
            tallies[key] = tallies.get(key, WakeUpTally()) + tally_wake_up(wake_up, recording, parameters, variant)
    rows = []
    for (position, number), tally in sorted(tallies.items()):
        used = build_duty(wake_ups[number], tally, duty)
        rows.append(WakeUpRow(position, wake_ups[number], tally, used, compute_days(used.average_ua, battery)))
    return tuple(rows)


def build_duty(wake_up: WakeUp, tally: WakeUpTally, duty: DutyCycle) -> DutyCycle:
    """The duty cycle under `wake_up`: its measured false wake-ups with the currents of `duty`."""
    sampling_hz = {"comparator": 0.0, "sampling": wake_up.sampling_hz, "always on": 1 / duty.sample_s}[wake_up.kind]
    false = tally.false_wakes_per_day
    return dataclasses.replace(duty, sampling_hz=sampling_hz, false_wakes_per_day=0.0 if math.isnan(false) else false)
