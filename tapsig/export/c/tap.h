/* The candidate core: blocks of one millisecond, adaptive prediction, features, a gate of small trees. */

#define TAPSIG_RING 128

typedef struct {
    int16_t signal[TAPSIG_RING];
    uint32_t raw[TAPSIG_RING];
    uint32_t innovation[TAPSIG_RING];
    uint32_t fast[TAPSIG_RING];
    uint32_t turn[TAPSIG_RING];
} tapsig_rings;

typedef struct {
    uint32_t block[32];
    int16_t level[32];
    int32_t usual[5];
    uint8_t seen;
} tapsig_memory;

typedef struct {
    uint32_t block[64];
    int16_t level[64];
    int16_t score[64];
    int16_t shapes[64][TAPSIG_COMPARED];
    uint8_t seen;
} tapsig_history;

typedef struct {
    /* the block that is filling */
    int32_t sum;
    uint64_t squares;
    uint64_t turns;
    int32_t previous;
    uint8_t fill;
    bool started;
    /* filters and prediction */
    int32_t mean;
    int32_t constant;
    int64_t power;
    int32_t gain;
    uint8_t gain_bit;
    int32_t weights[32];
    int16_t history[64];
    int64_t innovation;
    int64_t fast;
    int64_t turn;
    /* trigger */
    uint32_t maxima[16];
    uint32_t reference;
    uint32_t highest;
    uint32_t longest;
    uint32_t fast_maxima[16];
    uint32_t fast_reference;
    uint32_t fast_highest;
    uint32_t fast_longest;
    uint32_t block;
    uint8_t settling;
    uint8_t apart;
    uint8_t pending_count;
    uint32_t pending[4];
    bool usual_known;
    /* what features look back on */
    uint16_t recent[TAPSIG_RECENT];
    uint32_t sample;
    tapsig_rings rings;
    tapsig_memory memory;
    /* the gate */
    int16_t features[TAPSIG_FEATURES];
    tapsig_history candidates;
    int16_t score;
    uint32_t alive; /* blocks since the start, at most 100000 */
    uint32_t since; /* samples since the last tap's decision, saturated */
    uint32_t last_age;
} tapsig_core;
