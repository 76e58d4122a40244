/* Whole milliseconds from counts, and when the entry machine is to hear that time passes. */
#ifndef TAPSIG_CLOCK_H
#define TAPSIG_CLOCK_H

#include <stdbool.h>
#include <stdint.h>

typedef struct {
    uint32_t step_q24;   /* milliseconds a sample, below 256 */
    uint16_t latency_ms; /* no tap can still come to lie further back than this */
} tapsig_clock_config;

typedef struct {
    uint32_t fraction_q24;
    uint32_t now_ms; /* of the count last pushed; wraps after 49 days */
} tapsig_clock;

void tapsig_clock_init(tapsig_clock *clock);

/* The moment `age` samples ago, in whole milliseconds, halves upwards; `age` of less than 64 ms. */
uint32_t tapsig_clock_moment(const tapsig_clock *clock, const tapsig_clock_config *config, uint16_t age);

/* Go on to the next count. Returns whether another 16 ms have begun: time to call tapsig_entry_advance. */
bool tapsig_clock_tick(tapsig_clock *clock, const tapsig_clock_config *config);

#endif
