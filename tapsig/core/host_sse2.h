/* A loop of host.c for processors with SSE2: what does not fit 31 bits becomes INT32_MIN there, so that doubles need no
 * check of their own. */
#ifndef TAPSIG_HOST_SSE2_H
#define TAPSIG_HOST_SSE2_H

#include <emmintrin.h>
#include <stdbool.h>
#include <stdint.h>

#include "host.h"

/* Two counts, rounded; INT32_MIN for what is not finite. */
static inline __m128i tapsig_convert_two(const double *volts, __m128d low, __m128d per_volt)
{
    const __m128d above = _mm_sub_pd(_mm_loadu_pd(volts), low);
    return _mm_cvttpd_epi32(_mm_add_pd(_mm_mul_pd(above, per_volt), _mm_set1_pd(0.5)));
}

/* Returns whether all counts are those of the converter. */
static bool tapsig_convert(const double *volts, uint32_t size, const tapsig_scale *scale, uint16_t *counts)
{
    const __m128d low = _mm_set1_pd(scale->low), per_volt = _mm_set1_pd(scale->per_volt);
    const __m128i middle = _mm_set1_epi32(32768);
    __m128i any = _mm_setzero_si128();
    uint32_t i = 0;
    for (; i + 8 <= size; i += 8) {
        __m128i four[2];
        for (uint32_t j = 0; j < 2; j++) {
            four[j] = _mm_unpacklo_epi64(tapsig_convert_two(volts + i + 4 * j, low, per_volt),
                                         tapsig_convert_two(volts + i + 4 * j + 2, low, per_volt));
            any = _mm_or_si128(any, four[j]);
            four[j] = _mm_sub_epi32(four[j], middle); /* 16 bits with a sign are what can be packed */
        }
        const __m128i all = _mm_xor_si128(_mm_packs_epi32(four[0], four[1]), _mm_set1_epi16(INT16_MIN));
        _mm_storeu_si128((__m128i *)(counts + i), all);
    }
    for (; i < size; i++) {
        const double pair[2] = {volts[i], volts[i]};
        const __m128i count = tapsig_convert_two(pair, low, per_volt);
        any = _mm_or_si128(any, _mm_unpacklo_epi64(count, count));
        counts[i] = (uint16_t)_mm_cvtsi128_si32(count);
    }
    const __m128i beyond = _mm_andnot_si128(_mm_set1_epi32(scale->highest), any);
    return _mm_movemask_epi8(_mm_cmpeq_epi32(beyond, _mm_setzero_si128())) == 0xFFFF;
}

#endif
