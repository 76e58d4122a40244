/* Loops of batch.c for processors with SSE2, which every x86 of 64 bits has: it multiplies and adds pairs of 16 bits in one
 * instruction, and limits what it packs, for which C has no words. The same numbers, to the bit, in a third of the time. */
#ifndef TAPSIG_BATCH_SSE2_H
#define TAPSIG_BATCH_SSE2_H

#include <emmintrin.h>
#include <stdbool.h>
#include <stdint.h>
#include <string.h>

#include "batch.h"
#include "quantise_sse2.h"

#define TAPSIG_INLINE inline __attribute__((always_inline))

static inline __m128i tapsig_load(const void *from)
{
    return _mm_loadu_si128((const __m128i *)from);
}

static inline void tapsig_store(void *to, __m128i what)
{
    _mm_storeu_si128((__m128i *)to, what);
}

static inline int32_t tapsig_highest(__m128i of)
{
    of = _mm_max_epi16(of, _mm_srli_si128(of, 8));
    of = _mm_max_epi16(of, _mm_srli_si128(of, 4));
    of = _mm_max_epi16(of, _mm_srli_si128(of, 2));
    return (int16_t)_mm_cvtsi128_si32(of);
}

static inline int32_t tapsig_lowest(__m128i of)
{
    const __m128i all = _mm_set1_epi16(-1);
    return ~tapsig_highest(_mm_xor_si128(of, all));
}

/* The sums of each of four vectors. */
static inline __m128i tapsig_sum_four(const __m128i *of)
{
    const __m128i one = _mm_add_epi32(_mm_unpacklo_epi32(of[0], of[1]), _mm_unpackhi_epi32(of[0], of[1]));
    const __m128i other = _mm_add_epi32(_mm_unpacklo_epi32(of[2], of[3]), _mm_unpackhi_epi32(of[2], of[3]));
    return _mm_add_epi32(_mm_unpacklo_epi64(one, other), _mm_unpackhi_epi64(one, other));
}

typedef struct {
    __m128i lowest, highest;
    __m128i last; /* sample before the next, in the lowest place */
} tapsig_extremes;

/* Four blocks of eight. */
static inline void tapsig_sum_four_eights(tapsig_extremes *seen, const uint16_t *counts, __m128i shift, int32_t *sums,
                                          uint32_t *steps)
{
    __m128i sum[4], squares[4];
    for (int i = 0; i < 4; i++) {
        const __m128i these = _mm_xor_si128(_mm_sll_epi16(tapsig_load(counts + 8 * i), shift), _mm_set1_epi16(INT16_MIN));
        const __m128i step = _mm_sub_epi16(these, _mm_or_si128(_mm_slli_si128(these, 2), seen->last));
        sum[i] = _mm_madd_epi16(these, _mm_set1_epi16(1));
        squares[i] = _mm_madd_epi16(step, step);
        seen->last = _mm_srli_si128(these, 14);
        seen->lowest = _mm_min_epi16(seen->lowest, these);
        seen->highest = _mm_max_epi16(seen->highest, these);
    }
    tapsig_store(sums, tapsig_sum_four(sum));
    tapsig_store(steps, tapsig_sum_four(squares));
}

/* sum_blocks, where all have eight samples */
static uint16_t tapsig_sum_eights(tapsig_batch *batch, const uint16_t *counts, uint8_t count_shift, int16_t before,
                                  int16_t level, int32_t *sums)
{
    const __m128i shift = _mm_cvtsi32_si128(count_shift), one = _mm_set1_epi16(before), two = _mm_set1_epi16(level);
    tapsig_extremes seen = {_mm_min_epi16(one, two), _mm_max_epi16(one, two), _mm_srli_si128(one, 14)};
    uint32_t i = 0;
    for (; i + 4 <= batch->size; i += 4) {
        tapsig_sum_four_eights(&seen, counts + 8 * i, shift, sums + i, batch->step_power + i);
    }
    if (i < batch->size) {
        const uint32_t last = 8 * (batch->size - i) - 1;
        uint16_t rest[32];
        for (uint32_t j = 0; j < 32; j++) {
            rest[j] = counts[8 * i + (j < last ? j : last)];
        }
        tapsig_sum_four_eights(&seen, rest, shift, sums + i, batch->step_power + i);
    }
    return (uint16_t)(tapsig_highest(seen.highest) - tapsig_lowest(seen.lowest));
}

/* 16 bytes of four blocks with four channels each, by channels. */
static inline __m128i tapsig_transpose(__m128i bytes)
{
    const __m128i pairs = _mm_unpacklo_epi8(bytes, _mm_srli_si128(bytes, 8));
    return _mm_unpacklo_epi8(pairs, _mm_srli_si128(pairs, 8));
}

/* Levels of sixteen blocks, and the highest of each four. */
static inline void tapsig_store_channel(tapsig_batch *batch, uint32_t channel, uint32_t block, __m128i level)
{
    const __m128i pairs = _mm_max_epu8(level, _mm_srli_epi16(level, 8));
    const __m128i fours = _mm_and_si128(_mm_max_epu8(pairs, _mm_srli_epi32(pairs, 16)), _mm_set1_epi32(UINT8_MAX));
    const __m128i words = _mm_packs_epi32(fours, fours);
    const int32_t highest = _mm_cvtsi128_si32(_mm_packus_epi16(words, words));
    tapsig_store(batch->level[channel] + block, level);
    memcpy(batch->highest[channel] + block / 4, &highest, 4);
}

/* Of four bytes for each block, the first is a copy of the second. What lies beyond the batch is not looked at. */
static inline void tapsig_store_levels(tapsig_batch *batch, const int32_t *levels)
{
    for (uint32_t i = 0; i < batch->size; i += 16) {
        __m128i four[4];
        for (uint32_t j = 0; j < 4; j++) {
            four[j] = tapsig_transpose(tapsig_load(levels + i + 4 * j));
        }
        const __m128i first[2] = {_mm_unpacklo_epi32(four[0], four[1]), _mm_unpacklo_epi32(four[2], four[3])};
        const __m128i last[2] = {_mm_unpackhi_epi32(four[0], four[1]), _mm_unpackhi_epi32(four[2], four[3])};
        tapsig_store_channel(batch, 0, i, _mm_unpackhi_epi64(first[0], first[1]));
        tapsig_store_channel(batch, 1, i, _mm_unpacklo_epi64(last[0], last[1]));
        tapsig_store_channel(batch, 2, i, _mm_unpackhi_epi64(last[0], last[1]));
    }
}

/* ---- prediction and levels in one loop: while the prediction waits for its last sum, the levels are found */

/* Where no value lies beyond it, 32 bits hold a sum of products with weights; elsewhere, values are split in bytes. */
#define TAPSIG_CALM 4000

/* What the loop takes that does not depend on the prediction. */
typedef struct {
    int32_t wide[TAPSIG_RECENT];      /* values, 0 above their 16 bits: a factor of _mm_madd_epi16 */
    int32_t raised[TAPSIG_RECENT];    /* values with some bits more, all set: an error is rounded up */
    int32_t halves[TAPSIG_BATCH][2];  /* of TAPSIG_FAST and TAPSIG_SIGNAL, to smooth */
} tapsig_prepared;

static inline int32_t tapsig_find_largest(const int16_t *values)
{
    __m128i lowest = tapsig_load(values), highest = lowest;
    for (uint32_t i = 8; i < TAPSIG_RECENT; i += 8) {
        lowest = _mm_min_epi16(lowest, tapsig_load(values + i));
        highest = _mm_max_epi16(highest, tapsig_load(values + i));
    }
    return tapsig_highest(_mm_max_epi16(highest, _mm_subs_epi16(_mm_setzero_si128(), lowest)));
}

static void tapsig_prepare(tapsig_prepared *prepared, const tapsig_batch *batch, const int16_t *recent)
{
    const __m128i none = _mm_setzero_si128();
    for (uint32_t i = 0; i < TAPSIG_RECENT; i += 8) {
        const __m128i values = tapsig_load(recent + i);
        tapsig_store(prepared->wide + i, _mm_unpacklo_epi16(values, none));
        tapsig_store(prepared->wide + i + 4, _mm_unpackhi_epi16(values, none));
    }
    for (uint32_t i = 0; i < TAPSIG_BATCH; i += 4) {
        const __m128i values = tapsig_load(prepared->wide + TAPSIG_HISTORY + i);
        const __m128i signal = _mm_srli_epi32(_mm_madd_epi16(values, values), 1);
        const __m128i steps = _mm_srli_epi32(tapsig_load(batch->step_power + i), 1);
        tapsig_store(prepared->halves + i, _mm_unpacklo_epi32(steps, signal));
        tapsig_store(prepared->halves + i + 2, _mm_unpackhi_epi32(steps, signal));
    }
}

static void tapsig_raise(tapsig_prepared *prepared, const int16_t *recent, bool loud)
{
    const __m128i none = _mm_setzero_si128(), bits = _mm_set1_epi32(loud ? 15 : 4095);
    const __m128i down = _mm_cvtsi32_si128(loud ? 12 : 4);
    for (uint32_t i = 0; i < TAPSIG_RECENT; i += 8) {
        const __m128i values = tapsig_load(recent + i);
        const __m128i low = _mm_unpacklo_epi16(none, values), high = _mm_unpackhi_epi16(none, values);
        tapsig_store(prepared->raised + i, _mm_or_si128(_mm_sra_epi32(low, down), bits));
        tapsig_store(prepared->raised + i + 4, _mm_or_si128(_mm_sra_epi32(high, down), bits));
    }
}

/* In all places, the sum of the four of `of`, taken from what the first and third of `from` hold. */
static inline __m128i tapsig_less_sum(__m128i from, __m128i of)
{
    const __m128i two = _mm_sub_epi32(_mm_sub_epi32(from, of), _mm_shuffle_epi32(of, _MM_SHUFFLE(1, 0, 3, 2)));
    return _mm_add_epi32(two, _mm_shuffle_epi32(two, _MM_SHUFFLE(2, 3, 0, 1)));
}

/* `from` less the sum of weights x values; of a loud batch, less its lowest byte. */
static TAPSIG_INLINE __m128i tapsig_less_products(__m128i from, __m128i top0, __m128i top1, const int16_t *values, bool loud)
{
    const __m128i value0 = tapsig_load(values), value1 = tapsig_load(values + 8);
    if (!loud) {
        return tapsig_less_sum(from, _mm_add_epi32(_mm_madd_epi16(top0, value0), _mm_madd_epi16(top1, value1)));
    }
    const __m128i byte = _mm_set1_epi16(255);
    const __m128i high = _mm_add_epi32(_mm_madd_epi16(top0, _mm_srai_epi16(value0, 8)),
                                       _mm_madd_epi16(top1, _mm_srai_epi16(value1, 8)));
    const __m128i low = _mm_add_epi32(_mm_madd_epi16(top0, _mm_and_si128(value0, byte)),
                                      _mm_madd_epi16(top1, _mm_and_si128(value1, byte)));
    const __m128i lowest = _mm_srai_epi32(tapsig_less_sum(_mm_set1_epi64x(255), low), 8); /* rounded up: it is negative */
    return _mm_add_epi32(tapsig_less_sum(from, high), lowest);
}

/* weight += gain x value >> shift */
static inline __m128i tapsig_adapt(__m128i weights, __m128i gain, const int32_t *wide, __m128i shift)
{
    return _mm_add_epi32(weights, _mm_sra_epi32(_mm_madd_epi16(gain, tapsig_load(wide)), shift));
}

/* Of TAPSIG_INNOVATION twice, then of the other channels. */
static inline __m128i tapsig_smooth(__m128i smoothed, __m128i error, const int32_t *halves)
{
    /* A sum of two equal squares, shifted twice, is half of one. */
    const __m128i half_error = _mm_srli_epi32(_mm_madd_epi16(error, error), 2);
    const __m128i all = _mm_unpacklo_epi64(half_error, _mm_loadl_epi64((const __m128i *)halves));
    return _mm_add_epi32(_mm_srli_epi32(smoothed, 1), all);
}

/* level_of in all channels, as bytes */
static inline int32_t tapsig_levels_of(__m128i smoothed, __m128i zero_level, __m128i least)
{
    const __m128i rounded = _mm_andnot_si128(_mm_srli_epi32(smoothed, 4), smoothed);
    const __m128i bits = _mm_castps_si128(_mm_cvtepi32_ps(rounded));
    const __m128i level = _mm_sub_epi32(_mm_srli_epi32(bits, 20), zero_level);
    const __m128i limited = _mm_max_epi16(_mm_packs_epi32(level, level), least);
    return _mm_cvtsi128_si32(_mm_packus_epi16(limited, limited));
}

/* The weights, the gain with which they go on, and the range of errors, gains and weights (16 bits of them). */
typedef struct {
    __m128i weights[4], gain, highest, lowest;
} tapsig_prediction;

/* Returns the error of block i, four times and more. */
static TAPSIG_INLINE __m128i tapsig_predict_one(tapsig_prediction *now, const tapsig_batch_work *work,
                                                const tapsig_prepared *prepared, uint32_t i, bool loud)
{
    const __m128i after = _mm_cvtsi32_si128(work->after[i]);
    for (uint32_t j = 0; j < 4; j++) {
        now->weights[j] = tapsig_adapt(now->weights[j], now->gain, prepared->wide + i + 4 * j, after);
    }
    const __m128i top0 = _mm_packs_epi32(_mm_srai_epi32(now->weights[0], 8), _mm_srai_epi32(now->weights[1], 8));
    const __m128i top1 = _mm_packs_epi32(_mm_srai_epi32(now->weights[2], 8), _mm_srai_epi32(now->weights[3], 8));
    const __m128i value = _mm_cvtsi32_si128(prepared->raised[TAPSIG_HISTORY + i]);
    const __m128i less = tapsig_less_products(_mm_unpacklo_epi64(value, value), top0, top1, work->recent + i + 1, loud);
    const __m128i raised = _mm_and_si128(less, _mm_set1_epi32(loud ? -16 : -4096));
    const __m128i error = _mm_srai_epi32(raised, loud ? 4 : 12);
    now->gain = _mm_sra_epi32(raised, _mm_cvtsi32_si128(work->before[i] - (loud ? 8 : 0)));
    __m128i both = _mm_packs_epi32(error, now->gain);
    if (loud) { /* elsewhere, the gain has 16 bits, or the batch is not finished this way */
        now->gain = _mm_max_epi16(_mm_packs_epi32(now->gain, now->gain), _mm_set1_epi16(-INT16_MAX));
        both = _mm_packs_epi32(error, error);
    }
    now->highest = _mm_max_epi16(_mm_max_epi16(now->highest, both), _mm_max_epi16(top0, top1));
    now->lowest = _mm_min_epi16(_mm_min_epi16(now->lowest, both), _mm_min_epi16(top0, top1));
    return both;
}

/* Returns false, and leaves all as it was, where something goes beyond `limit` and might have to be limited. */
static TAPSIG_INLINE bool tapsig_run_levels(tapsig_batch *batch, tapsig_batch_work *work, const tapsig_prepared *prepared,
                                            const uint8_t *offsets, uint8_t lowest_level, int16_t limit, bool loud,
                                            tapsig_ahead *ahead)
{
    const __m128i none = _mm_setzero_si128(), least = _mm_set1_epi16(lowest_level), limits = _mm_set1_epi16(limit);
    const __m128i zero_level[2] = {_mm_setr_epi32(127 * 8, 127 * 8, 127 * 8 + offsets[0], 127 * 8),
                                   _mm_setr_epi32(127 * 8, 127 * 8, 127 * 8 + offsets[1], 127 * 8)};
    const uint32_t last = batch->size - 1;
    int32_t levels[TAPSIG_BATCH]; /* of a block, in a byte each */
    __m128i smoothed = _mm_slli_si128(tapsig_load(work->smoothed), 4), error = none;
    tapsig_prediction now = {.gain = _mm_set1_epi32(work->gain), .highest = none, .lowest = none};
    for (uint32_t j = 0; j < 4; j++) {
        now.weights[j] = tapsig_load(work->weights + 4 * j);
    }
    tapsig_converting converting = tapsig_begin_converting(ahead, batch->size);
    for (uint32_t i = 0; i <= last; i++) {
        tapsig_convert_ahead(&converting, i);
        error = tapsig_predict_one(&now, work, prepared, i, loud);
        smoothed = tapsig_smooth(smoothed, error, prepared->halves[i]);
        levels[i] = tapsig_levels_of(smoothed, zero_level[batch->longer[i]], least);
    }
    const __m128i below = _mm_cmpgt_epi16(_mm_sub_epi16(none, limits), now.lowest);
    if (_mm_movemask_epi8(_mm_or_si128(_mm_cmpgt_epi16(now.highest, limits), below)) != 0) {
        return false;
    }
    tapsig_end_converting(&converting, ahead);
    tapsig_store_levels(batch, levels);
    for (uint32_t j = 0; j < 4; j++) {
        tapsig_store(work->weights + 4 * j, now.weights[j]);
    }
    work->gain = (int16_t)_mm_cvtsi128_si32(now.gain);
    tapsig_store(work->smoothed, _mm_srli_si128(smoothed, 4));
    return true;
}

/* predict_plainly and measure_levels, of one block or more. Returns false, and leaves all as it was, where something might
 * have to be limited. Powers have at most 31 bits. */
static bool tapsig_find_levels(tapsig_batch *batch, tapsig_batch_work *work, const uint8_t *offsets, uint8_t lowest_level,
                               tapsig_ahead *ahead)
{
    tapsig_prepared prepared;
    const int32_t largest = tapsig_find_largest(work->recent);
    const int16_t limit = (int16_t)(INT16_MAX - 1 - largest);
    tapsig_prepare(&prepared, batch, work->recent);
    if (largest <= TAPSIG_CALM) {
        tapsig_raise(&prepared, work->recent, false);
        if (tapsig_run_levels(batch, work, &prepared, offsets, lowest_level, limit, false, ahead)) {
            return true;
        }
    }
    tapsig_raise(&prepared, work->recent, true);
    return tapsig_run_levels(batch, work, &prepared, offsets, lowest_level, limit, true, ahead);
}

#endif
