#include "quantise.h"

#include <stdbool.h>
#include <string.h>

#if defined(__SSE2__) && !defined(TAPSIG_PLAIN)
#define TAPSIG_SSE2
#include "quantise_sse2.h"
#endif

#ifndef TAPSIG_SSE2
#define EXPONENT (UINT64_C(0x7FF) << 52)

static uint64_t bits_of(double number)
{
    uint64_t bits;
    memcpy(&bits, &number, sizeof bits);
    return bits;
}

/* Whether the exponent of a double is lower than that of `limit` in all of them: finite, and smaller. Its sum with what
 * `limit` lacks to the sign's bit leaves that bit alone. Comparing doubles does not become vector instructions. */
static bool are_below(const double *volts, uint32_t size, double limit)
{
    const uint64_t rest = (UINT64_C(1) << 63) - (bits_of(limit) & EXPONENT);
    uint64_t any = 0;
    for (uint32_t i = 0; i < size; i++) {
        any |= (bits_of(volts[i]) & EXPONENT) + rest;
    }
    return any >> 63 == 0;
}

/* Returns whether all counts are those of the converter. */
static bool tapsig_convert(const double *volts, uint32_t size, const tapsig_scale *scale, uint16_t *counts)
{
    const double low = scale->low, per_volt = scale->per_volt;
    const double most = 1e9 / per_volt - (low < 0.0 ? -low : low); /* within 31 bits */
    uint32_t any = 0;
    if (!(most > 0.0 && are_below(volts, size, most))) {
        return false;
    }
    for (uint32_t i = 0; i < size; i++) {
        const int32_t count = (int32_t)((volts[i] - low) * per_volt + 0.5);
        any |= (uint32_t)count;
        counts[i] = (uint16_t)count;
    }
    return any <= scale->highest;
}
#endif

/* Returns the index of the first sample that is not finite, or `size`. */
static uint32_t convert_and_limit(const double *volts, uint32_t size, const tapsig_scale *scale, uint16_t *counts)
{
    for (uint32_t i = 0; i < size; i++) {
        if (volts[i] - volts[i] != 0.0) { /* nan */
            return i;
        }
        const double value = (volts[i] - scale->low) * scale->per_volt + 0.5;
        const double least = value > 0.0 ? value : 0.0;
        counts[i] = (uint16_t)(least < scale->highest ? least : scale->highest);
    }
    return size;
}

uint32_t tapsig_quantise(const double *volts, uint32_t size, const tapsig_scale *scale, uint16_t *counts)
{
    for (uint32_t start = 0; start < size; start += TAPSIG_PIECE) {
        const uint32_t part = size - start < TAPSIG_PIECE ? size - start : TAPSIG_PIECE;
        if (tapsig_convert(volts + start, part, scale, counts + start)) {
            continue;
        }
        const uint32_t done = convert_and_limit(volts + start, part, scale, counts + start);
        if (done < part) {
            return start + done;
        }
    }
    return size;
}
