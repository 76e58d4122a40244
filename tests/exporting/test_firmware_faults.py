"""A device through resets, a stuck converter, a flooded serial line, sleep, and the edge of its clock."""

from pathlib import Path

import numpy as np
import pytest

from simulating import CONVERTER, expect, make_entries, need_simulator
from tapsig.detectors import CATALOGUE
from tapsig.entry import EntryParameters
from tapsig.errors import ExportError
from tapsig.exporting import prepare, render_firmware, simulated, write_package

FS = 1000.0
CODE = (2, 1)
VARIANT = CATALOGUE["fixed-threshold"]  # what follows the detector is the same with any, and this one runs quickly
STRICT = EntryParameters(free_failures=1, wait_s=10.0, awake_s=5.0)
TWICE = make_entries([(1.0, CODE), (8.0, CODE)], FS, 14.0)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    need_simulator()
    folder = tmp_path_factory.mktemp("device")
    write_package(render_firmware(prepare(VARIANT, FS, CONVERTER, code=CODE, entry=STRICT)), folder)
    return folder


@pytest.fixture(scope="module")
def device(folder: Path) -> Path:
    return simulated.build(folder).rename(folder / "plain.elf")


def test_a_reset_in_mid_entry_forgets_the_entry_and_no_more(simulator: Path, device: Path) -> None:
    run = simulated.run_simulator(simulator, device, TWICE, FS, options=["--reset-at", "2000"])
    assert run.starts[0] == 0
    assert 2000 <= run.starts[1] < 2100
    before = expect(VARIANT, FS, TWICE[:2000], code=CODE, entry=STRICT)
    after = expect(VARIANT, FS, TWICE[run.starts[1] :], code=CODE, entry=STRICT)
    assert run.lines == ("boot,1,0", *before, "boot,4,0", *after)
    assert "accepted" not in run.lines[: len(before) + 1]
    assert len(run.pulses) == 1


def test_wrong_entries_and_their_wait_survive_a_brown_out(simulator: Path, device: Path, tmp_path: Path) -> None:
    """Two wrong entries, one without a wait; the next wait of 10 s begins anew after the reset."""
    eeprom = str(tmp_path / "eeprom.bin")
    wrong = make_entries([(1.0, (1, 1)), (7.0, (1, 2)), (14.0, CODE), (27.0, CODE)], FS, 33.0)
    options = ["--reset-at", "13000", "--eeprom", eeprom]
    run = simulated.run_simulator(simulator, device, wrong, FS, options=options)
    assert run.verdicts == ("wrong", "wrong", "accepted")
    assert "boot,4,2" in run.lines
    [(begun, _)] = run.pulses
    assert begun > 27_000
    content = Path(eeprom).read_bytes()
    records = [content[place : place + 5] for place in range(0, 160, 5)]
    written = {place: record for place, record in enumerate(records) if record != b"\xff" * 5}
    assert {place: record[2] | record[3] << 8 for place, record in written.items()} == {1: 1, 2: 2, 3: 0}


def test_a_record_that_was_cut_short_leaves_the_one_before(simulator: Path, device: Path, tmp_path: Path) -> None:
    eeprom = tmp_path / "eeprom.bin"
    wrong = make_entries([(1.0, (1, 1)), (7.0, (1, 2))], FS, 13.0)
    simulated.run_simulator(simulator, device, wrong, FS, options=["--eeprom", str(eeprom)])
    calm = wrong[:500]
    told = []
    for keep in (15, 14, 10, 9, 0):  # bytes kept: place 0, then the two records that were written
        content = eeprom.read_bytes()
        (cut := tmp_path / "cut.bin").write_bytes(content[:keep] + b"\xff" * (1024 - keep))
        told += simulated.run_simulator(simulator, device, calm, FS, options=["--eeprom", str(cut)]).lines
    assert told == ["boot,1,2", "boot,1,1", "boot,1,1", "boot,1,0", "boot,1,0"]


def test_the_jumper_clears_wrong_entries(simulator: Path, device: Path, tmp_path: Path) -> None:
    eeprom = str(tmp_path / "eeprom.bin")
    wrong = make_entries([(1.0, (1, 1)), (7.0, (1, 2))], FS, 13.0)
    simulated.run_simulator(simulator, device, wrong, FS, options=["--eeprom", eeprom])
    cleared = ["--eeprom", eeprom, "--clear", "1"]
    assert simulated.run_simulator(simulator, device, wrong[:500], FS, options=cleared).lines == ("boot,1,0",)
    assert simulated.run_simulator(simulator, device, wrong[:500], FS, options=["--eeprom", eeprom]).lines == (
        "boot,1,0",
    )


@pytest.mark.parametrize("rail", [0, 1023])
def test_a_converter_stuck_at_a_rail_is_reported_once_and_opens_nothing(
    rail: int, simulator: Path, device: Path
) -> None:
    counts = TWICE.copy()
    counts[5500:7500] = rail
    run = simulated.run_simulator(simulator, device, counts, FS)
    assert [line for line in run.lines if line.startswith("rail")] == [f"rail,6499,{rail}"]
    assert run.events == expect(VARIANT, FS, counts, code=CODE, entry=STRICT)


def test_a_flooded_serial_line_loses_lines_and_nothing_else(simulator: Path, device: Path, folder: Path) -> None:
    """At 1200 baud one line takes longer than taps are apart; bytes that come in are not listened to."""
    slow = simulated.build(folder, extra="-DBOARD_BAUD=1200")
    rush = [(8.0 + 0.1 * k, (1,)) for k in range(40)]
    counts = make_entries([(1.0, CODE), *rush, (17.0, CODE)], FS, 23.0)
    fine = simulated.run_simulator(simulator, device, counts, FS)
    run = simulated.run_simulator(simulator, slow, counts, FS, options=["--flood", "1"])
    assert run.pulses == fine.pulses
    assert len(run.pulses) == 2
    lost = sum(int(line.split(",")[2]) for line in run.lines if line.startswith("lost"))
    whole = [line for line in run.lines if not line.startswith("lost")]
    assert set(whole) <= set(fine.lines)
    assert lost > 0
    assert len(whole) + lost == len(fine.lines)


def test_fifty_days_of_milliseconds_pass_the_edge_of_32_bits(simulator: Path, folder: Path) -> None:
    late = simulated.build(folder, extra=f"-DDEVICE_START_MS={2**32 - 2000}UL")
    run = simulated.run_simulator(simulator, late, TWICE, FS)
    assert run.events == expect(VARIANT, FS, TWICE, code=CODE, entry=STRICT)
    assert run.verdicts == ("accepted", "accepted")


def test_an_entry_on_evidence_passes_the_edge_of_32_bits(simulator: Path, tmp_path: Path) -> None:
    """The last tap begins 12 blocks before the edge and is judged behind it."""
    last_tap_ms, fs = 2612, 2000.0
    blows = make_entries([(last_tap_ms / 1000 - 1.6, CODE)], fs, 7.0)
    prepared = prepare(CATALOGUE["tap"], fs, CONVERTER, code=CODE, decoder="evidence")
    counts = simulated.await_verdict(prepared, blows)
    write_package(render_firmware(prepared), tmp_path)
    late = simulated.build(tmp_path, extra=f"-DDEVICE_START_MS={2**32 - (last_tap_ms + 12)}UL")
    run = simulated.run_simulator(simulator, late, counts, fs)
    assert run.lines[1:] == tuple(simulated.expect_lines(prepared, counts))
    assert run.verdicts == ("accepted",)


def test_the_watchdog_ends_a_hang(simulator: Path, folder: Path) -> None:
    hanging = simulated.build(folder, extra="-DDEVICE_HANG_AT=2000")
    run = simulated.run_simulator(simulator, hanging, TWICE, FS)
    assert "boot,8,0" in run.lines
    assert 2900 < run.starts[1] < 3300  # one second later
    after = expect(VARIANT, FS, TWICE[run.starts[1] :], code=CODE, entry=STRICT)
    assert run.lines[-len(after) :] == after


def test_a_tap_wakes_it_and_the_code_after_it_opens(simulator: Path, folder: Path) -> None:
    sleeping = simulated.build(folder, extra="-DBOARD_AWAKE_S=5")
    counts = make_entries([(0.5, (1,)), (20.0, (1,)), (21.5, CODE)], FS, 34.0)
    run = simulated.run_simulator(simulator, sleeping, counts, FS, options=["--wake-over", "100"])
    names = " ".join(line.split(",")[0] for line in run.lines)
    assert names == "boot tap void sleep wake tap tap tap accepted sleep"
    assert 20_000 <= run.starts[1] < 20_010
    first = next(int(line.split(",")[1]) for line in run.lines if line.startswith("wake"))
    begun = run.starts[1] + 100  # BOARD_WAKE_MS
    after = expect(VARIANT, FS, counts[begun:], code=CODE, entry=STRICT, first=first)
    taps = [line for line in after if line.startswith("tap")]
    assert list(run.events[-len(after) :][: len(taps)]) == taps  # a verdict comes by the clock, which stood still
    asleep_s = (20.0 - 5.5) + (35.0 - 28.1)  # the simulator goes on for a second
    assert run.totals["deep"] / run.totals["cycles"] == pytest.approx(asleep_s / 35.0, abs=0.01)


def test_what_lies_over_the_edge_of_the_converter_is_not_lost(simulator: Path, device: Path) -> None:
    """Full-scale squares at half the rate: the worst input there is loses no count."""
    counts = np.where(np.arange(4000) % 2, 0, 1023)
    run = simulated.run_simulator(simulator, device, counts, FS)
    assert not [line for line in run.lines if line.startswith("overrun")]
    assert run.events == expect(VARIANT, FS, counts, code=CODE, entry=STRICT)


@pytest.mark.parametrize(
    ("setting", "words"),
    [
        # 16 MHz / 8 is 8.68 times 230400: 9 gives 3.5 % less. 300 baud needs 6666, more than the register's 12 bits.
        ("-DBOARD_BAUD=230400", "misses BOARD_BAUD"),
        ("-DBOARD_BAUD=300", "misses BOARD_BAUD"),
        ("-DSAMPLER_RING=24", "SAMPLER_RING must be a power of two"),
        ("-DSERIAL_QUEUE=256", "SERIAL_QUEUE must be a power of two, at most 128"),
    ],
)
def test_a_setting_of_the_board_that_would_garble_what_it_sends_does_not_compile(
    setting: str, words: str, folder: Path
) -> None:
    with pytest.raises(ExportError, match=words):
        simulated.build(folder, extra=setting)
