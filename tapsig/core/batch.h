/* Many blocks at a time, for a desktop: loops over arrays that its compiler turns into vector instructions. It is no part
 * of an export. All numbers are those of blocks.h, predict.h and levels.h, to the bit. */
#ifndef TAPSIG_BATCH_H
#define TAPSIG_BATCH_H

#include <stdbool.h>
#include <stdint.h>

#include "blocks.h"
#include "levels.h"
#include "quantise.h"

#define TAPSIG_BATCH TAPSIG_BLOCKS_KEPT /* blocks, at most */
#define TAPSIG_RECENT ((TAPSIG_HISTORY + TAPSIG_BATCH + 7) / 8 * 8)

typedef struct {
    uint32_t size;
    bool all_eight;
    uint8_t fill[TAPSIG_BATCH]; /* counts in each block */
    int16_t signal[TAPSIG_BATCH];
    uint32_t step_power[TAPSIG_BATCH];
    uint8_t longer[TAPSIG_BATCH];
    uint8_t level[TAPSIG_CHANNELS][TAPSIG_BATCH];
    uint8_t highest[TAPSIG_CHANNELS][TAPSIG_BATCH / 4]; /* of each four levels */
} tapsig_batch;

/* The predictor and the powers, while the levels of a batch are found. */
typedef struct {
    int16_t recent[TAPSIG_RECENT]; /* values of blocks, the oldest first, unlike in the predictor; then 0 */
    int32_t weights[TAPSIG_ORDER];                 /* likewise */
    int16_t gain;
    int32_t before[TAPSIG_BATCH];    /* bits dropped of 4096 times an error, which gives the gain */
    int32_t after[TAPSIG_BATCH + 1]; /* bits dropped of the product of a value and the gain of the block before */
    uint32_t smoothed[TAPSIG_CHANNELS + 1]; /* the last is of no channel */
} tapsig_batch_work;

/* Take counts of whole blocks, `most` at most, and leave `blocks` as tapsig_blocks_take and tapsig_blocks_next do.
 * Returns how many were taken. Where the batch stays empty, it returns how many are better taken one by one: `blocks` is
 * within a block, blocks are interpolated or groups averaged, or the samples lie so far apart that something might have to
 * be saturated. */
uint32_t tapsig_batch_take(tapsig_batch *batch, tapsig_blocks *blocks, const tapsig_rate *rate, const uint16_t *counts,
                           uint32_t size, uint32_t most);

/* Counts in the first `blocks` blocks. */
uint32_t tapsig_batch_stop(const tapsig_batch *batch, uint32_t blocks);

/* The levels of all blocks (one or more), predicted with TAPSIG_ORDER; `levels` then lacks only tapsig_levels_keep for each
 * of them. Meanwhile, some samples of `ahead` are converted. */
void tapsig_batch_levels(tapsig_batch *batch, tapsig_levels *levels, const tapsig_rate *rate, tapsig_ahead *ahead);

#endif
