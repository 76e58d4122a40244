/* Taps to digits to a verdict, by a rule: a pause ends a digit, silence ends the entry.
 *
 * Times are whole milliseconds in 32 bits that may wrap; nothing is looked at in between, so that the machine can sleep.
 */
#ifndef TAPSIG_ENTRY_H
#define TAPSIG_ENTRY_H

#include <stdbool.h>
#include <stdint.h>

typedef struct {
    const uint8_t *code; /* its digits */
    uint8_t code_length; /* 0: entries are told apart, not judged */
    uint8_t digit_max;
    uint8_t wake_taps; /* taps in a row that wake the machine; 0: the first tap of an entry does */
    uint8_t wait_factor;
    uint16_t free_failures;     /* wrong entries in a row without a wait */
    uint16_t failure_limit;     /* wrong entries in a row that lock it; 0: none do */
    uint16_t tolerance_percent; /* of the mean gap within digits, for the next; 0: `digit_pause_ms` holds */
    uint32_t digit_pause_ms;    /* the longest gap within a digit */
    uint32_t least_pause_ms, longest_pause_ms; /* of a pause from the tolerance; at most an hour */
    uint32_t silence_ms;        /* without a tap, after which the entry is over */
    uint32_t awake_ms;          /* without a tap, after which the machine falls asleep */
    uint32_t wait_ms, wait_limit_ms; /* the first wait, and the longest; at most a day */
} tapsig_entry_config;

enum { TAPSIG_ASLEEP, TAPSIG_WAKING, TAPSIG_AWAKE, TAPSIG_ENTERING, TAPSIG_WAITING, TAPSIG_LOCKED };
enum { TAPSIG_NO_VERDICT, TAPSIG_UNJUDGED, TAPSIG_ACCEPTED, TAPSIG_WRONG, TAPSIG_VOID };

typedef struct {
    uint32_t last_ms;  /* the last tap */
    uint32_t until_ms; /* the end of a wait */
    uint32_t rhythm_sum_ms; /* of the gaps within digits */
    uint16_t rhythm_count;
    uint16_t failures;
    uint16_t digit_count;
    uint16_t digit; /* the last one so far */
    uint8_t state;
    uint8_t wake_count;
    bool same;     /* all digits before the last are the code's */
    bool possible; /* none of them is over `digit_max` */
} tapsig_entry;

void tapsig_entry_init(tapsig_entry *entry);

/* The next tap. Returns the verdict on an entry that ended before it. */
uint8_t tapsig_entry_push(tapsig_entry *entry, const tapsig_entry_config *config, uint32_t tap_ms);

/* No tap before now_ms will follow. Returns the verdict on an entry that ended by then. To be called at least once in
 * 24 days. */
uint8_t tapsig_entry_advance(tapsig_entry *entry, const tapsig_entry_config *config, uint32_t now_ms);

/* Count a verdict: failures in a row, the wait from the end of the last tap's silence, or the lock. */
void tapsig_entry_settle(tapsig_entry *entry, const tapsig_entry_config *config, uint8_t verdict);

/* The longest gap that now keeps two taps in one digit. */
uint32_t tapsig_entry_pause_ms(const tapsig_entry *entry, const tapsig_entry_config *config);

/* The wait that `failures` wrong entries in a row lead to. */
uint32_t tapsig_entry_wait_ms(const tapsig_entry_config *config, uint16_t failures);

#endif
