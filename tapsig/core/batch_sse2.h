/* Two loops of batch.c for processors with SSE2, which every x86 of 64 bits has: they add and limit 16 bits in one
 * instruction, for which C has no words. The same numbers, to the bit, in half the time. */
#ifndef TAPSIG_BATCH_SSE2_H
#define TAPSIG_BATCH_SSE2_H

#include <emmintrin.h>
#include <stdbool.h>
#include <stdint.h>

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

/* The loop of predict_all. Returns false where a weight or a prediction might have to be limited: then nothing of what it
 * wrote counts. */
static bool tapsig_predict_fast(int32_t *weights, const int16_t *recent, const int32_t *before, const int32_t *after,
                                int16_t *gain, int16_t *errors, uint32_t size)
{
    const __m128i least = _mm_set1_epi16(-INT16_MAX), byte = _mm_set1_epi16(255), none = _mm_setzero_si128();
    __m128i w0 = tapsig_load(weights), w1 = tapsig_load(weights + 4);
    __m128i w2 = tapsig_load(weights + 8), w3 = tapsig_load(weights + 12);
    __m128i gains = _mm_set1_epi16(*gain), highest = none, lowest = none;
    for (uint32_t i = 0; i < size; i++, recent++) {
        const __m128i shift = _mm_cvtsi32_si128(after[i]);
        const __m128i low0 = _mm_mullo_epi16(gains, tapsig_load(recent));
        const __m128i high0 = _mm_mulhi_epi16(gains, tapsig_load(recent));
        const __m128i low1 = _mm_mullo_epi16(gains, tapsig_load(recent + 8));
        const __m128i high1 = _mm_mulhi_epi16(gains, tapsig_load(recent + 8));
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
        const __m128i predicted = _mm_packs_epi32(wide, wide);
        const __m128i error = _mm_max_epi16(_mm_subs_epi16(_mm_set1_epi16(recent[17]), predicted), least);
        const __m128i scaled = _mm_sra_epi32(_mm_unpacklo_epi16(none, error), _mm_cvtsi32_si128(12 + before[i]));
        gains = _mm_max_epi16(_mm_packs_epi32(scaled, scaled), least);
        errors[i] = (int16_t)_mm_extract_epi16(error, 0);
        highest = _mm_max_epi16(_mm_max_epi16(highest, predicted), _mm_max_epi16(top0, top1));
        lowest = _mm_min_epi16(_mm_min_epi16(lowest, predicted), _mm_min_epi16(top0, top1));
    }
    _mm_storeu_si128((__m128i *)weights, w0);
    _mm_storeu_si128((__m128i *)(weights + 4), w1);
    _mm_storeu_si128((__m128i *)(weights + 8), w2);
    _mm_storeu_si128((__m128i *)(weights + 12), w3);
    *gain = (int16_t)_mm_extract_epi16(gains, 0);
    const __m128i limits = _mm_or_si128(_mm_cmpeq_epi16(highest, _mm_set1_epi16(INT16_MAX)),
                                        _mm_cmpeq_epi16(lowest, _mm_set1_epi16(INT16_MIN)));
    return _mm_movemask_epi8(limits) == 0;
}

#endif
