/* The detector `fixed-threshold`: a departure from the bias over a threshold, then nothing for a dead time. */
#ifndef TAPSIG_FIXED_THRESHOLD_H
#define TAPSIG_FIXED_THRESHOLD_H

#include <stdbool.h>
#include <stdint.h>

#include "follow.h"

typedef struct {
    uint32_t dead_samples;   /* no second tap so soon after one; at least 1 */
    tapsig_share bias;       /* how the bias follows, once a group of samples */
    uint16_t threshold;      /* a tap departs by more than this, in 16-bit samples */
    uint16_t reciprocal_q15; /* of the group */
    uint8_t group;           /* samples averaged before the bias follows: a millisecond, at least 1 */
    uint8_t count_shift;     /* 16 less the converter's bits */
} tapsig_fixed_threshold_config;

typedef struct {
    uint32_t bias_q16;
    int32_t sum; /* of the departures in this group */
    uint32_t wait;
    uint16_t departure; /* of the last sample, without its sign */
    uint8_t fill;
    bool started;
} tapsig_fixed_threshold;

void tapsig_fixed_threshold_init(tapsig_fixed_threshold *detector);

/* Take the next count. Returns whether it is a tap; its onset is this count. */
bool tapsig_fixed_threshold_push(tapsig_fixed_threshold *detector, const tapsig_fixed_threshold_config *config,
                                 uint16_t count);

#endif
