"""What detectors find in labelled recordings, counted for the risk of an entry."""

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from tapsig.detectors.base import Variant, run_detector
from tapsig.detectors.tap import Tap
from tapsig.entry import EntryParameters, decode_taps
from tapsig.entry.evidence import Evidence
from tapsig.records import Recording, require_labels
from tapsig.results import Counts
from tapsig.risks.nuisance import TapFreeSegment, split_between_taps
from tapsig.risks.openings import EVIDENCE, RULE, TapFreeDecoding, observe_openings
from tapsig.scoring.matching import match_onsets
from tapsig.scoring.outcomes import count_opened, list_codes
from tapsig.units import FloatArray

if TYPE_CHECKING:
    from tapsig.risks.entries import RiskQuestion


@dataclass(frozen=True, slots=True)
class Observation(Counts):
    """Counts over one or more recordings; observations add with +.

    Of `taps` labelled taps `taps_found` were detected. `codes` are the code entries; `opened_of` holds the file of each
    recording, its code entries, and how many the rule decoded digit for digit. `false_in_entries` detections within
    `entry_s` seconds of entries (and the silence before each) match no tap. `segments` are the tap-free segments with
    their false taps. `opened_on_evidence` and `idle` are what evidence, as shipped, opens of the code entries and
    decodes in tap-free time; empty without it.
    """

    taps: int = 0
    taps_found: int = 0
    codes: tuple[tuple[int, ...], ...] = ()
    opened_of: tuple[tuple[str, int, int], ...] = ()
    entry_s: float = 0.0
    false_in_entries: int = 0
    segments: tuple[TapFreeSegment, ...] = ()
    opened_on_evidence: tuple[tuple[str, int, int], ...] = ()
    idle: TapFreeDecoding = field(default_factory=TapFreeDecoding)

    @property
    def opened(self) -> int:
        """Code entries that the rule decoded digit for digit."""
        return sum(opened for _, _, opened in self.opened_of)

    @property
    def decoders(self) -> tuple[str, ...]:
        """Decoders that were observed."""
        return (RULE, EVIDENCE) if self.opened_on_evidence else (RULE,)

    def list_opened(self, decoder: str) -> tuple[tuple[str, int, int], ...]:
        """As `opened_of`, by this decoder."""
        return self.opened_of if decoder == RULE else self.opened_on_evidence


def observe_taps(recording: Recording, detected_s: FloatArray, parameters: EntryParameters) -> Observation:
    """Compare the taps that a detector found at `detected_s` (seconds) with the labels of a recording.

    Every entry starts with the machine awake and outside any waiting time. Raises LabelError for a recording without
    labels.
    """
    require_labels(recording)
    reference_s = recording.taps_s
    matching = match_onsets(reference_s, detected_s)
    awake = listen_awake(parameters)
    wanted = list_codes(decode_taps(reference_s, awake))
    _, opened = count_opened(wanted, decode_taps(detected_s, awake))
    spurious_s = detected_s[np.asarray(matching.spurious, dtype=np.int64)]
    silence = parameters.entry_silence_s
    spans = [(entry.start_s - silence, entry.end_s) for entry in wanted]
    return Observation(
        taps=reference_s.size,
        taps_found=len(matching.pairs),
        codes=tuple(entry.digits for entry in wanted),
        opened_of=((recording.source, len(wanted), opened),),
        entry_s=math.fsum(stop - start for start, stop in spans),
        false_in_entries=sum(int(((spurious_s >= start) & (spurious_s <= stop)).sum()) for start, stop in spans),
        segments=tuple(split_between_taps(recording, detected_s)),
    )


def observe_on_evidence(recording: Recording, variant: Tap, seen: Observation, question: "RiskQuestion") -> Observation:
    """Add to what was `seen` in a recording what evidence decodes there."""
    tried, idle = observe_openings(recording, variant, question.parameters, length=question.length)
    opened = sum(trial.log_ratio >= Evidence().threshold for trial in tried)
    return replace(seen, opened_on_evidence=((recording.source, len(seen.codes), opened),), idle=idle)


def listen_awake(parameters: EntryParameters) -> EntryParameters:
    """The same machine without wake-up taps and for any digits, so that only detection errors count."""
    return replace(parameters, wake_taps=0, digit_max=255)


Observations = dict[tuple[str, str, str], Observation]
"""Keyed by detector, position, scene."""


def observe_recordings(
    variants: Mapping[str, Variant],
    recordings: Iterable[Recording],
    question: "RiskQuestion",
    *,
    progress: Callable[[int], object] = lambda done: None,
) -> Observations:
    """Run each variant over each labelled recording; sum the observations by detector, position and scene.

    `progress` is called with the number of recordings done.
    """
    observations: Observations = {}
    for done, given in enumerate(recordings, start=1):
        recording = replace(given, source=given.source or f"recording {done}")  # without a file
        for name, variant in variants.items():
            detections = run_detector(variant, recording)
            detected_s = np.sort(recording.times_s(detections.accepted().onset_samples))
            seen = observe_taps(recording, detected_s, question.parameters)
            if isinstance(variant, Tap) and not question.refuse_evidence(variant):
                seen = observe_on_evidence(recording, variant, seen, question)
            key = (name, recording.position, recording.scene)
            observations[key] = observations.get(key, Observation()) + seen
        progress(done)
    return observations
