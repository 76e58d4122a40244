"""A long file gives what the whole gives, in memory that does not grow; a part is at its own time."""

import tracemalloc
from pathlib import Path

import numpy as np
import pytest

from tapsig.detectors.fixed_threshold import FixedThreshold
from tapsig.errors import ParameterError
from tapsig.loading import ReadOptions, load_recording, write_wav
from tapsig.loading import parts as loading_parts
from tapsig.summary import parts
from tapsig.summary.parts import find_busiest, summarise_wav
from tapsig.summary.recording import summarise_recording

FS = 2000
TAPS = [*np.arange(3.0, 58.0, 2.5), *np.arange(100.0, 130.0, 1.0)]
VARIANTS = {"fixed-threshold": FixedThreshold(0.2, 0.1)}


@pytest.fixture
def long_wav(tmp_path: Path) -> Path:
    rng = np.random.default_rng(0)
    volts = 0.004 * rng.standard_normal(150 * FS)
    since = np.arange(FS) / FS
    for tap in TAPS:
        volts[int(tap * FS) : int(tap * FS) + FS] += 0.5 * np.exp(-since / 0.02) * np.sin(2 * np.pi * 140 * since)
    write_wav(tmp_path / "long.wav", volts, FS, full_scale_v=1.0)
    (tmp_path / "long.csv").write_text("onset_s,kind\n" + "".join(f"{tap},tap\n" for tap in TAPS) + "60,thump\n")
    return tmp_path / "long.wav"


@pytest.mark.parametrize(("begin_s", "end_s"), [(-1.0, 5.0), (5.0, 5.0), (200.0, 300.0), (3.0, float("nan"))])
def test_a_span_outside_the_recording_is_refused(long_wav: Path, begin_s: float, end_s: float) -> None:
    with pytest.raises(ParameterError, match="give seconds from 0 to 150"):
        summarise_wav(long_wav, VARIANTS, name="x", begin_s=begin_s, end_s=end_s)


def test_the_busiest_span_holds_the_most_times() -> None:
    rng = np.random.default_rng(0)
    times = np.sort(np.concatenate([rng.uniform(0, 1000, 50), rng.uniform(400, 450, 30)]))
    first, last = find_busiest(times, 0.0, 1000.0, wide_s=60.0)
    inside = int(((times >= first) & (times < last)).sum())
    assert last - first == 60.0
    assert inside >= max(int(((times >= start) & (times < start + 58.0)).sum()) for start in times)


def test_a_long_file_gives_what_the_whole_gives(long_wav: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    labels = long_wav.with_suffix(".csv")
    whole = summarise_recording(load_recording(long_wav, labels=labels), VARIANTS, name="long")
    monkeypatch.setattr(parts, "LARGE_SAMPLES", 50_000)
    monkeypatch.setattr(parts, "EXAMINED_S", 40.0)
    shares: list[float] = []
    made = summarise_wav(long_wav, VARIANTS, name="long", options=ReadOptions(labels=labels), progress=shares.append)
    assert shares == sorted(shares)
    assert (0.0 < shares[0] < 0.5, shares[-1]) == (True, pytest.approx(1.0))
    for name in ("found_s", "hit_s", "missed_s", "false_s"):
        np.testing.assert_allclose(getattr(made.marks[0], name), getattr(whole.marks[0], name), atol=1e-9)
    np.testing.assert_allclose(made.trace.high_v, whole.trace.high_v, atol=2e-4)  # the biases differ a little
    np.testing.assert_array_equal(made.taps_s, whole.taps_s)
    assert made.others == whole.others
    assert made.examined_s == pytest.approx((98.0, 138.0))
    assert made.plain is not None
    assert made.plain.taps == 30
    assert [str(entry) for entry in made.entries] == [str(entry) for entry in whole.entries]


def test_a_part_of_a_file_is_at_its_own_time(long_wav: Path) -> None:
    made = summarise_wav(
        long_wav,
        VARIANTS,
        name="part",
        options=ReadOptions(labels=long_wav.with_suffix(".csv")),
        begin_s=99.0,
        end_s=111.5,
    )
    np.testing.assert_allclose(made.taps_s, np.arange(100.0, 112.0), atol=1e-9)
    np.testing.assert_allclose(made.last.hit_s, made.taps_s, atol=0.01)
    assert (made.trace.begin_s, made.trace.end_s) == pytest.approx((99.0, 111.5))


def test_memory_does_not_grow_with_the_length(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parts, "LARGE_SAMPLES", 50_000)
    monkeypatch.setattr(parts, "EXAMINED_S", 20.0)
    monkeypatch.setattr(loading_parts, "PART_S", 60.0)
    peaks = []
    for minutes in (6, 24):
        path = tmp_path / f"{minutes}.wav"
        noise = 0.01 * np.random.default_rng(0).standard_normal(60 * FS)
        write_wav(path, np.tile(noise, minutes), FS, full_scale_v=1.0)
        summarise_wav(path, VARIANTS, name="x")  # what is loaded and compiled once is not counted
        tracemalloc.start()
        summarise_wav(path, VARIANTS, name="x")
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.5 * peaks[0]
