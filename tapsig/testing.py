"""The contract of every detector, and checks for it.

In a test of a detector, one test for each check:

    @pytest.mark.parametrize("check", detector_checks(MyVariant()), ids=str)
    def test_contract(check):
        check.run()

or all together: `check_detector(MyVariant())`.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt

from tapsig.detections import Detections
from tapsig.detectors import load_detector
from tapsig.detectors.base import Detector, Variant, latency_samples, require_detections, require_sound
from tapsig.errors import ParameterError
from tapsig.units import FloatArray, seconds_to_samples

CHUNKS = (7, 17, 509)
RATES_HZ = (1000.0, 8000.0, 48_000.0)
_SHORT_S = 0.85  # short, since chunks of one sample are slow
_FAILURES = (AssertionError, ArithmeticError, AttributeError, LookupError, TypeError, ValueError, Warning)


class ContractError(AssertionError):
    """A detector breaks its contract; the text names the clause, the place and the amount."""


@dataclass(frozen=True, slots=True)
class Check:
    """One clause of the contract: `run` returns nothing, or raises ContractError."""

    name: str
    run: Callable[[], None]

    def __str__(self) -> str:
        return self.name


def make_test_signal(fs: float, *, seed: int = 0) -> FloatArray:
    """Four seconds of knocks on a ringing panel over noise, with a bias of 2.5 V, shape (n,), volts between 0 and 5.

    Pairs of knocks 110 to 180 ms apart, a slow thump, a burst of noise. It is not realistic; it only exercises
    detectors.
    """
    rng = np.random.default_rng(seed)
    count = seconds_to_samples(4.0, fs)
    times = np.arange(count) / fs
    samples = 2.5 + 0.002 * rng.standard_normal(count)
    modes = [mode for mode in (71.0, 118.0, 167.0, 243.0, 331.0, 620.0, 1430.0) if mode < 0.4 * fs]
    for onset_s, peak_v in ((0.5, 0.6), (0.68, 0.5), (1.4, 0.9), (1.51, 0.7), (2.3, 0.3), (2.45, 0.35), (3.5, 0.5)):
        after = times[times >= onset_s] - onset_s
        ring = sum(np.sin(2 * np.pi * mode * after) * np.exp(-after * mode / 12.0) for mode in modes)
        samples[-after.size :] += peak_v / len(modes) ** 0.5 * ring
    after = times[times >= 3.0] - 3.0
    samples[-after.size :] += 0.2 * np.sin(2 * np.pi * 9.0 * after) * np.exp(-after / 0.1)
    burst = slice(seconds_to_samples(1.9, fs), seconds_to_samples(2.0, fs))
    samples[burst] += 0.05 * rng.standard_normal(samples[burst].size)
    return np.clip(samples, 0.0, 5.0)


def check_detector(
    variant: Variant | str, *, fs: Iterable[float] = RATES_HZ, samples: FloatArray | None = None, hears: bool = True
) -> None:
    """Run every check at every rate; raise ContractError with all failures.

    Parameters
    ----------
    variant : a variant, or a name such as "my_module:MyVariant" (see `load_detector`).
    fs : rates in Hz to check.
    samples : a test signal in volts, used at every rate; default: `make_test_signal`.
    hears : require detections in the signal and none in silence.

    >>> check_detector("fixed-threshold", fs=[2000.0])
    """
    failures = []
    for rate in fs:
        for check in detector_checks(variant, fs=rate, samples=samples, hears=hears):
            try:
                check.run()
            except ContractError as error:
                failures.append(f"at {rate:g} Hz, {error}")
    if failures:
        raise ContractError("\n".join(failures))


def detector_checks(
    variant: Variant | str, *, fs: float = 8000.0, samples: FloatArray | None = None, hears: bool = True
) -> Iterator[Check]:
    """The clauses of the contract for one rate. Parameters as in `check_detector`."""
    chosen = load_detector(variant) if isinstance(variant, str) else variant
    signal = make_test_signal(fs) if samples is None else np.array(samples, dtype=np.float64)
    signal.flags.writeable = False
    clauses: dict[str, Callable[[], None]] = {
        "answers to the protocol": partial(_check_protocol, chosen, fs),
        "refuses an impossible rate": partial(_check_rate, chosen),
        "fields are sound": partial(_check_fields, chosen, fs, signal),
        "latency is kept": partial(_check_latency, chosen, fs, signal),
        "chunks of 1 equal all at once": partial(_check_chunks, chosen, fs, signal[: int(_SHORT_S * fs)], 1),
    }
    for size in CHUNKS:
        clauses[f"chunks of {size} equal all at once"] = partial(_check_chunks, chosen, fs, signal, size)
    clauses |= {
        "the future changes nothing": partial(_check_causal, chosen, fs, signal),
        "answers in time": partial(_check_prompt, chosen, fs, signal),
        "levels are absolute": partial(_check_absolute, chosen, fs, signal),
        "reset equals new": partial(_check_reset, chosen, fs, signal),
        "after flush only reset": partial(_check_flushed, chosen, fs, signal),
        "detectors share nothing": partial(_check_independent, chosen, fs, signal),
        "empty input": partial(_check_empty, chosen, fs, signal),
        "constant input": partial(_check_constant, chosen, fs, hears),
        "clipped input": partial(_check_clipped, chosen, fs, signal),
        "nan and inf are refused": partial(_check_finite, chosen, fs, signal),
        "one channel only": partial(_check_one_channel, chosen, fs),
        "input is not changed": partial(_check_input, chosen, fs, signal),
        "rejected candidates add to the taps": partial(_check_rejected, chosen, fs, signal),
    }
    if hears:
        clauses["hears something"] = partial(_check_hears, chosen, fs, signal)
    for name, clause in clauses.items():
        yield Check(name, partial(_run_clause, name, clause))


def _run_clause(name: str, clause: Callable[[], None]) -> None:
    try:
        clause()
    except (ContractError, ParameterError) as error:
        raise ContractError(f"{name!r}: {error}") from None
    except _FAILURES as error:
        raise ContractError(f"{name!r}: it raised {type(error).__name__}: {error}") from error


def _require(condition: object, text: str) -> None:
    if not condition:
        raise ContractError(text)


def _run(detector: Detector, samples: npt.ArrayLike, size: int | None = None) -> Detections:
    """Push `samples`, `size` at a time, and flush."""
    array = np.asarray(samples)
    step = size or max(array.size, 1)
    parts = [detector.push(array[start : start + step]) for start in range(0, array.size, step)]
    return Detections.concatenate([require_detections(part) for part in (*parts, detector.flush())])


def _require_equal(found: Detections, expected: Detections, fs: float, what: str) -> None:
    """Every field is equal, bit for bit."""
    count = min(len(found), len(expected))
    for name in ("onset_samples", "decided_samples", "strength"):
        mine, other = getattr(found, name)[:count], getattr(expected, name)[:count]
        differs = np.flatnonzero(mine != other)
        if differs.size:
            i = int(differs[0])
            at = expected.onset_samples[i] / fs
            raise ContractError(f"{what}: {name}[{i}] is {mine[i]!r} instead of {other[i]!r} (onset near {at:.3f} s)")
    if len(found) != len(expected):
        longer = found if len(found) > count else expected
        at = longer.onset_samples[count] / fs
        raise ContractError(f"{what}: {len(found)} detections instead of {len(expected)}, first about {at:.3f} s")
    _require(found.reason == expected.reason, f"{what}: the reasons differ")
    _require(not count or set(found.features) == set(expected.features), f"{what}: the names of the features differ")
    for name in found.features:
        same = np.array_equal(found.features[name], expected.features[name], equal_nan=True)
        _require(same, f"{what}: the feature {name!r} differs")


def _check_protocol(variant: Variant, fs: float) -> None:
    _require(isinstance(variant.name, str) and variant.name.strip(), f"name is {variant.name!r}; it must be a word")
    detector = variant.build(fs)
    _require(isinstance(detector, Detector), "the detector from build() lacks one of push, flush, reset, fs, latency_s")
    _require(detector.fs == fs, f"it was built for {fs:g} Hz, and its fs is {detector.fs!r}")
    _require(detector.latency_s >= 0, f"latency_s is {detector.latency_s!r}; it must be 0 or more (inf if batch only)")


def _check_rate(variant: Variant) -> None:
    for fs in (0.0, -8000.0, np.nan, np.inf):
        try:
            variant.build(fs)
        except ValueError:
            continue
        raise ContractError(f"build({fs}) succeeds; it must raise ParameterError (or another ValueError)")


def _check_fields(variant: Variant, fs: float, signal: FloatArray) -> None:
    require_sound(_run(variant.build(fs), signal), signal.size)


def _check_latency(variant: Variant, fs: float, signal: FloatArray) -> None:
    detector = variant.build(fs)
    found = _run(detector, signal)
    late = found.decided_samples - found.onset_samples - detector.latency_s * fs
    if late.size:
        i = int(late.argmax())
        at, by = found.onset_samples[i] / fs, late[i] / fs * 1e3
        _require(late[i] <= 1e-6, f"the onset at {at:.3f} s was decided {by:.3f} ms later than latency_s allows")


def _check_chunks(variant: Variant, fs: float, signal: FloatArray, size: int) -> None:
    expected = _run(variant.build(fs), signal)
    _require_equal(_run(variant.build(fs), signal, size), expected, fs, f"{size} at a time")


def _futures(signal: FloatArray, cut: int) -> Iterator[tuple[str, FloatArray]]:
    """Signals that equal `signal` up to `cut` and differ after it."""
    future = signal[cut:]
    yield "silence", np.concatenate([signal[:cut], np.full(future.size, signal[cut - 1])])
    yield "a loud end", np.concatenate([signal[:cut], 2.5 + 40.0 * (future - 2.5)])
    yield "the same backwards", np.concatenate([signal[:cut], future[::-1]])


def _cuts(signal: FloatArray, fs: float, found: Detections) -> list[int]:
    """Samples just after onsets, where decisions are pending, and others."""
    near = [int(onset) + wait for onset in found.onset_samples[:4] for wait in (1, int(0.01 * fs), int(0.03 * fs))]
    return sorted({cut for cut in [*near, signal.size // 3, signal.size // 2] if 0 < cut < signal.size})


def _check_causal(variant: Variant, fs: float, signal: FloatArray) -> None:
    full = _run(variant.build(fs), signal)
    for cut in _cuts(signal, fs, full):
        expected = full.select(full.decided_samples < cut)
        for name, other in _futures(signal, cut):
            found = _run(variant.build(fs), other)
            found = found.select(found.decided_samples < cut)
            _require_equal(
                found, expected, fs, f"followed by {name} from {cut / fs:.3f} s on, earlier detections changed"
            )


def _check_prompt(variant: Variant, fs: float, signal: FloatArray) -> None:
    detector = variant.build(fs)
    if not np.isfinite(detector.latency_s):
        return
    full = _run(detector, signal)
    for cut in _cuts(signal, fs, full):
        found = variant.build(fs).push(signal[:cut])
        due = full.select(full.onset_samples + latency_samples(detector) < cut)
        missing = np.setdiff1d(due.onset_samples, found.onset_samples)
        if missing.size:
            onset_s, wait_s = missing[0] / fs, detector.latency_s
            raise ContractError(
                f"after {cut / fs:.3f} s the onset at {onset_s:.3f} s is still missing; latency_s is {wait_s:g}"
            )


def _check_absolute(variant: Variant, fs: float, signal: FloatArray) -> None:
    """A later loud event must not change earlier detections, as normalisation by the maximum would."""
    pause = np.full(seconds_to_samples(2.0, fs), signal[-1])
    loud = signal[-1] + 20.0 * (signal[: seconds_to_samples(1.0, fs)] - signal[0])
    alone = _run(variant.build(fs), np.concatenate([signal, pause]))
    followed = _run(variant.build(fs), np.concatenate([signal, pause, loud]))
    before, after = (each.onset_samples[each.onset_samples < signal.size] for each in (alone, followed))
    _require(
        np.array_equal(before, after),
        f"{before.size} onsets alone, {after.size} when a loud event follows 2 s later; levels must be absolute volts",
    )


def _check_reset(variant: Variant, fs: float, signal: FloatArray) -> None:
    expected = _run(variant.build(fs), signal)
    detector = variant.build(fs)
    detector.push(0.0 - signal[: signal.size // 2])
    detector.reset()
    _require_equal(_run(detector, signal), expected, fs, "after a reset amid samples")
    detector.reset()
    _require_equal(_run(detector, signal), expected, fs, "after a reset at the end")


def _check_flushed(variant: Variant, fs: float, signal: FloatArray) -> None:
    """After flush, pending candidates have been decided, so continuing is not defined."""
    for name in ("push", "flush"):
        detector = variant.build(fs)
        _run(detector, signal)
        try:
            detector.push(signal) if name == "push" else detector.flush()
        except ValueError:
            continue
        raise ContractError(f"{name} succeeds after flush; it must raise ParameterError (or another ValueError)")


def _check_independent(variant: Variant, fs: float, signal: FloatArray) -> None:
    expected = _run(variant.build(fs), signal)
    one, other = variant.build(fs), variant.build(fs)
    parts = []
    for stretch in np.array_split(signal, 97):
        parts.append(one.push(stretch))
        other.push(5.0 - stretch[::-1])
    parts.append(one.flush())
    _require_equal(Detections.concatenate(parts), expected, fs, "while a second one runs beside it")


def _check_empty(variant: Variant, fs: float, signal: FloatArray) -> None:
    _require(len(_run(variant.build(fs), np.empty(0))) == 0, "flush after no samples detects something")
    detector = variant.build(fs)
    nothing = len(detector.push(np.empty(0))) == 0
    half = signal.size // 2
    parts = [detector.push(signal[:half]), detector.push([]), detector.push(signal[half:]), detector.flush()]
    _require(nothing, "an empty chunk detects something")
    _require_equal(Detections.concatenate(parts), _run(variant.build(fs), signal), fs, "with empty chunks in between")


def _check_constant(variant: Variant, fs: float, hears: bool) -> None:
    for level_v in (0.0, 2.5, -1e3):
        samples = np.full(seconds_to_samples(1.0, fs), level_v)
        found = _run(variant.build(fs), samples)
        require_sound(found, samples.size)
        count = len(found.accepted())
        _require(not (hears and count), f"{count} detections in a constant {level_v:g} V; filters must begin settled")


def _check_clipped(variant: Variant, fs: float, signal: FloatArray) -> None:
    samples = np.clip(2.5 + 100.0 * (signal - 2.5), 0.0, 5.0)
    expected = _run(variant.build(fs), samples)
    require_sound(expected, samples.size)
    _require_equal(_run(variant.build(fs), samples, 509), expected, fs, "509 at a time")


def _check_finite(variant: Variant, fs: float, signal: FloatArray) -> None:
    for bad in (np.nan, np.inf, -np.inf):
        chunk = np.array(signal[:20])
        chunk[7] = bad
        try:
            variant.build(fs).push(chunk)
        except ValueError:
            continue
        raise ContractError(f"it takes {bad}; it must raise ParameterError (or another ValueError)")


def _check_one_channel(variant: Variant, fs: float) -> None:
    try:
        variant.build(fs).push(np.zeros((10, 2)))
    except ValueError:
        return
    raise ContractError("it takes samples of shape (10, 2); it must raise ParameterError (or another ValueError)")


def _check_input(variant: Variant, fs: float, signal: FloatArray) -> None:
    samples = np.array(signal)
    detector = variant.build(fs)
    detector.push(samples)
    samples_after, samples[:] = samples.copy(), 0.0  # a caller may use its buffer again
    detector.flush()
    _require(np.array_equal(samples_after, signal), "the samples that were pushed have changed")
    chunk = seconds_to_samples(0.25, fs)
    buffer, again, parts = np.empty(chunk), variant.build(fs), []
    for start in range(0, signal.size, chunk):
        part = signal[start : start + chunk]
        buffer[: part.size] = part
        parts.append(again.push(buffer[: part.size]))
        buffer[:] = 1e3
    found = Detections.concatenate([*parts, again.flush()])
    _require_equal(found, _run(variant.build(fs), signal), fs, "when the caller uses its buffer again")


def _check_rejected(variant: Variant, fs: float, signal: FloatArray) -> None:
    taps = _run(variant.build(fs), signal)
    _require(not any(taps.reason), "without keep_rejected, rejected candidates are returned")
    found = _run(variant.build(fs, keep_rejected=True), signal)
    _require_equal(found.accepted(), taps, fs, "with keep_rejected, the accepted ones")


def _check_hears(variant: Variant, fs: float, signal: FloatArray) -> None:
    found = _run(variant.build(fs), signal)
    _require(len(found), "it finds nothing in the test signal, so the other checks show little; give `samples`")
