"""The store of wrong entries on this machine, with an EEPROM in memory: worn cells, cut writes, its whole life."""

import subprocess
from pathlib import Path

import pytest

from compiling import STRICT, need_compiler
from tapsig.exporting.device import read_firmware

EEPROM = """
#include <stdint.h>
#include <string.h>
extern uint8_t cells[1024];
extern long budget; /* bytes until the supply fails */
extern int stuck;   /* a byte whose record takes no writes */
static inline int eeprom_is_ready(void) { return 1; }
static inline void eeprom_read_block(void *to, const void *from, unsigned size)
{
    memcpy(to, cells + (uintptr_t)from, size);
}
static inline void eeprom_update_byte(uint8_t *at, uint8_t value)
{
    if (budget != 0 && (uintptr_t)at / RECORD != (uintptr_t)stuck) {
        cells[(uintptr_t)at] = value;
    }
    budget -= budget > 0;
}
"""
CRC = """
#include <stdint.h>
static inline uint8_t _crc8_ccitt_update(uint8_t crc, uint8_t byte) /* as avr-libc's manual defines it */
{
    crc ^= byte;
    for (int i = 0; i < 8; i++) {
        crc = (uint8_t)(crc & 0x80 ? crc << 1 ^ 0x07 : crc << 1);
    }
    return crc;
}
"""
MAIN = """
#include <stdio.h>
#include <stdlib.h>
#include "store.c"
uint8_t cells[1024];
long budget = -1;
int stuck = -1;

static uint16_t reset(void) /* what a boot finds */
{
    at = SIZE + 1;
    newest = 0;
    return store_load();
}

static void put(uint16_t failures)
{
    store_put(failures);
    while (!store_is_idle()) {
        store_step();
    }
}

int main(int count, char **word)
{
    const int stuck_at = atoi(word[1]), cuts = atoi(word[2]);
    const long changes = atol(word[3]);
    uint16_t old = 0;
    long wrong = 0;
    (void)count;
    srand(1);
    memset(cells, 0xFF, sizeof cells);
    reset();
    for (long i = 1; i <= changes; i++) {
        const uint16_t next = (uint16_t)(rand() % 3 ? old + 1 : 0);
        budget = cuts && rand() % 5 == 0 ? rand() % SIZE : -1;
        put(next);
        const bool cut = budget == 0;
        budget = -1;
        const uint16_t found = reset();
        wrong += found != next && !(cut && found == old);
        old = found;
        if (i == stuck_at) {
            stuck = newest % RECORDS;
        }
    }
    printf("%ld\\n", wrong);
}
"""


@pytest.mark.parametrize(
    ("stuck_at", "cuts", "changes"),
    [(40, 0, 31_000), (1, 0, 31_000), (0, 1, 200_000), (0, 0, 200_000), (40, 1, 30_000)],
)
def test_every_boot_finds_what_was_put_last(stuck_at: int, cuts: int, changes: int, tmp_path: Path) -> None:
    """Counted against what was put in. The record of change `stuck_at` takes no writes afterwards."""
    compiler = need_compiler("gcc")
    for name, text in {"avr/eeprom.h": EEPROM, "util/crc16.h": CRC, "main.c": MAIN}.items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(text)
    for name in ("store.c", "store.h"):
        (tmp_path / name).write_text(read_firmware(name))
    command = [compiler, *STRICT, "-O1", "-I.", "-DRECORD=5", "main.c", "-o", "main"]
    subprocess.run(command, cwd=tmp_path, check=True)
    words = [str(word) for word in (stuck_at, cuts, changes)]
    done = subprocess.run([tmp_path / "main", *words], capture_output=True, text=True, check=True)
    assert int(done.stdout) == 0
