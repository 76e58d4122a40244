/* The loop of quantise.c for processors with SSE2: what does not fit 31 bits becomes INT32_MIN there, so that doubles need
 * no check of their own. */
#ifndef TAPSIG_QUANTISE_SSE2_H
#define TAPSIG_QUANTISE_SSE2_H

#include <emmintrin.h>
#include <stdbool.h>
#include <stdint.h>

#include "quantise.h"

/* Two counts, rounded; INT32_MIN for what is not finite. */
static inline __m128i tapsig_convert_two(const double *volts, __m128d low, __m128d per_volt)
{
    const __m128d above = _mm_sub_pd(_mm_loadu_pd(volts), low);
    return _mm_cvttpd_epi32(_mm_add_pd(_mm_mul_pd(above, per_volt), _mm_set1_pd(0.5)));
}

/* Eight counts. Returns their bits, to be passed to tapsig_are_counts. */
static inline __m128i tapsig_convert_eight(const double *volts, __m128d low, __m128d per_volt, uint16_t *counts)
{
    const __m128i middle = _mm_set1_epi32(32768); /* 16 bits with a sign are what can be packed */
    const __m128i one = _mm_unpacklo_epi64(tapsig_convert_two(volts, low, per_volt),
                                           tapsig_convert_two(volts + 2, low, per_volt));
    const __m128i other = _mm_unpacklo_epi64(tapsig_convert_two(volts + 4, low, per_volt),
                                             tapsig_convert_two(volts + 6, low, per_volt));
    const __m128i all = _mm_packs_epi32(_mm_sub_epi32(one, middle), _mm_sub_epi32(other, middle));
    _mm_storeu_si128((__m128i *)counts, _mm_xor_si128(all, _mm_set1_epi16(INT16_MIN)));
    return _mm_or_si128(one, other);
}

/* Whether all counts whose bits are in `any` are those of the converter. */
static inline bool tapsig_are_counts(__m128i any, const tapsig_scale *scale)
{
    const __m128i beyond = _mm_andnot_si128(_mm_set1_epi32(scale->highest), any);
    return _mm_movemask_epi8(_mm_cmpeq_epi32(beyond, _mm_setzero_si128())) == 0xFFFF;
}

/* Some of the samples that wait, eight at a time, between other work: where a processor waits for one sum after another,
 * this costs little. */
typedef struct {
    __m128d low, per_volt;
    __m128i any; /* bits of the counts */
    const double *volts;
    uint16_t *counts;
    uint32_t eights;
} tapsig_converting;

static inline tapsig_converting tapsig_begin_converting(const tapsig_ahead *ahead, uint32_t most)
{
    const uint32_t eights = (ahead->size - ahead->done) / 8;
    tapsig_converting now = {.any = _mm_setzero_si128(), .eights = eights < most ? eights : most};
    if (now.eights > 0) {
        now.low = _mm_set1_pd(ahead->scale->low);
        now.per_volt = _mm_set1_pd(ahead->scale->per_volt);
        now.volts = ahead->volts + ahead->done;
        now.counts = ahead->counts + ahead->done;
    }
    return now;
}

static inline void tapsig_convert_ahead(tapsig_converting *now, uint32_t i)
{
    if (i < now->eights) {
        const __m128i bits = tapsig_convert_eight(now->volts + 8 * i, now->low, now->per_volt, now->counts + 8 * i);
        now->any = _mm_or_si128(now->any, bits);
    }
}

/* Where one has to be limited, none counts as done. */
static inline void tapsig_end_converting(const tapsig_converting *now, tapsig_ahead *ahead)
{
    if (now->eights > 0 && tapsig_are_counts(now->any, ahead->scale)) {
        ahead->done += 8 * now->eights;
    }
}

/* Returns whether all counts are those of the converter. */
static inline bool tapsig_convert(const double *volts, uint32_t size, const tapsig_scale *scale, uint16_t *counts)
{
    const __m128d low = _mm_set1_pd(scale->low), per_volt = _mm_set1_pd(scale->per_volt);
    __m128i any = _mm_setzero_si128();
    uint32_t i = 0;
    for (; i + 8 <= size; i += 8) {
        any = _mm_or_si128(any, tapsig_convert_eight(volts + i, low, per_volt, counts + i));
    }
    for (; i < size; i++) {
        const double pair[2] = {volts[i], volts[i]};
        const __m128i count = tapsig_convert_two(pair, low, per_volt);
        any = _mm_or_si128(any, _mm_unpacklo_epi64(count, count));
        counts[i] = (uint16_t)_mm_cvtsi128_si32(count);
    }
    return tapsig_are_counts(any, scale);
}

#endif
