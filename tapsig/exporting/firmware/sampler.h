/* The converter, started by timer 1, into a ring: no sample is lost while the main loop is busy for less than the ring
 * lasts.
 *
 * Each interrupt takes the result of the conversion before and starts the next one, so that all of them start at the same
 * distance from the timer's edge.
 */
#ifndef SAMPLER_H
#define SAMPLER_H

#include <stdbool.h>
#include <stdint.h>

#ifndef SAMPLER_RING
#define SAMPLER_RING 16 /* a power of two, at most 128 */
#endif

void sampler_start(void);
void sampler_stop(void);

/* The next count, or false where there is none. */
bool sampler_take(uint16_t *count);

/* Sleep until an interrupt, unless a count is waiting. */
void sampler_wait(void);

/* Counts that found the ring full, since the last call. */
uint16_t sampler_count_lost(void);

#endif
