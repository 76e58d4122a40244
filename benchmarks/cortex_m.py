"""An exported detector on an emulated 32-bit board: Cortex-M3 (mps2-an385) of qemu-system-arm, files by semihosting.

The program is the export's own replay.c with newlib, so that it reads counts and prints events as on a desktop.
"""

import shutil
import subprocess
from pathlib import Path

import numpy as np

from tapsig.converter import CountArray

TOOLS = ("arm-none-eabi-gcc", "qemu-system-arm")
REMEDY = "on Debian: apt install gcc-arm-none-eabi libnewlib-arm-none-eabi qemu-system-arm"
FLAGS = (
    *["-std=c99", "-O2", "-Wall", "-Wextra", "-Werror", "-mcpu=cortex-m3", "-mthumb", "--specs=rdimon.specs"],
    *["-ffunction-sections", "-fdata-sections", "-Wl,--gc-sections"],
)
SCRIPT = """ENTRY(_start)
MEMORY { ROM (rx) : ORIGIN = 0x00000000, LENGTH = 4M  RAM (rwx) : ORIGIN = 0x20000000, LENGTH = 4M }
SECTIONS
{
    .text : { KEEP(*(.vectors)) *(.text*) KEEP(*(.init)) KEEP(*(.fini)) *(.rodata*) } > ROM
    .ARM.exidx : { *(.ARM.exidx*) *(.ARM.extab*) } > ROM
    .init_array : { __init_array_start = .; KEEP(*(.init_array*)) __init_array_end = .; } > ROM
    .fini_array : { __fini_array_start = .; KEEP(*(.fini_array*)) __fini_array_end = .; } > ROM
    .preinit_array : { __preinit_array_start = .; KEEP(*(.preinit_array*)) __preinit_array_end = .; } > ROM
    .data : { *(.data*) } > RAM
    .bss : { __bss_start__ = .; *(.bss*) *(COMMON) __bss_end__ = .; } > RAM
    end = .; __end__ = .;
}
"""
VECTORS = """extern void _start(void);
const void *const vectors[2] __attribute__((section(".vectors"), used)) = {(void *)0x20400000, (void *)_start};
"""
"""Where the stack begins, and where the program does: the first two words of the memory."""


def list_missing() -> list[str]:
    """Which of the tools this machine lacks."""
    return [tool for tool in TOOLS if shutil.which(tool) is None]


def build(folder: Path) -> Path:
    """The replay program of the export in `folder`, for the board."""
    (folder / "board.ld").write_text(SCRIPT, encoding="ascii")
    (folder / "vectors.c").write_text(VECTORS, encoding="ascii")
    sources = sorted(path.name for path in folder.glob("*.c"))
    command = ["arm-none-eabi-gcc", *FLAGS, "-T", "board.ld", *sources, "-o", "board.elf"]
    subprocess.run(command, cwd=folder, check=True)
    return folder / "board.elf"


def replay(program: Path, counts: CountArray) -> list[str]:
    """The lines that the board prints for these counts, without the header."""
    raw = program.with_name("counts.bin")
    np.asarray(counts).astype("<u2").tofile(raw)
    files = f"enable=on,target=native,arg=replay,arg=--raw,arg={raw.name}"
    command = ["qemu-system-arm", "-M", "mps2-an385", "-nographic", "-monitor", "none", "-serial", "none"]
    command += ["-semihosting-config", files, "-kernel", program.name]
    done = subprocess.run(command, cwd=program.parent, capture_output=True, text=True, check=True, timeout=600)
    return done.stdout.splitlines()[1:]
