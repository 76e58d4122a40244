/* The log-odds of a candidate anew, among the other candidates of its entry.
 *
 * Blows of one hand on one spot are alike, and so are the blows of one disturbance. Each candidate counts the others
 * that are likely and like it, and those that are unlikely and like it: a kernel estimate of both densities (E. Parzen,
 * "On estimation of a probability density function and mode", Ann. Math. Stat. 33 (1962) 1065-1076, cited from memory).
 * A small sum of trees over these counts, the detector's log-odds and the rate of candidates gives the new log-odds.
 */
#ifndef TAPSIG_CONTEXT_H
#define TAPSIG_CONTEXT_H

#include "evidence.h"

#define TAPSIG_CONTEXT 8 /* bytes of a row */
#define TAPSIG_NEAREST 3

/* What a candidate finds among the others of its entry (context.h). */
typedef struct {
    uint16_t likely, likely_near, like_likely, like_unlikely;
    uint16_t smallest[TAPSIG_NEAREST];
    uint8_t highest;
} tapsig_context_sums;

/* Row of candidate `index` of an entry that is over:
 *   0 the detector's log-odds, in 1/16 nat from -5 nats on
 *   1 the highest of another candidate, likewise
 *   2 how many others are likely, as a level (fixed.h), counted by weights
 *   3 the same within a second
 *   4 mean time between candidates in ms, as a level
 *   5 likely ones like it, as a level
 *   6 unlikely ones like it, as a level
 *   7 how far it is from the three likely ones that are most like it
 */
void tapsig_context_describe(const tapsig_evidence *evidence, const tapsig_evidence_config *config, uint8_t index,
                             uint8_t *row);

/* The same in parts: begin, add all candidates of the entry from first to before stop, finish. */
void tapsig_context_begin(tapsig_context_sums *sums);
void tapsig_context_add(tapsig_context_sums *sums, const tapsig_evidence *evidence, uint8_t index, uint8_t other);
void tapsig_context_finish(const tapsig_context_sums *sums, const tapsig_evidence *evidence,
                           const tapsig_evidence_config *config, uint8_t index, uint8_t *row);

/* Its log-odds in 1/64 nat; those of the detector where there are no trees. */
int16_t tapsig_context_judge(const tapsig_evidence *evidence, const tapsig_evidence_config *config, uint8_t index);

/* A score as a byte: in 1/16 nat from -5 nats on; and back, in 1/64 nat. */
uint8_t tapsig_odds_of(int16_t score);
int16_t tapsig_score_of(uint8_t odds);

#endif
