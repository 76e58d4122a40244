/* Two loops of batch.c for processors with SSE2, which every x86 of 64 bits has: they add and limit 16 bits in one
 * instruction, for which C has no words. The same numbers, to the bit, in half the time. */
#ifndef TAPSIG_BATCH_SSE2_H
#define TAPSIG_BATCH_SSE2_H

#include <emmintrin.h>
#include <stdbool.h>
#include <stdint.h>
#include <string.h>

#include "batch.h"

static inline __m128i tapsig_load(const void *from)
{
    return _mm_loadu_si128((const __m128i *)from);
}

/* The sums of each of four vectors. */
static inline __m128i tapsig_sum_four(const __m128i *of)
{
    const __m128i one = _mm_add_epi32(_mm_unpacklo_epi32(of[0], of[1]), _mm_unpackhi_epi32(of[0], of[1]));
    const __m128i other = _mm_add_epi32(_mm_unpacklo_epi32(of[2], of[3]), _mm_unpackhi_epi32(of[2], of[3]));
    return _mm_add_epi32(_mm_unpacklo_epi64(one, other), _mm_unpackhi_epi64(one, other));
}

/* Of four blocks of eight samples; samples[0] is the one before. */
static inline void tapsig_sum_blocks(const int16_t *samples, int32_t *sums, uint32_t *steps)
{
    __m128i sum[4], squares[4];
    for (int i = 0; i < 4; i++, samples += 8) {
        const __m128i these = tapsig_load(samples + 1), step = _mm_sub_epi16(these, tapsig_load(samples));
        sum[i] = _mm_madd_epi16(these, _mm_set1_epi16(1));
        squares[i] = _mm_madd_epi16(step, step);
    }
    _mm_storeu_si128((__m128i *)sums, tapsig_sum_four(sum));
    _mm_storeu_si128((__m128i *)steps, tapsig_sum_four(squares));
}

/* In all places, the sum of four. */
static inline __m128i tapsig_sum(__m128i of)
{
    const __m128i two = _mm_add_epi32(of, _mm_shuffle_epi32(of, _MM_SHUFFLE(1, 0, 3, 2)));
    return _mm_add_epi32(two, _mm_shuffle_epi32(two, _MM_SHUFFLE(2, 3, 0, 1)));
}

/* 16 bytes of four blocks with four channels each, by channels. */
static inline __m128i tapsig_transpose(__m128i bytes)
{
    const __m128i pairs = _mm_unpacklo_epi8(bytes, _mm_srli_si128(bytes, 8));
    return _mm_unpacklo_epi8(pairs, _mm_srli_si128(pairs, 8));
}

static inline void tapsig_store_levels(tapsig_batch *batch, uint32_t first, __m128i levels)
{
    for (uint32_t channel = 0; channel < TAPSIG_CHANNELS; channel++, levels = _mm_srli_si128(levels, 4)) {
        const int32_t four = _mm_cvtsi128_si32(levels);
        memcpy(batch->level[channel] + first, &four, 4);
    }
}

/* predict_plainly and measure_levels in one loop: while the prediction waits for its last sum, the levels are found.
 * Returns false, and leaves all as it was, where a weight or a prediction might have to be limited. Powers have at most
 * 31 bits. */
static bool tapsig_find_levels(tapsig_batch *batch, tapsig_batch_work *work, const uint8_t *offsets, uint8_t lowest_level)
{
    const __m128i least = _mm_set1_epi16(-INT16_MAX), byte = _mm_set1_epi16(255), none = _mm_setzero_si128();
    const __m128i least_level = _mm_set1_epi16(lowest_level);
    const __m128i zero_level[2] = {_mm_setr_epi32(127 * 8, 127 * 8 + offsets[0], 127 * 8, 127 * 8),
                                   _mm_setr_epi32(127 * 8, 127 * 8 + offsets[1], 127 * 8, 127 * 8)};
    int32_t levels[TAPSIG_BATCH + 3]; /* of a block, in a byte each; what lies beyond the last block does not count */
    __m128i w0 = tapsig_load(work->weights), w1 = tapsig_load(work->weights + 4);
    __m128i w2 = tapsig_load(work->weights + 8), w3 = tapsig_load(work->weights + 12);
    __m128i smoothed = _mm_setr_epi32((int32_t)work->smoothed[0], (int32_t)work->smoothed[1], (int32_t)work->smoothed[2], 0);
    __m128i gain = _mm_set1_epi16(work->gain), highest = none, lowest = none;
    for (uint32_t i = 0; i < batch->size; i++) {
        const int16_t *recent = work->recent + i;
        const __m128i shift = _mm_cvtsi32_si128(work->after[i]);
        const __m128i low0 = _mm_mullo_epi16(gain, tapsig_load(recent));
        const __m128i high0 = _mm_mulhi_epi16(gain, tapsig_load(recent));
        const __m128i low1 = _mm_mullo_epi16(gain, tapsig_load(recent + 8));
        const __m128i high1 = _mm_mulhi_epi16(gain, tapsig_load(recent + 8));
        w0 = _mm_add_epi32(w0, _mm_sra_epi32(_mm_unpacklo_epi16(low0, high0), shift));
        w1 = _mm_add_epi32(w1, _mm_sra_epi32(_mm_unpackhi_epi16(low0, high0), shift));
        w2 = _mm_add_epi32(w2, _mm_sra_epi32(_mm_unpacklo_epi16(low1, high1), shift));
        w3 = _mm_add_epi32(w3, _mm_sra_epi32(_mm_unpackhi_epi16(low1, high1), shift));
        const __m128i top0 = _mm_packs_epi32(_mm_srai_epi32(w0, 8), _mm_srai_epi32(w1, 8));
        const __m128i top1 = _mm_packs_epi32(_mm_srai_epi32(w2, 8), _mm_srai_epi32(w3, 8));
        const __m128i value0 = tapsig_load(recent + 1), value1 = tapsig_load(recent + 9);
        const __m128i high = tapsig_sum(_mm_add_epi32(_mm_madd_epi16(top0, _mm_srai_epi16(value0, 8)),
                                                      _mm_madd_epi16(top1, _mm_srai_epi16(value1, 8))));
        const __m128i low = tapsig_sum(_mm_add_epi32(_mm_madd_epi16(top0, _mm_and_si128(value0, byte)),
                                                     _mm_madd_epi16(top1, _mm_and_si128(value1, byte))));
        const __m128i wide = _mm_srai_epi32(_mm_add_epi32(high, _mm_srai_epi32(low, 8)), 4);
        const __m128i predicted = _mm_packs_epi32(wide, wide), value = _mm_set1_epi16(recent[TAPSIG_HISTORY]);
        const __m128i error = _mm_max_epi16(_mm_subs_epi16(value, predicted), least);
        const __m128i scaled = _mm_sra_epi32(_mm_unpacklo_epi16(none, error), _mm_cvtsi32_si128(12 + work->before[i]));
        gain = _mm_max_epi16(_mm_packs_epi32(scaled, scaled), least);
        highest = _mm_max_epi16(_mm_max_epi16(highest, predicted), _mm_max_epi16(top0, top1));
        lowest = _mm_min_epi16(_mm_min_epi16(lowest, predicted), _mm_min_epi16(top0, top1));
        /* A sum of two equal squares, shifted twice, is half of one. */
        const __m128i half_error = _mm_srli_epi32(_mm_madd_epi16(error, error), 2);
        const __m128i half_signal = _mm_srli_epi32(_mm_madd_epi16(value, value), 2);
        const __m128i half_steps = _mm_cvtsi32_si128((int32_t)(batch->step_power[i] >> 1));
        smoothed = _mm_add_epi32(_mm_srli_epi32(smoothed, 1),
                                 _mm_unpacklo_epi64(_mm_unpacklo_epi32(half_error, half_steps), half_signal));
        const __m128i rounded = _mm_andnot_si128(_mm_srli_epi32(smoothed, 4), smoothed); /* level_of, in all channels */
        const __m128i bits = _mm_castps_si128(_mm_cvtepi32_ps(rounded));
        const __m128i level = _mm_sub_epi32(_mm_srli_epi32(bits, 20), zero_level[batch->longer[i]]);
        const __m128i limited = _mm_max_epi16(_mm_packs_epi32(level, level), least_level);
        levels[i] = _mm_cvtsi128_si32(_mm_packus_epi16(limited, limited));
    }
    const __m128i limits = _mm_or_si128(_mm_cmpeq_epi16(highest, _mm_set1_epi16(INT16_MAX)),
                                        _mm_cmpeq_epi16(lowest, _mm_set1_epi16(INT16_MIN)));
    if (_mm_movemask_epi8(limits) != 0) {
        return false;
    }
    for (uint32_t i = 0; i < batch->size; i += 4) {
        tapsig_store_levels(batch, i, tapsig_transpose(tapsig_load(levels + i)));
    }
    _mm_storeu_si128((__m128i *)work->weights, w0);
    _mm_storeu_si128((__m128i *)(work->weights + 4), w1);
    _mm_storeu_si128((__m128i *)(work->weights + 8), w2);
    _mm_storeu_si128((__m128i *)(work->weights + 12), w3);
    work->gain = (int16_t)_mm_extract_epi16(gain, 0);
    for (uint32_t channel = 0; channel < TAPSIG_CHANNELS; channel++, smoothed = _mm_srli_si128(smoothed, 4)) {
        work->smoothed[channel] = (uint32_t)_mm_cvtsi128_si32(smoothed);
    }
    return true;
}

#endif
