/* A mean that follows the samples: a first-order low-pass. What departs from it is the high-passed signal. */
#ifndef TAPSIG_FOLLOW_H
#define TAPSIG_FOLLOW_H

#include <stdint.h>

/* The share of a departure by which the mean follows: share_q15 * 2^-shift. */
typedef struct {
    uint16_t share_q15; /* 2^14 to 2^15 - 1 */
    uint8_t shift;      /* 0 to 24 */
} tapsig_share;

/* `mean_q16` after it has followed `departure`, a 16-bit sample less the mean. */
uint32_t tapsig_follow(uint32_t mean_q16, int16_t departure, const tapsig_share *share);

#endif
