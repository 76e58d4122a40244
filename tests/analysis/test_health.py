"""Each fault is named when it is put in, and a sound recording has no finding."""

import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from tapsig import loading
from tapsig.analysis.faults import LOADED, SEVERITIES, HealthFinding
from tapsig.analysis.health import check_health, compare_channels
from tapsig.analysis.long_health import check_health_of_recording
from tapsig.loading.findings import LoadReport
from tapsig.records import Finding, Gap, Label, Recording
from tapsig.simulation import SimulatedConverter, simulate_scene
from tapsig.units import counts_to_volts, volts_to_counts
from tests.fakes import ring_down

FS = 8000.0
RANGE_V = (-2.5, 2.5)


def digitise(volts: np.ndarray, **fields: object) -> Recording:
    counts = volts_to_counts(volts, RANGE_V, 10)
    return Recording(counts_to_volts(counts, RANGE_V, 10), FS, range_v=RANGE_V, adc_bits=10, **fields)  # type: ignore[arg-type]


def sound(*, height_v: float = 1.0, noise_v: float = 0.006, seconds: float = 6.0, seed: int = 0) -> np.ndarray:
    """Five taps on a panel of two modes, with noise, in volts around 0."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(int(seconds * FS)) / FS
    volts = noise_v * rng.standard_normal(time_s.size)
    for tap in TAPS:
        since = np.maximum(time_s - tap, 0)
        wave = np.sin(2 * np.pi * 140 * since) + 0.5 * np.sin(2 * np.pi * 410 * since)
        volts += (time_s >= tap) * height_v * np.exp(-since / 0.06) * wave / 1.5
    return volts


TAPS = (0.7, 1.1, 2.6, 3.0, 4.4)
LABELS = tuple(map(Label, TAPS))


TIME_S = np.arange(int(6 * FS)) / FS


def finding(recording: Recording, code: str) -> HealthFinding:
    report = check_health(recording)
    assert code in report.codes(), report
    return next(found for found in report.findings if found.code == code)


def test_a_sound_recording_has_no_finding() -> None:
    report = check_health(digitise(sound(), labels=LABELS))
    assert report.ok, report.findings
    assert_allclose(report.noise_v, math.hypot(0.006, 5 / 1024 / math.sqrt(12)), rtol=0.1)  # step/√12 adds as power
    # Effective bits from rms noise: log2(span / (√12 · noise)), the inverse of noise = step/√12.
    assert_allclose(report.effective_bits, math.log2(5 / (math.sqrt(12) * report.noise_v)))


@pytest.mark.parametrize("noise_counts", [0.0, 0.05, 0.1, 1.0])
def test_effective_bits_are_at_most_those_of_the_converter(noise_counts: float) -> None:
    """Noise of σ counts adds to rounding as power: log2(span / (√12 · √(σ² + 1/12))) counts (closed form)."""
    noise = noise_counts * 5 / 1024 * np.random.default_rng(3).standard_normal(80_000)
    report = check_health(digitise(noise + 0.2 * 5 / 1024))
    expected = 10 - 0.5 * math.log2(12 * noise_counts**2 + 1)
    assert report.effective_bits == pytest.approx(expected, abs=0.25)
    assert report.effective_bits <= 10


def test_simulated_quiet_recordings_have_no_finding() -> None:
    judged = 0
    for vehicle in ("heron", "lynx", "badger"):
        simulated = simulate_scene(vehicle, "quiet", duration_s=8.0, seed=2, taps="practice")
        for position, recording in simulated.recordings.items():
            if 0.1 < max(simulated.truth.tap_peak_v[position]) < 1.5:  # the truth: neither too weak nor clipped
                assert check_health(recording).ok, (position, check_health(recording).findings)
                judged += 1
    assert judged >= 5


def test_clipping_at_both_rails_has_its_share_and_its_time() -> None:
    clipped = digitise(sound(height_v=6.0))
    found = finding(clipped, "clipped")
    assert found.value == pytest.approx(np.mean((clipped.samples == -2.5) | (clipped.samples == 2.5 - 5 / 1024)))
    assert "both rails" in found.message
    assert found.first_s == pytest.approx(0.7, abs=0.01)
    one = finding(digitise(np.maximum(sound(height_v=3.5), -1.9) + 0.2), "clipped")
    assert "the upper rail" in one.message or "both" in one.message


def test_a_clamp_below_unknown_rails_is_seen_by_the_pile_up() -> None:
    clamped = Recording(np.clip(sound(), -0.4, 0.4), FS)
    assert "both rails, 0.4 V and -0.4 V" in finding(clamped, "clipped").message
    assert math.isnan(check_health(clamped).effective_bits)


def test_a_lost_negative_half() -> None:
    # A single-ended input without bias keeps max(x, 0): mean A/π of a sine, the lower half gone.
    converter = SimulatedConverter(bits=10, full_scale_v=2.5, one_sided=True, noise_v=0.002)
    samples = converter.convert(sound(), FS, np.random.default_rng(0))
    recording = Recording(samples, FS, range_v=RANGE_V, adc_bits=10)
    assert "negative half is missing" in finding(recording, "half-lost").message
    assert "clipped" not in check_health(recording).codes()


def test_bias_off_the_middle_and_a_bias_that_drifts() -> None:
    assert finding(digitise(sound() + 1.0), "bias-off").value == pytest.approx(0.4, abs=0.01)
    drifting = digitise(sound() + 0.3 * np.linspace(-1, 1, TIME_S.size))
    assert finding(drifting, "bias-drift").value == pytest.approx(0.5, abs=0.03)  # 1 s medians
    stepping = digitise(sound() + 0.5 * (TIME_S >= 3.0), gaps=(Gap(8000, 100.0),))
    assert finding(stepping, "bias-drift").first_s == pytest.approx(103.0, abs=1.0)  # across the gap


@pytest.mark.parametrize("fs", [500.0, 1000.0, 8000.0])
def test_noise_is_not_low_by_the_choice_of_quiet_windows(fs: float) -> None:
    # The standard deviation that was drawn. Of 400 windows of 25 to 400 values the quietest 20 have 30 to 7 % less.
    samples = 1e-3 * np.random.default_rng(2).standard_normal(int(20 * fs))
    assert check_health(Recording(samples, fs)).noise_v == pytest.approx(1e-3, rel=0.06)


@pytest.mark.parametrize(
    ("hz", "code"), [(50.0, "hum"), (60.0, "hum"), (150.0, "hum"), (233.4, "tone"), (333.0, "tone")]
)
def test_a_steady_line_is_named_with_its_frequency_and_height(hz: float, code: str) -> None:
    found = finding(digitise(sound() + 0.02 * np.sin(2 * np.pi * hz * TIME_S)), code)
    assert found.value == pytest.approx(hz, abs=0.2)
    # Of 20 mV, a Hann window shows 1.42 dB less halfway between two of its lines (Harris, Proc. IEEE 66 (1978) 51),
    # which is added again.
    assert float(re.findall(r"([\d.]+) mV", found.message)[0]) == pytest.approx(20.0, rel=0.015)
    assert found.severity == {"hum": "warning", "tone": "note"}[code]
    assert type(found.value) is float  # not NumPy's, which would show in the finding


@pytest.mark.parametrize("fs", [8000.0, 8002.0])  # blocks of half a second: an even and an odd number of samples
def test_a_tone_at_half_the_rate_is_named(fs: float) -> None:
    alternating = 0.02 * np.cos(np.pi * np.arange(TIME_S.size))
    assert finding(Recording(sound() + alternating, fs), "tone").value == pytest.approx(fs / 2, abs=0.2)


def test_a_rate_that_folds_is_seen_and_a_sufficient_one_not() -> None:
    volts = 0.004 * np.random.default_rng(0).standard_normal(TIME_S.size)
    for tap in TAPS:
        since = np.maximum(TIME_S - tap, 0)
        wave = np.sin(2 * np.pi * 150 * since) + np.sin(2 * np.pi * 1050 * since)
        volts += (tap <= TIME_S) * np.exp(-since / 0.05) * wave
    assert "band-too-wide" not in check_health(Recording(volts, FS)).codes()
    folded = Recording(volts[::4], FS / 4)  # 1050 Hz at 2 kHz comes back as 950 Hz: the sampling theorem
    assert finding(folded, "band-too-wide").value > 0.2


def test_a_reader_that_stands_still() -> None:
    volts = sound(noise_v=0.02)
    volts[16000:16800] = volts[16000]
    found = finding(digitise(volts), "stuck")
    assert found.value == pytest.approx(0.1, rel=0.02)
    assert found.first_s == pytest.approx(2.0, abs=0.01)


def test_what_the_rails_cut_off_is_not_called_noise_or_silence() -> None:
    """A sine of 1.3 times the span's half is beyond the rails for 1 - (2/π)·arcsin(1/1.3) = 44 % of the time."""
    recording = digitise(1.3 * 2.5 * np.sin(2 * np.pi * 50.3 * TIME_S))
    assert_allclose(finding(recording, "clipped").value, 1 - 2 / math.pi * math.asin(1 / 1.3), atol=0.02)
    assert not {"noisy", "nothing-heard"} & set(check_health(recording).codes())


def test_of_a_recording_too_short_to_judge_nothing_more_is_judged() -> None:
    codes = check_health(digitise(sound(seconds=0.3))).codes()
    assert "too-short" in codes
    assert not {"noisy", "nothing-heard"} & set(codes)
    assert finding(digitise(sound(height_v=0.0)), "nothing-heard")


def test_a_noisy_input_a_weak_one_and_labels_of_another_recording() -> None:
    assert finding(digitise(sound(noise_v=0.08)), "noisy")
    assert finding(digitise(sound(height_v=0.03, noise_v=0.0003)), "few-counts").value < 24
    shifted = tuple(Label(tap - 0.2) for tap in (0.7, 2.6, 4.4))
    assert finding(digitise(sound(), labels=shifted), "labels-unheard")


def test_channels_same_and_silent() -> None:
    rng = np.random.default_rng(1)
    good, other = digitise(sound()), digitise(sound(seed=2))
    silent = digitise(0.006 * rng.standard_normal(good.samples.size))

    def compare(*channels: Recording) -> tuple[HealthFinding, ...]:
        checked = [check_health_of_recording(one) for one in channels]
        return compare_channels([one.digest for one in checked], [one.loudness for one in checked])

    assert compare(good, other) == ()
    assert [found.code for found in compare(good, other, good)] == ["channels-same"]
    found = compare(good, silent)
    assert [one.code for one in found] == ["channel-silent"]
    assert "channel 1" in found[0].message


# ---- rests of one or two counts, which a quiet converter gives


def count_rest(level: float, noise_counts: float, *, tap_counts: float = 0.0) -> Recording:
    """Twenty seconds at `level` counts with noise, and taps, of a converter of 10 bits."""
    rng = np.random.default_rng(4)
    time_s = np.arange(int(20 * FS)) / FS
    counts = level + noise_counts * rng.standard_normal(time_s.size)
    for tap in (2.0, 5.0, 9.0, 14.0):
        counts += tap_counts * ring_down(time_s, tap, 140.0, 0.4, wave=np.sin)
    step = 5.0 / 1024
    return Recording(step * np.round(counts) - 2.5, FS, range_v=RANGE_V, adc_bits=10)


def test_a_rest_between_two_counts_is_neither_clipped_nor_aliased() -> None:
    report = check_health(count_rest(512.4, 0.15))
    assert "clipped" not in report.codes()
    assert "few-counts" in report.codes()
    for level, noise, tap in ((512.4, 0.15, 6.0), (512.0, 0.22, 6.0), (512.0, 0.22, 0.0), (512.3, 0.1, 100.0)):
        assert not {"clipped", "band-too-wide"} & set(check_health(count_rest(level, noise, tap_counts=tap)).codes())


def test_the_loudest_taps_over_a_constant_rest_are_not_silent() -> None:
    # 300 counts over rounding, 1/√12 count rms, are 1039 times; the crest of the first half wave is 3 % lower.
    loud, soft = count_rest(512.0, 0.0, tap_counts=300.0), count_rest(512.4, 0.5, tap_counts=60.0)
    checked = [check_health_of_recording(one) for one in (loud, soft)]
    assert checked[0].loudness == pytest.approx(300 * math.sqrt(12), rel=0.05)
    assert compare_channels([one.digest for one in checked], [one.loudness for one in checked]) == ()
    unknown = check_health_of_recording(replace(loud, adc_bits=None, range_v=None))
    assert unknown.loudness == pytest.approx(checked[0].loudness)
    constant = check_health_of_recording(Recording(np.full(80_000, 0.1), FS))
    assert constant.loudness == 0.0


@pytest.mark.parametrize(
    ("recording", "code"),
    [
        (Recording(np.zeros(0), FS), "too-short"),
        (Recording(np.sin(np.arange(80.0)), FS), "too-short"),
        (Recording(np.full(8000, 2.5), FS), "constant"),
        (Recording(np.sin(np.arange(500.0)), 50.0), "rate-low"),
        (Recording(np.tile([-1.0, 1.0], 4000), FS, range_v=(-1.0, 1.0)), "clipped"),
        (Recording(np.tile([0.0, 5e-324], 4000), FS, range_v=(0.0, 1.0)), "clipped"),  # the smallest number: half is 0
    ],
)
def test_hopeless_recordings_give_a_clear_finding(recording: Recording, code: str) -> None:
    assert finding(recording, code).severity == "error"
    assert check_health(recording).to_dict()["findings"][0]["advice"]


def test_every_finding_of_the_loaders_has_its_own_severity_and_remedy() -> None:
    """Those that are named in the sources of `loading`; what a whole corpus lacks is `corpus_check`'s own affair."""
    paths = (path for path in Path(loading.__file__).parent.glob("*.py") if path.name != "corpus_check.py")
    sources = [path.read_text(encoding="utf-8") for path in paths]
    calls = r'(?:findings\.add|table\.note|self\.note|_findings\.add|Finding)\(\s*"([a-z-]+)"'
    codes = {code for source in sources for code in re.findall(calls, source)}
    assert {"frames-lost", "undefined-value", "labels-beside", "spoilt-stamp"} <= codes
    assert codes <= LOADED.keys()


def test_what_the_loader_found_is_carried_over_and_the_worst_comes_first() -> None:
    loaded = LoadReport(
        "log.csv",
        (
            Finding("nul-bytes", "zero bytes around a line", 3, line=4),
            Finding("gap", "0.3 s were not recorded; kept as gaps", line=70),
            Finding("out-of-range", "5000 is no count of 10 bits; left out", line=9),
        ),
    )
    report = check_health(digitise(sound()), loaded)
    assert report.codes() == ("out-of-range", "gap", "nul-bytes")
    assert [found.severity for found in report.findings] == list(SEVERITIES)
    assert "line 70" in report.findings[1].message
    holed = check_health(digitise(sound(), gaps=(Gap(800, 0.3),)), loaded)
    assert holed.findings[1].first_s == pytest.approx(800 / FS)
    assert check_health(digitise(sound()), replace(loaded, findings=())).ok
