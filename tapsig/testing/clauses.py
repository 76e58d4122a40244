"""The clauses of the contract of every detector, each a function that raises ContractError."""

from collections.abc import Callable, Iterator
from functools import partial

import numpy as np
import numpy.typing as npt

from tapsig.detections import Detections
from tapsig.detectors.base import Detector, Variant, require_detections, require_sound
from tapsig.units import FloatArray, seconds_to_samples


class ContractError(AssertionError):
    """A detector breaks its contract; the text names the clause, the place and the amount."""


def _require(condition: object, text: str) -> None:
    if not condition:
        raise ContractError(text)


def _require_refused(call: Callable[[], object], what: str) -> None:
    try:
        call()
    except ValueError:
        return
    raise ContractError(f"{what}; it must raise ParameterError (or another ValueError)")


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
        differs = np.flatnonzero((mine != other) & ~((mine != mine) & (other != other)))  # nan is equal to nan
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


def check_protocol(variant: Variant, fs: float, signal: FloatArray) -> None:
    _require(isinstance(variant.name, str) and variant.name.strip(), f"name is {variant.name!r}; it must be a word")
    detector = variant.build(fs)
    _require(isinstance(detector, Detector), "the detector from build() lacks one of push, flush, reset, fs, latency_s")
    _require(detector.fs == fs, f"it was built for {fs:g} Hz, and its fs is {detector.fs!r}")
    _require(detector.latency_s >= 0, f"latency_s is {detector.latency_s!r}; it must be 0 or more (inf if batch only)")


def check_rate(variant: Variant, fs: float, signal: FloatArray) -> None:
    for bad in (0.0, -8000.0, np.nan, np.inf):
        _require_refused(partial(variant.build, bad), f"build({bad}) succeeds")


def check_fields(variant: Variant, fs: float, signal: FloatArray) -> None:
    require_sound(_run(variant.build(fs), signal), signal.size)


def check_latency(variant: Variant, fs: float, signal: FloatArray) -> None:
    detector = variant.build(fs)
    found = _run(detector, signal)
    late = found.decided_samples - found.onset_samples - detector.latency_s * fs
    if late.size:
        i = int(late.argmax())
        at, by = found.onset_samples[i] / fs, late[i] / fs * 1e3
        _require(late[i] <= 1e-6, f"the onset at {at:.3f} s was decided {by:.3f} ms later than latency_s allows")


def check_chunks(variant: Variant, fs: float, signal: FloatArray, size: int) -> None:
    if size == 1:
        signal = signal[: int(0.85 * fs)]  # chunks of one sample are slow
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


def check_causal(variant: Variant, fs: float, signal: FloatArray) -> None:
    full = _run(variant.build(fs), signal)
    for cut in _cuts(signal, fs, full):
        expected = full.select(full.decided_samples < cut)
        for name, other in _futures(signal, cut):
            found = _run(variant.build(fs), other)
            found = found.select(found.decided_samples < cut)
            _require_equal(
                found, expected, fs, f"followed by {name} from {cut / fs:.3f} s on, earlier detections changed"
            )


def check_prompt(variant: Variant, fs: float, signal: FloatArray) -> None:
    detector = variant.build(fs)
    if not np.isfinite(detector.latency_s):
        return
    full = _run(detector, signal)
    for cut in _cuts(signal, fs, full):
        found = variant.build(fs).push(signal[:cut])
        due = full.select(full.onset_samples + seconds_to_samples(detector.latency_s, fs) < cut)
        missing = np.setdiff1d(due.onset_samples, found.onset_samples)
        if missing.size:
            onset_s, wait_s = missing[0] / fs, detector.latency_s
            raise ContractError(
                f"after {cut / fs:.3f} s the onset at {onset_s:.3f} s is still missing; latency_s is {wait_s:g}"
            )


def check_absolute(variant: Variant, fs: float, signal: FloatArray) -> None:
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


def check_reset(variant: Variant, fs: float, signal: FloatArray) -> None:
    expected = _run(variant.build(fs), signal)
    detector = variant.build(fs)
    detector.push(0.0 - signal[: signal.size // 2])
    detector.reset()
    _require_equal(_run(detector, signal), expected, fs, "after a reset amid samples")
    detector.reset()
    _require_equal(_run(detector, signal), expected, fs, "after a reset at the end")


def check_flushed(variant: Variant, fs: float, signal: FloatArray) -> None:
    """After flush, pending candidates have been decided, so continuing is not defined."""
    for name in ("push", "flush"):
        detector = variant.build(fs)
        _run(detector, signal)
        _require_refused(
            partial(detector.push, signal) if name == "push" else detector.flush, f"{name} succeeds after flush"
        )


def check_independent(variant: Variant, fs: float, signal: FloatArray) -> None:
    expected = _run(variant.build(fs), signal)
    one, other = variant.build(fs), variant.build(fs)
    parts = []
    for stretch in np.array_split(signal, 97):
        parts.append(one.push(stretch))
        other.push(5.0 - stretch[::-1])
    parts.append(one.flush())
    _require_equal(Detections.concatenate(parts), expected, fs, "while a second one runs beside it")


def check_empty(variant: Variant, fs: float, signal: FloatArray) -> None:
    _require(len(_run(variant.build(fs), np.empty(0))) == 0, "flush after no samples detects something")
    detector = variant.build(fs)
    nothing = len(detector.push(np.empty(0))) == 0
    half = signal.size // 2
    parts = [detector.push(signal[:half]), detector.push([]), detector.push(signal[half:]), detector.flush()]
    _require(nothing, "an empty chunk detects something")
    _require_equal(Detections.concatenate(parts), _run(variant.build(fs), signal), fs, "with empty chunks in between")


def check_constant(variant: Variant, fs: float, signal: FloatArray, hears: bool = True) -> None:
    for level_v in (0.0, 2.5, -1e3):
        samples = np.full(seconds_to_samples(1.0, fs), level_v)
        found = _run(variant.build(fs), samples)
        require_sound(found, samples.size)
        count = len(found.accepted())
        _require(not (hears and count), f"{count} detections in a constant {level_v:g} V; filters must begin settled")


def check_clipped(variant: Variant, fs: float, signal: FloatArray) -> None:
    samples = np.clip(2.5 + 100.0 * (signal - 2.5), 0.0, 5.0)
    expected = _run(variant.build(fs), samples)
    require_sound(expected, samples.size)
    _require_equal(_run(variant.build(fs), samples, 509), expected, fs, "509 at a time")


def check_finite(variant: Variant, fs: float, signal: FloatArray) -> None:
    for bad in (np.nan, np.inf, -np.inf):
        chunk = np.array(signal[:20])
        chunk[7] = bad
        _require_refused(partial(variant.build(fs).push, chunk), f"it takes {bad}")


def check_one_channel(variant: Variant, fs: float, signal: FloatArray) -> None:
    _require_refused(partial(variant.build(fs).push, np.zeros((10, 2))), "it takes samples of shape (10, 2)")


def check_input(variant: Variant, fs: float, signal: FloatArray) -> None:
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


def check_rejected(variant: Variant, fs: float, signal: FloatArray) -> None:
    taps = _run(variant.build(fs), signal)
    _require(not any(taps.reason), "without keep_rejected, rejected candidates are returned")
    found = _run(variant.build(fs, keep_rejected=True), signal)
    _require_equal(found.accepted(), taps, fs, "with keep_rejected, the accepted ones")


def check_hears(variant: Variant, fs: float, signal: FloatArray) -> None:
    found = _run(variant.build(fs), signal)
    _require(len(found), "it finds nothing in the test signal, so the other checks show little; give `samples`")


CLAUSES: dict[str, Callable[[Variant, float, FloatArray], None]] = {
    "answers to the protocol": check_protocol,
    "refuses an impossible rate": check_rate,
    "fields are sound": check_fields,
    "latency is kept": check_latency,
    **{f"chunks of {size} equal all at once": partial(check_chunks, size=size) for size in (1, 7, 17, 509)},
    "the future changes nothing": check_causal,
    "answers in time": check_prompt,
    "levels are absolute": check_absolute,
    "reset equals new": check_reset,
    "after flush only reset": check_flushed,
    "detectors share nothing": check_independent,
    "empty input": check_empty,
    "constant input": check_constant,
    "clipped input": check_clipped,
    "nan and inf are refused": check_finite,
    "one channel only": check_one_channel,
    "input is not changed": check_input,
    "rejected candidates add to the taps": check_rejected,
    "hears something": check_hears,
}
"""By the names that a failure is reported with; each takes a variant, a rate in Hz, and a signal at that rate."""
