/* The detector `tap`: candidates from the levels, judged one by one by a sum of trees. */
#ifndef TAPSIG_TAP_H
#define TAPSIG_TAP_H

#include <stdbool.h>
#include <stdint.h>

#include "blocks.h"
#include "levels.h"
#include "trees.h"

#define TAPSIG_FEATURES 56
#define TAPSIG_DECISION_MS 38 /* from the block of an onset to its decision, at most */

typedef struct {
    tapsig_rate rate;
    tapsig_trees trees;
    int16_t least_score; /* a tap scores at least this, in 1/16 nat */
    uint8_t least_level; /* ... and its innovation reaches this level */
    uint8_t trees_a_stage; /* a quarter of them, rounded up */
    uint16_t dead_ms;    /* no second tap so soon after one */
} tapsig_tap_config;

typedef struct {
    uint32_t block;     /* of the onset, counted from the start, one a millisecond */
    uint8_t age;        /* of the onset at the decision, in blocks */
    int16_t score;      /* log-odds in 1/16 nat */
    uint8_t row[TAPSIG_FEATURES];
} tapsig_candidate;

enum { TAPSIG_IS_TAP, TAPSIG_UNLIKELY, TAPSIG_TOO_WEAK, TAPSIG_IN_DEAD_TIME, TAPSIG_NOTHING };

typedef struct {
    tapsig_blocks blocks;
    tapsig_levels levels;
    uint32_t pending[4];
    uint8_t pending_count;
    uint8_t apart;
    /* the candidate that is being judged */
    uint8_t stage;
    uint8_t onset, peak; /* blocks after `first` */
    uint8_t highest[TAPSIG_CHANNELS];
    uint16_t tree;
    tapsig_candidate candidate;
    /* those before it */
    uint32_t last_trigger;
    uint8_t last_level;
    uint16_t busy_q8;
    bool any;
    uint32_t last_tap;
    bool tapped;
} tapsig_tap;

void tapsig_tap_init(tapsig_tap *tap);

/* Take the next count. Returns what was decided by it: TAPSIG_NOTHING, or how `tap->candidate` was judged. */
uint8_t tapsig_tap_push(tapsig_tap *tap, const tapsig_tap_config *config, uint16_t count);

/* Take `size` counts; write all candidates, accepted or not, and how each was judged, into arrays with room for one in
 * ten blocks. Returns how many there were. `counted` is the number of counts before these; `decided` receives the index of the count that
 * decided each. The same as `size` calls of tapsig_tap_push. */
uint32_t tapsig_tap_run(tapsig_tap *tap, const tapsig_tap_config *config, const uint16_t *counts, uint32_t size,
                        tapsig_candidate *candidates, uint8_t *verdicts, uint32_t *decided);

#endif
