"""The contract's checks pass a sound detector, and each names the fault of one that is broken on purpose."""

import math
from collections.abc import Callable

import numpy as np
import pytest

from tapsig.detections import Detections
from tapsig.detectors.base import StreamingDetector
from tapsig.errors import ParameterError
from tapsig.testing import ContractError, check_detector, detector_checks, make_test_signal

FS = 2000.0


class Steps(StreamingDetector):
    """A sound detector of a few lines: a rise of 0.1 V between two samples, 50 ms dead time, decided at once."""

    latency_s = 0.0

    def __init__(self, fs: float) -> None:
        super().__init__(fs)
        self._clear()

    def _clear(self) -> None:
        self.before = math.nan
        self.ready = 0

    def _process(self, samples: np.ndarray, first: int) -> Detections:
        onsets = []
        for n, value in enumerate(samples.tolist(), first):
            if value - self.before > 0.1 and n >= self.ready:
                onsets.append(n)
                self.ready = n + int(0.05 * self.fs)
            self.before = value
        return self.answer(np.array(onsets, dtype=np.int64))

    def answer(self, onsets: np.ndarray) -> Detections:
        return Detections(onsets, onsets, np.ones(onsets.size))


class Variant:
    """Builds whatever class it is given."""

    name = "own"

    def __init__(self, kind: Callable[[float], object]) -> None:
        self.kind = kind

    def build(self, fs: float, *, keep_rejected: bool = False) -> object:
        return self.kind(fs)


OWN = Variant(Steps)


class LosesChunkEdge(Steps):
    """Forgets the last sample between chunks."""

    def _process(self, samples: np.ndarray, first: int) -> Detections:
        self.before = samples[0]
        return super()._process(samples, first)


class LooksAhead(Steps):
    """Accepts only the highest steps of what it was given."""

    def _process(self, samples: np.ndarray, first: int) -> Detections:
        return super()._process(samples / max(np.abs(samples - samples[0]).max(), 0.5), first)


class Batch(Steps):
    """Waits for the end; says so (inf), but scales by the file's maximum."""

    latency_s = math.inf

    def _clear(self) -> None:
        super()._clear()
        self.chunks: list[np.ndarray] = []

    def _process(self, samples: np.ndarray, first: int) -> Detections:
        self.chunks.append(samples.copy())
        return Detections.empty()

    def _finish(self, consumed: int) -> Detections:
        if not self.chunks:
            return Detections.empty()
        samples = np.concatenate(self.chunks)
        scale = max(np.abs(samples - samples[0]).max(), 0.1)
        found = super()._process((samples - samples[0]) / scale, 0)
        return Detections(found.onset_samples, np.full(len(found), consumed - 1), found.strength)


class KeepsState(Steps):
    """Does not forget its dead time when it is reset."""

    def _clear(self) -> None:
        self.before = math.nan
        self.ready = getattr(self, "ready", 0)


class Shared(Steps):
    """All detectors have one and the same dead time."""

    readiness: dict[str, int] = {}  # noqa: RUF012 - the fault on purpose

    def _process(self, samples: np.ndarray, first: int) -> Detections:
        self.ready = self.readiness.get("ready", 0) if first else 0
        found = super()._process(samples, first)
        self.readiness["ready"] = self.ready
        return found


class Late(Steps):
    """Decides 10 ms later than it claims."""

    def answer(self, onsets: np.ndarray) -> Detections:
        onsets = np.maximum(onsets - int(0.01 * self.fs), 0)
        return Detections(onsets, onsets + int(0.01 * self.fs), np.ones(onsets.size))


class Withholds(Steps):
    """Decides at once, tells at the end."""

    def _clear(self) -> None:
        super()._clear()
        self.kept = Detections.empty()

    def _process(self, samples: np.ndarray, first: int) -> Detections:
        self.kept = Detections.concatenate([self.kept, super()._process(samples, first)])
        return Detections.empty()

    def _finish(self, consumed: int) -> Detections:
        return self.kept


class StartsUnsettled(Steps):
    """Takes the bias for a step."""

    def _clear(self) -> None:
        super()._clear()
        self.before = 0.0


class TakesAnything(Steps):
    """No check of what is pushed."""

    def push(self, chunk: np.ndarray) -> Detections:
        samples = np.nan_to_num(np.asarray(chunk, dtype=float)).reshape(-1)
        found = self._process(samples, self._consumed)
        self._consumed += samples.size
        return found


class FlushesTwice(Steps):
    """Says again and again that it is done."""

    def flush(self) -> Detections:
        return Detections.empty() if self._flushed else super().flush()


class KeepsTheBuffer(Batch):
    """Keeps the caller's own array instead of a copy."""

    def push(self, chunk: np.ndarray) -> Detections:
        if isinstance(chunk, np.ndarray) and chunk.dtype == np.float64 and chunk.ndim == 1:
            self.chunks.append(chunk)
            self._consumed += chunk.size
            return Detections.empty()
        return super().push(chunk)


class ChangesInput(Steps):
    """Removes the bias in place."""

    def push(self, chunk: np.ndarray) -> Detections:
        if isinstance(chunk, np.ndarray) and chunk.flags.writeable and chunk.size:
            chunk -= 1e-3
        return super().push(chunk)


class Deaf(Steps):
    """Finds nothing at all."""

    def answer(self, onsets: np.ndarray) -> Detections:
        return Detections.empty()


class BackInTime(Steps):
    """Onsets before the recording began."""

    def answer(self, onsets: np.ndarray) -> Detections:
        return Detections(onsets - 10_000, onsets, np.ones(onsets.size))


class NoFlush:
    """Half a protocol."""

    latency_s = 0.0

    def __init__(self, fs: float) -> None:
        if not 0 < fs < math.inf:
            raise ValueError("fs")
        self.fs = fs

    def push(self, chunk: np.ndarray) -> Detections:
        return Detections.empty()


class AnyRate(Steps):
    """Takes a rate of 0."""

    def __init__(self, fs: float) -> None:
        super().__init__(8000.0)
        self._fs = fs


class MixesReasons:
    """Returns rejected candidates though nobody asked."""

    name = "mixes"

    def build(self, fs: float, *, keep_rejected: bool = False) -> Steps:
        class Mixing(Steps):
            def answer(self, onsets: np.ndarray) -> Detections:
                return Detections(onsets, onsets, np.ones(onsets.size), reason=("too weak",) * onsets.size)

        return Mixing(fs)


def failing(variant: object) -> dict[str, str]:
    """The checks that fail, with their texts."""
    found = {}
    for check in detector_checks(variant, fs=FS):
        try:
            check.run()
        except ContractError as error:
            found[str(check)] = str(error)
    return found


def test_a_sound_detector_of_ones_own_passes_at_all_rates() -> None:
    check_detector(OWN)


def test_a_detector_can_be_named_by_its_import_path(monkeypatch: pytest.MonkeyPatch, tmp_path) -> None:
    (tmp_path / "bench_own.py").write_text(
        "from tapsig.detectors.fixed_threshold import FixedThreshold\nLoud = FixedThreshold(threshold_v=0.2)\n"
    )
    monkeypatch.syspath_prepend(str(tmp_path))
    check_detector("bench_own:Loud", fs=[FS])


@pytest.mark.parametrize(
    ("kind", "name", "says"),
    [
        (LosesChunkEdge, "chunks of 1 equal all at once", "1 at a time: "),
        (LooksAhead, "the future changes nothing", "a loud end"),
        (Batch, "levels are absolute", "absolute volts"),
        (KeepsState, "reset equals new", "after a reset"),
        (Shared, "detectors share nothing", "beside it"),
        (Late, "latency is kept", "10.000 ms later"),
        (Withholds, "answers in time", "still missing"),
        (StartsUnsettled, "constant input", "begin settled"),
        (TakesAnything, "nan and inf are refused", "nan"),
        (TakesAnything, "one channel only", "(10, 2)"),
        (TakesAnything, "after flush only reset", "push succeeds after flush"),
        (FlushesTwice, "after flush only reset", "flush succeeds after flush"),
        (KeepsTheBuffer, "input is not changed", "uses its buffer again"),
        (ChangesInput, "input is not changed", "have changed"),
        (Deaf, "hears something", "give `samples`"),
        (BackInTime, "fields are sound", "indices reach from -"),
        (NoFlush, "answers to the protocol", "flush"),
        (AnyRate, "refuses an impossible rate", "build(0.0)"),
    ],
)
def test_each_fault_is_named(kind: type, name: str, says: str) -> None:
    assert says in failing(Variant(kind)).get(name, "passed")


def test_rejected_candidates_that_nobody_asked_for_are_a_fault() -> None:
    assert "without keep_rejected" in failing(MixesReasons())["rejected candidates add to the taps"]


def test_all_faults_are_told_at_once_with_their_rates() -> None:
    with pytest.raises(ContractError) as caught:
        check_detector(Variant(TakesAnything), fs=[1000.0, FS])
    assert str(caught.value).count("nan and inf are refused") == 2
    assert "at 1000 Hz" in str(caught.value)


def test_a_detector_that_need_not_hear_is_not_asked_to() -> None:
    check_detector(Variant(Deaf), fs=[FS], hears=False)


def test_an_exception_of_a_detector_is_reported_as_a_broken_clause() -> None:
    class Fragile(Steps):
        def _process(self, samples: np.ndarray, first: int) -> Detections:
            raise IndexError("list index out of range")

    assert "IndexError: list index out of range" in failing(Variant(Fragile))["fields are sound"]


def test_a_signal_of_ones_own_is_used() -> None:
    quiet = np.full(2000, 1.0)
    checks = {str(check): check for check in detector_checks(OWN, fs=FS, samples=quiet)}
    with pytest.raises(ContractError, match="finds nothing"):
        checks["hears something"].run()


def test_the_test_signal_stays_between_the_rails_and_is_repeatable() -> None:
    signal = make_test_signal(FS)
    assert signal.size == 8000
    assert 0.0 <= signal.min() < signal.max() <= 5.0
    assert np.array_equal(signal, make_test_signal(FS))


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"variant": Variant}, "the detector is the class Variant; give an instance"),
        ({"variant": None}, "the detector is a NoneType; a detector variant has a text `name`"),
        ({"variant": Steps(FS)}, "the detector is a Steps; a detector variant has"),
        ({"fs": [100.0]}, "fs is 100.0; it must lie between 178 and 1e"),  # 71 Hz is its lowest mode
        ({"fs": ["2000"]}, "fs is '2000'"),
        ({"fs": [math.nan]}, "fs is nan"),
        ({"samples": "door.wav"}, "samples is 'door.wav'"),
        ({"samples": np.zeros((3000, 2))}, "samples has shape"),
        ({"samples": [math.nan] * 3000}, r"samples\[0\] is nan"),
        ({"samples": [0.0] * 19}, "samples holds 19 values; it must hold 20 or more"),
    ],
)
def test_arguments_that_cannot_be_checked_are_refused_by_name(arguments: dict[str, object], words: str) -> None:
    with pytest.raises(ParameterError, match=words):
        check_detector(**{"variant": OWN, "fs": [FS], **arguments})


def test_one_rate_need_not_be_in_a_list() -> None:
    check_detector("fixed-threshold", fs=FS)


def test_a_detector_that_returns_none_is_told_so() -> None:
    """At the end of `_process` without a return, the commonest slip."""

    class Forgets(Steps):
        def _process(self, samples: np.ndarray, first: int) -> None:
            super()._process(samples, first)

    with pytest.raises(ContractError, match="'fields are sound': it returns NoneType instead of Detections"):
        check_detector(Variant(Forgets), fs=[FS])


def test_strengths_of_nan_are_one_fault_not_one_for_each_clause() -> None:
    class Unsure(Steps):
        def answer(self, onsets: np.ndarray) -> Detections:
            return Detections(onsets, onsets, np.full(onsets.size, np.nan))

    with pytest.raises(ContractError) as caught:
        check_detector(Variant(Unsure), fs=[FS])
    assert "a strength is nan or inf" in str(caught.value)
    assert "nan) instead of" not in str(caught.value)
