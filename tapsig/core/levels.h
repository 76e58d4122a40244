/* Blocks -> three levels a millisecond, of the last 64, and what is usual for two of them.
 *
 * A level is a smoothed power in steps of an eighth of an octave (0.376 dB), at least that of a quarter of a count.
 * Differences of levels are ratios, so that nothing that is computed from them depends on the sensor's gain.
 */
#ifndef TAPSIG_LEVELS_H
#define TAPSIG_LEVELS_H

#include <stdbool.h>
#include <stdint.h>

#include "blocks.h"
#include "predict.h"

enum {
    TAPSIG_INNOVATION, /* prediction error of the blocks' means: a new blow, without the ringing */
    TAPSIG_FAST,       /* steps from sample to sample: what lies above some hundred hertz */
    TAPSIG_SIGNAL,     /* the blocks' means above 20 Hz */
    TAPSIG_CHANNELS
};
#define TAPSIG_TRACKED 2 /* the first two channels have a background and trigger candidates */
#define TAPSIG_BLOCKS_KEPT 64

/* Of the highest level in each 64 ms, in 1/256 of a level. */
typedef struct {
    uint16_t quietest; /* rises by 3 dB in 12 s */
    uint16_t mean_1s;
    uint16_t mean_8s;
    uint16_t fading; /* the highest, less 1 dB a second */
} tapsig_background;

typedef struct {
    tapsig_predictor predictor;
    uint32_t smoothed[TAPSIG_CHANNELS];
    uint8_t level[TAPSIG_CHANNELS][TAPSIG_BLOCKS_KEPT]; /* block b at b mod 64 */
    uint8_t highest_64[TAPSIG_TRACKED];
    uint8_t maxima[TAPSIG_TRACKED][16]; /* of every four blocks */
    uint8_t next_reference[TAPSIG_TRACKED]; /* of the fours looked through so far */
    uint8_t reference[TAPSIG_TRACKED];  /* highest of the 44 blocks before the four last completed */
    tapsig_background background[TAPSIG_TRACKED];
    uint32_t block; /* number of the next block */
    bool settled;
} tapsig_levels;

void tapsig_levels_init(tapsig_levels *levels);

/* Take the block that tapsig_blocks_next has set; `order` is that of the prediction. */
void tapsig_levels_push(tapsig_levels *levels, const tapsig_blocks *blocks, const tapsig_rate *rate,
                        uint8_t order);

/* The lowest level there is: that of a quarter of a squared count (half a count of amplitude). */
uint8_t tapsig_least_level(const tapsig_rate *rate);

/* The second half of tapsig_levels_push: what follows from the levels of the next block, which lie in their places. */
void tapsig_levels_keep(tapsig_levels *levels);

#endif
