#include "blocks.h"

#include "fixed.h"

void tapsig_blocks_init(tapsig_blocks *blocks)
{
    *blocks = (tapsig_blocks){0};
}

static int16_t above_level(const tapsig_blocks *blocks, uint16_t sample)
{
    return tapsig_saturate16((int32_t)sample - (blocks->level_q8 >> 8));
}

static uint32_t squared_step(uint16_t sample, uint16_t previous)
{
    return tapsig_square(tapsig_saturate16((int32_t)sample - previous));
}

/* The high-pass: the level follows by an eighth of what lies above it, a corner of 1000 / (16 pi) = 20 Hz. */
static void complete(tapsig_blocks *blocks, int16_t signal)
{
    blocks->signal = signal;
    blocks->level_q8 += (int32_t)signal * 32;
}

static void start(tapsig_blocks *blocks, uint16_t sample)
{
    if (!blocks->started) {
        blocks->started = 1;
        blocks->level_q8 = (int32_t)sample << 8;
        blocks->previous = sample;
    }
}

/* `sum` keeps the sample before, so that `previous` can become this one only when its blocks were fetched. */
static uint8_t interpolate(tapsig_blocks *blocks, const tapsig_rate *rate, uint16_t sample)
{
    blocks->phase_q24 += rate->step_q24;
    blocks->sum = blocks->previous;
    const uint32_t step = squared_step(sample, blocks->previous);
    const uint8_t completed = (uint8_t)(blocks->phase_q24 >> 24);
    if (blocks->fill == 0 || step > blocks->steps) { /* of two samples in one block, the larger step counts */
        blocks->steps = step;
    }
    blocks->fill = completed == 0;
    blocks->previous = sample;
    return completed;
}

/* Sum up samples until one completes the block. The loop works on local copies, which stay in registers: twice as fast. */
static uint16_t sum_up(tapsig_blocks *blocks, const tapsig_rate *rate, const uint16_t *samples, uint16_t size,
                       uint8_t shift)
{
    const int32_t level = blocks->level_q8 >> 8;
    uint32_t phase = blocks->phase_q24;
    int32_t sum = blocks->sum;
    uint32_t steps = blocks->steps;
    uint16_t previous = blocks->previous;
    uint16_t used = 0;
    while (used < size && phase < TAPSIG_BLOCK_Q24) {
        const uint16_t sample = (uint16_t)(samples[used++] << shift);
        sum += tapsig_saturate16((int32_t)sample - level);
        steps = tapsig_add_saturated(steps, squared_step(sample, previous));
        previous = sample;
        phase += rate->step_q24;
    }
    blocks->phase_q24 = phase;
    blocks->sum = sum;
    blocks->steps = steps;
    blocks->previous = previous;
    blocks->fill = (uint8_t)(blocks->fill + used);
    return used;
}

/* One count, where groups of samples are averaged or blocks are interpolated. */
static uint8_t take_one(tapsig_blocks *blocks, const tapsig_rate *rate, uint16_t count)
{
    uint16_t sample = (uint16_t)(count << rate->count_shift);
    if (rate->group > 1) {
        blocks->group_sum += sample;
        if (++blocks->group_fill < rate->group) {
            return 0;
        }
        sample = (uint16_t)(blocks->group_sum / rate->group); /* at most 16,000 times a second */
        blocks->group_sum = 0;
        blocks->group_fill = 0;
    }
    start(blocks, sample);
    if (rate->interpolated) {
        return interpolate(blocks, rate, sample);
    }
    sum_up(blocks, rate, &sample, 1, 0);
    return blocks->phase_q24 >= TAPSIG_BLOCK_Q24;
}

uint16_t tapsig_blocks_take(tapsig_blocks *blocks, const tapsig_rate *rate, const uint16_t *counts, uint16_t size,
                            uint8_t *completed)
{
    uint16_t used = 0;
    *completed = 0;
    if (rate->group > 1 || rate->interpolated) {
        while (used < size && *completed == 0) {
            *completed = take_one(blocks, rate, counts[used++]);
        }
    } else if (size > 0) {
        start(blocks, (uint16_t)(counts[0] << rate->count_shift));
        used = sum_up(blocks, rate, counts, size, rate->count_shift);
        *completed = blocks->phase_q24 >= TAPSIG_BLOCK_Q24;
    }
    return used;
}

void tapsig_blocks_next(tapsig_blocks *blocks, const tapsig_rate *rate)
{
    blocks->phase_q24 -= TAPSIG_BLOCK_Q24;
    blocks->step_power = blocks->steps;
    if (rate->interpolated) {
        uint16_t value = blocks->previous;
        if (blocks->phase_q24 != 0) { /* the block ended before this sample */
            /* What remains of the phase is how long ago; as a share of a sample, Q14. */
            const uint16_t share = (uint16_t)(((blocks->phase_q24 >> 10) * rate->per_block_q14) >> 14);
            const int32_t change = (int32_t)value - blocks->sum;
            value = (uint16_t)((int32_t)value - ((change * share) >> 14));
        }
        complete(blocks, above_level(blocks, value));
        return;
    }
    blocks->longer = blocks->fill > rate->short_fill;
    /* A reciprocal is rounded, and can carry a full-scale mean past 16 bits. */
    complete(blocks, tapsig_saturate16((blocks->sum * rate->reciprocal_q15[blocks->longer]) >> 15));
    blocks->sum = 0;
    blocks->steps = 0;
    blocks->fill = 0;
}
