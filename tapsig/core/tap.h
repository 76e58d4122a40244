/* The detector `tap`: candidates from the levels, judged one by one by a sum of trees. */
#ifndef TAPSIG_TAP_H
#define TAPSIG_TAP_H

#include <stdbool.h>
#include <stdint.h>

#include "blocks.h"
#include "levels.h"
#include "trees.h"

#define TAPSIG_FEATURES 29
#define TAPSIG_DESCRIBED 4    /* stages of judging before the trees */
#define TAPSIG_TREE_STAGES 5  /* blocks over which these are spread */
#define TAPSIG_DECISION_MS 38 /* from the block of an onset to its decision, at most */
#define TAPSIG_AFTER 20       /* blocks from the trigger until a candidate is judged */
#define TAPSIG_FAINT 21       /* 8 dB: what rises less over the quietest background is no candidate */
#define TAPSIG_RISE_INNOVATION 4 /* 1.5 dB over the highest of the 48 ms before */
#define TAPSIG_RISE_FAST 16      /* 6 dB */

typedef struct {
    tapsig_rate rate;
    tapsig_trees trees;
    int16_t least_score; /* a tap scores at least this, in 1/64 nat */
    uint8_t least_level; /* ... and its innovation reaches this level */
    uint8_t order;         /* of the prediction, 1 to TAPSIG_ORDER */
    uint8_t trees_a_stage; /* of TAPSIG_TREE_STAGES, rounded up */
    uint16_t dead_ms;    /* no second tap so soon after one */
} tapsig_tap_config;

typedef struct {
    uint32_t block;     /* of the onset, counted from the start, one a millisecond */
    uint8_t age;        /* of the onset at the decision, in blocks */
    int16_t score;      /* log-odds in 1/64 nat */
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
    int8_t onset; /* after the trigger, in blocks */
    uint8_t highest[TAPSIG_CHANNELS];
    uint8_t before[TAPSIG_CHANNELS]; /* the highest before it */
    uint8_t mean_before[TAPSIG_CHANNELS];
    uint8_t change_before[TAPSIG_CHANNELS];
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

/* Take counts until one decides something, or all `size`. Returns what the last one taken decided: TAPSIG_NOTHING, or how
 * `tap->candidate` was judged. `used` says how many were taken. */
uint8_t tapsig_tap_take(tapsig_tap *tap, const tapsig_tap_config *config, const uint16_t *counts, uint16_t size,
                        uint16_t *used);

/* Take one count. */
uint8_t tapsig_tap_push(tapsig_tap *tap, const tapsig_tap_config *config, uint16_t count);

/* What follows from a block whose levels are known; returns what it decided. Part of the two above. */
uint8_t tapsig_tap_follow(tapsig_tap *tap, const tapsig_tap_config *config);

/* Whether the last block left time for something else: no candidate is being judged. */
bool tapsig_tap_has_time(const tapsig_tap *tap);

/* How many samples the onset of `tap->candidate` lies before the count that decided it. */
uint16_t tapsig_tap_onset_age(const tapsig_tap *tap, const tapsig_tap_config *config);

#endif
