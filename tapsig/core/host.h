/* What only a desktop needs: many counts in one call, and volts to counts. It is no part of an export. */
#ifndef TAPSIG_HOST_H
#define TAPSIG_HOST_H

#include <stdint.h>

#include "compare.h"
#include "fixed_threshold.h"
#include "forest.h"
#include "quantise.h"
#include "ring_following.h"
#include "tap.h"

/* A candidate, how it was judged, and where: `decided` is the index of the count that decided it. */
typedef struct {
    tapsig_candidate candidate;
    uint8_t verdict;
    uint16_t onset_age; /* samples from the onset to the deciding count */
    uint32_t decided;
} tapsig_judged;

/* Take `size` counts; write all candidates, accepted or not, into `judged`, which has room for one in ten blocks and
 * one more. Returns how many there were. The same as `size` calls of tapsig_tap_push. `forest` holds the trees of the
 * config, or none. */
uint32_t tapsig_tap_run(tapsig_tap *tap, const tapsig_tap_config *config, const tapsig_forest *forest,
                        const uint16_t *counts, uint32_t size, tapsig_judged *judged);

/* A tap of the two plain detectors: `decided` is the index of the count that decided it. */
typedef struct {
    uint32_t decided;
    uint16_t onset_age; /* samples from the onset to the deciding count */
    int32_t over;       /* fixed-threshold: the departure; ring-following: the level over the threshold, Q16 */
} tapsig_plain_tap;

/* Take `size` counts; write the taps, for which there is room, and return how many there were. */
uint32_t tapsig_fixed_threshold_run(tapsig_fixed_threshold *detector, const tapsig_fixed_threshold_config *config,
                                    const uint16_t *counts, uint32_t size, tapsig_plain_tap *taps);
uint32_t tapsig_ring_following_run(tapsig_ring_following *detector, const tapsig_ring_following_config *config,
                                   const uint16_t *counts, uint32_t size, tapsig_plain_tap *taps);

/* All steps of a comparison at once. */
tapsig_comparison tapsig_compare_run(const tapsig_evidence *evidence, const tapsig_evidence_config *config,
                                     int16_t no_taps, const uint8_t *code, uint8_t digits, uint8_t first_tempo,
                                     uint8_t stop_tempo, tapsig_trace *trace);

/* Both in one pass: tapsig_tap_run on the counts of `size` samples in volts; `found` says how many candidates there were.
 * Returns the index of the first sample that is not finite, or `size`; if it is less, `tap` is left anywhere before it. */
uint32_t tapsig_tap_run_volts(tapsig_tap *tap, const tapsig_tap_config *config, const tapsig_forest *forest,
                              const tapsig_scale *scale, const double *volts, uint32_t size, tapsig_judged *judged,
                              uint32_t *found);

#endif
