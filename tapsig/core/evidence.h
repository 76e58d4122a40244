/* An entry judged on evidence: all candidates of the entry, their log-odds, their rhythm and their likeness.
 *
 * Candidates are kept until `silence_ms` have passed without a likely one. Then the log-odds of each are computed anew
 * among the others of the entry (context.h), and dynamic programming finds the most likely series of taps. A candidate
 * in the series adds its log-odds, one that is passed over adds nothing: this is the posterior of the whole series up
 * to a constant, so that what is strong is not passed over for free (log p against log(1 - p)). Gaps add their
 * likelihood, as one within a digit or as a pause between digits; the tempo within digits is a parameter of the entry,
 * tried over a grid under a prior.
 *
 * Two questions: the series of the code against the best series that is not the code, and, where there is no code, the
 * best series. The states count how far a series agrees with the code; a series that has left the code is counted by
 * its digits, because one of another number of digits than the code's is less likely to be what a person meant.
 *
 * Methods, cited from memory: A. J. Viterbi, "Error bounds for convolutional codes ...", IEEE Trans. Inf. Theory 13
 * (1967) 260-269; L. R. Rabiner, "A tutorial on hidden Markov models ...", Proc. IEEE 77 (1989) 257-286; S.-Z. Yu,
 * "Hidden semi-Markov models", Artificial Intelligence 174 (2010) 215-243 (a gap is the duration of a state);
 * A. Wald, "Sequential tests of statistical hypotheses", Ann. Math. Stat. 16 (1945) 117-186 (a threshold on the log of
 * the likelihood ratio).
 */
#ifndef TAPSIG_EVIDENCE_H
#define TAPSIG_EVIDENCE_H

#include <stdbool.h>
#include <stdint.h>

#include "tap.h"
#include "trees.h"

#define TAPSIG_KEPT 36        /* candidates of one entry */
#define TAPSIG_SHAPE 8        /* bytes of a candidate that are compared with another's */
#define TAPSIG_CONTEXT 8      /* bytes of a row of context.h */
#define TAPSIG_NEAREST 3
#define TAPSIG_CODE_DIGITS 16
#define TAPSIG_OFF_ROWS 17     /* one more than digits */
#define TAPSIG_TEMPOS 12      /* tempo hypotheses */
#define TAPSIG_BETWEEN_BINS 48
#define TAPSIG_WITHIN_BINS 32
#define TAPSIG_UNREACHED INT16_MIN /* no such series */

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
    uint8_t weight_q4;                      /* of the log-odds, in sixteenths */
    int16_t bias;                           /* added to them */
    int8_t least_gain;                      /* in 1/16 nat; candidates below it are in no series */
    int16_t other_length;                   /* what a series loses that has another number of digits than the code */
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
    bool open;            /* an entry is going on */
    bool over;            /* an entry awaits its verdict */
} tapsig_evidence;

typedef struct {
    int16_t code;         /* the code's best series; TAPSIG_UNREACHED: there is none */
    int16_t other;        /* the best other series; 0 for no taps at all */
    uint8_t other_digits; /* of that series; one more than the code's stands for any larger number */
    uint8_t code_tempo, other_tempo;
    uint8_t code_end, other_end; /* last candidates of the two, counted from the entry's first */
    uint8_t other_row;           /* the row that the other series ends in; UINT8_MAX: it has left the code */
} tapsig_comparison;

/* What a candidate finds among the others of its entry (context.h). */
typedef struct {
    uint16_t likely, likely_near, like_likely, like_unlikely;
    uint16_t smallest[TAPSIG_NEAREST];
    uint8_t highest;
} tapsig_context_sums;

/* Where the work stands that decides an entry, cut into steps that a controller has time for in a millisecond. */
typedef struct {
    tapsig_context_sums sums;
    uint8_t row[TAPSIG_CONTEXT];
    uint16_t tree;  /* as in tapsig_trees_add */
    int16_t odds;
    bool described; /* `row` is of candidate `ready` */
    uint8_t ready;  /* gains that are known */
    uint8_t tempo, place, candidate;
    uint8_t partner; /* the candidate that it was last compared with */
    bool begun;      /* with `candidate` at `place` */
    tapsig_comparison result;
} tapsig_comparing;

/* Where a best series that has left the code came from: a candidate, or TAPSIG_KEPT for none; the row that it left, or
 * UINT8_MAX where it had left before, then with `digit` + 1 digits; whether the gap is a pause. */
typedef struct {
    uint8_t candidate, row, digit, is_pause;
} tapsig_step_back;

/* For an explanation; no part of an export. */
typedef struct {
    uint8_t came_from[TAPSIG_KEPT][TAPSIG_KEPT];
    tapsig_step_back off[TAPSIG_OFF_ROWS][TAPSIG_KEPT];
} tapsig_trace;

void tapsig_evidence_init(tapsig_evidence *evidence);

/* Take a candidate; they come in the order of decision. */
void tapsig_evidence_push(tapsig_evidence *evidence, const tapsig_evidence_config *config,
                          const tapsig_candidate *candidate);

/* Say that no candidate from before `block` follows. True when an entry is over: compare, then tapsig_evidence_next. */
bool tapsig_evidence_tick(tapsig_evidence *evidence, const tapsig_evidence_config *config, uint32_t block);

/* Forget the entry that is over; what came after it stays. */
void tapsig_evidence_next(tapsig_evidence *evidence, const tapsig_evidence_config *config);

/* A code has 1 to TAPSIG_CODE_DIGITS digits and at most TAPSIG_KEPT taps; without digits, any series is "other". */
void tapsig_compare_begin(tapsig_comparing *comparing, uint8_t first_tempo);

/* The next part of the work: a gain is found in several steps, then one candidate of one row after the other. True when
 * the tempos before `stop_tempo` are done and `comparing->result` holds. `trace` may be null; it holds the last tempo.
 * The shapes of the entry's candidates are lost. */
bool tapsig_compare_step(tapsig_comparing *comparing, tapsig_evidence *evidence, const tapsig_evidence_config *config,
                         const uint8_t *code, uint8_t digits, uint8_t stop_tempo, tapsig_trace *trace);

#endif
