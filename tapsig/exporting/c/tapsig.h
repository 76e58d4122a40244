/* Counts in, taps out, and verdicts on entries where a code was exported: what a program on a controller calls.
 *
 *     static tapsig_detector detector;
 *     tapsig_init(&detector);
 *     for (;;) {
 *         const tapsig_event event = tapsig_push(&detector, next_count());
 *         if (event.verdict == TAPSIG_ACCEPTED) { ... }
 *     }
 *
 * Integers only, no heap, no global state: two detectors share nothing but the numbers. A program takes one export;
 * a second one defines the same names.
 */
#ifndef TAPSIG_H
#define TAPSIG_H

#include <stdbool.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

#include "tapsig_numbers.h"

/* What one count led to. A tap's onset lies `onset_age` counts before the count just pushed. */
typedef struct {
    bool tap;
    uint16_t onset_age;
    uint8_t verdict; /* 0, or with a code what entry.h names: TAPSIG_ACCEPTED, TAPSIG_WRONG, TAPSIG_VOID */
} tapsig_event;

typedef struct {
    tapsig_core core;
#if defined(TAPSIG_WITH_EVIDENCE)
    tapsig_judge judge;
    bool judged; /* a candidate, in the last block */
#elif defined(TAPSIG_WITH_ENTRY)
    tapsig_clock clock;
    tapsig_entry entry;
#endif
} tapsig_detector;

/* Once, before the first count. It forgets everything, wrong entries too. */
void tapsig_init(tapsig_detector *detector);

/* Push the converter's next count, 0 to TAPSIG_COUNT_MAX, at the rate that tapsig_numbers.h names: every time in here
 * is counted in calls. */
tapsig_event tapsig_push(tapsig_detector *detector, uint16_t count);

#if defined(TAPSIG_WITH_EVIDENCE) || defined(TAPSIG_WITH_ENTRY)

/* Wrong entries in a row: what to store, so that a reset does not forget them. */
uint16_t tapsig_failures(const tapsig_detector *detector);

/* After tapsig_init: as if the last of that number of wrong entries in a row had just been judged. Its wait begins anew. */
void tapsig_restore(tapsig_detector *detector, uint16_t failures);

/* Whether no entry and no wait is going on: time may stand still. */
bool tapsig_is_idle(const tapsig_detector *detector);

/* After time has stood still: what was heard before says nothing about the next count. Wrong entries are kept. */
void tapsig_wake(tapsig_detector *detector);

#endif

/* Whether the last count left time for more than waiting: no candidate is being judged, and no entry decided. */
bool tapsig_has_time(const tapsig_detector *detector);

/* An intermediate value, to compare with test vectors. */
int32_t tapsig_probe(const tapsig_detector *detector);

#ifdef __cplusplus
}
#endif
#endif
