/* The most likely series of taps among the candidates of an entry, by dynamic programming.
 *
 * First the log-odds of each candidate are computed anew among the others (context.h). A candidate in a series adds its
 * log-odds, one that is passed over adds nothing: this is the posterior of the whole series up to a constant, so that
 * what is strong is not passed over for free (log p against log(1 - p)). Gaps add their likelihood, as one within a
 * digit or as a pause between digits; the tempo within digits is a parameter of the entry, tried over a grid under a
 * prior.
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
#ifndef TAPSIG_COMPARE_H
#define TAPSIG_COMPARE_H

#include <stdbool.h>
#include <stdint.h>

#include "context.h"
#include "evidence.h"

#define TAPSIG_CODE_DIGITS 16
#define TAPSIG_OFF_ROWS 17         /* one more than digits */
#define TAPSIG_UNREACHED INT16_MIN /* no such series */

typedef struct {
    int16_t code;         /* the code's best series; TAPSIG_UNREACHED: there is none */
    int16_t other;        /* the best other series, or no taps at all */
    int16_t no_taps;      /* their prior log-odds */
    uint8_t other_digits; /* of that series; one more than the code's stands for any larger number */
    uint8_t code_tempo, other_tempo;
    uint8_t code_end, other_end; /* last candidates of the two, counted from the entry's first */
    uint8_t other_row;           /* the row that the other series ends in; UINT8_MAX: it has left the code */
} tapsig_comparison;

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

/* A code has 1 to TAPSIG_CODE_DIGITS digits and at most TAPSIG_KEPT taps; without digits, any series is "other".
 * `no_taps` is what a series is compared with first. */
void tapsig_compare_begin(tapsig_comparing *comparing, int16_t no_taps, uint8_t first_tempo);

/* The next part of the work, `work_a_step` of it (a pair of candidates that is passed over is 1): a gain is found in
 * several steps, then one candidate of one row after the other. True when the tempos before `stop_tempo` are done and `comparing->result` holds. `trace` may be null; it holds the last tempo.
 * The shapes of the entry's candidates are lost. */
bool tapsig_compare_step(tapsig_comparing *comparing, tapsig_evidence *evidence, const tapsig_evidence_config *config,
                         const uint8_t *code, uint8_t digits, uint8_t stop_tempo, tapsig_trace *trace);

#endif
