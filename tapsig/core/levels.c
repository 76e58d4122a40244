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
static uint8_t least_level(const tapsig_rate *rate)
{
    return (uint8_t)(rate->count_shift > 1 ? 16 * (rate->count_shift - 1) : 0);
}

static void push_level(tapsig_levels *levels, uint8_t channel, uint32_t power, uint8_t offset, uint8_t least)
{
    uint32_t *smoothed = &levels->smoothed[channel];
    *smoothed = (*smoothed >> 1) + (power >> 1);
    const uint8_t level = tapsig_level(*smoothed);
    levels->level[channel][levels->block & (TAPSIG_BLOCKS_KEPT - 1)] =
        level > offset + least ? (uint8_t)(level - offset) : least;
}

static void follow_background(tapsig_background *background, uint8_t highest, bool first)
{
    const uint16_t level = (uint16_t)(highest << 8);
    if (first) {
        background->quietest = background->mean_1s = background->mean_8s = background->fading = level;
        return;
    }
    const int32_t above_1s = (int32_t)level - background->mean_1s;
    const int32_t above_8s = (int32_t)level - background->mean_8s;
    background->mean_1s = (uint16_t)(background->mean_1s + (above_1s >> 4));
    background->mean_8s = (uint16_t)(background->mean_8s + (above_8s >> 7));
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

/* Once in four blocks: the highest of them, and what follows from it. */
static void follow_maxima(tapsig_levels *levels, uint8_t channel)
{
    const uint8_t *four = &levels->level[channel][levels->block & (TAPSIG_BLOCKS_KEPT - 4)];
    uint8_t *maxima = levels->maxima[channel];
    const uint8_t now = (uint8_t)((levels->block >> 2) & 15);
    maxima[now] = larger(larger(four[0], four[1]), larger(four[2], four[3]));
    levels->highest_64[channel] = larger(maxima[now], levels->highest_64[channel]);
    levels->reference[channel] = 0;
    for (uint8_t i = 1; i < 12; i++) {
        levels->reference[channel] = larger(maxima[(now - i) & 15], levels->reference[channel]);
    }
    if (!levels->settled || (levels->block & 63) == 63) {
        /* Before it has settled, the highest so far is the background: there is nothing else to compare with. */
        follow_background(&levels->background[channel], levels->highest_64[channel], !levels->settled);
        if (levels->settled) {
            levels->highest_64[channel] = 0;
        }
    }
}

void tapsig_levels_push(tapsig_levels *levels, const tapsig_blocks *blocks, const tapsig_rate *rate)
{
    const int16_t signal = blocks->signal;
    const int16_t error = tapsig_predict(&levels->predictor, signal);
    const uint8_t least = least_level(rate);
    push_level(levels, TAPSIG_INNOVATION, tapsig_square(error), 0, least);
    push_level(levels, TAPSIG_FAST, blocks->step_power, rate->step_offset[blocks->longer], least);
    push_level(levels, TAPSIG_SIGNAL, tapsig_square(signal), 0, least);
    if ((levels->block & 3) == 3) {
        for (uint8_t channel = 0; channel < TAPSIG_TRACKED; channel++) {
            follow_maxima(levels, channel);
        }
    }
    levels->block++;
    if (levels->block == SETTLING) {
        levels->settled = true;
    }
}
