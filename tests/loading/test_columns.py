"""Which column of a log is the signal, and in what unit: said by the header, refused or told where it is not."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tapsig.errors import ParameterError, RecordingError
from tapsig.loading import ReadOptions, read_recording
from tests.fakes import TEN_BITS, read_columns, read_log, write_columns

RNG = np.random.default_rng(5)
COUNTS = 512 + np.round(100 * np.sin(np.arange(600) / 3) + RNG.normal(0, 5, 600)).astype(int)
VOLTS = COUNTS * 5 / 1024
STAMPS = 1000 * np.arange(600)


UNITS = {
    1e-3: ("v (mV)", "a0_mv", "adc_mv", "Channel A [mV]", "millivolts"),
    1e-6: ("v (µV)", "voltage_uV"),
    1e-9: ("voltage (nV)",),
    1e3: ("piezo (kV)",),
    1.0: ("volts", "V", "volts (A0)"),
}
"""Names of columns by the volts of one."""


@pytest.mark.parametrize(("volts_of_one", "name"), [(unit, name) for unit, names in UNITS.items() for name in names])
def test_a_unit_of_volts_is_what_it_says(tmp_path: Path, name: str, volts_of_one: float) -> None:
    """Prefixes of the International System of Units: n 1e-9, µ 1e-6, m 1e-3, k 1e3."""
    recording, report = read_columns(
        tmp_path, f"time_us,{name}", STAMPS, [f"{v / volts_of_one:.9g}" for v in VOLTS], options=ReadOptions()
    )
    np.testing.assert_allclose(recording.samples, VOLTS, rtol=1e-8)
    assert report.clean


@pytest.mark.parametrize("name", ["volts x10", "volts /10", "v (dBV)", "level_db", "mV*2", "v (Vrms)"])
def test_a_unit_that_is_not_known_is_refused_with_what_to_give(tmp_path: Path, name: str) -> None:
    with pytest.raises(RecordingError, match=r"unit of .* is not one that tapsig knows; name the column volts, mv"):
        read_columns(tmp_path, f"time_us,{name}", STAMPS, [f"{v:.4f}" for v in VOLTS], options=ReadOptions())


@pytest.mark.parametrize("name", ["v_raw", "adc voltage", "voltage", "value"])
def test_counts_under_the_name_of_a_voltage_are_no_volts(tmp_path: Path, name: str) -> None:
    path = write_columns(tmp_path, f"time_us,{name}", STAMPS, COUNTS)
    with pytest.raises(RecordingError, match=r"converter counts.*adc_bits="):
        read_recording(path)
    recording, _ = read_recording(path, TEN_BITS)
    np.testing.assert_allclose(recording.samples, VOLTS)


def test_bits_beside_values_with_decimals_are_a_contradiction(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="adc_bits is 10, but its values have decimals"):
        read_columns(tmp_path, "time_us,value", STAMPS, [f"{v:.4f}" for v in VOLTS])


@pytest.mark.parametrize("header", ["time_us,mv", "mv,time_us"])
def test_a_quoted_number_that_may_be_thousands_is_refused(tmp_path: Path, header: str) -> None:
    cells = [f'"{v // 1000},{v % 1000:03}"' for v in (COUNTS * 5000 // 1024)]
    columns = (STAMPS, cells) if header.startswith("t") else (cells, STAMPS)
    with pytest.raises(RecordingError, match=r'"\d,\d{3}" may be \d{4}, or a number with a decimal comma'):
        read_columns(tmp_path, header, *columns, options=ReadOptions())


def test_counts_without_a_full_scale_are_said_to_be_fractions_of_a_volt(tmp_path: Path) -> None:
    recording, report = read_columns(
        tmp_path, "time_us,adc", STAMPS, COUNTS, options=ReadOptions(adc_bits=10, strict=True)
    )
    assert report.codes() == ("full-scale-assumed",)
    assert recording.range_v == (0.0, 1.0)
    assert recording.findings == report.findings


def test_one_of_several_signals_is_taken_with_a_word_and_another_on_request(tmp_path: Path) -> None:
    path = write_columns(tmp_path, "time_us,a,b,adc0,adc1", STAMPS, COUNTS, COUNTS, COUNTS, 1023 - COUNTS)
    recording, report = read_recording(path, TEN_BITS)
    assert report.find("column-chosen").message.startswith("took the column 'adc0'; a, b, adc1 could be the signal too")
    assert (report.column, report.channel) == ("adc0", 2)
    for choice in ({"column": "ADC1"}, {"channel": 3}):
        other, report = read_recording(path, replace(TEN_BITS, **choice))
        np.testing.assert_allclose(other.samples, 1023 * 5 / 1024 - recording.samples)
        assert report.clean
    with pytest.raises(ParameterError, match=r"column is 'adc2'; the value columns of .* are a, b, adc0, adc1"):
        read_recording(path, ReadOptions(adc_bits=10, column="adc2"))
    with pytest.raises(ParameterError, match="give one of them"):
        read_recording(path, ReadOptions(adc_bits=10, column="adc1", channel=1))


@pytest.mark.parametrize(
    ("values", "words"),
    [
        (np.arange(600) % 256, "count up to 255 and begin again"),
        (np.delete(np.arange(640) % 100, np.arange(5, 640, 16)), "count up to 99 and begin again"),
        (np.full(600, 7), "are all 7"),
    ],
)
def test_a_column_that_counts_or_never_changes_is_no_signal(tmp_path: Path, values: np.ndarray, words: str) -> None:
    with pytest.raises(RecordingError, match=f"the values of 'x' {words}.*column="):
        read_columns(tmp_path, "time_us,x,y", STAMPS, values, COUNTS)


def test_a_line_that_names_other_values_is_left_out_with_a_finding(tmp_path: Path) -> None:
    lines = [f"time_us:{t},adc:{v}" for t, v in zip(STAMPS, COUNTS, strict=True)]
    lines[100] = f"adc:{STAMPS[100]},time_us:{COUNTS[100]}"
    _, report = read_log(tmp_path, lines)
    assert report.codes() == ("foreign-text", "lost-samples")
    assert report.findings[0].line == 101


SCOPE = {
    "names and units in a header": (
        "Model,bench\nSample Interval,0.001\nRecord Length,600\n\nTime (s),Channel A (V)",
        "{s:.6e},{v:.6e}",
    ),
    "units in lines of their own": (
        "Vertical Units,mV\nHorizontal Units,s\nRecord Length,600\nTIME,CH1\n",
        "{s:.6e},{mv:.6e}",
    ),
    "the rate alone": ("Sample Rate,1 kHz\nVertical Units,V\nsignal\n", "{v:.6f}"),
    "units below the names": ("x-axis,1\nsecond,Volt\n", "{s:+.6E},{v:+.6E}"),
    "the interval alone": ("Sampling Interval;1e-3\nY Unit;V\nsignal\n", "{v:.6f}"),
}


@pytest.mark.parametrize("name", SCOPE)
def test_exports_with_lines_of_metadata_are_read(tmp_path: Path, name: str) -> None:
    """From 0.2 s before the trigger, so that times are negative at first."""
    head, row = SCOPE[name]
    lines = (row.format(s=t / 1e6 - 0.2, v=v, mv=1e3 * v) for t, v in zip(STAMPS, VOLTS, strict=True))
    recording, report = read_log(tmp_path, [*head.splitlines(), *lines], ReadOptions())
    np.testing.assert_allclose(recording.samples, VOLTS, atol=2e-6)
    assert recording.fs == pytest.approx(1000.0)
    assert set(report.codes()) <= {"foreign-text"}


@pytest.mark.parametrize("trailing", ["", ","])
@pytest.mark.parametrize("names", [("Vertical Units,mV", "Horizontal Units,s"), ("Y Unit,mV", "X Unit,ms")])
def test_metadata_beside_the_data_are_read_and_no_row_is_lost(
    tmp_path: Path, names: tuple[str, str], trailing: str
) -> None:
    """A name and its value in the first columns of the first rows, as a common layout of oscilloscopes has them."""
    beside = ["Record Length,600", "Sample Interval,0.001", "", "Source,CH1", *names, "Note,bench"]
    per_second = 1e3 if "ms" in names[1] else 1.0
    rows = [
        f"{(beside[i] if i < len(beside) else '') or ','},,{per_second * (t / 1e6 - 0.2):.6f},{1e3 * v:.6f}{trailing}"
        for i, (t, v) in enumerate(zip(STAMPS, VOLTS, strict=True))
    ]
    recording, report = read_log(tmp_path, rows, ReadOptions())
    np.testing.assert_allclose(recording.samples, VOLTS, atol=2e-9)
    assert recording.fs == pytest.approx(1000.0)
    assert report.codes() == ()


def test_a_spoilt_row_among_metadata_beside_the_data_is_named_with_its_line(tmp_path: Path) -> None:
    rows = [f",,,{t / 1e6:.6f},{v:.6f}" for t, v in zip(STAMPS, VOLTS, strict=True)]
    rows[0], rows[1] = "Vertical Units,V" + rows[0][1:], "Horizontal Units,s" + rows[1][1:]
    rows[400] = rows[400].replace(",,,", ",")
    _, report = read_log(tmp_path, rows, ReadOptions())
    assert report.codes() == ("malformed-line", "lost-samples")
    assert report.findings[0].line == 401


@pytest.mark.parametrize(
    ("header", "column", "volts_of_one"),
    [("Time,Channel A,Channel B\n(us),(mV),(mV)", "Channel B (mV)", 1e-3), ("Time,ai0,ai1\nus,V,V", "ai1 (V)", 1.0)],
)
def test_a_row_of_equal_units_leaves_the_columns_their_names(
    tmp_path: Path, header: str, column: str, volts_of_one: float
) -> None:
    volts = VOLTS / volts_of_one
    recording, report = read_columns(tmp_path, header, STAMPS, volts, 2 * volts, options=ReadOptions(column=column))
    np.testing.assert_allclose(recording.samples, 2 * VOLTS)
    assert report.clean


def test_times_since_the_line_before_are_added_up(tmp_path: Path) -> None:
    steps = np.full(600, 1000)
    steps[300] = 251_000
    recording, report = read_columns(tmp_path, "dt_us,adc", steps, COUNTS)
    assert recording.fs == pytest.approx(1000.0)
    assert report.codes() == ("gap",)
    assert (recording.gaps[0].sample, recording.gaps[0].duration_s) == (300, pytest.approx(0.25))


@pytest.mark.parametrize("title", ["n", "seq", "#", "sample", "Sample no"])
@pytest.mark.parametrize("lost", ["one in ten", "a tenth", "across a wrap"])
def test_lines_lost_from_a_log_without_times_are_known_by_their_numbers(tmp_path: Path, title: str, lost: str) -> None:
    """The number says when a sample was taken: n / fs, also where a counter of 8 bits begins again."""
    numbers = np.arange(COUNTS.size)
    gone = {"one in ten": numbers % 10 == 3, "a tenth": (numbers >= 300) & (numbers < 360)}
    kept = ~gone.get(lost, (numbers >= 254) & (numbers < 257))
    shown = numbers[kept] % 256 if lost == "across a wrap" else numbers[kept]
    options = replace(TEN_BITS, fs=1000.0)
    recording, report = read_columns(tmp_path, f"{title},adc", shown, COUNTS[kept], options=options)
    said = [code for code in report.codes() if code != "column-chosen"]
    assert said == ["gap" if lost == "a tenth" else "lost-samples"]
    assert recording.fs == pytest.approx(1000.0)
    assert recording.span_s == pytest.approx(COUNTS.size / 1000)
    places = np.searchsorted(recording.times_s(np.arange(recording.samples.size)), numbers[kept] / 1000 - 1e-6)
    np.testing.assert_allclose(recording.samples[places], VOLTS[kept])


def test_a_number_that_is_not_of_samples_moves_no_time(tmp_path: Path) -> None:
    """A packet of 32 samples: its number stands still, and a line that is cut still takes its time."""
    lines = [f"{k // 32},{count}" for k, count in enumerate(COUNTS)]
    lines[300] = "9"
    recording, report = read_log(tmp_path, ["packet,adc", *lines], replace(TEN_BITS, fs=1000.0))
    assert recording.samples.size == COUNTS.size
    assert report.codes() == ("malformed-line", "lost-samples")


@pytest.mark.parametrize("line", ["1000,", "250000,5000", "10"], ids=["no value", "out of range", "cut"])
def test_a_line_left_out_moves_no_time_since_the_line_before(tmp_path: Path, line: str) -> None:
    """Steps of 1 ms; of 250 ms, where the line's own can be read. The line's length is that of the gap it leaves."""
    lines = [f"1000,{count}" for count in COUNTS]
    lines[300] = line
    recording, _ = read_log(tmp_path, ["dt_us,adc", *lines], TEN_BITS)
    end_s = (COUNTS.size - 1) / 1000 + (0.249 if line.startswith("25") else 0.0)
    assert recording.times_s(np.array(recording.samples.size - 1)) == pytest.approx(end_s)


@pytest.mark.parametrize(
    ("unit", "step", "count"),
    [("us", 1000, 140_000), ("us", 125, 140_000), ("ms", 1, 140_000), ("ms", 1, 10_000), ("ms", 2, 4000)],
)
def test_a_counter_of_16_bits_goes_on(tmp_path: Path, unit: str, step: int, count: int) -> None:
    """2**16 µs = 65.5 ms: 120 000 stamps of 1 ms wrap 1831 times; 2**16 ms = 65.5 s: 10 000 wrap once."""
    stamps = (60_000 + step * np.arange(count)) % 2**16
    values = 512 + np.arange(count) % 7 * 3 % 5
    recording, report = read_columns(tmp_path, f"t_{unit},adc", stamps, values)
    assert report.codes() == ("counter-wrap",)
    assert recording.samples.size == count
    assert recording.fs == pytest.approx({"us": 1e6, "ms": 1e3}[unit] / step, rel=1e-6)


def test_microseconds_since_1970_are_read(tmp_path: Path) -> None:
    """Sixteen digits: 2024-05-31 is 1.717e15 µs, below 2**53 = 9.007e15, so exact as a float."""
    path = write_columns(tmp_path, "time_us,adc", 1_717_156_800_000_000 + STAMPS, COUNTS)
    recording, report = read_recording(path, TEN_BITS)
    assert report.clean
    assert recording.fs == pytest.approx(1000.0, rel=1e-12)
    np.testing.assert_allclose(recording.samples, VOLTS)
    without_header = path.read_text().splitlines()[1:]
    assert read_log(tmp_path, without_header, replace(TEN_BITS, time_unit="us"))[0].samples.size == 600


def test_stamps_beyond_what_a_float_counts_are_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="numbers up to 9e15 without units"):
        read_columns(tmp_path, "time_ns,adc", 1_717_156_800_000_000_000 + STAMPS, COUNTS)


@pytest.mark.parametrize(("step_us", "read_hz"), [(125, "8e\\+06"), (1000, "1e\\+06"), (1475, "6.78e\\+05")])
def test_points_as_separators_of_thousands_are_refused(tmp_path: Path, step_us: int, read_hz: str) -> None:
    """`1.024` for 1024 µs would read as 8 MHz."""
    stamps = [f"{t // 1000}.{t % 1000:03}" for t in 1000 + step_us * np.arange(600)]
    with pytest.raises(RecordingError, match=rf"{read_hz} Hz.*separator of thousands"):
        read_columns(tmp_path, "time_us,adc", stamps, COUNTS)


def test_a_log_without_a_signal_says_which_columns_it_has(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="none of its columns is a signal: 'time_us', 'seq'"):
        read_columns(tmp_path, "time_us,seq", STAMPS, np.arange(600) % 256, options=ReadOptions())


@pytest.mark.parametrize("idle", [False, True])
@pytest.mark.parametrize("share", [0.002, 0.02, 0.3])
def test_doubled_lines_change_no_rate(tmp_path: Path, share: float, idle: bool) -> None:
    counts = 512 + np.round(RNG.normal(0, 0.4 if idle else 20, 10_000)).astype(int)
    rows = np.sort(np.concatenate([np.arange(10_000), RNG.choice(10_000, int(share * 10_000), replace=False)]))
    recording, report = read_columns(tmp_path, "time_us,adc", 1000 * rows, counts[rows])
    assert report.codes() == ("doubled-line",)
    assert report.findings[0].count == int(share * 10_000)
    assert recording.fs == pytest.approx(1000.0, rel=1e-9)
    np.testing.assert_allclose(recording.samples, counts * 5 / 1024)


def test_coarse_stamps_with_equal_neighbours_are_no_doubled_lines(tmp_path: Path) -> None:
    counts = 512 + np.round(RNG.normal(0, 0.6, 8000)).astype(int)
    recording, report = read_columns(tmp_path, "time_ms,adc", np.arange(8000) // 4, counts)
    assert report.codes() == ("coarse-stamps",)
    assert recording.samples.size == 8000


@pytest.mark.parametrize("second_us", [0, 500, 800, 1300, 2000, 5000])
def test_a_rate_that_changes_halfway_is_refused_with_its_line(tmp_path: Path, second_us: int) -> None:
    """A step of 0: the clock stands still, and the text has no rate to give; no warning of a division."""
    stamps = np.concatenate([1000 * np.arange(3000), 3_000_000 + second_us * np.arange(3000)])
    counts = 512 + np.round(RNG.normal(0, 20, 6000)).astype(int)
    with pytest.raises(RecordingError, match=r"line \d+.*put the parts into files of their own"):
        read_columns(tmp_path, "time_us,adc", stamps, counts)


def test_columns_of_one_name_are_chosen_by_channel(tmp_path: Path) -> None:
    log = write_columns(
        tmp_path, "second,Volt,Volt", np.arange(50) / 1000, np.arange(50) % 7 / 10, np.arange(50) % 5 / 10
    )
    finding = read_recording(log)[1].find("column-chosen")
    assert finding is not None
    assert finding.message.endswith("Volt could be the signal too: choose one with channel=")
    with pytest.raises(
        ParameterError, match=r"the value columns of .* are Volt, Volt, of which two have one name: give channel="
    ):
        read_recording(log, ReadOptions(column="volt"))
    assert read_recording(log, ReadOptions(channel=1))[0].samples.max() == 0.4
