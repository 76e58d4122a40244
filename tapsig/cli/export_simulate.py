"""`tapsig export --firmware --simulate RECORDING`: the exported device in a simulator, and the load it puts on it."""

import argparse
import tempfile
from pathlib import Path

from tapsig.cli.findings import note_findings
from tapsig.cli.output import note, render_rows, show
from tapsig.errors import RecordingError
from tapsig.exporting import simulated
from tapsig.exporting.chain import CLOCK_HZ, Prepared
from tapsig.loading import ReadOptions, read_recording
from tapsig.records import Recording


def simulate(args: argparse.Namespace, prepared: Prepared, recording: Recording) -> int:
    """Build and run the device in `args.out`; 1 where it differs from `tapsig entry` on the same counts."""
    counts = simulated.await_verdict(prepared, simulated.to_device_counts(recording, args.fs, prepared.converter))
    firmware = simulated.build(args.out, clock_hz=prepared.clock_hz)
    with tempfile.TemporaryDirectory(prefix="tapsig-") as name:
        program = simulated.build_simulator(Path(name))
        run = simulated.run_simulator(program, firmware, counts, args.fs, clock_hz=prepared.clock_hz)
    taps, verdicts = simulated.decide_entries(prepared, counts)
    _show_events(run, args.fs)
    _show_load(simulated.measure_load(firmware, run), prepared.clock_hz)
    told = [line for line in run.events if line.startswith("tap,")]
    if told != taps or list(run.verdicts) != verdicts or list(run.events) != simulated.expect_lines(prepared, counts):
        note(f"DIFFERS from `tapsig entry` on the same counts, which has {len(taps)} taps and {verdicts}")
        return 1
    note(f"equal to `tapsig entry` on the same counts: {len(taps)} taps, {len(verdicts)} verdicts, to the sample")
    note("simulated: it has never run on a real board here")
    return 0


def read_simulated(args: argparse.Namespace) -> Recording:
    """The recording of --simulate; a WAV's full scale is half of what lies between the converter's rails."""
    scale = args.full_scale_v / 2 if args.simulate.suffix.lower() in (".wav", ".wave") else None
    try:
        recording, _ = read_recording(args.simulate, ReadOptions(channel=args.channel, full_scale_v=scale))
    except RecordingError as error:
        if "in its first lines" not in str(error):
            raise
        own = "--fs, --adc-bits and --full-scale-v of export are the controller's: write the lines into the file"
        raise RecordingError(f"{error}; {own}") from error
    note_findings(args.simulate, recording.findings)
    return recording


def _show_events(run: simulated.SimulatedRun, fs: float) -> None:
    rows: list[dict[str, object]] = []
    for line in run.lines:
        event, first, second = line.split(",")
        at_s = None if event == "boot" else int(first) / fs
        rows.append({"at_s": at_s, "event": event, "detail": _tell(event, first, second, fs)})
    for begun, ended in run.pulses:
        rows.append({"at_s": begun / fs, "event": "RELEASE", "detail": f"pulse of {(ended - begun) / fs:.3f} s"})
    rows.sort(key=lambda row: -1.0 if row["at_s"] is None else float(str(row["at_s"])))
    show(render_rows(rows, "table", columns=("at_s", "event", "detail")))


def _tell(event: str, first: str, second: str, fs: float) -> str:
    if event == "boot":
        return f"{second} wrong entries stored"
    if event == "tap":
        return f"onset {int(second) / fs:.3f} s"
    return second


def _show_load(load: simulated.Load, clock_hz: int) -> None:
    rows: list[tuple[str, float, str]] = [
        ("cycles a ms, mean", load.mean_cycles, f"{100 * load.mean_cycles / load.cycles:.0f} % of the clock"),
        ("cycles a ms, worst", load.worst_cycles, f"{100 * load.worst_cycles / load.cycles:.0f} % of the clock"),
        ("flash, bytes", load.flash, "of 32768"),
        ("RAM, bytes", load.ram, "variables"),
        ("stack, bytes", load.stack, f"deepest; {2048 - load.ram - load.stack} of 2048 bytes were never used"),
        ("share of time idle", load.idle_share, "between samples"),
        ("share of time powered down", load.deep_share, ""),
    ]
    if clock_hz == CLOCK_HZ:  # the only clock that the estimate is for
        rows.append(("current, mA", load.current_ma, "estimate of the controller alone, 5 V, 16 MHz"))
    show(render_rows([{"load": name, "value": value, "": remark} for name, value, remark in rows], "table"))
