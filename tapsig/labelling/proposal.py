"""Propose tap onsets in an unlabelled recording; non-causal (offline).

It uses three methods that a detector at a door cannot use. The prediction error comes from a model fitted to both
sides (Burg's method on overlapping blocks). The earlier ringing is extrapolated and subtracted from each candidate.
Candidates are compared with each other, since the taps of one hand on one panel are similar: the candidate most similar
to the others is the template, and matched filtering with it times the others. An onset is where the power of the
prediction error changes, at the sensor: the delay from the contact is not subtracted.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tapsig.errors import ParameterError
from tapsig.labelling.confidence import FEATURES, compute_confidence, describe_candidates
from tapsig.labelling.template import keep_strongest, time_by_template
from tapsig.labelling.transients import Transients, extract_part_transients, extract_transients
from tapsig.loading import read_wav_info
from tapsig.loading.findings import FindingList
from tapsig.loading.parts import read_wav_parts
from tapsig.loading.read_options import ReadOptions
from tapsig.records import TAP, Recording, require_recording
from tapsig.results import Records
from tapsig.units import FloatArray, check_positive, check_range, require_kind

PART_OVERLAP_S = 5.0  # the floor of a candidate is the median of 2 s to either side


@dataclass(frozen=True, slots=True)
class ProposalParameters:
    """Parameters of proposals.

    Parameters
    ----------
    rise_db : least rise of the prediction error over its floor and over its maximum 6–50 ms before.
    apart_s : least time between two candidates.
    doubtful_below : proposals with a confidence below this should be checked.
    """

    rise_db: float = 3.0
    apart_s: float = 0.05
    doubtful_below: float = 0.8

    def __post_init__(self) -> None:
        check_range("rise_db", self.rise_db, 0.0, 60.0)
        check_positive("apart_s", self.apart_s)
        check_range("doubtful_below", self.doubtful_below, 0.0, 1.0)


@dataclass(frozen=True, slots=True)
class Proposal:
    """One proposed onset.

    Parameters
    ----------
    onset_s : onset in the signal, in seconds from the recording's start.
    confidence : probability of a tap, 0–1.
    rise_db : rise of the prediction error.
    similarity : largest correlation with the template, −1 to 1; 0 without a template.
    clear_db : peak after subtraction of the ringing, over the largest extrapolation error before the onset.
    rhythm : 0–1, whether similar neighbours lie at the intervals of a hand (0.12–0.9 s).
    """

    onset_s: float
    confidence: float
    rise_db: float
    similarity: float
    clear_db: float
    rhythm: float


def propose_onsets(recording: Recording, parameters: ProposalParameters = ProposalParameters()) -> Records[Proposal]:
    """Every candidate onset of a recording, in order of time, each with a confidence that it is a tap.

    Uses the whole recording at once. Gaps are never bridged.

    Parameters
    ----------
    recording : Recording
        The recording.
    parameters : ProposalParameters
        Parameters of proposals.

    Returns
    -------
    Records of Proposal
        A tuple of proposals.

    Raises
    ------
    ParameterError
        For a sample rate below 500 Hz, at which taps cannot be distinguished from ringing.
    """
    require_recording(recording)
    return _make_proposals(*compute_candidates(recording, parameters))


def propose_in_file(
    path: str | Path,
    parameters: ProposalParameters = ProposalParameters(),
    *,
    channel: int = 0,
    full_scale_v: float | None = None,
    findings: FindingList | None = None,
    progress: Callable[[int], None] | None = None,
) -> Records[Proposal]:
    """As `propose_onsets`, for one channel of a WAV file read in parts: a day at 8 kHz takes less than 1 GB.

    Candidates are searched part by part, and compared over the whole file. `findings`
    and `progress` as in `tapsig.loading.parts.read_wav_parts`.

    Raises RecordingError as `tapsig.loading.read_wav_blocks` does, ParameterError as `propose_onsets`.
    """
    info = read_wav_info(path)
    _check_rate(info.fs, str(path))
    options = ReadOptions(channel=channel, full_scale_v=full_scale_v)
    parts = read_wav_parts(path, options, overlap_s=PART_OVERLAP_S, findings=findings, progress=progress)
    found = (extract_part_transients(part, rise_db=parameters.rise_db, apart_s=parameters.apart_s) for part in parts)
    events = Transients.join([one for one in found if one.rise_db.size])
    return _make_proposals(*_compare(events, info.duration_s, parameters))


def _make_proposals(onsets_s: FloatArray, features: FloatArray) -> Records[Proposal]:
    confidence = compute_confidence(features)
    found = (
        Proposal(float(onset), float(sure), *map(float, row[[0, 1, 3, 4]]))
        for onset, sure, row in zip(onsets_s, confidence, features, strict=True)
    )
    return Records(found, Proposal)


def compute_candidates(
    recording: Recording, parameters: ProposalParameters = ProposalParameters()
) -> tuple[FloatArray, FloatArray]:
    """Onsets (s, ascending, shape (n,)) and features (shape (n, 12), in the order of FEATURES) of all candidates.

    Raises ParameterError for a sample rate under 500 Hz.
    """
    require_kind("parameters", parameters, ProposalParameters, "ProposalParameters(rise_db=...)")
    _check_rate(recording.fs, recording.source)
    events = extract_transients(recording, rise_db=parameters.rise_db, apart_s=parameters.apart_s)
    return _compare(events, recording.span_s, parameters)


def _check_rate(fs: float, source: str) -> None:
    if fs < 500.0:
        named = f"{source}: fs" if source else "fs"
        raise ParameterError(f"{named} is {fs:g} Hz; proposals need 500 Hz or more to distinguish taps from ringing")


def _compare(events: Transients, span_s: float, parameters: ProposalParameters) -> tuple[FloatArray, FloatArray]:
    """Onsets and features of the remaining candidates, as `compute_candidates` returns them."""
    if not events.rise_db.size:
        return np.zeros(0), np.zeros((0, len(FEATURES)))
    onsets_s, similarity = time_by_template(events)
    kept = keep_strongest(onsets_s, events.rise_db, parameters.apart_s)
    onsets_s = np.clip(onsets_s[kept], 0.0, span_s)
    return onsets_s, describe_candidates(events.select(kept), onsets_s, similarity[kept])


def as_label_rows(proposals: Sequence[Proposal], *, keep: float = 0.1) -> list[tuple[float, str, float]]:
    """Rows (onset_s, kind, confidence) of a label file: "tap", or "unsure" when less likely than not.

    Those under `keep` are left out.
    """
    return [
        (round(proposal.onset_s, 6), TAP if proposal.confidence >= 0.5 else "unsure", round(proposal.confidence, 3))
        for proposal in proposals
        if proposal.confidence >= keep
    ]
