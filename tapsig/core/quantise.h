/* Volts to counts, for a desktop. It is no part of an export. */
#ifndef TAPSIG_QUANTISE_H
#define TAPSIG_QUANTISE_H

#include <stdint.h>

#define TAPSIG_PIECE 512 /* samples at a time, which stay in the fastest memory */

/* A converter: a count is (volts - low) * per_volt, rounded to the nearest (halves up), from 0 to `highest`, which is one
 * less than a power of two. */
typedef struct {
    double low;
    double per_volt;
    uint16_t highest;
} tapsig_scale;

/* Counts of `size` samples in volts. Returns the index of the first sample that is not finite, or `size`. */
uint32_t tapsig_quantise(const double *volts, uint32_t size, const tapsig_scale *scale, uint16_t *counts);

/* Samples that wait to be converted, at most a piece, and how many of them have been. */
typedef struct {
    const tapsig_scale *scale;
    const double *volts;
    uint16_t *counts;
    uint32_t size;
    uint32_t done;
} tapsig_ahead;

#endif
