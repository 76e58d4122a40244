#include "levels.h"

#include "fixed.h"

#define SETTLING 48 /* blocks before the background is first known */
#define FADING 41   /* of 1/256 level in 64 ms: 1 dB a second */
#define RISING 8    /* 0.18 dB a second */

void tapsig_levels_init(tapsig_levels *levels)
{
    *levels = (tapsig_levels){0};
    tapsig_predictor_init(&levels->predictor);
}

static uint8_t larger(uint8_t one, uint8_t other)
{
    return one > other ? one : other;
}

/* The level of a quarter of a squared count (half a count of amplitude). */
uint8_t tapsig_least_level(const tapsig_rate *rate)
{
    return (uint8_t)(rate->count_shift > 1 ? 16 * (rate->count_shift - 1) : 0);
}

static inline void push_level(tapsig_levels *levels, uint8_t channel, uint32_t power, uint8_t offset, uint8_t least)
{
    uint32_t *smoothed = &levels->smoothed[channel];
    *smoothed = (*smoothed >> 1) + (power >> 1);
    const uint8_t level = tapsig_level(*smoothed);
    const uint8_t above = (uint8_t)(level > offset ? level - offset : 0);
    levels->level[channel][levels->block & (TAPSIG_BLOCKS_KEPT - 1)] = larger(above, least);
}

/* The mean moves by 2^-shift of what lies above it, rounded down; in 16 bits. */
static uint16_t move(uint16_t mean, uint16_t value, uint8_t shift)
{
    if (value >= mean) {
        return (uint16_t)(mean + ((uint16_t)(value - mean) >> shift));
    }
    const uint16_t below = (uint16_t)(mean - value); /* at most 255 levels: there is room to round up */
    return (uint16_t)(mean - ((uint16_t)(below + (1U << shift) - 1) >> shift));
}

static void follow_background(tapsig_background *background, uint8_t highest, bool first)
{
    const uint16_t level = (uint16_t)(highest << 8);
    if (first) {
        background->quietest = background->mean_1s = background->mean_8s = background->fading = level;
        return;
    }
    background->mean_1s = move(background->mean_1s, level, 4);
    background->mean_8s = move(background->mean_8s, level, 7);
    if (background->fading < level + FADING) {
        background->fading = level;
    } else {
        background->fading = (uint16_t)(background->fading - FADING);
    }
    if (level < background->quietest + RISING) {
        background->quietest = level;
    } else {
        background->quietest = (uint16_t)(background->quietest + RISING);
    }
}

/* The highest of every four blocks, and what follows from it. The reference is the highest of the eleven fours before:
 * they are looked through while the next four blocks come, so that no block has much to do. */
static void follow_maxima(tapsig_levels *levels, uint8_t channel)
{
    const uint8_t block = (uint8_t)levels->block, phase = block & 3, now = (block >> 2) & 15;
    const uint8_t level = levels->level[channel][block & (TAPSIG_BLOCKS_KEPT - 1)];
    uint8_t *maxima = levels->maxima[channel];
    uint8_t next = phase == 0 ? 0 : levels->next_reference[channel];
    maxima[now] = phase == 0 ? level : larger(level, maxima[now]);
    if (phase < 3) {
        uint8_t at = (uint8_t)(now - 1 - 4 * phase);
        for (uint8_t left = phase == 2 ? 3 : 4; left > 0; left--) {
            next = larger(maxima[at-- & 15], next);
        }
        levels->next_reference[channel] = next;
        return;
    }
    levels->reference[channel] = next;
    levels->highest_64[channel] = larger(maxima[now], levels->highest_64[channel]);
    if (!levels->settled || (levels->block & 63) == 63) {
        /* Before it has settled, the highest so far is the background: there is nothing else to compare with. */
        follow_background(&levels->background[channel], levels->highest_64[channel], !levels->settled);
        if (levels->settled) {
            levels->highest_64[channel] = 0;
        }
    }
}

void tapsig_levels_push(tapsig_levels *levels, const tapsig_blocks *blocks, const tapsig_rate *rate,
                        uint8_t order)
{
    const int16_t signal = blocks->signal;
    const int16_t error = tapsig_predict(&levels->predictor, signal, order);
    const uint8_t least = tapsig_least_level(rate);
    push_level(levels, TAPSIG_INNOVATION, tapsig_square(error), 0, least);
    push_level(levels, TAPSIG_FAST, blocks->step_power, rate->step_offset[blocks->longer], least);
    push_level(levels, TAPSIG_SIGNAL, tapsig_square(signal), 0, least);
    tapsig_levels_keep(levels);
}

void tapsig_levels_keep(tapsig_levels *levels)
{
    for (uint8_t channel = 0; channel < TAPSIG_TRACKED; channel++) {
        follow_maxima(levels, channel);
    }
    levels->block++;
    if (levels->block == SETTLING) {
        levels->settled = true;
    }
}
