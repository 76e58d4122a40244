/* The detector `ring-following`: a threshold that starts at a tap's own level and falls as the panel rings down.
 *
 * The level is that of the largest departure in each millisecond, after a first-order high-pass. It is logarithmic, so
 * that an exponential ring-down is a straight line and the threshold follows it by one subtraction. Levels have eight
 * steps an octave of power (see fixed.h), with 16 bits below.
 */
#ifndef TAPSIG_RING_FOLLOWING_H
#define TAPSIG_RING_FOLLOWING_H

#include <stdbool.h>
#include <stdint.h>

#include "follow.h"

typedef struct {
    uint32_t step_q24; /* blocks of a millisecond a sample, 2^24 for one */
    int32_t threshold; /* a tap's level lies above this, */
    int32_t over_background; /* so far above the slow mean of the level, */
    int32_t over_ring; /* and above a mark that starts so far over the last tap's peak */
    int32_t hysteresis; /* the level must fall so far below that peak before the next tap */
    uint32_t decay;     /* of the ring-down, a block, at most 2^22: to begin with, or for good */
    uint32_t least_decay, highest_decay;
    uint16_t decay_fraction_q8; /* the mark falls by this share of the decay, at most 2 */
    uint16_t dead_blocks;    /* no second tap so soon after one */
    tapsig_share high_pass;
    uint8_t count_shift; /* 16 less the converter's bits */
    bool learns;         /* the decay */
} tapsig_ring_following_config;

typedef struct {
    uint32_t phase_q24;
    uint32_t mean_q16;
    uint16_t peak; /* of the departure in this block */
    uint16_t peak_age; /* samples since */
    int32_t background;
    int32_t mark;
    int32_t last_peak;
    int32_t frame, frame_before; /* highest level of the 32 blocks that are filling, and of those before */
    uint32_t decay;
    uint16_t since; /* blocks since the last tap, saturated */
    uint8_t frame_fill;
    bool started, background_known, armed;
    int32_t over; /* how far the last tap lay over the threshold */
} tapsig_ring_following;

void tapsig_ring_following_init(tapsig_ring_following *detector);

/* Take the next count. Returns whether a tap was decided; its onset is `onset_age` samples before this count. */
bool tapsig_ring_following_push(tapsig_ring_following *detector, const tapsig_ring_following_config *config,
                                uint16_t count, uint16_t *onset_age);

#endif
