/* An entry judged on evidence: all its candidates, with their log-odds and their shape.
 *
 * Candidates are kept until `silence_ms` have passed without a likely one. Rain may leave no such silence: ones much less
 * likely than the entry's best do not count. Then compare.h looks for series of taps among them.
 */
#ifndef TAPSIG_EVIDENCE_H
#define TAPSIG_EVIDENCE_H

#include <stdbool.h>
#include <stdint.h>

#include "tap.h"
#include "trees.h"

#define TAPSIG_KEPT 36        /* candidates of one entry */
#define TAPSIG_SHAPE 8        /* bytes of a candidate that are compared with another's */
#define TAPSIG_TEMPOS 12      /* tempo hypotheses */
#define TAPSIG_BETWEEN_BINS 48
#define TAPSIG_WITHIN_BINS 32

/* All tables in 1/16 nat; scores in 1/64 nat. A bin of time is a sixteenth of an octave. */
typedef struct {
    tapsig_trees context;                   /* log-odds of a candidate among the others; none: as the detector has them */
    const int8_t *within;                   /* log-likelihood of a gap, by its distance from the tempo in bins */
    const int8_t *between;                  /* of a pause, by its bin from first_bin on */
    const int8_t *tempo;                    /* log prior; these three have TAPSIG_WITHIN_BINS, ... numbers */
    uint8_t first_tempo;                    /* bin of the first tempo */
    uint8_t tempo_step;                     /* bins from one tempo to the next */
    uint8_t first_bin;                      /* of `between` */
    int16_t least_score;                    /* candidates below it are not kept */
    int16_t likely_score;                   /* candidates from it on open an entry, and keep it open; a multiple of 4 */
    uint8_t open_span;                      /* in 1/16 nat: only so far below the best one do they keep it open */
    uint8_t work_a_step;                    /* of a comparison (compare.h) */
    uint8_t weight_q4;                      /* of the log-odds, in sixteenths */
    int16_t bias;                           /* added to them */
    int8_t least_gain;                      /* in 1/16 nat; candidates below it are in no series */
    int16_t other_length;                   /* what a series loses that has another number of digits than the code */
    int16_t no_taps;                        /* prior log-odds of no taps at all (judge.c raises it) */
    uint16_t least_gap_ms;                  /* between two taps */
    uint16_t lead_ms;                       /* kept from before the candidate that opens an entry */
    uint16_t silence_ms;                    /* without a likely candidate: ends the entry */
} tapsig_evidence_config;

/* Of a candidate, its shape, which others are compared with. Once all candidates of an entry have been compared, the same
 * bytes hold the best series that end with it: row m (mod 2) those that agree with the code so far and have m + 1 taps;
 * off d (mod 2) those that have left it and have d + 1 digits. */
typedef union {
    uint8_t shape[TAPSIG_SHAPE];
    struct {
        int16_t row[2], off[2];
    } best;
} tapsig_evidence_cell;

/* Candidate i, by time, lies at place order[i]; from order[count] on are the places that are free. What is moved is their
 * numbers alone. */
typedef struct {
    uint8_t order[TAPSIG_KEPT];
    uint16_t time[TAPSIG_KEPT]; /* block mod 65536 */
    uint8_t odds[TAPSIG_KEPT];  /* the detector's log-odds in 1/16 nat, from -5 nats on */
    int8_t gain[TAPSIG_KEPT];   /* of each candidate in a series, in 1/16 nat; known while an entry is decided */
    tapsig_evidence_cell cell[TAPSIG_KEPT];
    uint32_t newest;      /* block of the last of them */
    uint32_t last_likely; /* of the entry that is going on or over */
    uint8_t count;
    uint8_t first, stop;  /* the candidates of an entry that is over */
    uint8_t highest;      /* log-odds of a candidate in the entry that is going on */
    bool open;            /* an entry is going on */
    bool over;            /* an entry awaits its verdict */
} tapsig_evidence;

void tapsig_evidence_init(tapsig_evidence *evidence);

/* Take a candidate; they come in the order of decision. */
void tapsig_evidence_push(tapsig_evidence *evidence, const tapsig_evidence_config *config,
                          const tapsig_candidate *candidate);

/* Say that no candidate from before `block` follows. True when an entry is over: compare, then tapsig_evidence_next. */
bool tapsig_evidence_tick(tapsig_evidence *evidence, const tapsig_evidence_config *config, uint32_t block);

/* Forget the entry that is over; what came after it stays. */
void tapsig_evidence_next(tapsig_evidence *evidence, const tapsig_evidence_config *config);

#endif
