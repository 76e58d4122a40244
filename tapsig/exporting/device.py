"""The whole device around an exported core: a program for an 8-bit controller, and a logger for the same board."""

from collections.abc import Mapping, Sequence
from importlib import resources

from tapsig.converter import Converter
from tapsig.errors import ExportError
from tapsig.exporting.chain import CLOCK_HZ, Prepared
from tapsig.exporting.package import render_package

ADC_BITS = 10
LOGGER = ("board.h", "logger.c", "rate.h", "sampler.c", "sampler.h", "serial.c", "serial.h")
DEVICE = (*LOGGER, "device.c", "store.c", "store.h")
FOLDER = "device"
HIGHEST_FS = 4000.0
"""The core of a 16 MHz controller has no time for more."""
HIGHEST_LOGGER_FS = 5085.0
"""What 115200 baud bear: 72.25 bytes for 32 samples."""
TIMER_HZ = 2_000_000.0
RATE_ERROR = 1e-3


def read_firmware(name: str) -> str:
    """Text of one of the firmware's files."""
    return resources.files("tapsig.exporting").joinpath("firmware", name).read_text(encoding="utf-8")


def check_device(fs: float, converter: Converter, *, highest_fs: float = HIGHEST_FS) -> None:
    """Raises ExportError for what the converter or the timer of this class of controllers cannot do."""
    if converter.adc_bits != ADC_BITS:
        raise ExportError(
            f"adc_bits is {converter.adc_bits}; the firmware reads a converter of {ADC_BITS} bits: give --adc-bits"
            f" {ADC_BITS}, or export without --firmware"
        )
    ticks = round(TIMER_HZ / fs)
    if not 100.0 <= fs <= highest_fs or abs(TIMER_HZ / ticks / fs - 1) > RATE_ERROR:
        raise ExportError(
            f"fs is {fs:g} Hz; the firmware samples at 100 to {highest_fs:g} Hz, by a timer that divides"
            f" {TIMER_HZ:g} Hz by whole numbers: give --fs 2000, or --fs 1000 for a clock of 8 MHz"
        )


def render_firmware(prepared: Prepared, *, provenance: Mapping[str, str] | None = None) -> dict[str, str]:
    """The files of `render_package` with a Makefile and, in the folder `device`, the program around them.

    Raises ExportError for a rate or converter that this class of controllers does not have.
    """
    check_device(prepared.fs, prepared.converter)
    files = render_package(prepared, provenance=provenance) | _read_program(DEVICE)
    clock = f"CLOCK_HZ ?= {CLOCK_HZ}"
    return files | {"Makefile": files["Makefile"].replace(clock, f"CLOCK_HZ ?= {prepared.clock_hz}")}


def render_logger(fs: float, converter: Converter) -> dict[str, str]:
    """The files of a logger on the same board: `fs` samples a second in frames over its serial line.

    Raises ExportError for a rate or converter that this class of controllers does not have.
    """
    check_device(fs, converter, highest_fs=HIGHEST_LOGGER_FS)
    files = _read_program(LOGGER)
    makefile = files["Makefile"].replace("LOGGER_FS_HZ ?= 5000.0", f"LOGGER_FS_HZ ?= {float(fs)!r}")
    return files | {"Makefile": makefile.replace("all: device.hex size", "all: logger.hex")}


def _read_program(names: Sequence[str]) -> dict[str, str]:
    return {f"{FOLDER}/{name}": read_firmware(name) for name in names} | {
        name: read_firmware(name) for name in ("Makefile", "wiring.svg")
    }
