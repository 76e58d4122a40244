"""A running detector serves one thread at a time and is not copied; what is no volts is refused by name."""

import array
import copy
import pickle
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pandas as pd
import pytest

import tapsig
from tapsig.converter import Converter
from tapsig.detectors import CATALOGUE
from tapsig.detectors.base import feed
from tapsig.detectors.tap import Tap
from tapsig.entry.decoding import EntryListener
from tapsig.entry.evidence import EvidenceMachine
from tapsig.errors import ParameterError

FS = 8000.0
NOISE = np.random.default_rng(0).standard_normal(80_000)
USES = ("reset", "flush", "push", "detect")


def in_a_thread(call: Callable[[], object]) -> object:
    """What the call returns there, or the error it raises."""
    with ThreadPoolExecutor(1) as pool:
        done = pool.submit(call)
        return done.exception(60.0) or done.result()


@pytest.mark.parametrize("name", sorted(CATALOGUE))
@pytest.mark.parametrize("use", USES)
def test_another_thread_is_refused_amid_a_recording(name: str, use: str) -> None:
    detector = CATALOGUE[name].build(FS)
    calls = {
        "push": lambda: detector.push(NOISE),
        "flush": detector.flush,
        "reset": detector.reset,
        "detect": lambda: tapsig.detect(NOISE, FS, detector=detector),
    }
    told: list[object] = []

    def chunks() -> Iterator[np.ndarray]:
        yield NOISE[:40_000]
        told.append(in_a_thread(calls[use]))
        yield NOISE[40_000:]

    found = feed(detector, chunks())
    assert isinstance(told[0], ParameterError)
    assert "in use by another thread; build one for each" in str(told[0])
    assert found == feed(detector, [NOISE])
    assert isinstance(in_a_thread(calls["reset"]), type(None))  # it is free again


def test_many_threads_at_one_detector_get_the_right_answer_or_an_error() -> None:
    detector = CATALOGUE["tap"].build(FS)
    truth = tapsig.detect(NOISE, FS, detector=detector)
    start = threading.Barrier(4)

    def run() -> object:
        start.wait()
        return tapsig.detect(NOISE, FS, detector=detector)

    with ThreadPoolExecutor(4) as pool:
        tasks = [pool.submit(run) for _ in range(4)]
    right = [task for task in tasks if task.exception() is None]
    assert right
    assert all(task.result() == truth for task in right)
    assert all(isinstance(task.exception(), ParameterError) for task in tasks if task not in right)


RUNNING: dict[str, Callable[[], object]] = {
    **{name: lambda variant=variant: variant.build(FS) for name, variant in CATALOGUE.items()},  # type: ignore[misc]
    "EntryMachine": tapsig.EntryMachine,
    "EvidenceMachine": EvidenceMachine,
    "EntryListener": lambda: EntryListener(EvidenceMachine(), Tap(), FS),
}


@pytest.mark.parametrize("name", sorted(RUNNING))
@pytest.mark.parametrize("how", [copy.copy, copy.deepcopy, pickle.dumps])
def test_what_runs_is_not_copied(name: str, how: Callable[[object], object]) -> None:
    with pytest.raises(ParameterError, match=r"a running \w+ is not copied; build another"):
        how(RUNNING[name]())


COUNTS = {
    "ndarray": np.arange(100, dtype=np.int16),
    "Series": pd.Series(np.arange(100)),
    "array": array.array("H", range(100)),
}


@pytest.mark.parametrize("kind", sorted(COUNTS))
def test_counts_in_any_container_are_not_taken_for_volts(kind: str) -> None:
    counts = COUNTS[kind]
    calls: list[Callable[[], object]] = [
        lambda: tapsig.Recording(counts, 1000.0),
        lambda: tapsig.detect(counts, 1000.0),
        lambda: CATALOGUE["tap"].build(1000.0).push(counts),
    ]
    for call in calls:
        with pytest.raises(ParameterError, match="holds integers"):
            call()
    with_converter = Tap().build(1000.0, converter=Converter((0.0, 5.0), 10))
    assert len(with_converter.push(counts)) == 0


def test_a_list_of_whole_volts_is_volts() -> None:
    assert tapsig.Recording([0, 1, 2], 1000.0).samples.tolist() == [0.0, 1.0, 2.0]  # type: ignore[arg-type]


@pytest.mark.parametrize("dtype", [np.float64, np.uint16])
def test_a_masked_value_is_named(dtype: type) -> None:
    volts = np.ma.masked_array(np.zeros(1000, dtype), mask=False)
    volts[[7, 9]] = np.ma.masked
    detector = Tap().build(1000.0, converter=Converter((0.0, 5.0), 10))
    calls: list[Callable[[], object]] = [lambda: detector.push(volts), lambda: tapsig.detect(volts[:, None], 1000.0)]
    if dtype is np.float64:
        calls.append(lambda: tapsig.Recording(volts, 1000.0))
    for call in calls:
        with pytest.raises(ParameterError, match=r"\[7(, 0)?\] is masked .*2\).*gaps"):
            call()
    whole = np.ma.masked_array(np.zeros(10), mask=False)
    assert tapsig.Recording(whole, 1000.0).samples.tolist() == [0.0] * 10


def test_complex_numbers_are_refused() -> None:
    for call in (lambda x: tapsig.Recording(x, 1000.0), Tap().build(1000.0).push, lambda x: tapsig.detect(x, 1000.0)):
        with pytest.raises(ParameterError, match="complex"):
            call(np.zeros(10, complex))
