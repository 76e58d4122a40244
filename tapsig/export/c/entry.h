/* Taps to digits to a verdict. Times are whole milliseconds in 32 bits that may wrap; call tapsig_entry_advance at
 * least once a day. Not a security product, and never the only way to reach a person or an animal. */

enum tapsig_verdict { TAPSIG_NO_VERDICT, TAPSIG_ACCEPTED, TAPSIG_WRONG, TAPSIG_VOID };

typedef struct {
    uint8_t state;
    uint8_t wake_count;
    uint16_t failures;
    uint16_t digit_count;
    uint16_t digits[TAPSIG_CODE_LENGTH];
    uint32_t last_ms;
    uint32_t until_ms;
    uint32_t rhythm_count;
    uint64_t rhythm_sum_ms;
} tapsig_entry;

void tapsig_entry_init(tapsig_entry *entry);

/* The next tap. Returns the verdict on an entry that ended before it. */
uint8_t tapsig_entry_push(tapsig_entry *entry, uint32_t tap_ms);

/* No tap before now_ms will follow. Returns the verdict on an entry that ended by then. */
uint8_t tapsig_entry_advance(tapsig_entry *entry, uint32_t now_ms);
