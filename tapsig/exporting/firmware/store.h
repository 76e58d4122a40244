/* Wrong entries in a row, kept over a reset and a flat battery.
 *
 * 32 records in turn: sequence number and count (2 bytes each, low byte first), check. Each cell is written once in 32
 * changes, so that 100,000 writes (data sheet) last for three million wrong entries. A record that a reset cut short
 * fails its check, and the one before it counts; a worn cell fails it too, and the next record is taken. A whole record
 * that no longer takes writes counts as old for 31,000 changes. Writing goes on a byte at a time between samples: nothing
 * waits for the 3.4 ms that a cell takes.
 */
#ifndef STORE_H
#define STORE_H

#include <stdbool.h>
#include <stdint.h>

/* What the newest good record holds; 0 without one. */
uint16_t store_load(void);

/* Begin to write `failures`. */
void store_put(uint16_t failures);

/* Write the next byte where the last one is done. */
void store_step(void);

bool store_is_idle(void);

#endif
