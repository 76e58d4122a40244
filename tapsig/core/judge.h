/* From candidates to a verdict on evidence, with the waking, waits and limits of entry.h.
 *
 * The entry machine runs on the likely candidates and is never asked for its own verdict: it says when an entry can be
 * heard, and takes the verdict from here.
 */
#ifndef TAPSIG_JUDGE_H
#define TAPSIG_JUDGE_H

#include <stdbool.h>
#include <stdint.h>

#include "compare.h"
#include "entry.h"

typedef struct {
    tapsig_entry_config entry;       /* without a code */
    tapsig_evidence_config evidence;
    const uint8_t *code;             /* its digits */
    uint8_t code_length;             /* 0: entries are told apart, not judged */
    int16_t least_ratio;             /* of the code's series against the best other, in 1/64 nat */
} tapsig_judge_config;

typedef struct {
    tapsig_entry entry;
    tapsig_evidence evidence;
    tapsig_comparing comparing;
} tapsig_judge;

void tapsig_judge_init(tapsig_judge *judge);

/* Take a candidate, in the order of decision, after tapsig_judge_tick for the block that decided it. */
void tapsig_judge_push(tapsig_judge *judge, const tapsig_judge_config *config, const tapsig_candidate *candidate);

/* Say that no candidate from before `block` follows. Returns whether an entry awaits its verdict. */
bool tapsig_judge_tick(tapsig_judge *judge, const tapsig_judge_config *config, uint32_t block);

/* Whether the millisecond `block` is left to others while a verdict is worked out: one in eight. */
bool tapsig_judge_rests(uint32_t block);

/* The next part of the work on an entry that awaits its verdict, for one millisecond. Returns the verdict once all is done,
 * TAPSIG_NO_VERDICT before and where most likely nobody tapped. */
uint8_t tapsig_judge_step(tapsig_judge *judge, const tapsig_judge_config *config);

#endif
