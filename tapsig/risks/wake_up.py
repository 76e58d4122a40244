"""Ways to wake a sleeping controller, compared on recordings: who wakes too late, who wakes for nothing, what it costs.

A *comparator* watches the sensor all the time and wakes the controller when the voltage leaves a band around the bias.
*Periodic sampling* wakes for a moment at a fixed rate and looks at one sample. *Always on* never sleeps.
"""

import dataclasses
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from tapsig.detectors.base import Variant, run_detector
from tapsig.entry import EntryParameters, decode_taps
from tapsig.records import Recording
from tapsig.risks.nuisance import split_between_taps
from tapsig.risks.standby import DAY_S, Battery, DutyCycle, compute_days
from tapsig.scoring.matching import MATCH_WINDOW_S
from tapsig.units import FloatArray, IntArray, check_positive, check_range

TAP_WINDOW_S = 0.05  # what counts as the tap itself when asking what of it is lost
PHASES = 8  # a clock that samples does not know when a tap comes: so many starting points are tried


@dataclass(frozen=True, slots=True)
class WakeUp:
    """One way to wake up.

    Parameters
    ----------
    kind : "comparator", "sampling" or "always on".
    level_v : volts to either side of the bias at which it wakes.
    sampling_hz : looks a second, for "sampling".
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
        words = {"comparator": "comparator", "sampling": f"sampling {self.sampling_hz:g} Hz", "always on": "always on"}
        return words[self.kind]

    def find_triggers(self, samples_v: FloatArray, fs: float, phase: float = 0.0) -> IntArray:
        """Indices of the samples that would wake it; `samples_v` are volts around the bias.

        `phase` (0 to 1) shifts the sampling clock by a part of its period.
        """
        loud = np.abs(samples_v) >= self.level_v
        if self.kind == "sampling" and self.sampling_hz < fs:
            looks = np.arange(phase, samples_v.size * self.sampling_hz / fs) * fs / self.sampling_hz
            index = np.floor(looks).astype(np.int64)
            index = index[index < samples_v.size]
            return index[loud[index]]
        return np.flatnonzero(loud)


@dataclass(frozen=True, slots=True)
class WakeUpTally:
    """What one way to wake up did on recordings; tallies add with +.

    `first_woken` of `firsts` first taps of an entry woke it (a mean over sampling phases); for those, `delay_s` is the
    summed time from onset to the first sample, `peak_lost` counts taps whose largest swing came before that, and
    `energy_lost` sums the share of the tap's energy before it. `entries_woken` counts entries that any of their taps
    woke. `busy_s` of `listened_s` seconds without taps held a trigger. A detector started by the wake-up was `tried`
    on so many first taps and found `first_heard` of them.
    """

    firsts: int = 0
    first_woken: float = 0.0
    entries_woken: float = 0.0
    delay_s: float = 0.0
    peak_lost: float = 0.0
    energy_lost: float = 0.0
    listened_s: float = 0.0
    busy_s: float = 0.0
    tried: float = 0.0
    first_heard: float = 0.0

    def __add__(self, other: "WakeUpTally") -> "WakeUpTally":
        names = [field.name for field in dataclasses.fields(self)]
        return WakeUpTally(*(getattr(self, name) + getattr(other, name) for name in names))

    @property
    def missed_share(self) -> float:
        """Share of first taps that did not wake it; nan without any."""
        return 1 - self.first_woken / self.firsts if self.firsts else math.nan

    @property
    def missed_entries_share(self) -> float:
        """Share of entries none of whose taps woke it; nan without any."""
        return 1 - self.entries_woken / self.firsts if self.firsts else math.nan

    @property
    def mean_delay_s(self) -> float:
        """Mean time from a tap's onset to the first sample after it woke the controller."""
        return self.delay_s / self.first_woken if self.first_woken else math.nan

    @property
    def peak_lost_share(self) -> float:
        """Share of waking taps whose largest swing was over before the first sample."""
        return self.peak_lost / self.first_woken if self.first_woken else math.nan

    @property
    def energy_lost_share(self) -> float:
        """Mean share of a waking tap's energy (within 50 ms of its onset) that came before the first sample."""
        return self.energy_lost / self.first_woken if self.first_woken else math.nan

    @property
    def first_heard_share(self) -> float:
        """Share of waking taps that a detector started by them still found; nan when none was tried."""
        return self.first_heard / self.tried if self.tried else math.nan

    @property
    def false_wakes_per_day(self) -> float:
        """Seconds a day that hold a trigger nobody tapped: each wakes the controller or keeps it awake."""
        return self.busy_s / self.listened_s * DAY_S if self.listened_s else math.nan


def remove_bias(recording: Recording) -> FloatArray:
    """Volts around the bias, which is the median of the recording: a divider sets it once, it does not adapt."""
    return recording.samples - np.median(recording.samples) if recording.samples.size else recording.samples


def tally_wake_up(
    wake_up: WakeUp, recording: Recording, parameters: EntryParameters, variant: Variant | None = None
) -> WakeUpTally:
    """Let `wake_up` listen to a labelled recording; each entry, and each second without taps, finds it asleep.

    With a `variant`, its detector is started on the first sample after waking, and must still find the tap that woke.
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
        lulls = split_between_taps(recording, triggers_s)
        listened_s = math.fsum(lull.duration_s for lull in lulls)
        busy_s = float(sum(np.unique(np.floor(lull.onsets_s)).size for lull in lulls))
        total += WakeUpTally(listened_s=listened_s, busy_s=min(busy_s, listened_s))
        for entry in entries:
            first = FirstTap(recording, samples, times_s, entry.taps_s)
            total += (
                first.tally_awake(variant) if wake_up.kind == "always on" else first.tally(wake_up, triggers_s, variant)
            )
    shares = {
        field.name: getattr(total, field.name) / len(phases)
        for field in dataclasses.fields(total)
        if field.name != "firsts"
    }
    return WakeUpTally(len(entries), **shares)


@dataclass(frozen=True, slots=True)
class FirstTap:
    """The first tap of an entry, which finds the controller asleep."""

    recording: Recording
    samples: FloatArray
    times_s: FloatArray
    taps_s: Sequence[float]

    @property
    def next_s(self) -> float:
        """The next tap, or half a second later."""
        return self.taps_s[1] if len(self.taps_s) > 1 else self.taps_s[0] + 0.5

    def tally(self, wake_up: WakeUp, triggers_s: FloatArray, variant: Variant | None) -> WakeUpTally:
        """Woken by the first trigger from the tap on, if that comes before the entry is over."""
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
            tried=float(variant is not None),
            first_heard=float(variant is not None and self._is_heard(variant, int(awake))),
        )

    def tally_awake(self, variant: Variant | None) -> WakeUpTally:
        """The controller was awake a second before the tap already."""
        start = int(np.searchsorted(self.times_s, self.taps_s[0] - 1.0))
        heard = variant is not None and self._is_heard(variant, start)
        return WakeUpTally(1, 1.0, 1.0, tried=float(variant is not None), first_heard=float(heard))

    def _is_heard(self, variant: Variant, start: int) -> bool:
        """Whether a detector that starts at sample `start` finds this tap before the next one comes."""
        stop = int(np.searchsorted(self.times_s, self.next_s - MATCH_WINDOW_S))
        heard = dataclasses.replace(self.recording, samples=self.recording.samples[start:stop], gaps=())
        index = run_detector(variant, heard).accepted().onset_samples + start
        return bool((np.abs(self.recording.times_s(index) - self.taps_s[0]) <= MATCH_WINDOW_S).any())


@dataclass(frozen=True, slots=True)
class WakeUpRow:
    """One way to wake up at one position: how it did, the duty cycle it leads to, and the days on a battery."""

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
    """Each way to wake up on all labelled recordings, position by position.

    `duty` gives the currents; its false wake-ups and sampling rate are replaced by what each way needs. Recordings
    without labels are left out: what is a tap and what is not would be unknown.
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
    """The duty cycle that `wake_up` leads to, from measured false wake-ups and the currents of `duty`."""
    looks = {"comparator": 0.0, "sampling": wake_up.sampling_hz, "always on": 1 / duty.sample_s}[wake_up.kind]
    false = tally.false_wakes_per_day
    return dataclasses.replace(duty, sampling_hz=looks, false_wakes_per_day=0.0 if math.isnan(false) else false)
