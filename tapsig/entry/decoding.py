"""From a recording or a stream to entries: by the rule, from accepted taps, or on evidence, from all candidates."""

from collections.abc import Iterable
from dataclasses import replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from tapsig.converter import Converter
from tapsig.core.evidence import CODE_DIGITS, KEPT, can_hold
from tapsig.core.tap import DECISION_MS, Judged
from tapsig.detections import Detections
from tapsig.detectors.base import Variant, blame_rate_on, run_detector
from tapsig.detectors.guards import NotCopied
from tapsig.detectors.saved import find_variant
from tapsig.detectors.tap import Tap
from tapsig.entry.evidence import EvidenceEntry, EvidenceMachine
from tapsig.entry.machine import Entry, check_code, decode_taps
from tapsig.entry.parameters import MILLISECONDS, EntryParameters, require_parameters, to_ms
from tapsig.errors import ParameterError
from tapsig.records import Recording
from tapsig.results import Records
from tapsig.units import check_choice, require_kind

Decoder = Literal["rule", "evidence"]
DECODERS: tuple[Decoder, ...] = ("rule", "evidence")


def check_decoder(decoder: str, variant: Variant) -> Decoder:
    """The decoder's name; ParameterError for another one, or for evidence with a detector that gives no log-odds."""
    check_choice("decoder", decoder, DECODERS)
    if decoder == "evidence" and not isinstance(variant, Tap):
        raise ParameterError(
            f"decoder evidence needs the log-odds of every candidate, which the detector {variant.name} does not give;"
            " use the detector tap, one that was fitted from it, or the decoder rule"
        )
    return "rule" if decoder == "rule" else "evidence"


def choose_decoder(
    decoder: str | None, variant: Variant, parameters: EntryParameters, code: tuple[int, ...] | None
) -> Decoder:
    """The decoder by its name; None: evidence where it can do what is asked (see `refuse_evidence`), else the rule.

    Raises ParameterError as `check_decoder` does.
    """
    if decoder is None:
        return "rule" if refuse_evidence(variant, parameters, code) else "evidence"
    return check_decoder(decoder, variant)


def refuse_evidence(variant: Variant, parameters: EntryParameters, code: tuple[int, ...] | None) -> str:
    """Why the decoder evidence cannot do what is asked, or ""."""
    if not isinstance(variant, Tap):
        return f"the detector {variant.name} gives no log-odds"
    if names := parameters.list_only_by_rule():
        return f"evidence does not use {names[0]}"
    if code is not None and not can_hold(code):
        return f"evidence keeps {KEPT} candidates and {CODE_DIGITS} digits"
    return ""


def decode_recording(
    recording: Recording,
    detector: Variant | str = "tap",
    parameters: EntryParameters | None = None,
    *,
    decoder: Decoder | None = None,
    code: Iterable[int] | str | None = None,
    until_end: bool = False,
) -> Records[Entry]:
    """The entries that are tapped in a recording.

    Parameters
    ----------
    detector : a variant, or what `load_detector` takes.
    decoder : "evidence" (all candidates of `tap`) or "rule" (fixed pauses between accepted taps). None: evidence,
        unless the detector gives no log-odds, the code is too long, or a parameter is given that only the rule uses.
    code : the right one, to be judged by; without it entries are only decoded.
    until_end : leave an entry undecided (and out) that is not over when the recording ends; otherwise silence follows.

    Raises ParameterError for an unknown decoder, evidence with a detector other than `tap` or with parameters that only
    the rule uses, or a code that is too long.
    """
    variant, parameters = find_variant(detector), require_parameters(parameters)
    digits = None if code is None else check_code(code, digit_max=parameters.digit_max)
    if choose_decoder(decoder, variant, parameters, digits) == "rule":
        found = run_detector(variant, recording).accepted()
        end_s = recording.span_s if until_end else None
        onsets_s = recording.times_s(found.onset_samples).tolist()
        return Records(decode_taps(onsets_s, parameters, end_s=end_s, code=digits), Entry)
    assert isinstance(variant, Tap)
    entries, _ = listen(EvidenceMachine(parameters, code=digits), variant, recording, until_end=until_end)
    return Records(entries, EvidenceEntry)


def decode(
    taps: Recording | Detections | Iterable[float],
    parameters: EntryParameters | None = None,
    *,
    code: Iterable[int] | str | None = None,
    detector: Variant | str = "tap",
    decoder: Decoder | None = None,
) -> Records[Entry]:
    """The entries that taps make: digits, and the verdict on them where a code is given.

    Parameters
    ----------
    taps : Recording, Detections or array of float
        A recording, in which `detector` finds the taps; what a detector found; or onsets in seconds.
    parameters : EntryParameters
        Pauses, limits and the largest digit.
    code : str or sequence of int
        The right one, such as "3-1-4"; without it entries are only decoded.
    detector : Variant or str
        What finds the taps of a recording.
    decoder : {"evidence", "rule"}
        All candidates of `tap`, which needs a recording, or fixed pauses between accepted taps. None: evidence for a
        recording, unless the detector gives no log-odds, the code is too long, or a parameter is given that only the
        rule uses; the rule for all else.

    Returns
    -------
    Records of Entry
        A tuple of entries, in order of time.

    Raises
    ------
    ParameterError
        For times that are not finite, a code that is too long, evidence without a recording, or parameters that only
        the rule uses with it.

    Examples
    --------
    >>> [str(entry) for entry in decode([0, 0.3, 0.6, 2.0, 3.5, 3.8, 3.9, 4.2], code="3-1-4")]
    ['3-1-4']
    """
    if isinstance(taps, Recording):
        return decode_recording(taps, detector, parameters, decoder=decoder, code=code)
    if decoder is not None and check_choice("decoder", decoder, DECODERS) != "rule":
        raise ParameterError(f"decoder is {decoder!r}; onsets are decoded by the rule alone: give the recording")
    onsets_s = taps.accepted().onset_s.tolist() if isinstance(taps, Detections) else taps
    return Records(decode_taps(onsets_s, parameters, code=code), Entry)


class EntryListener(NotCopied):
    """A running `tap` and an `EvidenceMachine`: volts in, entries out. However the chunks are cut, entries are equal.

    Parameters
    ----------
    machine : EvidenceMachine
        Decides the entries.
    variant : Tap
        The detector `tap`, or one that was fitted from it.
    fs : float
        Sample rate in Hz.
    converter : Converter
        Of the samples: chunks may then be its counts, too.

    Raises ParameterError for another machine or detector.

    >>> import tapsig
    >>> listener = EntryListener(EvidenceMachine(code="3-1-4"), tapsig.load_detector("tap"), fs=8000.0)
    >>> listener.push(np.zeros(800))
    ()
    """

    def __init__(self, machine: EvidenceMachine, variant: Tap, fs: float, converter: Converter | None = None) -> None:
        require_kind("machine", machine, EvidenceMachine, "tapsig.EvidenceMachine(code=...)")
        require_kind("variant", variant, Tap, "tapsig.load_detector('tap'), or one that was fitted from it")
        self._machine = machine
        self.detector = variant.build(fs, converter=converter)
        self._start_s = 0.0
        self._fed = 0

    def start(self, start_s: float) -> tuple[EvidenceEntry, ...]:
        """Say that the next sample lies at `start_s`, behind a gap; return the entries that ended before."""
        self.detector.reset()
        self._start_s, self._fed = start_s, 0
        return self._machine.advance(start_s)

    def push(self, chunk: npt.ArrayLike) -> tuple[EvidenceEntry, ...]:
        """Take samples, as a detector's `push` does, and return the entries that ended."""
        return self.follow(self.detector.judge(chunk), np.size(chunk))

    def follow(self, judged: Judged, size: int) -> tuple[EvidenceEntry, ...]:
        """Take what `detector` judged of the next `size` samples and return the entries that ended."""
        self._fed += size
        ended = self._machine.push_judged(judged, start_ms=to_ms(self._start_s))
        # two blocks more than the latency: the first block begins with the first sample
        known_s = self._start_s + self._fed / self.detector.fs - (DECISION_MS + 2) / MILLISECONDS
        return (*ended, *self._machine.advance(max(known_s, 0.0)))

    def flush(self) -> tuple[EvidenceEntry, ...]:
        """Say that no sample follows until `start`, which must come next; return the entries that ended."""
        return self.follow(self.detector.judge_rest(), 0)


def listen(
    machine: EvidenceMachine, variant: Tap, recording: Recording, *, until_end: bool = False
) -> tuple[tuple[EvidenceEntry, ...], Detections]:
    """The entries of a recording, and the taps as `run_detector` finds them, from one run.

    `until_end`: an entry that is not over when the recording ends stays in the machine.
    """
    with blame_rate_on(recording.source):
        listener = EntryListener(machine, variant, recording.fs, Converter.of(recording))
    detector = listener.detector
    entries: list[EvidenceEntry] = []
    taps: list[Detections] = []
    for start, stop in recording.stretches():
        entries += listener.start(float(recording.times_s(np.array(start))))
        for judged, size in ((detector.judge(recording.samples[start:stop]), stop - start), (detector.judge_rest(), 0)):
            entries += listener.follow(judged, size)
            taps.append(detector.report(judged).shifted(start))
    entries += () if until_end else machine.finish()
    return tuple(entries), replace(Detections.concatenate(taps), fs=recording.fs, gaps=recording.gaps)
