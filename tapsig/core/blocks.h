/* Samples at any rate -> one block a millisecond.
 *
 * A sample is a converter's count, shifted to 16 bits. From 2 kHz on, a block is the mean of its samples (a millisecond
 * that holds no whole number of samples takes turns: 2500 Hz gives blocks of 2 and 3). Above 16 kHz, groups of samples
 * are averaged first. Below 2 kHz, blocks are interpolated linearly between samples.
 *
 * Each block carries its mean after a first-order high-pass of 20 Hz, and the mean squared step from sample to sample,
 * which rises with what lies above some hundred hertz.
 */
#ifndef TAPSIG_BLOCKS_H
#define TAPSIG_BLOCKS_H

#include <stdbool.h>
#include <stdint.h>

#define TAPSIG_BLOCK_Q24 (UINT32_C(1) << 24) /* of a phase */

typedef struct {
    uint32_t step_q24;         /* blocks a sample (a group), 2^24 for one */
    uint16_t reciprocal_q15[2]; /* of the samples in a short block, and in one that has a sample more */
    uint16_t per_block_q14;    /* interpolated only: samples a block */
    uint16_t per_block_q8;     /* samples of the converter a block */
    uint8_t step_offset[2];    /* level (see levels.h) of the number of samples in a block, likewise */
    uint8_t short_fill;        /* samples (groups) in a short block */
    uint8_t count_shift;       /* 16 less the converter's bits */
    uint8_t group;             /* samples averaged into one */
    uint8_t interpolated;
} tapsig_rate;

typedef struct {
    uint32_t phase_q24;
    int32_t level_q8; /* what the high-pass takes away */
    int32_t sum;
    uint32_t steps; /* sum of squared steps, saturated */
    uint32_t group_sum;
    uint16_t previous;
    uint8_t group_fill;
    uint8_t fill;
    uint8_t started;
    /* of the block just completed */
    int16_t signal;
    uint32_t step_power; /* not yet divided by the number of samples: less `step_offset` as a level */
    uint8_t longer;      /* 1 for a block with a sample more */
} tapsig_blocks;

void tapsig_blocks_init(tapsig_blocks *blocks);

/* Take counts until one completes a block, or all `size`. Returns how many were taken. `completed` says how many blocks
 * the last one completed: 0 or 1, up to 3 where blocks are interpolated; each of them is then fetched by
 * tapsig_blocks_next. */
uint16_t tapsig_blocks_take(tapsig_blocks *blocks, const tapsig_rate *rate, const uint16_t *counts, uint16_t size,
                            uint8_t *completed);

/* Set `signal`, `step_power` and `longer` for the next completed block. */
void tapsig_blocks_next(tapsig_blocks *blocks, const tapsig_rate *rate);

#endif
