#include "batch.h"

#include <string.h>

#include "fixed.h"

#if defined(__SSE2__) && !defined(TAPSIG_PLAIN)
#define TAPSIG_SSE2
#include "batch_sse2.h"
#endif

#define MOST_COUNTS (17 * TAPSIG_BATCH)
/* How large steps may be, so that the squared ones of a block fit 31 bits; no step is larger than the range of samples. */
#define STEP_OF_8 16383
#define STEP_OF_17 11239
#define MOST_APART 32000 /* samples may lie apart, so that no difference has to be saturated */

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
    const uint16_t scale = (uint16_t)(1 << shift); /* a product keeps to 16 bits */
    for (uint32_t i = 0; i < size; i++) {
        const int16_t sample = (int16_t)((uint16_t)(counts[i] * scale) ^ 0x8000);
        samples[i] = sample;
        lowest = sample < lowest ? sample : lowest;
        highest = sample > highest ? sample : highest;
    }
    return (uint16_t)(highest - lowest);
}

/* Sum of a block, and of its squared steps; samples[0] is the one before. */
static inline void sum_block(const int16_t *samples, uint32_t size, int32_t *sum, uint32_t *steps)
{
    int32_t total = 0;
    uint32_t squares = 0;
    for (uint32_t i = 0; i < size; i++) {
        const int16_t step = (int16_t)(samples[i + 1] - samples[i]);
        squares += (uint32_t)((int32_t)step * step);
        total += samples[i + 1];
    }
    *sum = total;
    *steps = squares;
}

static APART void sum_eights(const int16_t *samples, uint32_t size, int32_t *sums, uint32_t *steps)
{
    for (uint32_t i = 0; i < size; i++) {
        sum_block(samples + 8 * i, 8, sums + i, steps + i);
    }
}

/* Sums of blocks and their squared steps; returns how far the samples, the one before and `level` lie apart. */
static uint16_t sum_blocks(tapsig_batch *batch, const uint16_t *counts, uint32_t total, uint8_t shift, int16_t before,
                           int16_t level, int32_t *sums)
{
    int16_t samples[1 + MOST_COUNTS];
#ifdef TAPSIG_SSE2
    if (batch->all_eight) {
        return tapsig_sum_eights(batch, counts, shift, before, level, sums);
    }
#endif
    samples[0] = before;
    const uint16_t apart = shift_counts(counts, total, shift, samples + 1, before, level);
    if (batch->all_eight) {
        sum_eights(samples, batch->size, sums, batch->step_power);
        return apart;
    }
    for (uint32_t i = 0, start = 0; i < batch->size; start += batch->fill[i++]) {
        sum_block(samples + start, batch->fill[i], sums + i, batch->step_power + i);
    }
    return apart;
}

static int32_t find_largest_step(const uint16_t *counts, uint32_t size, uint8_t shift, uint16_t previous)
{
    int32_t largest = 0;
    for (uint32_t i = 0; i < size; i++) {
        const uint16_t sample = (uint16_t)(counts[i] << shift);
        const int32_t step = sample > previous ? sample - previous : previous - sample;
        largest = step > largest ? step : largest;
        previous = sample;
    }
    return largest;
}

/* How many samples each of the next blocks has; returns the phase after them. */
static uint32_t divide(tapsig_batch *batch, const tapsig_rate *rate, uint32_t size, uint32_t most, uint32_t phase)
{
    const uint32_t step = rate->step_q24, short_fill = rate->short_fill;
    uint32_t blocks = 0, left = size;
    batch->all_eight = phase == 0 && short_fill == 8 && 8 * step == TAPSIG_BLOCK_Q24 && rate->reciprocal_q15[0] == 4096;
    if (batch->all_eight) {
        batch->size = size / 8 < most ? size / 8 : most;
        memset(batch->fill, 8, sizeof batch->fill);
        memset(batch->longer, 0, sizeof batch->longer);
        return 0;
    }
    for (; blocks < most; blocks++) {
        uint32_t fill = short_fill, reached = phase + short_fill * step;
        if (reached < TAPSIG_BLOCK_Q24) {
            reached += step;
            fill++;
        } else if (reached - step >= TAPSIG_BLOCK_Q24) { /* where the step is rounded up, after a long time */
            reached -= step;
            fill--;
        }
        if (fill > left) {
            break;
        }
        left -= fill;
        phase = reached - TAPSIG_BLOCK_Q24;
        batch->fill[blocks] = (uint8_t)fill;
        batch->longer[blocks] = fill > short_fill;
    }
    batch->size = blocks;
    return phase;
}

/* The high-pass; returns its level after the batch. Calm samples need no limit. */
static int32_t filter(tapsig_batch *batch, const tapsig_rate *rate, const int32_t *sums, int32_t level_q8)
{
    if (batch->all_eight) { /* with few steps from level to level, for each block waits for the one before */
        for (uint32_t i = 0; i < batch->size; i++) {
            const int32_t mean = sums[i] >> 3, level = level_q8 >> 8;
            batch->signal[i] = (int16_t)(mean - level);
            level_q8 = level_q8 + mean * 32 - level * 32;
        }
        return level_q8;
    }
    for (uint32_t i = 0; i < batch->size; i++) {
        const int32_t above = sums[i] - batch->fill[i] * (level_q8 >> 8);
        const int32_t signal = (above * rate->reciprocal_q15[batch->longer[i]]) >> 15;
        batch->signal[i] = (int16_t)signal;
        level_q8 += signal * 32;
    }
    return level_q8;
}

uint32_t tapsig_batch_stop(const tapsig_batch *batch, uint32_t blocks)
{
    uint32_t stop = 0;
    for (uint32_t i = 0; i < blocks; i++) {
        stop += batch->fill[i];
    }
    return stop;
}

uint32_t tapsig_batch_take(tapsig_batch *batch, tapsig_blocks *blocks, const tapsig_rate *rate, const uint16_t *counts,
                           uint32_t size, uint32_t most)
{
    int32_t sums[TAPSIG_BATCH];
    batch->size = 0;
    if (rate->group > 1 || rate->interpolated) {
        return size;
    }
    if (blocks->fill > 0 || !blocks->started) {
        return 1;
    }
    const uint32_t phase = divide(batch, rate, size < MOST_COUNTS ? size : MOST_COUNTS, most, blocks->phase_q24);
    if (batch->size == 0) {
        return size;
    }
    const uint32_t last = batch->size - 1, total = tapsig_batch_stop(batch, batch->size);
    const int16_t before = (int16_t)(blocks->previous ^ 0x8000), level = (int16_t)((blocks->level_q8 >> 8) - 32768);
    const int32_t most_step = batch->all_eight || rate->short_fill < 8 ? STEP_OF_8 : STEP_OF_17;
    const uint16_t apart = sum_blocks(batch, counts, total, rate->count_shift, before, level, sums);
    if (apart > MOST_APART
        || (apart > most_step
            && find_largest_step(counts, total, rate->count_shift, blocks->previous) > most_step)) {
        batch->size = 0;
        return total;
    }
    blocks->level_q8 = 256 * 32768 + filter(batch, rate, sums, blocks->level_q8 - 256 * 32768);
    blocks->phase_q24 = phase;
    blocks->previous = (uint16_t)(counts[total - 1] << rate->count_shift);
    blocks->signal = batch->signal[last];
    blocks->step_power = batch->step_power[last];
    blocks->longer = batch->longer[last];
    return total;
}

/* ---- prediction */

#define ORDER TAPSIG_ORDER

/* weight += gain x value >> shift, limited, for the weights of the oldest to the newest of `values`. Returns the sum of
 * weight x the value after that one, without the lowest byte of the weights, in Q4. The values are split in bytes, so that
 * 32 bits hold the sums. */
static APART int32_t adapt_and_sum(int32_t *weights, const int16_t *values, int16_t gain, int32_t shift)
{
    int32_t high = 0, low = 0;
    uint32_t beyond = 0;
    for (uint32_t i = 0; i < ORDER; i++) {
        weights[i] += ((int32_t)gain * values[i]) >> shift;
        beyond |= (uint32_t)(weights[i] + TAPSIG_WEIGHT_LIMIT);
    }
    if (beyond >= 2 * (uint32_t)TAPSIG_WEIGHT_LIMIT) { /* seldom */
        for (uint32_t i = 0; i < ORDER; i++) {
            weights[i] = weights[i] >= TAPSIG_WEIGHT_LIMIT  ? TAPSIG_WEIGHT_LIMIT - 1
                         : weights[i] < -TAPSIG_WEIGHT_LIMIT ? -TAPSIG_WEIGHT_LIMIT
                                                             : weights[i];
        }
    }
    for (uint32_t i = 0; i < ORDER; i++) {
        const int16_t weight = (int16_t)(weights[i] >> 8), value = values[i + 1];
        high += (int32_t)weight * (int16_t)(value >> 8);
        low += (int32_t)weight * (int16_t)(value & 255);
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

static void find_shifts(tapsig_batch_work *work, uint32_t size, uint32_t *power)
{
    const int16_t *values = work->recent + TAPSIG_HISTORY - ORDER;
    uint32_t squares[ORDER + TAPSIG_BATCH], changes[TAPSIG_BATCH], powers[TAPSIG_BATCH], now = *power;
    for (uint32_t i = 0; i < ORDER + TAPSIG_BATCH; i++) {
        squares[i] = tapsig_square(values[i]) >> 4;
    }
    for (uint32_t i = 0; i < TAPSIG_BATCH; i++) {
        changes[i] = squares[ORDER + i] - squares[i];
    }
    for (uint32_t i = 0; i < size; i++) {
        powers[i] = now;
        now += changes[i];
    }
    *power = now;
    for (uint32_t i = 0; i < size; i++) {
        const int32_t octave = octave_of(powers[i] + TAPSIG_MIN_POWER);
        const int32_t after = 8 * ((octave >= 4 + 10) + (octave >= 12 + 10));
        work->after[i + 1] = after;
        work->before[i] = octave - 10 - after + 12;
    }
}

static void predict_plainly(tapsig_batch_work *work, int16_t *errors, uint32_t size)
{
    for (uint32_t i = 0; i < size; i++) {
        const int32_t sum_q4 = adapt_and_sum(work->weights, work->recent + i, work->gain, work->after[i]);
        errors[i] = tapsig_saturate16((int32_t)work->recent[TAPSIG_HISTORY + i] - predicted(sum_q4));
        work->gain = tapsig_saturate16((int32_t)errors[i] * 4096 >> work->before[i]);
    }
}

static void begin_work(tapsig_batch_work *work, tapsig_levels *levels, const tapsig_batch *batch)
{
    tapsig_predictor *predictor = &levels->predictor;
    for (uint32_t i = 0; i < TAPSIG_HISTORY; i++) {
        work->recent[TAPSIG_HISTORY - 1 - i] = predictor->history[predictor->newest + i];
    }
    memcpy(work->recent + TAPSIG_HISTORY, batch->signal, batch->size * sizeof *batch->signal);
    memset(work->recent + TAPSIG_HISTORY + batch->size, 0,
           (TAPSIG_RECENT - TAPSIG_HISTORY - batch->size) * sizeof *work->recent);
    for (uint32_t i = 0; i < ORDER; i++) {
        work->weights[i] = predictor->weights_q20[ORDER - 1 - i];
    }
    work->gain = predictor->gain;
    work->after[0] = 8 * predictor->bytes;
    find_shifts(work, batch->size, &predictor->power);
    memcpy(work->smoothed, levels->smoothed, sizeof levels->smoothed);
    work->smoothed[TAPSIG_CHANNELS] = 0;
}

static void end_work(const tapsig_batch_work *work, tapsig_levels *levels, uint32_t size)
{
    tapsig_predictor *predictor = &levels->predictor;
    predictor->newest = (uint8_t)((predictor->newest + TAPSIG_HISTORY - size % TAPSIG_HISTORY) % TAPSIG_HISTORY);
    for (uint32_t i = 0, place = predictor->newest; i < TAPSIG_HISTORY; i++) {
        predictor->history[place] = predictor->history[place + TAPSIG_HISTORY] = work->recent[size + TAPSIG_HISTORY - 1 - i];
        place = place == TAPSIG_HISTORY - 1 ? 0 : place + 1;
    }
    for (uint32_t i = 0; i < ORDER; i++) {
        predictor->weights_q20[i] = work->weights[ORDER - 1 - i];
    }
    predictor->gain = work->gain;
    predictor->bytes = (uint8_t)(work->after[size] / 8);
    memcpy(levels->smoothed, work->smoothed, sizeof levels->smoothed);
}

/* ---- levels */

/* tapsig_level by the exponent of a float; less than 0 for 0. Without the fifth bit and some others, rounding cannot reach
 * the first four. */
static inline int32_t level_of(uint32_t power)
{
    union {
        float number;
        uint32_t bits;
    } as;
    as.number = (float)(power & ~(power >> 4));
    return (int32_t)(as.bits >> 20) - 127 * 8;
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

static void find_highest(uint8_t *highest, const uint8_t *level, uint32_t fours)
{
    for (uint32_t i = 0; i < fours; i++, level += 4) {
        highest[i] = level[0];
        for (uint32_t j = 1; j < 4; j++) {
            highest[i] = level[j] > highest[i] ? level[j] : highest[i];
        }
    }
}

static void square(const int16_t *values, uint32_t *powers, uint32_t size)
{
    for (uint32_t i = 0; i < size; i++) {
        powers[i] = tapsig_square(values[i]);
    }
}

static void measure_levels(tapsig_batch *batch, tapsig_batch_work *work, const int16_t *errors, const uint8_t *offsets,
                           uint8_t least)
{
    static const uint8_t none[TAPSIG_BATCH];
    const uint32_t size = batch->size;
    uint32_t powers[TAPSIG_BATCH];
    uint8_t each[TAPSIG_BATCH];
    for (uint32_t i = 0; i < size; i++) {
        each[i] = offsets[batch->longer[i]];
    }
    push_levels(batch->level[TAPSIG_FAST], &work->smoothed[TAPSIG_FAST], batch->step_power, each, least, size);
    square(errors, powers, size);
    push_levels(batch->level[TAPSIG_INNOVATION], &work->smoothed[TAPSIG_INNOVATION], powers, none, least, size);
    square(batch->signal, powers, size);
    push_levels(batch->level[TAPSIG_SIGNAL], &work->smoothed[TAPSIG_SIGNAL], powers, none, least, size);
    for (uint8_t channel = 0; channel < TAPSIG_TRACKED; channel++) {
        find_highest(batch->highest[channel], batch->level[channel], size / 4);
    }
}

void tapsig_batch_levels(tapsig_batch *batch, tapsig_levels *levels, const tapsig_rate *rate, tapsig_ahead *ahead)
{
    const uint8_t least = tapsig_least_level(rate);
    tapsig_batch_work work;
    begin_work(&work, levels, batch);
#ifdef TAPSIG_SSE2
    if (work.smoothed[TAPSIG_FAST] >> 31 == 0 && tapsig_find_levels(batch, &work, rate->step_offset, least, ahead)) {
        end_work(&work, levels, batch->size);
        return;
    }
#endif
    (void)ahead;
    int16_t errors[TAPSIG_BATCH];
    predict_plainly(&work, errors, batch->size);
    measure_levels(batch, &work, errors, rate->step_offset, least);
    end_work(&work, levels, batch->size);
}
