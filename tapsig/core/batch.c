#include "batch.h"

#include <string.h>

#include "fixed.h"

#define BLOCK_Q24 (UINT32_C(1) << 24)
#define MOST_COUNTS (17 * TAPSIG_BATCH)
#define CALM 15000 /* 17 squared steps of it fit 32 bits, and no difference of samples has to be saturated */

/* Loops that gcc unrolls before it makes vectors of them, if they are inlined into another loop. */
#ifdef __GNUC__
#define APART __attribute__((noinline))
#else
#define APART
#endif

/* ---- blocks */

/* Samples of a batch, less 2^15; returns how far they and the two samples given lie apart. */
static APART uint16_t shift_counts(const uint16_t *counts, uint32_t size, uint8_t shift, int16_t *samples, int16_t one,
                                   int16_t other)
{
    int16_t lowest = one < other ? one : other, highest = one > other ? one : other;
    for (uint32_t i = 0; i < size; i++) {
        const int16_t sample = (int16_t)((counts[i] << shift) ^ 0x8000);
        samples[i] = sample;
        lowest = sample < lowest ? sample : lowest;
        highest = sample > highest ? sample : highest;
    }
    return (uint16_t)(highest - lowest);
}

typedef struct {
    int32_t sum;
    uint32_t steps; /* sum of squared steps */
} sums;

/* Of a block; samples[0] is the one before. */
static inline sums sum_block(const int16_t *samples, uint32_t size)
{
    sums found = {0, 0};
    for (uint32_t i = 0; i < size; i++) {
        const int16_t step = (int16_t)(samples[i + 1] - samples[i]);
        found.steps += (uint32_t)((int32_t)step * step);
        found.sum += samples[i + 1];
    }
    return found;
}

static APART sums sum_eight(const int16_t *samples)
{
    return sum_block(samples, 8);
}

/* Where the blocks of a batch end; returns the phase after them. */
static uint32_t divide(tapsig_batch *batch, const tapsig_rate *rate, uint32_t size, uint32_t phase)
{
    const uint32_t short_phase = rate->short_fill * rate->step_q24;
    uint32_t stop = 0;
    uint16_t block = 0;
    for (; block < TAPSIG_BATCH; block++) {
        uint32_t fill = rate->short_fill, reached = phase + short_phase;
        if (reached < BLOCK_Q24) {
            reached += rate->step_q24;
            fill++;
        } else if (reached - rate->step_q24 >= BLOCK_Q24) {
            reached -= rate->step_q24;
            fill--;
        }
        if (stop + fill > size) {
            break;
        }
        stop += fill;
        phase = reached - BLOCK_Q24;
        batch->stop[block] = (uint16_t)stop;
        batch->longer[block] = fill > rate->short_fill;
    }
    batch->size = block;
    return phase;
}

uint32_t tapsig_batch_take(tapsig_batch *batch, tapsig_blocks *blocks, const tapsig_rate *rate, const uint16_t *counts,
                           uint32_t size)
{
    int16_t samples[1 + MOST_COUNTS];
    batch->size = 0;
    if (rate->group > 1 || rate->interpolated) {
        return size;
    }
    if (blocks->fill > 0 || !blocks->started) {
        return 1;
    }
    const uint32_t phase = divide(batch, rate, size < MOST_COUNTS ? size : MOST_COUNTS, blocks->phase_q24);
    if (batch->size == 0) {
        return size;
    }
    const uint32_t last = batch->size - 1, total = batch->stop[last];
    samples[0] = (int16_t)(blocks->previous ^ 0x8000);
    if (shift_counts(counts, total, rate->count_shift, samples + 1, samples[0],
                     (int16_t)((blocks->level_q8 >> 8) - 32768)) > CALM) {
        batch->size = 0;
        return total;
    }
    uint16_t start = 0;
    int32_t level_q8 = blocks->level_q8 - 32768 * 256;
    for (uint32_t i = 0; i <= last; i++) {
        const uint16_t fill = (uint16_t)(batch->stop[i] - start);
        const sums found = fill == 8 ? sum_eight(samples + start) : sum_block(samples + start, fill);
        const int32_t above = found.sum - (int32_t)fill * (level_q8 >> 8);
        const int16_t signal = tapsig_saturate16((above * rate->reciprocal_q15[batch->longer[i]]) >> 15);
        batch->signal[i] = signal;
        batch->step_power[i] = found.steps;
        level_q8 += (int32_t)signal * 32;
        start = batch->stop[i];
    }
    blocks->phase_q24 = phase;
    blocks->level_q8 = level_q8 + 32768 * 256;
    blocks->previous = (uint16_t)(samples[total] ^ 0x8000);
    blocks->signal = batch->signal[last];
    blocks->step_power = batch->step_power[last];
    blocks->longer = batch->longer[last];
    return total;
}

/* ---- prediction */

#define WEIGHT_LIMIT (INT32_C(8) << 20)
#define MIN_POWER UINT32_C(64)
#define ORDER TAPSIG_ORDER

/* weight += gain x history[i + 1] >> shift, limited. Returns the sum of weight x history[i], without the lowest byte of
 * the weights, in Q4. The history is split in bytes, so that 32 bits hold the sums. */
static APART int32_t adapt_and_sum(int32_t *weights, const int16_t *history, int16_t gain, int32_t shift)
{
    int32_t high = 0, low = 0;
    uint32_t beyond = 0;
    for (uint32_t i = 0; i < ORDER; i++) {
        weights[i] += ((int32_t)gain * history[i + 1]) >> shift;
        beyond |= (uint32_t)(weights[i] + WEIGHT_LIMIT);
    }
    if (beyond >= 2 * (uint32_t)WEIGHT_LIMIT) { /* seldom */
        for (uint32_t i = 0; i < ORDER; i++) {
            weights[i] = weights[i] >= WEIGHT_LIMIT ? WEIGHT_LIMIT - 1
                         : weights[i] < -WEIGHT_LIMIT ? -WEIGHT_LIMIT : weights[i];
        }
    }
    for (uint32_t i = 0; i < ORDER; i++) {
        const int16_t weight = (int16_t)(weights[i] >> 8);
        const int16_t upper = (int16_t)(history[i] >> 8), lower = (int16_t)(history[i] & 255);
        high += (int32_t)weight * upper;
        low += (int32_t)weight * lower;
    }
    return high + (low >> 8);
}

/* The prediction of a sum in Q4, limited as predict.c does. */
static inline int16_t predicted(int32_t sum_q4)
{
    const int32_t value = sum_q4 >> 4;
    if (value > -32768 && value <= 32767) { /* almost always: the processor goes on with it before it knows */
        return (int16_t)value;
    }
    return value > 0 ? (int16_t)(32752 + (value & 15)) : tapsig_saturate16(-32768 + (value & 15));
}

/* How tapsig_predict scales an error by the power: a shift before its product with the history, and one after it. */
typedef struct {
    int32_t before[TAPSIG_BATCH]; /* of 16 times the error */
    int32_t after[TAPSIG_BATCH];
} shifts;

/* Octave of a power from 1 to 2^31 - 1. */
static inline int32_t octave_of(uint32_t power)
{
    union {
        float number;
        uint32_t bits;
    } as;
    as.number = (float)(int32_t)(power & ~(power >> 1)); /* nothing is rounded up to the next octave */
    return (int32_t)(as.bits >> 23) - 127;
}

/* `values`: those that are predicted, in reverse order, and those before them. */
static void find_shifts(tapsig_predictor *predictor, const int16_t *values, uint32_t size, shifts *found)
{
    uint32_t squares[TAPSIG_BATCH + ORDER], powers[TAPSIG_BATCH], power = predictor->power;
    for (uint32_t i = 0; i < size + ORDER; i++) {
        squares[i] = tapsig_square(values[i]) >> 4;
    }
    for (uint32_t i = 0; i < size; i++) {
        powers[i] = power;
        power += squares[size - 1 - i] - squares[size - 1 - i + ORDER];
    }
    predictor->power = power;
    for (uint32_t i = 0; i < size; i++) {
        const int32_t shift = octave_of(powers[i] + MIN_POWER) + 1 - 11;
        const int32_t after = shift < 4 ? 0 : shift < 12 ? 8 : 16;
        found->before[i] = shift - after + 4;
        found->after[i] = after;
    }
}

static void predict_all(tapsig_predictor *predictor, const int16_t *values, int16_t *errors, uint32_t size)
{
    int16_t recent[TAPSIG_BATCH + TAPSIG_HISTORY]; /* the newest first */
    shifts shift;
    int16_t gain = predictor->gain;
    int32_t after = 8 * predictor->bytes;
    for (uint32_t i = 0; i < size; i++) {
        recent[size - 1 - i] = values[i];
    }
    memcpy(recent + size, predictor->history + predictor->newest, TAPSIG_HISTORY * sizeof *recent);
    find_shifts(predictor, recent, size, &shift);
    for (uint32_t i = 0; i < size; i++) {
        const int32_t sum_q4 = adapt_and_sum(predictor->weights_q20, recent + size - i, gain, after);
        const int16_t error = tapsig_saturate16((int32_t)values[i] - predicted(sum_q4));
        gain = tapsig_saturate16((int32_t)error * 16 >> shift.before[i]);
        after = shift.after[i];
        errors[i] = error;
    }
    predictor->gain = gain;
    predictor->bytes = (uint8_t)(after / 8);
    const uint32_t moved = size % TAPSIG_HISTORY;
    predictor->newest = (uint8_t)((predictor->newest + TAPSIG_HISTORY - moved) % TAPSIG_HISTORY);
    for (uint32_t i = 0; i < TAPSIG_HISTORY; i++) {
        const uint8_t place = (uint8_t)((predictor->newest + i) % TAPSIG_HISTORY);
        predictor->history[place] = predictor->history[place + TAPSIG_HISTORY] = recent[i];
    }
}

/* ---- levels */

/* tapsig_level by the exponent of a float. Without the fifth bit and some others, rounding cannot reach the first four. */
static inline int32_t level_of(uint32_t power)
{
    union {
        float number;
        uint32_t bits;
    } as;
    as.number = (float)(power & ~(power >> 4));
    const int32_t level = (int32_t)(as.bits >> 20) - 127 * 8;
    return level > 0 ? level : 0;
}

static void push_levels(uint8_t *level, uint32_t *smoothed, const uint32_t *powers, const uint8_t *offsets, uint8_t least,
                        uint32_t size)
{
    uint32_t smooth[TAPSIG_BATCH], now = *smoothed;
    for (uint32_t i = 0; i < size; i++) {
        now = (now >> 1) + (powers[i] >> 1);
        smooth[i] = now;
    }
    *smoothed = now;
    for (uint32_t i = 0; i < size; i++) {
        const int32_t above = level_of(smooth[i]) - offsets[i];
        level[i] = (uint8_t)(above > least ? above : least);
    }
}

static void square(const int16_t *values, uint32_t *powers, uint32_t size)
{
    for (uint32_t i = 0; i < size; i++) {
        powers[i] = tapsig_square(values[i]);
    }
}

void tapsig_batch_levels(tapsig_batch *batch, tapsig_levels *levels, const tapsig_rate *rate)
{
    static const uint8_t none[TAPSIG_BATCH];
    int16_t errors[TAPSIG_BATCH];
    uint32_t powers[TAPSIG_BATCH];
    uint8_t offsets[TAPSIG_BATCH];
    const uint8_t least = tapsig_least_level(rate);
    predict_all(&levels->predictor, batch->signal, errors, batch->size);
    for (uint32_t i = 0; i < batch->size; i++) {
        offsets[i] = batch->longer[i] ? rate->step_offset[1] : rate->step_offset[0];
    }
    square(errors, powers, batch->size);
    push_levels(batch->level[TAPSIG_INNOVATION], &levels->smoothed[TAPSIG_INNOVATION], powers, none, least, batch->size);
    push_levels(batch->level[TAPSIG_FAST], &levels->smoothed[TAPSIG_FAST], batch->step_power, offsets, least, batch->size);
    square(batch->signal, powers, batch->size);
    push_levels(batch->level[TAPSIG_SIGNAL], &levels->smoothed[TAPSIG_SIGNAL], powers, none, least, batch->size);
}
